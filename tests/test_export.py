"""Answers as files: numbers stay numbers, no cell becomes a formula, and a workbook says what its figures mean."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from xml.etree import ElementTree

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.command.export import csv_text, sheet_of, stacked, write_csv, write_parquet, write_pictures, write_xlsx
from analysis.figures.efficiency import efficiency
from analysis.figures.ledger import ledger
from analysis.pareto import pareto
from analysis.period import Period
from analysis.report import pareto_picture
from analysis.result import Result, Sheet, Table
from analysis.telling.efficiency import tell_efficiency
from analysis.telling.pareto import tell_pareto
from tests.histories import DAY, downtime, on_reel_but_for
from tests.workbook import cells

WHOLE_DAY = Period(from_ms=0, to_ms=DAY)
FORMULA = '=HYPERLINK("http://192.0.2.1")'


def answer(cause: str = "PR-FLT") -> Result:
    lost = [downtime(60, 30, cause=cause, rate_before_t_h=12.0), downtime(200, 15, rate_before_t_h=12.0)]
    past = on_reel_but_for(lost)
    return tell_pareto(past, ledger(past, WHOLE_DAY), pareto(past, ledger(past, WHOLE_DAY), "cause"))


def test_a_csv_has_the_numbers_unrounded_and_the_machine_first(tmp_path: Path) -> None:
    ((file, title),) = write_csv(tmp_path / "causes.csv", [answer()])

    (first, rest) = csv.DictReader(io.StringIO(file.read_text(encoding="utf-8")))
    assert title == "Primary breaks by cause"
    assert (first["machine"], first["cause"], first["count"]) == ("pm2", "PR-FLT", "1")
    assert (float(first["lost_min"]), float(first["lost_t"])) == (30.0, 6.0)
    # 1 in 23 h 15 min on the reel, unrounded
    assert float(first["per_on_reel_h"]) == pytest.approx(1 / 23.25, rel=1e-12)
    # The remainder has no place: its cell is empty.
    assert (rest["cause"], rest["count_place"]) == ("not coded", "")


def test_tables_as_parquet_have_numbers_unrounded_and_one_type_a_column(tmp_path: Path) -> None:
    mixed = Table(
        title="Mixed",
        columns=("what", "value", "good", "none"),
        rows=(),
        sheet=Sheet(
            columns=("what", "value", "good", "none"), rows=(("a", 1, True, None), ("b", "not set", None, None))
        ),
    )

    (file, _), (other, title) = write_parquet(
        tmp_path / "causes.parquet", [answer(), Result(title="", subject="", sentence="", tables=(mixed,))]
    )

    causes, found = pl.read_parquet(file), pl.read_parquet(other)
    assert causes.filter(pl.col("cause") == "PR-FLT").select("lost_min", "lost_t").row(0) == (30.0, 6.0)
    assert causes["per_on_reel_h"][0] == pytest.approx(1 / 23.25, rel=1e-12)
    assert (title, found["value"].to_list(), found["good"].to_list()) == ("Mixed", ["1", "not set"], [True, None])


@given(st.text(max_size=20))
def test_no_text_in_a_csv_begins_as_a_formula_does(text: str) -> None:
    ((cell,),) = list(csv.reader(io.StringIO(csv_text(Sheet(columns=(text,), rows=())), newline="")))[:1] or [[""]]

    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))
    assert cell.removeprefix("'") == text.removeprefix("'")


def test_a_cause_that_is_a_formula_is_text_in_both_kinds_of_file(tmp_path: Path) -> None:
    result = answer(FORMULA)

    ((file, _),) = write_csv(tmp_path / "causes.csv", [result])
    past = on_reel_but_for([])
    write_xlsx(tmp_path / "causes.xlsx", "pareto", [past], [result])

    assert f"'{FORMULA}" in [row["cause"] for row in csv.DictReader(io.StringIO(file.read_text(encoding="utf-8")))]
    sheet = cells(tmp_path / "causes.xlsx")["Primary breaks by cause"]
    assert FORMULA in [cell for row in sheet for cell in row]


def test_negative_numbers_are_numbers_and_not_neutralised_text() -> None:
    assert (
        csv_text(Sheet(columns=("saved_h",), rows=((-1.5,), (None,), (True,)))) == 'saved_h\r\n-1.5\r\n""\r\ntrue\r\n'
    )


def test_a_workbook_has_the_answer_the_settings_and_what_the_words_mean(tmp_path: Path) -> None:
    past = on_reel_but_for([])
    write_xlsx(tmp_path / "all.xlsx", "pareto", [past], [answer()])

    found = cells(tmp_path / "all.xlsx")

    assert list(found) == ["answer", "Primary breaks by cause", "settings", "definitions"]
    assert any("leads" in cell for row in found["answer"] for cell in row)
    assert any(row[0] == "advisory" and "Do not enter" in row[1] for row in found["answer"])
    settings = {row[1]: row[2] for row in found["settings"]}
    assert (settings["margin_per_t"], settings["secondary_within_min"], settings["period to"]) == (
        "300", "30", "1970-01-02T00:00:00.000Z",
    )  # fmt: skip
    assert "Lost time" in [row[0] for row in found["definitions"]]
    header, first = found["Primary breaks by cause"][:2]
    assert float(first[header.index("lost_t")]) == 6.0


def test_the_same_answer_is_the_same_workbook_byte_for_byte(tmp_path: Path) -> None:
    past = on_reel_but_for([])
    for name in ("one.xlsx", "two.xlsx"):
        write_xlsx(tmp_path / name, "pareto", [past], [answer()])

    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()


def test_sheets_with_long_or_equal_names_keep_apart(tmp_path: Path) -> None:
    long = "Breaks by something with a very long name: part"
    tables = tuple(Table(title=f"{long} {n}", columns=(f"c{n}",), rows=(("x",),)) for n in (1, 2))
    awkward = Table(title="Settings", columns=("[a]",), rows=())
    result = Result(title="", subject="", sentence="", tables=(*tables, awkward))
    write_xlsx(tmp_path / "x.xlsx", "x", [on_reel_but_for([])], [result])

    names = list(cells(tmp_path / "x.xlsx"))

    assert len({name.lower() for name in names}) == len(names) == 6
    assert all(len(name) <= 31 and not re.search(r"[\[\]:*?/\\]", name) for name in names)


def test_what_is_shown_as_a_number_is_one_in_a_file() -> None:
    rows = (("press", "1,234.5", "93.4 %", "–"), ("reel", "not known", "6.6 %", "2"))
    table = Table(title="t", columns=("section", "min", "share", "n"), rows=rows, numbers=frozenset({1, 2, 3}))

    sheet = sheet_of(table)

    assert sheet.columns == ("section", "min", "share [%]", "n")
    assert sheet.rows == (("press", 1234.5, 93.4, None), ("reel", "not known", 6.6, 2.0))


def test_the_same_table_of_two_machines_is_one() -> None:
    one, two = (
        Result(
            title="", subject="", sentence="", values={"machine": machine},
            tables=(Table(title="Ledger", columns=("class",), rows=((machine,),)),),
        )
        for machine in ("pm2", "pm3")
    )  # fmt: skip

    (table,) = stacked([one, two])

    assert table.sheet == Sheet(columns=("machine", "class"), rows=(("pm2", "pm2"), ("pm3", "pm3")))


def test_pictures_are_written_as_svg_and_png_on_white_ground(tmp_path: Path) -> None:
    past = on_reel_but_for([downtime(60, 30, rate_before_t_h=12.0)])
    picture = pareto_picture(past, pareto(past, ledger(past, WHOLE_DAY), "section"))

    drawn = write_pictures(tmp_path / "p.svg", [picture, picture])
    ((png, title),) = write_pictures(tmp_path / "p.png", [picture])

    assert [file.name for file, _ in drawn] == ["p.svg", "p-2.svg"]
    assert title == "Primary breaks by section"
    root = ElementTree.fromstring((tmp_path / "p.svg").read_text(encoding="utf-8"))
    assert 'fill="#ffffff"' in ElementTree.tostring(root, encoding="unicode")
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_the_ledger_and_its_figures_are_exact_in_a_file() -> None:
    # 24 h less 30 and 15 min: 83,700,000 ms on the reel; 23.25 h over 2 breaks is 11.625 h between them.
    past = on_reel_but_for([downtime(60, 30), downtime(200, 15)])
    book = ledger(past, WHOLE_DAY)
    told = tell_efficiency(past, book, efficiency(past, book), ["section"])

    sheets = [table.sheet for table in stacked([told])]
    times, split, figures = sheets[0], sheets[1], sheets[-1]

    assert {row[1]: row[2] for row in times.rows}["on reel"] == 83_700_000
    assert sum(int(row[2] or 0) for row in times.rows) == 86_400_000
    assert split.columns == ("machine", "section", "on_reel_ms", "break_ms")
    between = next(row for row in figures.rows if row[1] == "mean time between breaks")
    assert between[2] == pytest.approx(11.625, rel=1e-12)
    assert between[3] == "h on reel"
