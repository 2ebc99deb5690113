"""Messages that come again after a reconnect are told from new ones without the DUP flag."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from collector.mqtt.redelivery import Redelivery, digest


def test_what_was_committed_and_comes_again_after_a_reconnect_is_a_repeat() -> None:
    ring = Redelivery([(1, b"a"), (2, b"b"), (3, b"c")], window=10)

    ring.reconnected()

    assert [ring.is_repeat(2, b"b"), ring.is_repeat(3, b"c"), ring.is_repeat(4, b"d")] == [True, True, False]


def test_without_a_reconnect_nothing_is_a_repeat() -> None:
    ring = Redelivery([(1, b"a")], window=10)

    assert not ring.is_repeat(1, b"a")


def test_the_first_message_that_does_not_fit_ends_the_comparison() -> None:
    ring = Redelivery([(1, b"a"), (2, b"b")], window=10)
    ring.reconnected()

    assert not ring.is_repeat(9, b"z")
    assert not ring.is_repeat(2, b"b")


def test_the_same_packet_id_with_another_payload_is_new() -> None:
    ring = Redelivery([(7, digest("t", b"1"))], window=10)
    ring.reconnected()

    assert not ring.is_repeat(7, digest("t", b"2"))


def test_a_retained_message_in_between_does_not_end_the_comparison() -> None:
    ring = Redelivery([(1, b"a"), (2, b"b")], window=10)
    ring.reconnected()

    assert not ring.is_repeat(50, b"r", retained=True)
    assert ring.is_repeat(1, b"a")


def test_the_topic_is_part_of_the_digest() -> None:
    assert digest("a", b"payload") != digest("b", b"payload")


@given(committed=st.integers(0, 30), acknowledged=st.integers(0, 30), window=st.integers(30, 60))
def test_after_a_crash_exactly_the_committed_ones_are_repeats(committed: int, acknowledged: int, window: int) -> None:
    """The broker sends again, in order, all that it holds no acknowledgement for; the first of them are committed."""
    sent = [(number, digest("t", str(number).encode())) for number in range(40)]
    acknowledged = min(acknowledged, committed)
    ring = Redelivery(sent[:committed], window=window)
    ring.reconnected()

    repeats = [ring.is_repeat(*delivery) for delivery in sent[acknowledged:]]

    assert repeats == [True] * (committed - acknowledged) + [False] * (40 - committed)
