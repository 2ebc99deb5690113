"""Pictures: self-contained, described, readable in grey, and with the numbers they were drawn from."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from itertools import combinations
from xml.etree import ElementTree

import altair as alt
import pytest

from analysis.drawing.bands import MOST_DAYS, day_bands, days_said, ledger_bar, timeline
from analysis.drawing.bars import MOST_BARS, pareto_bars
from analysis.drawing.chart import FILL, INK, data, draw, plain_id
from analysis.figures.ledger import Class, Ledger, ledger
from analysis.history import History, StateSpan
from analysis.pareto import pareto
from analysis.period import Period, day_start_ms
from analysis.result import Picture
from analysis.telling.efficiency import ledger_table
from analysis.telling.pareto import pareto_table
from tests.colours import contrast
from tests.histories import DAY, HELSINKI, HOUR, MINUTE, downtime, history, on_reel_but_for

SVG = "{http://www.w3.org/2000/svg}"
WHOLE_DAY = Period(from_ms=0, to_ms=DAY)


def everything() -> tuple[History, Ledger]:
    """A day with a bit of every class and every sort of bar."""
    past = on_reel_but_for(
        [
            downtime(60, 30, rate_before_t_h=12.0, cause="PR-FLT"),
            downtime(200, 30, "stop", section=None),
            downtime(300, 60, "planned"),
            downtime(500, 30, "unknown", section=None),
            downtime(700, 15, rate_before_t_h=12.0, location_tied=True),
            downtime(800, 15, rate_before_t_h=12.0, section=None),
        ],
        causes={"PR-FLT": "Felt <plugged> & 'streaked'"},
    )
    states = (*past.states[:-1], StateSpan(state="no_data", started_ms=900 * MINUTE, ended_ms=None))
    past = replace(past, states=states)
    return past, ledger(past, WHOLE_DAY)


def pictures() -> list[Picture]:
    past, book = everything()
    rankings = [pareto(past, book, by) for by in ("section", "cause", "hour")]
    return [
        ledger_bar(book, ledger_table(book)),
        day_bands(book, HELSINKI),
        timeline(book, HELSINKI, {d.downtime_id: str(n) for n, d in enumerate(past.downtimes)}),
        *(pareto_bars(found, pareto_table(found, past), "EUR") for found in rankings),
    ]


@pytest.fixture(scope="module", params=range(6), ids=["shares", "days", "timeline", "section", "cause", "hour"])
def picture(request: pytest.FixtureRequest) -> Picture:
    """Each kind of picture in turn."""
    place: int = request.param
    return drawn()[place]


_DRAWN: list[Picture] = []


def drawn() -> list[Picture]:
    """All pictures, drawn once."""
    if not _DRAWN:
        _DRAWN.extend(pictures())
    return _DRAWN


def test_a_picture_is_one_well_formed_svg_that_fetches_nothing(picture: Picture) -> None:
    root = ElementTree.fromstring(picture.svg)

    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    assert not re.search(r"<script|<image|<foreignObject|href=|@import|url\((?!#)", picture.svg)


def test_a_picture_has_a_name_a_description_and_a_text(picture: Picture) -> None:
    root = ElementTree.fromstring(picture.svg)

    assert root.findtext(f"{SVG}title")
    assert len(root.findtext(f"{SVG}desc") or "") > 20
    assert len(picture.text) > 20
    assert picture.table.rows
    assert all(len(row) == len(picture.table.columns) for row in picture.table.rows)


def test_every_hatch_that_is_used_is_defined_once(picture: Picture) -> None:
    used = set(re.findall(r"url\(#([^)]+)\)", picture.svg))
    ids = re.findall(r'\bid="([^"]+)"', picture.svg)

    assert used <= set(ids)
    assert len(ids) == len(set(ids))


def test_pictures_of_one_page_share_no_id() -> None:
    ids = [name for one in drawn() for name in re.findall(r'\bid="([^"]+)"', one.svg)]

    assert len(ids) == len(set(ids))


def test_what_a_cause_is_called_is_text_and_never_markup() -> None:
    cause = drawn()[4]

    assert "Felt <plugged>" not in cause.svg
    assert "Felt &lt;plugged&gt;" in cause.svg


def test_the_bars_say_their_numbers() -> None:
    words = "".join(ElementTree.fromstring(drawn()[3].svg).itertext())

    # press: one break of 30 min at 12 t/h: 6 t, 1,800 EUR
    for said in ("press (tied)", "section not known", "30.0", "6.0", "1,800"):
        assert said in words


def test_the_legend_names_only_the_classes_that_occur() -> None:
    past = on_reel_but_for([downtime(60, 30)])

    words = list(ElementTree.fromstring(day_bands(ledger(past, WHOLE_DAY), HELSINKI).svg).itertext())

    assert "break" in words
    assert "planned" not in words


def test_a_day_of_23_hours_is_a_shorter_band() -> None:
    start = day_start_ms(date(2026, 3, 29), HELSINKI)
    past = history([StateSpan(state="on_reel", started_ms=0, ended_ms=None)])
    book = ledger(past, Period(from_ms=start, to_ms=start + 23 * HOUR + 24 * HOUR))

    picture = day_bands(book, HELSINKI)

    assert [row[0] for row in picture.table.rows] == ["2026-03-29", "2026-03-30"]
    assert [row[2] for row in picture.table.rows] == ["1,380.0", "1,440.0"]


def test_a_long_period_shows_its_newest_days() -> None:
    past = history([StateSpan(state="on_reel", started_ms=0, ended_ms=None)])
    book = ledger(past, Period(from_ms=0, to_ms=120 * DAY))

    assert len(day_bands(book, HELSINKI).table.rows) == MOST_DAYS


def test_the_best_and_the_worst_day_are_among_those_with_data() -> None:
    past = history(
        [
            StateSpan(state="on_reel", started_ms=0, ended_ms=30 * HOUR),
            StateSpan(state="down", started_ms=30 * HOUR, ended_ms=36 * HOUR),
            StateSpan(state="on_reel", started_ms=36 * HOUR, ended_ms=47 * HOUR),
        ],
        [downtime(30 * 60, 6 * 60)],
    )

    # In 1970 Helsinki was at UTC+2: the days begin at -2 h, 22 h and 46 h; of the third only an hour has data.
    said = days_said(ledger(past, Period(from_ms=-2 * HOUR, to_ms=70 * HOUR)), HELSINKI)

    assert said == "the best day was 1970-01-01 with 100.0 % on the reel, the worst 1970-01-02 with 75.0 %."
    assert "no day" in days_said(ledger(history(), WHOLE_DAY), HELSINKI)


def test_more_bars_than_a_picture_holds_become_one_and_stay_in_the_table() -> None:
    lost = [downtime(30 * n, 5, section=f"place {n}") for n in range(1, MOST_BARS + 4)]
    past = on_reel_but_for(lost)
    found = pareto(past, ledger(past, WHOLE_DAY), "section")

    picture = pareto_bars(found, pareto_table(found, past), "EUR")

    assert "3 others together" in "".join(ElementTree.fromstring(picture.svg).itertext())
    assert len(picture.table.rows) == MOST_BARS + 3


def test_any_machine_makes_an_id() -> None:
    assert re.fullmatch(r"[A-Za-z][\w-]*", plain_id("pm 2/é"))


def test_lost_time_stands_out_from_time_on_the_reel_in_grey_too() -> None:
    # WCAG 2.2, 1.4.11: graphics need a contrast of 3 : 1 where the difference matters.
    for cls in (Class.BREAK, Class.STOP, Class.PLANNED):
        assert contrast(FILL[cls], FILL[Class.ON_REEL]) >= 3
    # WCAG 2.2, 1.4.3: text needs 4.5 : 1
    assert contrast(INK, "#ffffff") >= 4.5


def test_classes_of_like_lightness_differ_by_hatching() -> None:
    # Only break and on reel are plain; of two hatched ones, ground or direction differs.
    plain = [cls for cls in Class if f"url(#days-{cls.value.replace(' ', '-')})" not in drawn()[1].svg]

    assert plain == [Class.ON_REEL, Class.BREAK]
    assert all(FILL[a] != FILL[b] for a, b in combinations(Class, 2))


def test_clipped_charts_of_one_page_share_no_id_either() -> None:
    chart = alt.Chart(data([{"x": 1}])).mark_bar(clip=True).encode(x="x:Q")

    drawings = [draw(chart, name=name, title="A bar", text="One bar.") for name in ("one", "other")]

    ids = [name for svg in drawings for name in re.findall(r'\bid="([^"]+)"', svg)]
    assert ids
    assert len(ids) == len(set(ids))
    assert all(set(re.findall(r"url\(#([^)]+)\)", svg)) <= set(ids) for svg in drawings)
