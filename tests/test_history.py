"""Historian exports: every common layout is understood or asked about, and what is wrong is named where it stands."""

from __future__ import annotations

import gzip
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from collector.history import (
    FILE_SOURCE,
    HistoryFault,
    files_in,
    is_history,
)
from collector.load import load_blocks
from collector.message import Rejected, Scan
from collector.store import Store
from tests.exports import Loaded, Sample, T, faults, file, mill_file, run
from tests.mills import readable_mill
from tests.stored import NOW_MS, opened

__all__ = ["file", "mill_file"]

# ------------------------------------------------------------------------------------------------------------ layouts


def test_a_long_file_names_its_tags_in_each_row(file: Any) -> None:
    path = file(
        "ts,tag,value",
        "2026-03-01T02:00:10Z,reel.speed,812.4",
        "2026-03-01T02:00:00Z,order.grade,C80",
        "2026-03-01T04:00:00+02:00,sheet.press,true",
    )

    loaded = Loaded(path)

    assert loaded.scans == [
        Scan("pm2", T, {"order.grade": "C80", "sheet.press": True}, FILE_SOURCE, T, 16),
        Scan("pm2", T + 10_000, {"reel.speed": 812.4}, FILE_SOURCE, T + 10_000, 16),
    ]


def test_a_wide_file_has_a_column_for_each_tag_and_an_empty_cell_is_no_value(file: Any) -> None:
    path = file("ts,reel.speed,press.draw", "2026-03-01T02:00:00Z,812,", "2026-03-01T02:00:01Z,,1.5")

    assert Loaded(path).samples == [(0, "reel.speed", 812.0), (1, "press.draw", 1.5)]


def test_a_file_may_call_a_tag_as_the_messages_do(file: Any, tmp_path: Path) -> None:
    mill = readable_mill(('name = "press.draw"', 'name = "press.draw"\nsent_as = "DRW"\nfactor = 0.1'))
    path = file("ts,DRW", "2026-03-01T02:00:00Z,18")

    loaded = Loaded(path, mill=mill)
    with closing(opened(tmp_path, mill=mill)) as store:
        load_blocks(mill, store, loaded.blocks)
        stored = store.connection.execute("SELECT tag, value FROM sample").fetchall()

    assert stored == [("press.draw", pytest.approx(1.8))]


@pytest.mark.parametrize(("cut", "decimal"), [(";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", "."), ("|", ",")])
def test_delimiter_and_decimal_sign_are_found_out(file: Any, cut: str, decimal: str) -> None:
    rows = [
        ("time", "a", "b"),
        ("2026-03-01 04:00:00", f"1{decimal}5", "7"),
        ("2026-03-01 04:00:01", "2", f"-0{decimal}25"),
    ]

    loaded = Loaded(file(*(cut.join(row) for row in rows)))

    assert loaded.samples == [(0, "a", 1.5), (0, "b", 7.0), (1, "a", 2.0), (1, "b", -0.25)]


def test_a_decimal_comma_between_commas_stands_in_quotes(file: Any) -> None:
    assert Loaded(file("ts,a", '2026-03-01T02:00:00Z,"1,5"')).samples == [(0, "a", 1.5)]


def test_lines_above_the_names_and_units_below_them_are_passed_over(file: Any) -> None:
    path = file(
        "Export of the mill's historian", "", "Time;reel.speed;press.draw", ";m/min;%", "01.03.2026 04:00;812;1,5"
    )

    assert Loaded(path).samples == [(0, "reel.speed", 812.0), (0, "press.draw", 1.5)]


def test_names_can_be_given_for_a_file_without_them(file: Any) -> None:
    path = file("2026-03-01T02:00:00Z,a,5")

    assert faults(path) == [
        'export.csv: has no line of names: give --names-line, or the names, as in --names "ts,tag,value"'
    ]
    assert Loaded(path, names=("ts", "tag", "value")).samples == [(0, "a", 5.0)]


def test_the_line_of_the_names_can_be_given(file: Any) -> None:
    path = file("x,y", "ts,a", "2026-03-01T02:00:00Z,5")

    assert Loaded(path, names_line=2).samples == [(0, "a", 5.0)]


def test_machine_and_quality_may_be_columns(file: Any) -> None:
    path = file(
        "ts,machine,tag,value,quality",
        "2026-03-01T02:00:00Z,pm2,a,5,Good",
        "2026-03-01T02:00:01Z,pm2,a,6,192",
        "2026-03-01T02:00:02Z,pm2,a,7,Uncertain",
        "2026-03-01T02:00:03Z,pm2,a,8,",
    )

    assert [value for _, _, value in Loaded(path).samples] == [5.0, 6.0, None, 8.0]


@pytest.mark.parametrize("word", ["", "NaN", "Bad", "No Data", "n/a", "NULL", "-"])
def test_what_historians_write_for_no_value_is_a_bad_one(file: Any, word: str) -> None:
    assert Loaded(file("ts,tag,value", f"2026-03-01T02:00:00Z,a,{word}")).samples == [(0, "a", None)]


def test_encodings_are_found_by_their_marks_or_given(file: Any) -> None:
    rows = ("ts,T °C", "2026-03-01T02:00:00Z,5")
    latin = file(*rows, encoding="latin-1")

    assert faults(latin) == ["export.csv:1: is not utf-8: give --encoding latin-1 or utf-16"]
    assert Loaded(latin, encoding="latin-1").samples == [(0, "T °C", 5.0)]
    assert Loaded(file(*rows, encoding="utf-16")).samples == [(0, "T °C", 5.0)]
    assert Loaded(file(*rows, encoding="utf-8-sig")).samples == [(0, "T °C", 5.0)]


def test_packed_files_are_read_as_they_are(tmp_path: Path) -> None:
    data = b"ts,a\n2026-03-01T02:00:00Z,5\n"
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(data))
    (tmp_path / "b.csv.zst").write_bytes(zstandard.ZstdCompressor().compress(data))

    for name in ("a.csv.gz", "b.csv.zst"):
        assert Loaded(tmp_path / name).samples == [(0, "a", 5.0)]


def test_a_packed_file_that_is_cut_short_is_not_taken(tmp_path: Path) -> None:
    rows = "".join(f"2026-03-01T02:{n // 60 % 60:02}:{n % 60:02}Z,{n * 7919 % 1000}\n" for n in range(50_000))
    packed = gzip.compress(b"ts,a\n" + rows.encode())
    (tmp_path / "a.csv.gz").write_bytes(packed[: len(packed) // 2])

    (fault,) = faults(tmp_path / "a.csv.gz")

    assert fault.startswith("a.csv.gz: cannot be read")


@pytest.mark.parametrize(
    ("times", "samples"),
    [
        (pl.Series([datetime(2026, 3, 1, 2, tzinfo=UTC)]), [(0, "a", 5.0)]),
        (pl.Series([datetime(2026, 3, 1, 4)]), [(0, "a", 5.0)]),
        (pl.Series([T]), [(0, "a", 5.0)]),
        (pl.Series(["2026-03-01T02:00:00.250Z"]), [(0, "a", 5.0)]),
    ],
)
def test_parquet_files_have_instants_local_times_or_texts(tmp_path: Path, times: Any, samples: list[Sample]) -> None:
    pl.DataFrame({"ts": times, "tag": ["a"], "value": [5.0]}).write_parquet(tmp_path / "long.parquet")

    assert Loaded(tmp_path / "long.parquet").samples == samples


def test_a_wide_parquet_file_keeps_the_kinds_of_its_columns(tmp_path: Path) -> None:
    columns = {"time": [datetime(2026, 3, 1, 4)], "n": [0.1], "f": pl.Series([0.1], dtype=pl.Float32)}
    frame = pl.DataFrame({**columns, "b": [False], "s": ["C80"], "i": [7], "none": pl.Series([None], dtype=pl.Float64)})
    frame.write_parquet(tmp_path / "wide.parquet")

    assert Loaded(tmp_path / "wide.parquet").samples == [
        (0, "n", 0.1), (0, "f", 0.1), (0, "b", False), (0, "s", "C80"), (0, "i", 7.0),
    ]  # fmt: skip


def test_folders_and_globs_stand_for_the_files_in_them(tmp_path: Path) -> None:
    for name in ("b/2025.csv", "a.csv.gz", "c.parquet", "d.jsonl", "notes.docx", ".hidden.csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()

    names = [str(path.relative_to(tmp_path)) for path in files_in([tmp_path])]

    assert names == ["a.csv.gz", "b/2025.csv", "c.parquet", "d.jsonl"]
    assert files_in([tmp_path / "*.jsonl", tmp_path / "d.jsonl"]) == [tmp_path / "d.jsonl"]
    with pytest.raises(HistoryFault, match="there is nothing in it that can be loaded"):
        files_in([tmp_path / "*.xlsx"])


def test_a_stream_of_messages_is_no_export(tmp_path: Path) -> None:
    stream, export = tmp_path / "stream.parquet", tmp_path / "export.parquet"
    pl.DataFrame({"received_at": [T], "topic": ["t"], "payload": [b""]}).write_parquet(stream)
    pl.DataFrame({"ts": [T], "a": [1.0]}).write_parquet(export)

    assert [is_history(path) for path in (stream, export)] == [False, True]
    assert [is_history(Path(name)) for name in ("a.jsonl.zst", "a.csv", "a.txt.gz")] == [False, True, True]


# ------------------------------------------------------------------------------------------------------------- faults


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        (
            "2026-03-01T02:00:00Z,reel.speed,812 m/min",
            'column value: "812 m/min" is no number, and mill.toml says that',
        ),
        ("2026-03-01T02:00:00,a,5", 'column ts: "2026-03-01T02:00:00" has no offset, unlike the rows before it'),
        ("yesterday,a,5", 'column ts: "yesterday" is not a time like the others'),
        ("1980-03-01T02:00:00Z,a,5", 'column ts: "1980-03-01T02:00:00Z" is before 1990 or in the future'),
        ("2126-03-01T02:00:00Z,a,5", 'column ts: "2126-03-01T02:00:00Z" is before 1990 or in the future'),
        ("2026-03-01T02:00:00Z,,5", 'column tag: "" cannot be the name of a tag'),
        ('2026-03-01T02:00:00Z,a,"5,5"', 'column value: "5,5" has a decimal comma, unlike the rest'),
        ("2026-03-01T02:00:00Z,a,1e999", 'column value: "1e999" is a number out of range'),
        ("2026-03-01T02:00:00Z,a," + "x" * 1001, "column value: is a text of 1001 characters: a tag's text has 1000"),
        ("2026-03-01T02:00:00Z,a", "has 2 columns, where there are 3 names"),
        ("2026-03-01T02:00:00Z,a,5,6", "has 4 columns, where there are 3 names"),
        ('2026-03-01T02:00:00Z,a,"5', "has a quote that does not end"),
    ],
)
def test_a_fault_is_named_with_file_line_column_and_what_to_do(file: Any, row: str, fault: str) -> None:
    good = [f"2026-03-01T02:00:{n:02}Z,a,1.5" for n in range(5)]

    (said,) = faults(file("ts,tag,value", *good, row))

    assert said.startswith(f"export.csv:7: {fault}")


def test_lines_are_counted_as_an_editor_does(file: Any) -> None:
    """Empty lines, and a text in quotes that goes over two lines, count like all others."""
    path = file("ts,tag,value", "", "2026-03-01T02:00:00Z,a,1", '2026-03-01T02:00:01Z,a,"one', 'two"', "never,a,2")

    assert faults(path)[0].startswith("export.csv:6: column ts")


def test_all_faults_are_told_at_once_ten_of_each_file_at_most(tmp_path: Path, file: Any) -> None:
    good = [f"2026-03-01T02:00:{n:02}Z,1" for n in range(30)]
    first = file("ts,reel.speed", *good, *("x,1" for _ in range(13)), name="a.csv")
    second = file("reel.speed", "5", name="b.csv")

    said = faults(first, second)

    assert len(said) == 12
    assert said[0].startswith("a.csv:32: column ts")
    assert said[10].startswith("b.csv: has one column only")
    assert said[11] == "and 3 more like these"


def test_the_faults_of_a_file_are_its_own_after_one_that_could_not_be_read(tmp_path: Path, file: Any) -> None:
    packed = gzip.compress(b"ts,a\n" + b"2026-03-01T02:00:00Z,1\n" * 400)
    (tmp_path / "a.csv.gz").write_bytes(packed[:-9])
    second = file("ts,reel.speed", "2026-03-01T02:00:00Z,1", "2026-03-01T02:00:01Z,fast", name="b.csv")

    first, other = faults(tmp_path / "a.csv.gz", second)

    assert first.startswith("a.csv.gz: cannot be read to its end")
    assert other.startswith("b.csv:3: column reel.speed")


def test_a_wrong_delimiter_is_found_by_its_columns(file: Any) -> None:
    (said,) = faults(file("ts;a;b", "2026-03-01T02:00:00Z;1;2"), delimiter=",")

    assert said == (
        'export.csv:1: no column is called "ts" or "time": give --time-column, one of "ts;a;b"; or --delimiter, '
        "if that is no list"
    )


@pytest.mark.parametrize(
    ("lines", "options", "fault"),
    [
        (("",), {}, "is empty"),
        (("ts,a",), {}, "has no line of data"),
        (("ts,a,a", "2026-03-01T02:00:00Z,1,2"), {}, 'two columns are called "a"'),
        (("when,a", "2026-03-01T02:00:00Z,1"), {}, 'no column is called "ts" or "time": give --time-column'),
        (("ts,a", "2026-03-01T02:00:00Z,1"), {"time_column": "at"}, 'there is no column "at": there are ts, a'),
        (("ts,value", "2026-03-01T02:00:00Z,1"), {}, "there is a column for the value and none called tag"),
        (("ts,a", "soon,1"), {}, 'times such as "soon" cannot be read: give --time-format'),
        (("ts,a", "2026-03-01T02:00:00Z,1"), {"time_format": "%d.%m.%Y"}, "are not in the format %d.%m.%Y"),
        (("ts,a", "01.03. 02:00,1"), {"time_format": "%d.%m. %H:%M"}, "has no year"),
        (("ts,a", "2026-03-01T02:00:00Z,1"), {"names": ("ts",)}, "has 2 columns, and --names gives 1"),
        (("ts,a", "2026-03-01T02:00:00Z,1"), {"machine": "pm9"}, "no machine has the id pm9: pm2"),
    ],
)
def test_a_layout_that_is_not_clear_is_asked_about(
    file: Any, lines: tuple[str, ...], options: dict[str, Any], fault: str
) -> None:
    (said,) = faults(file(*lines), **options)

    assert fault in said


def test_an_unknown_machine_is_named(file: Any) -> None:
    (said,) = faults(file("ts,machine,tag,value", "2026-03-01T02:00:00Z,pm7,a,1"))

    assert said == 'export.csv:2: column machine: unknown machine "pm7": mill.toml names pm2'


def test_a_file_that_is_no_parquet_is_named(tmp_path: Path) -> None:
    (tmp_path / "x.parquet").write_bytes(b"PAR1")

    with pytest.raises(HistoryFault, match=r"x\.parquet: is no Parquet file"):
        is_history(tmp_path / "x.parquet")
    assert faults(tmp_path / "x.parquet")[0].startswith("x.parquet: cannot be read")


# -------------------------------------------------------------------------------------------------- order and storing


@given(st.lists(st.tuples(st.integers(0, 20), st.sampled_from("abc"), st.integers(0, 9)), min_size=1, max_size=30))
def test_files_in_any_order_give_scans_in_order_of_time(
    tmp_path_factory: Any, rows: list[tuple[int, str, int]]
) -> None:
    """Of two values of one tag at one time the one further down holds, and that of the later file before that."""
    folder = tmp_path_factory.mktemp("history")
    half = len(rows) // 2
    parts = [part for part in (rows[:half], rows[half:]) if part]
    for number, part in enumerate(parts):
        lines = [f"2026-03-01T02:00:{second:02}Z,{tag},{value}" for second, tag, value in part]
        (folder / f"{number}.csv").write_text("\n".join(["ts,tag,value", *lines]))

    loaded = Loaded(*(folder / f"{number}.csv" for number in range(len(parts))))

    held = {(second, tag): float(value) for second, tag, value in rows}
    assert {(second, tag): value for second, tag, value in loaded.samples} == held
    times = [scan.at_ms for scan in loaded.scans]
    assert times == sorted(set(times))


def stored(store: Store) -> list[tuple[Any, ...]]:
    query = "SELECT tag_id, sampled_at, value FROM base.hot_sample ORDER BY ALL"
    return store.connection.execute(query).fetchall()


def test_a_file_loaded_twice_leaves_no_double_rows(tmp_path: Path, file: Any) -> None:
    rows = [f"2026-03-01T02:00:{n:02}Z,{800 + n},{'true' if n % 3 else 'false'}" for n in range(60)]
    loaded = Loaded(file("ts,reel.speed,sheet.press", *rows))

    with opened(tmp_path) as store:
        first = load_blocks(readable_mill(), store, loaded.blocks)
        once = stored(store)
        second = load_blocks(readable_mill(), store, loaded.blocks)
        twice = stored(store)

    assert (first.samples, second.samples, second.repeated) == (120, 0, 120)
    assert once == twice


def test_history_leads_to_the_breaks_that_it_shows(tmp_path: Path, file: Any) -> None:
    """The only sheet detector loses the sheet at 02:05:00 for two minutes, at speed, with stock on."""
    rows = []
    for second in range(0, 1200, 5):
        sees = not 300 <= second < 420
        rows.append(f"2026-03-01T02:{second // 60:02}:{second % 60:02}Z,800,1,{str(sees).lower()}")
    loaded = Loaded(file("ts,reel.speed,headbox.stock_on,sheet.press", *rows))

    with opened(tmp_path) as store:
        load_blocks(readable_mill(), store, loaded.blocks)
        found = store.connection.execute(
            "SELECT kind, epoch_ms(started_at), epoch_ms(ended_at) FROM base.downtime"
        ).fetchall()

    assert found == [("break", T + 300_000, T + 420_000)]


def test_rejected_rows_are_kept_beside_what_is_stored(tmp_path: Path) -> None:
    rejected = [Rejected(received_ms=NOW_MS, topic="a.csv:3", reason="comes twice", payload=b"x")]

    with opened(tmp_path) as store:
        counts = load_blocks(readable_mill(), store, [], rejected)
        kept = store.connection.execute("SELECT topic, reason FROM base.rejected_message").fetchall()

    assert counts.rejected == 1
    assert kept == [("a.csv:3", "comes twice")]


# ---------------------------------------------------------------------------------------------------------- the command


def test_a_dry_run_shows_what_was_understood_and_stores_nothing(mill_file: Path, file: Any) -> None:
    path = file("Time;reel.speed;press.draw", ";m/min;%", "01.03.2026 04:00;812,5;1,5", "01.03.2026 04:01;Bad;")

    result = run(mill_file, str(path), "--dry-run")

    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        str(path),
        "  text, utf-8; columns cut by semicolon, decimal comma",
        "  names: line 1; data from line 3",
        "  form: one column a tag (2 tags)",
        "  time: Time, as %d.%m.%Y %H:%M",
        "  clock: Europe/Helsinki",
        "  values: 3 of 2 tags",
        "  from 2026-03-01T02:00:00.000Z to 2026-03-01T02:01:00.000Z",
        '  taken as bad: 1 ("Bad" 1)',
        "  tags: press.draw, reel.speed",
        "  pm2: nothing here of headbox.stock_on, crew.sheet_off, order.grade, order.shade, reel.number, "
        "scanner.basis_weight, sheet.press",
        "  2026-03-01T02:00:00.000Z pm2: reel.speed = 812.5, press.draw = 1.5",
        "  2026-03-01T02:01:00.000Z pm2: reel.speed = bad",
    ]
    assert not (mill_file.parent / "store").exists()


def test_a_folder_of_exports_is_loaded_and_published(mill_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "exports"
    folder.mkdir()
    (folder / "later.csv").write_text("ts,reel.speed\n2026-03-01T02:00:01Z,812\n")
    (folder / "earlier.csv").write_text("ts,reel.speed\n2026-03-01T02:00:00Z,811\n")

    result = run(mill_file, str(folder))

    assert result.exit_code == 0, result.stderr
    with duckdb.connect(str(tmp_path / "store" / "published.duckdb"), read_only=True) as connection:
        found = connection.execute("SELECT value, flags FROM sample ORDER BY sampled_at").fetchall()
    assert found == [(811.0, 16), (812.0, 16)]


def test_a_fault_ends_the_command_before_anything_is_stored(mill_file: Path, file: Any) -> None:
    path = file("ts,reel.speed", "2026-03-01T02:00:00Z,812", "2026-03-01T02:00:01Z,fast")

    result = run(mill_file, str(path))

    assert result.exit_code == 1
    assert f'Error: {path}:3: column reel.speed: "fast" is no number' in result.stderr
    assert not (mill_file.parent / "store").exists()


def test_a_delimiter_of_two_signs_is_wrong_usage(mill_file: Path, file: Any) -> None:
    assert run(mill_file, str(file("ts,a")), "--delimiter", "::").exit_code == 2


def test_options_of_the_command_reach_the_reading(mill_file: Path, file: Any) -> None:
    path = file("25.10.2025 24:00;x")
    path.write_text("26.10.2025 03:30#1,5\n")

    result = run(
        mill_file, str(path), "--dry-run", "--delimiter", "#", "--decimal", "comma", "--names", "ts,reel.speed",
        "--ambiguous", "later", "--time-format", "%d.%m.%Y %H:%M",
    )  # fmt: skip

    assert "2025-10-26T01:30:00.000Z pm2: reel.speed = 1.5" in result.stdout
