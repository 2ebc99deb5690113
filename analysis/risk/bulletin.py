"""What is said of a machine's break risk at an instant: whether there is a risk to say, and if not, why. Pure."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from analysis.risk.card import RECORD_DAYS, Card
from analysis.risk.drift import Drift
from analysis.risk.explain import odds_of
from analysis.risk.model import chance
from analysis.risk.replay import Reason, reasons
from analysis.risk.rows import DAY_MS
from analysis.risk.settings import MINUTE_MS
from analysis.risk.warn import Fate, GivenWarning
from analysis.risk.watch import Seen
from analysis.telling.common import SAFETY, iso

VALID_MIN = 3
"""A risk is good for so long after its minute; who reads it later must not take it for the present. [min]"""
MOST_NAMED = 5
STALE_AFTER_S = 180.0
"""Data older than this say nothing of the present: a minute to be whole, 10 s to be published, some to spare. [s]"""
AHEAD_MS = 60_000
"""Data from further ahead of our clock than this: one of the clocks is wrong. [ms]"""


class Condition(StrEnum):
    """Whether there is a risk to say.

    SCORED
        There is one.
    QUIET
        The sheet is not on the reel, or came back or changed grade a short while ago.
    STALE
        Nothing is known of the present, or no model can be read.
    OUTSIDE
        The minute is unlike any that the model learnt from.
    STOPPED
        The scorer was stopped.
    GONE
        The scorer is gone without a word; said by the broker.
    """

    SCORED = "scored"
    QUIET = "quiet"
    STALE = "stale"
    OUTSIDE = "outside"
    STOPPED = "stopped"
    GONE = "gone"


SAID = {
    "machine": "Id of the machine.",
    "state": "Whether there is a risk to say.",
    "because": "Why there is none, in a sentence; null if there is one.",
    "said_at": "When it was said, by the scorer's clock; null in a last will.",
    "notice": "What nobody may do on the strength of it.",
    "risk": "Chance of a break within the horizon, 0 to 1; null if there is none to say.",
    "odds": "The same in words.",
    "horizon_min": "How far the risk looks ahead. [min]",
    "base_rate": "The same chance of an ordinary minute that was learnt from, 0 to 1.",
    "reasons": "What raised it most, the strongest first; may be empty.",
    "reasons.sentence": "The reason for people.",
    "reasons.words": "The factor by name.",
    "reasons.unit": "Unit of the three values.",
    "reasons.value": "What it is.",
    "reasons.usual_low": "What it is seldom below.",
    "reasons.usual_high": "What it is seldom above.",
    "reasons.times": "By what it multiplies the odds.",
    "reasons.outside": "Whether it lies outside of all that was learnt from.",
    "warning": "Whether the crew may be called.",
    "warning.given": "Whether it is called now.",
    "warning.due": "Whether the risk is high enough for it.",
    "warning.allowed": "Whether the model may warn at all.",
    "warning.forced": "Whether it warns although it did not beat the plain rules.",
    "warning.from_risk": "The risk from which a warning is due; null if none is, however high.",
    "warning.last_at": "When the last warning was given; null if none was, or none may be.",
    "warning.note": "Why warnings are on or off.",
    "minute": "The minute that was scored.",
    "data_to": "Time of the newest sample.",
    "data_age_s": "How old that is. [s]",
    "published_at": "When the store that was read was published.",
    "valid_until": "After this it says nothing of the present.",
    "last_days": "How warnings of the last 30 days came out, or would have.",
    "last_days.from": "The first instant that is counted.",
    "last_days.to": "The last one.",
    "last_days.of_this_model_from": "From here on this model's; before, of models made in the same way.",
    "last_days.breaks": "Breaks that there were.",
    "last_days.warned_in_time": "Of these, warned of in time.",
    "last_days.late": "Warnings that came too late to be of use.",
    "last_days.false": "Warnings that no break followed.",
    "last_days.undecided": "Warnings whose horizon is not over, or was cut short.",
    "last_days.all_given": "Whether they were given, or only due.",
    "model": "The model that scores.",
    "model.id": "Digest of its card.",
    "model.made_at": "When it was fitted.",
    "model.learnt_from": "Beginning of what it learnt from.",
    "model.learnt_to": "End of what it learnt from.",
    "model.beats_plain_rules": "Whether it did when it was judged.",
    "model.verdict": "How it was judged, in a sentence.",
    "drift": "Whether it still fits; null while nobody can say.",
    "drift.sentence": "The same for people.",
    "drift.expected": "Breaks that its risks of the last days add up to.",
    "drift.observed": "Breaks that came.",
    "drift.ratio": "Observed over expected, with its 95 % interval; null for none expected.",
    "drift.ratio.value": "The ratio.",
    "drift.ratio.low": "Its lower limit.",
    "drift.ratio.high": "Its upper limit.",
    "drift.risks_off": "Whether the interval leaves out 1; null while too few breaks are expected.",
    "drift.shifted": "Factors that have moved far from what was learnt, by name.",
}
"""What each part of a message means, by its way from the top."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bulletin:
    """One message about one machine.

    because
        Why there is no risk, or why no warning, in a sentence; empty where there is nothing to say.
    warning
        Whether one is given now: the crew may be called.
    said
        Everything, as plain values for JSON.
    """

    machine: str
    condition: Condition
    because: str
    warning: bool
    said: dict[str, Any]


def bulletin(
    card: Card,
    seen: Seen,
    *,
    now_ms: int,
    published_ms: int,
    drift: Drift | None = None,
    forced: bool = False,
    stale_after_s: float = STALE_AFTER_S,
) -> Bulletin:
    """What to say of the newest whole minute.

    now_ms
        The present, by the clock of whoever says it. [ms]
    forced
        Whether warnings are given even if the model did not beat the plain rules.
    """
    condition, because = _condition(card, seen, now_ms, stale_after_s)
    scored = condition is Condition.SCORED
    given = seen.warnings(card)
    due = scored and bool(given) and given[-1].row == len(seen.rows) - 1
    warning = due and (card.live or forced)
    number = len(seen.rows) - 1
    told = reasons_now(card, seen, number) if scored else ()
    risk = float(seen.risk()[number]) if scored else None
    said = _frame(card.machine, condition, because, now_ms=now_ms) | {
        "risk": None if risk is None else round(risk, 4),
        "odds": None if risk is None else odds_of(risk),
        "horizon_min": card.settings.horizon_min,
        "base_rate": round(card.base_rate, 4),
        "reasons": [_plain(r) for r in told],
        "warning": _warning(card, seen, given, due=due, forced=forced),
        "minute": iso(seen.at_ms),
        "data_to": iso(seen.last_ms),
        "data_age_s": round((now_ms - seen.last_ms) / 1000, 1),
        "published_at": iso(published_ms),
        "valid_until": iso(seen.at_ms + VALID_MIN * MINUTE_MS),
        "last_days": record(card, seen),
        "model": _about(card),
        "drift": None if drift is None else _drifted(drift),
    }
    return Bulletin(machine=card.machine, condition=condition, because=because, warning=warning, said=said)


def silence(machine: str, condition: Condition, because: str, *, now_ms: int | None) -> Bulletin:
    """A message without a risk: the model or the store cannot be read, or nobody is there to score.

    now_ms
        None for a last will, which must be written before it is known when it will be true.
    """
    said = _frame(machine, condition, because, now_ms=now_ms) | {"risk": None, "reasons": [], "warning": _NO_WARNING}
    return Bulletin(machine=machine, condition=condition, because=because, warning=False, said=said)


_NO_WARNING = {"given": False, "due": False, "allowed": False, "forced": False, "last_at": None}


def reasons_now(card: Card, seen: Seen, number: int) -> tuple[Reason, ...]:
    """What raised the risk of one row most."""
    return reasons(card.model.in_order(), seen.values[number])


def record(card: Card, seen: Seen) -> dict[str, Any]:
    """Hits, misses and false warnings of the last days, given or only due.

    Days after the model was fitted are its own; those before it are of the judging, when models made in the same way
    foretold them. Never of days that the model had learnt from.
    """
    to_ms = seen.at_ms
    from_ms = to_ms - RECORD_DAYS * DAY_MS
    before = card.record
    given = seen.warnings(card, from_ms)
    started = seen.breaks.started_ms
    mine = started[(started > card.to_ms) & (started >= from_ms)]
    hit = {w.break_number for w in given if w.fate is Fate.HIT}
    of = {fate: sum(w.fate is fate for w in given) for fate in Fate}
    earliest = max(from_ms, min(before.from_ms, card.to_ms))

    def judged(times: tuple[int, ...]) -> int:
        return sum(from_ms <= at_ms <= card.to_ms for at_ms in times)

    return {
        "from": iso(earliest),
        "to": iso(to_ms),
        "of_this_model_from": iso(max(card.to_ms, from_ms)),
        "breaks": len(mine) + judged(before.warned) + judged(before.missed),
        "warned_in_time": len(hit) + judged(before.warned),
        "late": of[Fate.LATE] + judged(before.late),
        "false": of[Fate.FALSE] + judged(before.false),
        "undecided": of[Fate.UNDECIDED] + judged(before.undecided),
        "all_given": card.live,
    }


def _condition(card: Card, seen: Seen, now_ms: int, stale_after_s: float) -> tuple[Condition, str]:
    settings = card.settings
    age_s = (now_ms - seen.last_ms) / 1000
    if age_s > stale_after_s:
        return Condition.STALE, f"The newest data are {_age(age_s)} old: nothing is known of the present."
    if seen.last_ms - now_ms > AHEAD_MS:
        return (
            Condition.STALE,
            f"The newest data are {_age(-age_s)} ahead of the clock here: one of the clocks is wrong.",
        )
    if seen.state == "no_data":
        return Condition.STALE, "There are no data of the machine's own signals: nothing is known of the sheet."
    if seen.state != "on_reel":
        return Condition.QUIET, f"The sheet is not on the reel ({seen.state.replace('_', ' ')})."
    if not seen.scored:
        return Condition.QUIET, f"The sheet came back less than {settings.quiet_on_reel_min} min ago."
    if seen.quiet[-1]:
        return Condition.QUIET, f"The grade was changed less than {settings.quiet_grade_change_min} min ago."
    if card.model.in_order().outside(seen.values[-1:])[0] > card.outside_limit:
        return Condition.OUTSIDE, _beyond(card, seen)
    return Condition.SCORED, ""


def _beyond(card: Card, seen: Seen) -> str:
    """What is outside of all that was learnt from, by name."""
    newest = seen.values[-1]
    heard = zip(card.model.terms, newest, strict=True)
    names = [t.feature.words for t, v in heard if t.unheard_of(np.array([v]))[0]]
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return (
        f"{len(names)} of the model's {len(newest)} factors are missing or outside of what it learnt from: "
        f"{'; '.join(names[:MOST_NAMED])}{more}. It has nothing to say of such a minute."
    )


def _frame(machine: str, condition: Condition, because: str, *, now_ms: int | None) -> dict[str, Any]:
    return {
        "machine": machine,
        "state": condition.value,
        "because": because or None,
        "said_at": iso(now_ms),
        "notice": SAFETY,
    }


def _warning(card: Card, seen: Seen, given: list[GivenWarning], *, due: bool, forced: bool) -> dict[str, Any]:
    allowed = card.live or forced
    return {
        "given": due and allowed,
        "due": due,
        "allowed": allowed,
        "forced": forced and not card.live,
        "from_risk": _level(seen),
        "last_at": iso(given[-1].at_ms) if given and allowed else None,
        "note": _permission(card, forced=forced),
    }


def _permission(card: Card, *, forced: bool) -> str:
    if card.live:
        return "The model beat the plain rules when it was judged."
    off = "Warnings are off: when it was judged the model did not beat the plain rules."
    if forced:
        return "Warnings are forced, although when it was judged the model did not beat the plain rules."
    return off


def _level(seen: Seen) -> float | None:
    """The risk from which a warning is due now; None if none is, however high."""
    level = float(chance(seen.level[-1:])[0])
    return round(level, 4) if level < 1 else None


def _plain(reason: Reason) -> dict[str, Any]:
    rounded = {name: round(getattr(reason, name), 4) for name in ("value", "usual_low", "usual_high", "times")}
    return asdict(reason) | rounded | {"sentence": reason.sentence}


def _about(card: Card) -> dict[str, Any]:
    return {
        "id": card.model_id,
        "made_at": iso(card.made_ms),
        "learnt_from": iso(card.from_ms),
        "learnt_to": iso(card.to_ms),
        "beats_plain_rules": card.live,
        "verdict": card.verdict,
    }


def _drifted(drift: Drift) -> dict[str, Any]:
    large = drift.large
    return {
        "sentence": drift.sentence,
        "expected": round(large.expected, 1),
        "observed": large.observed,
        "ratio": None if large.ratio is None else {k: round(v, 3) for k, v in asdict(large.ratio).items()},
        "risks_off": large.off,
        "shifted": [s.term.feature.words for s in drift.shifted],
    }


def _age(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.0f} h" if seconds < 172_800 else f"{seconds / 86_400:.0f} days"
