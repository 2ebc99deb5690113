"""Which causes a downtime is offered first: suggested ones, those its section mostly has, always "unknown". Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.suggest.answer import Suggestion
from analysis.suggest.known import Cause

MOST_SUGGESTED, MOST_USUAL = 2, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One cause to touch.

    chance
        Of a suggested one: its probability among causes that name something; None else.
    because
        What speaks most for a suggested one; empty if nothing does.
    """

    code: str
    name: str
    chance: float | None = None
    because: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Targets:
    """What one downtime is offered, without repeating any."""

    suggested: tuple[Target, ...] = ()
    usual: tuple[Target, ...] = ()
    unknown: tuple[Target, ...] = ()


def targets(
    section: str | None, causes: Sequence[Cause], usual: Sequence[str], suggestion: Suggestion | None
) -> Targets:
    """The targets of a downtime.

    section
        Where it was lost; None where that is not known.
    usual
        Codes that such downtimes mostly had, the most used first.
    """
    names = {cause.code: cause.name for cause in causes}
    suggested = [] if suggestion is None else [s for s in suggestion.causes if s.code in names][:MOST_SUGGESTED]
    taken = {s.code for s in suggested}
    near = [cause.code for cause in causes if cause.section == section and cause.nameable]
    rest = [code for code in dict.fromkeys([*usual, *near]) if code in names and code not in taken]
    return Targets(
        suggested=tuple(
            Target(
                code=s.code,
                name=names[s.code],
                chance=s.probability,
                because=next((reason.words for reason in s.speaks_for), ""),
            )
            for s in suggested
        ),
        usual=tuple(Target(code=code, name=names[code]) for code in rest[:MOST_USUAL]),
        unknown=tuple(Target(code=cause.code, name=cause.name) for cause in causes if not cause.nameable),
    )


def by_section(causes: Sequence[Cause], first: str | None) -> list[tuple[str | None, list[Cause]]]:
    """All causes by where they lie, a section of choice first, those that name nothing last."""
    groups: dict[str | None, list[Cause]] = {}
    for cause in causes:
        groups.setdefault(cause.section, []).append(cause)
    return sorted(groups.items(), key=lambda group: (group[0] != first, not group[1][0].nameable))
