"""Earlier breaks that were like one break, and in what. Pure.

The distance is the weighted share of what differs, 0 for alike in all and 1 for in nothing, over what is known of both.
The weights are chosen, not learned: where it was lost and what its tags did count three times what the rest counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.suggest.known import Known
from analysis.suggest.rules import signs
from analysis.suggest.settings import SuggestSettings

States = Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One thing in which two breaks are compared. ``apart``: 0 alike to 1 not. [-]"""

    name: str
    weight: float
    apart: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Alike:
    """One earlier break beside the one asked about."""

    known: Known
    parts: tuple[Part, ...]

    @property
    def distance(self) -> float:
        """Share of what is compared that differs. [-]"""
        weight = sum(p.weight for p in self.parts)
        return sum(p.weight * p.apart for p in self.parts) / weight if weight else 1.0

    @property
    def alike(self) -> tuple[str, ...]:
        """In what they are alike, the weightiest first."""
        return tuple(p.words for p in sorted(self.parts, key=lambda p: -p.weight) if p.apart <= 0.5)

    @property
    def unlike(self) -> tuple[str, ...]:
        """In what they are not."""
        return tuple(p.words for p in sorted(self.parts, key=lambda p: -p.weight) if p.apart > 0.5)


SECTION_WEIGHT, TAGS_WEIGHT, OTHER_WEIGHT = 3.0, 3.0, 1.0


def compare(
    asked: Known, other: Known, settings: SuggestSettings, own: States | None = None, of_other: States | None = None
) -> Alike:
    """Two breaks side by side.

    own, of_other
        The departed tags of the one asked about, and what the same tags had done before the other.
    """
    parts = [_same("section", SECTION_WEIGHT, asked.section, other.section, f"lost at {other.section}")]
    parts.append(_same("grade", OTHER_WEIGHT, asked.grade, other.grade, f"grade {other.grade}"))
    parts += _signs_apart(asked, other, settings)
    parts += [
        Part(
            name=tag,
            weight=TAGS_WEIGHT / len(own or ()),
            apart=abs(state - of_other[tag]) / 2 if of_other[tag] else 1.0,
            words=_tag_words(tag, of_other[tag]),
        )
        for tag, state in (own or {}).items()
        if of_other is not None and tag in of_other
    ]
    return Alike(known=other, parts=tuple(p for p in parts if p is not None))


def nearest(found: Sequence[Alike], most: int) -> tuple[Alike, ...]:
    """The nearest of some breaks; among equals the newest first."""
    return tuple(sorted(found, key=lambda a: (a.distance, -a.known.started_ms))[:most])


def _same(name: str, weight: float, own: str | None, other: str | None, words: str) -> Part | None:
    if own is None or other is None:
        return None
    return Part(name=name, weight=weight, apart=float(own != other), words=words)


_SIGNS = {
    "restart": ("long after the sheet's return", "soon after the sheet's return"),
    "grade change": ("no change of grade just before", "just after a change of grade"),
    "turn-up": ("not at a turn-up", "at a turn-up"),
}
"""The signs in which breaks are compared: what one without and one with it is said to be."""


def _signs_apart(asked: Known, other: Known, settings: SuggestSettings) -> list[Part]:
    own, theirs = signs(asked, settings), signs(other, settings)
    return [
        Part(name=name, weight=OTHER_WEIGHT, apart=float(own[name] != theirs[name]), words=words[theirs[name]])
        for name, words in _SIGNS.items()
        if name in own and name in theirs
    ]


def _tag_words(tag: str, state: int) -> str:
    return f"{tag} {({1: 'up', -1: 'down', 0: 'as usual'})[state]}"
