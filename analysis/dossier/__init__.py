"""One break, with all that the store knows of it: its clock, detectors, tags, likenesses, notes and suggestions."""
