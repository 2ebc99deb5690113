"""Paper out of specification, and the whole clock of every downtime, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from analysis.figures.ledger import section_label
from analysis.figures.rounding import in_whole_units
from analysis.history import History
from analysis.paper.clock import Clock
from analysis.paper.offspec import MEANING, Amount, Specification
from analysis.period import say
from analysis.result import MISSING, NOTHING, Table, hours, length, minutes, number, percent
from analysis.telling.common import iso


def offspec_said(paper: Specification) -> str:
    """The paper out of specification in a sentence."""
    if not paper.judged_t:
        return "whether the paper was within limits is not known: no grade has limits that a signal tells of."
    worst = max(paper.off, key=lambda why: paper.off[why].tonnes_t, default=None)
    if worst is None:
        return f"all {number(paper.judged_t)} t judged on the reel were within limits."
    amount = paper.off[worst]
    return (
        f"{number(paper.off_t)} of {number(paper.judged_t)} t judged on the reel were out of limits, "
        f"most of it {worst.value}: {number(amount.tonnes_t)} t in {length(amount.ms)}."
    )


def offspec_table(paper: Specification) -> Table:
    """Paper on the reel by how it was judged."""
    lines = [("within every limit", paper.good, "saleable as far as the machine can tell")]
    lines += [(why.value, amount, MEANING[why]) for why, amount in paper.off.items()]
    lines.append((_UNJUDGED, paper.unjudged, "grades without limits, or no good value of what is limited"))
    tonnes = [*_tonnes_that_add_up([a for _, a, _ in lines[:-1]]), _unjudged_t(paper.unjudged)]
    return Table(
        title="Paper on the reel, judged",
        columns=("", "h", "t", "of judged t", "meaning"),
        rows=tuple(
            (name, hours(a.ms), t, _share(a, paper, name), said)
            for (name, a, said), t in zip(lines, tonnes, strict=True)
        ),
        numbers=frozenset({1, 2, 3}),
        note=_note(paper),
    )


_UNJUDGED = "not judged"
_UNITS_A_T, _TENTH = 10_000, 1_000


def _tonnes_that_add_up(judged: Sequence[Amount]) -> list[str]:
    tenths = in_whole_units([round(_UNITS_A_T * a.tonnes_t) for a in judged], _TENTH)
    return [number(tenth / 10) for tenth in tenths]


def _unjudged_t(unjudged: Amount) -> str:
    return "not known" if unjudged.unknown_ms and not unjudged.tonnes_t else number(unjudged.tonnes_t)


def _note(paper: Specification) -> str:
    said = "At reel moisture. Every minute stands under one reason, the first that applies; none of it is lost time."
    if unknown_ms := paper.unjudged.unknown_ms:
        said += (
            f" Through {length(unknown_ms)} speed or basis weight had no good value: no tonnes are judged of it. What "
            "was made counts the value before, and is greater by that."
        )
    return said


def _share(amount: Amount, paper: Specification, name: str) -> str:
    if name == _UNJUDGED:
        return NOTHING
    return percent(amount.tonnes_t / paper.judged_t, 2) if paper.judged_t else MISSING


def clock_table(history: History, paper: Specification) -> Table:
    """The clock of every downtime, the newest first."""
    rows = tuple(_clock_row(history, clock) for clock in reversed(paper.clocks))
    return Table(
        title="The clock of each downtime [min]",
        columns=(
            "lost",
            "kind",
            "section",
            "to 1st attempt",
            "attempts",
            "lost time",
            "+ to speed",
            "+ to saleable",
            "off-spec t",
        ),
        rows=rows,
        numbers=frozenset({3, 4, 5, 6, 7, 8}),
        note=(
            "Lost time ends with the sheet back on the reel; what follows with + is on the reel and never in it. "
            f"Back: there to stay for {history.machine.settled_s:g} s. A dash: lost again before, no target or limit, "
            "or not known."
        ),
    )


def _clock_row(history: History, clock: Clock) -> tuple[str, ...]:
    d = clock.downtime
    return (
        say(d.started_ms, history.mill.zone),
        d.kind + (", secondary" if d.secondary else ""),
        section_label(d),
        _min(clock.to_attempt_ms),
        str(len(clock.attempts)),
        _min(clock.lost_ms),
        _min(clock.to_speed_ms),
        _min(clock.to_spec_ms),
        number(clock.off_spec_t),
    )


def _min(ms: int | None) -> str:
    return NOTHING if ms is None else minutes(ms)


def offspec_values(paper: Specification) -> dict[str, Any]:
    """How the paper was judged, and every clock, for programs. [ms], [t]"""
    return {
        "good": _amount_values(paper.good),
        "off": {why.value.replace(" ", "_"): _amount_values(amount) for why, amount in paper.off.items()},
        "not_judged": _amount_values(paper.unjudged),
        "quality": paper.quality,
        "clocks": [clock_values(clock) for clock in paper.clocks],
    }


def _amount_values(amount: Amount) -> dict[str, Any]:
    return {"ms": amount.ms, "tonnes_t": amount.tonnes_t, "unknown_ms": amount.unknown_ms}


def clock_values(clock: Clock) -> dict[str, Any]:
    """The clock of one downtime for programs: instants, and what lies between them. [ms], [t]"""
    return {
        "downtime_id": clock.downtime.downtime_id,
        "lost_at": iso(clock.downtime.started_ms),
        "attempts": [
            {
                "attempt": a.attempt,
                "started_at": iso(a.started_ms),
                "ended_at": iso(a.ended_ms),
                "reached_section": a.reached_section,
                "outcome": a.outcome,
            }
            for a in clock.attempts
        ],
        "back_on_reel_at": iso(clock.back_ms),
        "at_target_speed_at": iso(clock.at_speed_ms),
        "in_specification_at": iso(clock.in_spec_ms),
        "lost_ms": clock.lost_ms,
        "to_first_attempt_ms": clock.to_attempt_ms,
        "reel_to_target_speed_ms": clock.to_speed_ms,
        "reel_to_specification_ms": clock.to_spec_ms,
        "to_saleable_ms": clock.to_saleable_ms,
        "off_spec_t": clock.off_spec_t,
        "short_of_speed_t": clock.short_t,
    }
