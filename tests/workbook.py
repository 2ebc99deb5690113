"""The cells of a workbook, read from its XML and not with the library that wrote it."""

from __future__ import annotations

import zipfile
from pathlib import Path
from xml.etree import ElementTree

SHEET = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def cells(file: Path) -> dict[str, list[list[str]]]:
    """The cells of a workbook as text, sheet by sheet, read from its XML (ECMA-376) and not with what wrote it."""
    with zipfile.ZipFile(file) as book:
        assert not [name for name in book.namelist() if "external" in name.lower()]
        shared = "xl/sharedStrings.xml" in book.namelist() and book.read("xl/sharedStrings.xml")
        texts = ["".join(t.itertext()) for t in ElementTree.fromstring(shared)] if shared else []
        names = [
            s.get("name") or "" for s in ElementTree.fromstring(book.read("xl/workbook.xml")).iter(f"{SHEET}sheet")
        ]
        found = {}
        for number, name in enumerate(names, start=1):
            page = ElementTree.fromstring(book.read(f"xl/worksheets/sheet{number}.xml"))
            assert page.find(f".//{SHEET}f") is None, "a formula"
            found[name] = [[_text(c, texts) for c in row] for row in page.iter(f"{SHEET}row")]
    return found


def _text(cell: ElementTree.Element, texts: list[str]) -> str:
    if cell.get("t") == "inlineStr":
        return "".join(cell.itertext())
    value = cell.findtext(f"{SHEET}v") or ""
    return texts[int(value)] if cell.get("t") == "s" else value
