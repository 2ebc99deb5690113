"""The chance of a break within the horizon, from what was known at each minute; judged before it is believed."""
