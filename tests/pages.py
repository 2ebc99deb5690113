"""The pages of the documentation that are generated: what they must say, and a command that writes them.

    python -m tests.pages

A test holds each against what is in the repository.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

from analysis.cookbook import Asker, Question, questions
from analysis.dictionary.catalogue import dictionary
from analysis.dictionary.picture import entity_picture
from analysis.dictionary.tell import markdown
from analysis.query import answered, cell
from analysis.read import Store, open_store
from tests import states
from tests.cookbook_mill import cookbook_mill
from tests.messages_page import messages_page
from tests.settings_page import settings_page

ROOT = Path(__file__).parent.parent
_SHOWN = 12
_HEAD = """\
# Cookbook

<!-- Written by `python -m tests.pages`; a test holds it against the files of sql/cookbook and their answers. -->

{number} questions that people at a paper machine ask, each as plain SQL in `analysis/sql/cookbook/`. Ask one with

```sh
breakhorn query --ask causes
breakhorn query --ask what_moved_before --param downtime=pm2-20260303T000000Z
breakhorn query --ask breaks_by_hour --format csv --out hours.csv
```

`breakhorn query --questions` lists them with their parameters; `--show` prints the SQL with its values put in, to be
pasted into any DuckDB client that has `store/published.duckdb` open, and changed there. They are made to stay fast with
a year of samples: joins with samples meet by clock hour first, and only then by range.

The answers below are of a store of 84 hours that is written by hand in `tests/cookbook_mill.py`, so few that every
answer can be worked with a pencil; `tests/test_cookbook.py` does, and asks the same questions of a recorded night too.
"""
_ASKERS = {
    Asker.CREW: "The crew",
    Asker.ENGINEER: "The reliability engineer",
    Asker.ANALYST: "The data analyst",
}


def cookbook_page(store: Store) -> str:
    """The page of all questions, with their answers."""
    parts = [_HEAD.format(number=len(questions()))]
    for asker, title in _ASKERS.items():
        parts.append(f"## {title}\n")
        parts += [_question(store, found) for found in questions() if found.asker is asker]
    return "\n".join(parts)


def _question(store: Store, found: Question) -> str:
    lines = [f"### {found.name}", "", f"{found.sentence} {found.more}".strip(), ""]
    for setting in found.settings:
        unit = f" [{setting.unit}]" if setting.unit else ""
        lines.append(
            f"- `{setting.name}` = {f'`{setting.value}`' if setting.value else 'empty'}{unit}: {setting.meaning}"
        )
    lines += [""] * bool(found.settings)
    with answered(store.connection, found.sql, found.values({}), seconds=60) as answer:
        rows = [[cell(value) for value in row] for batch in answer.batches for row in batch]
    lines += [_row(answer.columns), _row(["---"] * len(answer.columns)), *map(_row, rows[:_SHOWN])]
    lines += [f"\n… and {len(rows) - _SHOWN} more rows."] * (len(rows) > _SHOWN)
    return "\n".join(lines) + "\n"


def dictionary_page(store: Store) -> str:
    """The data dictionary, its examples answered."""

    def answer(example: str) -> str:
        with answered(store.connection, example, {}, seconds=60) as found:
            rows = [[cell(value) for value in row] for batch in found.batches for row in batch]
            return "\n".join([_row(found.columns), _row(["---"] * len(found.columns)), *map(_row, rows)])

    return markdown(dictionary(store), picture="dictionary.svg", answer=answer)


def entity_svg(store: Store) -> str:
    """The entity picture."""
    return entity_picture(dictionary(store))


def _row(cells: list[str] | tuple[str, ...]) -> str:
    return f"| {' | '.join(cells)} |"


PAGES: dict[str, Callable[[Store], str]] = {
    "analysis/COOKBOOK.md": cookbook_page,
    "analysis/DICTIONARY.md": dictionary_page,
    "analysis/dictionary.svg": entity_svg,
    "collector/SETTINGS.md": lambda _: settings_page(),
    "collector/MESSAGES.md": lambda _: messages_page(),
}
"""File and what makes its text; some need the store that is written by hand."""


def main() -> None:
    """Write every page."""
    states.write()
    with tempfile.TemporaryDirectory() as folder, open_store(cookbook_mill(Path(folder))) as store:
        for name, make in PAGES.items():
            (ROOT / name).write_text(make(store), encoding="utf-8")
            print(f"wrote {name}")


if __name__ == "__main__":
    main()
