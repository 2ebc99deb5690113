"""Read-only SQL: nothing but one SELECT gets through, and what comes out is safe to open."""

from __future__ import annotations

import csv
import io
import json
import signal
from collections.abc import Iterator
from pathlib import Path

import duckdb
import polars as pl
import pytest

from analysis.query import Format, Refused, answered, frame, is_size, only_select, parameter, text_of, written_whole
from analysis.query_file import write_binary
from analysis.read import connect
from tests.analysis_store import HandMadeStore
from tests.workbook import cells


@pytest.fixture
def connection(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A locked-down connection to an empty published store."""
    store = HandMadeStore(tmp_path)
    store.machine("2026-03-02 06:00", "2026-03-02 18:00")
    store.close(published="2026-03-02 18:01", data_to="2026-03-02 18:00")
    opened = connect(store.store)
    yield opened
    opened.close()


def text(connection: duckdb.DuckDBPyConnection, sql: str, shape: str, **parameters: str) -> str:
    """The whole answer as text."""
    with answered(connection, sql, parameters, seconds=20) as answer:
        return "".join(text_of(answer, Format(shape)))


@pytest.mark.parametrize(
    "sql",
    [
        "INSERT INTO machine VALUES (1)",
        "UPDATE machine SET name = 'x'",
        "DELETE FROM machine",
        "CREATE VIEW v AS SELECT 1",
        "DROP VIEW machine",
        "COPY (SELECT 1) TO 'parts/x.csv'",
        "COPY machine FROM 'x.csv'",
        "EXPLAIN ANALYZE COPY (SELECT 1) TO 'parts/x.csv'",
        "EXPLAIN EXPLAIN ANALYZE COPY (SELECT 1) TO 'parts/x.csv'",
        "EXPLAIN INSERT INTO machine VALUES (1)",
        "EXPLAIN /* ANALYZE */ ANALYZE COPY (SELECT 1) TO 'parts/x.csv'",
        "-- EXPLAIN SELECT\nEXPLAIN ANALYZE COPY (SELECT 1) TO 'parts/x.csv'",
        "PREPARE p AS COPY (SELECT 1) TO 'parts/x.csv'",
        "EXECUTE p",
        "COPY (PIVOT machine ON name USING count(*)) TO 'parts/x.csv'",
        "EXPORT DATABASE 'parts/x'",
        "ATTACH 'x.duckdb'",
        "SET memory_limit = '1TB'",
        "PRAGMA database_list",
        "CALL force_checkpoint()",
        "CHECKPOINT",
        "BEGIN TRANSACTION",
        "INSTALL httpfs",
        "SELECT 1; COPY (SELECT 1) TO 'parts/x.csv'",
        "SELECT 1; SELECT 2",
        "-- x\nEXPLAIN ANALYZE COPY (SELECT 1) TO 'x.csv'",
        "/* a /* b */ EXPLAIN SELECT 1 -- */ EXPLAIN ANALYZE COPY (SELECT 1) TO 'x.csv'",
        "-- \r EXPLAIN ANALYZE COPY (SELECT 1) TO 'x.csv' /*\n EXPLAIN SELECT 1 -- */",
        "EXPLAIN\u00a0DELETE FROM machine",
        "EXPLAIN ANALYZE\u00a0DELETE FROM machine",
        "EXPLAIN ANALYZE",
        "EXPLAIN ANALYZE ANALYZE",
        "",
        "SELEC 1",
    ],
)
def test_what_is_not_one_select_is_refused(sql: str) -> None:
    with pytest.raises(Refused):
        only_select(sql)


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT 1",
        "WITH x AS (SELECT 1) SELECT * FROM x",
        "FROM machine",
        "VALUES (1)",
        "DESCRIBE machine",
        "SHOW TABLES",
        "SUMMARIZE machine",
        "PIVOT machine ON name IN ('PM 2') USING count(*)",
        "SELECT 1;",
        "EXPLAIN SELECT 1",
        "explain analyze\nFROM machine",
        "-- how it is done\nEXPLAIN SELECT 1",
        "/* größer /* als */ 1 */ EXPLAIN/**/ANALYZE -- ü\r\n(SELECT 'ü')",
    ],
)
def test_every_way_to_look_is_open(connection: duckdb.DuckDBPyConnection, sql: str) -> None:
    assert text(connection, sql, "jsonl")


def test_a_pivot_that_looks_for_its_columns_is_told_how_to_name_them() -> None:
    with pytest.raises(Refused, match=r"ON … IN"):
        only_select("PIVOT machine ON name USING count(*)")


def test_a_write_hidden_in_a_select_is_refused(connection: duckdb.DuckDBPyConnection) -> None:
    with pytest.raises(Refused, match="read-only"):
        text(connection, "WITH x AS (INSERT INTO base.cause (code, name) VALUES ('X', 'x') RETURNING *) FROM x", "json")


@pytest.mark.parametrize(
    "sql", ["SELECT * FROM read_text('/etc/passwd')", "FROM '/etc/passwd'", "SELECT * FROM read_csv('/etc/passwd')"]
)
def test_other_files_cannot_be_read(connection: duckdb.DuckDBPyConnection, sql: str) -> None:
    with pytest.raises(Refused):
        text(connection, sql, "json")


def test_parameters_and_values_must_meet(connection: duckdb.DuckDBPyConnection) -> None:
    with pytest.raises(Refused, match=r"no \$kind"):
        text(connection, "SELECT $least", "json", least="1", kind="break")
    with pytest.raises(Refused, match=r"\$kind in the SQL .* --param kind=VALUE"):
        frame(connection, "SELECT $kind", {}, seconds=20)


@pytest.mark.parametrize(
    "kept", ["SELECT 1 AS a, 2 AS a, 3 AS A_1, 4 AS a", "SELECT * FROM (SELECT 1 AS a) JOIN (SELECT 2 AS a) ON TRUE"]
)
def test_columns_of_one_name_all_come_out(connection: duckdb.DuckDBPyConnection, kept: str) -> None:
    as_json = json.loads(text(connection, kept, "json"))
    rows = frame(connection, kept, {}, seconds=20)

    assert list(as_json[0].values()) == list(range(1, rows.width + 1))
    assert rows.rows(named=True) == as_json
    assert text(connection, kept, "csv").splitlines()[0] == ",".join(rows.columns)


def test_what_polars_has_no_type_for_is_a_text(connection: duckdb.DuckDBPyConnection) -> None:
    odd = "SELECT INTERVAL 26 HOUR AS i, [INTERVAL 1 HOUR] AS l, {'u': union_value(n := 1)} AS u, '101'::BIT AS b"

    rows = frame(connection, odd, {}, seconds=20)

    assert rows.rows() == [("93600 s", "['01:00:00']", "{'u': 1}", "101")]
    assert rows["i"].to_list() == [row["i"] for row in json.loads(text(connection, odd, "json"))]
    assert frame(connection, "DESCRIBE machine", {}, seconds=20).columns[0] == "column_name"


def test_a_query_that_takes_too_long_is_stopped(connection: duckdb.DuckDBPyConnection) -> None:
    slow = "SELECT count(*) FROM range(100000000000) AS a WHERE a.range % 7 = 3"

    with pytest.raises(Refused, match="--time-limit"), answered(connection, slow, {}, seconds=0.2):
        pass


def test_nothing_but_data_is_ever_printed(connection: duckdb.DuckDBPyConnection) -> None:
    assert text(connection, "SELECT current_setting('enable_progress_bar_print') AS printed", "csv").split() == [
        "printed", "false",
    ]  # fmt: skip


def test_whoever_waits_is_told_how_far_it_is(connection: duckdb.DuckDBPyConnection) -> None:
    told: list[float] = []
    slow = "SELECT count(*) FROM range(100000000000) AS a WHERE a.range % 7 = 3"

    with pytest.raises(Refused), answered(connection, slow, {}, seconds=0.5, progress=told.append):
        pass

    assert told
    assert all(0 <= share <= 1 for share in told)


def test_ctrl_c_stops_a_query_and_the_next_one_is_heard_as_before(connection: duckdb.DuckDBPyConnection) -> None:
    slow = "SELECT count(*) FROM range(100000000000) AS a WHERE a.range % 7 = 3"
    was = signal.signal(signal.SIGINT, signal.default_int_handler)

    with pytest.raises(KeyboardInterrupt):
        frame(connection, slow, {}, seconds=20, progress=lambda _: signal.raise_signal(signal.SIGINT))

    assert signal.signal(signal.SIGINT, was) == signal.default_int_handler


def test_a_query_that_takes_too_much_memory_is_stopped(tmp_path: Path) -> None:
    store = HandMadeStore(tmp_path)
    store.close(published="2026-03-02 18:01", data_to=None)
    greedy = "SELECT list(range) FROM range(20000000)"

    with connect(store.store, memory="20MB") as small, pytest.raises(Refused, match="--memory"):
        text(small, greedy, "json")


def test_parameters_are_values_and_never_sql(connection: duckdb.DuckDBPyConnection) -> None:
    found = text(
        connection, "SELECT $who AS who, trim_m > $least AS wide FROM machine", "jsonl", who="x'; --", least="3"
    )

    assert json.loads(found) == {"who": "x'; --", "wide": True}


def test_a_missing_parameter_is_one_line(connection: duckdb.DuckDBPyConnection) -> None:
    with pytest.raises(Refused, match="who"):
        text(connection, "SELECT $who", "json")


@pytest.mark.parametrize("written", ["who", "=x", "a b=c", "1a=c"])
def test_a_parameter_is_name_and_value(written: str) -> None:
    assert parameter("a=b=c") == ("a", "b=c")
    with pytest.raises(ValueError, match="name=value"):
        parameter(written)


def test_json_has_only_what_json_knows(connection: duckdb.DuckDBPyConnection) -> None:
    sql = """
        SELECT 'NaN'::DOUBLE AS n, 'infinity'::DOUBLE AS i, 1.5::DECIMAL(4, 1) AS d, 7::HUGEINT AS h, [1, NULL] AS l,
            {'a': TRUE} AS s, TIMESTAMPTZ '2026-03-02 06:00:00.25+02' AS t, DATE '2026-03-02' AS day, 'é"' AS text,
            '\\xAA'::BLOB AS b, INTERVAL '90 s' AS span
    """

    assert json.loads(text(connection, sql, "json")) == [
        {
            "n": None,
            "i": None,
            "d": 1.5,
            "h": 7,
            "l": [1, None],
            "s": {"a": True},
            "t": "2026-03-02T04:00:00.250000Z",
            "day": "2026-03-02",
            "text": 'é"',
            "b": "\\xaa",
            "span": "90 s",
        }
    ]


def test_no_rows_are_an_empty_list(connection: duckdb.DuckDBPyConnection) -> None:
    assert json.loads(text(connection, "SELECT 1 AS x WHERE FALSE", "json")) == []
    assert text(connection, "SELECT 1 AS x WHERE FALSE", "jsonl") == ""
    assert text(connection, "SELECT 1 AS x WHERE FALSE", "csv") == "x\r\n"


def test_more_rows_than_one_batch_all_arrive(connection: duckdb.DuckDBPyConnection) -> None:
    rows = json.loads(text(connection, "SELECT range AS x FROM range(25001)", "json"))

    assert len(rows) == 25_001
    assert rows[-1] == {"x": 25_000}


@pytest.mark.parametrize("cell", ["=1+1", "+x", "-x", "@x", "\tx", "\rx"])
def test_a_cell_that_a_spreadsheet_would_run_is_neutralised(connection: duckdb.DuckDBPyConnection, cell: str) -> None:
    rows = list(csv.reader(io.StringIO(text(connection, "SELECT $cell AS x", "csv", cell=cell), newline="")))

    assert rows == [["x"], [f"'{cell}"]]


def test_negative_numbers_stay_numbers_in_csv(connection: duckdb.DuckDBPyConnection) -> None:
    found = text(connection, "SELECT -1 AS a, -0.5 AS b, TRUE AS c, NULL AS d, 'a,b' AS \"=e\"", "csv")

    assert found == 'a,b,c,d,\'=e\r\n-1,-0.5,true,,"a,b"\r\n'


def test_a_fault_in_the_sql_is_shown_at_its_line_and_place() -> None:
    # Line 2, and under the third b: "LINE 2: " and two blanks, then "b b " before it.
    with pytest.raises(Refused) as refused:
        only_select("SELECT a,\n  b b b FROM x")

    first, line, mark = str(refused.value).split("\n")[:3]
    assert "syntax error" in first
    assert line == "LINE 2:   b b b FROM x"
    assert mark.index("^") == len("LINE 2:   b b ")


@pytest.mark.parametrize(
    ("text", "good"), [("500MB", True), ("1.5 GiB", True), ("lots", False), ("1", False), ("1GB; x", False)]
)
def test_a_size_is_a_number_with_a_unit(text: str, good: bool) -> None:
    assert is_size(text) == good


def test_what_fails_on_its_way_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    file = tmp_path / "rows.csv"
    file.write_text("before")

    with pytest.raises(ZeroDivisionError), written_whole(file) as draft:
        draft.write_text(f"half {1 / 0}")

    assert [path.name for path in tmp_path.iterdir()] == ["rows.csv"]
    assert file.read_text() == "before"


def test_a_workbook_has_numbers_instants_and_texts_as_such_and_no_formula(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    sql = """SELECT 1.5 AS lost_s, TIMESTAMPTZ '2026-03-02 06:00:00+02' AS started_at, DATE '2026-03-02' AS day,
        '=1+1' AS text, 12345678901234567 AS big, [1, 2] AS list, NULL AS nothing, TRUE AS truth"""
    rows = frame(connection, sql, {}, seconds=20)

    write_binary(rows, Format.XLSX, tmp_path / "rows.xlsx", meanings={"lost_s": "Loss. [s]"})

    found = cells(tmp_path / "rows.xlsx")
    # Days since 1899-12-30 (ECMA-376, 18.17.4.1): 2026-03-02 is day 46083, 04:00 UTC a sixth of a day later.
    assert found["rows"][1][:2] == ["1.5", "46083.16666666666"]
    assert found["rows"][1][2:6] == ["46083", "=1+1", "12345678901234567", "[1, 2]"]
    assert ["lost_s", "Loss. [s]"] in found["columns"]


def test_more_rows_than_a_workbook_holds_are_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="Parquet or CSV"):
        write_binary(pl.DataFrame({"x": range(1_048_576)}), Format.XLSX, tmp_path / "rows.xlsx")


@pytest.mark.parametrize(("shape", "read"), [(Format.PARQUET, pl.read_parquet), (Format.ARROW, pl.read_ipc)])
def test_binary_formats_come_back_as_they_were(
    connection: duckdb.DuckDBPyConnection, tmp_path: Path, shape: Format, read: object
) -> None:
    rows = frame(connection, "SELECT 1 AS a, [1.5] AS l, now() AS t, 'x' AS s", {}, seconds=20)

    write_binary(rows, shape, tmp_path / "rows")

    assert callable(read)
    assert read(tmp_path / "rows").equals(rows)
