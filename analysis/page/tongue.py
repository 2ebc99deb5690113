"""What commands answer in English, said in the language of the page as far as its templates go. Pure."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from analysis.page.catalogue import FALLBACK, Words, words_of
from analysis.result import Table, sentence_case

_NUMBER = r"[+−-]?\d[\d,]*(?:\.\d+)?"
_NUMBERS = re.compile(r"(?<![\w.,:/-])\d+(?:,\d{3})*(?:\.\d+)?(?![\w:/-]|[.,]\d)")
_QUANTITY = re.compile(rf"{_NUMBER} \S{{1,5}}")
_SENTENCES = re.compile(r"(?<=[.!?])\s+(?=[A-Z0-9'])")

_WORDED = frozenset({
    "kind", "class", "loss", "figure", "meaning", "how it is made", "source", "weekday", "turn-up", "attempts",
    "secondary", "lost", "for it", "against it", "alike in", "unlike in", "by its", "middle four fifths", "as far out",
    "out since", "sure", "holds", "what it says",
})  # fmt: skip
"""Columns whose words are ours. All others but those of numbers hold what mills and people call things, or wrote."""
_NAMED_ROWS = frozenset({"grade, shade", "crew, shift", "t0 sheet lost"})
"""Rows of tables without headings that do so as well."""
_NAMES = frozenset({"who", "other", "machine", "cause", "section", "tag", "grade", "id"})
_LISTS = frozenset({"those", "causes", "a", "b", "c"})
_LABEL = re.compile(
    r"(?:not )?at a turn-up|\d+ attempts?|(?:Mon|Tues|Wednes|Thurs|Fri|Satur|Sun)day|[\w-]+ not known|not coded|"
    r"\d+ of them|the unrest of .+",
    re.IGNORECASE,
)
"""What stands for a name in a sentence and is plainly ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A part of an answer; ``english`` if it had to stay so."""

    text: str
    english: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Tongue:
    """Says English in another language.

    exact
        Whole texts, their first letter small.
    patterns
        Texts with places: in ``{n}`` and names that begin so only numbers, in ``_NAMES`` and ``_LISTS`` what mills and
        people call things, which is left as it is; in others anything, which is said in turn.
    """

    words: Words
    exact: Mapping[str, str]
    patterns: Sequence[tuple[re.Pattern[str], str]]

    def pieces(self, text: str) -> list[Piece]:
        """A text in this language, what has no template marked as English; in English it stays as it is."""
        if self.words.code == FALLBACK:
            return [Piece(text=text, english=False)]
        if not (whole := self._piece(text)).english:
            return [whole]
        first, *more = _SENTENCES.split(text)
        return [self._piece(first), *(self._piece(sentence_case(part)) for part in more)]

    def heading(self, text: str) -> str:
        """A title or a heading of a column; what has no template stays as it is."""
        said = None if self.words.code == FALLBACK else self._said(text)
        return text if said is None else said

    def row(self, table: Table, row: Sequence[str]) -> list[str]:
        """The cells of a row: numbers and words of ours are said, names and what people wrote are left alone."""
        return [self.heading(cell) if self._is_ours(table, row, at) else cell for at, cell in enumerate(row)]

    def _is_ours(self, table: Table, row: Sequence[str], at: int) -> bool:
        heading, cell = table.columns[at], row[at]
        if not heading:
            return at == 0 or row[0] not in _NAMED_ROWS
        missing = cell in ("not coded", f"{heading} not known")
        return at in table.numbers or heading in _WORDED or missing

    def _piece(self, sentence: str) -> Piece:
        said = self._said(sentence)
        if said is None:
            return Piece(text=sentence, english=True)
        return Piece(text=sentence_case(said) if sentence[:1].isupper() else said, english=False)

    def _said(self, text: str) -> str | None:
        """The text in this language; None without a template."""
        if (found := self.exact.get(_key(text))) is not None:
            return found
        if "; " in text and not text.endswith("."):
            parts = [self._said(part) for part in text.split("; ")]
            if None not in parts:
                return "; ".join(part for part in parts if part is not None)
        for pattern, said in self.patterns:
            if match := pattern.fullmatch(text):
                return said.format(**{name: self._part(name, part) for name, part in match.groupdict().items()})
        plain = _QUANTITY.fullmatch(text) or not any(character.isalpha() for character in text)
        return self._numbers(text) if plain else None

    def _part(self, place: str, text: str) -> str:
        if place in _LISTS:
            head, _, last = text.rpartition(" and ")
            listed = ", ".join(self._name(name) for name in head.split(", "))
            return f"{listed} {self.words('unit.and')} {self._name(last)}" if head else self._name(last)
        return self._name(text) if place in _NAMES else self.heading(text)

    def _name(self, text: str) -> str:
        return self.heading(text) if _LABEL.fullmatch(text) else text

    def _numbers(self, text: str) -> str:
        signs = {ord(","): self.words.thousands, ord("."): self.words.decimal}
        return _NUMBERS.sub(lambda found: found[0].translate(signs), text)


@cache
def tongue_of(code: str) -> Tongue:
    """The tongue of a language of the page."""
    file = files("analysis.page") / "answered" / f"{code}.toml"
    table: dict[str, str] = {} if code == FALLBACK else tomllib.loads(file.read_text(encoding="utf-8"))
    return Tongue(
        words=words_of(code),
        exact={_key(english): said for english, said in table.items() if "{" not in english},
        patterns=[(_pattern(english), said) for english, said in table.items() if "{" in english],
    )


def _key(text: str) -> str:
    """The same for a text at the beginning of a sentence and within one."""
    return text[:1].lower() + text[1:]


def _pattern(template: str) -> re.Pattern[str]:
    parts = re.split(r"\{(\w+)\}", template)
    named = [
        re.escape(part) if at % 2 == 0 else f"(?P<{part}>{_NUMBER if part.startswith('n') else '.+?'})"
        for at, part in enumerate(parts)
    ]
    return re.compile("".join(named), re.IGNORECASE if parts[0] else 0)
