"""A published store that holds a made-up machine, for the risk tests that begin at the views."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from tests.analysis_store import HandMadeStore, at
from tests.risk_mill import MINUTE_MS, Mill

GAP_S = 20
"""Samples lie so far apart, three to a minute, so that each minute has a spread. [s]"""


def store_of(mill: Mill, folder: Path, *, use: dict[str, str] | None = None, shifts: int = 0) -> Path:
    """Write a machine ``pm2`` into a store; gives the mill.toml to read it by.

    use
        ``use`` of a tag by its name; those not named have no settings at all.
    shifts
        How many there are, of twelve hours from six in the morning of the first day on.
    """
    store = HandMadeStore(folder)
    first_ms, until_ms = int(mill.minutes.first) * MINUTE_MS, mill.past.until_ms
    store.machine(first_ms, until_ms - 1)  # type: ignore[arg-type]  # takes milliseconds as well
    _states(store, mill)
    _losses(store, mill)
    for number, started_ms in enumerate(mill.past.grade_runs_ms.tolist()):
        grade = mill.past.grades[number]
        store.insert("grade_run", machine="pm2", grade=grade, started_at=at(started_ms), first_seen=not number)
    for name, what in (use or {}).items():
        store.insert("tag_setting", machine="pm2", tag=name, use=what)
    if shifts:
        store.shifts("2026-03-01 06:00", shifts)
    _samples(store, mill)
    return store.close(published=until_ms, data_to=until_ms)  # type: ignore[arg-type]  # as above


def _states(store: HandMadeStore, mill: Mill) -> None:
    for started_ms, ended_ms in mill.past.on_reel_ms.tolist():
        store.insert("machine_state", machine="pm2", state="on_reel", started_at=at(started_ms))
        if ended_ms < mill.past.until_ms:
            store.insert("machine_state", machine="pm2", state="down", started_at=at(ended_ms))


def _losses(store: HandMadeStore, mill: Mill) -> None:
    starts = mill.past.on_reel_ms[:, 0]
    for loss in mill.past.losses:
        run = int(np.searchsorted(starts, loss.started_ms)) - 1
        later = starts[starts > loss.started_ms]
        store.insert(
            "downtime",
            downtime_id=loss.downtime_id,
            machine="pm2",
            kind=loss.kind,
            started_at=at(loss.started_ms),
            ended_at=at(int(later[0])) if len(later) else None,
            section=loss.section,
            on_reel_before_ms=int(loss.started_ms - starts[run]),
        )


def _samples(store: HandMadeStore, mill: Mill) -> None:
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    minutes = np.arange(mill.minutes.mean.shape[1]) + mill.minutes.first
    per_minute = 60 // GAP_S
    ms = (minutes[:, None] * MINUTE_MS + np.arange(per_minute) * GAP_S * 1000).ravel()
    for number, name in enumerate(mill.minutes.tags, start=2):
        middle, spread = mill.minutes.mean[number - 2], np.sqrt(mill.minutes.variance[number - 2] * 1.5)
        # Lower, middle, upper: their mean is the minute's mean and their variance its variance.
        value = (middle[:, None] + spread[:, None] * np.array([-1.0, 0.0, 1.0])).ravel()
        first, last = epoch + timedelta(milliseconds=int(ms[0])), epoch + timedelta(milliseconds=int(ms[-1]))
        store.insert("tag", tag_id=number, machine="pm2", tag=name, first_at=first, last_at=last)
        store.connection.register("incoming", {"ms": ms, "value": value})
        store.connection.execute(
            "INSERT INTO base.hot_sample SELECT ?, make_timestamptz(ms * 1000), value, 0 FROM incoming", [number]
        )
        store.connection.unregister("incoming")
