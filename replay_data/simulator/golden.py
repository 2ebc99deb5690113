"""Small recorded streams: a few hours of one machine with few tags, for replays whose rows are worked out by hand."""

from __future__ import annotations

import base64
import gzip
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import msgspec

from replay_data.simulator.context import iso
from replay_data.simulator.gateway import Sent
from replay_data.simulator.line import Line
from replay_data.simulator.mishaps import Plan
from replay_data.simulator.record import Forced
from replay_data.simulator.rota import ZONE
from replay_data.simulator.truth import TruthRow

HOUR_MS = 3_600_000
MINUTE_MS = 60_000
TAGS = (
    *("reel.speed", "scanner.basis_weight", "scanner.moisture", "press.dryness", "press.draw"),
    *("broke.dosing", "broke.tower_level"),
)
_ONCE = Plan(0, 10_000)
_WRONG = ("gap on reel", "gap in a break", "blind eye", "late", "null eye", "nulls", "rejected")


Happening = tuple[int, str, str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A few hours in which certain things happen.

    forced
        Minutes from the start, what, where, and for how long the clearing lasts at least. [s]
    plans
        What goes wrong with the messages; None: nothing.
    """

    name: str
    seed: int
    start: datetime
    hours: float
    forced: tuple[Happening, ...]
    plans: Mapping[str, Plan] | None = field(default=None)

    @property
    def start_ms(self) -> int:
        """When it begins. [ms]"""
        return round(self.start.timestamp() * 1000)

    @property
    def end_ms(self) -> int:
        """When it ends. [ms]"""
        return self.start_ms + round(self.hours * HOUR_MS)


SCENARIOS = (
    # A turn-up missed, the sheet taken off for a job, a calender and a press break, a break still open at the end.
    Scenario(
        name="night_shift",
        seed=6,
        start=datetime(2026, 3, 3, 20, tzinfo=ZONE),
        hours=4.0,
        forced=(
            (35, "turn-up", "reel", 80.0),
            (80, "sheet-off", "size press", 700.0),
            (125, "break", "calender", 80.0),
            (165, "break", "press", 80.0),
            (232, "break", "pre-dryer", 900.0),
        ),
    ),
    # A trip, and everything that goes wrong with messages and eyes, around few breaks.
    Scenario(
        name="bad_messages",
        seed=17,
        start=datetime(2026, 3, 28, 23, tzinfo=ZONE),
        hours=6.0,
        forced=((150, "break", "size press", 80.0), (225, "trip", "", 0.0)),
        plans=dict.fromkeys(_WRONG, _ONCE),
    ),
)


def golden(scenario: Scenario) -> tuple[list[Sent], list[TruthRow]]:
    """The messages of a scenario in order of receipt, and what truly happened."""
    line = Line.of(
        "pm2",
        seed=scenario.seed,
        start_ms=scenario.start_ms,
        end_ms=scenario.end_ms,
        forced=[
            Forced(scenario.start_ms + at * MINUTE_MS, kind, where, lasts_s)
            for at, kind, where, lasts_s in scenario.forced
        ],
        plans=scenario.plans,
        tags=TAGS,
    )
    sent, truth = line.day()
    sent = sorted((one for one in sent if one[0] < scenario.end_ms), key=lambda one: one[0])
    return sent, [row for row in truth if _begun(row, scenario.end_ms)]


def _begun(row: TruthRow, end_ms: int) -> bool:
    started_ms = row.get("started_ms")
    return row["table"] in ("downtime", "attempt", "mishap") and isinstance(started_ms, int) and started_ms < end_ms


def write_stream(path: Path, messages: Iterable[Sent]) -> None:
    """Write a stream file, JSON Lines compressed; the same messages give the same bytes."""
    lines = (msgspec.json.encode(_line(*message)) + b"\n" for message in messages)
    path.write_bytes(gzip.compress(b"".join(lines), compresslevel=9, mtime=0))


def _line(received_ms: int, topic: str, payload: bytes) -> dict[str, object]:
    line: dict[str, object] = {"received_at": iso(received_ms), "topic": topic}
    try:
        return line | {"payload": msgspec.json.decode(payload)}
    except msgspec.DecodeError:
        return line | {"payload_b64": base64.b64encode(payload).decode()}


def record(folder: Path) -> list[Path]:
    """Write ``<name>/stream.jsonl.gz`` for every scenario; the files written."""
    paths = []
    for scenario in SCENARIOS:
        path = folder / scenario.name / "stream.jsonl.gz"
        path.parent.mkdir(parents=True, exist_ok=True)
        write_stream(path, golden(scenario)[0])
        paths.append(path)
    return paths
