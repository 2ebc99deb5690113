"""Exports as mills have them: each dialect of a table gives the same samples, each fault says where and what to do."""

from __future__ import annotations

import csv
import gzip
import io
import json
import tempfile
import zipfile
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.history import HistoryFault, HistoryFaults
from collector.history.clock import UNIX_MS, UNIX_S
from collector.history.known import known_tags
from collector.history.signs import Signs, SignsUnclear, signs_of
from collector.history.units import differ, split_name, units_row
from collector.settings import Mill
from tests.exports import Loaded, T, Write, faults, file, mill_file, run
from tests.mills import readable_mill

__all__ = ["file", "mill_file"]

# ------------------------------------------------------------------------------------------------------------ dialects

HELSINKI = ZoneInfo("Europe/Helsinki")
FORMATS = (
    "%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%d %H:%M:%S+00", "%Y-%m-%d %H:%M:%S+0100", "%Y-%m-%dT%H:%M:%S-03:30",
    "%d.%m.%Y %H:%M:%S", "%d.%m.%y %H.%M.%S", "%m/%d/%Y %I:%M:%S %p", "%d-%b-%Y %H:%M:%S", UNIX_MS, UNIX_S,
)  # fmt: skip


def written(at_s: int, pattern: str) -> str:
    """A time as this format writes it: with its own offset, or on the clock of Helsinki."""
    if pattern in (UNIX_MS, UNIX_S):
        return str(at_s * 1000 if pattern == UNIX_MS else at_s)
    ahead_min = {"Z": 0, "+00": 0, "+0100": 60, "-03:30": -210}
    for offset, minutes in ahead_min.items():
        if pattern.endswith(offset):
            return (datetime.fromtimestamp(at_s, UTC) + timedelta(minutes=minutes)).strftime(pattern)
    return datetime.fromtimestamp(at_s, HELSINKI).strftime(pattern)


def number(value: float, decimal: str, thousands: str) -> str:
    whole, _, part = f"{abs(value):.3f}".partition(".")
    groups = f"{int(whole):,}".replace(",", thousands)
    return f"{'-' if value < 0 else ''}{groups}{decimal}{part}"


@st.composite
def dialects(draw: st.DrawFn) -> tuple[list[tuple[int, str, float]], bytes, str, dict[str, Any]]:
    """A table of numbers, how some system writes it, what it calls the file, and what a person must say of it."""
    seconds = st.integers(0, 40 * 86_400).map(lambda s: 1_767_225_600 + s)  # winter: no hour comes twice
    tags = draw(st.sampled_from([["a"], ["a", "b"], ["a", "b", "c d"]]))
    times = draw(st.lists(seconds, min_size=1, max_size=8, unique=True))
    values = st.integers(-9_999_999, 9_999_999).map(lambda n: n / 1000)
    table = [(at, tag, draw(values)) for at in times for tag in tags]
    decimal = draw(st.sampled_from([",", "."]))
    word = draw(st.sampled_from(["", "space", "apostrophe", "point" if decimal == "," else "comma"]))
    thousands = {"": "", "space": draw(st.sampled_from([" ", "\u00a0"])), "apostrophe": "'", "point": ".", "comma": ","}
    pattern, cut = draw(st.sampled_from(FORMATS)), draw(st.sampled_from([";", "\t", "|", ","]))
    rows = _rows(
        table, tags, long=draw(st.booleans()), pattern=pattern, shown=lambda v: number(v, decimal, thousands[word])
    )
    if draw(st.booleans()):
        rows[1:] = draw(st.permutations(rows[1:]))
    text = io.StringIO()
    csv.writer(text, delimiter=cut, lineterminator=draw(st.sampled_from(["\n", "\r\n"]))).writerows(rows)
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]))
    data = text.getvalue().replace("\u00a0", " " if encoding == "latin-1" else "\u00a0").encode(encoding)
    ending, pack = draw(st.sampled_from(sorted(_PACKERS.items())))
    said: dict[str, Any] = {"decimal": decimal, "thousands": word or None, "delimiter": cut}
    if pattern.startswith("%m/"):
        said["time_format"] = pattern
    return table, pack(data), f"export.csv{ending}", said | ({"encoding": encoding} if encoding == "latin-1" else {})


_PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "": bytes, ".gz": gzip.compress, ".zst": zstandard.ZstdCompressor().compress,
}  # fmt: skip


def _rows(
    table: Sequence[tuple[int, str, float]],
    tags: list[str],
    *,
    long: bool,
    pattern: str,
    shown: Callable[[float], str],
) -> list[list[str]]:
    if long:
        return [["Time", "Tag", "Value"], *([written(at, pattern), tag, shown(value)] for at, tag, value in table)]
    held = {(at, tag): value for at, tag, value in table}
    times = list(dict.fromkeys(at for at, _, _ in table))
    return [["Time", *tags], *([written(at, pattern), *(shown(held[at, tag]) for tag in tags)] for at in times)]


@settings(max_examples=25, deadline=None)
@given(dialects())
def test_a_table_of_numbers_gives_the_same_samples_in_every_dialect(case: Any) -> None:
    table, data, name, said = case
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(data)

        loaded = Loaded(path, **said)

    assert sorted(loaded.samples) == sorted((at - T // 1000, tag, value) for at, tag, value in table)


@settings(max_examples=5, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 10**6), st.integers(-(10**6), 10**6)), min_size=1, max_size=9, unique_by=lambda p: p[0]
    )
)
def test_parquet_of_any_time_type_gives_the_same_samples(rows: list[tuple[int, int]]) -> None:
    seconds = [1_767_225_600 + at for at, _ in rows]
    instants = [datetime.fromtimestamp(at, UTC) for at in seconds]
    columns = [
        instants,
        [at.astimezone(HELSINKI).replace(tzinfo=None) for at in instants],
        [at * 1000 for at in seconds],
    ]
    expected = sorted((at - T // 1000, "a", value / 100) for at, (_, value) in zip(seconds, rows, strict=True))
    with tempfile.TemporaryDirectory() as folder:
        for place, times in enumerate(columns):
            path = Path(folder) / f"{place}.parquet"
            pl.DataFrame({"ts": times, "a": [value / 100 for _, value in rows]}).write_parquet(path)

            assert sorted(Loaded(path).samples) == expected


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-01 02:00:00+00", "2026-03-01 03:00:00+0100", "2026-03-01 03:00:00 +01:00", "2026-03-01T02:00:00z",
        "01.03.26 04:00", "1.3.2026 4.00", "1.3.2026 4.00.00", "1.3.2026, 04:00:00", "1772330400.0", "1772330400,000",
    ],
)  # fmt: skip
def test_rarer_ways_of_writing_a_time_are_understood(file: Write, text: str) -> None:
    assert Loaded(file("ts;a", f"{text};5")).samples == [(0, "a", 5.0)]


def test_offsets_may_differ_from_row_to_row(file: Write) -> None:
    rows = (
        "2026-03-01T02:00:00Z;1",
        "2026-03-01T05:00:01+03:00;2",
        "2026-03-01T01:00:02-01:00;3",
        "2026-03-01T02:00:03+00;4",
    )

    assert Loaded(file("ts;a", *rows)).samples == [(0, "a", 1.0), (1, "a", 2.0), (2, "a", 3.0), (3, "a", 4.0)]


def test_a_spreadsheets_own_first_line_names_the_delimiter(file: Write) -> None:
    assert Loaded(file("sep=;", "ts;a", "01.03.2026 04:00;1,5", ";")).samples == [(0, "a", 1.5)]


def test_names_that_come_again_in_the_middle_are_passed_over(file: Write) -> None:
    rows = ("ts,tag,value", "2026-03-01T02:00:00Z,a,1", "ts,tag,value", "2026-03-01T02:00:01Z,a,2", ",,")

    assert Loaded(file(*rows)).samples == [(0, "a", 1.0), (1, "a", 2.0)]
    wide = file("ts;a;b", "01.03.2026 04:00;1;2", "ts;a;b", "01.03.2026 04:01;3;4", name="wide.csv")
    assert len(Loaded(wide).samples) == 4


def test_lines_are_still_right_below_names_that_come_again(file: Write) -> None:
    assert faults(file("ts,a", "2026-03-01T02:00:00Z,1", "ts,a", "soon,2"))[0].startswith("export.csv:4: column ts")


def test_signs_are_told_by_numbers_that_leave_no_choice() -> None:
    assert signs_of(["1.234,5", "7"]) == Signs(decimal=",", thousands="point")
    assert signs_of(["1,234.5", "7"]) == Signs(decimal=".", thousands="comma")
    assert signs_of(["1,234,567"]) == Signs(decimal=".", thousands="comma")
    assert signs_of(["12 345,6"]) == Signs(decimal=",", thousands="space")
    assert signs_of(["12\u202f345.6"]) == Signs(decimal=".", thousands="space")
    assert signs_of(["1,5", "0,250"]) == Signs(decimal=",")
    assert signs_of(["0,250"]) == Signs(decimal=",")
    assert signs_of(["1.250", "C80", ""]) == Signs()


def test_a_comma_before_three_digits_everywhere_is_asked_about(file: Write) -> None:
    path = file("ts;a", "01.03.2026 04:00;7", "01.03.2026 04:01;1,250")

    assert faults(path) == [
        'export.csv:3: column a: "1,250" can be read in two ways: give --decimal comma, or --thousands comma'
    ]
    assert [value for _, _, value in Loaded(path, decimal=",").samples] == [7.0, 1.25]
    assert [value for _, _, value in Loaded(path, thousands="comma").samples] == [7.0, 1250.0]


def test_one_sign_cannot_be_both() -> None:
    with pytest.raises(SignsUnclear, match="cannot both be comma"):
        signs_of([], decimal=",", thousands="comma")


def test_a_point_is_no_number_where_the_decimal_sign_is_a_comma(file: Write) -> None:
    rows = ("01.03.2026 04:00;1,5", "01.03.2026 04:01;1.234")

    assert faults(file("ts;a", *rows), decimal=",") == [
        'export.csv:3: column a: "1.234" has a decimal point, and --decimal comma was given: mend it, or give another '
        "sign, or none"
    ]


@pytest.mark.parametrize(("sign", "cell", "other"), [(",", "700.2", "point"), (".", "700,2", "comma")])
def test_a_decimal_sign_that_was_given_and_does_not_fit_is_named_for_any_tag(
    file: Write, sign: str, cell: str, other: str
) -> None:
    path = file("ts;reel.speed;new.tag", f"2026-03-01T02:00:00Z;{cell};{cell}")

    assert [fault.split(": ", 1)[0] for fault in faults(path, decimal=sign)] == ["export.csv:2"] * 2
    assert all(f'"{cell}" has a decimal {other}, and --decimal' in fault for fault in faults(path, decimal=sign))
    assert len(Loaded(path).samples) == 2


# ------------------------------------------------------------------------------------------------------- words for bad


def test_words_for_no_value_are_kept_as_bad_and_counted(file: Write) -> None:
    words = ("I/O Timeout", "#N/A", "Bad", "Bad", "#DIV/0!")
    rows = [f"2026-03-01T02:00:{place:02}Z,reel.speed,{word}" for place, word in enumerate(words)]

    loaded = Loaded(file("ts,tag,value", *rows, "2026-03-01T02:01:00Z,reel.speed,800"))

    assert [value for _, _, value in loaded.samples] == [None] * 5 + [800.0]
    assert '  taken as bad: 5 ("Bad" 2, "#DIV/0!" 1, "#N/A" 1, "I/O Timeout" 1)' in loaded.lines
    assert loaded.records[0]["bad"] == {"Bad": 2, "#DIV/0!": 1, "#N/A": 1, "I/O Timeout": 1}


def test_more_words_for_bad_and_for_the_truths_can_be_given(file: Write) -> None:
    rows = ("2026-03-01T02:00:00Z,Kalibrierung,ON", "2026-03-01T02:00:01Z,800,Off")
    path = file("ts,reel.speed,sheet.press", *rows)

    said = faults(path)
    loaded = Loaded(path, bad=("kalibrierung",), true=("on",), false=("off",))

    assert said == [
        'export.csv:2: column reel.speed: "Kalibrierung" is no number, and mill.toml says that reel.speed is one: if '
        'it stands for a bad value, give --bad "Kalibrierung"; a unit belongs into mill.toml',
        'export.csv:2: column sheet.press: "ON" is neither true nor false: say which sheet.press means by it, with '
        "--true or --false",
        'export.csv:3: column sheet.press: "Off" is neither true nor false: say which sheet.press means by it, with '
        "--true or --false",
    ]
    assert loaded.samples == [
        (0, "reel.speed", None),
        (0, "sheet.press", True),
        (1, "reel.speed", 800.0),
        (1, "sheet.press", False),
    ]


def test_a_text_among_the_numbers_of_a_tag_without_an_entry_is_kept_and_told(file: Write) -> None:
    loaded = Loaded(file("ts,x", "2026-03-01T02:00:00Z,1", "2026-03-01T02:00:01Z,2", "2026-03-01T02:00:02Z,Wartung"))

    assert loaded.samples[-1] == (2, "x", "Wartung")
    assert any("look: x has 2 numbers and 1 texts" in line for line in loaded.lines)


# --------------------------------------------------------------------------------------------------------------- units


def test_a_unit_in_brackets_is_no_part_of_the_name_of_a_known_tag(file: Write) -> None:
    path = file("ts,reel.speed [m/min],press.draw (%),other (x)", "2026-03-01T02:00:00Z,800,1.5,3")

    assert Loaded(path).samples == [(0, "reel.speed", 800.0), (0, "press.draw", 1.5), (0, "other (x)", 3.0)]


@pytest.mark.parametrize(
    ("lines", "place"),
    [
        (("ts;reel.speed (°C)", "01.03.2026 04:00;800"), "export.csv:1: column reel.speed"),
        (("ts;reel.speed;press.draw", ";°C;%", "01.03.2026 04:00;800;1,5"), "export.csv:2: column reel.speed"),
    ],
)
def test_a_unit_that_is_not_the_mills_is_refused(file: Write, lines: tuple[str, ...], place: str) -> None:
    path = file(*lines)

    (said,) = faults(path)

    assert said.startswith(f'{place}: is in "°C", and mill.toml says m/min: mend the file, or give the tag its factor')
    assert Loaded(path, any_unit=True).samples[0] == (0, "reel.speed", 800.0)


def test_a_tag_that_mill_toml_converts_may_come_in_its_own_unit(file: Write) -> None:
    mill = readable_mill(('name = "press.draw"', 'name = "press.draw"\nfactor = 0.1'))

    assert len(Loaded(file("ts,press.draw [per mille]", "2026-03-01T02:00:00Z,18"), mill=mill).samples) == 1


def test_units_are_the_same_however_they_are_spelt() -> None:
    assert not differ("g/m2", "g/m²")
    assert not differ("[ gsm ]", "g/m2")
    assert not differ("degC", "°C")
    assert not differ("-", "m/min")
    assert not differ("m/min", None)
    assert differ("m/s", "m/min")
    assert split_name("press.draw [%]") == ("press.draw", "%")
    assert split_name("T °C") == ("T °C", None)
    assert units_row([("Speed of the reel drum", "Draw"), ("m/min", "%")]) == 1
    assert units_row([("Reel", "Draw")]) is None


def test_values_far_out_of_their_range_tell_of_another_unit(file: Write) -> None:
    """press.draw is 0.5 to 4 %: a range 3.5 wide, so that beyond -3 and 7.5 is absurd. 180 would be hundredths."""
    rows = [f"2026-03-01T02:{n:02}:00Z,0" for n in range(5)] + [f"2026-03-01T03:{n:02}:00Z,180" for n in range(30)]
    path = file("ts,press.draw", *rows)

    (said,) = faults(path)

    assert said.startswith(
        "export.csv:7: column press.draw: 180 and 30 of 30 values of press.draw are far out of 0.5 to 4 % (mill.toml)"
    )
    assert len(Loaded(path, any_unit=True).samples) == 35


def test_a_few_values_out_of_their_range_are_taken(file: Write) -> None:
    rows = [f"2026-03-01T02:{n:02}:00Z,{180 if n % 3 else 1.8}" for n in range(30)]

    assert len(Loaded(file("ts,press.draw", *rows)).samples) == 30


def test_a_speed_that_never_runs_is_told(file: Write) -> None:
    lines = Loaded(file("ts,reel.speed", "2026-03-01T02:00:00Z,13.5")).lines

    assert "  look: reel.speed never passes 50 m/min, so that pm2 stands all the time: is it in m/min?" in lines


def test_what_mill_toml_says_of_tags_goes_by_the_names_in_the_file() -> None:
    mill: Mill = readable_mill(('name = "press.draw"', 'name = "press.draw"\nsent_as = "DRW"'))

    known = known_tags(mill)

    assert (known["pm2", "DRW"].unit, known["pm2", "DRW"].low) == ("%", 0.5)
    assert ("pm2", "press.draw") not in known
    assert known["pm2", "reel.speed"].unit == "m/min"
    assert not known["pm2", "order.grade"].is_number


# -------------------------------------------------------------------------------------------------------------- faults


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        ("2026-03-01T02:00:00Z,a,1,234.5", "has 4 columns, where there are 3 names"),
        ("2026-03-01T02:00:00Z,reel.speed,1 234", 'column value: "1 234" has its thousands set apart, unlike the rest'),
        ("2026-03-01T02:00:00Z,reel.speed,1'234", "give --thousands apostrophe"),
        ("2026-13-01T02:00:00Z,a,5", 'column ts: "2026-13-01T02:00:00Z" is not a time like the others'),
        ("2026-03-01 04:00,a,5", 'column ts: "2026-03-01 04:00" has no offset, unlike the rows before it'),
        ("2026-03-01T02:00:00Z,a\tb,5", 'column tag: "a\\tb" cannot be the name of a tag'),
    ],
)
def test_more_faults_are_named_with_file_line_column_and_what_to_do(file: Write, row: str, fault: str) -> None:
    good = [f"2026-03-01T02:00:{n:02}Z,a,1.5" for n in range(5)]

    (said,) = faults(file("ts,tag,value", *good, row))

    assert said.startswith("export.csv:7: ")
    assert fault in said


def test_an_offset_in_a_file_of_local_times_is_told_whatever_its_form(file: Write) -> None:
    for offset in ("Z", "+02", "+0200", "+02:00"):
        path = file("ts;a", *(f"2026-03-01 04:00:0{n};1" for n in range(3)), f"2026-03-01 04:00:05{offset};1")

        assert (
            f'export.csv:5: column ts: "2026-03-01 04:00:05{offset}" has an offset, unlike the rows' in faults(path)[0]
        )


def test_thousands_are_a_fault_where_a_person_said_that_there_are_none(file: Write) -> None:
    path = file("ts,a", '2026-03-01T02:00:00Z,"1,234.5"')

    assert Loaded(path).samples == [(0, "a", 1234.5)]
    assert 'column a: "1,234.5" has its thousands set apart, unlike the rest' in faults(path, decimal=".")[0]


def test_a_letter_of_another_encoding_is_told_with_its_line(file: Write) -> None:
    early = file("ts;a", "01.03.2026 04:00;1", "01.03.2026 04:01;märkä", encoding="latin-1")
    late = file("ts;a", *["01.03.2026 04:00;1"] * 4000, "01.03.2026 04:01;märkä", name="late.csv", encoding="latin-1")

    assert faults(early) == ["export.csv:3: is not utf-8: give --encoding latin-1 or utf-16"]
    assert faults(late) == ["late.csv:4002: is not in the encoding of the file: give --encoding latin-1 or utf-16"]


def test_utf_16_is_found_without_its_mark_and_refused_the_other_way_round(tmp_path: Path) -> None:
    text = "ts;T °C\n01.03.2026 04:00;1,5\n"
    (tmp_path / "low.csv").write_bytes(text.encode("utf-16-le"))
    (tmp_path / "high.csv").write_bytes(b"\xfe\xff" + text.encode("utf-16-be"))

    assert Loaded(tmp_path / "low.csv").samples == [(0, "T °C", 1.5)]
    assert faults(tmp_path / "high.csv") == [
        "high.csv: is UTF-16 with the high byte first, which cannot be read: save it as UTF-8"
    ]


def test_a_workbook_is_refused_with_the_way_out(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "book.csv", "w") as book:
        book.writestr("sheet1.xml", "<sheet/>")

    assert faults(tmp_path / "book.csv") == [
        "book.csv: is a workbook or another zip archive: save its sheet as CSV, or unpack it"
    ]


def test_a_fault_is_a_record_too(tmp_path: Path) -> None:
    fault = HistoryFault(tmp_path / "a.csv", "is empty", line=3, column="ts")

    assert fault.as_dict() == {"file": str(tmp_path / "a.csv"), "line": 3, "column": "ts", "reason": "is empty"}
    assert HistoryFaults([fault], more=2).more == 2


# --------------------------------------------------------------------------------------------------------- dry run JSON


def test_a_dry_run_for_programs_has_a_record_a_file(mill_file: Path, file: Write, tmp_path: Path) -> None:
    path = file("Time;reel.speed;sheet.press;x", "01.03.2026 04:00;812,5;1;Bad", "01.03.2026 04:01;812,5;1;2")
    (tmp_path / "night.jsonl").write_text("")

    result = run(mill_file, str(path), str(tmp_path / "night.jsonl"), "--dry-run", "--json")

    first, second = json.loads(result.stdout)
    assert (result.exit_code, second["kind"]) == (0, "stream")
    shown = {key: first[key] for key in first if key not in ("tags", "missing", "file")}
    assert shown == {
        "kind": "text", "encoding": "utf-8", "delimiter": ";", "decimal": ",", "thousands": None, "names_line": 1,
        "first_line": 2, "form": "wide", "time_column": "Time", "time_format": "%d.%m.%Y %H:%M",
        "time_zone": "Europe/Helsinki", "values": 6, "bad": {"Bad": 1}, "first_at": "2026-03-01T02:00:00.000Z",
        "last_at": "2026-03-01T02:01:00.000Z", "doubts": [], "faults": [], "more_faults": 0,
    }  # fmt: skip
    assert [(tag["tag"], tag["roles"], tag["values"], tag["bad"]) for tag in first["tags"]] == [
        ("reel.speed", ["speed"], 2, 0), ("sheet.press", ["sheet detector (press)"], 2, 0), ("x", [], 2, 1),
    ]  # fmt: skip
    assert first["missing"]["pm2"][0] == "headbox.stock_on"


def test_a_dry_run_for_programs_tells_faults_where_they_are_and_fails(mill_file: Path, file: Write) -> None:
    path = file("ts,reel.speed", "2026-03-01T02:00:00Z,812", "2026-03-01T02:00:01Z,fast")
    other = file("reel.speed", "5", name="b.csv")

    result = run(mill_file, str(path), str(other), "--dry-run", "--json")

    first, second = json.loads(result.stdout)
    assert result.exit_code == 1
    assert (first["faults"][0]["line"], first["faults"][0]["column"]) == (3, "reel.speed")
    assert second["faults"][0]["reason"].startswith("has one column only")


def test_json_without_a_dry_run_is_wrong_usage(mill_file: Path, file: Write) -> None:
    assert run(mill_file, str(file("ts,a", "2026-03-01T02:00:00Z,1")), "--json").exit_code == 2
