"""One command runs the benchmarks and lays what they are judged by in one table."""

from __future__ import annotations

import pytest

from tests.benchmarks.__main__ import HEAD, NAMES, Ran, main, rows_of, table
from tests.benchmarks.stand.index import LINES, Goal, Line, Side

SPED = Line(
    benchmark="pumping",
    what="litres moved",
    pattern=r"^moved +(?P<figure>[\d,.]+) .* (?P<ratio>[\d.]+) x",
    unit="l/s",
    against="x by hand",
    goal=Goal(side=Side.AT_MOST, limit=3),
)


def ran(said: str, *, status: int = 0) -> Ran:
    return Ran(name="pumping", status=status, said=said, took_s=1.0)


def test_every_benchmark_has_a_line_in_the_index_and_the_index_names_no_other() -> None:
    assert {line.benchmark for line in LINES} == set(NAMES)


@pytest.mark.parametrize(("ratio", "word"), [("2.9", "reached"), ("3.0", "reached"), ("3.1", "missed")])
def test_a_figure_stands_with_its_ratio_and_whether_the_goal_is_reached(ratio: str, word: str) -> None:
    rows = rows_of(ran(f"a head\nmoved 1,250.5 l, {ratio} x a bucket\n"), quick=False, lines=[SPED])

    assert rows == [("pumping", "litres moved", "1,250.5 l/s", f"{float(ratio):g} x by hand", f"ratio ≤ 3: {word}")]


def test_a_quick_run_is_not_held_against_the_goal() -> None:
    rows = rows_of(ran("moved 1 l, 9.9 x a bucket\n"), quick=True, lines=[SPED])

    assert rows[0][-1] == "ratio ≤ 3"


def test_a_figure_can_be_the_goal_from_below() -> None:
    goal = Goal(side=Side.AT_LEAST, limit=500, of_ratio=False)

    assert goal.words(500, None, judge=True) == "figure ≥ 500: reached"
    assert goal.words(499, 1000, judge=True) == "figure ≥ 500: missed"


def test_what_is_not_printed_and_what_failed_is_said() -> None:
    assert rows_of(ran("nothing of it\n"), quick=False, lines=[SPED])[0][2] == "not printed"
    assert rows_of(ran("", status=1), quick=False, lines=[SPED]) == [
        ("pumping", "failed with exit status 1", "", "", "")
    ]


def test_a_small_benchmark_by_name_ends_in_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["decode_speed", "--quick"]) == 0

    shown = capsys.readouterr()
    lines = shown.out.splitlines()
    assert lines[0].split() == [cell for name in HEAD for cell in ("|", name)] + ["|"]
    assert lines[2].startswith("| decode_speed | decoding a scan")
    assert len({len(line) for line in lines}) == 1
    assert "ratio" in shown.err


def test_a_benchmark_that_nobody_knows_is_wrong_usage() -> None:
    with pytest.raises(SystemExit, match="2"):
        main(["nix"])


def test_the_table_of_nothing_is_its_head() -> None:
    assert table([]).splitlines()[0] == "| benchmark | what | figure | ratio | goal |"
