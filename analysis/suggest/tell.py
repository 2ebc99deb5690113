"""Suggested causes in words: always as suggestions, with probability and reasons, and how often such were right."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.history import History
from analysis.period import Period, say
from analysis.result import NOTHING, Result, Table, count
from analysis.runnability.telling.wording import chance, listed, percent_of
from analysis.suggest.answer import Breaks, Suggestion
from analysis.suggest.judge import Hits, Judged
from analysis.suggest.known import Known
from analysis.suggest.model import Reason, Suggested
from analysis.telling.common import SAFETY, about, iso, named

MOST_CAUSES, MOST_REASONS = 2, 3
LEAST_SAID = 1.15
"""A reason that changes the odds by less is not told."""
LEAST_SAID_ABSENT = 2.0
"""The same for something that had not happened, which nobody expects to be told of."""
_SURE = 0.99
"""Some chance is always left to causes never coded, so 100 % is never promised."""
ONLY_SUGGESTED = (
    "Suggestions only: a person who saw the broken end decides. Nothing is stored as a cause unless a person sends it "
    "as a note."
)
JUDGED_WITHOUT = "How often they are right was judged without tags, which is quick; --judge looks at them as well."


def tell_suggestions(
    history: History,
    period: Period,
    breaks: Breaks,
    found: Sequence[Suggestion],
    judged: Judged | None,
    *,
    tags: bool,
    judged_tags: bool = False,
) -> Result:
    """The uncoded breaks of a period with what may have caused them.

    tags, judged_tags
        Whether tags were looked at: for these breaks, and for those by which suggestions were judged.
    """
    return Result(
        title=f"Suggested causes, {history.machine.name}",
        subject=named(history, period),
        sentence=_sentence(found, judged),
        tables=(
            *((_table(history, breaks, found),) if found else ()),
            *((_judged_table(judged),) if judged is not None else ()),
        ),
        values=about(history, period)
        | {
            "advisory": ONLY_SUGGESTED,
            "tags_looked_at": tags,
            "learned_from": max((s.learned_from for s in found), default=0),
            "suggestions": [suggestion_values(s, breaks) for s in found],
            "judged": judged_values(judged),
            "judged_with_tags": judged_tags,
        },
        cautions=(
            ONLY_SUGGESTED,
            *_doubt(judged),
            *((JUDGED_WITHOUT,) if tags and not judged_tags and judged is not None else ()),
            SAFETY,
        ),
    )


def suggestion_values(found: Suggestion, breaks: Breaks) -> dict[str, Any]:
    """One suggestion for programs, with the note that a person could send."""
    known = found.known
    return {
        "downtime_id": known.downtime_id,
        "started_at": iso(known.started_ms),
        "section": known.section,
        "cause_now": known.cause,
        "learned_from": found.learned_from,
        "causes": [
            {
                "cause": s.code,
                "name": name_of(breaks, s.code),
                "probability": round(s.probability, 4),
                "for": [_reason_values(r) for r in told(s.speaks_for)],
                "against": [_reason_values(r) for r in told(s.speaks_against)],
                "note_a_person_could_send": note(known, s.code),
            }
            for s in found.causes[:MOST_CAUSES]
        ],
        "signs": [
            {"rule": r.name, "cause": r.code if r.code in breaks.codes else None, "words": r.words, "reason": reason}
            for r in found.signs
            for reason in (r.reason(known, breaks.settings),)
        ],
        "departed": [{"tag": d.name, "by": round(d.by, 2)} for d in found.departed],
    }


def note(known: Known, code: str) -> dict[str, str]:
    """The payload of a note on the topic ``<mill>/<machine>/note``; whoever sends it adds its id, name and time."""
    return {"downtime": known.downtime_id, "kind": "cause", "cause": code, "certainty": "suspected"}


def said(found: Suggestion, most: int = MOST_CAUSES) -> str:
    """The likeliest causes in few words: ``PR-FLT 41 %, PR-DRW 20 %``; the signs where there is no code for them."""
    return ", ".join(f"{s.code} {percent_of(s.probability)}" for s in found.causes[:most]) or NOTHING


def told(reasons: Sequence[Reason]) -> list[Reason]:
    """The reasons worth telling, the strongest first."""
    return [r for r in reasons if max(r.factor, 1 / r.factor) >= _least(r)][:MOST_REASONS]


def _least(reason: Reason) -> float:
    return LEAST_SAID_ABSENT if reason.absent else LEAST_SAID


def name_of(breaks: Breaks, code: str) -> str:
    """What the mill calls a code; empty if its list no longer has it."""
    return next((c.name for c in breaks.causes if c.code == code), "")


def cause_rows(breaks: Breaks, found: Suggestion) -> list[tuple[str, ...]]:
    """The likeliest causes of one break, one a row, with what speaks for and against each."""
    return [_cause_row(breaks, s) for s in found.causes[:MOST_CAUSES]]


def _cause_row(breaks: Breaks, cause: Suggested) -> tuple[str, ...]:
    return (
        f"{cause.code} {name_of(breaks, cause.code)}".strip(),
        percent_of(cause.probability),
        "; ".join(r.words for r in told(cause.speaks_for)) or NOTHING,
        "; ".join(r.words for r in told(cause.speaks_against)) or NOTHING,
    )


def signs_said(breaks: Breaks, found: Suggestion) -> str:
    """The rules that spoke, as a sentence; empty for none."""
    return listed(
        [
            f"{rule.reason(found.known, breaks.settings)} ({rule.words}"
            + ("" if rule.code in breaks.codes else "; no code of this mill")
            + ")"
            for rule in found.signs
        ]
    )


def _sentence(found: Sequence[Suggestion], judged: Judged | None) -> str:
    if not found:
        return "no break of this time waits for a cause."
    return f"{count(len(found), 'break')} without a cause that names something; {judged_said(judged)}"


def judged_said(judged: Judged | None) -> str:
    """How often suggestions named what the crew then coded, as a sentence."""
    if judged is None:
        return (
            "too few breaks are coded yet to say how often suggestions are right: rules speak louder than they should."
        )
    usual = f"the section's most used cause {percent_of(judged.usual.share)}"
    verdict = "" if judged.better else ", which is not shown to be worse"
    return (
        f"looking back, the first suggestion named the code that the crew gave in {_hits(judged.first)} of "
        f"{judged.first.of} coded breaks, one of two in {percent_of(judged.two.share)}; {usual}{verdict}."
    )


def _hits(hits: Hits) -> str:
    return f"{percent_of(hits.share)} ({percent_of(hits.low)} to {percent_of(hits.high)})"


def _doubt(judged: Judged | None) -> tuple[str, ...]:
    if judged is not None and not judged.better:
        return (
            "Suggestions are not shown to name the crew's code more often than the section's most used cause does.",
        )
    return ()


def _table(history: History, breaks: Breaks, found: Sequence[Suggestion]) -> Table:
    rows = []
    for s in found:
        for n, (cause, probability, speaks_for, against) in enumerate(cause_rows(breaks, s)):
            rows.append(
                (*(_head(history, s.known) if n == 0 else ("", "", "")), cause, probability, speaks_for, against)
            )
        if not s.causes:
            rows.append((*_head(history, s.known), NOTHING, NOTHING, signs_said(breaks, s) or NOTHING, NOTHING))
    return Table(
        title="Breaks without a cause, and what it may have been",
        columns=("lost", "section", "coded", "suggested", "chance", "because", "against it"),
        rows=tuple(rows),
        numbers=frozenset({4}),
        note="Chance: among causes that name something; what the two leave belongs to others. What a tag did before "
        "earlier breaks is measured by the quiet runs of the break at hand, so its counts differ from break to break. "
        "'breakhorn dossier ID' shows one break whole; --json gives the note that a person could send.",
    )


def _head(history: History, known: Known) -> tuple[str, str, str]:
    return (say(known.started_ms, history.mill.zone), known.section or NOTHING, known.cause or NOTHING)


def _judged_table(judged: Judged) -> Table:
    rows = [
        ("first suggestion", _hits(judged.first)),
        ("one of two suggestions", _hits(judged.two)),
        ("section's most used cause", _hits(judged.usual)),
        ("one of the section's two most used", _hits(judged.usual_two)),
    ]
    bins = "; ".join(
        f"{'over 99 %' if b.promised > _SURE else percent_of(b.promised)} promised, {percent_of(b.so)} came "
        f"({b.number})"
        for b in judged.bins
    )
    p = (
        ""
        if judged.better_p is None
        else f" Sign test of the first lines against each other: {chance(judged.better_p)}."
    )
    return Table(
        title=f"How often they named the crew's code, forward in time, over {judged.first.of} coded breaks",
        columns=("", "share, exact 95 %"),
        rows=tuple(rows),
        note=f"Each break was suggested from those coded before it. Calibration: {bins}.{p} The crew's code is taken "
        "for the truth; where crews guess, nobody can name it.",
    )


def judged_values(judged: Judged | None) -> dict[str, Any] | None:
    """The judgement for programs."""
    if judged is None:
        return None
    hits = {"first": judged.first, "two": judged.two, "usual": judged.usual, "usual_two": judged.usual_two}
    return {
        **{name: {"hits": h.hits, "of": h.of, "low": h.low, "high": h.high} for name, h in hits.items()},
        "better_p": judged.better_p,
        "better": judged.better,
        "calibration": [{"number": b.number, "promised": b.promised, "came": b.so} for b in judged.bins],
    }


def _reason_values(reason: Reason) -> dict[str, Any]:
    return {"words": reason.words, "factor": round(reason.factor, 3)}
