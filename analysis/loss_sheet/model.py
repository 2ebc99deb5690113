"""What stands on a loss sheet, word for word: HTML and PDF lay out the same texts and add none of their own figures."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the ledger or of the tonnes: what, its figure, and what of."""

    name: str
    value: str
    share: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """Lines with their sum, and what came of checking it.

    fault
        Why the sum is not what it must be, to stand in its place; empty if it is.
    """

    lines: tuple[Line, ...]
    total: Line
    checked: str
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One downtime in the list; ``waits`` is true for a break that this shift has still to code."""

    number: str
    clock: str
    what: str
    cause: str
    attempts: str
    minutes: str
    lost_t: str
    broke_t: str
    cost: str
    comment: str
    waits: bool

    @property
    def lines(self) -> int:
        """How many lines of paper it takes."""
        return 2 if self.comment else 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """The shift as one band on mill time: a drawing of ours and its text equivalent."""

    svg: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Signer:
    """Who signs, and as what."""

    role: str
    crew: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LossSheet:
    """One sheet. Every field is text as it is printed; empty where there is nothing to say.

    unfinished
        Why the sheet is not the last word: the data do not reach the end of the shift yet.
    more
        What stands in for downtimes that found no room.
    remarks
        Whether there is room left to write something by hand.
    """

    title: str
    mill: str
    demo: str
    machine: str
    shift: str
    crew: str
    hours: str
    headline: str
    unfinished: str
    band: Band
    ledger: Account
    paper: tuple[Line, ...]
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    more: str
    list_checked: str
    list_fault: str
    uncoded: str
    remarks: bool
    cautions: tuple[str, ...]
    words: tuple[tuple[str, str], ...]
    freshness: str
    safety: str
    signers: tuple[Signer, ...]


def plain(text: str, most: int) -> str:
    """A text that somebody wrote as one line that any page can hold, cut with "…" where it is longer.

    Control and formatting characters (Unicode category C) become spaces: they would break a line, or turn round what
    stands beside them.

    most
        Length of the longest text that is given back.
    """
    kept = "".join(" " if unicodedata.category(c).startswith("C") else c for c in text)
    line = " ".join(kept.split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"
