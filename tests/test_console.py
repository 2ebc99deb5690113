"""Tables in the terminal: what a person reads off them is never broken in two."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from analysis.command.console import column_widths, show, show_table
from analysis.result import Result, Table

BALANCE = Table(
    title="Balance",
    columns=("tower", "+ returned", "unexplained", "meaning"),
    rows=(("white tower", "1,182.51", "-0.90 (-0.05 %)", "what all this does not add up to"),),
    numbers=frozenset({1, 2}),
)
CELLS = st.text("ab, 1", max_size=30)


def printed(table: Table, width: int) -> str:
    out = io.StringIO()
    show_table(table, Console(file=out, width=width, highlight=False, markup=False))
    return out.getvalue()


def test_numbers_and_words_stay_whole_in_a_narrow_terminal() -> None:
    # Longest words: tower 5, returned 8, unexplained 11, meaning 7; 31, and 3 beside each of 4 columns: 43.
    shown = printed(BALANCE, 43)

    assert "1,182.51" in shown
    assert "unexplained" in shown
    assert "row 1 of 1" not in shown


def test_a_table_whose_words_do_not_fit_is_shown_as_blocks() -> None:
    shown = printed(BALANCE, 42)

    assert "row 1 of 1" in shown
    assert "  unexplained  -0.90 (-0.05 %)" in shown


@pytest.mark.parametrize(("columns", "widest"), [(None, 100), ("60", 60), ("nonsense", 100)])
def test_without_a_terminal_a_line_is_as_wide_as_columns_says_or_100(
    columns: str | None, widest: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("COLUMNS", raising=False)
    if columns is not None:
        monkeypatch.setenv("COLUMNS", columns)

    show([Result(title="", subject="PM 2", sentence="words " * 100)])

    assert max(map(len, capsys.readouterr().out.splitlines())) in range(widest - 6, widest + 1)


@given(st.lists(st.tuples(CELLS, CELLS, CELLS), max_size=4), st.integers(20, 120))
def test_a_table_fits_its_terminal_and_no_column_is_narrower_than_its_longest_word(
    rows: list[tuple[str, str, str]], room: int
) -> None:
    table = Table(title="", columns=("a", "b", "c"), rows=tuple(rows))

    widths = column_widths(table, room)

    words = [max((len(w) for row in rows for w in row[n].split()), default=1) for n in range(3)]
    if widths is None:
        assert sum(max(w, 1) for w in words) + 9 > room
    else:
        assert sum(widths) + 9 <= room
        assert all(width >= word for width, word in zip(widths, words, strict=True))


@pytest.mark.parametrize("width", [20, 100])
def test_what_a_terminal_would_obey_is_shown_instead(width: int, capsys: pytest.CaptureFixture[str]) -> None:
    harm = "\x1b]0;pm9\x07 \x1b[2J \x9b31m \u202e"
    table = Table(title=harm, columns=(harm, "b"), rows=((harm, harm), ("one\ntwo", "ä")), note=harm)

    shown = printed(table, width)
    show([Result(title="", subject=harm, sentence=harm, cautions=(harm,))])

    said = shown + capsys.readouterr().out
    assert not [character for character in said if not character.isprintable() and character != "\n"]
    assert {"\\u001b[2J", "one", "two", "ä"} <= set(said.split())


def test_an_empty_table_says_none() -> None:
    assert "none" in printed(Table(title="Warnings", columns=("given", "risk"), rows=()), 80)


def test_an_empty_table_says_so_in_one_piece_though_its_columns_are_narrower_than_the_word() -> None:
    assert " none " in printed(Table(title="Bad days", columns=("day", "p"), rows=()), 80)
