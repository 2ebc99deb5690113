"""How often suggestions would have named the code that the crew then gave, against the section's most used. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.suggest.known import Known
from analysis.suggest.model import Learner, Suggested
from analysis.suggest.settings import SuggestSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Hits:
    """How many of some breaks were named; ``low`` and ``high``: exact 95 % limits of the share (Clopper-Pearson)."""

    hits: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """The share named. [-]"""
        return self.hits / self.of if self.of else float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Suggestions of about the same probability: what was promised on average, and how often it was so."""

    number: int
    promised: float
    so: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The judgement forward in time: each coded break was suggested from those lost before it.

    first, two, usual, usual_two
        Named by the likeliest cause, by either of two, by the section's most used cause, by either of its two.
    better_p
        Chance of so many breaks that only the suggestion named, if it were no better (exact, one-sided sign test).
    bins
        Calibration of the likeliest cause.
    """

    first: Hits
    two: Hits
    usual: Hits
    usual_two: Hits
    better_p: float | None
    bins: tuple[Bin, ...]

    @property
    def better(self) -> bool:
        """Whether it is shown to name more than the section's most used cause."""
        return self.better_p is not None and self.better_p < 0.05


def judge(
    breaks: Sequence[Known],
    settings: SuggestSettings,
    codes: frozenset[str],
    *,
    suggestions: Sequence[Sequence[Suggested]] | None = None,
) -> Judged | None:
    """Judge on coded breaks in order of time; None while there are too few.

    suggestions
        What was suggested for each from those before it, where tags were looked at; else it is worked out without.
    """
    learner = Learner(settings=settings, codes=codes)
    rows: list[tuple[bool, bool, bool, bool, float]] = []
    for n, one in enumerate(breaks):
        if n >= settings.least_to_judge:
            found = learner.suggest(one) if suggestions is None else suggestions[n]
            usual = learner.usual(one.section)
            named, base = [s.code for s in found[:2]], usual[:2]
            rows.append(
                (
                    one.cause == named[0],
                    one.cause in named,
                    one.cause in base[:1],
                    one.cause in base,
                    found[0].probability,
                )
            )
        learner.add(one)
    if not rows:
        return None
    first, two, usual_first, usual_two, promised = zip(*rows, strict=True)
    return Judged(
        first=_hits(first),
        two=_hits(two),
        usual=_hits(usual_first),
        usual_two=_hits(usual_two),
        better_p=_better(first, usual_first),
        bins=calibration(promised, first),
    )


def _hits(so: Sequence[bool]) -> Hits:
    from scipy.stats import binomtest  # noqa: PLC0415 - takes half a second, and only the judgement needs it

    limits = binomtest(sum(so), len(so)).proportion_ci(0.95, method="exact")
    return Hits(hits=sum(so), of=len(so), low=float(limits.low), high=float(limits.high))


def _better(ours: Sequence[bool], theirs: Sequence[bool]) -> float | None:
    """Sign test over the breaks that one of both named (McNemar, exact); None if there is none."""
    from scipy.stats import binomtest  # noqa: PLC0415 - as above

    won = sum(a and not b for a, b in zip(ours, theirs, strict=True))
    lost = sum(b and not a for a, b in zip(ours, theirs, strict=True))
    return float(binomtest(won, won + lost, alternative="greater").pvalue) if won + lost else None


def calibration(
    promised: Sequence[float], so: Sequence[bool], edges: Sequence[float] = (0.2, 0.4, 0.6, 0.8)
) -> tuple[Bin, ...]:
    """What was promised and what came, in bands of probability."""
    bins: dict[int, list[tuple[float, bool]]] = {}
    for p, hit in zip(promised, so, strict=True):
        bins.setdefault(sum(p >= edge for edge in edges), []).append((p, hit))
    return tuple(
        Bin(number=len(rows), promised=sum(p for p, _ in rows) / len(rows), so=sum(h for _, h in rows) / len(rows))
        for _, rows in sorted(bins.items())
    )
