"""Made-up machines for the tests of evidence: minute tables with planted causes, decoys and pure noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np

from analysis.evidence.cells import Cells, Frames, Tag, wanted
from analysis.evidence.course import Course, Speed
from analysis.evidence.find import Evidence, find
from analysis.evidence.matching import Matching, match
from analysis.evidence.settings import EvidenceSettings
from analysis.history import Downtime, Freshness, History, Machine
from analysis.history import Mill as MillSettings
from analysis.period import Period
from analysis.risk.rows import Floats, Ints
from tests.risk_mill import MINUTE_MS, Mill

HELSINKI = ZoneInfo("Europe/Helsinki")
UNDERWAY_MIN = 10
"""Speed wanders by so much about its set-point. [m/min]"""


@dataclass(frozen=True)
class Sought:
    """A machine with the breaks that are asked about."""

    mill: Mill
    course: Course
    history: History
    period: Period

    @property
    def breaks(self) -> list[Downtime]:
        """The primary ones."""
        return [d for d in self.history.downtimes if d.kind == "break" and not d.secondary]


def sought(mill: Mill, *, speed: Floats | None = None) -> Sought:
    """A machine as the search for evidence meets it; its speed is 780 m/min unless given minute by minute."""
    past, first = mill.past, int(mill.minutes.first)
    on_reel = past.on_reel_ms.tolist()
    ended = {end: on_reel[n + 1][0] for n, (_, end) in enumerate(on_reel[:-1])}
    downtimes = tuple(
        Downtime(
            downtime_id=loss.downtime_id,
            kind=loss.kind,
            started_ms=loss.started_ms,
            ended_ms=ended.get(loss.started_ms),
            section=loss.section,
            secondary=loss.secondary,
            grade="C80",
            crew="ABCD"[loss.started_ms // (12 * 60 * MINUTE_MS) % 4],
        )
        for loss in past.losses
    )
    history = History(
        mill=MillSettings(name="Ellerholm", zone=HELSINKI, currency="EUR", planned_cutoff_h=24.0),
        machine=Machine(
            machine="pm2",
            name="PM 2",
            trim_m=3.4,
            running_above_m_min=50,
            secondary_within_min=30,
            first_ms=first * MINUTE_MS,
            last_ms=past.until_ms,
        ),
        freshness=Freshness(published_ms=past.until_ms, data_to_ms=past.until_ms),
        downtimes=downtimes,
    )
    mean = np.full(mill.minutes.mean.shape[1], 780.0) if speed is None else speed
    return Sought(
        mill=mill,
        course=Course(machine="pm2", past=past, speed=Speed(first=first, mean=mean)),
        history=history,
        period=Period(from_ms=first * MINUTE_MS, to_ms=past.until_ms),
    )


def cells_of(mill: Mill, minutes: Ints) -> Cells:
    """The cells that a store would give for some minutes."""
    column = minutes - mill.minutes.first
    inside = (column >= 0) & (column < mill.minutes.mean.shape[1])
    mean = np.where(inside, mill.minutes.mean[:, column.clip(0, mill.minutes.mean.shape[1] - 1)], np.nan)
    variance = np.where(inside, mill.minutes.variance[:, column.clip(0, mill.minutes.mean.shape[1] - 1)], np.nan)
    origin = mill.minutes.mean[:, 0]
    return Cells(
        tags=tuple(Tag(tag=t, tag_id=n) for n, t in enumerate(mill.minutes.tags)),
        minutes=minutes,
        origin=origin,
        mean=(mean - origin[:, None]).astype(np.float32),
        variance=variance.astype(np.float32),
    )


def frames_of(made: Sought, matching: Matching, settings: EvidenceSettings) -> Frames:
    """The frames of a matching."""
    asked = wanted((matching.at, matching.quiet), made.course.past, settings)
    return asked.frames(cells_of(made.mill, asked.minutes))


def evidence_of(made: Sought, settings: EvidenceSettings | None = None) -> Evidence:
    """The whole search."""
    settings = settings or EvidenceSettings(flips=999)
    matching = match(made.breaks, made.course, made.period, settings)
    return find(matching, frames_of(made, matching, settings), made.course, made.history, settings)


def with_tag(mill: Mill, number: int, mean: Floats, variance: Floats | None = None) -> Mill:
    """The same machine with another course of one tag."""
    means, variances = mill.minutes.mean.copy(), mill.minutes.variance.copy()
    means[number] = mean
    if variance is not None:
        variances[number] = variance
    return replace(mill, minutes=replace(mill.minutes, mean=means, variance=variances))
