"""The questions of ``analysis/sql/cookbook/``: each a .sql file whose head says what it asks, for whom, with what."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from pathlib import Path

FOLDER = Path(__file__).parent / "sql" / "cookbook"
_SETTING = re.compile(r"\$(?P<name>[a-z_]+) = (?P<value>.*?)(?: \[(?P<unit>[^]]+)\])?: (?P<meaning>.+)")


class NoSuchQuestion(Exception):
    """The cookbook has no question of that name, or not that parameter; the message says which there are."""


class Asker(StrEnum):
    """Who comes with a question."""

    CREW = "crew"
    ENGINEER = "engineer"
    ANALYST = "analyst"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """A parameter of a question with what holds where none is given, as text."""

    name: str
    value: str
    unit: str
    meaning: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question.

    sentence
        What it asks, as people would.
    more
        What an answer needs to be read rightly; may be empty.
    sql
        The SELECT, with its parameters as ``$name``.
    """

    name: str
    asker: Asker
    sentence: str
    more: str
    settings: tuple[Setting, ...]
    sql: str

    def values(self, given: Mapping[str, str]) -> dict[str, str]:
        """The value of every parameter: as given, else as the file has it.

        Raises
        ------
        NoSuchQuestion
            For a parameter that this question has not.
        """
        known = {setting.name: setting.value for setting in self.settings}
        for name in given:
            if name not in known:
                raise NoSuchQuestion(f"{self.name!r} has no parameter {name!r}; it has {', '.join(known) or 'none'}")
        return known | dict(given)

    def with_values(self, given: Mapping[str, str]) -> str:
        """The SELECT with its values put in as SQL texts, to be taken elsewhere."""
        values = self.values(given)
        return re.sub(r"\$([a-z_]+)", lambda found: "'" + values[found[1]].replace("'", "''") + "'", self.sql)


def questions() -> tuple[Question, ...]:
    """Every question, those of one asker together, by name."""
    found = [_read(path) for path in FOLDER.glob("*.sql")]
    return tuple(sorted(found, key=lambda question: (list(Asker).index(question.asker), question.name)))


def question(name: str) -> Question:
    """The question of that name, in any spelling of its gaps; NoSuchQuestion says where the names stand."""
    path = FOLDER / f"{name.strip().lower().replace(' ', '_').replace('-', '_')}.sql"
    if path.parent != FOLDER or not path.exists():
        raise NoSuchQuestion(f"the cookbook has no question {name!r}; 'breakhorn query --questions' lists them")
    return _read(path)


@cache
def _read(path: Path) -> Question:
    """A file of the cookbook: its head as comments, then the SELECT."""
    lines = path.read_text(encoding="utf-8").splitlines()
    size = next(n for n, line in enumerate(lines) if not line.startswith("-- "))
    head = [line.removeprefix("-- ") for line in lines[:size]]
    place = next(n for n, line in enumerate(head) if line.startswith("for: "))
    settings = [found for line in head[place + 1 :] if (found := _SETTING.fullmatch(line))]
    more = [line for line in head[place + 1 :] if not _SETTING.fullmatch(line)]
    return Question(
        name=path.stem,
        asker=Asker(head[place].removeprefix("for: ")),
        sentence=" ".join(head[:place]),
        more=" ".join(more),
        settings=tuple(
            Setting(name=s["name"], value=s["value"], unit=s["unit"] or "", meaning=s["meaning"]) for s in settings
        ),
        sql="\n".join(lines[size:]).strip() + "\n",
    )
