"""The present: what the collector says over MQTT and what the store knows, put together for a screen on the wall."""
