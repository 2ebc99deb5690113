"""The first day at a mill: what its broker says, and a draft of mill.toml that fits it."""

from collector.survey.finding import Survey, survey

__all__ = ["Survey", "survey"]
