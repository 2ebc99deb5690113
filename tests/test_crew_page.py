"""The crew's guide: its commands run as they stand, and what it calls the page's words are the page's words."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.page.catalogue import words_of
from breakhorn import cli
from tests.page import CAUSES

GUIDE = (Path(__file__).parent.parent / "analysis" / "CREW.md").read_text(encoding="utf-8")
LINES = [line for block in re.findall(r"```sh\n(.*?)```", GUIDE, re.DOTALL) for line in block.splitlines()]


def test_every_command_of_the_guide_runs_as_it_stands(
    small_mill: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("BREAKHORN_MILL", str(small_mill))

    done = [CliRunner().invoke(cli, shlex.split(line)[1:]) for line in LINES]

    assert GUIDE.count("```") == 2
    assert [found.output for found in done if found.exit_code] == []
    assert (tmp_path / "night.pdf").read_bytes().startswith(b"%PDF")


def test_what_stands_bold_in_the_guide_is_written_on_the_page() -> None:
    words = [
        text for word in words_of("en").words.values() for text in ([word] if isinstance(word, str) else word.values())
    ]
    written = {*words, *(name for _, _, name in CAUSES)}

    bold = re.findall(r"\*\*([^*]+)\*\*", GUIDE.partition("\n## ")[2])

    assert len(bold) > 20
    assert [word for word in bold if word not in written] == []


def test_the_guide_fits_on_two_pages() -> None:
    """A4 in ten points holds some 500 words of text and tables a page, beside a picture: common practice, no source."""
    assert len(GUIDE.split()) < 1000
