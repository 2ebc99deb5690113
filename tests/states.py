"""The transitions of the sheet as a picture and as a table, for the contributors' page."""

from __future__ import annotations

import re
from pathlib import Path

from collector.sheet import TRANSITIONS, Phase

PAGE = Path(__file__).parent.parent / "DEVELOPERS.md"


def picture() -> str:
    """A state diagram in Mermaid's language, which forges draw."""
    arrows = [f"    {before} --> {after} : {event}" for (before, event), after in TRANSITIONS.items()]
    return "\n".join(["```mermaid", "stateDiagram-v2", f"    [*] --> {Phase.UNSEEN}", *arrows, "```", ""])


def table() -> str:
    """A row for each transition."""
    rows = [f"| {before} | {event} | {after} |" for (before, event), after in TRANSITIONS.items()]
    return "\n".join(["| from | event | to |", "| --- | --- | --- |", *rows, ""])


def with_states(page: str) -> str:
    """The page, with what stands between its marks made anew."""
    for name, made in (("states", picture()), ("transitions", table())):
        found = re.search(rf"<!-- {name}: begin[^\n]*-->\n(.*?)<!-- {name}: end -->", page, re.DOTALL)
        if found is None:
            raise ValueError(f"the page has no place for {name}")
        page = page[: found.start(1)] + made + page[found.end(1) :]
    return page


def write() -> None:
    """Make them anew in the page."""
    PAGE.write_text(with_states(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    print(f"wrote {PAGE.name}")
