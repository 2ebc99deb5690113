"""Coding on the crew's page: a touch is a note, what was said shows at once, and nothing of it is lost."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from analysis.page import outbox as outbox_module
from analysis.page.outbox import Kept, Way
from tests.page import CODED, NIGHT, STOPPED, UNCODED, Visitor, night_store, said, visited

OPEN = f"/machine/pm2/downtime/{UNCODED.downtime_id}"
DONE = f"/machine/pm2/downtime/{CODED.downtime_id}"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return night_store(tmp_path_factory.mktemp("made"))


@pytest.fixture(scope="module")
def shared(made: Path) -> Iterator[Visitor]:
    with visited(made) as visitor:
        yield visitor


@pytest.fixture
def page(shared: Visitor) -> Iterator[Visitor]:
    """The page without a note on its way, for somebody it does not know."""
    yield shared
    shared.cookies.clear()
    for one in kept(shared):
        shared.site.desk._outbox.drop(one.note_id)


@pytest.fixture
def mill(made: Path, tmp_path: Path) -> Path:
    """A mill of its own."""
    shutil.copytree(made.parent, tmp_path / "mill", ignore=shutil.ignore_patterns("page"))
    return tmp_path / "mill" / "mill.toml"


def kept(page: Visitor) -> tuple[Kept, ...]:
    return page.site.desk.all()


def waiting(page: Visitor) -> str:
    """What the page says before the other losses of the sheet: what is still to be coded."""
    return said(page.get(NIGHT)).partition("The other losses of the sheet")[0]


def test_uncoded_breaks_come_first_with_large_targets_and_unknown_among_them(page: Visitor) -> None:
    shown = page.get(NIGHT).text

    first = shown[shown.index('<article class="break"') : shown.index("</article>")]
    assert "23:10 break, press" in re.sub(r"<[^>]+>|\s+", " ", first).replace("  ", " ")
    codes = re.findall(r'<button class="target (\w+)" name="cause" value="([\w-]+)"', first)
    assert codes[0] == ("suggested", "PR-DRW")
    assert ("unknown", "XX-UNK") in codes
    assert len({code for _, code in codes}) == len(codes)


def test_one_touch_codes_a_break(page: Visitor) -> None:
    page.send("/choose", who="  Aino ", here=NIGHT)

    answer = page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely", back=f"{NIGHT}#to-code")

    assert (answer.status_code, answer.headers["location"]) == (303, f"{NIGHT}#to-code")
    (note,) = (one.note for one in kept(page))
    assert {key: note[key] for key in ("downtime", "kind", "cause", "certainty", "by")} == {
        "downtime": UNCODED.downtime_id,
        "kind": "cause",
        "cause": "PR-DRW",
        "certainty": "likely",
        "by": "Aino",
    }
    assert kept(page)[0].topic == "ellerholm/pm2/note"


def test_what_was_said_shows_at_once_and_that_it_waits(page: Visitor) -> None:
    page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely")

    shown = said(page.get(NIGHT))
    assert "The broker cannot be reached" in shown
    assert "One note waits." in shown
    assert "every break has a cause" in shown
    assert "Draw too high or too low PR-DRW · likely" in shown
    assert "waits here for the broker" in shown


def test_unknown_is_one_touch_and_nobody_is_sure_of_it(page: Visitor) -> None:
    page.send(f"{OPEN}/cause", cause="XX-UNK", certainty="likely")

    assert "certainty" not in kept(page)[0].note


def test_a_note_can_be_taken_back_before_it_was_sent_and_both_are_kept(page: Visitor) -> None:
    page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely")

    page.send(f"{OPEN}/back", note_id=kept(page)[0].note_id)

    first, second = kept(page)
    assert (second.note["kind"], second.note["withdraws"]) == ("withdrawal", first.note_id)
    assert "One break still to be coded" in waiting(page)
    assert "is being taken back" in said(page.get(OPEN))


def test_a_note_of_the_store_can_be_taken_back_too(page: Visitor) -> None:
    (note_id,) = re.findall(r'name="note_id" value="([^"]+)"', page.get(DONE).text)

    page.send(f"{DONE}/back", note_id=note_id)

    assert kept(page)[0].note["withdraws"] == note_id
    assert "2 breaks still to be coded" in waiting(page)


def test_what_was_taken_back_cannot_be_taken_back_again(page: Visitor) -> None:
    page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely")
    page.send(f"{OPEN}/back", note_id=kept(page)[0].note_id)

    answer = page.send(f"{OPEN}/back", note_id=kept(page)[0].note_id)

    assert answer.status_code == 400
    assert "no longer holds" in said(answer)
    assert len(kept(page)) == 2


def test_a_later_note_supersedes_the_one_that_holds_even_if_its_clock_was_ahead(page: Visitor) -> None:
    page.send(f"{DONE}/cause", cause="PR-DRW", certainty="confirmed", comment=" hole  in the  felt ")

    shown = said(page.get(NIGHT))
    assert "Draw too high or too low PR-DRW · confirmed" in shown
    assert kept(page)[0].note["comment"] == "hole in the felt"


def test_a_comment_alone_keeps_the_cause_that_was_given(page: Visitor) -> None:
    page.send(f"{DONE}/cause", certainty="likely", comment="second time this week")

    assert kept(page)[0].note["cause"] == "PR-FLT"


def test_the_kind_of_a_downtime_can_be_corrected(page: Visitor) -> None:
    page.send(f"{OPEN}/kind", kind="planned")

    assert kept(page)[0].note["new_kind"] == "planned"
    assert "every break has a cause" in said(page.get(NIGHT))


def test_a_stop_that_becomes_a_break_is_to_be_coded(page: Visitor) -> None:
    page.send(f"/machine/pm2/downtime/{STOPPED.downtime_id}/kind", kind="break")

    assert "2 breaks still to be coded" in waiting(page)


UNUSABLE = [
    (f"{OPEN}/cause", {"cause": "NO-SUCH"}, 400),
    (f"{OPEN}/cause", {}, 400),
    (f"{OPEN}/cause", {"cause": "PR-DRW", "certainty": "sure"}, 400),
    (f"{OPEN}/cause", {"cause": "PR-DRW", "comment": "x" * 2001}, 400),
    (f"{OPEN}/kind", {"kind": "holiday"}, 400),
    ("/machine/pm2/downtime/pm2-19700101T000000Z/cause", {"cause": "PR-DRW"}, 404),
    (f"/machine/pm3/downtime/{UNCODED.downtime_id}/cause", {"cause": "PR-DRW"}, 404),
]


def test_what_the_collector_could_not_use_is_refused_before_it_is_kept(page: Visitor) -> None:
    key = page.form_key()

    found = [(path, page.post(path, data=fields | {"form": key}).status_code) for path, fields, _ in UNUSABLE]

    assert found == [(path, status) for path, _, status in UNUSABLE]
    assert kept(page) == ()


def test_the_same_touched_twice_is_one_note(page: Visitor) -> None:
    for _ in range(2):
        page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely")

    assert len(kept(page)) == 1


def test_a_note_that_cannot_be_kept_says_so(page: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(outbox_module, "write_whole", full)

    answer = page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely")

    assert answer.status_code == 507
    assert "write the cause on paper" in said(answer)


def test_a_note_that_was_refused_is_shown_with_the_reason_until_somebody_has_read_it(page: Visitor) -> None:
    page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely")
    note_id = kept(page)[0].note_id
    page.site.desk._outbox.mark(note_id, Way.REFUSED, "mill.toml has no cause PR-DRW")

    shown = said(page.get(NIGHT))
    page.send(f"{OPEN}/seen", note_id=note_id)

    assert "One break still to be coded" in shown
    assert "not taken mill.toml has no cause PR-DRW" in shown
    assert kept(page) == ()


def test_notes_outlast_a_restart_of_the_page_in_their_order(mill: Path) -> None:
    with visited(mill) as page:
        page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely")
        page.send(f"{OPEN}/cause", cause="PR-FLT", certainty="confirmed")
        before = kept(page)

    with visited(mill) as page:
        assert kept(page) == before
        assert "PR-FLT · confirmed" in said(page.get(NIGHT))
        files = sorted((mill.parent / "page" / "outbox").glob("*.json"))
        assert [json.loads(file.read_text())["note"]["cause"] for file in files] == ["PR-DRW", "PR-FLT"]


def test_times_of_notes_rise_so_that_the_last_one_holds(page: Visitor) -> None:
    page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely")
    page.send(f"{OPEN}/cause", cause="PR-FLT", certainty="likely")

    first, second = (one.note["ts"] for one in kept(page))
    assert first < second


def test_the_name_is_remembered_and_offered_again(page: Visitor) -> None:
    page.send(f"{OPEN}/cause", cause="PR-DRW", certainty="likely", who="Väinö <b>")

    assert kept(page)[0].note["by"] == "Väinö <b>"
    assert 'value="Väinö &lt;b&gt;"' in page.get(OPEN).text
