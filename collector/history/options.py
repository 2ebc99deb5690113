"""What a person says of files that do not say it themselves. Whatever is left out is found out, or asked for."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Ambiguous(StrEnum):
    """What to do with a local time that the mill's clock shows twice or never, when it is changed."""

    EARLIER = "earlier"
    LATER = "later"
    REJECT = "reject"


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryOptions:
    """How to read the files.

    machine
        Whose history it is, where the file has no column for it.
    time_zone
        Of times without an offset: an IANA name, or an offset such as "+02:00"; default: the mill's.
    ambiguous
        For times that the clock shows twice or never; None: ask.
    time_format
        In the letters of strptime, or "unix-ms", "unix-s".
    names
        The columns' names, for a file without a line of names.
    names_line
        The line that holds the names, from 1.
    bad, true, false
        Words that stand for a bad value, and for the two truths, beside those that are known.
    what
        What the tables hold: "samples", "lab", "clothing", "order" or "note"; None: what their names leave no doubt of.
    any_unit
        Take values although their unit or range is not that of mill.toml.
    """

    machine: str | None = None
    time_zone: str | None = None
    ambiguous: Ambiguous | None = None
    time_format: str | None = None
    time_column: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    encoding: str | None = None
    names: tuple[str, ...] = ()
    names_line: int | None = None
    bad: tuple[str, ...] = ()
    true: tuple[str, ...] = ()
    false: tuple[str, ...] = ()
    any_unit: bool = False
    what: str | None = None

    def decimal_word(self) -> str | None:
        """The decimal sign as it was given, in a word; None if it is to be found out."""
        return None if self.decimal is None else {",": "comma", ".": "point"}[self.decimal]
