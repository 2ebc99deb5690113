"""Earlier breaks like one: the distance is a weighted share of what differs, and says in what."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.dossier.similar import compare, nearest
from analysis.suggest.known import Known
from analysis.suggest.settings import SuggestSettings

SETTINGS = SuggestSettings()
ASKED = Known(
    downtime_id="pm2-now",
    started_ms=1000,
    section="press",
    grade="C80",
    at_turn_up=False,
    on_reel_min=300.0,
    grade_change_min=900.0,
)
OTHER = replace(ASKED, downtime_id="pm2-then", started_ms=10)


def test_a_break_alike_in_all_is_at_no_distance() -> None:
    found = compare(ASKED, OTHER, SETTINGS, {"press.draw": 1}, {"press.draw": 1})

    assert found.distance == 0
    assert found.unlike == ()
    assert "lost at press" in found.alike
    assert "press.draw up" in found.alike


def test_what_differs_weighs_as_it_is_said_to() -> None:
    elsewhere = compare(ASKED, replace(OTHER, section="reel"), SETTINGS)
    other_grade = compare(ASKED, replace(OTHER, grade="C60"), SETTINGS)

    # Section 3, grade, restart, grade change and turn-up 1 each: 7 in all.
    assert elsewhere.distance == pytest.approx(3 / 7)
    assert elsewhere.unlike == ("lost at reel",)
    assert other_grade.distance == pytest.approx(1 / 7)


def test_a_tag_that_went_the_other_way_or_not_at_all_is_not_alike() -> None:
    own = {"press.draw": 1, "press.tension": 1}
    against = compare(ASKED, OTHER, SETTINGS, own, {"press.draw": -1, "press.tension": 0})

    # The two tags share a weight of 3 of 10 in all.
    assert against.distance == pytest.approx(3 / 10)
    assert set(against.unlike) == {"press.draw down", "press.tension as usual"}


def test_what_is_not_known_of_both_is_not_compared() -> None:
    found = compare(replace(ASKED, grade=None, on_reel_min=None), OTHER, SETTINGS, {"press.draw": 1}, {})

    assert {p.name for p in found.parts} == {"section", "grade change", "turn-up"}


def test_among_equals_the_newest_comes_first() -> None:
    made = [compare(ASKED, replace(OTHER, downtime_id=str(n), started_ms=n), SETTINGS) for n in (5, 9, 7)]

    assert [a.known.started_ms for a in nearest(made, 2)] == [9, 7]


@given(
    st.sampled_from(["press", "reel", None]),
    st.sampled_from(["C80", "C60", None]),
    st.sampled_from([None, 5.0, 500.0]),
    st.dictionaries(st.sampled_from(["a", "b"]), st.sampled_from([-1, 0, 1])),
)
def test_the_distance_is_a_share(
    section: str | None, grade: str | None, back: float | None, other: dict[str, int]
) -> None:
    found = compare(
        ASKED, replace(OTHER, section=section, grade=grade, on_reel_min=back), SETTINGS, {"a": 1, "b": -1}, other
    )

    assert 0 <= found.distance <= 1
    assert len(found.alike) + len(found.unlike) == len(found.parts)
