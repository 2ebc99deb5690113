"""The broke ledger: what was made, what came back and was dosed, and how long the towers last."""
