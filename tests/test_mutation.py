"""The tool that breaks modules on purpose does break them, one place at a time, and tells who noticed."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests import mutation

TOY = """
\"\"\"Of no use: 7 in words is no place.\"\"\"
LIMIT: int = 3

def least(values: list[int], bound: int = 5) -> int:
    if not values:
        raise ValueError("none")
    return min(v for v in values if v <= LIMIT and v > 0)
"""
TESTS = """
from toy import least

def test_the_limit_is_within():
    assert least([3, 9]) == 3
"""


def test_every_place_is_offered_once_and_words_and_types_are_not() -> None:
    said = [place.split(": ", 1)[1] for place in mutation.places(TOY).sites]

    assert sorted(said) == sorted(
        [
            "3 becomes 4",
            "3 becomes 2",
            "Not is removed",
            "raise ValueError('none') is removed",
            "if not values: is removed",
            "LtE becomes Lt",
            "Gt becomes GtE",
            "0 becomes 1",
            "And becomes Or",
            "v <= LIMIT is left out",
            "v > 0 is left out",
            "v <= LIMIT and v > 0 is left out",
            "min becomes max",
        ]
    )


@pytest.mark.parametrize("site", range(len(mutation.places(TOY).sites)))
def test_each_mutant_is_a_module_that_differs(site: int) -> None:
    broken = mutation.mutated(TOY, site)

    assert ast.unparse(broken) != ast.unparse(ast.parse(TOY))
    compile(broken, "toy.py", "exec")


def test_mutants_are_tried_in_a_copy_and_known_ones_not_again(tmp_path: Path) -> None:
    root, out = tmp_path / "toy", tmp_path / "mutants.jsonl"
    root.mkdir()
    (root / "toy.py").write_text(TOY)
    (root / "test_toy.py").write_text(TESTS)
    places, digest = mutation.places(TOY).sites, mutation.digest_of(TOY)
    tried = [n for n, place in enumerate(places) if "LtE" in place or "3 becomes" in place or "min" in place]
    known = [{"mutant": f"toy.py@{digest}:{n}", "change": places[n], "outcome": "killed"} for n in range(len(places))]
    out.write_text("".join(json.dumps(one) + "\n" for n, one in enumerate(known) if n not in tried))
    command = [sys.executable, "-m", "tests.mutation", "toy.py", "--root", str(root), "--tests", "test_toy.py"]

    first, again = (
        subprocess.run([*command, "--mutants", "99", "--out", str(out)], check=True, capture_output=True, text=True)
        for _ in range(2)
    )

    # Of 3 and 9 only 3 is within the limit: it is not as 3 < 3, nor with a limit of 2. A limit of 4, or the greatest
    # of those within, makes no difference to the only test.
    assert first.stdout == (
        "toy.py:3: 3 becomes 4\ntoy.py:8: min becomes max\ntoy.py: 13 mutants, {'survived': 2, 'killed': 11}\n"
    )
    assert again.stdout == first.stdout
    assert (root / "toy.py").read_text() == TOY
    assert len(out.read_text().splitlines()) == len(places)
