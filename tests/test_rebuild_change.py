"""Which downtime answers to which after a rebuild; every case drawn up by hand. Times in minutes."""

from __future__ import annotations

from collector.rebuild.change import aliases_after, compare

MINUTE = 60_000


def row(name: str, start: float, end: float | None, **more: object) -> dict[str, object]:
    """A downtime by a short name."""
    ended = None if end is None else round(end * MINUTE)
    return {"downtime_id": name, "started_at": round(start * MINUTE), "ended_at": ended, "kind": "break"} | more


def test_equal_rows_are_no_change() -> None:
    assert not compare([row("a", 0, 10)], [row("a", 0, 10)])


def test_a_downtime_with_the_same_id_and_another_section_has_changed() -> None:
    change = compare([row("a", 0, 10, section="press")], [row("a", 0, 10, section="reel")])

    assert change.changed == {"a": {"section": ("press", "reel")}}
    assert not change.moved


def test_the_largest_overlap_answers() -> None:
    # a lasted from 0 to 20: 1 to 5 (4 min) and 6 to 18 (12 min) lie in it.
    change = compare([row("a", 0, 20)], [row("b", 1, 5), row("c", 6, 18)])

    assert change.moved == {"a": "c"}
    assert change.added == ["b"]
    assert change.split == {"a": ["b", "c"]}


def test_without_overlap_the_nearest_start_within_ten_minutes_answers() -> None:
    change = compare([row("a", 20, 21)], [row("b", 11, 12), row("c", 29, 30)])

    # 9 min before, 9 min after: the first of the two.
    assert change.moved == {"a": "b"}


def test_beyond_ten_minutes_nobody_answers() -> None:
    assert compare([row("a", 20, 21)], [row("b", 10, 11)]).moved == {"a": "b"}
    assert compare([row("a", 20, 21)], [row("b", 9.99, 11)]).removed == ["a"]


def test_two_that_became_one_both_answer_to_it() -> None:
    change = compare([row("a", 0, 5), row("b", 6, 9)], [row("a", 0, 9)])

    assert change.moved == {"b": "a"}
    assert change.changed == {"a": {"ended_at": (5 * MINUTE, 9 * MINUTE)}}
    assert change.merged == {"a": ["a", "b"]}
    assert change.removed == []


def test_an_open_downtime_overlaps_all_that_is_later() -> None:
    change = compare([row("a", 0, None)], [row("b", 3, 4)])

    assert change.moved == {"a": "b"}


def test_aliases_follow_their_downtime_and_an_id_in_use_has_none() -> None:
    # x was a's earlier id, a is b now. y was c's, and y itself is found again. z's downtime is gone: it stays.
    after = aliases_after({"x": "a", "y": "c", "z": "gone"}, {"a": "b", "c": "y"}, ["b", "y"])

    assert after == {"x": "b", "a": "b", "c": "y", "z": "gone"}
