"""Made-up machines for the risk tests: minute tables with a hazard that the tests know and the model does not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.risk.rows import Loss, Past
from analysis.risk.windows import Minutes

MINUTE_MS = 60_000
START_MINUTE = 29_538_720  # 2026-03-01 00:00 UTC
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mill:
    """Minute sums, what happened, and the log of the true hazard of each minute."""

    minutes: Minutes
    past: Past
    log_hazard: Floats

    def truth_at(self, at_ms: NDArray[np.int64]) -> Floats:
        return self.log_hazard[at_ms // MINUTE_MS - 1 - self.minutes.first]


def wandering(rng: np.random.Generator, tags: int, length: int, memory_min: float) -> Floats:
    """Tags that wander about 0 with standard deviation 1 and forget within about ``memory_min``."""
    keep = np.exp(-1 / memory_min)
    shock = rng.normal(0, np.sqrt(1 - keep**2), (tags, length))
    level = rng.normal(size=tags)
    out = np.empty((tags, length))
    for n in range(length):
        level = keep * level + shock[:, n]
        out[:, n] = level
    return out


def random_walk(rng: np.random.Generator, tags: int, length: int) -> Floats:
    return np.cumsum(rng.normal(size=(tags, length)), axis=1)


def run_machine(rng: np.random.Generator, hazard: Floats, restart: float = 0.0) -> tuple[Past, Floats]:
    """Breaks drawn minute by minute from a hazard, each followed by some 20 minutes without the sheet.

    restart
        How much higher the hazard is right after a restart; it fades within 25 minutes.
    """
    length = len(hazard)
    luck = rng.random(length)
    second = rng.integers(0, MINUTE_MS, length)
    down_min = np.exp(rng.normal(np.log(18), 0.6, length)).clip(4, 200)
    felt = hazard.copy()
    stretches: list[tuple[int, int]] = []
    losses: list[Loss] = []
    on_since, back, returned = 0, 0, -10_000.0
    for n in range(length):
        if n < back:
            continue
        if n == back:
            on_since = n
            returned = float(n) if losses else -10_000.0
        felt[n] = hazard[n] * (1 + restart * np.exp(-(n - returned) / 25))
        if luck[n] < felt[n]:
            lost = (START_MINUTE + n) * MINUTE_MS + int(second[n])
            stretches.append(((START_MINUTE + on_since) * MINUTE_MS, lost))
            early = (n - returned) < 30
            losses.append(Loss(downtime_id=f"m-{n}", kind="break", started_ms=lost, section="press", secondary=early))
            back = n + 1 + int(down_min[n])
    if back < length:
        stretches.append(((START_MINUTE + on_since) * MINUTE_MS, (START_MINUTE + length) * MINUTE_MS))
    past = Past(
        on_reel_ms=np.array(stretches, np.int64),
        losses=tuple(losses),
        until_ms=(START_MINUTE + length) * MINUTE_MS,
        grade_runs_ms=(START_MINUTE + np.arange(0, length, 3600)) * MINUTE_MS,
        grades=tuple(("C80", "C60", "C100")[n % 3] for n in range(len(range(0, length, 3600)))),
        grade_changes_ms=(START_MINUTE + np.arange(3600, length, 3600)) * MINUTE_MS,
    )
    return past, felt


def minutes_of(values: Floats, noise: Floats | None = None) -> Minutes:
    tags = tuple(f"tag{n:02}" for n in range(len(values)))
    variance = np.zeros_like(values) if noise is None else noise
    return Minutes(
        first=START_MINUTE, tags=tags, units=("",) * len(tags), mean=values, variance=variance, last=values.copy()
    )


def noise_mill(seed: int, *, days: float = 25.6, tags: int = 59, breaks: int = 124) -> Mill:
    """Random-walk tags and random breaks that have nothing to do with each other."""
    rng = np.random.default_rng(seed)
    length = int(days * 1440)
    hazard = np.full(length, breaks / length)
    past, felt = run_machine(rng, hazard)
    return Mill(minutes=minutes_of(random_walk(rng, tags, length)), past=past, log_hazard=np.log(felt))


def planted_mill(
    seed: int,
    *,
    days: int = 60,
    tags: int = 30,
    causes: tuple[float, ...] = (0.9, -0.7, 0.7, 0.5),
    per_day: float = 2.6,
    memory_min: float = 240,
    restart: float = 3.0,
) -> Mill:
    """The first tags drive the breaks: log hazard rises by ``causes`` for each standard deviation of theirs."""
    rng = np.random.default_rng(seed)
    length = days * 1440
    true = wandering(rng, tags, length, memory_min)
    log_h = np.tensordot(np.array(causes), true[: len(causes)], axes=1)
    hazard = np.exp(log_h)
    hazard *= per_day / 1440 / hazard.mean()
    past, felt = run_machine(rng, hazard.clip(0, 0.5), restart)
    seen = 50 + true + rng.normal(0, 0.15, true.shape)
    return Mill(minutes=minutes_of(seen, np.full(seen.shape, 0.02)), past=past, log_hazard=np.log(felt))
