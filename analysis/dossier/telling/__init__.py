"""The parts of a dossier in words."""
