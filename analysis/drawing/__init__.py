"""Pictures: one look for all, each with its text equivalent and its numbers."""
