"""Figures in words: the sentence says what the table shows, and nothing unknown is passed off as nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest

from analysis.figures.ledger import Class, ledger
from analysis.figures.tonnes import Lost, Made
from analysis.history import History
from analysis.pareto import pareto
from analysis.period import Period
from analysis.result import Result, length, natural, sentence_case
from analysis.telling.broke import tell_broke
from analysis.telling.common import freshness_said, iso
from analysis.telling.efficiency import ledger_table
from analysis.telling.pareto import tell_pareto
from analysis.telling.tonnes import production_table, tell_production
from tests.histories import DAY, HOUR, MINUTE, downtime, history, on_reel_but_for

WHOLE_DAY = Period(from_ms=0, to_ms=DAY)


def told(past: History, by: str) -> Result:
    """The Pareto of a day in words."""
    book = ledger(past, WHOLE_DAY)
    return tell_pareto(past, book, pareto(past, book, by))


def test_the_leader_in_count_and_the_costliest_are_told_apart() -> None:
    past = on_reel_but_for([downtime(60, 5), downtime(120, 5), downtime(300, 60, section="pre-dryer")])

    assert told(past, "section").sentence == (
        "press leads with 2 of 3 primary breaks (95 % interval of the count 0.2 to 7.2), "
        "but pre-dryer costs the most time, 60.0 min."
    )


def test_what_is_not_coded_is_never_called_the_leading_cause() -> None:
    past = on_reel_but_for([downtime(60, 5), downtime(120, 5), downtime(300, 60, cause="PD-HNG")])

    assert told(past, "cause").sentence.startswith("PD-HNG leads with 1 of 3 primary breaks")
    assert told(past, "cause").sentence.endswith("; 2 not coded.")


def test_without_any_coded_break_there_is_no_leader() -> None:
    past = on_reel_but_for([downtime(60, 5), downtime(120, 5)])

    assert told(past, "cause").sentence == "2 primary breaks; 2 not coded."


def test_a_quiet_day_says_so() -> None:
    assert told(on_reel_but_for([]), "section").sentence == "no primary break."


def test_lost_time_without_a_rate_is_a_caution() -> None:
    (caution,) = told(on_reel_but_for([downtime(60, 30)]), "section").cautions

    assert caution.startswith("The rate before the loss is unknown for 30.0 min")


def test_the_ledger_table_ends_with_its_exact_sum() -> None:
    table = ledger_table(ledger(on_reel_but_for([downtime(60, 30)]), WHOLE_DAY))

    assert table.rows[-1][:4] == ("the whole period", "24.00", "1,440.0", "100.00 %")
    assert table.rows[-1][4].startswith("86,400,000 ms")
    assert [row[0] for row in table.rows[:-1]] == [cls.value for cls in Class]


def test_what_is_missing_from_the_tonnes_is_said() -> None:
    made = Made(tonnes_t=12.0, on_reel_ms=2 * HOUR, unknown_ms=HOUR)
    lost = Lost(ms=HOUR, tonnes_t=6.0, unknown_ms=30 * MINUTE)

    note = production_table(made, lost, on_reel_ms=2 * HOUR + 40 * MINUTE).note

    assert "Basis weight unknown for 60.0 min on the reel." in note
    assert "No tonnes are known yet of 40.0 min on the reel" in note
    assert "No rate is known for 30.0 min off the reel." in note


def test_broke_that_cannot_be_counted_is_said() -> None:
    past = on_reel_but_for([downtime(60, 30, broke_t=6.0), downtime(200, 10)])

    result = tell_broke(past, ledger(past, WHOLE_DAY))

    assert result.sentence == (
        "6.0 t of broke with the sheet off the reel. "
        "1 downtime still open or without a known rate could not be counted."
    )
    assert tell_production(past, ledger(past, WHOLE_DAY)).sentence.startswith("0.0 t made on the reel")


def test_a_machine_without_data_is_not_dated() -> None:
    silent = replace(history(), machine=replace(history().machine, last_ms=None))

    assert "PM 2: no data yet" in freshness_said(silent)
    assert iso(None) is None


@pytest.mark.parametrize(
    ("ms", "said"),
    [
        (0, "0 min"),
        (1500, "1.5 s"),
        (119_999, "120.0 s"),
        (120_000, "2.0 min"),
        (3 * HOUR, "3.0 h"),
        (3 * DAY, "3.0 d"),
    ],
)
def test_a_length_comes_in_the_unit_that_suits_it(ms: int, said: str) -> None:
    assert length(ms) == said


def test_grades_come_in_the_order_of_their_numbers() -> None:
    assert sorted(["C100", "C60", None, "C70"], key=natural) == ["C60", "C70", "C100", None]
    assert sentence_case("pM 2") == "PM 2"


def test_bars_that_lead_together_are_all_named() -> None:
    past = on_reel_but_for([downtime(60, 10), downtime(200, 30, section="reel"), downtime(300, 5, section=None)])
    book = ledger(past, WHOLE_DAY)

    said = tell_pareto(past, book, pareto(past, book, "section")).sentence

    assert said.startswith("reel and press lead together, each with 1 of 3 primary breaks")
    assert said.endswith("; of all, reel costs the most time, 30.0 min; 1 section not known.")


def test_the_downtimes_behind_a_pareto_are_listed_longest_first_with_their_ids() -> None:
    past = on_reel_but_for([downtime(60, 10), downtime(200, 30, cause="PR-FLT", comment="=1+1")])
    book = ledger(past, WHOLE_DAY)

    told = tell_pareto(past, book, pareto(past, book, "section"), past.downtimes[::-1])

    listed = told.tables[-1]
    assert [row[3:5] for row in listed.rows] == [("PR-FLT", "30.0"), ("not coded", "10.0")]
    assert listed.sheet is not None
    assert [row[-1] for row in listed.sheet.rows] == [30.0, 10.0]
    assert [d["downtime_id"] for d in told.values["downtimes"]] == [d.downtime_id for d in past.downtimes[::-1]]
