"""Which causes a downtime is offered first: suggested ones, those its section mostly has, always "unknown". Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.suggest.answer import Suggestion
from analysis.suggest.known import Cause
from analysis.suggest.model import Suggested
from analysis.suggest.tell import told

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
    """What one downtime is offered, without repeating any.

    faint
        Suggested ones that are too unlikely to stand before the usual ones.
    """

    suggested: tuple[Target, ...] = ()
    usual: tuple[Target, ...] = ()
    faint: tuple[Target, ...] = ()
    unknown: tuple[Target, ...] = ()


def targets(
    section: str | None,
    causes: Sequence[Cause],
    usual: Sequence[str],
    suggestion: Suggestion | None,
    *,
    least: float = 0.0,
) -> Targets:
    """The targets of a downtime.

    section
        Where it was lost; None where that is not known.
    usual
        Codes that such downtimes mostly had, the most used first.
    least
        Suggestions lead if the first is as likely as this, or is the most used one anyway. [-]
    """
    names = {cause.code: cause.name for cause in causes}
    suggested = [] if suggestion is None else [s for s in suggestion.causes if s.code in names][:MOST_SUGGESTED]
    leads = bool(suggested) and (suggested[0].probability >= least or [suggested[0].code] == list(usual[:1]))
    taken = {s.code for s in suggested} if leads else set()
    near = [cause.code for cause in causes if cause.section == section and cause.nameable]
    rest = [code for code in dict.fromkeys([*usual, *near]) if code in names and code not in taken]
    offered = [_suggested(s, names[s.code]) for s in suggested]
    return Targets(
        suggested=tuple(offered) if leads else (),
        usual=tuple(Target(code=code, name=names[code]) for code in rest[:MOST_USUAL]),
        faint=() if leads else tuple(one for one in offered if one.code not in rest[:MOST_USUAL]),
        unknown=tuple(Target(code=cause.code, name=cause.name) for cause in causes if not cause.nameable),
    )


def _suggested(one: Suggested, name: str) -> Target:
    because = next((reason.words for reason in told(one.speaks_for)), "")
    return Target(code=one.code, name=name, chance=one.probability, because=because)


def by_section(causes: Sequence[Cause], path: Sequence[str], first: str | None) -> list[tuple[str | None, list[Cause]]]:
    """All causes by where they lie: a section of choice first, then along the machine, those that name nothing last."""
    groups: dict[str | None, list[Cause]] = {}
    for cause in causes:
        groups.setdefault(cause.section, []).append(cause)
    places = {section: place for place, section in reversed(list(enumerate(path)))}
    return sorted(
        groups.items(),
        key=lambda group: (
            not group[1][0].nameable,
            group[0] != first,
            places.get(group[0] or "", len(path)),
            group[0] or "",
        ),
    )
