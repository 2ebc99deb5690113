"""The statistics in words and pictures: a sentence first, then tables, pictures, and the same as plain values."""
