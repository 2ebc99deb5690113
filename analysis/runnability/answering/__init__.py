"""From a history to the answer of one command: which figures are asked for, what is told of them, what is drawn."""
