"""What a break may have been, and which earlier ones were like it, in words."""

from __future__ import annotations

from analysis.dossier.answer import Dossier
from analysis.dossier.telling.common import subject
from analysis.period import say
from analysis.result import NOTHING, Result, Table, count
from analysis.runnability.telling.wording import listed, percent_of
from analysis.suggest.answer import Suggestion
from analysis.suggest.tell import ONLY_SUGGESTED, cause_rows, said, signs_said, suggestion_values


def suggestion_part(found: Dossier, suggestion: Suggestion) -> Result:
    """The likeliest causes, with what speaks for and against each."""
    breaks, signs = found.breaks, signs_said(found.breaks, suggestion)
    rows = cause_rows(breaks, suggestion)
    learned = f"learned from {count(suggestion.learned_from, 'coded break')} before it"
    sentence = f"{said(suggestion)} ({learned})." if suggestion.causes else f"no cause can be named ({learned})."
    return Result(
        title="Suggested causes, and what speaks for and against each",
        subject=subject(found),
        sentence=sentence + (f" Signs: {signs}." if signs else ""),
        tables=(
            Table(
                title="Suggested",
                columns=("cause", "chance", "for it", "against it"),
                rows=tuple(rows),
                numbers=frozenset({1}),
                note="Chance: among causes that name something. 'breakhorn suggest' says how often such were right.",
            ),
        )
        if rows
        else (),
        values=suggestion_values(suggestion, breaks),
        cautions=(ONLY_SUGGESTED,),
    )


def similar_part(found: Dossier) -> Result:
    """The nearest earlier breaks, in what they were alike, and how they were coded."""
    return Result(
        title="Earlier breaks like it",
        subject=subject(found),
        sentence=_similar_said(found),
        tables=(_similar_table(found),) if found.similar else (),
        values={
            "similar": [
                {
                    "downtime_id": a.known.downtime_id,
                    "distance": round(a.distance, 3),
                    "cause": a.known.cause,
                    "certainty": a.known.certainty,
                    "alike": list(a.alike),
                    "unlike": list(a.unlike),
                }
                for a in found.similar
            ]
        },
    )


def _similar_said(found: Dossier) -> str:
    if not found.similar:
        return "only breaks are compared." if found.suggestion is None else "there is no earlier break."
    nearest = found.similar[0]
    codes = [a.known.cause for a in found.similar if a.known.cause]
    coded = f"{len(codes)} are coded: {listed(sorted(set(codes)))}" if codes else "none is coded"
    return (
        f"the nearest is {nearest.known.downtime_id} (differs in {percent_of(nearest.distance)} of what is compared); "
        f"of the {len(found.similar)} nearest {coded}."
    )


def _similar_table(found: Dossier) -> Table:
    zone = found.history.mill.zone
    return Table(
        title="The nearest earlier breaks",
        columns=("lost", "id", "differs", "coded", "alike in", "unlike in"),
        rows=tuple(
            (
                say(a.known.started_ms, zone),
                a.known.downtime_id,
                percent_of(a.distance),
                a.known.cause or NOTHING,
                "; ".join(a.alike) or NOTHING,
                "; ".join(a.unlike) or NOTHING,
            )
            for a in found.similar
        ),
        numbers=frozenset({2}),
        note="Differs: weighted share of what is compared; section and departed tags weigh three times what grade, "
        "time since the return, grade change and turn-up do.",
    )
