"""What is wrong with a mill.toml, in words that say where and what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from pydantic_core import ErrorDetails

from collector.settings.locate import KeyPath
from collector.settings.model.mill import TABLES

_FORMATS = ("scan", "value", "sparkplug", "fields")


@dataclass(frozen=True, slots=True, kw_only=True)
class MillFault:
    """One fault of a mill.toml, or with ``check`` one thing worth a second look.

    line
        Line in the file, from 1; None where the file as a whole is meant.
    key
        Where in the file, such as ``machine[1].signals.speed``; tables and list elements are counted from 1.
    """

    file: str
    line: int | None
    key: str
    message: str

    def __str__(self) -> str:
        """``mill.toml:12: machine[1].trim_m: must be a number, not a text``."""
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{place}: {self.key}: {self.message}" if self.key else f"{place}: {self.message}"


class MillFaults(ValueError):
    """mill.toml cannot be used. Each line names one fault; ``breakhorn check`` shows them again."""

    def __init__(self, faults: Iterable[MillFault]) -> None:
        """Keeps the faults in the order of their lines."""
        self.faults = in_order(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


def in_order(faults: Iterable[MillFault]) -> tuple[MillFault, ...]:
    """The same faults in the order of their lines."""
    return tuple(sorted(faults, key=lambda fault: (fault.line or 0, fault.key)))


def key_of(path: KeyPath) -> str:
    """A path in the words of a fault: ``("machine", 0, "trim_m")`` is ``machine[1].trim_m``."""
    words = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in path)
    return words.removeprefix(".")


def did_you_mean(word: str, known: Iterable[str], *, likeness: float = 0.6) -> str:
    """``: did you mean "speed"?`` or nothing, if no known word is as like as that (1: the same)."""
    near = get_close_matches(word, list(known), n=1, cutoff=likeness)
    return f': did you mean "{near[0]}"?' if near else ""


def path_of(error: ErrorDetails) -> KeyPath:
    """Where in the file pydantic found the error: it adds the format of a source to the path, the file has none."""
    path = error["loc"]
    if len(path) > 2 and path[0] == "source" and path[2] in _FORMATS:
        return (*path[:2], *path[3:])
    return path


def model_findings(errors: Iterable[ErrorDetails]) -> list[tuple[KeyPath, str]]:
    """Pydantic's errors as path and message; without "too short" for a list that merely has faulty elements."""
    errors = list(errors)
    paths = [path_of(error) for error in errors]
    deeper = {path[:length] for path in paths for length in range(1, len(path))}
    return [
        (path, message_of(error))
        for path, error in zip(paths, errors, strict=True)
        if not (error["type"] == "too_short" and path in deeper)
    ]


def message_of(error: ErrorDetails) -> str:
    """One of pydantic's errors in our words."""
    kind, context = error["type"], error.get("ctx", {})
    if kind == "extra_forbidden":
        return _unknown_key(error["loc"])
    if kind == "missing":
        return "is missing"
    if kind in _MUST_BE:
        return f"must be {_MUST_BE[kind]}, not {_kind_of(error['input'])}"
    if kind in _LIMITS:
        return _LIMITS[kind].format(**context)
    if kind == "value_error":
        return str(context["error"])
    if kind == "string_pattern_mismatch":
        return _bad_characters(error["loc"])
    return error["msg"]


_MUST_BE = {
    "float_type": "a number",
    "int_type": "a whole number",
    "string_type": "a text",
    "date_type": "a date such as 2026-01-05, without quotes",
    "time_type": 'a time of day such as "06:00"',
    "path_type": "a text that names a file or folder",
    "tuple_type": "a list",
    "model_type": "a table",
    "model_attributes_type": "a table",
}

_LIMITS = {
    "greater_than": "must be more than {gt:g}",
    "greater_than_equal": "must be {ge:g} or more",
    "less_than_equal": "must be {le:g} or less",
    "finite_number": "must be a finite number",
    "string_too_short": "must not be empty",
    "string_too_long": "must have at most {max_length} characters",
    "literal_error": "must be {expected}",
    "union_tag_invalid": "unknown format: use scan, value, fields or sparkplug",
    "union_tag_not_found": 'has no "format": use scan, value, fields or sparkplug',
    "too_short": "needs at least {min_length}, has {actual_length}",
    "too_long": "takes at most {max_length}, has {actual_length}",
}


def _kind_of(value: object) -> str:
    match value:
        case bool():
            return "true or false"
        case int() | float():
            return "a number"
        case str():
            return "a text"
        case list() | tuple():
            return "a list"
        case dict():
            return "a table"
        case _:
            return f"a {type(value).__name__}"


def _unknown_key(path: KeyPath) -> str:
    key = str(path[-1])
    if path[:1] == ("broker",) and key == "password":
        return "a password does not belong in this file: name a variable in password_env or a file in password_file"
    model = TABLES.get(tuple(part for part in path[:-1] if isinstance(part, str)))
    fields = model.model_fields.items() if model else ()
    return f"unknown key{did_you_mean(key, [field.alias or name for name, field in fields])}"


def _bad_characters(path: KeyPath) -> str:
    if path[-1] in ("id", "machine"):
        return "may hold letters a to z, digits, and . _ - after the first"
    return "holds a control character"
