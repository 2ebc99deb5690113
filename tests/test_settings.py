"""mill.toml as validated values."""

from __future__ import annotations

import json
import tomllib
from datetime import date, time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example as with_input
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator  # type: ignore[import-untyped]  # it comes with altair, without types
from pydantic import BaseModel

import collector
from collector.settings import (
    FieldsSource,
    Machine,
    MillFault,
    MillFaults,
    ScanSource,
    SparkplugSource,
    ValueSource,
    load_mill,
    mill_schema,
    parse_mill,
)
from collector.settings.cross import cross_faults
from collector.settings.locate import key_lines, line_of
from collector.settings.model.mill import TABLES, Mill
from collector.sheet import Rules
from tests.mills import EXAMPLE, example

RULES_IN_S = (
    "reorder", "debounce", "blind_margin", "stale_after", "trip_window", "attempt_pause", "on_reel_confirm",
)  # fmt: skip

MACHINE = """
[mill]
name = "Ellerholm"
time_zone = "Europe/Helsinki"
[[source]]
topic = "ellerholm/{machine}/scan"
format = "scan"
[[machine]]
id = "pm2"
name = "PM 2"
trim_m = 3.4
signals.speed = "reel.speed"
[[machine.sheet_detector]]
tag = "sheet.reel"
section = "reel"
position_m = 275
"""


BESIDE = ("source[2]", "grade[1].moisture_pct[2]", "machine[1].tag[1].high")
"""Faults that are told at another line than the one that was changed: the table's, or the other limit's."""


def faults_of(text: str) -> tuple[MillFault, ...]:
    with pytest.raises(MillFaults) as caught:
        parse_mill(text, file=Path("/mill/mill.toml"))
    return caught.value.faults


def test_the_example_of_the_design_is_accepted() -> None:
    mill = load_mill(EXAMPLE)

    assert (mill.name, mill.currency, mill.planned_cutoff_h) == ("Ellerholm", "EUR", 24)
    assert mill.zone == ZoneInfo("Europe/Helsinki")
    assert [type(source) for source in mill.sources] == [ScanSource, ValueSource, SparkplugSource, FieldsSource]
    assert mill.shifts is not None
    assert mill.shifts.starts == (time(6), time(18))
    assert mill.shifts.anchor == date(2026, 1, 5)
    assert mill.grades[0].moisture_pct == (4.0, 6.0)


def test_the_demo_mill_is_accepted() -> None:
    assert load_mill(Path("replay_data/mill.toml")).name == "Ellerholm"


def test_what_is_left_out_has_the_defaults_of_the_contract() -> None:
    mill = parse_mill(MACHINE, file=Path("/mill/mill.toml"))

    machine = mill.machine("pm2")
    assert (machine.running_above_m_min, machine.reorder_s, machine.max_ahead_s, machine.debounce_s) == (50, 1, 300, 2)
    assert (machine.blind_margin_s, machine.stale_after_s, machine.trip_window_s, machine.trip_drop_pct) == (
        5,
        60,
        15,
        20,
    )
    assert (machine.attempt_pause_s, machine.on_reel_confirm_s) == (300, 30)
    assert (machine.secondary_within_min, machine.turn_up_window_s) == (30, 60)
    assert (mill.broker.host, mill.broker.port, mill.broker.client_id) == ("127.0.0.1", 1883, "breakhorn-ellerholm")
    assert (mill.store.publish_every_s, mill.store.commit_within_s) == (10, 0.1)
    assert mill.topic_root == "ellerholm"
    assert mill.shifts is None
    assert mill.money.margin_per_t is None


def test_the_tracker_does_not_follow_the_moisture() -> None:
    text = MACHINE.replace("signals.speed", 'signals.moisture = "scanner.moisture"\nsignals.speed')

    signals = parse_mill(text, file=Path("mill.toml")).machine("pm2").signals

    assert ("moisture", "scanner.moisture") in signals.items()
    assert signals.tracked() == (("speed", "reel.speed"),)


def test_a_relative_folder_lies_beside_the_file() -> None:
    mill = parse_mill(MACHINE, file=Path("/mill/mill.toml"))

    assert mill.store.folder == Path("/mill/store")


def test_relative_key_files_lie_beside_the_file() -> None:
    text = example(('host = "127.0.0.1"', 'tls_ca = "keys/ca.pem"'))

    mill = parse_mill(text, file=Path("/mill/mill.toml"))

    assert mill.broker.tls_ca == Path("/mill/keys/ca.pem")


def test_a_live_grammage_may_also_bear_witness_at_the_reel() -> None:
    text = MACHINE.replace("signals.speed", 'signals.basis_weight = "bw"\nsignals.reel_witness = "bw"\nsignals.speed')

    signals = parse_mill(text, file=Path("mill.toml")).machine("pm2").signals

    assert (signals.basis_weight, signals.reel_witness) == ("bw", "bw")


def test_a_sheet_detector_cannot_bear_witness() -> None:
    text = MACHINE.replace("signals.speed", 'signals.reel_witness = "sheet.reel"\nsignals.speed')

    with pytest.raises(MillFaults, match="reel_witness"):
        parse_mill(text, file=Path("mill.toml"))


def test_a_machine_that_the_file_does_not_name_is_a_key_error() -> None:
    mill = parse_mill(MACHINE, file=Path("mill.toml"))

    with pytest.raises(KeyError, match="pm9"):
        mill.machine("pm9")


def test_values_do_not_change() -> None:
    machine = parse_mill(MACHINE, file=Path("mill.toml")).machine("pm2")

    with pytest.raises(ValueError, match="frozen"):
        machine.trim_m = 4.0


@pytest.mark.parametrize(
    ("old", "new", "key", "message"),
    [
        ('id = "pm2"', 'id = "pm 2"', "machine[1].id", "may hold letters"),
        ('id = "pm2"', 'id = "collector"', "machine[1].id", "choose another id"),
        ("trim_m = 3.40", 'trim_m = "3.40"', "machine[1].trim_m", "must be a number, not a text"),
        ("trim_m = 3.40", "trim_m = nan", "machine[1].trim_m", "finite"),
        ("trim_m = 3.40", "trim_m = 0", "machine[1].trim_m", "must be more than 0"),
        ("trim_m = 3.40", "trim_m = true", "machine[1].trim_m", "must be a number, not true or false"),
        (
            "running_above_m_min = 50",
            "running_above = 50",
            "machine[1].running_above",
            'did you mean "running_above_m_min"?',
        ),
        ("port = 1883", "port = 1883.5", "broker.port", "must be a whole number, not a number"),
        ("port = 1883", "port = 70000", "broker.port", "must be 65535 or less"),
        ('client_id = "breakhorn-ellerholm"', 'password = "x"', "broker.password", "does not belong in this file"),
        ('client_id = "breakhorn-ellerholm"', 'tls_key = "x"', "broker.tls_key", "needs tls_cert too"),
        ('client_id = "breakhorn-ellerholm"', 'password_env = "x"', "broker.password_env", "needs username too"),
        ('"Europe/Helsinki"', '"Europe/Helsinky"', "mill.time_zone", 'did you mean "Europe/Helsinki"?'),
        ('"Europe/Helsinki"', '"../etc/passwd"', "mill.time_zone", "no such time zone"),
        ('name = "Ellerholm"', 'name = "Eller#holm"', "mill.name", "set topic_root"),
        ('folder = "store"', "folder = 3", "store.folder", "must be a text that names a file or folder"),
        ('/scan"', '/scan/{tag}"', "source[1].topic", "a scan names its tags itself"),
        ('"ellerholm/{machine}/scan"', '"pm2/scan"', "source[1].topic", "needs {machine}"),
        ('"ellerholm/{machine}/scan"', '"a/{machine}/{machine}"', "source[1].topic", "more than once"),
        ('"ellerholm/{machine}/scan"', '"a/pm-{machine}"', "source[1].topic", "must be a whole level"),
        ('"ellerholm/{machine}/scan"', '"a/{machine}/#"', "source[1].topic", "must not hold #"),
        ('"ellerholm/{machine}/scan"', '"$SYS/{machine}"', "source[1].topic", "must not begin with $"),
        ('"ellerholm/{machine}/scan"', '"ellerholm/{machine}/note"', "source[1].topic", "own topics"),
        ('tag/{tag}"', 'tag"', "source[2].topic", "needs {tag}"),
        ('format = "value"', 'format = "values"', "source[2]", "unknown format"),
        ('format = "value"', 'machine = "pm2"\nformat = "value"', "source[2].machine", "choose one"),
        ('"gw1", "gw2"', '"gw1", "gw1"', "source[3].edges[2]", "is there twice"),
        ('machine = "/asset"', 'machine = "asset"', "source[4].machine", 'no machine has the id "asset"'),
        (
            'value = "/value"',
            'value = "/value"\ngood_qualities = [1.5]',
            "source[4].good_qualities[1]",
            "must be a text",
        ),
        ('machine = "/asset"', 'machine = ""', "source[4].machine", "must not be empty"),
        ('format = "value"', "", "source[2]", 'has no "format"'),
        ('client_id = "breakhorn-ellerholm"', 'tls_cert = "x"\ntls_key = "y"', "broker.tls_cert", "needs tls_ca too"),
        (
            'client_id = "breakhorn-ellerholm"',
            'password_env = "x"\nusername = "u"\npassword_file = "y"',
            "broker.password_file",
            "choose one",
        ),
        ("[4.0, 6.0]", "[4.0, 6.0, 7.0]", "grade[1].moisture_pct", "takes at most 2, has 3"),
        ("[4.0, 6.0]", "7", "grade[1].moisture_pct", "must be a list, not a number"),
        ("volume_m3 = 800", "volume_m3 = [800]", "broke_tower[1].volume_m3", "must be a number, not a list"),
        ("volume_m3 = 800", "volume_m3 = {is = 800}", "broke_tower[1].volume_m3", "must be a number, not a table"),
        ("volume_m3 = 800", "volume_m3 = 2026-01-05", "broke_tower[1].volume_m3", "must be a number, not a date"),
        ("06:00", "06:00:00+02:00", "shifts.starts[1]", "is not a time of day"),
        ('"06:00", "18:00"', "06:00:00, 18:00:00.5", "shifts.starts[2]", "must be a mill-local time of day"),
        ('time = "/timestamp"', 'time = "timestamp"', "source[4].time", "is not a JSON Pointer"),
        ('time = "/timestamp"', 'time = "/a~2"', "source[4].time", "is not a JSON Pointer"),
        ('stock_on = "headbox.stock_on"', 'stock_on = "reel.speed"', "machine[1].signals.stock_on", "is speed already"),
        ('tag = "sheet.press"', 'tag = "reel.speed"', "machine[1].sheet_detector[1].tag", "is speed already"),
        ("position_m = 31.0", "position_m = -1", "machine[1].sheet_detector[1].position_m", "must be 0 or more"),
        ("low = 0.5", "low = 4.0", "machine[1].tag[1].high", "must be more than low (4)"),
        ('use = "process"', 'use = "proces"', "machine[1].tag[1].use", "must be 'process', 'result' or 'context'"),
        ('section = "press"\nname', 'section = "pres"\nname', "cause[1].section", 'did you mean "press"?'),
        ('["06:00", "18:00"]', '["06:00", "6 pm"]', "shifts.starts[2]", "is not a time of day"),
        ('["06:00", "18:00"]', '["06:00", "25:00"]', "shifts.starts[2]", "is not a time of day"),
        ('["06:00", "18:00"]', '["18:00", "06:00"]', "shifts.starts[2]", "must be later than 18:00"),
        ('["day", "night"]', '["day"]', "shifts.names", "has 1 names for 2 starts"),
        ('["day", "night"]', '["day", "day"]', "shifts.names[2]", "is there twice"),
        ('"D", "C", "D"]', '"D", "C"]', "shifts.pattern", "does not fill whole days of 2 shifts"),
        ("2026-01-05", '"2026-01-05"', "shifts.anchor", "must be a date such as 2026-01-05, without quotes"),
        ("[4.0, 6.0]", "[6.0, 4.0]", "grade[1].moisture_pct", "first limit must be less"),
        ("[4.0, 6.0]", "[4.0]", "grade[1].moisture_pct[2]", "is missing"),
        ('["couch", "press"]', '["couch", "couch"]', "broke_pit[1].sections[2]", "falls into couch pit already"),
        ("volume_m3 = 800", 'machine = "pm3"', "broke_tower[1].machine", 'no machine has the id "pm3"'),
        ("trim_m = 3.40", 'trim_m = 3.40\nadded_from = "pres"', "machine[1].added_from", 'did you mean "press"?'),
        ("trim_m = 3.40", "trim_m = 3.40\nadded_g_m2 = 3", "machine[1].added_g_m2", "needs added_from"),
        ("trim_m = 3.40", "trim_m = 3.40\nreel_moisture_pct = 100", "machine[1].reel_moisture_pct", "less than 100"),
        ('code = "PR-FLT"', 'code = "PR-FLT"\nloss = "bad luck"', "cause[1].loss", "must be 'scheduled'"),
        ('format = "value"', 'format = "value"\nheartbeat_s = 0.5', "source[2].heartbeat_s", "must be 1 or more"),
        ("margin_per_t = 300", "margin_per_t = -1", "money.margin_per_t", "must be 0 or more"),
    ],
)
def test_a_fault_names_the_line_the_key_and_the_way_out(old: str, new: str, key: str, message: str) -> None:
    text = example((old, new))

    (fault,) = faults_of(text)

    assert fault.key == key
    assert message in fault.message
    assert fault.line is not None
    if key not in BESIDE:
        assert any(piece in text.splitlines()[fault.line - 1] for piece in new.splitlines())


@pytest.mark.parametrize(
    ("table", "key"),
    [
        ('[[cause]]\ncode = "PR-FLT"\nname = "x"', "cause[2].code"),
        ('[[grade]]\nname = "C80"\nbasis_weight_g_m2 = 80', "grade[2].name"),
        ('[[broke_tower]]\nname = "white tower"', "broke_tower[2].name"),
        ('[[machine.tag]]\nname = "press.draw"', "machine[1].tag[2].name"),
    ],
)
def test_what_is_there_twice_is_a_fault_at_the_second(table: str, key: str) -> None:
    text = example(("[[cause]]", f"{table}\n[[cause]]")) if "machine" in table else f"{example()}\n{table}\n"

    (fault,) = faults_of(text)

    assert fault.key == key
    assert "is there twice" in fault.message


SWAP = 'date = 2026-12-24\nto = 2026-12-26\ncrew = "A"\n'


@pytest.mark.parametrize(
    ("override", "key", "message"),
    [
        ("date = 2026-12-24", "shifts.override[1]", "give either the crew that takes the shift, or off = true"),
        (SWAP + "off = true", "shifts.override[1]", "give either the crew that takes the shift, or off = true"),
        (SWAP + 'shift = "nigth"', "shifts.override[1].shift", 'did you mean "night"?'),
        (SWAP.replace('"A"', '"X"'), "shifts.override[1].crew", 'the rota has no crew "X": it has A, B, C, D'),
        (SWAP.replace("12-26", "12-23"), "shifts.override[1].to", "must not be before date"),
        (SWAP + '[[shifts.override]]\ndate = 2026-12-26\nshift = "night"\noff = true', "shifts.override[2]",
         "override 1 speaks of the night shift of 2026-12-26 already"),
        ('date = "2026-12-24"\noff = true', "shifts.override[1].date", "without quotes"),
    ],
)  # fmt: skip
def test_an_override_of_the_rota_that_cannot_be_is_a_fault(override: str, key: str, message: str) -> None:
    (fault,) = faults_of(f"{example()}\n[[shifts.override]]\n{override}\n")

    assert fault.key == key
    assert message in fault.message
    assert fault.line is not None


LATER = (
    "[[shifts.later]]\ndate = 2027-01-04\nanchor = 2027-01-04\n"
    'starts = ["06:00", "14:00", "22:00"]\nnames = ["early", "late", "night"]\npattern = ["A", "B", "E"]\n'
)


@pytest.mark.parametrize(
    ("text", "key", "message"),
    [
        (LATER.replace(', "E"', ""), "shifts.later[1].pattern", "does not fill whole days of 3 shifts"),
        (LATER.replace('"late"', '"early"'), "shifts.later[1].names[2]", "is there twice"),
        (LATER + LATER, "shifts.later[2].date", "must be after 2027-01-04"),
        (LATER.replace("date = 2027-01-04", "", 1), "shifts.later[1].date", "missing"),
    ],
)
def test_a_later_rota_that_cannot_be_is_a_fault(text: str, key: str, message: str) -> None:
    (fault,) = faults_of(f"{example()}\n{text}")

    assert fault.key == key
    assert message in fault.message


def test_an_override_may_name_a_crew_of_a_later_rota() -> None:
    override = '[[shifts.override]]\ndate = 2027-02-01\nshift = "late"\ncrew = "E"\n'

    mill = parse_mill(f"{example()}\n{LATER}{override}", file=EXAMPLE)

    assert mill.shifts is not None
    assert mill.shifts.rota_on(date(2027, 1, 3)).names == ("day", "night")
    assert mill.shifts.rota_on(date(2027, 1, 4)).names == ("early", "late", "night")


def test_an_override_of_one_day_and_one_of_a_shutdown_are_read() -> None:
    text = '[[shifts.override]]\ndate = 2026-12-31\nshift = "night"\noff = true\n'

    mill = parse_mill(f"{example()}\n[[shifts.override]]\n{SWAP}{text}", file=EXAMPLE)

    assert mill.shifts is not None
    swap, shutdown = mill.shifts.overrides
    assert (swap.first_day, swap.last_day, swap.shift, swap.crew) == (date(2026, 12, 24), date(2026, 12, 26), None, "A")
    assert (shutdown.shift, shutdown.off) == ("night", True)


@pytest.mark.parametrize(
    ("page", "key", "message"),
    [
        ('host = "0.0.0.0"', "page.host", "anybody could code breaks"),
        ('trusted_proxies = ["192.0.2.7"]', "page.trusted_proxies", "anybody could code breaks"),
        ('trusted_proxies = ["*"]\ntoken_env = "T"', "page.trusted_proxies[1]", "no address and no network"),
        ('host = "127.mill.example"', "page.host", "anybody could code breaks"),
        ('tls_cert = "x"', "page.tls_cert", "needs tls_key too"),
        ('token_env = "x"\ntoken_file = "y"', "page.token_file", "choose one"),
        ('broker_password_file = "x"', "page.broker_password_file", "needs broker_username too"),
        ('language = "English"', "page.language", ""),
        ("port = 0", "page.port", "must be 1 or more"),
    ],
)
def test_a_page_that_cannot_be_served_as_it_is_written_is_a_fault(page: str, key: str, message: str) -> None:
    (fault,) = faults_of(example() + f"\n[page]\n{page}\n")

    assert fault.key == key
    assert message in fault.message


@pytest.mark.parametrize("more", ["", 'host = "127.0.0.2"', 'host = "0.0.0.0"\ntoken_file = "x"', 'host = "::1"'])
def test_a_page_that_asks_who_is_there_may_be_seen_from_elsewhere(more: str) -> None:
    mill = parse_mill(example() + f"\n[page]\n{more}\n", file=Path("/mill/mill.toml"))

    assert mill.page.port == 8620


def test_two_sources_that_may_bring_the_same_message_are_a_fault() -> None:
    text = example(
        ("ellerholm/{machine}/scan", "gateway/{machine}/scan"),
        ('ellerholm/{machine}/tag/{tag}"', 'gateway/+/{tag}"\nmachine = "pm2"'),
    )

    (fault,) = faults_of(text)

    assert fault.key == "source[2].topic"
    assert "takes in topics of source 1 too" in fault.message


def test_detectors_out_of_path_order_are_a_fault() -> None:
    text = MACHINE + '[[machine.sheet_detector]]\ntag = "sheet.press"\nsection = "press"\nposition_m = 31\n'

    (fault,) = faults_of(text)

    assert fault.key == "machine[1].sheet_detector[2].position_m"
    assert fault.line == text.splitlines().index("position_m = 31") + 1


def test_every_fault_is_told_at_once_in_the_order_of_the_lines() -> None:
    text = example(
        ("port = 1883", "port = 0"),
        ("trim_m = 3.40", "trim = 3.40"),
        ("high = 4.0", "high = 0.1"),
        ('code = "PR-FLT"', "code = 7"),
        ("plan_t_d = 290", 'plan_t_d = "290"'),
    )

    faults = faults_of(text)

    assert [fault.key for fault in faults] == [
        "broker.port",
        "machine[1].trim_m",
        "machine[1].trim",
        "machine[1].tag[1].high",
        "cause[1].code",
        "grade[1].plan_t_d",
    ]


def test_a_fault_reads_as_one_line_with_file_line_and_key() -> None:
    (fault,) = faults_of(MACHINE.replace("trim_m = 3.4", "trim_m = -1"))

    assert str(fault) == "mill.toml:11: machine[1].trim_m: must be more than 0"


def test_a_file_that_is_not_toml_is_told_with_its_line() -> None:
    (fault,) = faults_of(MACHINE.replace('id = "pm2"', "id = pm2"))

    assert fault.line == 9
    assert "is not TOML" in fault.message


def test_a_missing_file_says_how_to_name_another(tmp_path: Path) -> None:
    with pytest.raises(MillFaults, match="no such file: name one with --mill"):
        load_mill(tmp_path / "mill.toml")


def test_a_file_in_another_encoding_is_told_with_its_line(tmp_path: Path) -> None:
    file = tmp_path / "mill.toml"
    file.write_bytes('[mill]\nname = "Ellerhölm"\n'.encode("latin-1"))

    with pytest.raises(MillFaults, match=r"mill\.toml:2: is not UTF-8"):
        load_mill(file)


def test_a_cause_may_stand_under_a_heading_that_is_no_section() -> None:
    text = example(('section = "press"\nname', 'section = "mechanical"\nname'))

    assert parse_mill(text, file=EXAMPLE).causes[0].section == "mechanical"


def test_a_topic_may_leave_the_machine_to_a_key() -> None:
    text = MACHINE.replace('"ellerholm/{machine}/scan"', '"gateway/scan"\nmachine = "pm2"')

    (source,) = parse_mill(text, file=EXAMPLE).sources

    assert isinstance(source, ScanSource)
    assert source.machine == "pm2"


def test_the_committed_schema_is_current() -> None:
    committed = Path(collector.__file__).with_name("mill.schema.json")

    assert json.loads(committed.read_text(encoding="utf-8")) == json.loads(json.dumps(mill_schema())), (
        "the model has changed: breakhorn check --schema > collector/mill.schema.json"
    )


def test_the_schema_accepts_the_example_and_rejects_a_misspelt_key() -> None:
    """jsonschema (a reference implementation) reads our schema; TOML's dates stand as strings in JSON."""
    validator = Draft202012Validator(mill_schema())
    validator.check_schema(mill_schema())

    document = json.loads(json.dumps(tomllib.loads(example()), default=str))
    misspelt = document | {"shfts": document["shifts"]}

    assert validator.is_valid(document)
    assert not validator.is_valid(misspelt)


def models_within(annotation: object) -> set[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return {annotation}.union(*(models_within(field.annotation) for field in annotation.model_fields.values()))
    return set().union(*(models_within(inner) for inner in getattr(annotation, "__args__", ())))


def test_the_table_of_tables_holds_every_one_of_the_model() -> None:
    assert set(TABLES.values()) == models_within(Mill)


def test_every_setting_says_what_it_is_for() -> None:
    silent = [
        f"{model.__name__}.{name}"
        for model in TABLES.values()
        for name, field in model.model_fields.items()
        if not field.description and name not in ("format", "signals", "tags") and model is not Mill
    ]

    assert silent == []


LINES = """\
# comment = 1
[mill]
name = 'a # b' # c
"quoted key" = 1
zone.deep.er = [
  1, # one
  { a = 1, b = "}" },
]
text = \"\"\"
[not.a.table]
key = 1
\"\"\"
after = 2026-01-05T06:00:00+02:00

[[machine]]
id = 1
[machine.signals]
speed = '''it''s'''
[[machine.tag]]
name = "one"
[[machine.tag]]
name = "two"
[[machine]]
[[machine.tag]]
name = "three"
"""


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("mill",), 2),
        (("mill", "name"), 3),
        (("mill", "quoted key"), 4),
        (("mill", "zone", "deep", "er"), 5),
        (("mill", "zone", "deep", "er", 0), 6),
        (("mill", "zone", "deep", "er", 1, "b"), 7),
        (("mill", "text"), 9),
        (("mill", "after"), 13),
        (("machine", 0, "id"), 16),
        (("machine", 0, "signals", "speed"), 18),
        (("machine", 0, "signals", "missing"), 17),
        (("machine", 0, "tag", 1, "name"), 22),
        (("machine", 1), 23),
        (("machine", 1, "tag", 0, "name"), 25),
        (("nothing",), None),
    ],
)
def test_the_line_of_a_key_is_found_in_every_notation(path: tuple[str | int, ...], line: int | None) -> None:
    tomllib.loads(LINES)

    assert line_of(key_lines(LINES), path) == line


def all_paths(value: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner: list[tuple[str | int, object]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    return [path, *(deeper for key, below in inner for deeper in all_paths(below, (*path, key)))]


def test_every_key_of_the_demo_mill_has_a_line_of_its_own() -> None:
    text = Path("replay_data/mill.toml").read_text(encoding="utf-8")

    lines = key_lines(text)

    assert set(all_paths(tomllib.loads(text))) - {()} == set(lines)


@given(st.data())
def test_a_mill_with_any_piece_replaced_is_valid_or_has_faults_with_lines(data: st.DataObject) -> None:
    """Lines of the example are changed, doubled, dropped or filled with what people and programs write."""
    lines = example().splitlines()
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        key = lines[at].partition("=")[0]
        value = data.draw(
            st.sampled_from(
                ["1", "-1", "nan", "true", '""', '"x"', "[]", "{}", "[1]", '["a", 2]', "2026-01-05", "07:00:00"]
            )
            | st.text(max_size=8)
        )
        changed = data.draw(st.sampled_from([f"{key}= {value}", "", f"{lines[at]}\n{lines[at]}", f"{key}x = {value}"]))
        lines[at] = changed

    try:
        parse_mill("\n".join(lines), file=Path("mill.toml"))
    except MillFaults as error:
        faults = error.faults
    else:
        faults = ()
    assert all(fault.line is not None or fault.message == "is missing" for fault in faults)


KEYS = sorted({field.alias or name for model in TABLES.values() for name, field in model.model_fields.items()})
TEXTS = ["", "/a", "a/{tag}", "06:00", "06:00+02:00", "UTC"]


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.sampled_from(TEXTS),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=6),
        max_leaves=12,
    ),
)
@with_input({"starts": ["06:00", "18:00+02:00"]})
def test_a_table_may_hold_anything_without_breaking_the_checks_across_tables(value: object) -> None:
    for table in ("mill", "broker", "source", "machine", "cause", "shifts", "grade", "broke_pit", "broke_tower"):
        assert isinstance(cross_faults({table: value}), list)


def test_the_machine_is_a_value_that_can_be_a_key() -> None:
    one, other = (parse_mill(MACHINE, file=Path("mill.toml")).machine("pm2") for _ in range(2))

    assert isinstance(one, Machine)
    assert {one: 1}[other] == 1


def test_the_tracker_left_alone_keeps_the_rules_of_a_mill_that_says_nothing() -> None:
    machine = parse_mill(MACHINE, file=Path("/mill/mill.toml")).machine("pm2")

    alone = Rules(machine="pm2", detectors=(), roles={}, trim_m=3.4)

    assert (alone.running_above_m_min, alone.trip_drop_pct) == (machine.running_above_m_min, machine.trip_drop_pct)
    for name in RULES_IN_S:
        assert getattr(alone, f"{name}_ms") == getattr(machine, f"{name}_s") * 1000, name
