"""What is said of a row or value that cannot be taken: where it stands, why, and what to do. Pure."""

from __future__ import annotations

from collector.decode.unusable import shown as quoted
from collector.history.fault import HistoryFault
from collector.history.source import Source
from collector.settings import Mill

_OF_TIME = ("time", "twice", "never", "impossible")


def fault_text(
    source: Source,
    line: int | None,
    place: int,
    fault: str,
    shown: str | None,
    tag: str | None,
    *,
    zone: str,
    mill: Mill,
) -> HistoryFault:
    """A fault that was found in a row. ``place``: the column that holds the value."""
    columns, word = source.columns, quoted("" if shown is None else shown)
    match fault:
        case "time":
            reason = _unreadable_time(source, shown or "")
        case "twice" | "never":
            reason = f"{word} {_clock_words(fault, zone)}"
        case "impossible":
            reason = f"{word} is before 1990 or in the future: mend it, or give --time-format"
        case "machine":
            reason = f"unknown machine {word}: mill.toml names {', '.join(machine.id for machine in mill.machines)}"
        case "tag":
            reason = f"{word} cannot be the name of a tag: 1 to 200 characters, none of them a control character"
        case "number":
            reason = f"{word} is no number, and mill.toml says that {tag} is one: units belong to mill.toml"
        case "decimal":
            other = "comma" if source.decimal == "." else "point"
            reason = f"{word} has a decimal {other}, unlike the rest: mend it, or give --decimal"
        case "large":
            reason = f"{word} is a number out of range"
        case _:
            reason = f"is a text of {len(shown or '')} characters: a tag's text has 1000 at most"
    if fault in _OF_TIME:
        column = columns.time_name()
    else:
        column = columns.names[{"machine": columns.machine, "tag": columns.tag}.get(fault) or place]
    return HistoryFault(source.path, reason, line=line, column=column)


def _unreadable_time(source: Source, text: str) -> str:
    has_offset = text.rstrip().endswith(("Z", "z")) or text.rstrip()[-6:-5] in ("+", "-")
    if source.time.is_local and has_offset:
        return f"{quoted(text)} has an offset, unlike the rows before it: a file keeps one clock, mend it"
    if "%z" in source.time.pattern and ":" in text and not has_offset:
        return f"{quoted(text)} has no offset, unlike the rows before it: a file keeps one clock, mend it"
    return f"{quoted(text)} is not a time like the others ({source.time.pattern}): mend it, or give --time-format"


def _clock_words(fault: str, zone: str) -> str:
    if fault == "twice":
        return (
            f"comes twice in {zone}, when the clock is set back: give --ambiguous earlier, later or reject; "
            'or --time-zone, say "+02:00", if the file keeps another clock'
        )
    return (
        f"does not exist in {zone}, when the clock is set forward: the file keeps another clock, "
        'so give --time-zone, say "+02:00"; or --ambiguous reject'
    )


def rejected_text(fault: str, zone: str) -> str:
    """Why a row was rejected, as a person chose."""
    what = "comes twice" if fault == "twice" else "does not exist"
    return f"local time {what} in {zone}, when the clock is changed (--ambiguous reject)"


def wrong_width(source: Source, line: int, found: int) -> HistoryFault:
    """A row with too few or too many columns."""
    names = len(source.columns.names)
    reason = f"has {found} columns, where there are {names} names: mend it, or give --delimiter or --decimal"
    return HistoryFault(source.path, reason, line=line)


def broken_row(source: Source, line: int, kind: str, message: str) -> HistoryFault:
    """Any other fault of a whole row, as the reader of the table tells it."""
    match kind:
        case "UNQUOTED VALUE":
            reason = "has a quote that does not end: mend it"
        case "INVALID ENCODING":
            reason = "is not in the encoding of the file: give --encoding latin-1 or utf-16"
        case _:
            reason = f"cannot be read ({message})"
    return HistoryFault(source.path, reason, line=line)
