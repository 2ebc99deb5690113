"""Stores for tests of the rebuild: filled with the scans of a random or hand-made machine, as the collector would."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from collector.message import Scan
from collector.rebuild.stored import Row, stored_rows
from collector.settings import Mill
from collector.settings.model.machine import Machine
from collector.store import Store
from tests.mills import readable_mill
from tests.stored import NOW_MS, load_scans, opened
from tests.tracked import Settings


def mill_of(settings: Settings) -> Mill:
    """The example's mill with a machine of these settings."""
    ms = {
        f"{name.removesuffix('_ms')}_s": getattr(settings, name) / 1000
        for name in (
            "reorder_ms", "debounce_ms", "blind_margin_ms", "stale_after_ms", "trip_window_ms", "attempt_pause_ms",
            "on_reel_confirm_ms",
        )
    }  # fmt: skip
    machine = {
        "id": settings.machine,
        "name": "PM 2",
        "trim_m": settings.trim_m,
        "running_above_m_min": settings.running_above_m_min,
        "trip_drop_pct": settings.trip_drop_pct,
        "signals": dict(settings.roles),
        "sheet_detector": tuple(
            {"tag": each.tag, "section": each.section, "position_m": each.position_m} for each in settings.detectors
        ),
        **ms,
    }
    mill = readable_mill()
    sources = tuple(
        source.model_copy(
            update={"heartbeat_s": beat_ms / 1000 if (beat_ms := settings.heartbeats.get(number)) else None}
        )
        for number, source in enumerate(mill.sources)
    )
    return mill.model_copy(update={"machines": (Machine.model_validate(machine),), "sources": sources})


def audible(scans: Sequence[Scan]) -> list[Scan]:
    """The same scans as a store has them: each tag from one source, heartbeats as values of a tag without a role."""
    first: dict[str, tuple[int, int]] = {}
    for scan in scans:
        for tag in scan.values:
            first[tag] = min(first.get(tag, (scan.at_ms, scan.source)), (scan.at_ms, scan.source))
    return [
        part
        for scan in scans
        for part in (_by_source(scan, first) if scan.values else [replace(scan, values={f"beat.{scan.source}": 1.0})])
    ]


def _by_source(scan: Scan, first: dict[str, tuple[int, int]]) -> list[Scan]:
    sources = sorted({first[tag][1] for tag in scan.values})
    return [
        replace(scan, source=source, values={tag: told for tag, told in scan.values.items() if first[tag][1] == source})
        for source in sources
    ]


def in_time(scans: Sequence[Scan]) -> list[Scan]:
    """The same scans as if each had come when it was made."""
    return sorted((replace(scan, heard_ms=scan.at_ms) for scan in scans), key=lambda scan: scan.at_ms)


def filled(folder: Path, mill: Mill, scans: Sequence[Scan]) -> Store:
    """A store that has taken in scans in their order of arrival."""
    folder.mkdir(exist_ok=True)
    store = opened(folder, mill=mill)
    load_scans(mill, store, audible(scans))
    return store


def facts_of(store: Store, machine: str = "pm2") -> dict[str, list[Row]]:
    """All that the tracker found, with what is under way, in one order."""
    rows = stored_rows(store, machine)
    under_way = store.connection.execute("SELECT * FROM base.production_under_way WHERE started_at IS NOT NULL")
    every = {table: sorted(each, key=lambda row: repr(sorted(row.items()))) for table, each in rows.items()}
    return every | {"under_way": [{"row": row} for row in under_way.fetchall()]}


LATER_MS = NOW_MS + 1
