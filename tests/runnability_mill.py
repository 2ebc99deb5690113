"""A published store with sixty days of an invented machine: breaks, returns, felts, reels and shifts, drawn by seed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.analysis_store import HELSINKI, HandMadeStore, at, ms

MINUTE = 60_000
HOUR = 60 * MINUTE
FIRST = "2026-02-01 06:00"
DAYS = 60
SECTIONS = ("couch", "press", "pre-dryer", "size press", "reel")
SHARES = (0.1, 0.4, 0.25, 0.15, 0.1)
TYPICAL_MIN = {"couch": 20.0, "press": 22.0, "pre-dryer": 25.0, "size press": 16.0, "reel": 8.0}


@dataclass
class Written:
    """What was put into the store, to be counted again by a test."""

    mill_toml: Path
    starts_ms: list[int] = field(default_factory=list)
    secondary: int = 0
    lost_ms: int = 0


def sixty_days(folder: Path, a_day: Callable[[float], float], *, seed: int = 3, follows: float = 0.15) -> Written:
    """Lay out the store.

    a_day
        Primary breaks a day on the reel, by day from the first.
    follows
        Chance that a break is followed by a secondary one.
    """
    rng = np.random.default_rng(seed)
    store = HandMadeStore(folder)
    written = Written(mill_toml=store.mill_toml)
    newest = f"{at(ms(FIRST) + DAYS * 24 * HOUR).astimezone(HELSINKI):%Y-%m-%d %H:%M}"
    store.machine(FIRST, newest)
    for i, section in enumerate(SECTIONS):
        store.insert("sheet_detector", machine="pm2", number=i + 1, tag=f"sheet.{i}", section=section)
    _shifts_and_grades(store)
    _breaks(store, rng, written, a_day, follows)
    for n, day in enumerate((-20, 9, 30, 48)):
        when = at(ms(FIRST) + day * 24 * HOUR)
        felt = {"position": "pickup felt", "installed_at": when, "received_at": when}
        store.insert("clothing", receipt=n + 1, machine="pm2", **felt)
    for n in range(DAYS * 6):
        store.insert("reel", machine="pm2", reel=f"R{n}", started_at=at(ms(FIRST) + n * 4 * HOUR), first_seen=n == 0)
    store.close(published=newest, data_to=newest)
    return written


def _shifts_and_grades(store: HandMadeStore) -> None:
    for n in range(2 * DAYS):
        started = ms(FIRST) + n * 12 * HOUR
        store.insert(
            "shift",
            shift_date=at(started).date(),
            shift="night" if n % 2 else "day",
            crew="ABCD"[n % 4],
            started_at=at(started),
            ended_at=at(started + 12 * HOUR),
        )
    for n in range(DAYS // 3):
        store.insert(
            "grade_run",
            machine="pm2",
            grade="C80" if n % 3 else "C60",
            shade="white",
            started_at=at(ms(FIRST) + n * 72 * HOUR),
            first_seen=n == 0,
        )


def _breaks(
    store: HandMadeStore, rng: np.random.Generator, written: Written, a_day: Callable[[float], float], follows: float
) -> None:
    now, end = ms(FIRST), ms(FIRST) + DAYS * 24 * HOUR
    store.insert("machine_state", machine="pm2", state="on_reel", started_at=at(now))
    soon = False
    while True:
        day = (now - ms(FIRST)) / (24 * HOUR)
        gap_h = rng.uniform(0.05, 0.45) if soon else 0.6 + rng.exponential(24 / a_day(day))
        before_ms = round(gap_h * HOUR)
        section = str(rng.choice(SECTIONS, p=SHARES))
        lost_ms = round(TYPICAL_MIN[section] * float(rng.lognormal(0, 0.5)) * MINUTE)
        if now + before_ms + lost_ms >= end:
            return
        now += before_ms
        _one_break(store, rng, now, lost_ms, before_ms, section)
        written.starts_ms.append(now)
        written.secondary += soon
        written.lost_ms += lost_ms
        now += lost_ms
        soon = bool(rng.uniform() < follows)


def _one_break(
    store: HandMadeStore, rng: np.random.Generator, started: int, lost_ms: int, before_ms: int, section: str
) -> None:
    name = f"pm2-{at(started):%Y%m%dT%H%M%SZ}"
    store.insert("machine_state", machine="pm2", state="down", started_at=at(started))
    store.insert("machine_state", machine="pm2", state="on_reel", started_at=at(started + lost_ms))
    store.insert(
        "downtime",
        downtime_id=name,
        machine="pm2",
        kind="break",
        started_at=at(started),
        ended_at=at(started + lost_ms),
        section=section,
        grade="C80",
        shade="white",
        rate_before_t_h=12.0,
        on_reel_before_ms=before_ms,
    )
    attempts = int(rng.geometric(0.7))
    for n in range(attempts):
        store.insert(
            "threading_attempt",
            downtime_id=name,
            attempt=n + 1,
            machine="pm2",
            started_at=at(started + round(lost_ms * (0.5 + n / (2 * attempts)))),
            ended_at=at(started + round(lost_ms * (0.5 + (n + 1) / (2 * attempts)))),
            reached_section="reel",
            outcome="success" if n + 1 == attempts else "failed",
        )
