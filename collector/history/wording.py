"""What is said of a row or value that cannot be taken: where it stands, why, and what to do. Pure."""

from __future__ import annotations

from collector.decode.unusable import shown as quoted
from collector.history.clock import has_offset
from collector.history.fault import HistoryFault
from collector.history.known import KnownTag
from collector.history.signs import THOUSANDS, grouped, misfit
from collector.history.source import Source
from collector.settings import Mill

_OF_TIME = ("time", "twice", "never", "impossible")


def fault_text(
    source: Source,
    line: int | None,
    place: int,
    fault: str,
    shown: str | None,
    known: KnownTag | None,
    tag: str | None,
    *,
    zone: str,
    mill: Mill,
    decimal: str | None,
) -> HistoryFault:
    """A fault that was found in a row. ``place``: the column that holds the value; ``decimal``: as a person gave it."""
    columns, word = source.columns, quoted("" if shown is None else shown)
    match fault:
        case "time":
            reason = _unreadable_time(source, shown or "")
        case "twice" | "never":
            reason = f"{word} {clock_words(fault, zone)}"
        case "impossible":
            reason = f"{word} is before 1990 or in the future: mend it, or give --time-format"
        case "machine":
            reason = f"unknown machine {word}: mill.toml names {', '.join(machine.id for machine in mill.machines)}"
        case "tag":
            reason = f"{word} cannot be the name of a tag: 1 to 200 characters, none of them a control character"
        case "number":
            reason = _no_number(source, shown or "", known, tag, decimal)
        case "decimal":
            reason = _other_signs(source, shown or "", decimal) or f"{word} is no number like the others: mend it"
        case "large":
            reason = f"{word} is a number out of range"
        case _:
            reason = f"is a text of {len(shown or '')} characters: a tag's text has 1000 at most"
    if fault in _OF_TIME:
        column = columns.time_name()
    else:
        column = columns.names[{"machine": columns.machine, "tag": columns.tag}.get(fault) or place]
    return HistoryFault(source.path, reason, line=line, column=column)


def _no_number(source: Source, text: str, known: KnownTag | None, tag: str | None, decimal: str | None) -> str:
    if known is not None and known.is_truth:
        return f"{quoted(text)} is neither true nor false: say which {tag} means by it, with --true or --false"
    return _other_signs(source, text, decimal) or (
        f"{quoted(text)} is no number, and mill.toml says that {tag} is one: if it stands for a bad value, give "
        f"--bad {quoted(text)}; a unit belongs into mill.toml"
    )


def _other_signs(source: Source, text: str, decimal: str | None) -> str | None:
    """Why a text is no number that would be one with other signs between its digits."""
    if reason := misfit(text, source.signs, decimal):
        return reason
    for word in THOUSANDS:
        signs = [sign for sign in ",." if sign not in THOUSANDS[word]]
        if any(grouped(word, sign).fullmatch(text.strip()) for sign in signs):
            return f"{quoted(text)} has its thousands set apart, unlike the rest: mend it, or give --thousands {word}"
    return None


def wrong_unit(source: Source, line: int | None, place: int, unit: str, wanted: str) -> HistoryFault:
    """A column whose unit is another than that of mill.toml."""
    reason = (
        f'is in "{unit}", and mill.toml says {wanted}: mend the file, or give the tag its factor and offset in '
        "mill.toml; or --any-unit, if it is the same unit"
    )
    return HistoryFault(source.path, reason, line=line, column=source.columns.names[place])


def absurd_values(
    source: Source, line: int | None, place: int, tag: str, first: float, absurd: int, count: int, known: KnownTag
) -> HistoryFault:
    """A tag nearly all of whose values are far out of its range."""
    unit = f" {known.unit}" if known.unit else ""
    reason = (
        f"{first:.10g} and {absurd:,} of {count:,} values of {tag} are far out of {known.low:.10g} to "
        f"{known.high:.10g}{unit} (mill.toml): is it another unit, or the wrong column? Mend the file, or give the tag "
        "its factor, or another low and high, in mill.toml; or --any-unit"
    )
    return HistoryFault(source.path, reason, line=line, column=source.columns.names[place])


def _unreadable_time(source: Source, text: str) -> str:
    if source.time.is_local and has_offset(text):
        return f"{quoted(text)} has an offset, unlike the rows before it: a file keeps one clock, mend it"
    if "%z" in source.time.pattern and ":" in text and not has_offset(text):
        return f"{quoted(text)} has no offset, unlike the rows before it: a file keeps one clock, mend it"
    return f"{quoted(text)} is not a time like the others ({source.time.pattern}): mend it, or give --time-format"


def clock_words(fault: str, zone: str) -> str:
    """Why a local time is not taken, and what to give."""
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
