"""Sparkplug B from birth to death: aliases, sequence numbers, rebirths, and what a restart goes on with.

The rules were read where ``test_decode_sparkplug.py`` says.
"""

from __future__ import annotations

import pytest

from collector.decode.sparkplug.sequence import ASK_AGAIN_MS, REORDER_MS, Patience, Sequence, after
from collector.message import Decoded, Flag, Scan, Value
from tests.edges import PM2, Edge, T, bd_seq, values
from tests.mills import RECEIVED_MS, reason

# ------------------------------------------------------------------------------------------------- births and aliases


def test_a_birth_defines_aliases_and_types_for_the_data_that_follow() -> None:
    """T13-03: specification, chapter 6."""
    edge = Edge().born()

    decoded = edge.send(
        "DDATA",
        {"alias": 1, "timestamp": T + 1, "double_value": 800.0},
        {"alias": 3, "timestamp": T + 1, "string_value": "C90"},
    )

    assert decoded == Decoded(scans=[Scan("pm2", T + 1, {"reel.speed": 800.0, "order.grade": "C90"}, 2, RECEIVED_MS)])


def test_data_without_aliases_go_by_name() -> None:
    edge = Edge().born()

    assert values(edge.send("DDATA", {"name": "reel.speed", "double_value": 1.0})) == {"reel.speed": 1.0}


def test_a_birth_takes_the_place_of_the_one_before() -> None:
    edge = Edge().born()
    edge.send("DBIRTH", {"name": "press.draw", "alias": 1, "timestamp": T, "datatype": 9, "float_value": 2.5})

    decoded = edge.send("DDATA", {"alias": 1, "float_value": 2.0}, {"alias": 2, "boolean_value": False})

    assert values(decoded) == {"press.draw": 2.0}
    assert reason(decoded) == "alias 2: no birth has told what it is; a rebirth is asked for"
    assert len(decoded.requests) == 1


def test_an_alias_given_twice_is_believed_for_neither() -> None:
    edge = Edge()
    edge.send("NBIRTH", bd_seq(0))
    edge.send("DBIRTH", *PM2, {"name": "x", "alias": 1, "timestamp": T, "datatype": 10, "double_value": 1.0})

    decoded = edge.send("DDATA", {"alias": 1, "double_value": 2.0})

    assert decoded.scans == []
    assert reason(decoded) == "has the alias 1, which its birth gave to two metrics"


def test_alias_0_is_an_alias_and_no_alias_is_none() -> None:
    edge = Edge()
    edge.send("NBIRTH", bd_seq(0))
    edge.send("DBIRTH", {"name": "x", "alias": 0, "timestamp": T, "datatype": 10, "double_value": 1.0})

    assert values(edge.send("DDATA", {"alias": 0, "double_value": 2.0})) == {"x": 2.0}
    assert edge.send("DDATA", {"double_value": 3.0}).scans == []


def test_data_before_any_birth_are_kept_as_rejected_and_a_rebirth_is_asked_for() -> None:
    edge = Edge()

    decoded = edge.send("DDATA", {"alias": 1, "double_value": 2.0})

    assert reason(decoded) == "alias 1: no birth has told what it is; a rebirth is asked for"
    assert len(decoded.requests) == 1
    assert decoded.scans == []


def test_data_that_bring_name_and_type_along_need_no_birth() -> None:
    decoded = Edge().send("DDATA", {"name": "reel.speed", "datatype": 10, "double_value": 2.0})

    assert values(decoded) == {"reel.speed": 2.0}
    assert decoded.rejected == []
    assert len(decoded.requests) == 1


def test_a_birth_says_of_old_values_that_they_still_hold() -> None:
    """The grade changed an hour before the birth: it is stated then, and as of the birth."""
    edge = Edge()
    edge.send("NBIRTH", bd_seq(0))

    decoded = edge.send("DBIRTH", {**PM2[0], "timestamp": T}, {**PM2[2], "timestamp": T - 3_600_000})

    assert decoded.scans == [
        Scan("pm2", T - 3_600_000, {"order.grade": "C80"}, 2, RECEIVED_MS),
        Scan("pm2", T, {"order.grade": "C80", "reel.speed": 812.5}, 2, RECEIVED_MS),
    ]


# -------------------------------------------------------------------------------------------------------------- deaths


def test_a_dead_device_leaves_its_tags_stale_and_its_aliases_unknown() -> None:
    edge = Edge().born()

    death = edge.send("DDEATH", timestamp=T + 50)
    data = edge.send("DDATA", {"alias": 1, "double_value": 5.0})

    stale: dict[str, Value] = {"reel.speed": None, "sheet.press": None, "order.grade": None}
    assert death.scans == [Scan("pm2", T + 50, stale, 2, RECEIVED_MS, int(Flag.BAD_QUALITY))]
    assert data.scans == []
    assert "alias 1" in reason(data)


def test_the_death_of_the_edge_node_is_that_of_its_devices_at_the_time_of_its_arrival() -> None:
    """Its payload was written when the connection began: the time in it is not that of the death."""
    edge = Edge().born()

    death = edge.send("NDEATH", bd_seq(7), timestamp=T - 999_999)

    assert [(scan.machine, scan.at_ms) for scan in death.scans] == [("pm2", RECEIVED_MS)]


def test_a_death_comes_after_the_newest_value_even_of_a_clock_that_is_ahead() -> None:
    edge = Edge().born()
    edge.send("DDATA", {"alias": 1, "timestamp": RECEIVED_MS + 2_000, "double_value": 5.0})

    (scan,) = edge.send("NDEATH", bd_seq(7)).scans

    assert scan.at_ms == RECEIVED_MS + 2_001


def test_the_death_of_an_earlier_connection_is_not_that_of_this_one() -> None:
    """T13-02: specification, chapter 6."""
    edge = Edge().born()

    assert edge.send("NDEATH", bd_seq(6)) == Decoded()
    assert values(edge.send("DDATA", {"alias": 1, "double_value": 5.0})) == {"reel.speed": 5.0}


def test_the_number_of_a_connection_may_be_signed_in_the_birth_and_unsigned_in_the_death() -> None:
    edge = Edge()
    edge.send("NBIRTH", {**bd_seq(7), "datatype": 4})
    edge.send("DBIRTH", *PM2)

    assert len(edge.send("NDEATH", {**bd_seq(7), "datatype": 8}).scans) == 1


def test_a_death_without_the_number_of_its_connection_is_rejected() -> None:
    assert reason(Edge().born().send("NDEATH")) == "has no bdSeq: nobody can tell which connection ended"


# ------------------------------------------------------------------------------------------- sequence and rebirths


def test_255_is_followed_by_0() -> None:
    """T13-02: specification, chapters 4 to 6."""
    sequence = Sequence()
    for number in [0, 1, 2]:
        sequence.follow(number, 0)
    sequence.begin(254)

    for number in [255, 0, 1]:
        sequence.follow(number, 0)

    assert not sequence.missing
    assert [after(0), after(254), after(255)] == [1, 255, 0]


def test_a_birth_may_begin_with_any_number() -> None:
    """T13-02: chapter 4 wants 0, chapters 5 and 6 allow 0 to 255."""
    edge = Edge()
    edge.send("NBIRTH", bd_seq(7), seq=200)
    edge.send("DBIRTH", *PM2, seq=201)
    edge.received_ms += 2 * REORDER_MS

    assert edge.send("DDATA", {"alias": 1, "double_value": 5.0}, seq=202).requests == []


@pytest.mark.parametrize("seq", [None, 256])
def test_a_message_without_a_possible_number_is_rejected(seq: int | None) -> None:
    assert "has no seq from 0 to 255" in reason(Edge().born().send("DDATA", *PM2, seq=seq))


def test_a_gap_asks_for_a_rebirth_once_the_missing_one_cannot_be_merely_late() -> None:
    """T13-02: specification, chapter 5."""
    edge = Edge().born()
    edge.seq += 1

    first = edge.send("DDATA", {"alias": 1, "double_value": 5.0})
    edge.received_ms += REORDER_MS
    second = edge.send("DDATA", {"alias": 1, "double_value": 6.0})

    assert first.requests == []
    assert len(second.requests) == 1
    assert values(first) == {"reel.speed": 5.0}
    assert values(second) == {"reel.speed": 6.0}


def test_two_messages_that_change_places_are_no_gap() -> None:
    edge = Edge().born()
    for seq in [3, 2, 4]:
        edge.send("DDATA", {"alias": 1, "double_value": 5.0}, seq=seq)
    edge.received_ms += REORDER_MS

    assert edge.send("DDATA", {"alias": 1, "double_value": 5.0}, seq=5).requests == []


def test_a_message_that_comes_twice_is_no_gap() -> None:
    edge = Edge().born()
    edge.send("DDATA", seq=2)
    edge.send("DDATA", seq=2)
    edge.received_ms += REORDER_MS

    assert edge.send("DDATA", seq=3).requests == []


def test_a_birth_fills_the_gap() -> None:
    edge = Edge().born()
    edge.seq += 1
    edge.send("DDATA")
    edge.received_ms += REORDER_MS
    edge.send("NBIRTH", bd_seq(7))

    assert edge.send("DBIRTH", *PM2).requests == []


def test_the_number_counts_for_the_edge_node_and_its_devices_together() -> None:
    """T13-02: specification, chapter 6."""
    edge = Edge().born()
    for kind in ["NDATA", "DDATA", "NDATA", "DDEATH", "DBIRTH"]:
        edge.send(kind)
    edge.received_ms += REORDER_MS

    assert edge.send("DDATA").requests == []


def test_a_rebirth_is_asked_for_again_ever_more_rarely() -> None:
    """After 30 s, then after 60 s more, then after 120 s more."""
    patience = Patience()

    asked = [second for second in range(0, 240) if patience.may_ask(second * 1000)]

    assert asked == [0, 30, 90, 210]


def test_after_the_birth_the_next_question_may_come_soon_again() -> None:
    patience = Patience()
    patience.may_ask(0)
    patience.may_ask(ASK_AGAIN_MS)
    patience.answered()

    assert patience.may_ask(2 * ASK_AGAIN_MS)


def test_a_clock_set_back_does_not_silence_the_question() -> None:
    patience = Patience()
    patience.may_ask(1_000_000)

    assert patience.may_ask(0)


# -------------------------------------------------------------------------------------------------------------- restart


def restarted(edge: Edge) -> Edge:
    """Another decoder, from what the first one left for the store."""
    again = Edge(states=edge.decoder.states())
    again.seq, again.received_ms = edge.seq, edge.received_ms + 1_000
    return again


def test_a_restart_goes_on_with_the_births_if_no_message_was_missed() -> None:
    decoded = restarted(Edge().born()).send("DDATA", {"alias": 1, "double_value": 5.0})

    assert values(decoded) == {"reel.speed": 5.0}
    assert decoded.requests == []


def test_after_a_restart_that_missed_messages_the_births_are_not_believed() -> None:
    again = restarted(Edge().born())
    again.seq += 1

    decoded = again.send("DDATA", {"alias": 1, "double_value": 5.0})

    assert decoded.scans == []
    assert len(decoded.requests) == 1


def test_after_a_long_silence_a_number_that_fits_proves_nothing() -> None:
    again = restarted(Edge().born())
    again.received_ms += 3_600_000

    assert again.send("DDATA", {"alias": 1, "double_value": 5.0}).scans == []


def test_a_death_after_a_restart_marks_the_tags_that_were_known_before_it() -> None:
    assert len(restarted(Edge().born()).send("NDEATH", bd_seq(7)).scans) == 1


def test_what_has_not_changed_is_not_given_to_the_store_again() -> None:
    edge = Edge().born()
    first = edge.decoder.states()
    edge.send("DDATA")

    assert set(first) == {"spBv1.0/ellerholm/gw1", "spBv1.0/ellerholm/gw1 last"}
    assert set(edge.decoder.states()) == {"spBv1.0/ellerholm/gw1 last"}
    assert edge.decoder.states() == {}


def test_a_state_that_cannot_be_read_is_as_good_as_none() -> None:
    states = {"spBv1.0/ellerholm/gw1": b"\xc1", "spBv1.0/ellerholm/gw1 last": b"\xc1"}

    assert len(Edge(states=states).send("DDATA", {"alias": 1, "double_value": 5.0}).requests) == 1
