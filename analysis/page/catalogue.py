"""Every word of the page, by language: a file ``words/<code>.toml`` is a language."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

FALLBACK = "en"

Word = str | Mapping[str, str]


class NoSuchLanguage(Exception):
    """There is no file of words for this language; the message says which there are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """The words of one language.

    code
        Language tag for browsers and screen readers, such as ``en``.
    name
        What the language calls itself.
    decimal, thousands
        Signs in numbers.
    """

    code: str
    name: str
    decimal: str
    thousands: str
    date_form: str
    words: Mapping[str, Word]

    def __call__(self, key: str, /, **values: object) -> str:
        """The words of a key, with values in their places; ``n`` chooses between one and many.

        Raises
        ------
        KeyError
            For a key that is not in the catalogue.
        """
        word = self.words[key]
        if not isinstance(word, str):
            word = word["one" if values.get("n") == 1 else "many"]
        return word.format(**values) if values else word

    def below(self, key: str) -> list[str]:
        """The keys below a key, in the order of the file."""
        return [one for one in self.words if one.startswith(f"{key}.")]

    def number(self, value: float | None, digits: int = 0) -> str:
        """A number as this language writes it; a dash for none."""
        if value is None:
            return "–"
        plain = f"{value:,.{digits}f}".replace("-", "−")
        return plain.translate({ord(","): self.thousands, ord("."): self.decimal})

    def signed(self, value: float, digits: int = 0) -> str:
        """A difference, with its sign also where it is a gain."""
        return f"{'+' if round(value, digits) > 0 else ''}{self.number(value, digits)}"

    def minutes(self, ms: int, digits: int = 0) -> str:
        """Milliseconds as minutes, without the unit."""
        return self.number(ms / 60_000, digits)

    def day(self, day: date) -> str:
        """A day as people write it, with its name: ``Tue 3 March 2026``."""
        return self.date_form.format(
            weekday=self(f"weekday.{day.isoweekday()}"), day=day.day, month=self(f"month.{day.month}"), year=day.year
        )


def languages() -> tuple[str, ...]:
    """Codes of all languages there are, English first."""
    found = {file.name.removesuffix(".toml") for file in _folder().iterdir() if file.name.endswith(".toml")}
    return (FALLBACK, *sorted(found - {FALLBACK}))


@cache
def words_of(code: str) -> Words:
    """The words of a language.

    Raises
    ------
    NoSuchLanguage
        With the languages there are.
    """
    if code not in languages():
        raise NoSuchLanguage(f"the page has no language {code!r}; it has {', '.join(languages())}")
    table = tomllib.loads((_folder() / f"{code}.toml").read_text(encoding="utf-8"))
    about: dict[str, Any] = table.pop("language")
    return Words(code=code, words=dict(_flat(table)), **about)


def _flat(table: Mapping[str, Any], above: str = "") -> list[tuple[str, Word]]:
    """Tables within tables as dotted keys; a table of ``one`` and ``many`` is a word."""
    found: list[tuple[str, Word]] = []
    for key, value in table.items():
        name = f"{above}{key}"
        if isinstance(value, Mapping) and set(value) != {"one", "many"}:
            found += _flat(value, f"{name}.")
        else:
            found.append((name, value))
    return found


def _folder() -> Any:
    return files("analysis.page") / "words"
