"""What the trade takes for a sign of a cause before anybody has coded a break. Pure.

The shares and likelihoods are common practice without a source, and only a beginning: the model counts them as a few
breaks, which the mill's own codes outweigh.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from analysis.suggest.known import Known
from analysis.suggest.settings import SuggestSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One sign of one cause.

    code
        Of the cause in the mill's list. A mill whose list has no such code is told in words only.
    words
        What the sign says of the cause, for a mill without the code.
    share
        How many of all breaks are thought to have this cause. [-]
    if_so, if_not
        How often the sign is thought to be there with this cause, and with another. [-]
    sign
        Whether the sign is there; None where it cannot be known.
    reason
        What was seen, for people.
    """

    name: str
    code: str
    words: str
    share: float
    if_so: float
    if_not: float
    sign: Callable[[Known, SuggestSettings], bool | None]
    reason: Callable[[Known, SuggestSettings], str]


def _turn_up(known: Known, _: SuggestSettings) -> bool | None:
    return known.at_turn_up


def _grade_change(known: Known, settings: SuggestSettings) -> bool | None:
    return None if known.grade_change_min is None else known.grade_change_min < settings.grade_change_min


def _restart(known: Known, settings: SuggestSettings) -> bool | None:
    return None if known.on_reel_min is None else known.on_reel_min < settings.restart_min


def _eye(known: Known, settings: SuggestSettings) -> bool | None:
    return known.flickers >= settings.flickers or known.blind > 0


RULES: tuple[Rule, ...] = (
    Rule(
        name="turn-up",
        code="RE-TUP",
        words="turn-up failed",
        share=0.08,
        if_so=0.95,
        if_not=0.01,
        sign=_turn_up,
        reason=lambda *_: "it was lost at the reel within the window of a turn-up",
    ),
    Rule(
        name="grade change",
        code="GS-GRC",
        words="unsteady in a grade change",
        share=0.04,
        if_so=0.9,
        if_not=0.06,
        sign=_grade_change,
        reason=lambda k, _: f"the grade had been changed {k.grade_change_min or 0:.0f} min before",
    ),
    Rule(
        name="restart",
        code="GS-STU",
        words="not settled after a restart",
        share=0.15,
        if_so=0.85,
        if_not=0.15,
        sign=_restart,
        reason=lambda k, _: f"the sheet had been back on the reel for {k.on_reel_min or 0:.0f} min only",
    ),
    Rule(
        name="photo-eye",
        code="IC-TRP",
        words="false trip, photo-eye dirty or misaligned",
        share=0.04,
        if_so=0.8,
        if_not=0.05,
        sign=_eye,
        reason=lambda k, _: (
            f"the detector that lost the sheet first had flickered {k.flickers} times that day"
            + (f" and been blind {k.blind} times" if k.blind else "")
        ),
    ),
)


def signs(known: Known, settings: SuggestSettings) -> dict[str, bool]:
    """Which signs are there and which are not, by the rule's name; those not known are left out."""
    found = {rule.name: rule.sign(known, settings) for rule in RULES}
    return {name: there for name, there in found.items() if there is not None}
