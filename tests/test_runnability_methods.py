"""The methods page names every interval that is reported, and every module of the figures."""

from __future__ import annotations

from pathlib import Path

from tests.coverage_of import INTERVALS

PACKAGE = Path(__file__).parent.parent / "analysis"
PAGE = (PACKAGE / "METHODS.md").read_text(encoding="utf-8")


def test_the_page_has_a_row_of_actual_coverage_for_every_interval() -> None:
    rows = {line.split("|")[1].strip(): line for line in PAGE.splitlines() if line.startswith("| ")}

    for name in INTERVALS:
        cells = [cell.strip() for cell in rows[name].split("|")[2:-1]]
        assert len(cells) == 8
        assert all(cell == "–" or 0 < float(cell) <= 100 for cell in cells)


def test_the_page_says_of_every_figure_where_it_comes_from() -> None:
    figures = [p.stem for folder in ("runnability", "evidence") for p in (PACKAGE / folder).glob("*.py")]
    shown = {"__init__", "cli", "pictures", "observed", "series", "compare", "trend"}
    shown |= {"answer", "brief", "cells", "course", "find", "reading", "settings", "summing", "tell", "tell_where"}

    for figure in set(figures) - shown:
        assert f"`{figure}`" in PAGE or f"`{figure}." in PAGE, figure
