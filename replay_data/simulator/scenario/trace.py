"""What a planted cause does over the whole run, a value a minute: what its tags show, and what the sheet feels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.signal import lfilter

from replay_data.simulator.rota import shift_at
from replay_data.simulator.scenario.plan import Kind, Plant, Scenario

Floats = NDArray[np.float64]
MINUTE_MS = 60_000
AFTER_A_MOVE_MIN = 60
"""How long the sheet feels that a setpoint was moved; less and less towards the end. [min]"""
STRONGEST = 8.0


@dataclass(frozen=True, slots=True)
class Trace:
    """``shown``: by the tags. ``factor``: by which the section's hazard is multiplied, its lead included."""

    shown: Floats
    factor: Floats


def trace(plant: Plant, scenario: Scenario) -> Trace:
    """The course of a plant. The mean of ``factor`` over the run is the plant's lift."""
    rng = np.random.default_rng([scenario.seed, plant.seed])
    shown, push = _course(plant, scenario, rng)
    late = np.concatenate([np.full(plant.lead_min, push[0]), push])[: len(push)]
    strength = brentq(lambda b: float(np.mean(np.exp(b * late))) - plant.lift, 0.0, STRONGEST) if late.any() else 0.0
    return Trace(shown=shown, factor=np.exp(strength * late))


def wandering(rng: np.random.Generator, minutes: int, tau_min: float) -> Floats:
    """A first-order process of unit spread (Ornstein-Uhlenbeck), begun anywhere."""
    keep = float(np.exp(-1.0 / tau_min))
    first = float(rng.standard_normal())
    kicks = rng.standard_normal(minutes) * np.sqrt(1 - keep**2)
    path, _ = lfilter([1.0], [1.0, -keep], kicks, zi=[keep * first])
    return np.asarray(path, dtype=np.float64)


def _course(plant: Plant, scenario: Scenario, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """What is shown, and what pushes the hazard, before the lead."""
    n = scenario.minutes
    match plant.kind:
        case Kind.WANDERS:
            path = wandering(rng, n, float(rng.uniform(60, 400)))
        case Kind.DRIFTS:
            path = _smooth(wandering(rng, n, float(rng.uniform(5, 10)) * 1440))
        case Kind.BUILDS_UP:
            path = _episodes(rng, n, builds_up_min=float(rng.uniform(15, 40)))
        case Kind.HABIT:
            path = _habit(plant.crew or "A", scenario, rng)
        case Kind.AGES:
            life = float(rng.uniform(14, 35)) * 1440
            path = np.mod(np.arange(n) + rng.uniform(0, life), life) / life
        case Kind.SWINGS:
            push = _episodes(rng, n, builds_up_min=15.0)
            return push * np.sin(2 * np.pi * np.arange(n) / rng.uniform(6, 14)), push
        case Kind.FLUTTERS:
            path = _episodes(rng, n, builds_up_min=10.0)
        case Kind.MOVED:
            return _moved(rng, n)
    return path, path


def _smooth(path: Floats) -> Floats:
    """Without what is quicker than about a day, of unit spread."""
    keep = float(np.exp(-1.0 / 1440))
    slow, _ = lfilter([1 - keep], [1.0, -keep], path, zi=[keep * path[0]])
    slow = np.asarray(slow, dtype=np.float64)
    spread = float(slow.std())
    return (slow - slow.mean()) / spread if spread else slow


def _episodes(rng: np.random.Generator, minutes: int, *, builds_up_min: float) -> Floats:
    """0, and now and then up to 1 for an hour or three: builds up and dies down along straight lines."""
    level = np.zeros(minutes + 1)
    at = 0.0
    every_min = float(rng.uniform(0.9, 2.2)) * 1440
    while (at := at + float(rng.exponential(every_min))) < minutes:
        lasts = float(rng.uniform(80, 200))
        t = np.arange(int(at), min(minutes, int(at + lasts + builds_up_min)))
        rise = np.clip((t - at) / builds_up_min, 0.0, 1.0)
        fall = np.clip((at + lasts + builds_up_min - t) / builds_up_min, 0.0, 1.0)
        level[t] = np.maximum(level[t], np.minimum(rise, fall))
    return level[:minutes]


def _habit(crew: str, scenario: Scenario, rng: np.random.Generator) -> Floats:
    """1 for two to three hours of most shifts of one crew, from an hour or two into the shift."""
    level = np.zeros(scenario.minutes)
    at_ms = scenario.start_ms
    while at_ms < scenario.end_ms:
        shift = shift_at(at_ms)
        into, lasts, does = rng.uniform(60, 120), rng.uniform(120, 200), rng.random() < 0.8
        if shift.crew == crew and does:
            first = max(0, int((shift.started_ms - scenario.start_ms) / MINUTE_MS + into))
            level[first : first + int(lasts)] = 1.0
        at_ms = shift.ended_ms
    return level


def _moved(rng: np.random.Generator, minutes: int) -> tuple[Floats, Floats]:
    """A setpoint that is moved either way every few hours, and how freshly it was."""
    shown, fresh = np.zeros(minutes), np.zeros(minutes)
    level, at = 0.0, 0
    while at < minutes:
        until = min(minutes, at + max(90, int(rng.exponential(540))))
        shown[at:until] = level
        goal = (1.0 if level < 0 else -1.0) * float(rng.uniform(0.6, 1.4))
        felt = np.clip(1.0 - np.arange(minutes - until) / AFTER_A_MOVE_MIN, 0.0, 1.0)[:AFTER_A_MOVE_MIN]
        fresh[until : until + AFTER_A_MOVE_MIN] = felt
        level, at = goal, until
    return shown, fresh
