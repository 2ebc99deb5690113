"""What is wrong with a file of history: where exactly, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path


class HistoryFault(ValueError):
    """The file cannot be taken as it is. Nothing of it was stored; the text says where the fault is and what to do."""

    def __init__(self, path: Path, reason: str, *, line: int | None = None, column: str | None = None) -> None:
        """``line`` counts from 1, in a Parquet file the rows; ``column`` is the name in the file."""
        self.path, self.reason, self.line, self.column = path, reason, line, column
        where = str(path) if line is None else f"{path}:{line}"
        super().__init__(f"{where}: {reason}" if column is None else f"{where}: column {column}: {reason}")

    def as_dict(self) -> dict[str, object]:
        """For programs."""
        return {"file": str(self.path), "line": self.line, "column": self.column, "reason": self.reason}


class HistoryFaults(ValueError):
    """Some files have faults. Nothing of any of them was stored."""

    def __init__(self, faults: Sequence[HistoryFault], more: int = 0) -> None:
        """The first faults of each file, and how many there are more."""
        self.faults, self.more = tuple(faults), more
        lines = [str(fault) for fault in faults] + ([f"and {more} more like these"] if more else [])
        super().__init__("\n".join(lines))
