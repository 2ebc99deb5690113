"""What all commands share: the options that mean the same, and how an answer is given."""
