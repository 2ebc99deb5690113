"""What truly happened, for whoever wants to judge what was found out from the messages. No other code reads it."""

from __future__ import annotations

import gzip
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import IO, TYPE_CHECKING, Self

import msgspec
import numpy as np

from replay_data.simulator.record import DayRecord

if TYPE_CHECKING:
    from replay_data.simulator.downtime import Downtime
    from replay_data.simulator.mishaps import Spoilt

TruthRow = Mapping[str, object]
_encode = msgspec.json.encode


def rows_of(day: DayRecord, spoilt: Spoilt, due: Mapping[str, str], *, horizon_ms: int) -> list[TruthRow]:
    """The truth of one machine's day. What lies after the stream's end is cut off: an open downtime has no end.

    due
        The plant to which a downtime is due, by the downtime's id.
    """
    rows: list[TruthRow] = []
    for down in day.downtimes:
        rows += _downtime_rows(down, due.get(down.downtime_id), horizon_ms)
    rows += ({**row, "machine": day.machine} for row in spoilt.rows)
    balance = {name: getattr(day.balance, name) for name in day.balance.__slots__}
    rows.append({"table": "broke", "machine": day.machine, "started_ms": day.frame.start_ms, **balance})
    hazard = [None if np.isnan(rate) else round(rate, 4) for rate in day.frame.hazard_per_h.tolist()]
    rows.append(
        {"table": "hazard", "machine": day.machine, "started_ms": day.frame.start_ms, "step_s": 60, "per_h": hazard}
    )
    return rows


def _downtime_rows(down: Downtime, plant: str | None, horizon_ms: int) -> list[TruthRow]:
    rows: list[TruthRow] = [
        {
            "table": "downtime",
            "machine": down.machine,
            "downtime_id": down.downtime_id,
            "kind": down.kind,
            "section": down.section,
            "cause": down.cause,
            "started_ms": down.started_ms,
            "ended_ms": down.back_ms if down.back_ms < horizon_ms else None,
            "crew": down.crew,
            "grade": down.grade,
            "shade": down.shade,
            "secondary": down.secondary,
            "forced": down.forced,
            "unseen": down.unseen,
            "plant": plant,
        }
    ]
    begun = [attempt for attempt in down.attempts if attempt.started_ms < horizon_ms]
    for number, attempt in enumerate(begun, start=1):
        ended = attempt.ended_ms < horizon_ms
        rows.append(
            {
                "table": "attempt",
                "machine": down.machine,
                "downtime_id": down.downtime_id,
                "attempt": number,
                "started_ms": attempt.started_ms,
                "ended_ms": attempt.ended_ms if ended else None,
                "outcome": attempt.outcome if ended else None,
                "reached": attempt.reached if ended else None,
            }
        )
    return rows


class TruthWriter:
    """Writes truth rows, a JSON object a line; a name that ends in ``.gz`` is compressed."""

    def __init__(self, path: Path) -> None:
        """Nothing is opened before the ``with``."""
        self._path = path

    def __enter__(self) -> Self:
        """Open the file."""
        self._file: IO[bytes] = self._path.open("wb")
        self._zip = gzip.GzipFile("", "wb", fileobj=self._file, mtime=0) if self._path.suffix == ".gz" else None
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        if self._zip:
            self._zip.close()
        self._file.close()

    def write(self, rows: Iterable[TruthRow]) -> None:
        """Add rows."""
        lines = b"".join(_encode(row) + b"\n" for row in rows)
        if self._zip:
            self._zip.write(lines)
        else:
            self._file.write(lines)


def read_truth(path: Path) -> dict[str, list[dict[str, object]]]:
    """The rows by table, without their table's name."""
    text = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    tables: dict[str, list[dict[str, object]]] = {}
    for line in text.splitlines():
        row = msgspec.json.decode(line, type=dict[str, object])
        tables.setdefault(str(row.pop("table")), []).append(row)
    return tables
