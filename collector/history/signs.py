"""What stands between the digits of a file's numbers: the decimal sign, and what sets thousands apart. Pure.

A sign between digits is told by cells that leave no choice. Where all leave one, a person is asked: a comma taken for
the wrong one of the two makes every value a thousandfold.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

SPACES = " \u00a0\u202f"
"""What stands between thousands where a space does: also those that do not break a line."""

THOUSANDS = {"space": SPACES, "comma": ",", "point": ".", "apostrophe": "'\u2019"}

_GROUPED = r"[+-]?[0-9]{{1,3}}(?:[{sign}][0-9]{{3}})+"
_COMMA_TWICE = re.compile(r"[+-]?[0-9]{1,3}(?:,[0-9]{3}){2,}")
_POINT_TWICE = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3}){2,}")
_ONE_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_ONE_POINT = re.compile(r"[+-]?[0-9]*\.[0-9]+")
_NUMBER_POINT = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NUMBER_COMMA = re.compile(r"[+-]?(?:[0-9]+,?[0-9]*|,[0-9]+)(?:[eE][+-]?[0-9]+)?")
_EITHER = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")


class SignsUnclear(ValueError):
    """The signs may mean one thing or another: the text says what to give; ``cell`` is the first such number."""

    def __init__(self, cell: str, reason: str) -> None:
        """Say it of one cell."""
        super().__init__(reason)
        self.cell = cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Signs:
    """Of the numbers of one file.

    thousands
        One of the words of ``THOUSANDS``; None where nothing sets them apart.
    """

    decimal: str = "."
    thousands: str | None = None

    def in_words(self) -> str:
        """For a person."""
        sign = "comma" if self.decimal == "," else "point"
        return f"decimal {sign}" + (f", thousands by {self.thousands}" if self.thousands else "")


def grouped(word: str, decimal: str) -> re.Pattern[str]:
    """Numbers with thousands set apart so."""
    return re.compile(_GROUPED.format(sign=re.escape(THOUSANDS[word])) + f"(?:{re.escape(decimal)}[0-9]*)?")


def signs_of(cells: Iterable[str], *, decimal: str | None = None, thousands: str | None = None) -> Signs:
    """The signs of a file's numbers, by some of its cells; what a person said holds.

    Raises
    ------
    SignsUnclear
        If the numbers can be read in two ways, or a person said the same sign for both.
    """
    if decimal is not None or thousands is not None:
        return _said(decimal, thousands)
    numbers = [cell.strip() for cell in cells if cell.strip()[-1:].isdigit()]
    for sign, other, twice in ((",", "point", _POINT_TWICE), (".", "comma", _COMMA_TWICE)):
        shape = grouped(other, sign)
        if any((shape.fullmatch(cell) and sign in cell) or twice.fullmatch(cell) for cell in numbers):
            return Signs(decimal=sign, thousands=other)
    for word in ("space", "apostrophe"):
        for sign in ",.":
            if any(sign in cell and grouped(word, sign).fullmatch(cell) for cell in numbers):
                return Signs(decimal=sign, thousands=word)
    commas = [cell for cell in numbers if _ONE_COMMA.fullmatch(cell)]
    if not commas or any(_ONE_POINT.fullmatch(cell) for cell in numbers):
        return Signs()
    if all(_EITHER.fullmatch(cell) for cell in commas):
        reason = f'"{commas[0]}" can be read in two ways: give --decimal comma, or --thousands comma'
        raise SignsUnclear(commas[0], reason)
    return Signs(decimal=",")


def misfit(cell: str, signs: Signs, given: str | None) -> str | None:
    """Why a cell is no number that would be one with the other decimal sign; None for every other cell.

    given
        What a person gave as the decimal sign, if anything: then it is not the file that is wrong.
    """
    text, other = cell.strip(), "point" if signs.decimal == "," else "comma"
    if not (_ONE_POINT if other == "point" else _ONE_COMMA).fullmatch(text):
        return None
    if given is None:
        return f'"{text}" has a decimal {other}, unlike the rest: mend it, or give --decimal or --thousands'
    return f'"{text}" has a decimal {other}, and --decimal {given} was given: mend it, or give another sign, or none'


def number_of(cell: str, signs: Signs) -> float:
    """The number that a cell holds.

    Raises
    ------
    SignsUnclear
        If it holds none.
    """
    text = cell.strip()
    if signs.thousands is not None and grouped(signs.thousands, signs.decimal).fullmatch(text):
        text = text.translate(dict.fromkeys(map(ord, THOUSANDS[signs.thousands])))
    if not (_NUMBER_COMMA if signs.decimal == "," else _NUMBER_POINT).fullmatch(text):
        raise SignsUnclear(cell, f'"{text}" is no number: mend it, or give --decimal, --thousands or --bad')
    return float(text.replace(",", "."))


def _said(decimal: str | None, thousands: str | None) -> Signs:
    if decimal is None:
        decimal = "," if thousands == "point" else "."
    if thousands is not None and decimal in THOUSANDS[thousands]:
        raise SignsUnclear("", f"--decimal and --thousands cannot both be {thousands}: give another for one of them")
    return Signs(decimal=decimal, thousands=thousands)
