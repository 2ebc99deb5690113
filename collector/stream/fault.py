"""What is wrong with a stream file, and where."""

from __future__ import annotations

from pathlib import Path


class StreamFault(ValueError):
    """The file is not a stream of recorded messages, or is cut short. The text says at which line or row."""

    def __init__(self, path: Path, place: int | str | None, reason: str) -> None:
        """``place`` is a line number, or other words for where it is; None for the file as a whole."""
        where = str(path) if place is None else f"{path}:{place}"
        super().__init__(f"{where}: {reason}")
