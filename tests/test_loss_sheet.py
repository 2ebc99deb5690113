"""The loss sheet: sums that add up or say so, one page whatever happened, and the same words on screen and on paper."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import asdict, replace
from datetime import date
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from analysis.figures.ledger import Class
from analysis.figures.shift_review import shift_review
from analysis.history import Downtime, Grade, GradeRun, History, Production, ShiftSpan, StateSpan
from analysis.loss_sheet import rows
from analysis.loss_sheet.fit import fitting
from analysis.loss_sheet.keep import Due, due, newest_ended, place_of, write_whole
from analysis.loss_sheet.model import Band, LossSheet, plain
from analysis.loss_sheet.tell import SETTLED_MS, Asked, is_settled, loss_sheet, marks_of
from analysis.loss_sheet.write import as_html, as_pdf, band_of
from analysis.period import shift_period, until_horizon
from breakhorn import cli
from tests.analysis_store import Break, HandMadeStore
from tests.browsers import browser_page
from tests.histories import DAY, HOUR, MINUTE, downtime, on_reel_but_for, rota
from tests.page import NIGHT as NIGHT_SHIFT
from tests.page import night_store, visited
from tests.pdf_text import pages_of, words_of

SHIFTS = rota(date(2026, 6, 10), 1)
DAY_SHIFT = SHIFTS[0]
START_MIN = DAY_SHIFT.started_ms / MINUTE
HOSTILE = '#panic("x") $x_1^2$ *bold* _it_ `raw` <tag> @ref \\ // /* [ ] { } "quoted" & <script>alert(1)</script>'


def past_of(lost: list[Downtime], **more: object) -> History:
    """Around the day shift, on the reel but for these downtimes."""
    return on_reel_but_for(
        lost, from_ms=DAY_SHIFT.started_ms - DAY, to_ms=DAY_SHIFT.ended_ms + DAY, shifts=tuple(SHIFTS), **more
    )


def sheet_of(past: History, shift: ShiftSpan = DAY_SHIFT, band: Band | None = None) -> LossSheet:
    """The sheet of a shift, with the night after it."""
    review = shift_review(past, until_horizon(shift_period(shift), past.horizon_ms))
    asked = Asked(shift=shift, coming=SHIFTS[1], version="9.9")
    return loss_sheet(past, review, asked, band or band_of(past, review))


@cache
def a_band() -> Band:
    """A drawing, to be used again where it does not matter which: it takes longer than all else."""
    return sheet_of(a_shift()).band


def a_shift() -> History:
    """A break taken over, one coded, one not, a stop, and one handed on; 12 t/h before each; 240 t/d planned."""
    rate: dict[str, Any] = {"rate_before_t_h": 12.0}
    made = [
        Production(
            started_ms=DAY_SHIFT.started_ms + n * HOUR,
            ended_ms=DAY_SHIFT.started_ms + (n + 1) * HOUR,
            grade="C80",
            shade="white",
            reel="R1",
            length_m=46_800.0,
            tonnes_t=9.5,
        )
        for n in range(12)
    ]
    run = GradeRun(grade="C80", shade="white", started_ms=0, ended_ms=None)
    return past_of(
        [
            downtime(START_MIN - 10, 25, broke_t=5.0, **rate),
            downtime(START_MIN + 60, 20, cause="PR-FLT", certainty="likely", comment=HOSTILE, broke_t=4.0, **rate),
            downtime(START_MIN + 200, 5, "stop", section=None, broke_t=0.0, **rate),
            downtime(START_MIN + 300, 10, broke_t=2.0, **rate),
            downtime(START_MIN + 710, 30, cause="PR-FLT", broke_t=6.0, **rate),
        ],
        production=tuple(made),
        grade_runs=(run,),
        grades=(Grade(grade="C80", plan_t_d=240.0),),
    )


class Words(HTMLParser):
    """What a page shows: its text without the drawing, and every element."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.text, self._hidden = "", 0
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attributes)))
        self._hidden += tag in ("style", "svg", "title")

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "svg", "title")

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.text += data


def squeezed(text: str) -> str:
    """A text as ``words_of`` gives it."""
    return "".join(text.split())


def shown_texts(sheet: LossSheet) -> list[str]:
    """Every text of a sheet that a reader must find on it."""

    def leaves(value: object) -> Iterator[str]:
        match value:
            case str():
                yield value
            case dict():
                for part in value.values():
                    yield from leaves(part)
            case list() | tuple():
                for part in value:
                    yield from leaves(part)

    said = asdict(sheet)
    del said["band"], said["title"]
    return [text for text in leaves(said) if text]


def test_the_ledger_of_the_sheet_adds_up_to_the_shifts_own_minutes() -> None:
    sheet = sheet_of(a_shift())

    # 15 min taken over + 20 + 10 + 10 min before the hand-over are breaks; the stop's 5 are apart; 720 - 60 on the reel
    assert [(line.name, line.value) for line in sheet.ledger.lines[:3]] == [
        ("on reel", "660.0"), ("break", "55.0"), ("stop", "5.0"),
    ]  # fmt: skip
    assert (sheet.ledger.total.value, sheet.ledger.fault) == ("720.0", "")
    assert sheet.ledger.checked == "Checked: the classes add up to the shift's 43,200,000 ms."
    assert sheet.list_checked == "Checked: all downtimes together take 60.0 min, as in the ledger."


@given(st.lists(st.tuples(st.integers(0, 10**7), st.integers(1, 10**6)), max_size=8), st.integers(0, 10**7))
def test_the_minutes_on_paper_add_up_as_they_are_printed(lost: list[tuple[int, int]], still_to_come_ms: int) -> None:
    at, downs = DAY_SHIFT.started_ms, []
    for pause_ms, lasts_ms in lost:
        at += pause_ms
        downs.append(downtime(at / MINUTE, lasts_ms / MINUTE))
        at += lasts_ms
    past = past_of(downs)
    past = replace(past, machine=replace(past.machine, last_ms=DAY_SHIFT.ended_ms - still_to_come_ms))

    book = sheet_of(past, band=a_band()).ledger

    printed = [round(10 * float(line.value)) for line in book.lines]
    assert (sum(printed), book.total.value, book.fault) == (7200, "720.0", "")


def test_a_ledger_that_does_not_add_up_is_an_error_in_the_place_of_its_sum() -> None:
    past = a_shift()
    review = shift_review(past, shift_period(DAY_SHIFT))
    short = replace(review, book=replace(review.book, slices=review.book.slices[1:]))
    missing_ms = review.book.slices[0].ms

    sheet = loss_sheet(past, short, Asked(shift=DAY_SHIFT, coming=None, version="9.9"), band_of(past, review))

    assert f"add up to {43_200_000 - missing_ms:,} ms, the shift has 43,200,000 ms" in sheet.ledger.fault
    for shown in (squeezed(Words(as_html(sheet)).text), words_of(as_pdf(sheet))):
        assert squeezed(sheet.ledger.fault) in shown
        assert squeezed(sheet.ledger.checked) not in shown
        assert squeezed("the shift" + sheet.ledger.total.value) not in shown


def test_a_list_that_does_not_match_the_ledger_is_an_error_too() -> None:
    past = a_shift()
    review = shift_review(past, shift_period(DAY_SHIFT))

    said, fault = rows.checked(replace(review, downtimes=review.downtimes[1:]))

    # The first of the list is the break of 10 min that waits for a code.
    assert said == ""
    assert "add up to 3,000,000 ms, the ledger has 3,600,000 ms" in fault


def test_tonnes_stand_against_the_plan_and_money_against_both() -> None:
    paper = {line.name: (line.value, line.note) for line in sheet_of(a_shift()).paper}

    # 12 x 9.5 t made; 240 t/d is 120 t a shift; 60 min at 12 t/h not made;
    # broke: 15/25 of 5 + 4 + 0 + 2 + 10/30 of 6 = 11 t; 12 t x 300 + 11 t x 100 EUR
    assert paper["made on the reel"][0] == "114.0 t"
    assert paper["plan"] == ("120.0 t", "of the grades made")
    assert paper["not made"][0] == "12.0 t"
    assert paper["broke"] == ("11.0 t", "at reel moisture")
    assert paper["cost"] == ("4,700 EUR", "lost margin and broke")


def test_made_is_held_against_the_plan_only_where_both_are_known_for_all_of_the_time() -> None:
    past = a_shift()
    whole = [replace(p, ended_ms=p.ended_ms - 5 * MINUTE) for p in past.production]  # 660 min on the reel
    known = replace(past, production=tuple(whole))
    open_hour = replace(known, production=known.production[:-1])
    other_grade = replace(known, grades=(Grade(grade="C60", plan_t_d=200.0),))
    no_plan = replace(known, grades=())

    named = {"known": known, "open_hour": open_hour, "other_grade": other_grade, "no_plan": no_plan}
    papers = {name: sheet_of(one, band=a_band()).paper for name, one in named.items()}
    against = {name: paper[2] for name, paper in papers.items()}

    assert (against["known"].value, against["known"].note) == ("−6.0 t", "95.0 % of it")
    assert (against["open_hour"].value, against["open_hour"].note) == ("–", "tonnes of 55.0 min not known")
    assert against["other_grade"].value == "–"
    assert against["no_plan"].value == "–"
    assert papers["no_plan"][1].value == "not set"


def test_unset_money_is_not_set_and_never_nought() -> None:
    past = a_shift()
    unset = replace(past, mill=replace(past.mill, margin_per_t=None, broke_cost_per_t=None))
    no_rate = replace(past, downtimes=tuple(replace(d, rate_before_t_h=None) for d in past.downtimes))

    assert sheet_of(unset, band=a_band()).paper[-1].value == "not set"
    assert {row.cost for row in sheet_of(unset, band=a_band()).rows} == {"–"}
    assert sheet_of(no_rate, band=a_band()).paper[-1].value == "not known"
    assert sheet_of(no_rate, band=a_band()).paper[3].value == "not known"


def test_each_downtime_says_when_what_why_and_what_it_took() -> None:
    sheet = sheet_of(a_shift())

    said = [(r.number, r.clock, r.what, r.minutes, r.lost_t, r.broke_t, r.waits) for r in sheet.rows]
    assert said == [
        ("1", "← 05:50", "break, press", "15.0", "3.0", "3.0", False),
        ("2", "07:00", "break, press", "20.0", "4.0", "4.0", False),
        ("3", "09:20", "stop", "5.0", "1.0", "0.0", False),
        ("4", "11:00", "break, press", "10.0", "2.0", "2.0", True),
        ("5", "17:50", "break, press", "10.0 →", "2.0", "2.0", False),
    ]
    assert sheet.rows[1].cause == "PR-FLT (likely)"
    assert sheet.rows[3].cause.startswith("not coded: .")
    assert sheet.uncoded == "Still to be coded: 1 of 3 breaks that began in this shift, no. 4."


def test_a_shift_says_when_nothing_is_left_to_code() -> None:
    coded = past_of([downtime(START_MIN + 60, 20, cause="PR-FLT")])

    assert sheet_of(coded).uncoded == "All coded: 1 break began in this shift."
    assert sheet_of(past_of([])).uncoded == "No break began in this shift: nothing to code."


def test_who_goes_and_who_comes_have_room_to_sign() -> None:
    sheet = sheet_of(a_shift())

    assert [(s.role, s.crew) for s in sheet.signers] == [("Crew going", "C"), ("Crew coming", "D")]
    assert sheet.hours.startswith("2026-06-10 06:00 to 18:00, 720.0 min")


def test_the_sheet_of_a_night_in_which_clocks_change_has_its_own_length() -> None:
    night = rota(date(2026, 3, 28), 1)[1]
    past = on_reel_but_for([], from_ms=night.started_ms - DAY, to_ms=night.ended_ms + DAY)

    sheet = sheet_of(past, night)

    assert sheet.ledger.total.value == "660.0"
    assert sheet.ledger.fault == ""


def test_a_shift_whose_data_are_not_all_there_says_so_and_still_adds_up() -> None:
    past = a_shift()
    running = replace(past, machine=replace(past.machine, last_ms=DAY_SHIFT.started_ms + 4 * HOUR))

    sheet = sheet_of(running)

    assert sheet.unfinished.startswith("Not the last word: data only up to 2026-06-10 10:00")
    assert (sheet.ledger.lines[-1].name, sheet.ledger.lines[-1].value) == ("still to come", "480.0")
    assert (sheet.ledger.total.value, sheet.ledger.fault) == ("720.0", "")
    assert squeezed(sheet.unfinished) in words_of(as_pdf(sheet))


@pytest.mark.parametrize(("past_end_ms", "settled"), [(0, False), (SETTLED_MS - 1, False), (SETTLED_MS, True)])
def test_a_shift_is_settled_once_nothing_of_its_end_is_undecided(past_end_ms: int, settled: bool) -> None:
    assert is_settled(DAY_SHIFT, DAY_SHIFT.ended_ms + past_end_ms) is settled


def test_page_and_pdf_carry_the_same_words() -> None:
    sheet = sheet_of(a_shift())

    on_screen, on_paper = squeezed(Words(as_html(sheet)).text), words_of(as_pdf(sheet))

    for text in shown_texts(sheet):
        wanted = squeezed(text)
        assert wanted in on_screen, text
        assert wanted.casefold() in on_paper.replace("’", "'").casefold(), text


def test_the_pdf_is_one_tagged_page_with_title_language_and_a_described_drawing() -> None:
    sheet = sheet_of(a_shift())

    pdf = as_pdf(sheet)

    assert pages_of(pdf) == 1
    # ISO 14289-1 asks for a marked document with a language, a title that is shown, and text for every figure.
    assert b"/MarkInfo<</Marked true" in pdf
    assert b"/Lang(en" in pdf
    assert b"/DisplayDocTitle true" in pdf
    assert re.search(rb"/S/Figure(?:(?!endobj).)*/Alt\(One band from 2026-06-10 06:00", pdf, re.DOTALL)
    assert b"pdfuaid:part>1<" in pdf
    assert pdf.count(b"/S/TH") >= len(sheet.columns)


def test_the_same_sheet_gives_the_same_bytes() -> None:
    sheet = sheet_of(a_shift())

    assert as_pdf(sheet) == as_pdf(sheet)


def test_the_page_fetches_nothing_and_runs_nothing() -> None:
    words = Words(as_html(sheet_of(a_shift())))

    assert "script" not in {tag for tag, _ in words.elements}
    assert not [a for _, attributes in words.elements for a in ("src", "href") if a in attributes]
    assert HOSTILE[:100] in words.text


written = st.text(max_size=300) | st.just(HOSTILE) | st.text("W#*_`$\\[]{}<>@\"'/", max_size=300)


@given(st.lists(written, min_size=24, max_size=24), written, written, written, st.booleans())
def test_whatever_somebody_wrote_the_pdf_is_one_page(
    comments: list[str], machine: str, crew: str, cause: str, late: bool
) -> None:
    lost = [
        replace(
            downtime(START_MIN - 5 + 29 * n, 11 + n),
            kind="stop" if n % 3 else "break",
            comment=comment,
            cause=cause[:20] or None,
            section=machine[:50] or None,
            rate_before_t_h=12.0 if n % 2 else None,
        )
        for n, comment in enumerate(comments)
    ]
    past = past_of(lost)
    last_ms = DAY_SHIFT.ended_ms - MINUTE if late else past.horizon_ms
    past = replace(past, machine=replace(past.machine, name=machine, last_ms=last_ms))

    sheet = sheet_of(past, replace(DAY_SHIFT, crew=crew, shift=cause), a_band())

    assert pages_of(as_pdf(sheet)) == 1
    assert "\n" not in json.dumps([row.comment for row in sheet.rows], ensure_ascii=False)


def test_a_character_that_no_shipped_font_has_still_gives_a_tagged_pdf() -> None:
    sheet = sheet_of(past_of([downtime(START_MIN + 60, 20, comment="纸断了")]))

    pdf = as_pdf(sheet)

    assert pages_of(pdf) == 1
    assert b"/MarkInfo<</Marked true" in pdf


def test_more_downtimes_than_there_is_room_for_are_counted_and_added_up() -> None:
    lost = [
        downtime(START_MIN + 10 * n, 2 + n % 5, cause=None if n % 10 == 0 else "PR-FLT", rate_before_t_h=12.0)
        for n in range(70)
    ]

    sheet = sheet_of(past_of(lost))

    shown = [float(row.minutes) for row in sheet.rows]
    assert len(shown) == rows.ROOM - 1
    assert sum(row.waits for row in sheet.rows) == 7
    # 70 downtimes of 2, 3, 4, 5, 6 min in turn: 280 min; one minute at 12 t/h is 0.2 t
    left_min = 280 - sum(shown)
    assert sheet.more == (
        f"{70 - len(shown)} more downtimes, coded or shorter, without room here: "
        f"{left_min:.1f} min, {left_min * 0.2:.1f} t not made."
    )
    assert squeezed(sheet.more) in words_of(as_pdf(sheet))


@given(st.lists(st.tuples(st.integers(1, 2), st.booleans(), st.integers(0, 9)), max_size=40), st.integers(2, 20))
def test_what_is_left_out_never_weighs_more_than_what_is_shown(rows_: list[tuple[int, bool, int]], room: int) -> None:
    numbered = list(enumerate(rows_))

    shown, left = fitting(numbered, room, lines=lambda r: r[1][0], first=lambda r: (r[1][1], r[1][2]))

    assert sorted(shown + left) == numbered
    assert shown == sorted(shown)
    assert sum(r[1][0] for r in shown) + bool(left) <= room
    assert all(r[1][1:] >= other[1][1:] for r in shown for other in left)


def test_marks_of_the_band_never_stand_in_one_another() -> None:
    past = past_of([downtime(START_MIN + 3 * n, 2) for n in range(100)])
    review = shift_review(past, shift_period(DAY_SHIFT))

    marks = marks_of(review)

    at = sorted(d.downtime.started_ms for d in review.downtimes if d.downtime.downtime_id in marks)
    assert len(at) > 20
    assert min(b - a for a, b in pairwise(at)) >= 12 * MINUTE


def test_a_text_is_one_line_of_what_can_be_printed() -> None:
    assert plain("felt\n\u202ewet\x00 again", 40) == "felt wet again"
    assert plain("x" * 50, 10) == "x" * 9 + "…"


def test_what_is_due_follows_data_and_clock() -> None:
    end, start = DAY_SHIFT.ended_ms, DAY_SHIFT.started_ms

    def then(last_ms: int, now_ms: int, *, kept: bool = False) -> Due:
        return due(DAY_SHIFT, last_ms=last_ms, now_ms=now_ms, unfinished_after_ms=15 * MINUTE, kept=kept)

    assert then(end + SETTLED_MS, end + SETTLED_MS) is Due.WRITE
    assert then(end + SETTLED_MS, end + HOUR, kept=True) is Due.KEEP
    assert then(end - 1, end + MINUTE) is Due.WAIT
    assert then(end - 1, end + 15 * MINUTE) is Due.WRITE_UNFINISHED
    assert then(start - 1, end + HOUR) is Due.NOTHING_KNOWN
    assert newest_ended(SHIFTS, end) == DAY_SHIFT
    assert newest_ended(SHIFTS, end - 1) is None


def test_a_finished_sheet_takes_the_place_of_the_unfinished_one(tmp_path: Path) -> None:
    place = place_of(tmp_path, "pm2", replace(DAY_SHIFT, shift="late/../day"))
    place.put("pdf", b"half", finished=False)

    place.put("pdf", b"whole", finished=True)

    assert [file.name for file in tmp_path.iterdir()] == ["pm2-2026-06-10-late-..-day.pdf"]
    assert place.has(["pdf"])
    assert not place.has(["pdf", "html"])


def test_a_sheet_that_cannot_be_written_leaves_the_old_one_and_nothing_half_done(tmp_path: Path) -> None:
    file = tmp_path / "sheet.pdf"
    file.write_bytes(b"old")

    with pytest.raises(TypeError):
        write_whole(file, "no bytes")  # type: ignore[arg-type]

    assert [(f.name, f.read_bytes()) for f in tmp_path.iterdir()] == [("sheet.pdf", b"old")]


@pytest.fixture
def mill(tmp_path: Path) -> Path:
    """Two machines and two days of shifts; PM 2 has data past the second day shift, PM 1 only into it."""
    store = HandMadeStore(tmp_path)
    for machine, last in (("pm1", "2026-03-03 12:00"), ("pm2", "2026-03-03 18:30")):
        store.machine("2026-03-02 06:00", last, machine=machine, name=machine.upper())
        store.states(("2026-03-02 06:00", "on_reel"), machine=machine)
    store.breaks(Break("2026-03-03 09:00", "2026-03-03 09:22", cause="PR-FLT"))
    store.shifts("2026-03-02 06:00", 4)
    return store.close(published="2026-03-03 18:31", data_to="2026-03-03 18:30")


def ask(mill: Path, *arguments: object) -> Result:
    return CliRunner().invoke(cli, ["--mill", str(mill), "loss-sheet", *map(str, arguments)])


def test_a_sheet_of_each_machine_is_written_where_it_was_asked_for(mill: Path, tmp_path: Path) -> None:
    done = ask(mill, "--pdf", tmp_path / "s.pdf", "--html", tmp_path / "s.html", "--shift", "2026-03-03 day")

    assert done.exit_code == 0, done.output
    assert done.stdout == ""
    assert "s-2.pdf" in done.stderr
    assert "dayshiftofTue2026-03-03" in words_of((tmp_path / "s-2.pdf").read_bytes())
    assert "Not the last word" in (tmp_path / "s.html").read_text()
    assert "Not the last word" not in (tmp_path / "s-2.html").read_text()


def test_a_folder_of_sheets_is_the_same_however_often_it_is_asked_for(mill: Path, tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "sheets"

    first = ask(mill, "--out", folder, "--shift", "2026-03-03 day")
    written = {file.name: (file.read_bytes(), file.stat().st_mtime_ns) for file in folder.iterdir()}
    second = ask(mill, "--out", folder, "--shift", "2026-03-03 day")

    assert (first.exit_code, second.exit_code) == (0, 0)
    assert sorted(written) == [
        "pm1-2026-03-03-day.unfinished.html", "pm1-2026-03-03-day.unfinished.pdf",
        "pm2-2026-03-03-day.html", "pm2-2026-03-03-day.pdf",
    ]  # fmt: skip
    assert "is there already" in second.stderr
    again = {file.name: (file.read_bytes(), file.stat().st_mtime_ns) for file in folder.iterdir()}
    assert {n: content for n, (content, _) in again.items()} == {n: content for n, (content, _) in written.items()}
    assert again["pm2-2026-03-03-day.pdf"] == written["pm2-2026-03-03-day.pdf"]


def test_a_finished_sheet_is_written_anew_only_when_told(mill: Path, tmp_path: Path) -> None:
    ask(mill, "--out", tmp_path / "s", "--machine", "pm2", "--shift", "2026-03-03 day")
    file = tmp_path / "s" / "pm2-2026-03-03-day.html"
    file.write_text("signed")

    ask(mill, "--out", tmp_path / "s", "--machine", "pm2", "--shift", "2026-03-03 day")
    left = file.read_text()
    ask(mill, "--out", tmp_path / "s", "--machine", "pm2", "--shift", "2026-03-03 day", "--again")

    assert left == "signed"
    assert "Shift loss sheet" in file.read_text()


def test_by_the_clock_it_is_the_newest_shift_of_which_there_are_data(mill: Path, tmp_path: Path) -> None:
    done = ask(mill, "--out", tmp_path / "s", "--machine", "pm2")

    # The clock is long past the night in which the data end.
    assert done.exit_code == 0
    assert sorted(f.name for f in (tmp_path / "s").iterdir()) == [
        "pm2-2026-03-03-night.unfinished.html", "pm2-2026-03-03-night.unfinished.pdf",
    ]  # fmt: skip


def test_a_shift_whose_data_may_still_come_is_waited_for(mill: Path, tmp_path: Path) -> None:
    done = ask(mill, "--out", tmp_path / "s", "--machine", "pm2", "--unfinished-after", 10**9)

    assert done.exit_code == 0
    assert "waiting for data, they reach to 2026-03-03 18:30" in done.stderr
    assert list((tmp_path / "s").iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        ((), 2, "say where to write it"),
        (("--out", "s", "--pdf", "s.pdf"), 2, "leave out --pdf"),
        (("--pdf", "s.pdf", "--shift", "tomorrow"), 2, "cannot read the shift"),
        (("--pdf", "s.pdf", "--machine", "pm9"), 1, "this mill has pm1, pm2"),
        (("--pdf", "/nowhere/s.pdf"), 1, "give another path"),
    ],
)
def test_what_cannot_be_says_what_can(mill: Path, arguments: tuple[str, ...], code: int, said: str) -> None:
    done = ask(mill, *arguments)

    assert done.exit_code == code
    assert said in done.stderr


def test_unknown_time_without_a_downtime_is_said_beside_the_list() -> None:
    past = past_of([])
    standing = StateSpan(state="stopped", started_ms=DAY_SHIFT.started_ms + HOUR, ended_ms=None)
    on_reel = replace(past.states[0], ended_ms=standing.started_ms)
    review = shift_review(replace(past, states=(on_reel, standing)), shift_period(DAY_SHIFT))

    said, fault = rows.checked(review)

    assert fault == ""
    assert review.book.ms[Class.UNKNOWN] == 11 * HOUR
    assert "660.0 min more off the reel belong to no downtime" in said


def test_the_page_prints_the_sheet_of_the_shift_that_is_looked_at(tmp_path: Path) -> None:
    with visited(night_store(tmp_path)) as page:
        (link,) = re.findall(r'href="([^"]+loss-sheet.pdf)"', page.get(NIGHT_SHIFT).text)
        found = page.get(link)
        missing = page.get(link.replace("2026-03-03", "2026-04-03"))

    assert found.headers["content-type"] == "application/pdf"
    assert "nightshiftofTue2026-03-03" in words_of(found.content)
    assert pages_of(found.content) == 1
    assert missing.status_code == 404


@pytest.mark.slow
def test_a_browser_prints_even_the_fullest_sheet_on_one_page_with_nothing_cut_off(tmp_path: Path) -> None:
    lost = [
        downtime(START_MIN + 16 * n, 3 + n % 7, comment="W" * 300, cause="PR-FLT" if n % 3 else None) for n in range(44)
    ]
    past = past_of(lost)
    late = replace(past, machine=replace(past.machine, name="W" * 60, last_ms=DAY_SHIFT.ended_ms - MINUTE))
    fullest = sheet_of(late)
    (tmp_path / "sheet.html").write_text(as_html(fullest), encoding="utf-8")

    with browser_page(900, 1200) as page:
        page.goto((tmp_path / "sheet.html").as_uri())
        page.emulate_media(media="print")
        needed, there = page.evaluate("[document.querySelector('main').scrollHeight, 297 * 96 / 25.4]")
        printed = page.pdf(prefer_css_page_size=True)

    assert pages_of(as_pdf(fullest)) == 1
    assert needed <= there
    assert re.findall(rb"/Count (\d+)", printed) == [b"1"]
