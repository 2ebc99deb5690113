"""Which tag may play which role, told from what tags are called and what they did: suggestions with their reasons."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from collector.survey.tags import TagRecord

# Words of the trade in English, German, Finnish and Swedish, and abbreviations in common use; from memory, no source.
_ROLE_WORDS = {
    "speed": r"speed|spd|velocity|geschw|nopeus|hastighet",
    "stock_on": r"stock|slice|stoff(auf|ein)|massa",
    "planned": r"planned|sheet[-_. ]?off|geplant|suunniteltu",
    "grade": r"grade|sorte|quality|product|recipe|rezept|laji|kvalitet",
    "shade": r"shade|colou?r|farbe|väri|f[aä]rg",
    "reel": r"reel|parent|tambour|jumbo|rolle?|rulla|rulle",
    "basis_weight": r"basis[-_. ]?w|grammage|gsm|\bbw\b|fl[aä]chengew|neliöp|ytvikt|gram+atur",
}
_SPEED_OF_ALL = r"reel|pope|machine|maschine|kone|\bpm\b"
_DETECTOR_WORDS = r"sheet|web|paper|bahn|rata|bana|photo|eye|detect|break|abriss|katko|brott|\bpe\d|\bbd\d"
_BREAK_WORDS = r"break|abriss|katko|brott|loss|lost"
_NUMBER_WORDS = r"no\b|nr\b|num|number|nummer|numero|count|id\b|seq"

# The sections in path order, with words that their signals go by.
_SECTIONS = (
    ("couch", r"couch|wire|former|forming|gautsch|sieb|viira|\bvira"),
    ("press", r"(?<!size)(?<!size[-_. ])(?<!leim)press|nip|puristin"),
    ("pre-dryer", r"pre[-_. ]?dry|vortrock|esikuiv|f[oö]rtork|dryer?[-_. ]?1|\bdry1"),
    ("size press", r"size|leim|liima|film[-_. ]?press|\bsp\d?\b"),
    ("after-dryer", r"after[-_. ]?dry|nachtrock|jälkikuiv|eftertork|dryer?[-_. ]?2|\bdry2"),
    ("dryer", r"dry|trock|kuiva|tork"),
    ("coater", r"coat|streich|päällyst|bestryk"),
    ("calender", r"calend|kaland|kalant|stack"),
    ("reel", r"reel|pope|aufroll|rullain|rullstol|tambour"),
)
_FALL_TOGETHER_MS = 120_000
_FLICKER_MS = 2_000
_SETTLED_MS = 30_000
_RUN_OUT_MS = 40_000
_REEL_LASTS_MS = 120_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Suggestion:
    """A tag for a role. ``sure`` only if its name says so and its values agree."""

    role: str
    tag: str
    why: str
    sure: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectorDraft:
    """A tag that may be a sheet detector.

    inverted
        True if it seems to be true when the sheet is lost.
    after_m
        Distance from the detector before it, told from how much later it fell; None if nothing tells. [m]
    flickers
        Changes undone within two seconds.
    changes
        How often it changed at all.
    """

    tag: str
    section: str
    why: str
    inverted: bool
    after_m: float | None
    flickers: int
    changes: int


def signals_of(records: Sequence[TagRecord]) -> list[Suggestion]:
    """The best tag for each role of ``[machine.signals]``, where there is one; the speed comes first."""
    taken: set[str] = set()
    found = []
    for role in _ROLE_WORDS:
        best = max(_rated(role, records, taken), key=lambda pair: pair[0], default=None)
        if best is not None:
            found.append(best[1])
            taken.add(best[1].tag)
    return found


def _rated(role: str, records: Sequence[TagRecord], taken: set[str]) -> Iterator[tuple[float, Suggestion]]:
    rate, needs_name = _RATES[role]
    for record in records:
        if record.name in taken:
            continue
        named = re.search(_ROLE_WORDS[role], _spaced(record.name), re.IGNORECASE) is not None
        points, why = rate(record)
        if points <= 0 or (needs_name and not named):
            continue
        reason = f"{'its name says so' if named else 'told by its values alone'}; {why}"
        yield points + 10 * named, Suggestion(role=role, tag=record.name, why=reason, sure=named and points >= 2)


def _speed(record: TagRecord) -> tuple[float, str]:
    if not record.is_number or not 100 <= record.high <= 3000 or record.low < 0:
        return 0, ""
    of_all = re.search(_SPEED_OF_ALL, _spaced(record.name), re.IGNORECASE) is not None
    return 2 + of_all, f"{record.low:.6g} to {record.high:.6g}"


def _truth(record: TagRecord) -> tuple[float, str]:
    return (2 + record.share_true, f"true {record.share_true:.0%} of the time") if record.is_truth else (0, "")


def _planned(record: TagRecord) -> tuple[float, str]:
    return (3 - record.share_true, f"true {record.share_true:.0%} of the time") if record.is_truth else (0, "")


def _text(record: TagRecord) -> tuple[float, str]:
    return (2, f"such as {', '.join(list(record.texts)[:3])}") if record.is_text else (0, "")


def _reel(record: TagRecord) -> tuple[float, str]:
    """A reel's number changes seldom and by one; a text may be one as well."""
    lasts_ms = (record.until_ms - record.first_ms) / (record.changes + 1)
    if record.is_truth or not (record.numbers or record.texts) or lasts_ms < _REEL_LASTS_MS:
        return 0, ""
    numbered = re.search(_NUMBER_WORDS, _spaced(record.name), re.IGNORECASE) is not None
    whole = record.is_text or (record.low == round(record.low) and record.high - record.low <= record.changes)
    return (1 + 2 * numbered if whole else 0), f"changed {record.changes} times, every {lasts_ms / 60_000:.0f} min"


def _basis_weight(record: TagRecord) -> tuple[float, str]:
    fits = record.is_number and 10 <= record.high <= 600 and record.low >= 0
    return (2, f"{record.low:.6g} to {record.high:.6g}") if fits else (0, "")


_RATES: dict[str, tuple[Callable[[TagRecord], tuple[float, str]], bool]] = {
    "speed": (_speed, False),
    "stock_on": (_truth, True),
    "planned": (_planned, True),
    "grade": (_text, True),
    "shade": (_text, True),
    "reel": (_reel, True),
    "basis_weight": (_basis_weight, True),
}
"""For each role how well a tag's values fit it, and whether its name must speak for it as well."""


def detectors_of(records: Sequence[TagRecord], signals: Sequence[Suggestion]) -> list[DetectorDraft]:
    """Tags that may be sheet detectors, from the wet end to the reel as far as can be told."""
    besides = {one.tag: one.role for one in signals}
    truths = [record for record in records if record.is_truth and record.name not in besides]
    speed = next((record.mean for record in records if besides.get(record.name) == "speed"), None)
    together = _fall_together(truths)
    named = {r.name for r in truths if re.search(_DETECTOR_WORDS, _spaced(r.name), re.IGNORECASE)}
    chosen = [record for record in truths if record.name in named or record.name in together]
    rises = _order_of_rise(chosen)
    most_see = sum(record.share_true >= 0.5 for record in chosen) > len(chosen) / 2
    inner = sorted(chosen, key=lambda record: (_rank(record, rises), record.name))
    gaps_m = [None, *(_distance_m(one, other, speed) for one, other in pairwise(inner))]
    return [
        _draft(record, named, together, most_see, gap_m) for record, gap_m in zip(inner, gaps_m, strict=False)
    ]  # fmt: skip


def _distance_m(one: TagRecord, other: TagRecord, speed_m_min: float | None) -> float | None:
    """How far the end of the sheet ran from one detector to the other: the delays between their falls, at speed. [m]"""
    if speed_m_min is None:
        return None
    starts = list(_falls(one))
    delays_ms = [end - start for end in _falls(other) for start in starts if 0 < end - start <= _RUN_OUT_MS]
    return round(median(delays_ms) / 60_000 * speed_m_min, 1) if delays_ms else None


def _draft(
    record: TagRecord, named: set[str], together: set[str], most_see: bool, after_m: float | None
) -> DetectorDraft:
    """``most_see``: most of the others were true most of the time, so that one which was not is turned round."""
    reasons = ["its name says so"] * (record.name in named)
    reasons += ["fell and rose together with others"] * (record.name in together)
    section = section_of(record.name) or "section not known"
    says_break = re.search(_BREAK_WORDS, _spaced(record.name), re.IGNORECASE) is not None
    return DetectorDraft(
        tag=record.name,
        section=section,
        why="; ".join(reasons),
        inverted=record.share_true < 0.5 and (says_break or (most_see and record.changes > 0)),
        after_m=after_m,
        flickers=record.flickers(_FLICKER_MS),
        changes=record.changes,
    )


def section_of(tag: str) -> str | None:
    """The section that a tag's name speaks of."""
    words = _spaced(tag)
    return next((section for section, pattern in _SECTIONS if re.search(pattern, words, re.IGNORECASE)), None)


def _rank(record: TagRecord, rises: dict[str, float]) -> tuple[float, float]:
    """By section where the name tells it; else by when it rises as the sheet comes back."""
    section = section_of(record.name)
    names = [name for name, _ in _SECTIONS]
    if all(section_of(name) for name in rises) or record.name not in rises:
        return (names.index(section) if section else len(names), rises.get(record.name, 0.0))
    return (0.0, rises[record.name])


def _fall_together(truths: Sequence[TagRecord]) -> set[str]:
    """Tags of which at least three lose their usual state within two minutes of each other, at the same time.

    The usual state of most must be theirs as well: a switch that somebody throws at a loss is no detector.
    """
    usual = median([record.share_true for record in truths if any(_falls(record))] or [1.0]) >= 0.5
    falls = sorted(
        (at_ms, record.name) for record in truths if (record.share_true >= 0.5) is usual for at_ms in _falls(record)
    )
    found: set[str] = set()
    for index, (at_ms, _) in enumerate(falls):
        near = {name for other_ms, name in _until(falls[index:], at_ms + _FALL_TOGETHER_MS)}
        if len(near) >= 3:
            found |= near
    return found


def _until(falls: Sequence[tuple[int, str]], end_ms: int) -> Iterator[tuple[int, str]]:
    for at_ms, name in falls:
        if at_ms > end_ms:
            return
        yield at_ms, name


def _falls(record: TagRecord) -> Iterator[int]:
    """When a truth left its usual state, and stayed away for more than a flicker."""
    usual = record.share_true >= 0.5
    return (at_ms for at_ms, value, stay_ms in record.changed() if value is not usual and stay_ms > _FLICKER_MS)


def _order_of_rise(records: Sequence[TagRecord]) -> dict[str, float]:
    """Mean time after the first of them at which each came back for good, over the returns in which all did. [ms]"""
    returns = {record.name: list(_returns(record)) for record in records}
    known = {name: times for name, times in returns.items() if times}
    if len(known) < 2:
        return {}
    counts = {len(times) for times in known.values()}
    if len(counts) > 1:
        known = {name: times[-1:] for name, times in known.items()}
    firsts = [min(group) for group in zip(*known.values(), strict=True)]
    return {
        name: sum(at - first for at, first in zip(times, firsts, strict=True)) / len(firsts)
        for name, times in known.items()
    }


def _returns(record: TagRecord) -> Iterator[int]:
    usual = record.share_true >= 0.5
    return (at_ms for at_ms, value, stay_ms in record.changed() if value is usual and stay_ms > _SETTLED_MS)


def _spaced(tag: str) -> str:
    """A tag's name with a space where a word ends: at a sign, and before a capital after a small letter."""
    return re.sub(r"(?<=[a-zäö])(?=[A-ZÄÖ])|[_/.:-]+", " ", tag)
