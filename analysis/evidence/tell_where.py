"""Where evidence holds, in words: in which parts of the breaks, in pairs of tags, and what age does to the rate."""

from __future__ import annotations

from analysis.evidence.ages import MIN_BREAKS, Ageing
from analysis.evidence.answer import Question, Sought
from analysis.evidence.find import Evidence, Finding
from analysis.evidence.strata import Split
from analysis.evidence.tell import NOT_A_CAUSE, auc_said, described
from analysis.evidence.together import PER_COEFFICIENT, Together
from analysis.history import History
from analysis.period import Period
from analysis.result import NOTHING, Result, Table, significant
from analysis.runnability.telling.wording import amount, listed, plain
from analysis.telling.common import about, named

MOST_SPLIT = 5


def tell_strata(history: History, period: Period, evidence: Evidence) -> Result | None:
    """Where what was shown holds; None if nothing was shown."""
    shown = [f for f in evidence.shown if f.detail is not None][:MOST_SPLIT]
    if not shown:
        return None
    differing = [
        f"{f.tag.tag} by {name}"
        for f in shown
        for name, split in (f.detail.splits.items() if f.detail else ())
        if name != "part of the period"
        and split.differ_q is not None
        and split.differ_q <= evidence.settings.false_share
    ]
    acting = [p for p in evidence.pairs if p.q is not None and p.q <= evidence.settings.false_share]
    sentence = (
        f"it does not tell equally well everywhere: {listed(differing)}."
        if differing
        else "no part of the breaks large enough to be compared was shown to differ from the others."
    )
    sentence += "".join(f" {_pair_said(p)}" for p in acting)
    return Result(
        title=f"Where it holds, {history.machine.name}",
        subject=named(history, period),
        sentence=sentence,
        tables=(*(_strata_table(f, evidence) for f in shown), *([_pairs_table(evidence)] if evidence.pairs else [])),
        values=about(history, period)
        | {
            "strata": {f.tag.tag: plain(dict(f.detail.splits)) for f in shown if f.detail is not None},
            "pairs": [plain(p) for p in evidence.pairs],
        },
    )


def tell_ages(history: History, period: Period, question: Question, sought: Sought) -> Result | None:
    """What age does to the break rate; None for a mill that tells no age."""
    if not sought.ages:
        return None
    least = sought.evidence.settings.false_share
    shown = [a for a in sought.ages if a.q is not None and a.q <= least]
    said = "; ".join(_more(a) for a in shown)
    return Result(
        title=f"Breaks and age, {history.machine.name}",
        subject=named(history, period),
        sentence=f"the rate of {question.words} goes with age: {said}."
        if shown
        else f"the rate of {question.words} is not shown to go with any age.",
        tables=(_ages_table(sought.ages),),
        values=about(history, period) | {"asked": question.words, "ages": [plain(a) for a in sought.ages]},
        cautions=(NOT_A_CAUSE,) if shown else (),
    )


def _more(age: Ageing) -> str:
    times = f"× {_times(age)}"
    return f"{age.name.removeprefix('age of ')} {times} from young to old"


def _times(found: Ageing | Together) -> str:
    """A ratio with its limits, to two figures: more would say too much of some dozen breaks."""
    value, low, high = (significant(x, 2) for x in (found.times, found.low, found.high))
    return f"{value} ({low} to {high})"


def _ages_table(ages: tuple[Ageing, ...]) -> Table:
    return Table(
        title="Break rate by age",
        columns=("what", "breaks", "renewals seen", "young [d]", "old [d]", "rate when old ×", "q"),
        rows=tuple(
            (
                a.name,
                str(a.breaks),
                str(a.lives),
                amount(a.young, 1),
                amount(a.old, 1),
                "too little to tell" if a.times is None else _times(a),
                NOTHING if a.q is None else f"{a.q:.2g}",
            )
            for a in ages
        ),
        numbers=frozenset({1, 2, 3, 4, 6}),
        note="Over all time on the reel, beside a line and a bow in calendar time; young and old bound the middle four "
        f"fifths. Told from {MIN_BREAKS} breaks and two renewals on. Matched quiet runs lie within three weeks, where "
        "what is old stays old: what age does can be seen only here.",
    )


def _strata_table(finding: Finding, evidence: Evidence) -> Table:
    splits = finding.detail.splits if finding.detail else {}
    return Table(
        title=f"{described(finding)}, {finding.best.window.words}",
        columns=("by", "part", "breaks", "AUC", "chance of such differences", "q"),
        rows=tuple(row for split in splits.values() for row in _split_rows(split)),
        numbers=frozenset({2, 5}),
        note=f"Parts of fewer than {evidence.settings.least_breaks} breaks are not judged, and none of fewer than "
        f"{evidence.settings.least_for_comparing} is compared with others. q: the chance adjusted for all comparisons.",
    )


def _split_rows(split: Split) -> list[tuple[str, ...]]:
    differ, adjusted = (NOTHING if x is None else f"{x:.2g}" for x in (split.differ_p, split.differ_q))
    return [
        (
            split.dimension if not n else "",
            s.name,
            str(s.breaks),
            "too few" if s.auc is None else auc_said(s.auc),
            differ if not n else "",
            adjusted if not n else "",
        )
        for n, s in enumerate(split.strata)
    ]


def _pair_said(pair: Together) -> str:
    more = "more" if (pair.times or 1.0) > 1 else "fewer"
    return f"{pair.first} and {pair.second} together go with {more} breaks than their two effects multiplied."


def _pairs_table(evidence: Evidence) -> Table:
    return Table(
        title="Whether two act together",
        columns=("tags", "breaks", "odds together ×", "q"),
        rows=tuple(
            (
                f"{p.first} and {p.second}",
                str(p.breaks),
                _too_few(p.breaks) if p.times is None else _times(p),
                NOTHING if p.q is None else f"{p.q:.2g}",
            )
            for p in evidence.pairs
        ),
        numbers=frozenset({1, 3}),
        note="By what the odds of a break are multiplied beyond what both do alone, for each spread by which both lie "
        "in their direction: 1 if each acts by itself. q: adjusted for all pairs. What is not shown is not excluded: "
        "pairs take many more breaks than single tags.",
    )


def _too_few(breaks: int) -> str:
    needed = PER_COEFFICIENT * 3
    return f"too few ({needed} needed)" if breaks < needed else "cannot be worked out"
