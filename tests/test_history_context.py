"""What people keep in tables, by file as by message: laboratory results, clothing changes, orders, crew notes."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from collector.decode import Decoder
from collector.history import HistoryFault, HistoryOptions, context_kind, context_table
from collector.load import load
from tests.exports import YEARS_LATER_MS, Write, file, mill_file, run
from tests.mills import message, readable_mill
from tests.stored import opened

__all__ = ["file", "mill_file"]

LAB = "SELECT test, value, unit, reel, epoch_ms(sampled_at) FROM lab WHERE holds ORDER BY sampled_at, test, reel"
CLOTHING = "SELECT position, epoch_ms(installed_at), epoch_ms(removed_at), comment FROM clothing ORDER BY installed_at"
ORDER = "SELECT order_id, grade, shade, basis_weight_g_m2, tonnes_t FROM grade_order WHERE holds ORDER BY order_id"
NOTE = "SELECT kind, downtime_id, cause, comment, noted_by FROM note ORDER BY noted_at"

T = 1_772_330_400_000
"""2026-03-01 04:00 in Helsinki, which is 02:00 UTC."""
HOUR = 3_600_000


def asked(mill_file: Path, query: str) -> list[Any]:
    with duckdb.connect(str(mill_file.parent / "store" / "published.duckdb"), read_only=True) as connection:
        return connection.execute(query).fetchall()


def loaded(mill_file: Path, query: str, *arguments: str) -> list[Any]:
    result = run(mill_file, *arguments)
    assert result.exit_code == 0, result.stderr
    return asked(mill_file, query)


def test_a_laboratory_sheet_has_a_column_for_each_test(mill_file: Path, file: Write) -> None:
    path = file(
        "Sampled;Reel;Moisture [%];Ash;Basis weight", ";;;%;g/m2", "01.03.2026 04:00;1234;4,9;18,5;80,2",
        "01.03.2026 05:00;1235;;#N/A;79,8",
    )  # fmt: skip

    assert loaded(mill_file, LAB, str(path), "--what", "lab") == [
        ("Ash", 18.5, "%", "1234", T), ("Basis weight", 80.2, "g/m2", "1234", T), ("Moisture", 4.9, "%", "1234", T),
        ("Basis weight", 79.8, "g/m2", "1235", T + HOUR),
    ]  # fmt: skip


def test_a_laboratory_list_has_a_row_for_each_result_and_is_known_by_its_columns(mill_file: Path, file: Write) -> None:
    path = file("Sample time,Test,Result,Unit,Reel no", "2026-03-01T02:00:00Z,Moisture,4.9,%,1234")

    assert loaded(mill_file, LAB, str(path)) == [("Moisture", 4.9, "%", "1234", T)]


def test_a_corrected_result_replaces_the_earlier_one_and_the_same_file_again_changes_nothing(
    mill_file: Path, file: Write
) -> None:
    first = file("sampled,test,value", "2026-03-01T02:00:00Z,Moisture,4.9")
    mended = file("sampled,test,value", "2026-03-01T02:00:00Z,Moisture,5.1", name="mended.csv")

    loaded(mill_file, LAB, str(first))
    loaded(mill_file, LAB, str(mended))
    again = loaded(mill_file, LAB, str(mended))

    assert again == [("Moisture", 5.1, None, None, T)]


def test_clothing_changes_may_have_days_only(mill_file: Path, file: Write) -> None:
    """A felt put in on 1 March, Helsinki time: from 22:00 UTC of the day before."""
    path = file("Position;Installed;Comment", "pick-up felt;01.03.2026;new make", "pick-up felt;15.03.2026;")

    midnight_ms = T - 4 * HOUR
    later_ms = midnight_ms + 14 * 24 * HOUR
    assert loaded(mill_file, CLOTHING, str(path)) == [
        ("pick-up felt", midnight_ms, later_ms, "new make"), ("pick-up felt", later_ms, None, None),
    ]  # fmt: skip


def test_what_was_sent_with_a_wrong_time_is_taken_back_and_sent_anew(mill_file: Path, file: Write) -> None:
    wrong = file("Position;Installed", "felt;01.03.2026 04:00", name="wrong.csv")
    mended = file(
        "Position;Installed;Withdrawn", "felt;01.03.2026 04:00;yes", "felt;01.03.2026 05:00;", name="mended.csv"
    )
    results = file(
        "sampled,test,value,withdrawn", "2026-03-01 04:00,Ash,18,", "2026-03-01 04:00,Ash,18,x", name="lab.csv"
    )

    loaded(mill_file, CLOTHING, str(wrong), str(results))

    assert loaded(mill_file, CLOTHING, str(mended)) == [("felt", T + HOUR, None, None)]
    assert asked(mill_file, LAB) == []
    assert asked(mill_file, "SELECT value, withdrawn FROM lab ORDER BY withdrawn") == [(18.0, False), (18.0, True)]


def test_orders_and_their_corrections_come_by_file(mill_file: Path, file: Write) -> None:
    header = "Ordered;Order no;Grade;Shade;Basis weight;Tonnes"
    first = file(header, "01.03.2026 04:00;4711;C80;white;80;1.250,5", "01.03.2026 04:00;4712;C90;;;")
    mended = file(header, "01.03.2026 05:00;4711;C80;ivory;80;900", name="mended.csv")

    loaded(mill_file, ORDER, str(first))

    assert loaded(mill_file, ORDER, str(mended)) == [
        ("4711", "C80", "ivory", 80.0, 900.0), ("4712", "C90", None, None, None),
    ]  # fmt: skip


def test_crew_notes_come_by_file_and_are_kept_once(mill_file: Path, file: Write) -> None:
    path = file(
        "noted,kind,downtime,cause,certainty,comment,by",
        "2026-03-01 04:00,cause,pm2-20260301T015500Z,PR-FLT,likely,felt streak,Aino",
    )

    first = loaded(mill_file, NOTE, str(path))

    assert first == [("cause", "pm2-20260301T015500Z", "PR-FLT", "felt streak", "Aino")]
    assert loaded(mill_file, NOTE, str(path)) == first


def by_message(folder: Path, *payloads: tuple[str, dict[str, Any]]) -> Any:
    with opened(folder) as store:
        messages = [message(said, f"ellerholm/pm2/{word}") for word, said in payloads]
        load(readable_mill(), store, messages)
        return [store.connection.execute(query).fetchall() for query in (LAB, CLOTHING, ORDER, NOTE)]


def test_messages_lead_to_the_same_rows_as_files(mill_file: Path, file: Write, tmp_path: Path) -> None:
    """Times in the messages are UTC; the files' are on the mill's clock, two hours ahead."""
    (tmp_path / "live").mkdir()
    files = [
        file("sampled,test,value,unit", "2026-03-01 04:00,Ash,18,%", "2026-03-01 04:00,Ash,19,%", name="lab.csv"),
        file("installed,position", "2026-03-01 04:00,felt", name="clothing.csv"),
        file("ordered,order,grade,tonnes", "2026-03-01 04:00,4711,C80,12", name="order.csv"),
        file("noted,kind,downtime,comment", "2026-03-01 04:00,cause,pm2-20260301T015500Z,wet", name="note.csv"),
    ]
    at = "2026-03-01T02:00:00Z"

    live = by_message(
        tmp_path / "live",
        ("lab", {"sampled": at, "test": "Ash", "value": 18, "unit": "%"}),
        ("lab", {"sampled": at, "test": "Ash", "value": 19, "unit": "%"}),
        ("clothing", {"installed": at, "position": "felt"}),
        ("order", {"ts": at, "order_id": 4711, "grade": "C80", "tonnes": 12}),
        (
            "note",
            {
                "note_id": "00000000-0000-4000-8000-000000000001", "ts": at, "kind": "cause",
                "downtime": "pm2-20260301T015500Z", "comment": "wet",
            },
        ),
    )  # fmt: skip
    loaded(mill_file, LAB, *map(str, files))

    assert [asked(mill_file, query) for query in (LAB, CLOTHING, ORDER, NOTE)] == live
    assert live[0] == [("Ash", 19.0, "%", None, T)]


@pytest.mark.parametrize(
    ("what", "lines", "fault"),
    [
        ("lab", ("sampled,test,value", "2026-03-01 04:00,Ash,high"), 'a.csv:2: column value: "high" is no number'),
        ("lab", ("sampled,test,value", "soon,Ash,1"), 'a.csv:2: column sampled: times such as "soon" cannot be read'),
        ("lab", ("sampled,test,value", "2026-03-01 04:00,,1"), 'a.csv:2: has no "test"'),
        ("lab", ("sampled,Ash", "2126-03-01 04:00,1"), "a.csv:2: column Ash: "),
        ("lab", ("when,Ash", "2026-03-01 04:00,1"), '"sampled": give --time-column, one of "when", "Ash"'),
        ("order", ("ordered,order,grade,tonnes", "2026-03-01,1,C80,-5"), 'a.csv:2: "tonnes" must be more than 0'),
        ("note", ("noted,kind,downtime,cause", "2026-03-01,cause,x,FLT"), 'a.csv:2: mill.toml has no cause "FLT"'),
        ("clothing", ("installed,position", "25.10.2026 03:30,felt"), "comes twice in Europe/Helsinki"),
        ("clothing", ("installed,position,machine", "2026-03-01,felt,pm9"), "a.csv:2: unknown machine"),
        ("lab", ("sampled,test,value", "2026-03-01 04:00,Ash,1", f"2026-03-01,{'A' * 140_000},1"), "a.csv:3: cannot"),
        ("clothing", ("installed;position", "2026-03-01;a", "2026-03-01;b;c"), "a.csv:3: has 3 columns, where"),
    ],
)  # fmt: skip
def test_a_row_that_no_message_could_say_is_a_fault_at_its_line(
    file: Write, what: str, lines: tuple[str, ...], fault: str
) -> None:
    path, mill = file(*lines, name="a.csv"), readable_mill()

    with pytest.raises(HistoryFault) as caught:
        context_table(path, what, mill, HistoryOptions(), Decoder(mill).decode, now_ms=YEARS_LATER_MS)

    assert fault in str(caught.value).replace(f"{path.parent}/", "")


def test_what_a_table_holds_is_told_by_its_columns_or_by_a_person(file: Write) -> None:
    kinds: dict[str, Callable[[], Path]] = {
        "lab": lambda: file("sampled,test,value", "2026-03-01 04:00,Ash,1", name="lab.csv"),
        "clothing": lambda: file("position,installed", "felt,2026-03-01", name="clothing.csv"),
        "order": lambda: file("ordered,order,grade", "2026-03-01 04:00,1,C80", name="order.csv"),
        "note": lambda: file("noted,downtime,cause", "2026-03-01 04:00,x,PR-FLT", name="note.csv"),
    }
    samples = file("ts,tag,value", "2026-03-01 04:00,a,1", name="samples.csv")

    assert {kind: context_kind(make(), HistoryOptions()) for kind, make in kinds.items()} == {
        kind: kind for kind in kinds
    }
    assert context_kind(samples, HistoryOptions()) is None
    assert context_kind(samples, HistoryOptions(what="lab")) == "lab"
    assert context_kind(kinds["lab"](), HistoryOptions(what="samples")) is None


def test_a_dry_run_shows_what_each_row_says(mill_file: Path, file: Write) -> None:
    path = file("Sampled;Ash [%];Gloss", "01.03.2026 04:00;18,5;-")

    words = run(mill_file, str(path), "--what", "lab", "--dry-run")
    record = json.loads(run(mill_file, str(path), "--what", "lab", "--dry-run", "--json").stdout)

    assert words.stdout.splitlines()[1:] == [
        "  laboratory results, a table of 1 rows or results",
        "  columns: Sampled = sampled, Ash [%], Gloss = tests",
        "  without a result: 1 cells",
        '  {"sampled": "2026-03-01T02:00:00.000Z", "test": "Ash", "value": 18.5, "unit": "%"}',
    ]
    assert (record[0]["kind"], record[0]["rows"], record[0]["skipped"]) == ("lab", 1, 1)
    assert not (mill_file.parent / "store").exists()


def test_a_dry_run_names_the_columns_that_are_not_used(mill_file: Path, file: Write) -> None:
    path = file("installed,position,width,", "2026-03-01 06:00,felt,3.4,", name="felts.csv")

    words = run(mill_file, str(path), "--dry-run")
    record = json.loads(run(mill_file, str(path), "--dry-run", "--json").stdout)

    assert "  not used: width" in words.stdout.splitlines()
    assert record[0]["unused"] == ["width"]


def test_a_laboratory_sheet_may_have_columns_of_texts_which_are_named_and_counted(mill_file: Path, file: Write) -> None:
    path = file("sampled;Ash [%];Gloss;remark;by", "01.03.2026 04:00;18,5;-;torn 5 mm;A", "01.03.2026 06:00;18,9;-;;B")

    words = run(mill_file, str(path), "--what", "lab", "--dry-run")
    record = json.loads(run(mill_file, str(path), "--what", "lab", "--dry-run", "--json").stdout)
    results = loaded(mill_file, "SELECT test, value FROM lab ORDER BY sampled_at", str(path), "--what", "lab")

    assert "  not used: remark (texts: 1), by (texts: 2)" in words.stdout.splitlines()
    assert (record[0]["unused"], record[0]["unused_texts"]) == (["remark", "by"], {"remark": 1, "by": 2})
    assert results == [("Ash", 18.5), ("Ash", 18.9)]


def test_a_text_among_the_numbers_of_a_test_is_a_fault_and_so_is_a_sheet_without_any(
    mill_file: Path, file: Write
) -> None:
    mixed = file("sampled;Ash", "01.03.2026 04:00;high", "01.03.2026 06:00;18,9")
    assert 'export.csv:2: column Ash: "high" is no number' in run(mill_file, str(mixed), "--what", "lab").stderr

    texts = file("sampled;Ash", "01.03.2026 04:00;high")
    assert "has no column of numbers" in run(mill_file, str(texts), "--what", "lab").stderr


@pytest.mark.parametrize("cell", ["5.1 %", "+5.1%", "- 5.1 %", "<0.5", "> 10", "≤ LOD", ".5 g", "5/1"])
def test_a_column_of_results_with_something_wrong_is_a_fault_at_its_first_cell(
    mill_file: Path, file: Write, cell: str
) -> None:
    path = file("sampled;Ash;Moisture", f"01.03.2026 04:00;18.5;{cell}", f"01.03.2026 06:00;18.9;{cell}")

    result = run(mill_file, str(path), "--what", "lab")

    assert result.exit_code == 1
    assert f'export.csv:2: column Moisture: "{cell}" is no number: mend it' in result.stderr
    assert "a column that is no test may stand without a name" in result.stderr


def test_a_column_without_a_name_may_hold_anything(mill_file: Path, file: Write) -> None:
    path = file("sampled;Ash;", "01.03.2026 04:00;18.5;2 holes", "01.03.2026 06:00;18.9;< 1 mm")

    results = loaded(mill_file, "SELECT test, value FROM lab ORDER BY sampled_at", str(path), "--what", "lab")

    assert results == [("Ash", 18.5), ("Ash", 18.9)]


@pytest.mark.parametrize("packed", [bytes, gzip.compress])
def test_a_byte_that_is_no_utf_8_far_down_a_table_is_a_fault_at_its_line(
    mill_file: Path, tmp_path: Path, packed: Callable[[bytes], bytes]
) -> None:
    """Line 1 holds the names; the look at the layout ends long before line 2002, where ° stands as in Latin-1."""
    row = b"2026-03-01 04:00;Ash;18.5\n"
    path = tmp_path / ("lab.csv" if packed is bytes else "lab.csv.gz")
    path.write_bytes(packed(b"sampled;test;value\n" + row * 2000 + b"2026-03-01 04:00;Angle at 20\xb0;4\n"))

    result = run(mill_file, str(path), "--what", "lab")

    assert result.exit_code == 1
    assert f"{path.name}:2002: is not utf-8: give --encoding latin-1 or utf-16" in result.stderr


def test_a_packed_table_that_ends_too_soon_is_a_fault(mill_file: Path, tmp_path: Path) -> None:
    rows = "".join(f"2026-03-01 04:00;Ash;{number * 7919 % 10007}\n" for number in range(20_000))
    whole = gzip.compress(f"sampled;test;value\n{rows}".encode())
    path = tmp_path / "lab.csv.gz"
    path.write_bytes(whole[: len(whole) // 2])

    result = run(mill_file, str(path), "--what", "lab")

    assert result.exit_code == 1
    assert "lab.csv.gz: cannot be read (Compressed file ended" in result.stderr


def test_positions_of_clothing_are_counted_so_that_a_slip_of_the_pen_shows(mill_file: Path, file: Write) -> None:
    path = file("installed,position", "2026-03-01 06:00,pickup felt", "2026-03-02 06:00,pikcup felt", name="felts.csv")

    words = run(mill_file, str(path), "--dry-run").stdout.splitlines()

    assert "  positions: pickup felt 1, pikcup felt 1" in words


def test_what_the_rows_of_a_table_brought_is_said_beside_the_samples(mill_file: Path, file: Write) -> None:
    felts = file("installed,position", "2026-03-01 06:00,felt", "2026-03-01 06:00,fabric", name="felts.csv")

    assert "; 2 rows or results of tables taken in." in run(mill_file, str(felts)).stderr


def test_a_fault_in_a_table_of_people_keeps_everything_out(mill_file: Path, file: Write) -> None:
    good = file("ts,reel.speed", "2026-03-01T02:00:00Z,800", name="good.csv")
    bad = file("sampled,test,value", "2026-03-01T02:00:00Z,Ash,high", name="bad.csv")

    result = run(mill_file, str(good), str(bad))

    assert result.exit_code == 1
    assert "bad.csv:2: column value" in result.stderr
    assert not (mill_file.parent / "store").exists()
