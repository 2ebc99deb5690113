"""What the sieve leaves out makes no difference: the facts from its scans are those from all scans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import groupby, pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector import sheet
from collector.block import BAD, NUMBER, TEXT, TRUTH, Block
from collector.fact import DowntimeOpened, Fact, FaultOpened, StateChanged
from collector.message import Flag, Scan, Value
from collector.sieve import Sieve
from tests.sheet_adapter import rules_of
from tests.streams import ELLERHOLM, Stream, histories, ms
from tests.tracked import Settings

SOURCE = 7
BEAT = "headbox.level"
"""A tag without a role: where a stream has a heartbeat, a file has a value of some other tag."""

History = tuple[Settings, list[Scan]]


def as_file(scans: Sequence[Scan]) -> list[Scan]:
    """The scans as a file holds them: in order of time, one a time, from one source."""
    ordered = sorted((scan for scan in scans if not scan.initial), key=lambda scan: scan.at_ms)
    made = []
    for at_ms, group in groupby(ordered, key=lambda scan: scan.at_ms):
        values: dict[str, Value] = {}
        for scan in group:
            values |= scan.values
        made.append(Scan("pm2", at_ms, values or {BEAT: 1.0}, SOURCE, at_ms, int(Flag.HISTORICAL)))
    return made


def block_of(scans: Sequence[Scan]) -> Block:
    """The same as columns."""
    names = sorted({tag for scan in scans for tag in scan.values})
    rows = [(names.index(tag), scan.at_ms, value) for scan in scans for tag, value in scan.values.items()]
    kinds = [_kind(value) for _, _, value in rows]
    numbers = [np.nan if value is None or isinstance(value, str) else float(value) for _, _, value in rows]
    return Block(
        source=SOURCE,
        tags=tuple(("pm2", name) for name in names),
        tag_no=np.array([number for number, _, _ in rows], np.int32),
        at_ms=np.array([at_ms for _, at_ms, _ in rows], np.int64),
        kinds=np.array(kinds, np.uint8),
        numbers=np.array(numbers, np.float64),
        texts=np.array([value if isinstance(value, str) else None for _, _, value in rows], np.object_),
    )


def _kind(value: Value) -> int:
    if value is None:
        return BAD
    return TEXT if isinstance(value, str) else TRUTH if isinstance(value, bool) else NUMBER


def facts_of_all(rules: sheet.Rules, before: sheet.Sheet, scans: Sequence[Scan]) -> list[Fact]:
    return sheet.advance(rules, before, scans) + sheet.flush(rules, before)


def facts_of_sieved(rules: sheet.Rules, before: sheet.Sheet, parts: Sequence[Sequence[Scan]]) -> tuple[list[Fact], int]:
    sieve, facts, seen = Sieve(rules=rules, source=SOURCE), list[Fact](), 0
    for part in parts:
        kept = sieve.scans(block_of(part), before)
        seen += len(kept)
        facts += sheet.advance(rules, before, kept)
    return facts + sheet.flush(rules, before), seen


def by_kind(facts: Sequence[Fact]) -> list[str]:
    """In an order that does not depend on when each was found out."""
    return sorted(map(repr, facts))


@settings(deadline=None, suppress_health_check=list(HealthCheck))
@given(history=histories(), cuts=st.lists(st.integers(0, 400), max_size=4), known=st.integers(0, 30))
def test_the_facts_are_those_of_all_scans(history: History, cuts: list[int], known: int) -> None:
    told, scans = history
    rules, every = rules_of(told), as_file(scans)
    live = [Scan(scan.machine, scan.at_ms, scan.values, 0, scan.at_ms) for scan in every[:known]]
    one, other = sheet.fresh(len(rules.detectors)), sheet.fresh(len(rules.detectors))
    begun = sheet.advance(rules, one, live), sheet.advance(rules, other, live)
    edges = sorted({0, len(every), *(cut for cut in cuts if cut < len(every))})
    parts = [every[start:end] for start, end in pairwise(edges)]

    expected = facts_of_all(rules, one, every)
    found, _ = facts_of_sieved(rules, other, parts)

    assert begun[0] == begun[1]
    assert by_kind(found) == by_kind(expected)


def torn() -> Stream:
    """A break at the press and the return from it, something heard every second."""
    return Stream().beats("00:00:00", "00:20:00").on_reel().torn_at_press("00:10").threaded("00:12")


CASES = {
    "a block in which neither speed nor the reel eye says anything": (
        ELLERHOLM,
        torn().at("00:09:00", sheet_press=True),
        ("00:08:00", "00:10:05"),
    ),
    "an eye of which a block says first that it is bad, and the next that it is good": (
        ELLERHOLM,
        torn().at("00:05:00", sheet_predryer=None).at("00:07:00", sheet_predryer=True),
        ("00:04:30", "00:06:00"),
    ),
    "a speed that is bad from one block into the next": (
        ELLERHOLM,
        torn().at("00:10:30", reel_speed=None).at("00:12:25", reel_speed=600.0),
        ("00:10:40", "00:12:10"),
    ),
    "an eye that says the same again while the speed is bad": (
        ELLERHOLM,
        torn().at("00:10:30", reel_speed=None).at("00:11:40", sheet_press=False).at("00:12:25", reel_speed=600.0),
        ("00:11:35",),
    ),
    "a file beside a gateway that is watched": (
        replace(ELLERHOLM, heartbeats={0: 30_000}),
        torn().at("00:13:30", sheet_reel=True).at("00:18:00", sheet_reel=True),
        ("00:13:00",),
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_the_facts_of_a_stream_in_blocks_are_those_of_all_its_scans(case: str) -> None:
    told, stream, cuts = CASES[case]
    rules, every = rules_of(told), as_file(stream.scans)
    live = [scan for scan in stream.scans if scan.at_ms < ms("00:00:10")]
    one, other = sheet.fresh(len(rules.detectors)), sheet.fresh(len(rules.detectors))
    sheet.advance(rules, one, live)
    sheet.advance(rules, other, live)
    edges = [0, *(ms(cut) for cut in cuts), every[-1].at_ms + 1]
    parts = [[scan for scan in every if begin <= scan.at_ms < end] for begin, end in pairwise(edges)]

    found, _ = facts_of_sieved(rules, other, parts)

    assert by_kind(found) == by_kind(facts_of_all(rules, one, every))
    assert any(isinstance(fact, DowntimeOpened | FaultOpened) for fact in found)


def test_a_day_in_which_nothing_changes_is_two_scans() -> None:
    stream = Stream().on_reel()
    for minute in range(1, 600):
        stream.at(f"{minute // 60:02}:{minute % 60:02}:00", reel_speed=600.0, sheet_press=True)
    rules = rules_of(ELLERHOLM)

    _, seen = facts_of_sieved(rules, sheet.fresh(len(rules.detectors)), [as_file(stream.scans)])

    assert seen == 2


def test_a_silence_is_still_a_silence() -> None:
    """Heard every second until 00:10:00, and again from 00:20:00 on: no data in between, and not before."""
    stream = Stream().on_reel().beats("00:00:01", "00:10:00").beats("00:20:00", "00:21:00")
    rules = rules_of(ELLERHOLM)

    found, seen = facts_of_sieved(rules, sheet.fresh(len(rules.detectors)), [as_file(stream.scans)])

    told = [fact for fact in found if isinstance(fact, StateChanged)]
    states = [(fact.state.value, fact.at_ms % 86_400_000 // 1000) for fact in told]
    assert states == [("on_reel", 0), ("no_data", 600), ("on_reel", 1200)]
    assert seen == 4


@pytest.mark.parametrize("value", [None, "C80", 1.0, True])
def test_a_block_gives_back_what_was_put_in(value: Value) -> None:
    block = block_of([Scan("pm2", 5, {"x": value}, SOURCE, 5)])

    assert (block.value(0), type(block.value(0))) == (value, type(value))


def test_of_two_samples_of_one_tag_at_one_time_the_later_holds() -> None:
    scans = [Scan("pm2", 5, {"x": number}, SOURCE, 5) for number in (1.0, 2.0)]
    scans += [Scan("pm2", 6, {"x": 3.0}, SOURCE, 6)]

    block = block_of(scans).without_doubles()

    assert [(at, block.value(row)) for row, at in enumerate(block.at_ms.tolist())] == [(5, 2.0), (6, 3.0)]
