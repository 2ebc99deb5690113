"""The present risk, drift, a new model against the old, and a what-if, in words and tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from analysis.period import say
from analysis.result import NOTHING, Result, Table, number, percent, signed
from analysis.risk.bulletin import Bulletin, Condition
from analysis.risk.card import RECORD_DAYS, Card
from analysis.risk.drift import LARGE, Drift
from analysis.risk.explain import CAUTION
from analysis.risk.replay import Reason
from analysis.risk.retrain import Comparison
from analysis.risk.suppose import Moved, Supposed
from analysis.risk.watch import Seen
from analysis.telling.common import iso

MOST_ROWS = 15


def tell_now(name: str, card: Card, seen: Seen, told: Bulletin, why: tuple[Reason, ...], zone: ZoneInfo) -> Result:
    """What would be published of a minute."""
    said = told.said
    cautions = [said["warning"]["note"]]
    if seen.at_ms <= card.to_ms:
        cautions.append("The model has learnt from this minute: of its own past it speaks better than of its future.")
    if said["drift"] is not None:
        cautions.append(said["drift"]["sentence"])
    if told.condition is Condition.SCORED:
        sentence = (
            f"A break within {card.settings.horizon_min} min has a chance of {percent(said['risk'])} ({said['odds']}); "
            f"on average it is {percent(card.base_rate)}. {_warning(said['warning'])}"
        )
    else:
        sentence = f"No risk is said. {told.because}"
    return Result(
        title="Break risk now",
        subject=f"{name}, {say(seen.at_ms, zone)}",
        sentence=sentence,
        tables=(_reason_table(why), _record_table(said["last_days"], zone)),
        values=said,
        cautions=tuple(cautions),
    )


def tell_drift(name: str, found: Drift, zone: ZoneInfo) -> Result:
    """Whether the model still fits."""
    large = found.large
    return Result(
        title="Drift of the model",
        subject=f"{name}, {say(found.from_ms, zone)} to {say(found.to_ms, zone)}",
        sentence=found.sentence,
        tables=(_shift_table(found),) if found.shifts else (),
        values={
            "from": iso(found.from_ms),
            "to": iso(found.to_ms),
            "minutes": large.minutes,
            "expected": large.expected,
            "observed": large.observed,
            "ratio": None if large.ratio is None else asdict(large.ratio),
            "risks_off": large.off,
            "factors": [
                {
                    "factor": s.term.feature.name,
                    "index": s.index,
                    "p": s.p,
                    "learnt": _plain(s.learnt),
                    "now": _plain(s.now),
                    "moved": s.large,
                }
                for s in found.shifts
            ],
        },
        cautions=("Breaks that come in clusters make the interval of the ratio too narrow.",),
    )


def _shift_table(found: Drift) -> Table:
    return Table(
        title="Factors, the most moved first",
        columns=("factor", "learnt at", "now at", "stability index", "p, corrected", "moved"),
        rows=tuple(
            (
                s.term.feature.words,
                _value(s.learnt, s.term.feature.unit),
                _value(s.now, s.term.feature.unit),
                number(s.index, 2),
                number(s.p, 4),
                "yes" if s.large else "",
            )
            for s in found.shifts[:MOST_ROWS]
        ),
        numbers=frozenset({1, 2, 3, 4}),
        note=f"Medians; index: population stability index over tenths; p: daily means by the rank test of Mann and "
        f"Whitney, corrected for {len(found.shifts)} factors (Benjamini and Hochberg). Moved: p below 0.05 and index "
        f"of {LARGE:g} or more.",
    )


def tell_retrained(name: str, found: Comparison, zone: ZoneInfo, *, switched: bool, model_id: str) -> Result:
    """Which model is at work now, and why."""
    done = (
        f"The new one, {model_id}, learnt from everything, is at work now; the old one is kept beside it."
        if switched
        else f"The old one, {model_id}, stays at work; --yes switches all the same."
    )
    return Result(
        title="Break risk, learnt anew",
        subject=f"{name}, {say(found.from_ms, zone)} to {say(found.to_ms, zone)}",
        sentence=f"{found.sentence} {done}",
        values={
            "from": iso(found.from_ms),
            "to": iso(found.to_ms),
            "breaks": found.breaks,
            "old": asdict(found.old),
            "new": asdict(found.new),
            "difference": asdict(found.difference),
            "switched": switched,
            "model_id": model_id,
        },
    )


def tell_supposed(name: str, found: Supposed, zone: ZoneInfo) -> Result:
    """One minute as it was and as supposed, in figures that follow from each other."""
    before, after, times = agreeing(found)
    digits = digits_of_factors([m.times for m in found.moved], times)
    table = Table(
        title="What the supposition moves",
        columns=("factor", "was", "supposed", "odds of a break ×"),
        rows=tuple(
            (
                m.term.feature.words,
                *_moved(m),
                number(m.times, digits),
            )
            for m in found.moved
        ),
        numbers=frozenset({1, 2, 3}),
        note="Odds: chance / (1 − chance). The factors' own multiply to that of all. Beyond the values learnt from, a "
        "curve goes on flat: there the model knows nothing.",
    )
    return Result(
        title="What if",
        subject=f"{name}, {say(found.at_ms, zone)}",
        sentence=f"The chance of a break would have been {after} instead of {before}: odds ×{times} "
        f"(95 % interval {number(found.times.low, _digits(times))} to {number(found.times.high, _digits(times))}).",
        tables=(table,) if found.moved else (),
        values={
            "at": iso(found.at_ms),
            "risk": found.before,
            "supposed_risk": found.after,
            "odds_times": asdict(found.times),
            "moved": [
                {
                    "factor": m.term.feature.name,
                    "was": _plain(m.was),
                    "supposed": _plain(m.supposed),
                    "odds_times": m.times,
                    "outside": m.flat,
                }
                for m in found.moved
            ],
            "caution": CAUTION,
        },
        cautions=(CAUTION,),
    )


def agreeing(found: Supposed) -> tuple[str, str, str]:
    """Both chances and the ratio of their odds, in as few digits as let the third be worked out from the first two."""
    said = ("", "", "")
    for digits in range(1, 5):
        before, after = (round(100 * risk, digits) / 100 for risk in (found.before, found.after))
        times = f"{found.times.value:.{2 if found.times.value < 10 else 1}f}"
        said = (percent(found.before, digits), percent(found.after, digits), times)
        if 0 < before < 1 and after < 1:
            odds = after / (1 - after) / (before / (1 - before))
            if f"{odds:.{_digits(times)}f}" == times:
                break
    return said


def digits_of_factors(factors: Sequence[float], times: str) -> int:
    """Digits behind the point from which on the rounded factors multiply to the rounded ratio."""
    least = _digits(times)
    for digits in range(least, least + 3):
        if f"{math.prod(round(factor, digits) for factor in factors):.{least}f}" == times:
            return digits
    return least


def _digits(text: str) -> int:
    return len(text.partition(".")[2])


def _moved(moved: Moved) -> tuple[str, str]:
    """A factor as it was and as supposed, in as many digits as tell the two apart."""
    unit, digits = moved.term.feature.unit, 3
    was, supposed = _value(moved.was, unit), _value(moved.supposed, unit)
    while was == supposed and digits < 6:
        digits += 1
        was, supposed = (_value(x, unit, digits) for x in (moved.was, moved.supposed))
    return was, supposed + (" (outside what was learnt from)" if moved.flat else "")


def _warning(warning: dict[str, object]) -> str:
    if warning["given"]:
        return "A warning is due, and given."
    return "A warning is due, but not given." if warning["due"] else "No warning is due."


def _reason_table(why: tuple[Reason, ...]) -> Table:
    return Table(
        title="What raises it",
        columns=("factor", "now", "usually", "odds of a break ×"),
        rows=tuple(
            (
                r.words + (" (outside what was learnt from)" if r.outside else ""),
                _value(r.value, r.unit),
                f"{r.usual_low:.3g} to {r.usual_high:.3g}",
                number(r.times, 2),
            )
            for r in why
        ),
        numbers=frozenset({1, 2, 3}),
        note="Usually: the middle 80 % of the minutes learnt from. Association, not proof.",
    )


def _record_table(record: dict[str, Any], zone: ZoneInfo) -> Table:
    since, until = (say(int(datetime.fromisoformat(record[key]).timestamp() * 1000), zone) for key in ("from", "to"))
    names = (
        ("breaks", "primary breaks"),
        ("warned_in_time", "warned of in time"),
        ("late", "warnings that came late"),
        ("false", "false warnings"),
        ("undecided", "warnings cut short"),
    )
    return Table(
        title=f"What was judged of the last {RECORD_DAYS} days: {since} to {until}",
        columns=("what", "how many"),
        rows=tuple((words, str(record[key])) for key, words in names),
        numbers=frozenset({1}),
        note="Warnings that were due, given or not. Days before the model was fitted are those of the judging; "
        "breaks before these are in no row.",
    )


def _value(value: float, unit: str, digits: int = 3) -> str:
    return NOTHING if value != value else f"{signed(f'{value:.{digits}g}')} {unit}".strip()


def _plain(value: float) -> float | None:
    return None if value != value else value
