"""Whether a tag tells breaks in one part of them as well as in another: parts of the period, sections, crews. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np
from scipy import special

from analysis.evidence.course import Course
from analysis.evidence.effect import Auc, auc, false_discovery
from analysis.evidence.matching import Matching
from analysis.evidence.settings import EvidenceSettings
from analysis.history import Downtime, History
from analysis.period import local
from analysis.result import natural
from analysis.risk.rows import Floats, Ints, minutes_since

PARTS = 3
"""The period is cut into so many parts with equally many breaks."""
WASH_MIN = 60
"""A planned sheet-off at least so long can have been a wash. [min]"""
NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stratum:
    """One part of the breaks; ``auc`` None with too few of them to be judged."""

    name: str
    breaks: int
    auc: Auc | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """One tag in the strata of one dimension.

    differ_p
        Chance of differences as large if the tag told equally well in all strata; None where fewer than two of them
        have enough breaks to be compared.
    differ_q
        The same, adjusted for all comparisons that were made (Benjamini and Hochberg).
    """

    dimension: str
    strata: tuple[Stratum, ...]
    differ_p: float | None
    differ_q: float | None = None


def split(dimension: str, labels: Sequence[str], placed: Floats, cluster: Ints, settings: EvidenceSettings) -> Split:
    """A tag's AUC in each stratum.

    labels, placed, cluster
        Of each break.

    Differences: Cochran's Q, Σ (AUC − mean)²/var with weights 1/var, chi-squared on the strata less one (Cochran,
    Biometrics 10 (1954) 101-129), over strata that have enough breaks.
    """
    names = np.array(labels)
    strata = []
    for name in sorted(set(labels), key=natural):
        own = names == name
        breaks = int(np.isfinite(placed[own]).sum())
        enough = breaks >= settings.least_breaks
        found = auc(placed[own], cluster[own], settings.confidence) if enough else None
        strata.append(Stratum(name=name, breaks=breaks, auc=found))
    compared = [s.auc for s in strata if s.auc is not None and s.breaks >= settings.least_for_comparing]
    return Split(dimension=dimension, strata=tuple(strata), differ_p=_differ(compared, settings.confidence))


def _differ(aucs: Sequence[Auc], confidence: float) -> float | None:
    if len(aucs) < 2:
        return None
    value = np.array([a.value for a in aucs])
    reach = np.array([special.stdtrit(max(a.clusters - 1, 1), 0.5 + confidence / 2) for a in aucs])
    error = np.array([(a.high - a.low) / 2 for a in aucs]) / reach
    weight = 1 / np.maximum(error, 1e-6) ** 2
    q = float((weight * (value - (weight * value).sum() / weight.sum()) ** 2).sum())
    return float(special.chdtrc(len(aucs) - 1, q))


def adjusted(found: Sequence[Mapping[str, Split]]) -> list[dict[str, Split]]:
    """The splits of some tags with their differences adjusted for one another."""
    p = [np.nan if s.differ_p is None else s.differ_p for of_tag in found for s in of_tag.values()]
    q = iter(false_discovery(np.array(p)).tolist())
    return [{name: replace(s, differ_q=_known(next(q))) for name, s in of_tag.items()} for of_tag in found]


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None


def labels_of(
    matching: Matching, course: Course, history: History, *, asked: Sequence[str] = ()
) -> dict[str, list[str]]:
    """The stratum of each break in every dimension that has more than one.

    asked
        Dimensions in which all breaks are alike by choice.
    """
    zone, breaks = history.mill.zone, matching.breaks
    at_ms = matching.at.at_ms
    found: dict[str, list[str]] = {
        "part of the period": _parts(len(breaks)),
        "section": [d.section or NOT_KNOWN for d in breaks],
        "cause": [d.cause or "not coded" for d in breaks],
        "grade": [d.grade or NOT_KNOWN for d in breaks],
        "crew": [d.crew or NOT_KNOWN for d in breaks],
        "hour": [_hours(d, zone) for d in breaks],
        "time since a wash": _thirds(minutes_since(washes(history.downtimes), at_ms) / 1440, "d"),
    }
    for place, days in course.clothing_days(at_ms).items():
        found[f"age of {place}"] = _thirds(days, "d")
    return {name: labels for name, labels in found.items() if len(set(labels)) > 1 and name not in asked}


def _parts(breaks: int) -> list[str]:
    return [f"{PARTS * n // breaks + 1} of {PARTS}" for n in range(breaks)]


def _hours(downtime: Downtime, zone: ZoneInfo) -> str:
    start = local(downtime.started_ms, zone).hour // 6 * 6
    return f"{start:02d}:00 to {start + 6:02d}:00"


def washes(downtimes: Sequence[Downtime]) -> Ints:
    """When each planned sheet-off ended that was long enough for a wash, in order of time. [ms]"""
    ends = sorted(
        d.ended_ms
        for d in downtimes
        if d.kind == "planned" and d.ended_ms is not None and d.ended_ms - d.started_ms >= WASH_MIN * 60_000
    )
    return np.array(ends, np.int64)


def _thirds(values: Floats, unit: str) -> list[str]:
    """Equally many breaks in each of three stretches of a quantity."""
    known = values[np.isfinite(values)]
    if len(known) < PARTS:
        return [NOT_KNOWN] * len(values)
    first, second = np.quantile(known, (1 / 3, 2 / 3))
    names = (f"below {first:.1f} {unit}", f"from {first:.1f} to {second:.1f} {unit}", f"over {second:.1f} {unit}")
    place = np.where(values < first, 0, np.where(values <= second, 1, 2))
    return [names[p] if np.isfinite(v) else NOT_KNOWN for p, v in zip(place.tolist(), values.tolist(), strict=True)]


def stable(found: Mapping[str, Split]) -> bool | None:
    """Whether the tag told in the same direction in every part of the period; None if parts are too small."""
    parts = found.get("part of the period")
    if parts is None or any(s.auc is None for s in parts.strata):
        return None
    signs = {s.auc.value > 0.5 for s in parts.strata if s.auc is not None}
    return len(signs) == 1
