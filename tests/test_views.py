"""What the views say, on rows few enough to work out by hand."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from collector.fact import (
    Kind,
    Outcome,
    Produced,
    ReelStarted,
    State,
)
from collector.message import ClothingChange, GradeOrder, LabResult, NoteKind
from collector.publish import publish
from collector.settings import Mill
from collector.store import Store
from collector.writer import Receipt, Writer
from tests.mills import readable_mill
from tests.stored import (
    MINUTE,
    NOW_MS,
    T0,
    attempt,
    batch,
    closing,
    commit,
    downtime_id,
    note,
    opened,
    opening,
    rows,
    scan,
    states,
)

HOUR = 60 * MINUTE


@pytest.fixture
def mill() -> Mill:
    return readable_mill()


@pytest.fixture
def store(tmp_path: Path, mill: Mill) -> Iterator[Store]:
    with opened(tmp_path) as store:
        yield store


def the(store: Store, columns: str, view: str = "downtime") -> Any:
    """The columns of the only row of a view; of a single column its value."""
    (row,) = rows(store.connection, f"SELECT {columns} FROM {view}")
    return row[0] if len(row) == 1 else row


def downtimes(store: Store) -> list[tuple[str, int, int | None]]:
    """Id, start and end of every downtime, in order of time."""
    query = "SELECT downtime_id, epoch_ms(started_at), epoch_ms(ended_at) FROM downtime ORDER BY started_at"
    return rows(store.connection, query)


# ---------------------------------------------------------------- lost time, tonnes, place in time


def test_lost_time_and_tonnes_come_from_the_clock_and_the_rate_before(store: Store, mill: Mill) -> None:
    commit(store, mill, opening(T0), closing(T0, T0 + 30 * MINUTE + 500))

    # 30 min and half a second at 12 t/h: 1800.5 s x 12 / 3600 = 6.001667 t.
    lost_s, lost_t = the(store, "lost_s, lost_t")
    assert lost_s == 1800.5
    assert lost_t == pytest.approx(6.0016667)


def test_broke_is_made_while_stock_is_on_and_the_machine_turns(store: Store, mill: Mill) -> None:
    commit(
        store,
        mill,
        opening(T0),
        closing(T0, T0 + 60 * MINUTE),
        *states(
            (T0 - HOUR, State.ON_REEL),
            (T0, State.DOWN),
            (T0 + 10 * MINUTE, State.THREADING),
            (T0 + 15 * MINUTE, State.STOCK_OFF),
            (T0 + 25 * MINUTE, State.STOPPED),
            (T0 + 40 * MINUTE, State.NO_DATA),
            (T0 + 45 * MINUTE, State.DOWN),
            (T0 + 60 * MINUTE, State.ON_REEL),
        ),
    )

    # Down 10 min, threading 5 min, down 15 min: half an hour at 12 t/h.
    assert the(store, "broke_t, lost_t") == pytest.approx((6.0, 12.0))


def test_an_open_downtime_has_no_end_no_lost_time_and_no_tonnes(store: Store, mill: Mill) -> None:
    commit(store, mill, opening(T0), *states((T0, State.DOWN)))

    assert the(store, "ended_at, lost_s, lost_t, broke_t") == (None, None, None, None)


def test_without_a_rate_lost_tonnes_are_unknown(store: Store, mill: Mill) -> None:
    commit(store, mill, opening(T0, rate_before_t_h=None), closing(T0, T0 + MINUTE))

    assert the(store, "lost_s, lost_t, broke_t") == (60.0, None, None)


def test_a_downtime_belongs_to_the_shift_in_which_it_begins(store: Store, mill: Mill) -> None:
    # Shifts begin at 06:00 and 18:00 in Helsinki, which is UTC+2 on 1 March: 04:00 and 16:00 UTC. The rota began on
    # 5 January, 55 days before: two shifts a day, so 110 shifts before the day shift of 1 March; 110 mod 8 = 6: crew C,
    # and D in the night before and after (places 5 and 7 of A B A B C D C D).
    six = T0 + 2 * HOUR
    Writer(store, mill).commit(batch(scan(six - HOUR, {"x": 1.0}), scan(six + 24 * HOUR, {"x": 1.0})))
    publish(store, mill, now_ms=NOW_MS)
    for started_ms in (six - 1, six, six + 12 * HOUR):
        commit(store, mill, opening(started_ms), closing(started_ms, started_ms + 1))

    found = rows(store.connection, "SELECT CAST(shift_date AS VARCHAR), shift, crew FROM downtime ORDER BY started_at")
    assert found == [("2026-02-28", "night", "D"), ("2026-03-01", "day", "C"), ("2026-03-01", "night", "D")]


def test_a_downtime_in_a_shift_that_the_rota_takes_off_belongs_to_no_crew(tmp_path: Path) -> None:
    off = '[[shifts.override]]\ndate = 2026-03-01\nshift = "day"\noff = true\n\n'
    mill = readable_mill(("[[grade]]", f"{off}[[grade]]"))
    six = T0 + 2 * HOUR
    with opened(tmp_path, mill=mill) as store:
        Writer(store, mill).commit(batch(scan(six - HOUR, {"x": 1.0}), scan(six + 24 * HOUR, {"x": 1.0})))
        publish(store, mill, now_ms=NOW_MS)
        for started_ms in (six - 1, six, six + 12 * HOUR):
            commit(store, mill, opening(started_ms), closing(started_ms, started_ms + 1))

        found = rows(store.connection, "SELECT shift_date IS NULL, shift, crew FROM downtime ORDER BY started_at")

    assert found == [(False, "night", "D"), (True, None, None), (False, "night", "D")]


@pytest.mark.parametrize(
    ("on_reel_before_ms", "kind", "secondary"),
    [
        (30 * MINUTE - 1, Kind.BREAK, True),
        (30 * MINUTE, Kind.BREAK, False),
        (None, Kind.BREAK, None),
        (MINUTE, Kind.STOP, False),
        (None, Kind.PLANNED, False),
    ],
)
def test_a_break_soon_after_the_return_is_secondary(
    store: Store, mill: Mill, on_reel_before_ms: int | None, kind: Kind, secondary: bool | None
) -> None:
    commit(store, mill, opening(T0, on_reel_before_ms=on_reel_before_ms, kind=kind))

    assert the(store, "secondary") is secondary


@pytest.mark.parametrize(
    ("turn_up_ms", "more", "at_turn_up"),
    [
        (T0 - 60_000, {"at_reel": True}, True),
        (T0 + 60_000, {"at_reel": True}, True),
        (T0 - 60_001, {"at_reel": True}, False),
        (T0 + 60_001, {"at_reel": True}, False),
        (T0, {"at_reel": False}, False),
        (T0, {"at_reel": True, "start_uncertain": True}, None),
    ],
)
def test_a_loss_at_the_reel_near_a_change_of_reel_is_at_turn_up(
    store: Store, mill: Mill, turn_up_ms: int, more: dict[str, Any], at_turn_up: bool | None
) -> None:
    commit(
        store,
        mill,
        opening(T0, **more),
        ReelStarted(machine="pm2", reel="1", at_ms=T0 - 100 * MINUTE, first_seen=False),
        ReelStarted(machine="pm2", reel="2", at_ms=turn_up_ms, first_seen=False),
    )

    assert the(store, "at_turn_up") is at_turn_up


def test_a_reel_number_heard_for_the_first_time_is_no_turn_up(store: Store, mill: Mill) -> None:
    reel = ReelStarted(machine="pm2", reel="1", at_ms=T0, first_seen=True)

    commit(store, mill, opening(T0, at_reel=True), reel)

    assert the(store, "at_turn_up") is False


def test_without_a_reel_signal_it_is_not_known_whether_a_loss_was_at_turn_up(tmp_path: Path) -> None:
    mill = readable_mill(('reel = "reel.number"                # optional; a change is a turn-up\n', ""))
    with opened(tmp_path, mill=mill) as store:
        commit(store, mill, opening(T0, at_reel=True))

        assert the(store, "at_turn_up") is None


def test_breaks_are_the_downtimes_that_are_breaks(store: Store, mill: Mill) -> None:
    commit(store, mill, opening(T0), closing(T0, T0 + 1), opening(T0 + 5_000, kind=Kind.STOP, section=None))

    assert the(store, "epoch_ms(started_at)", "sheet_break") == T0


# ---------------------------------------------------------------- notes


def coded(note_id: str, cause: str, **more: Any) -> Any:
    """A cause note on the downtime at T0."""
    return note(note_id, downtime=downtime_id(T0), cause=cause, certainty="likely", comment=f"by {note_id}", **more)


def test_a_cause_note_is_shown_with_its_break(store: Store, mill: Mill) -> None:
    done = commit(store, mill, opening(T0), context=[coded("n1", "PR-FLT", by="Aino")])

    assert the(store, "cause, certainty, comment, noted_by, epoch_ms(noted_at)") == (
        "PR-FLT", "likely", "by n1", "Aino", NOW_MS,
    )  # fmt: skip
    assert done.receipts == (Receipt(machine="pm2", note_id="n1", accepted=True, reason=None),)
    assert the(store, "withdrawn, holds", "note") == (False, True)


def test_of_several_notes_the_newest_holds_and_then_the_later_received(store: Store, mill: Mill) -> None:
    as_received = [
        coded("n1", "A", at_ms=NOW_MS + 5),
        coded("n3", "C", at_ms=NOW_MS + 5),
        coded("n2", "B", at_ms=NOW_MS),
    ]

    for one in as_received:
        commit(store, mill, context=[one])
    commit(store, mill, opening(T0))

    assert the(store, "cause") == "C"
    assert rows(store.connection, "SELECT note_id, holds FROM note ORDER BY 1") == [
        ("n1", False),
        ("n2", False),
        ("n3", True),
    ]


def test_a_withdrawn_note_gives_way_to_the_one_before(store: Store, mill: Mill) -> None:
    commit(store, mill, opening(T0), context=[coded("n1", "A"), coded("n2", "B", at_ms=NOW_MS + 1)])

    commit(store, mill, context=[note("n3", NoteKind.WITHDRAWAL, at_ms=NOW_MS + 2, withdraws="n2")])

    assert the(store, "cause") == "A"
    assert rows(store.connection, "SELECT note_id, withdrawn, holds FROM note ORDER BY 1") == [
        ("n1", False, True),
        ("n2", True, False),
        ("n3", False, True),
    ]


def test_a_note_sent_twice_is_one_note(store: Store, mill: Mill) -> None:
    first = commit(store, mill, opening(T0), context=[coded("n1", "A"), coded("n1", "A")])
    again = commit(store, mill, context=[coded("n1", "A")])

    assert the(store, "count(*)", "note") == 1
    assert {receipt.accepted for receipt in (*first.receipts, *again.receipts)} == {True}


def test_a_note_id_used_for_another_note_is_refused(store: Store, mill: Mill) -> None:
    commit(store, mill, opening(T0), context=[coded("n1", "A")])

    (receipt,) = commit(store, mill, context=[coded("n1", "B")]).receipts

    assert not receipt.accepted
    assert receipt.reason is not None
    assert "note_id" in receipt.reason
    assert the(store, "cause") == "A"


def test_a_kind_note_corrects_the_kind_and_what_was_found_stays_beside_it(store: Store, mill: Mill) -> None:
    facts = [opening(T0, on_reel_before_ms=MINUTE)]

    commit(
        store,
        mill,
        *facts,
        context=[note("n1", NoteKind.KIND, downtime=downtime_id(T0), new_kind="planned"), coded("n2", "PR-FLT")],
    )

    assert the(store, "kind, found_kind, secondary, cause") == ("planned", "break", False, "PR-FLT")
    assert the(store, "count(*)", "sheet_break") == 0


def test_a_missed_break_is_added_with_what_was_made_before_it(store: Store, mill: Mill) -> None:
    # 20 min made 13,000 m and 4 t: 650 m/min and 12 t/h. Lost: 12 min at 12 t/h are 2.4 t, all of it broke.
    made = Produced(
        machine="pm2", started_ms=T0 - 10 * MINUTE, ended_ms=T0 + 10 * MINUTE, grade="C80", shade="white", reel="7",
        length_m=13_000.0, tonnes_t=4.0,
    )  # fmt: skip

    done = commit(
        store,
        mill,
        made,
        *states((T0 - 10 * MINUTE, State.ON_REEL)),
        context=[note("n1", NoteKind.MISSED, started_ms=T0, ended_ms=T0 + 12 * MINUTE)],
    )

    assert the(store, "downtime_id, kind, found_kind, found_by, attempts") == (
        downtime_id(T0), "break", None, "crew", None,
    )  # fmt: skip
    assert the(store, "grade, shade, reel, at_turn_up, secondary") == ("C80", "white", "7", None, None)
    assert the(store, "speed_before_m_min, rate_before_t_h, lost_t, broke_t") == pytest.approx((650.0, 12.0, 2.4, 2.4))
    assert done.receipts[0].reason is None


def test_a_missed_break_has_the_section_that_the_crew_gave_it(store: Store, mill: Mill) -> None:
    missed = note("n1", NoteKind.MISSED, started_ms=T0, ended_ms=T0 + 12 * MINUTE, section="press")

    commit(store, mill, context=[missed])

    assert the(store, "kind, found_by, section") == ("break", "crew", "press")


def test_a_missed_break_shortens_the_run_before_the_next_one(store: Store, mill: Mill) -> None:
    next_ms = T0 + 30 * MINUTE
    commit(
        store,
        mill,
        *states((T0 - HOUR, State.ON_REEL)),
        opening(T0 - HOUR),
        closing(T0 - HOUR, T0 - 40 * MINUTE),
        opening(next_ms, on_reel_before_ms=70 * MINUTE),
        context=[note("n1", NoteKind.MISSED, started_ms=T0, ended_ms=T0 + 10 * MINUTE)],
    )

    found = rows(store.connection, "SELECT on_reel_before_s, secondary FROM downtime ORDER BY started_at")
    assert found == [(7200.0, False), (40 * 60.0, False), (20 * 60.0, True)]


@pytest.mark.parametrize(
    ("started_ms", "ended_ms"),
    [(T0 - 1, T0 + 1), (T0 + 1, T0 + 2), (T0 - 10, T0 + 10 * HOUR), (T0 + MINUTE - 1, T0 + HOUR)],
)
def test_a_missed_break_that_overlaps_a_found_one_is_an_orphan(
    store: Store, mill: Mill, started_ms: int, ended_ms: int
) -> None:
    done = commit(
        store,
        mill,
        opening(T0),
        closing(T0, T0 + MINUTE),
        context=[note("n1", NoteKind.MISSED, started_ms=started_ms, ended_ms=ended_ms)],
    )

    assert the(store, "count(*)") == 1
    assert the(store, "note_id, reason LIKE 'overlaps%'", "orphan_note") == ("n1", True)
    assert done.receipts[0].accepted
    assert done.receipts[0].reason == the(store, "reason", "orphan_note")


def test_of_two_missed_breaks_that_overlap_the_newer_holds(store: Store, mill: Mill) -> None:
    commit(
        store,
        mill,
        context=[
            note("n1", NoteKind.MISSED, started_ms=T0, ended_ms=T0 + MINUTE),
            note("n2", NoteKind.MISSED, started_ms=T0 + 2_000, ended_ms=T0 + 2 * MINUTE),
        ],
    )

    assert downtimes(store) == [(downtime_id(T0 + 2_000), T0 + 2_000, T0 + 2 * MINUTE)]
    assert the(store, "note_id", "orphan_note") == "n1"


def merging(note_id: str, absorbed_ms: int, into_ms: int) -> Any:
    """A note that merges one downtime into another."""
    return note(note_id, NoteKind.MERGE, downtime=downtime_id(absorbed_ms), merge_into=downtime_id(into_ms))


def four(*, on_reel_before_ms: int = 5 * MINUTE) -> list[Any]:
    """Four downtimes of one minute, ten minutes apart."""
    starts = [T0 + i * 10 * MINUTE for i in range(4)]
    return [
        fact
        for at_ms in starts
        for fact in (opening(at_ms, on_reel_before_ms=on_reel_before_ms), closing(at_ms, at_ms + MINUTE))
    ]


A, B, C, D = (T0 + i * 10 * MINUTE for i in range(4))


def test_merged_downtimes_are_one_from_the_first_loss_to_the_last_return(store: Store, mill: Mill) -> None:
    tries = [
        *attempt(A, 1, A + 5_000, A + MINUTE, Outcome.SUCCESS, "reel"),
        *attempt(B, 1, B + 5_000, B + 9_000, Outcome.FAILED, "press"),
        *attempt(B, 2, B + 10_000, B + MINUTE, Outcome.SUCCESS, "reel"),
    ]

    commit(store, mill, *four(), *tries, context=[merging("n1", B, A), note("n2", downtime=downtime_id(B), cause="X")])

    assert downtimes(store) == [
        (downtime_id(A), A, B + MINUTE),
        (downtime_id(C), C, C + MINUTE),
        (downtime_id(D), D, D + MINUTE),
    ]
    (first, *_) = rows(
        store.connection, "SELECT absorbed, attempts, cause, lost_s, on_reel_before_s FROM downtime ORDER BY started_at"
    )
    assert first == (1, 3, "X", 11 * 60.0, 5 * 60.0)
    found = rows(store.connection, "SELECT downtime_id, attempt, outcome FROM threading_attempt ORDER BY started_at")
    assert found == [
        (downtime_id(A), 1, "success"),
        (downtime_id(A), 2, "failed"),
        (downtime_id(A), 3, "success"),
    ]
    assert store.inconsistencies() == []


def test_a_merge_into_a_later_one_keeps_the_later_ones_id_and_the_first_loss(store: Store, mill: Mill) -> None:
    commit(store, mill, *four(), context=[merging("n1", A, B)])

    assert downtimes(store)[0] == (downtime_id(B), A, B + MINUTE)


def test_merges_chain(store: Store, mill: Mill) -> None:
    commit(store, mill, *four(), context=[merging("n1", C, B), merging("n2", B, A)])

    assert downtimes(store) == [(downtime_id(A), A, C + MINUTE), (downtime_id(D), D, D + MINUTE)]
    assert the(store, "count(*)", "orphan_note") == 0


@pytest.mark.parametrize(
    ("notes", "orphans"),
    [
        ([merging("n1", C, A)], ["n1"]),
        ([merging("n1", A, B), merging("n2", B, A)], ["n1", "n2"]),
        ([merging("n1", A, A)], ["n1"]),
        ([merging("n1", C, A), merging("n2", D, B)], ["n1", "n2"]),
        ([merging("n1", A, T0 + 1)], []),
    ],
    ids=["across another", "in a ring", "into itself", "crossing", "by a second's id"],
)
def test_merges_that_make_no_sense_change_nothing(
    store: Store, mill: Mill, notes: list[Any], orphans: list[str]
) -> None:
    commit(store, mill, *four(), context=notes)

    assert [started for _, started, _ in downtimes(store)] == [A, B, C, D]
    assert store.inconsistencies() == []
    if orphans:
        assert rows(store.connection, "SELECT note_id FROM orphan_note ORDER BY 1") == [(one,) for one in orphans]


def test_an_open_downtime_may_absorb_the_one_before(store: Store, mill: Mill) -> None:
    commit(store, mill, opening(A), closing(A, A + MINUTE), opening(B), context=[merging("n1", B, A)])

    assert downtimes(store) == [(downtime_id(A), A, None)]


def test_notes_without_a_downtime_are_orphans_until_there_is_one(store: Store, mill: Mill) -> None:
    (receipt,) = commit(store, mill, context=[coded("n1", "PR-FLT")]).receipts
    before = the(store, "note_id, reason, cause", "orphan_note")

    commit(store, mill, opening(T0))

    assert receipt == Receipt(machine="pm2", note_id="n1", accepted=True, reason="no such downtime")
    assert before == ("n1", "no such downtime", "PR-FLT")
    assert the(store, "count(*)", "orphan_note") == 0
    assert the(store, "cause") == "PR-FLT"


def test_a_cause_that_the_mill_does_not_know_is_kept_and_said(store: Store, mill: Mill) -> None:
    (receipt,) = commit(store, mill, opening(T0), context=[coded("n1", "PR-XYZ")]).receipts

    assert receipt.accepted
    assert receipt.reason == "mill.toml has no cause PR-XYZ"
    assert the(store, "cause") == "PR-XYZ"


def test_a_note_finds_its_downtime_under_the_id_that_a_rebuild_gave_it(store: Store, mill: Mill) -> None:
    commit(store, mill, opening(T0), context=[note("n1", downtime="pm2-20260301T015959Z", cause="PR-FLT")])
    store.connection.execute("INSERT INTO base.downtime_alias VALUES ('pm2-20260301T015959Z', ?)", [downtime_id(T0)])

    assert the(store, "cause") == "PR-FLT"
    assert the(store, "downtime_id, holds", "note") == ("pm2-20260301T015959Z", True)


# ---------------------------------------------------------------- clothing, laboratory, orders


def test_clothing_runs_until_the_next_at_the_same_position(store: Store, mill: Mill) -> None:
    def felt(position: str, at_ms: int, comment: str | None = None) -> ClothingChange:
        return ClothingChange(machine="pm2", position=position, installed_ms=at_ms, received_ms=NOW_MS, comment=comment)

    commit(store, mill, context=[felt("pickup", T0 + 9), felt("third press", T0 + 5), felt("pickup", T0, "slip")])
    commit(store, mill, context=[felt("pickup", T0, "new type"), felt("pickup", T0, "new type")])

    found = rows(
        store.connection,
        "SELECT position, epoch_ms(installed_at), epoch_ms(removed_at), comment FROM clothing ORDER BY 1, 2",
    )
    assert found == [
        ("pickup", T0, T0 + 9, "new type"),
        ("pickup", T0 + 9, None, None),
        ("third press", T0 + 5, None, None),
    ]
    assert the(store, "count(*)", "base.clothing") == 4


def test_every_laboratory_result_is_kept_and_the_newest_holds(store: Store, mill: Mill) -> None:
    def result(value: float, test: str = "moisture") -> LabResult:
        return LabResult(machine="pm2", sampled_ms=T0, received_ms=NOW_MS, test=test, value=value, unit="%", reel="7")

    for one in (result(5.1), result(5.3), result(5.1), result(5.1), result(21.0, "ash")):
        commit(store, mill, context=[one])

    found = rows(store.connection, "SELECT test, value, holds FROM lab ORDER BY test, holds, value")
    assert found == [
        ("ash", 21.0, True),
        ("moisture", 5.1, False),
        ("moisture", 5.3, False),
        ("moisture", 5.1, True),
    ]


def test_an_order_sent_again_replaces_the_earlier(store: Store, mill: Mill) -> None:
    for at_ms, tonnes_t in ((T0, 100.0), (T0 + 1, 120.0)):
        order = GradeOrder(machine="pm2", order_id="7", at_ms=at_ms, received_ms=NOW_MS, grade="C80", tonnes_t=tonnes_t)
        commit(store, mill, context=[order])

    assert rows(store.connection, "SELECT tonnes_t, holds FROM grade_order ORDER BY 1") == [(100, False), (120, True)]


# ---------------------------------------------------------------- macros


def test_samples_around_a_loss_are_those_within_the_window(store: Store, mill: Mill) -> None:
    seconds = [-3601, -3600, -1, 0, 1, 600, 601]
    Writer(store, mill).commit(
        batch(
            *(scan(T0 + s * 1_000, {"a": float(s)}) for s in seconds),
            scan(T0, {"a": 1.0}, machine="pm1"),
            facts=[opening(T0)],
        )
    )
    for _ in range(2):
        found = rows(
            store.connection,
            "SELECT machine, tag, offset_s, value "
            "FROM samples_around(?, INTERVAL 1 HOUR, INTERVAL 10 MINUTE) ORDER BY offset_s",
            downtime_id(T0),
        )
        publish(store, mill, now_ms=NOW_MS)

        assert found == [("pm2", "a", float(s), float(s)) for s in seconds[1:-1]]


def test_on_reel_hours_are_counted_within_the_span_and_up_to_the_data(store: Store, mill: Mill) -> None:
    Writer(store, mill).commit(
        batch(
            scan(T0 + 5 * HOUR, {"x": 1.0}),
            facts=states((T0, State.ON_REEL), (T0 + HOUR, State.DOWN), (T0 + 2 * HOUR, State.ON_REEL)),
        )
    )
    publish(store, mill, now_ms=NOW_MS)

    def hours(from_ms: int, to_ms: int) -> float:
        query = "SELECT on_reel_hours('pm2', make_timestamptz(?::BIGINT), make_timestamptz(?::BIGINT))"
        return float(rows(store.connection, query, from_ms * 1_000, to_ms * 1_000)[0][0])

    assert hours(T0 - HOUR, T0 + 9 * HOUR) == 1 + 3
    assert hours(T0 + 30 * MINUTE, T0 + 3 * HOUR) == 0.5 + 1
    assert hours(T0 + HOUR, T0 + 2 * HOUR) == 0
    nobody = "SELECT on_reel_hours('pm9', now(), now()), on_reel_hours('pm2', NULL, now())"
    assert rows(store.connection, nobody) == [(None, None)]


def test_macros_take_columns_of_whoever_asks_by_whatever_name(store: Store, mill: Mill) -> None:
    Writer(store, mill).commit(
        batch(
            *(scan(T0 + minutes * MINUTE, {"a": 1.0}, machine=of) for of in ("pm1", "pm2") for minutes in (0, 5, 60)),
            facts=[*states((T0, State.ON_REEL)), opening(T0), opening(T0 + 60 * MINUTE)],
        )
    )
    publish(store, mill, now_ms=NOW_MS)

    around = (
        "SELECT (SELECT count(*) FROM samples_around({0}, INTERVAL 1 MINUTE, INTERVAL 9 MINUTE)) FROM {1} ORDER BY 1"
    )
    for name in ("d", "s", "h", "loss", "hour", "asked"):
        asked = around.format(f"{name}.downtime_id", f"downtime AS {name}")
        assert rows(store.connection, asked) == [(1,), (2,)], asked
    assert rows(store.connection, around.format("downtime_id", "downtime")) == [(1,), (2,)]
    of_each = (
        "SELECT s.machine, on_reel_hours(s.machine, m.first_at, m.first_at + INTERVAL 30 MINUTE) "
        "FROM machine AS m, (VALUES ('pm2'), ('pm9')) AS s (machine) ORDER BY 1"
    )
    assert rows(store.connection, of_each) == [("pm2", 0.5), ("pm9", None)]
    assert rows(store.connection, "SELECT on_reel_hours(machine, first_at, last_at) FROM machine") == [(1.0,)]


# ---------------------------------------------------------------- the consistency query


@pytest.mark.parametrize(
    ("spoil", "fault"),
    [
        ("INSERT INTO base.hot_sample SELECT * FROM base.hot_sample LIMIT 1", "sample twice"),
        ("INSERT INTO base.hot_text SELECT tag_id, sampled_at, 'x', 0 FROM base.hot_sample LIMIT 1", "sample twice"),
        ("INSERT INTO base.hot_sample VALUES (99, now(), 1, 0)", "sample without its tag"),
        ("INSERT INTO base.replaced VALUES (99, now())", "replaced row"),
        ("INSERT INTO base.machine_state VALUES ('pm2', 'on_reel', '2026-03-01 02:00:30Z')", "two equal states"),
        ("UPDATE base.downtime SET ended_at = NULL WHERE ended_at < '2026-03-01 02:05:00Z'", "downtime that overlaps"),
        ("UPDATE base.downtime SET ended_at = started_at", "downtime that ends as it begins"),
        ("UPDATE base.threading_attempt SET started_at = '2026-03-01 01:59:00Z'", "attempt outside its downtime"),
        ("INSERT INTO base.threading_attempt SELECT * REPLACE (7 AS attempt) FROM base.threading_attempt",
         "attempt that overlaps the next"),
        ("UPDATE base.threading_attempt SET ended_at = '2026-03-01 02:00:30Z'", "success that is not the end"),
        ("UPDATE base.production SET ended_at = '2026-03-01 02:00:01Z'", "production outside on_reel"),
        ("INSERT INTO base.production SELECT * REPLACE (started_at + INTERVAL 1 SECOND AS started_at) "
         "FROM base.production", "production that overlaps the next"),
        ("INSERT INTO base.detector_fault VALUES ('pm2', 'd', 'blind', now(), NULL), "
         "('pm2', 'd', 'blind', now() + INTERVAL 1 HOUR, NULL)", "detector fault that overlaps"),
        ("INSERT INTO base.downtime_alias VALUES ('a', 'b'), ('b', 'c')", "alias of an alias"),
    ],
)  # fmt: skip
def test_what_must_not_be_is_found(store: Store, mill: Mill, spoil: str, fault: str) -> None:
    made = Produced(
        machine="pm2", started_ms=T0 - HOUR, ended_ms=T0, grade="C80", shade=None, reel=None, length_m=1.0, tonnes_t=1.0
    )
    Writer(store, mill).commit(
        batch(
            scan(T0, {"a": 1.0}),
            facts=[
                *states((T0 - HOUR, State.ON_REEL), (T0, State.DOWN), (T0 + MINUTE, State.ON_REEL)),
                opening(T0),
                *attempt(T0, 1, T0 + 1, T0 + MINUTE, Outcome.SUCCESS, "reel"),
                closing(T0, T0 + MINUTE),
                made,
                *states((T0 + HOUR, State.DOWN)),
                opening(T0 + HOUR),
                closing(T0 + HOUR, T0 + 2 * HOUR),
            ],
        )
    )
    assert store.inconsistencies() == []

    store.connection.execute(spoil)

    assert any(one.fault.startswith(fault) for one in store.inconsistencies()), store.inconsistencies()
