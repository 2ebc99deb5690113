"""The list of published worked examples is whole, and says of each which test holds it or why none does."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from tests.published_checks import examples

TESTS = Path(__file__).parent
NUMBER = re.compile(r"T(\d+)-(\d\d)(?: to T\d+-(\d\d))?")
NONE = "–"


def listed() -> dict[str, tuple[list[str], str]]:
    """Every number of CHECKS.md with the tests named for it and what it says is not tested."""
    lines = (TESTS / "published" / "CHECKS.md").read_text(encoding="utf-8").splitlines()
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("| T")]
    return {number: (re.findall(r"`([^`]+)`", tests), why) for number, _, _, tests, why in rows}


@cache
def written_in(module: str) -> dict[str, str]:
    """The tests of a module by name: decorators and body as they are written."""
    text = (TESTS / f"{module}.py").read_text(encoding="utf-8")
    lines = text.splitlines()
    return {
        node.name: "\n".join(lines[min([node.lineno, *(d.lineno for d in node.decorator_list)]) - 1 : node.end_lineno])
        for node in ast.parse(text).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    }


def numbers_in(text: str) -> set[str]:
    """``T1-01``, or every number of ``T1-01 to T1-03``."""
    return {
        f"T{group}-{n:02}"
        for group, first, last in NUMBER.findall(text)
        for n in range(int(first), int(last or first) + 1)
    }


def test_no_number_is_missing_from_the_list() -> None:
    numbers = [(int(group), int(n)) for group, n, _ in (NUMBER.fullmatch(one).groups() for one in listed())]  # type: ignore[union-attr]

    assert numbers == sorted(numbers)
    for group in range(1, 14):
        ours = [n for g, n in numbers if g == group]
        assert ours == list(range(1, len(ours) + 1)), f"T{group}"
    assert {group for group, _ in numbers} == set(range(1, 14))


@pytest.mark.parametrize("number", listed())
def test_every_example_has_tests_that_name_it_or_a_reason_why_not(number: str) -> None:
    tests, why = listed()[number]

    assert tests or why != NONE
    for test in tests:
        module, _, name = test.partition("::")
        assert number in numbers_in(written_in(module)[name]), test


def test_every_example_whose_values_are_kept_is_listed_with_a_test() -> None:
    assert [number for number in examples() if not listed()[number][0]] == []


@pytest.mark.parametrize("number", examples())
def test_every_value_that_is_kept_is_read_by_a_module_that_tests_its_example(number: str) -> None:
    modules = {test.partition("::")[0] for test in listed()[number][0]}
    names = [
        name for module in modules for name in re.findall(r'"([^"\n]+)"', (TESTS / f"{module}.py").read_text("utf-8"))
    ]
    patterns = [re.sub(r"\\{.*?\\}", ".+", re.escape(name)) for name in names]

    for value in examples()[number].expected:
        assert value == "columns" or any(re.fullmatch(pattern, value) for pattern in patterns), value


def test_no_test_names_an_example_that_the_list_does_not_know_it_for() -> None:
    known = {(test, number) for number, (tests, _) in listed().items() for test in tests}

    found = {
        (f"{path.stem}::{name}", number)
        for path in TESTS.glob("test_*.py")
        for name, body in written_in(path.stem).items()
        for number in numbers_in(body)
    }

    assert found == known
