"""Stream files."""

from __future__ import annotations

import gzip
import json
import tempfile
import tracemalloc
from pathlib import Path

import duckdb
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.message import Message
from collector.stream import StreamFault, StreamWriter, read_stream

SUFFIXES = [".jsonl", ".jsonl.gz", ".jsonl.zst", ".parquet"]
RECEIVED_MS = 1_772_330_584_500
"""2026-03-01T02:03:04.500Z."""

MESSAGES = st.builds(
    Message,
    received_ms=st.integers(631_152_000_000, 4_102_444_800_000),
    topic=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=20),
    payload=st.binary(max_size=30)
    | st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    ).map(lambda body: json.dumps(body, indent=None).encode()),
    stamped_ms=st.none() | st.integers(631_152_000_000, 4_102_444_800_000),
    retained=st.booleans(),
)


def message(payload: bytes = b"1") -> Message:
    return Message(received_ms=RECEIVED_MS, topic="ellerholm/pm2/scan", payload=payload)


def write(path: Path, messages: list[Message]) -> None:
    with StreamWriter(path) as writer:
        for one in messages:
            writer.write(one)


@given(messages=st.lists(MESSAGES, max_size=5), suffix=st.sampled_from(SUFFIXES[:3]))
def test_what_is_written_is_read_back_byte_for_byte(suffix: str, messages: list[Message]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, f"night{suffix}")

        write(path, messages)

        assert list(read_stream(path)) == messages


@settings(max_examples=10)  # each opens DuckDB twice: a tenth of a second
@given(messages=st.lists(MESSAGES, max_size=50))
def test_what_is_written_as_parquet_is_read_back_byte_for_byte(messages: list[Message]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "night.parquet")

        write(path, messages)

        assert list(read_stream(path)) == messages


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_many_messages_keep_their_order(suffix: str, tmp_path: Path) -> None:
    messages = [message(str(number).encode()) for number in range(5000)]

    write(tmp_path / f"night{suffix}", messages)

    assert list(read_stream(tmp_path / f"night{suffix}")) == messages
    assert [file.name for file in tmp_path.iterdir()] == [f"night{suffix}"]


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_after_an_error_there_is_no_file(suffix: str, tmp_path: Path) -> None:
    def broken_off() -> None:
        with StreamWriter(tmp_path / f"night{suffix}") as writer:
            writer.write(message())
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        broken_off()

    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_file_that_is_there_stays_until_the_new_one_is_complete(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"night{suffix}"
    write(path, [message(b"1")])

    with StreamWriter(path) as writer:
        writer.write(message(b"2"))
        before = list(read_stream(path))

    assert before == [message(b"1")]
    assert list(read_stream(path)) == [message(b"2")]


def test_a_json_payload_stands_readable_in_its_line(tmp_path: Path) -> None:
    write(tmp_path / "night.jsonl", [message(b'{"values": {"reel.speed": 812.4}}')])

    line = json.loads((tmp_path / "night.jsonl").read_text())

    assert line == {
        "received_at": "2026-03-01T02:03:04.500Z",
        "topic": "ellerholm/pm2/scan",
        "payload": {"values": {"reel.speed": 812.4}},
    }


def test_a_payload_that_is_not_json_stands_as_base64(tmp_path: Path) -> None:
    write(tmp_path / "night.jsonl", [message(b"Man")])

    line = json.loads((tmp_path / "night.jsonl").read_text())

    # RFC 4648, figure in section 9 of its predecessor: "Man" is "TWFu".
    assert line["payload_b64"] == "TWFu"


def test_parquet_has_the_columns_of_the_contract(tmp_path: Path) -> None:
    write(tmp_path / "night.parquet", [message()])

    with duckdb.connect() as connection:
        columns = connection.execute("DESCRIBE SELECT * FROM read_parquet(?)", [str(tmp_path / "night.parquet")])
        types = {name: kind for name, kind, *_ in columns.fetchall()}

    assert types["received_at"] == "TIMESTAMP WITH TIME ZONE"
    assert (types["topic"], types["payload"]) == ("VARCHAR", "BLOB")


def test_parquet_with_only_the_columns_of_the_contract_is_read(tmp_path: Path) -> None:
    with duckdb.connect() as connection:
        connection.sql(
            "SELECT make_timestamptz(1772330584500000) AS received_at, "
            "'ellerholm/pm2/scan' AS topic, '1'::BLOB AS payload"
        ).write_parquet(str(tmp_path / "night.parquet"))

    assert list(read_stream(tmp_path / "night.parquet")) == [message()]


def test_the_same_messages_give_the_same_compressed_bytes(tmp_path: Path) -> None:
    for name in ("one.jsonl.gz", "other.jsonl.gz"):
        write(tmp_path / name, [message()])

    assert (tmp_path / "one.jsonl.gz").read_bytes() == (tmp_path / "other.jsonl.gz").read_bytes()


def test_times_may_be_unix_milliseconds_and_empty_lines_are_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "night.jsonl"
    path.write_bytes(b'\xef\xbb\xbf{"received_at": 1772330584500, "topic": "ellerholm/pm2/scan", "payload": 1}\r\n\n')

    assert list(read_stream(path)) == [message()]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ('{"topic": "a", "payload": 1}', 'has no "received_at"'),
        ('{"received_at": 1, "payload": 1}', 'has no "topic"'),
        ('{"received_at": 1, "topic": "a"}', 'has no "payload"'),
        ('{"received_at": 1, "topic": "a", "payload": 1, "payload_b64": "TWFu"}', 'has both "payload" and'),
        ('{"received_at": 1, "topic": "a", "payload_b64": "TW"}', '"payload_b64" is not base64'),
        ('{"received_at": "2026-03-01T02:03:04", "topic": "a", "payload": 1}', "has no offset"),
        ('{"received_at": 1, "topic": 5, "payload": 1}', '"topic" must be a text, not a number'),
        ('{"received_at": 1, "topic": "a", "payload": NaN}', "line is not JSON"),
        ("topic,payload", "line is not JSON"),
        ("[]", "must be an object, not a list"),
    ],
)
def test_a_line_that_is_no_message_is_told_with_its_number(line: str, expected: str, tmp_path: Path) -> None:
    path = tmp_path / "night.jsonl"
    path.write_text('{"received_at": 1, "topic": "a", "payload": 1}\n' + line + "\n")

    with pytest.raises(StreamFault) as caught:
        list(read_stream(path))

    assert str(caught.value).startswith(f"{path}:2: ")
    assert expected in str(caught.value)


@pytest.mark.parametrize("suffix", ["gz", "zst"])
def test_a_compressed_file_that_is_cut_short_is_not_taken_for_a_shorter_one(suffix: str, tmp_path: Path) -> None:
    lines = [json.dumps({"received_at": 1, "topic": "a", "payload": n * 7919 % 10007}) + "\n" for n in range(9999)]
    path = tmp_path / f"night.jsonl.{suffix}"
    data = "".join(lines).encode()
    path.write_bytes((gzip.compress(data) if suffix == "gz" else zstandard.compress(data))[:-20])

    with pytest.raises(StreamFault, match="is the file cut short"):
        list(read_stream(path))


@pytest.mark.parametrize("suffix", ["", ".gz", ".zst"])
def test_a_line_without_end_is_refused_before_it_is_all_read(
    tmp_path: Path, suffix: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.stream.jsonl.LONGEST_LINE", 1000)
    path, endless = tmp_path / f"night.jsonl{suffix}", b"[" * 80_000_000
    content = b"\n" + endless
    packed = {"": content, ".gz": gzip.compress(content), ".zst": zstandard.compress(content)}
    path.write_bytes(packed[suffix])
    del endless, content, packed

    tracemalloc.start()
    with pytest.raises(StreamFault, match="longer than any message"):
        list(read_stream(path))
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()

    assert most < 50_000_000


def test_a_zstandard_file_of_several_frames_is_read_to_its_end(tmp_path: Path) -> None:
    line = b'{"received_at": 1772330584500, "topic": "ellerholm/pm2/scan", "payload": 1}\n'
    (tmp_path / "night.jsonl.zst").write_bytes(zstandard.compress(line) + zstandard.compress(line))

    assert list(read_stream(tmp_path / "night.jsonl.zst")) == [message(), message()]


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        ("1 AS a", "has no column received_at"),
        ("now() AS received_at, 'a' AS topic", "has no column payload"),
        ("now()::TIMESTAMP AS received_at, 'a' AS topic, 'a'::BLOB AS payload", "it must be TIMESTAMP WITH TIME ZONE"),
        ("now() AS received_at, NULL::VARCHAR AS topic, 'a'::BLOB AS payload", "row 1: topic is null"),
    ],
)
def test_parquet_that_is_no_stream_is_told_with_what_it_lacks(columns: str, expected: str, tmp_path: Path) -> None:
    path = tmp_path / "night.parquet"
    with duckdb.connect() as connection:
        connection.sql(f"SELECT {columns}").write_parquet(str(path))

    with pytest.raises(StreamFault, match=expected):
        list(read_stream(path))


def test_parquet_that_is_damaged_is_told(tmp_path: Path) -> None:
    path = tmp_path / "night.parquet"
    path.write_bytes(b"PAR1 is not all it takes PAR1")

    with pytest.raises(StreamFault, match="cannot be read on from here"):
        list(read_stream(path))


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_missing_file_is_told(suffix: str, tmp_path: Path) -> None:
    with pytest.raises(StreamFault, match="no such file"):
        list(read_stream(tmp_path / f"night{suffix}"))


def test_an_unknown_suffix_is_refused_at_once(tmp_path: Path) -> None:
    for use in (read_stream, StreamWriter):
        with pytest.raises(StreamFault, match=r"use \.jsonl"):
            use(tmp_path / "night.csv")


def test_a_missing_folder_is_told_before_anything_is_recorded(tmp_path: Path) -> None:
    with pytest.raises(StreamFault, match="folder does not exist"):
        StreamWriter(tmp_path / "nowhere" / "night.jsonl")


@given(st.binary(max_size=80))
def test_any_bytes_are_a_stream_or_a_fault(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for suffix in (".jsonl", ".jsonl.gz", ".jsonl.zst"):
            path = Path(folder, f"night{suffix}")
            path.write_bytes(data)
            try:
                messages = list(read_stream(path))
            except StreamFault:
                messages = []
            assert all(isinstance(one, Message) for one in messages)
