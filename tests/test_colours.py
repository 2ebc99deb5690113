"""Colours can be told from what lies beside them: WCAG 2.2, 1.4.3 for text (4.5 : 1), 1.4.11 for graphics (3 : 1)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from analysis.dossier import pictures as dossier
from analysis.drawing.bars import _LINE
from analysis.drawing.chart import _CLASS_HATCHES, _SORT_HATCHES, BAR, FAINT, INK
from analysis.evidence import pictures as evidence
from analysis.risk.chart import HIT, MISS, TRACE
from analysis.runnability.pictures import SIGNAL
from tests.colours import contrast, luminance

ANALYSIS = Path(__file__).parent.parent / "analysis"
TEXT, GRAPHIC = 4.5, 3.0


def variables(name: str) -> list[dict[str, str]]:
    """The colours that each block of a style sheet gives names."""
    blocks = re.findall(r"\{([^{}]*)\}", (ANALYSIS / name).read_text(encoding="utf-8"))
    found = [dict(re.findall(r"--([\w-]+): (#\w+)", block)) for block in blocks]
    return [each for each in found if "ink" in each]


DAY, NIGHT, NIGHT_BY_DEVICE = variables("page/static/themes.css")
TEXTS = [
    *((text, ground) for text in ("ink", "soft", "mark", "link", "good", "wait") for ground in ("ground", "sheet")),
    ("on-mark", "mark"), ("wait", "wait-ground"), ("good", "good-ground"), ("mark", "warn-ground"),
    ("ink", "warn-ground"), ("ink", "wait-ground"), ("ink", "good-ground"),
]  # fmt: skip
GRAPHICS = [
    *((line, ground) for line in ("edge", "focus", "paper-edge", "down") for ground in ("ground", "sheet")),
    ("down", "paper"), ("down", "track"), ("down", "picture"),
    *((f"{state}-stroke", f"{state}-ground") for state in ("threading", "stopped", "stock_off", "no_data")),
]  # fmt: skip


def test_night_is_one_palette_whoever_chose_it() -> None:
    assert NIGHT == NIGHT_BY_DEVICE


@pytest.mark.parametrize("theme", [DAY, NIGHT], ids=["day", "night"])
def test_the_page_can_be_read_by_day_and_by_night(theme: dict[str, str]) -> None:
    faint = {(one, other): contrast(theme[one], theme[other]) for one, other in TEXTS}
    lost = {(one, other): contrast(theme[one], theme[other]) for one, other in GRAPHICS}

    assert {pair: found for pair, found in faint.items() if found < TEXT} == {}
    assert {pair: found for pair, found in lost.items() if found < GRAPHIC} == {}


def test_the_report_and_the_loss_sheet_can_be_read() -> None:
    (report,), (sheet,) = variables("templates/page.css"), variables("templates/loss_sheet.css")
    typeset = dict(re.findall(r'#let (\w+) = rgb\("(#\w+)"\)', (ANALYSIS / "templates/loss_sheet.typ").read_text()))

    assert typeset == sheet
    for text in ("ink", "soft", "mark"):
        assert contrast(report[text], report["paper"]) >= TEXT
        assert contrast(report[text], report["sheet"]) >= TEXT
    for text in ("ink", "soft", "mark"):
        assert contrast(sheet[text], "#ffffff") >= TEXT


@pytest.mark.parametrize(
    "colour", sorted({INK, FAINT, BAR, HIT, MISS, TRACE, SIGNAL, _LINE, evidence.BREAKS, dossier.OWN})
)
def test_every_line_and_bar_of_a_picture_stands_out_from_the_page(colour: str) -> None:
    (report,) = variables("templates/page.css")

    assert contrast(colour, "#ffffff") >= GRAPHIC
    assert contrast(colour, report["paper"]) >= GRAPHIC


def test_every_hatching_can_be_seen() -> None:
    hatches = [*_CLASS_HATCHES.values(), *_SORT_HATCHES.values()]

    assert [hatch for hatch in hatches if contrast(hatch.ground, hatch.stroke) < GRAPHIC] == []


def blue(colour: str) -> int:
    """How much bluer than red, in steps of 255."""
    return int(colour[5:7], 16) - int(colour[1:3], 16)


@pytest.mark.parametrize(
    "pair",
    [(HIT, MISS), (evidence.BREAKS, evidence.QUIET), (dossier.OWN, dossier.QUIET), (BAR, SIGNAL)],
    ids=["hit or missed", "breaks or quiet", "this break or quiet", "point or signal"],
)
def test_two_colours_that_mean_opposites_are_no_red_and_green(pair: tuple[str, str]) -> None:
    """Whoever sees no difference of red and green sees that of blue, or that of lightness."""
    one, other = pair

    assert abs(blue(one) - blue(other)) > 100 or abs(luminance(one) - luminance(other)) > 0.3
