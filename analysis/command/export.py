"""Answers as files for programs and spreadsheets: tables as CSV or XLSX with what they mean, pictures as SVG or PNG."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.history import History
from analysis.query import safe
from analysis.result import MISSING, NOTHING, Cell, Picture, Result, Sheet, Table
from analysis.telling.common import SAFETY, definitions, freshness_said

if TYPE_CHECKING:
    import polars as pl

_NUMBER = re.compile(r"[-+−]?\d[\d,]*(\.\d+)?( %)?")
_NAME = 31
"""Characters that a spreadsheet allows the name of a sheet."""
_WIDEST = 60
_PNG_SCALE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Titled:
    """A table of one answer or, where several machines gave the same, of them all; its first column is the machine."""

    title: str
    note: str
    sheet: Sheet


def sheet_of(table: Table) -> Sheet:
    """The values of a table: as given, else the numbers as shown, shares in %, and nothing for a dash."""
    if table.sheet is not None:
        return table.sheet
    rows = tuple(
        tuple(_value(cell) if place in table.numbers else cell for place, cell in enumerate(row)) for row in table.rows
    )
    shares = {place for place in table.numbers if any(row[place].endswith(" %") for row in table.rows)}
    named = (f"{name} [%]" if place in shares else name for place, name in enumerate(table.columns))
    return Sheet(columns=tuple(named), rows=rows)


def _value(cell: str) -> Cell:
    if cell == NOTHING:
        return None
    if not _NUMBER.fullmatch(cell):
        return cell
    return float(cell.removesuffix(" %").replace(",", "").replace("−", "-"))


def stacked(results: Sequence[Result]) -> list[Titled]:
    """All tables of some answers, those with one title and the same columns below each other."""
    groups: dict[tuple[str, tuple[str, ...]], list[tuple[Cell, ...]]] = {}
    notes: dict[tuple[str, tuple[str, ...]], str] = {}
    for result in results:
        for table in result.tables:
            sheet = sheet_of(table)
            key = (table.title, sheet.columns)
            groups.setdefault(key, []).extend((result.values.get("machine"), *row) for row in sheet.rows)
            notes.setdefault(key, table.note)
    return [
        Titled(title=title, note=notes[title, columns], sheet=Sheet(columns=("machine", *columns), rows=tuple(rows)))
        for (title, columns), rows in groups.items()
    ]


def csv_text(sheet: Sheet) -> str:
    """A table as CSV (RFC 4180, UTF-8, point for decimals); no cell is a formula, what is not known is empty."""
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    writer.writerow([safe(name) for name in sheet.columns])
    writer.writerows([_csv_cell(cell) for cell in row] for row in sheet.rows)
    return buffer.getvalue()


def _csv_cell(cell: Cell) -> str | float | int:
    match cell:
        case None:
            return ""
        case bool():
            return str(cell).lower()
        case str():
            return safe(cell)
        case float():
            return cell if math.isfinite(cell) else ""
        case _:
            return cell


def numbered(file: Path, count: int) -> list[Path]:
    """Names for several files where one was given: the name itself, then name-2, name-3 …"""
    return [file if n == 1 else file.with_stem(f"{file.stem}-{n}") for n in range(1, count + 1)]


def write_csv(file: Path, results: Sequence[Result]) -> list[tuple[Path, str]]:
    """Every table to a file of its own; gives the files with their titles."""
    tables = stacked(results)
    files = numbered(file, len(tables))
    for one, table in zip(files, tables, strict=True):
        one.write_text(csv_text(table.sheet), encoding="utf-8", newline="")
    return [(one, table.title) for one, table in zip(files, tables, strict=True)]


def write_parquet(file: Path, results: Sequence[Result]) -> list[tuple[Path, str]]:
    """Every table to a file of its own, values unrounded; gives the files with their titles.

    A column that holds both numbers and texts, such as "not set", becomes text.
    """
    import polars as pl  # noqa: PLC0415 - takes a third of a second, for these files only

    tables = stacked(results)
    files = numbered(file, len(tables))
    for one, table in zip(files, tables, strict=True):
        columns = zip(*table.sheet.rows, strict=True) if table.sheet.rows else [() for _ in table.sheet.columns]
        series = [_series(name, list(cells)) for name, cells in zip(table.sheet.columns, columns, strict=True)]
        pl.DataFrame(series).write_parquet(one, compression="zstd")
    return [(one, table.title) for one, table in zip(files, tables, strict=True)]


def _series(name: str, cells: list[Cell]) -> pl.Series:
    import polars as pl  # noqa: PLC0415 - see above

    known = [cell for cell in cells if cell is not None]
    if known and all(isinstance(cell, bool) for cell in known):
        return pl.Series(name, cells, dtype=pl.Boolean)
    if known and all(isinstance(cell, int | float) and not isinstance(cell, bool) for cell in known):
        return pl.Series(name, [None if cell is None else float(cell) for cell in cells], dtype=pl.Float64)
    return pl.Series(name, [None if cell is None else _said_whole(cell) for cell in cells], dtype=pl.String)


def _said_whole(cell: Cell) -> str:
    return str(cell).lower() if isinstance(cell, bool) else str(cell)


def write_pictures(file: Path, pictures: Sequence[Picture]) -> list[tuple[Path, str]]:
    """Every picture to a file of its own, as its name ends: .png, else SVG; gives the files with their titles."""
    import vl_convert  # noqa: PLC0415 - 40 MB, for pictures only

    files = numbered(file, len(pictures))
    for one, picture in zip(files, pictures, strict=True):
        if file.suffix.lower() == ".png":
            one.write_bytes(vl_convert.svg_to_png(_on_white(picture.svg), scale=_PNG_SCALE))
        else:
            one.write_text(_on_white(picture.svg), encoding="utf-8")
    return [(one, picture.title) for one, picture in zip(files, pictures, strict=True)]


def _on_white(svg: str) -> str:
    """A page gives a picture its ground; alone it brings its own."""
    return re.sub(r"(</defs>)", r'\1<rect width="100%" height="100%" fill="#ffffff"/>', svg, count=1)


def write_tables(
    name: str,
    histories: Sequence[History],
    results: Sequence[Result],
    *,
    csv_file: Path | None = None,
    xlsx_file: Path | None = None,
    parquet_file: Path | None = None,
) -> Iterator[str]:
    """All tables in the files asked for; gives a line to say for each file."""
    if csv_file is not None:
        yield from (f"wrote {file}: {title}" for file, title in write_csv(csv_file, results))
    if parquet_file is not None:
        yield from (f"wrote {file}: {title}" for file, title in write_parquet(parquet_file, results))
    if xlsx_file is not None:
        write_xlsx(xlsx_file, name, histories, results)
        yield f"wrote {xlsx_file}"


def write_xlsx(file: Path, name: str, histories: Sequence[History], results: Sequence[Result]) -> None:
    """Everything as one workbook: the answers, a sheet a table, the settings they depend on, what the words mean."""
    import xlsxwriter  # type: ignore[import-untyped]  # noqa: PLC0415 - for workbooks only; it has no types

    history = histories[0]
    buffer = io.BytesIO()
    # A cell is a formula or a link only in somebody else's hands: ours are texts and numbers.
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "nan_inf_to_errors": False}
    with xlsxwriter.Workbook(buffer, options) as book:
        published = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=history.freshness.published_ms)
        book.set_properties({"title": f"{history.mill.name}: {name}", "created": published.replace(tzinfo=None)})
        tables = stacked(results)
        names = _sheet_names([table.title for table in tables])
        _add(book, "answer", Sheet(columns=("what", "said"), rows=tuple(_answers(histories, results, tables, names))))
        for sheet_name, table in zip(names, tables, strict=True):
            _add(book, sheet_name, table.sheet)
        _add(book, "settings", Sheet(columns=("machine", "setting", "value"), rows=tuple(_settings(results))))
        words = {(word, meaning): None for one in histories for word, meaning in definitions(one)}
        _add(book, "definitions", Sheet(columns=("word", "meaning"), rows=tuple(words)))
    file.write_bytes(buffer.getvalue())


def _answers(
    histories: Sequence[History], results: Sequence[Result], tables: Sequence[Titled], names: Sequence[str]
) -> Iterator[tuple[str, str]]:
    for result in results:
        yield result.title, result.headline
        yield from (("mind", caution) for caution in result.cautions if caution != SAFETY)
    yield "advisory", SAFETY
    yield from dict.fromkeys(("data", freshness_said(history)) for history in histories)
    for name, table in zip(names, tables, strict=True):
        yield f"sheet {name}", f"{table.title}. {table.note}".strip()


def _settings(results: Sequence[Result]) -> Iterator[tuple[Cell, ...]]:
    seen = set()
    for result in results:
        values: Mapping[str, Any] = result.values
        machine, period = values.get("machine"), values.get("period", {})
        rows = [("mill", values.get("mill")), ("period from", period.get("from")), ("period to", period.get("to"))]
        rows += [("time zone", period.get("time_zone")), ("data to", values.get("data_to"))]
        for setting, value in [*rows, *values.get("settings", {}).items()]:
            row = (machine, setting, MISSING if value is None else value)
            if row not in seen:
                seen.add(row)
                yield row


def _sheet_names(titles: Sequence[str]) -> list[str]:
    """Names that a spreadsheet takes: short, without []:*?/\\, none twice, upper and lower case being the same."""
    taken = {"answer", "settings", "definitions"}
    names = []
    for title in titles:
        plain = re.sub(r"[\[\]:*?/\\']+", " ", title).strip() or "table"
        name, number = plain[:_NAME].strip(), 1
        while name.lower() in taken:
            number += 1
            name = f"{plain[: _NAME - 3].strip()} {number}"
        taken.add(name.lower())
        names.append(name)
    return names


def _add(book: Any, name: str, sheet: Sheet) -> None:
    page = book.add_worksheet(name)
    bold, wrapped = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
    rows = [sheet.columns, *sheet.rows]
    for place, row in enumerate(rows):
        for column, cell in enumerate(row):
            look = bold if place == 0 else wrapped if isinstance(cell, str) and len(cell) > _WIDEST else None
            _write(page, place, column, cell, look)
    for column in range(len(sheet.columns)):
        widest = max(len(_said(row[column])) for row in rows)
        page.set_column(column, column, min(widest + 2, _WIDEST))
    page.freeze_panes(1, 0)
    if sheet.rows:
        page.autofilter(0, 0, len(sheet.rows), len(sheet.columns) - 1)


def _write(page: Any, row: int, column: int, cell: Cell, look: Any) -> None:
    match cell:
        case bool():
            page.write_boolean(row, column, cell, look)
        case str():
            page.write_string(row, column, cell, look)
        case int() | float() if math.isfinite(cell):
            page.write_number(row, column, cell, look)
        case _:
            page.write_blank(row, column, None, look)


def _said(cell: Cell) -> str:
    return f"{cell:.10g}" if isinstance(cell, float) else "" if cell is None else str(cell)
