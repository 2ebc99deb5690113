"""Whether the model beats the plain rules, and the sentence that says so at the head of every report."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.figures.rates import count_interval
from analysis.result import signed
from analysis.risk.contender import Contender
from analysis.risk.forecast import ADDITIVE, RULES
from analysis.risk.score import Interval, disagreement_p, paired_difference
from analysis.risk.settings import RiskSettings

BEATS = "beats the plain rules"
NO_BETTER = "does not beat the plain rules"
NO_SKILL = "shows no skill"

ALPHA = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Whether the model beats the plain rules.

    beats
        True alone allows live warnings.
    finding
        ``beats the plain rules``, ``does not beat the plain rules`` or ``shows no skill``.
    difference, p
        Share of breaks warned of, model less best rule, as both would have run; and the exact chance of such a
        difference, or a greater one, if they were equally good.
    at_budget, p_at_budget
        The same with both at the level that just meets the budget, in hindsight; the rule is the best one there.
    sentence
        The first line of every report.
    """

    beats: bool
    finding: str
    best_rule: str
    difference: Interval
    p: float
    at_budget: Interval
    p_at_budget: float
    sentence: str


def verdict(contenders: tuple[Contender, ...], count: int, settings: RiskSettings, shifts: float) -> Verdict:
    """Model against the best plain rule: by how much, and whether that could be luck.

    It beats them only if it warned of more, beyond luck by the exact paired test and by the 95 % interval, both as they
    would have run and at equal cost, and if its false warnings do not exceed the budget by more than chance.
    """
    ours = next(c for c in contenders if c.name == ADDITIVE)
    rules = [c for c in contenders if c.name in RULES]
    best = max(rules, key=lambda c: (len(c.hits), -c.false))
    equal = max(rules, key=lambda c: len(c.hindsight))
    difference, p = _difference(frozenset(ours.hits), frozenset(best.hits), count)
    at_budget, p_at_budget = _difference(ours.hindsight, equal.hindsight, count)
    affordable = count_interval(ours.false)[0] <= settings.budget * shifts
    more = difference.low > 0 and p < ALPHA
    beats = more and at_budget.low > 0 and p_at_budget < ALPHA and affordable
    knows = ours.skill is not None and ours.skill.low > 0 and ours.area.low > 0.5
    finding = BEATS if beats else NO_BETTER if knows else NO_SKILL
    return Verdict(
        beats=beats,
        finding=finding,
        best_rule=best.name,
        difference=difference,
        p=p,
        at_budget=at_budget,
        p_at_budget=p_at_budget,
        sentence=_sentence(finding, ours, best, difference, count, settings)
        + ("" if beats else _but(finding, ours, at_budget, more=more, affordable=affordable)),
    )


def _difference(ours: frozenset[int], theirs: frozenset[int], count: int) -> tuple[Interval, float]:
    both, only_ours, only_theirs = len(ours & theirs), len(ours - theirs), len(theirs - ours)
    found = paired_difference(both, only_ours, only_theirs, count - len(ours | theirs))
    return found, disagreement_p(only_ours, only_theirs)


def _sentence(
    finding: str, ours: Contender, best: Contender, difference: Interval, count: int, settings: RiskSettings
) -> str:
    return (
        f"The model {finding}: of {count} primary breaks it warned of {len(ours.hits)} ({_per_cent(ours.warned)}) at "
        f"least {settings.lead_min} min ahead, at {ours.false_per_shift:.2f} false warnings a {settings.shift_h:g} h "
        f"shift; the best plain rule, {best.name}, warned of {len(best.hits)} at {best.false_per_shift:.2f}. "
        f"Difference {_points(difference)}."
    )


def _but(finding: str, ours: Contender, at_budget: Interval, *, more: bool, affordable: bool) -> str:
    """Why the difference is not enough, and what the model knows all the same."""
    if not more:
        why = ""
    elif not affordable:
        why = " But it cost more false warnings than the budget allows."
    else:
        why = f" But at equal cost the difference, {_points(at_budget)}, may be luck."
    knows = f" It does tell minutes apart (Brier skill {_interval(ours.skill)})." if finding == NO_BETTER else ""
    return f"{why}{knows} Live warnings stay off."


def _interval(figure: Interval | None) -> str:
    return "–" if figure is None else f"{figure.value:.3f}, {figure.low:.3f} to {figure.high:.3f}"


def _per_cent(share: Interval) -> str:
    value, low, high = (f"{100 * x:.0f} %" for x in (share.value, share.low, share.high))
    return f"{value}, 95 % interval {low} to {high}"


def _points(difference: Interval) -> str:
    low, value, high = (signed(f"{100 * x:+.0f}") for x in (difference.low, difference.value, difference.high))
    return f"{value} points, 95 % interval {low} to {high}"
