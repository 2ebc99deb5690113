"""Mutilated messages lead to rows or to rejected messages, and to nothing else (a million of them by hand)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.decode import Decoder
from collector.decode.parts import MOST_REJECTED
from collector.message import Message
from collector.settings import parse_mill
from tests.fuzz import BY_HAND, LEVELS, Tally, fuzz, judge, seeds
from tests.mills import EXAMPLE, RECEIVED_MS, example, message, reason

MILL = parse_mill(example(), file=EXAMPLE)
POOL = seeds(MILL)
TOPICS = sorted({topic for topic, _ in BY_HAND} | {one.topic for one in POOL})


@pytest.mark.slow
def test_twenty_thousand_mutilated_messages_break_nothing(tmp_path: Path) -> None:
    tally = fuzz(20_000, 1, tmp_path / "store")

    assert tally.messages == 20_000
    assert min(tally.rows, tally.rejected, tally.ours, tally.stored) > 0


def test_the_seeds_are_mostly_taken() -> None:
    decoder, tally = Decoder(MILL), Tally()

    for seed in POOL:
        judge(seed, decoder.decode(seed), tally)

    assert tally.rows > 0.8 * tally.messages


@given(topic=st.sampled_from(TOPICS), payload=st.binary(max_size=300))
def test_any_bytes_are_taken_or_rejected(topic: str, payload: bytes) -> None:
    said = Message(received_ms=RECEIVED_MS, topic=topic, payload=payload)

    judge(said, Decoder(MILL).decode(said), Tally())


JSON: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
)
KEYS = ("ts", "values", "value", "quality", "asset", "name", "timestamp", "note_id", "kind", "downtime", "withdraws")


@given(topic=st.sampled_from(TOPICS), said=JSON | st.dictionaries(st.sampled_from(KEYS), JSON))
def test_any_json_is_taken_or_rejected(topic: str, said: object) -> None:
    sent = message(said, topic)

    judge(sent, Decoder(MILL).decode(sent), Tally())


@given(levels=st.lists(st.sampled_from(LEVELS) | st.text(max_size=8), min_size=1, max_size=8))
def test_any_topic_is_taken_or_rejected(levels: list[str]) -> None:
    sent = message({"values": {"a": 1}}, "/".join(levels))

    judge(sent, Decoder(MILL).decode(sent), Tally())


@pytest.mark.parametrize("ts", ["1" + "0" * 400, "1772330584500000", "-1" + "0" * 400, "1e308"])
def test_a_time_that_no_clock_shows_is_rejected(ts: str) -> None:
    decoded = Decoder(MILL).decode(message(f'{{"ts": {ts}, "values": {{"a": 1}}}}'))

    assert "time" in reason(decoded) or "number" in reason(decoded)


@pytest.mark.parametrize("stamped_ms", [0, 10**15 - 1])
def test_a_recorded_time_that_cannot_be_true_is_rejected(stamped_ms: int) -> None:
    decoded = Decoder(MILL).decode(message("1.8", "ellerholm/pm2/tag/press.draw", stamped_ms=stamped_ms))

    assert reason(decoded).startswith("time is ")


def test_an_empty_list_is_rejected_and_not_passed_over() -> None:
    assert reason(Decoder(MILL).decode(message("[]"))) == "payload is an empty list"


def test_a_payload_beyond_the_limit_is_rejected_with_its_size() -> None:
    small = parse_mill(example(("port = 1883", "port = 1883\npayload_at_most_kb = 1")), file=EXAMPLE)
    decoder = Decoder(small)

    whole = decoder.decode(message("x" * 1025))
    cut = decoder.decode(message("x" * 10, cut_from=5_000_000))

    way_out = "1,024 are the most there may be: send less at once, or set payload_at_most_kb ([broker])"
    assert reason(whole) == f"payload has 1,025 bytes, {way_out}"
    assert reason(cut) == f"payload has 5,000,000 bytes, {way_out}"
    assert len(decoder.decode(message("x" * 1024)).rejected) == 1


def test_a_list_of_nothing_but_faults_leaves_few_rows() -> None:
    decoded = Decoder(MILL).decode(message([1] * 5_000))

    assert len(decoded.rejected) == MOST_REJECTED + 1
