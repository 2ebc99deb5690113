"""How the collector speaks with the broker: one session that lasts, and what is recorded and replayed."""
