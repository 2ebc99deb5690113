"""Rows of a query as files that are not text: Parquet, Arrow, and workbooks."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.query import Format, Refused, cell

if TYPE_CHECKING:
    import polars as pl

MOST_SHEET_ROWS = 1_048_575
"""What a workbook's sheet holds beside its heading (ECMA-376: 1,048,576 rows)."""
_LONGEST_TEXT = 32_767
_NO_MEANINGS: Mapping[str, str] = {}


def write_binary(
    rows: pl.DataFrame, shape: Format, file: Path | BytesIO, *, meanings: Mapping[str, str] = _NO_MEANINGS
) -> None:
    """Rows as Parquet (zstd), as an Arrow file or as a workbook. Lists and structs are kept, in a workbook as JSON.

    meanings
        What columns mean, by name; a workbook says it beside them.

    Raises
    ------
    Refused
        For more rows than a workbook can hold.
    """
    match shape:
        case Format.PARQUET:
            rows.write_parquet(file, compression="zstd")
        case Format.ARROW:
            rows.write_ipc(file)
        case _:
            _write_workbook(rows, file, meanings)


def _write_workbook(rows: pl.DataFrame, file: Path | BytesIO, meanings: Mapping[str, str]) -> None:
    import xlsxwriter  # type: ignore[import-untyped]  # noqa: PLC0415 - for workbooks only; it has no types

    if rows.height > MOST_SHEET_ROWS:
        raise Refused(f"{rows.height:,} rows are more than a workbook holds ({MOST_SHEET_ROWS:,}); take Parquet or CSV")
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(str(file) if isinstance(file, Path) else file, options) as book:
        book.set_properties({"created": datetime(1970, 1, 1)})
        looks = {
            "head": book.add_format({"bold": True}),
            "instant": book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
            "day": book.add_format({"num_format": "yyyy-mm-dd"}),
        }
        page = book.add_worksheet("rows")
        page.freeze_panes(1, 0)
        for column, name in enumerate(rows.columns):
            page.set_column(column, column, min(60, max(12, len(name) + 2)))
            page.write_string(0, column, name, looks["head"])
        for place, row in enumerate(rows.iter_rows(), start=1):
            for column, value in enumerate(row):
                _write_cell(page, place, column, value, looks)
        _write_columns(book.add_worksheet("columns"), rows, meanings, looks)


def _write_columns(page: Any, rows: pl.DataFrame, meanings: Mapping[str, str], looks: Mapping[str, Any]) -> None:
    told = [("column", "meaning")] + [(name, meanings.get(name, "")) for name in rows.columns]
    told.append(("", "Instants are in UTC."))
    page.set_column(0, 0, 30)
    page.set_column(1, 1, 110)
    for place, pair in enumerate(told):
        for column, text in enumerate(pair):
            page.write_string(place, column, text, looks["head"] if place == 0 else None)


def _write_cell(page: Any, row: int, column: int, value: object, looks: Mapping[str, Any]) -> None:
    match value:
        case None:
            pass
        case bool():
            page.write_boolean(row, column, value)
        case int() if abs(value) >= 10**15:
            # A spreadsheet keeps 15 digits of a number.
            page.write_string(row, column, str(value))
        case int() | float() | Decimal():
            if math.isfinite(value):
                page.write_number(row, column, value)
        case datetime():
            plain = value if value.tzinfo is None else value.astimezone(UTC).replace(tzinfo=None)
            page.write_datetime(row, column, plain, looks["instant"])
        case date():
            page.write_datetime(row, column, value, looks["day"])
        case _:
            page.write_string(row, column, cell(value)[:_LONGEST_TEXT])
