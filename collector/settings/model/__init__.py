"""What mill.toml may say: the validated values, their units and their defaults. Nothing here reads a file."""
