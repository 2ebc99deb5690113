"""Every generated page of the documentation is what its generator makes now."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from analysis.read import open_store
from collector.settings import Mill, MillFaults, parse_mill
from tests.pages import PAGES, ROOT


@pytest.mark.parametrize("name", PAGES)
def test_a_generated_page_is_what_its_generator_makes(name: str, small_mill: Path) -> None:
    with open_store(small_mill) as store:
        assert (ROOT / name).read_text(encoding="utf-8") == PAGES[name](store), "run: python -m tests.pages"


def example_mill() -> str:
    """The lines of the reference of mill.toml under their headings, as they stand there."""
    said = re.findall(
        r"^## `(\[+[\w.]+\]+)`|^\| `(.+?)` \|", (ROOT / "collector" / "SETTINGS.md").read_text(), re.MULTILINE
    )
    return "\n".join(header or line for header, line in said)


def test_the_lines_of_the_reference_are_a_valid_mill_but_where_one_of_two_must_be_chosen() -> None:
    assert set(tomllib.loads(example_mill())) == {one.alias or name for name, one in Mill.model_fields.items()}

    with pytest.raises(MillFaults) as raised:
        parse_mill(example_mill(), file=ROOT / "mill.toml")

    assert {fault.key for fault in raised.value.faults} == {
        "source[1].machine", "source[2].machine", "source[2].tag", "broker.password_file", "page.token_file",
        "page.broker_password_file", "shifts.override[1]",
    }  # fmt: skip
