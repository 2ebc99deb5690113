"""The data dictionary: what the published store says of itself, and how its views belong together."""
