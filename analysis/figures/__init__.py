"""Pure functions on a history: each figure with its formula, unit and source."""
