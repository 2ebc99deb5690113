"""The ready questions: each a .sql file whose first comment is the question in words."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parent / "sql"


class NoSuchQuestion(Exception):
    """There is no ready question of that name; the message says how to list them."""


def questions() -> dict[str, str]:
    """Name of each question, and what it asks."""
    found = {}
    for path in sorted(FOLDER.glob("*.sql")):
        first = path.read_text(encoding="utf-8").splitlines()[0]
        found[path.stem] = first.removeprefix("-- ")
    return found


def question_sql(name: str) -> str:
    """The SQL of a question, in any spelling of its gaps; NoSuchQuestion if there is none of that name."""
    known = name.strip().lower().replace(" ", "_").replace("-", "_")
    if known not in questions():
        raise NoSuchQuestion(f"there is no question {name!r}; 'breakhorn fleet --questions' lists them")
    return (FOLDER / f"{known}.sql").read_text(encoding="utf-8")
