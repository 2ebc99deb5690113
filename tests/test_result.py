"""Numbers for people."""

from __future__ import annotations

import pytest

from analysis.result import number, percent, signed, significant
from analysis.runnability.telling.wording import amount


@pytest.mark.parametrize(
    ("text", "said"),
    [("-0.54", "−0.54"), ("-0.00", "0.00"), ("-1,200", "−1,200"), ("+3", "+3"), ("-0", "0"), ("12", "12")],
)
def test_a_number_has_a_true_minus_and_none_before_a_zero(text: str, said: str) -> None:
    assert signed(text) == said


def test_every_way_to_say_a_number_has_it() -> None:
    assert (number(-0.004, 2), percent(-0.0004), significant(-12.34), amount(-0.0001, 2)) == (
        "0.00",
        "0.0 %",
        "−12.3",
        "0.00",
    )


def test_a_limit_of_five_figures_is_said_to_four() -> None:
    assert (amount(71_875.7, 1), amount(9_999.4, 1)) == ("71,880", "9,999.4")
