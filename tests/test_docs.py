"""What the documents say of the code is so."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from collector.sheet import TRANSITIONS
from collector.sheet.rules import Event, Phase
from tests.states import with_states

ROOT = Path(__file__).parent.parent
DOCUMENTS = [
    path
    for path in ROOT.rglob("*.md")
    if not {".venv", "node_modules", ".git", "dist"} & set(path.relative_to(ROOT).parts)
]


def test_picture_and_table_of_the_transitions_are_those_of_the_code() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text()

    assert with_states(page) == page, "run: python -m tests.pages"
    assert page.count(f"| {Phase.THREADING} | {Event.FELL} | {Phase.DOWN} |") == 1
    assert page.count(f"    {Phase.THREADING} --> {Phase.DOWN} : {Event.FELL}\n") == 1


def test_a_page_without_a_place_for_the_transitions_is_not_written() -> None:
    with pytest.raises(ValueError, match="no place for states"):
        with_states("nothing")


def test_every_phase_and_event_can_happen() -> None:
    assert {phase for pair, after in TRANSITIONS.items() for phase in (pair[0], after)} == set(Phase)
    assert {event for _, event in TRANSITIONS} == set(Event)


OF_THE_MILL = {
    "mill.toml", "lake.json", "writer.json", "backup.json", "published.duckdb", "collector.duckdb", "report.html",
    "month.html", "breakhorn-risk.service", "breakhorn-page.service",
}  # fmt: skip
"""Files that Breakhorn or whoever runs it makes."""
_FILE = re.compile(r"`([\w./-]+\.(?:conf|css|html|in|js|json|md|py|service|sh|sql|svg|timer|toml|txt|xz|duckdb))`")
IN_THE_TREE = [path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.*") if not {".git", ".venv"} & {*path.parts}]


def is_there(name: str, document: Path) -> bool:
    """Whether a name means a file: from the root, from the document, or by the end of its path where it says enough."""
    if (ROOT / name).exists() or (document.parent / name).exists():
        return True
    return name.rpartition("/")[2] in OF_THE_MILL or any(path.endswith(f"/{name}") for path in IN_THE_TREE)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_file_that_a_document_names_is_there(path: Path) -> None:
    text = path.read_text()
    names = set(re.findall(r"`((?:collector|analysis|replay_data|tests|requirements)/[\w./-]*)`", text))
    names |= set(_FILE.findall(text))

    assert [name for name in sorted(names) if not is_there(name, path)] == []


def anchors(path: Path) -> set[str]:
    """Where links can lead to in a document."""
    headings = re.findall(r"^#+ (.+)$", path.read_text(), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_link_of_a_document_leads_somewhere(path: Path) -> None:
    links = [link for link in re.findall(r"\]\(([^)\s]+)\)", path.read_text()) if "://" not in link]

    for link in links:
        name, _, anchor = link.partition("#")
        target = path.parent / name if name else path
        assert target.exists(), link
        assert not anchor or anchor in anchors(target), link


def test_every_package_has_its_place_in_the_table_of_the_structure() -> None:
    told = (ROOT / "DEVELOPERS.md").read_text().partition("\n### ")[0]
    packages = [path.parent for side in ("collector", "analysis") for path in (ROOT / side).glob("*/__init__.py")]

    rows = [line for line in told.splitlines() if line.startswith("| ")]
    missing = [
        package.name
        for package in packages
        if not any(f"{package.relative_to(ROOT)}/" in row or f"`{package.name}/`" in row for row in rows)
    ]

    assert packages
    assert missing == []


def test_no_line_of_the_changelog_stands_there_twice() -> None:
    lines = [line for line in (ROOT / "CHANGELOG.md").read_text().splitlines() if line]

    assert [line for line in set(lines) if lines.count(line) > 1] == []


def test_the_newest_version_of_the_changelog_is_the_projects() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    newest = re.search(r"^## ([\d.]+)", (ROOT / "CHANGELOG.md").read_text(), re.MULTILINE)

    assert newest is not None
    assert newest[1] == project["version"]


def test_each_locked_library_of_the_project_is_allowed_by_pyproject() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    locked = set(re.findall(r"^([a-z0-9-]+)==", (ROOT / "requirements" / "run.txt").read_text(), re.MULTILINE))

    wanted = {re.split(r"[><=~]", name)[0].lower() for name in project["dependencies"]}

    assert wanted <= locked


@pytest.mark.parametrize("name", ["run.txt", "test.txt", "audit.txt"])
def test_locked_libraries_carry_hashes_and_no_address(name: str) -> None:
    text = (ROOT / "requirements" / name).read_text()

    assert "://" not in text
    assert text.count("==") <= text.count("--hash=sha256:")
