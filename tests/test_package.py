"""A data package: sound by the published standard, complete, and with pseudonyms free of every name it came with."""

from __future__ import annotations

import csv
import hashlib
import json
import re
import stat
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema  # type: ignore[import-untyped]
import polars as pl
import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from analysis.dictionary.catalogue import dictionary
from analysis.package.choice import CLOSED, FREE, IDS, KINDS, NEVER, SPANS
from analysis.package.cli import export
from analysis.package.pseudonyms import BadKey, Pseudonyms, key_shift, read_key
from analysis.read import open_store
from tests.analysis_store import Break, HandMadeStore, at

# The rules of Data Package 2.0 (datapackage.org, standard, read 2026-11) that bear on what we write, in our own words.
PACKAGE: dict[str, Any] = {
    "type": "object",
    "required": ["resources"],
    "properties": {
        "$schema": {"const": "https://datapackage.org/profiles/2.0/datapackage.json"},
        "name": {"type": "string", "pattern": r"^[a-z0-9._-]+$"},
        "title": {"type": "string"},
        "created": {"type": "string", "format": "date-time"},
        "licenses": {
            "type": "array", "minItems": 1, "items": {"anyOf": [{"required": ["name"]}, {"required": ["path"]}]},
        },
        "resources": {"type": "array", "minItems": 1, "items": {"$ref": "#/$defs/resource"}},
    },
    "$defs": {
        "resource": {
            "type": "object",
            "required": ["name", "path"],
            "properties": {
                "name": {"type": "string"},
                # No absolute path, none that leaves the package.
                "path": {"type": "string", "pattern": r"^(?![/~])(?!.*\.\.)[^\\]+$"},
                "type": {"const": "table"},
                "bytes": {"type": "integer", "minimum": 0},
                "hash": {"type": "string", "pattern": "^sha256:[0-9a-f]{64}$"},
                "schema": {"$ref": "#/$defs/schema"},
            },
        },
        "schema": {
            "type": "object",
            "required": ["fields"],
            "properties": {
                "fields": {
                    "type": "array",
                    "minItems": 1,
                    "items": {
                        "required": ["name"],
                        "properties": {
                            "type": {
                                "enum": [
                                    "string", "number", "integer", "boolean", "object", "array", "list", "datetime",
                                    "date", "time", "year", "yearmonth", "duration", "geopoint", "geojson", "any",
                                ]
                            }
                        },
                    },
                },
                "primaryKey": {"type": "array", "items": {"type": "string"}, "minItems": 1},
                "foreignKeys": {
                    "type": "array",
                    "items": {
                        "required": ["fields", "reference"],
                        "properties": {"reference": {"required": ["fields"]}},
                    },
                },
            },
        },
    },
}  # fmt: skip

NAMES = (
    "Ellerholm",
    "ellerholm",
    "PM Kolmonen",
    "kolmonen",
    "draw.press.Oy",
    "eye.reel",
    "Crew Otso",
    "Crew Ilves",
    "Maija M.",
)
"""Every name in the store below: mill, topic root, machine, tags, crews, a person."""


def named_store(folder: Path, *, comment: str = "Maija M. saw a hole", position: str = "pickup felt") -> Path:
    """A store full of names that can be told from any other word."""
    store = HandMadeStore(folder)
    store.machine("2026-03-02 06:00", "2026-03-03 06:00", machine="kolmonen", name="PM Kolmonen")
    store.connection.execute("UPDATE base.tag SET tag = 'draw.press.Oy'")
    store.insert("sheet_detector", machine="kolmonen", number=1, tag="eye.reel", section="reel", position_m=275)
    store.insert("tag", tag_id=2, machine="kolmonen", tag="eye.reel", last_text="Maija M.")
    store.insert("tag", tag_id=3, machine="kolmonen", tag="unheard")
    store.insert("broke_tower", tower="white tower", volume_m3=800, level_tag="draw.press.Oy", shades=["white"])
    store.insert("cause", code="PR-FLT", name="=felt")
    for number, crew in enumerate(("Crew Otso", "Crew Ilves")):
        started = at("2026-03-02 06:00") + timedelta(hours=12 * number)
        day = {"shift_date": started.date(), "shift": ("day", "night")[number]}
        store.insert("shift", **day, crew=crew, started_at=started, ended_at=started + timedelta(hours=12))
    store.breaks(
        Break("2026-03-02 07:00", "2026-03-02 07:30", machine="kolmonen"),
        Break("2026-03-02 20:00", None, machine="kolmonen"),
    )
    store.insert(
        "note", receipt=1, note_id="Maija M.-1", machine="kolmonen", kind="cause", noted_at=at("2026-03-02 07:40"),
        received_at=at("2026-03-02 07:40"), downtime_id="kolmonen-20260302T050000Z", cause="PR-FLT",
        noted_by="Maija M.", comment=comment,
    )  # fmt: skip
    store.insert(
        "clothing", receipt=1, machine="kolmonen", position=position, installed_at=at("2026-03-01 06:00"),
        received_at=at("2026-03-01 06:00"), noted_by="Maija M.",
    )  # fmt: skip
    store.insert("reel", machine="kolmonen", reel="R-Ellerholm-7", started_at=at("2026-03-02 06:00"), first_seen=True)
    for hour in range(24):
        for tag in (1, 2):
            when = at("2026-03-02 06:00") + timedelta(hours=hour)
            store.insert("hot_sample", tag_id=tag, sampled_at=when, value=hour / 10, flags=0)
    return store.close(published="2026-03-03 06:01", data_to="2026-03-03 06:00")


@pytest.fixture(scope="module")
def mill(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return named_store(tmp_path_factory.mktemp("mill"))


def run(mill: Path, *arguments: str | Path) -> Result:
    return CliRunner().invoke(export, [str(a) for a in arguments], obj=mill, prog_name="breakhorn export")


@pytest.fixture(scope="module")
def plain(mill: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package as it is, with samples."""
    folder = tmp_path_factory.mktemp("plain") / "package"
    assert run(mill, folder, "--samples").exit_code == 0
    return folder


@pytest.fixture(scope="module")
def hidden(mill: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A package with pseudonyms and moved times, with all views that can go out so; the key lies beside it."""
    base = tmp_path_factory.mktemp("hidden")
    views = [
        "mill",
        "machine",
        "sheet_detector",
        "tag",
        "cause",
        "shift",
        "downtime",
        "note",
        "orphan_note",
        "clothing",
    ]
    views += ["broke_tower", "reel", "sample", "published", "sheet_break", "message_count", "signal", "downtime_alias"]
    wanted = [word for view in views for word in ("--view", view)]
    done = run(mill, base / "package", *wanted, "--pseudonyms", base / "mill.key", "--move-times")
    assert done.exit_code == 0, done.stderr
    return base / "package"


def described(folder: Path) -> Any:
    return json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))


def files(folder: Path) -> Iterator[Path]:
    return (path for path in folder.rglob("*") if path.is_file())


def rows_of(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def test_the_description_keeps_the_rules_of_the_standard(plain: Path, hidden: Path) -> None:
    for folder in (plain, hidden):
        jsonschema.validate(described(folder), PACKAGE, format_checker=jsonschema.FormatChecker())


def test_resources_have_names_of_their_own_and_keys_lead_to_columns_that_are_there(plain: Path) -> None:
    resources = {one["name"]: one for one in described(plain)["resources"]}
    fields = {name: [field["name"] for field in one["schema"]["fields"]] for name, one in resources.items()}

    assert len(resources) == len(described(plain)["resources"])
    assert any("foreignKeys" in one["schema"] for one in resources.values())
    for name, one in resources.items():
        assert set(one["schema"].get("primaryKey", [])) <= set(fields[name])
        for key in one["schema"].get("foreignKeys", []):
            assert set(key["fields"]) <= set(fields[name])
            assert set(key["reference"]["fields"]) <= set(fields[key["reference"]["resource"]])


def test_every_file_is_described_with_its_columns_size_and_sum(plain: Path) -> None:
    resources = described(plain)["resources"]

    data = {path.relative_to(plain).as_posix() for path in files(plain) if path.suffix in (".csv", ".parquet")}
    assert {one["path"] for one in resources} == data
    for one in resources:
        path = plain / one["path"]
        assert one["bytes"] == path.stat().st_size
        assert one["hash"] == f"sha256:{hashlib.sha256(path.read_bytes()).hexdigest()}"
        names = [field["name"] for field in one["schema"]["fields"]]
        if path.suffix == ".csv":
            assert path.read_text(encoding="utf-8").splitlines()[0].split(",") == names
        else:
            assert pl.read_parquet(path).columns == names


def test_the_sums_cover_every_other_file(plain: Path) -> None:
    lines = (plain / "SHA256SUMS").read_text().splitlines()

    sums = {name: digest for digest, name in (line.split("  ", 1) for line in lines)}
    there = {path.relative_to(plain).as_posix(): path for path in files(plain)}
    assert set(sums) == set(there) - {"SHA256SUMS"}
    assert all(hashlib.sha256(there[name].read_bytes()).hexdigest() == digest for name, digest in sums.items())


def test_values_are_of_the_types_that_are_described(plain: Path) -> None:
    readers: dict[str, Callable[[str], object]] = {
        "number": float, "integer": int, "date": datetime.fromisoformat, "datetime": datetime.fromisoformat,
        "boolean": {"true": 1, "false": 0}.__getitem__, "string": str, "array": json.loads,
    }  # fmt: skip
    read = 0
    for one in described(plain)["resources"]:
        if one["format"] == "csv":
            kinds = {field["name"]: field["type"] for field in one["schema"]["fields"]}
            for row in rows_of(plain / one["path"]):
                for column, text in row.items():
                    if text:
                        readers[kinds[column]](text)
                        read += 1
    assert read > 300


def test_csv_and_parquet_hold_the_same_and_nothing_is_lost(plain: Path) -> None:
    loss = pl.read_parquet(plain / "parquet" / "downtime.parquet")
    samples = [pl.read_parquet(path) for path in sorted((plain / "parquet").glob("sample-*.parquet"))]

    first, second = rows_of(plain / "csv" / "downtime.csv")
    assert (first["downtime_id"], first["lost_s"]) == ("kolmonen-20260302T050000Z", "1800.0")
    assert second["ended_at"] == ""
    assert loss["lost_s"].to_list() == [1800.0, None]
    # 06:00 to 06:00 local is 04:00 to 04:00 UTC: 20 hours of one day, 4 of the next, two tags each.
    assert [frame.height for frame in samples] == [40, 8]
    cause = (plain / "csv" / "cause.csv").read_text(encoding="utf-8")
    assert "'=felt" in cause


def test_free_texts_go_out_only_when_they_are_asked_for(mill: Path, plain: Path, tmp_path: Path) -> None:
    run(mill, tmp_path / "with", "--view", "downtime", "--free-texts")

    assert "saw a hole" not in (plain / "csv" / "downtime.csv").read_text(encoding="utf-8")
    assert "saw a hole" in (tmp_path / "with" / "csv" / "downtime.csv").read_text(encoding="utf-8")


def every_text(folder: Path) -> Iterator[tuple[str, str]]:
    """All bytes of all files as text, and all values of packed ones, and the names of the files."""
    for path in files(folder):
        name = str(path.relative_to(folder))
        yield name, name
        yield name, path.read_bytes().decode("latin-1")
        if path.suffix == ".parquet":
            frame = pl.read_parquet(path)
            yield name, " ".join(frame.columns)
            for row in frame.iter_rows():
                yield name, " ".join(map(str, row))


def test_no_byte_of_a_package_with_pseudonyms_tells_a_name(plain: Path, hidden: Path) -> None:
    told = {name for name in NAMES for _, text in every_text(plain) if name.lower() in text.lower()}
    left = [(name, path) for path, text in every_text(hidden) for name in NAMES if name.lower() in text.lower()]

    # Without pseudonyms each of them is there, so the search finds what is there to be found.
    assert told == set(NAMES)
    assert left == []


def test_the_same_name_is_the_same_pseudonym_in_every_view_so_that_joins_still_hold(hidden: Path) -> None:
    views = {path.stem: pl.read_parquet(path) for path in (hidden / "parquet").glob("*.parquet")}

    machine = views["machine"]["machine"].item()
    assert {view["machine"].unique().item() for name, view in views.items() if name in ("tag", "downtime", "note")} == {
        machine
    }
    assert set(views["downtime"]["crew"]) == set(views["shift"]["crew"])
    assert views["sheet_detector"]["tag"].item() in set(views["tag"]["tag"])
    assert views["broke_tower"]["level_tag"].item() in set(views["tag"]["tag"])
    assert set(views["note"]["downtime_id"]) <= set(views["downtime"]["downtime_id"])
    assert all(name.startswith(f"{machine}-") for name in views["downtime"]["downtime_id"])


def test_times_move_by_whole_weeks_and_ids_with_them(hidden: Path) -> None:
    loss = pl.read_parquet(hidden / "parquet" / "downtime.parquet").sort("started_at")

    started = loss["started_at"][0]
    weeks, rest = divmod(at("2026-03-02 07:00") - started, timedelta(weeks=1))
    assert rest == timedelta(0)
    assert 1 <= weeks <= 520
    assert loss["downtime_id"][0].endswith(f"-{started:%Y%m%dT%H%M%SZ}")
    assert loss["shift_date"][0] == datetime(2026, 3, 2).date() - timedelta(weeks=weeks)
    assert loss["lost_s"][0] == 1800.0
    assert "2026-03" not in (hidden / "README.md").read_text()


def test_key_and_names_stay_with_the_mill_and_only_its_owner_may_read_them(hidden: Path) -> None:
    key, names = hidden.parent / "mill.key", hidden.parent / "mill.key.names.csv"

    assert [stat.S_IMODE(path.stat().st_mode) for path in (key, names)] == [0o600, 0o600]
    kept = {row["name"]: row["pseudonym"] for row in rows_of(names)}
    assert kept["Crew Otso"] in set(pl.read_parquet(hidden / "parquet" / "shift.parquet")["crew"])
    assert not [text for _, text in every_text(hidden) if key.read_text().strip() in text]


def test_what_the_names_do_not_protect_against_is_said(plain: Path, hidden: Path) -> None:
    assert "do not make the data anonymous" in (hidden / "README.md").read_text(encoding="utf-8")
    assert "do not make the data anonymous" not in (plain / "README.md").read_text(encoding="utf-8")


def test_money_stays_at_home_with_pseudonyms(plain: Path, hidden: Path) -> None:
    assert "margin_per_t" in (plain / "csv" / "mill.csv").read_text()
    assert not [path for path, text in every_text(hidden) if "margin_per_t" in text]


def test_a_name_in_the_midst_of_a_text_stops_the_export_and_leaves_nothing(tmp_path: Path) -> None:
    mill = named_store(tmp_path, position="felt bought by Maija M.")
    before = set(tmp_path.iterdir())

    done = run(mill, tmp_path / "package.zip", "--pseudonyms", tmp_path / "mill.key")

    assert done.exit_code == 1
    assert "clothing.position" in done.stderr
    assert set(tmp_path.iterdir()) - before == {tmp_path / "mill.key"}


def test_a_zip_file_holds_the_same_as_the_folder(mill: Path, plain: Path, tmp_path: Path) -> None:
    assert run(mill, tmp_path / "package.zip", "--samples").exit_code == 0

    with zipfile.ZipFile(tmp_path / "package.zip") as book:
        assert set(book.namelist()) == {path.relative_to(plain).as_posix() for path in files(plain)}
        assert book.read("csv/downtime.csv") == (plain / "csv" / "downtime.csv").read_bytes()
    assert list(tmp_path.iterdir()) == [tmp_path / "package.zip"]


def test_a_period_takes_what_touches_it(mill: Path, tmp_path: Path) -> None:
    terms = tmp_path / "terms.md"
    terms.write_text("For the thesis only.", encoding="utf-8")

    run(mill, tmp_path / "night", "--from", "2026-03-02 18:00", "--format", "parquet", "--samples", "--terms", terms)

    loss = pl.read_parquet(tmp_path / "night" / "parquet" / "downtime.parquet")
    samples = pl.concat([pl.read_parquet(path) for path in (tmp_path / "night" / "parquet").glob("sample-*.parquet")])
    assert loss["started_at"].to_list() == [at("2026-03-02 20:00")]
    assert samples["sampled_at"].min() == at("2026-03-02 18:00")
    assert not (tmp_path / "night" / "csv").exists()
    assert (tmp_path / "night" / "TERMS.md").read_text() == "For the thesis only."


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (["x", "--view", "nix"], 1, "dictionary"),
        (["x", "--view", "configuration", "--pseudonyms", "k"], 1, "configuration"),
        (["x", "--view", "numbered_sample"], 1, "take sample"),
        (["x", "--move-times"], 2, "--pseudonyms"),
        (["x", "--pseudonyms", "x/mill.key"], 2, "keep the key elsewhere"),
        (["x", "--machine", "pm9"], 1, "kolmonen"),
        (["there"], 1, "another name"),
        (["nowhere/x"], 1, "nowhere/x: No such file"),
    ],
)
def test_what_cannot_be_exported_is_told(
    mill: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], code: int, says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there").mkdir()

    done = run(mill, *arguments)

    assert (done.exit_code, says in done.stderr) == (code, True), done.stderr
    assert not (tmp_path / "x").exists()


def test_a_key_that_others_may_read_or_that_is_none_is_refused(tmp_path: Path) -> None:
    read_key(tmp_path / "mill.key")
    (tmp_path / "mill.key").chmod(0o644)
    with pytest.raises(BadKey, match="chmod"):
        read_key(tmp_path / "mill.key")

    (tmp_path / "other").write_text("secret")
    (tmp_path / "other").chmod(0o600)
    with pytest.raises(BadKey, match="hexadecimal"):
        read_key(tmp_path / "other")


def test_a_pseudonym_is_the_keyed_digest_of_kind_and_name() -> None:
    # RFC 2104 by its definition, H((K ^ opad) || H((K ^ ipad) || text)), with SHA-256 and a block of 64 bytes.
    key, text = bytes(range(32)), b"crew\0Crew Otso"
    padded = key + bytes(32)
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in padded) + text).digest()
    digest = hashlib.sha256(bytes(b ^ 0x5C for b in padded) + inner).digest()
    # Base 32 (RFC 4648): five bits a letter of a-z2-7.
    letters = "".join(
        "abcdefghijklmnopqrstuvwxyz234567"[(int.from_bytes(digest[:5]) >> n) & 31] for n in range(35, -1, -5)
    )

    assert Pseudonyms(key=key).of("crew", "Crew Otso") == f"crew-{letters}"


@given(st.binary(min_size=32, max_size=32), st.text(min_size=1), st.text(min_size=1))
def test_names_are_told_apart_and_kept(key: bytes, one: str, other: str) -> None:
    names = Pseudonyms(key=key, shift=key_shift(key))

    assert (names.of("tag", one) == names.of("tag", other)) == (one == other)
    assert names.of("tag", one) != names.of("crew", one)
    assert names.of("tag", one) == Pseudonyms(key=key).of("tag", one)
    assert re.fullmatch(r"machine-[a-z2-7]{8}-\d{8}T\d{6}Z", names.of_downtime("pm2-20260302T050000Z"))
    assert key_shift(key) % timedelta(weeks=1) == timedelta(0)
    assert datetime(2026, 1, 1, tzinfo=UTC) + names.shift < datetime(2026, 1, 1, tzinfo=UTC)


def test_every_view_with_times_and_every_column_that_may_hold_a_name_is_known(small_mill: Path) -> None:
    with open_store(small_mill) as store:
        known = dictionary(store)
    columns = {(view.name, column.name): column for view in known.views for column in view.columns}

    # What a view without a period of its own would give away: all of it, whatever period is asked for.
    whole = {
        "mill", "machine", "sheet_detector", "signal", "grade", "cause", "broke_pit", "broke_tower", "tag", "clothing",
        "configuration", "collector_run", "message_count", "published", "downtime_alias", "rebuild",
    }  # fmt: skip
    assert {view.name for view in known.views} == set(SPANS) | whole | set(NEVER)
    assert not any((view, "machine") in columns for view in NEVER)
    assert all((view, column) in columns for view, span in SPANS.items() for column in span)
    # Texts that are neither names nor free nor the trade's words: each was looked at.
    plain = {
        "time_zone", "currency", "added_from", "grade", "code", "name", "pit", "tower", "shades", "dosed_into", "shift",
        "digest", "cause", "certainty", "found_kind", "found_by", "new_kind", "reason", "position", "test", "version",
        "shade",
    }  # fmt: skip
    texts = {name for (_, name), column in columns.items() if column.type.startswith("VARCHAR")}
    assert texts <= set(KINDS) | set(IDS) | set(FREE) | set(CLOSED) | plain
