"""Figures in words: a sentence first, then tables, then the same as plain values for ``--json``."""
