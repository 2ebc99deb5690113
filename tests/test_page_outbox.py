"""Notes on their way: kept whole, in order and once, whatever happens to the process that keeps them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.page import outbox as module
from analysis.page.outbox import Kept, Outbox, OutboxFull, OutboxTaken, Way

TOPIC = "ellerholm/pm2/note"


@contextmanager
def outbox_in(folder: Path) -> Iterator[Outbox]:
    outbox = Outbox(folder)
    try:
        yield outbox
    finally:
        outbox.close()


def note(name: str) -> dict[str, str]:
    return {"note_id": name, "ts": "2026-03-04T04:00:00.000Z", "kind": "cause", "comment": f"seen by {name}: Ölfleck"}


def test_what_was_kept_is_there_after_the_process_has_gone(tmp_path: Path) -> None:
    with outbox_in(tmp_path) as before:
        kept = before.add(TOPIC, note("a"))

    with outbox_in(tmp_path) as after:
        assert after.all() == (kept,)
        assert after.all()[0].payload == kept.payload


def test_a_file_cut_short_by_a_power_cut_is_no_note_and_stops_nothing(tmp_path: Path) -> None:
    with outbox_in(tmp_path) as before:
        before.add(TOPIC, note("a"))
    whole = (tmp_path / "000000001.json").read_bytes()
    (tmp_path / ".000000002.json.new").write_bytes(whole[:20])
    (tmp_path / "000000003.json").write_bytes(whole[:20])
    (tmp_path / "000000004.json").write_text(json.dumps({"place": 4, "topic": TOPIC, "note": {}, "way": "waiting"}))

    with outbox_in(tmp_path) as after:
        assert [kept.note_id for kept in after.all()] == ["a"]


def test_a_note_that_cannot_be_written_is_not_kept_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with outbox_in(tmp_path) as outbox:
        monkeypatch.setattr(module, "write_whole", full)

        with pytest.raises(OSError, match="No space"):
            outbox.add(TOPIC, note("a"))

        assert outbox.all() == ()


def test_two_pages_do_not_share_a_folder(tmp_path: Path) -> None:
    with outbox_in(tmp_path), pytest.raises(OutboxTaken, match="used by another page"):
        Outbox(tmp_path)


def test_the_answer_of_the_collector_is_not_undone_by_that_of_the_broker(tmp_path: Path) -> None:
    with outbox_in(tmp_path) as outbox:
        outbox.add(TOPIC, note("a"))
        outbox.mark("a", Way.TAKEN)
        outbox.mark("a", Way.SENT)

        assert outbox.all()[0].way is Way.TAKEN


def test_more_notes_than_it_may_hold_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST", 1)

    with outbox_in(tmp_path) as outbox:
        outbox.add(TOPIC, note("a"))

        with pytest.raises(OutboxFull):
            outbox.add(TOPIC, note("b"))


ACTS = st.lists(
    st.one_of(
        st.tuples(st.just("add"), st.integers(0, 9)),
        st.tuples(st.just("drop"), st.integers(0, 9)),
        st.tuples(st.sampled_from([way.value for way in Way]), st.integers(0, 9)),
        st.just(("restart", 0)),
    ),
    max_size=30,
)


@given(acts=ACTS)
def test_notes_stay_in_the_order_in_which_they_were_made_each_once(acts: list[tuple[str, int]]) -> None:
    """Against a plain list, whatever is done and however often the process starts anew."""
    with TemporaryDirectory() as folder:
        outbox = Outbox(Path(folder))
        expected: list[str] = []
        for act, number in acts:
            name = f"note {number}"
            if act == "restart":
                outbox.close()
                outbox = Outbox(Path(folder))
            elif act == "add":
                outbox.add(TOPIC, note(name))
                expected += [name] if name not in expected else []
            elif act == "drop":
                outbox.drop(name)
                expected = [one for one in expected if one != name]
            else:
                outbox.mark(name, Way(act))
        found = outbox.all()
        outbox.close()

        assert [kept.note_id for kept in found] == expected
        assert [kept.place for kept in found] == sorted(kept.place for kept in found)


@given(said=st.dictionaries(st.text(max_size=8), st.text(max_size=20), max_size=4))
def test_the_same_note_is_the_same_bytes_each_time_it_is_sent(said: dict[str, str]) -> None:
    kept = Kept(place=1, topic=TOPIC, note=said | {"note_id": "a"})
    again = Kept(place=1, topic=TOPIC, note=dict(reversed(list(kept.note.items()))))

    assert json.loads(kept.payload) == said | {"note_id": "a"}
    assert kept.payload == again.payload
