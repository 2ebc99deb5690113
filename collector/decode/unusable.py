"""What to say of a message, or a part of one, that cannot be used."""

from __future__ import annotations

import re
from collections.abc import Sequence

_SHOWN = 60
_MOST_NAMED = 3
_EXPECTED = re.compile(
    r"Expected `(?P<wanted>[^`]+)`(?:, got `(?P<got>[^`]+)`| of length (?P<limit>[<>]=) (?P<length>\d+))?"
)
_PLACE = re.compile(r" - at `(?:key in )?\$(?P<path>[^`]*)`$")
_MISSING = re.compile(r"Object missing required field `(?P<field>[^`]+)`")
_LIMITS = {">=": "least", "<=": "most"}
_WORDS = {
    "int": "a number",
    "float": "a number",
    "str": "a text",
    "null": "null",
    "bool": "true or false",
    "object": "an object",
    "array": "a list",
}


class Unusable(ValueError):
    """The message, or this part of it, cannot be used. The text says why, and what the sender should do."""


def shown(value: object) -> str:
    """A value of a message in quotes, shortened, its control characters escaped: a reason stays one line."""
    text = str(value)
    if not text.isprintable():
        text = ascii(text)[1:-1]
    return f'"{text}"' if len(text) <= _SHOWN else f'"{text[:_SHOWN]}…"'


def several(reasons: Sequence[str]) -> str:
    """Some reasons in one line: the first three, and how many more there are."""
    more = len(reasons) - _MOST_NAMED
    return "; ".join(reasons[:_MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")


def kind_of(value: object) -> str:
    """What sort of JSON a decoded value was: ``a text``, ``a list`` …"""
    match value:
        case None:
            return "null"
        case bool():
            return "true or false"
        case int() | float():
            return "a number"
        case str():
            return "a text"
        case list():
            return "a list"
        case _:
            return "an object"


def plain_words(error: str) -> str:
    """msgspec's complaint about a type, in the words of our other reasons.

    ``Expected `str`, got `int` - at `$.by` `` is ``"by" must be a text, not a number``.
    """
    place = _PLACE.search(error)
    where = place["path"].strip(".") if place else ""
    subject = f'"{where}" ' if where else ""
    if missing := _MISSING.match(error):
        return f'{subject}has no "{missing["field"]}"'
    if not (expected := _EXPECTED.match(error)):
        return error
    if expected["length"]:
        return f"{subject}must have at {_LIMITS[expected['limit']]} {expected['length']} characters"
    wanted = list(dict.fromkeys(_WORDS.get(word, word) for word in expected["wanted"].split(" | ")))
    got = _WORDS.get(expected["got"], expected["got"]) if expected["got"] else "this"
    return f"{subject}must be {' or '.join(wanted)}, not {got}"
