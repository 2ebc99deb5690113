"""A loss sheet as HTML and as PDF. Both lay out the same texts; neither can be broken by what somebody wrote."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import typst

from analysis.drawing import bands
from analysis.drawing.chart import plain_id
from analysis.figures.shift_review import ShiftReview
from analysis.history import History
from analysis.loss_sheet.model import Band, LossSheet
from analysis.loss_sheet.tell import marks_of
from analysis.templating import templates_in

_TEMPLATES = Path(__file__).parent.parent / "templates"
KINDS = ("pdf", "html")
_NO_GLYPH = "could not be displayed"


def band_of(history: History, review: ShiftReview) -> Band:
    """The shift as one band, its downtimes numbered as in the list."""
    name = f"{plain_id(history.machine.machine)}-sheet"
    picture = bands.timeline(review.book, history.mill.zone, marks_of(review), name)
    return Band(svg=picture.svg, text=picture.text)


def as_html(sheet: LossSheet) -> str:
    """One self-contained page: no script, nothing fetched; it prints on one A4 page."""
    return templates_in(_TEMPLATES).get_template("loss_sheet.html").render(sheet=sheet)


def as_pdf(sheet: LossSheet) -> bytes:
    """One A4 page, tagged for screen readers (PDF/UA-1), with fonts that ship with the library.

    The texts travel as JSON, so none of them is ever read as markup. A character that the shipped fonts lack is taken
    from the computer's; the file is tagged all the same, but no longer claims the standard, which asks for every glyph.
    The same sheet gives the same bytes.
    """
    data = {"sheet": json.dumps(asdict(sheet), ensure_ascii=False)}
    source = (_TEMPLATES / "loss_sheet.typ").read_bytes()
    try:
        found = typst.compile(
            source, format="pdf", sys_inputs=data, ignore_system_fonts=True, pdf_standards="ua-1", timestamp=0
        )
    except typst.TypstError as error:
        if _NO_GLYPH not in str(error):
            raise
        found = typst.compile(source, format="pdf", sys_inputs=data, timestamp=0)
    return bytes(found)


def contents(sheet: LossSheet, kind: str) -> bytes:
    """The file of a kind out of ``KINDS``."""
    return as_pdf(sheet) if kind == "pdf" else as_html(sheet).encode()
