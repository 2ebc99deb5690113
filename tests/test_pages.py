"""Every generated page of the documentation is what its generator makes now."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.read import open_store
from tests.pages import ANALYSIS, PAGES


@pytest.mark.parametrize("name", PAGES)
def test_a_generated_page_is_what_its_generator_makes(name: str, small_mill: Path) -> None:
    with open_store(small_mill) as store:
        assert (ANALYSIS / name).read_text(encoding="utf-8") == PAGES[name](store), "run: python -m tests.pages"
