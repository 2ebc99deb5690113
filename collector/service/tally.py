"""What a run of the collector has done so far, in numbers."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass

from collector.batch import Batch
from collector.writer import Committed


@dataclass(slots=True)
class Counts:
    """What this run has done so far."""

    messages: int = 0
    repeats: int = 0
    samples: int = 0
    repeated: int = 0
    replaced: int = 0
    late: int = 0
    rejected: int = 0
    sessions_lost: int = 0

    def add(self, batch: Batch, done: Committed) -> None:
        """Count one committed batch."""
        self.messages += batch.messages
        self.samples += done.new
        self.repeated += done.repeated
        self.replaced += done.replaced
        self.late += done.late
        self.rejected += len(batch.rejected) + len(done.refused)

    def as_dict(self) -> dict[str, int]:
        """The counts by name."""
        return asdict(self)

    def __str__(self) -> str:
        """In one line, without what did not happen."""
        return ", ".join(f"{value:,} {name}" for name, value in self.as_dict().items() if value)


def total(parts: Iterable[Counts]) -> Counts:
    """The counts of several parts of one run, added up."""
    every = [part.as_dict() for part in parts]
    return Counts(**{name: sum(part[name] for part in every) for name in Counts().as_dict()})
