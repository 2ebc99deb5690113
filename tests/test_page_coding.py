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
from collector.mqtt.broker import free_port
from tests.analysis_store import Break, HandMadeStore, at
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


def test_a_loss_that_no_detector_saw_can_be_added_and_taken_back(page: Visitor) -> None:
    """The night of 3 March ends on the 4th: 01:20 in Helsinki is 23:20 UTC the day before."""
    fields = {"day": "2026-03-03", "name": "night", "back": f"{NIGHT}#missed"}

    page.send("/machine/pm2/missed", **fields, **{"from": "01:20", "to": "01:35"})

    note = kept(page)[0].note
    assert (note["kind"], note["started"], note["ended"]) == (
        "missed",
        "2026-03-03T23:20:00.000Z",
        "2026-03-03T23:35:00.000Z",
    )
    assert "sheet off from 01:20 to 01:35. waits here for the broker" in said(page.get(NIGHT))
    assert "sheet off from" not in said(page.get("/machine/pm3/shift/2026-03-03/night"))

    page.send("/machine/pm2/missed/back", note_id=note["note_id"])

    assert kept(page)[1].note["withdraws"] == note["note_id"]
    assert "sheet off from" not in said(page.get(NIGHT))


@pytest.mark.parametrize(("lost", "back"), [("01:35", "01:20"), ("12:00", "12:10"), ("", "01:00"), ("01:00", "x")])
def test_a_loss_outside_its_shift_or_backwards_is_refused(page: Visitor, lost: str, back: str) -> None:
    answer = page.send("/machine/pm2/missed", day="2026-03-03", name="night", **{"from": lost, "to": back})

    assert answer.status_code == 400
    assert "These times do not fit" in said(answer)
    assert kept(page) == ()


def test_a_loss_that_was_added_may_say_where(page: Visitor) -> None:
    fields = {"day": "2026-03-03", "name": "night", "from": "01:20", "to": "01:35"}

    page.send("/machine/pm2/missed", **fields, section="press")
    refused = page.send("/machine/pm2/missed", **fields, section="attic")

    assert [one.note.get("section") for one in kept(page)] == ["press"]
    assert refused.status_code == 400


def test_whoever_gave_wrong_times_is_led_back_to_where_they_were(page: Visitor) -> None:
    form = {"day": "2026-03-03", "name": "night", "from": "01:35", "to": "01:20", "form": page.form_key()}

    answer = page.post("/machine/pm2/missed", data=form, headers={"referer": f"http://127.0.0.1:8620{NIGHT}"})
    elsewhere = page.post("/machine/pm2/missed", data=form, headers={"referer": "http://x.example//evil.example/"})

    assert f'<a class="wide" href="{NIGHT}">Back to where you were</a>' in answer.text
    assert "Back to where you were" not in elsewhere.text


FIRST, SECOND = Break("2026-03-01 20:00", "2026-03-01 20:10"), Break("2026-03-01 20:40", "2026-03-01 20:50")
INTO, ABSORBED = Break("2026-03-02 01:00", "2026-03-02 01:10"), Break("2026-03-02 01:20", "2026-03-02 01:30", cause="A")
FIRST_NIGHT = "/machine/pm2/shift/2026-03-01/night"


@pytest.fixture(scope="module")
def pairs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visitor]:
    """A night of four breaks, of which people have said that the last two are one."""
    made = HandMadeStore(tmp_path_factory.mktemp("pairs"))
    made.machine("2026-03-01 00:00", "2026-03-02 07:00")
    made.shifts("2026-03-01 06:00", 2)
    made.states(("2026-03-01 00:00", "on_reel"))
    made.insert("cause", code="A", section="press", name="Alder")
    made.breaks(FIRST, SECOND, INTO, ABSORBED)
    merge = {"downtime_id": ABSORBED.downtime_id, "merge_into": INTO.downtime_id}
    noted = {"noted_at": at("2026-03-02 05:00"), "received_at": at("2026-03-02 05:00")}
    made.insert("note", receipt=99, note_id="m", machine="pm2", kind="merge", **merge, **noted)
    path = made.close(published="2026-03-02 07:00", data_to="2026-03-02 07:00")
    path.write_text(f"{path.read_text()}\n[broker]\nport = {free_port()}\n")
    with visited(path) as visitor:
        yield visitor


def test_two_losses_soon_after_one_another_can_be_said_to_be_one(pairs: Visitor) -> None:
    seen = f"/machine/pm2/downtime/{SECOND.downtime_id}"

    asked = said(pairs.get(seen))
    pairs.send(f"{seen}/one", seen=seen, into=FIRST.downtime_id)

    note = kept(pairs)[0].note
    assert "20:00 break, press ; between them the sheet was on the reel for 30.0 min." in asked
    assert (note["kind"], note["downtime"], note["merge_into"]) == ("merge", SECOND.downtime_id, FIRST.downtime_id)
    assert "One with the loss before it waits here for the broker" in said(pairs.get(FIRST_NIGHT))
    assert "These two are one" not in said(pairs.get(seen))


def test_losses_hours_apart_are_never_one(pairs: Visitor) -> None:
    seen = f"/machine/pm2/downtime/{INTO.downtime_id}"

    answer = pairs.send(f"{seen}/one", seen=seen, into=SECOND.downtime_id)

    assert "These two are one" not in said(pairs.get(seen))
    assert answer.status_code == 400


def test_losses_that_were_made_one_show_what_was_said_of_both_and_can_be_parted(pairs: Visitor) -> None:
    seen = f"/machine/pm2/downtime/{INTO.downtime_id}"

    shown = said(pairs.get(seen))
    pairs.send(f"{seen}/back", seen=seen, note_id="m")

    assert "sheet off 30.0 min" in shown
    assert "One with the loss before it" in shown.partition("What was said of it")[2]
    assert "Alder A · likely" in shown.partition("What was said of it")[2]
    assert kept(pairs)[-1].note["withdraws"] == "m"


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
