"""Ratios as pictures: what is shown is filled and named, what cannot be told left out; the table says the same."""

from __future__ import annotations

from analysis.evidence.ages import Ageing
from analysis.evidence.pictures import ages_picture, pairs_picture
from analysis.evidence.together import Together

FELT = Ageing(
    name="age of felt", breaks=41, lives=2, young=2.9, old=38.4, times=6.2, low=1.8, high=21.08, p=0.002, q=0.005
)
FABRIC = Ageing(
    name="age of fabric", breaks=41, lives=3, young=1.0, old=60.0, times=1.1, low=0.4, high=3.1, p=0.8, q=0.8
)
YOUNG = Ageing(name="since a wash", breaks=12, lives=5)


def test_ages_that_are_shown_are_named_and_those_too_few_to_tell_are_left_out() -> None:
    (picture,) = ages_picture((FELT, FABRIC, YOUNG), 0.05, "PM 2")

    assert "Filled dots are shown: age of felt." in picture.text
    assert [row[0] for row in picture.table.rows] == ["age of felt", "age of fabric"]
    assert picture.table.rows[0] == ("age of felt", "6.2", "1.8", "21", "yes")
    assert picture.svg.startswith("<svg")
    assert picture.text in picture.svg


def test_without_anything_to_tell_there_is_no_picture() -> None:
    assert ages_picture((YOUNG,), 0.05, "PM 2") == ()
    assert pairs_picture((Together(first="a", second="b", breaks=20),), 0.05, "PM 2") == ()


def test_limits_that_run_out_of_all_bounds_are_cut_in_the_picture_only() -> None:
    far = Together(first="a", second="b", breaks=70, times=9e4, low=0.5, high=3e9, p=0.04, q=0.04)

    (picture,) = pairs_picture((far,), 0.05, "PM 2")

    assert picture.table.rows == (("a and b", "90,000", "0.50", "3,000,000,000", "yes"),)
