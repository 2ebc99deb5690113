"""What commands answer, said in the page's other languages: as far as it goes, honestly marked where it does not."""

from __future__ import annotations

import string
from pathlib import Path

import pytest

from analysis.dossier.answer import dossier_of
from analysis.dossier.tell import tell_dossier
from analysis.page.catalogue import FALLBACK, languages
from analysis.page.losses_asked import losses_asked
from analysis.page.tongue import Piece, tongue_of
from analysis.page.views.losses import _work_out
from analysis.read import open_store
from analysis.result import Result, Table
from analysis.telling.common import SAFETY

GERMAN = tongue_of("de")
BY = ("section", "cause")
STATISTICAL = (
    "tags lay beyond all",
    "robust standard deviations",
    "weighted share",
    "guideline",
    "without a sign",
    "Signs: ",
)
"""Of sentences that stay English, marked as such: each holds one of these."""


def texts(result: Result) -> list[str]:
    """Everything an answer says in sentences, but for the notice that the page says itself."""
    notes = [table.note for table in result.tables if table.note]
    return [result.title, result.sentence, *(one for one in result.cautions if one != SAFETY), *notes]


def test_a_sentence_is_said_with_its_numbers_as_the_language_writes_them() -> None:
    said = GERMAN.pieces("Time efficiency 84.1 %, with the sheet on the reel for 5.9 d of 7.0 d available.")

    assert said == [
        Piece(text="Zeitnutzung 84,1 %, mit der Bahn auf dem Tambour 5,9 d von 7,0 d verfügbaren.", english=False)
    ]


def test_a_sentence_without_a_template_stays_english_and_is_marked_beside_one_that_has() -> None:
    said = GERMAN.pieces("A downtime is still open; it counts up to the newest data. Quite new, and 1.5 times as odd.")

    assert [piece.english for piece in said] == [False, True]
    assert said[1].text == "Quite new, and 1.5 times as odd."


def test_in_english_nothing_is_touched() -> None:
    assert tongue_of("en").pieces("so 1,234.5 t; odd.") == [Piece(text="so 1,234.5 t; odd.", english=False)]
    assert tongue_of("en").heading("1,234.5") == "1,234.5"


def cell(heading: str, text: str, *, number: bool = False, line: str = "") -> str:
    """A cell in German, in a column of a heading; ``line``: what its row begins with."""
    table = Table(title="", columns=("", heading), rows=(), numbers=frozenset({1} if number else ()))
    return GERMAN.row(table, (line, text))[1]


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("1,234.5", "1.234,5"),
        ("344.5 (174 to 1,734)", "344,5 (174 bis 1.734)"),
        ("+3.5", "+3,5"),
        ("0 to 4 %", "0 bis 4 %"),
        ("not known", "nicht bekannt"),
        ("2026-02-11 08:47", "2026-02-11 08:47"),
        ("08:47:20.5", "08:47:20.5"),
    ],
)  # fmt: skip
def test_a_number_is_written_as_the_language_writes_it(english: str, german: str) -> None:
    assert cell("min", english, number=True) == german


@pytest.mark.parametrize(
    ("heading", "english", "german"),
    [
        ("kind", "planned", "geplant abgenommen"),
        ("kind", "break, secondary", "Folgeabriss"),
        ("weekday", "Monday", "Montag"),
        ("for it", "lost at press; grade C80", "verloren bei press; Sorte C80"),
        ("alike in", "grade 80.5", "Sorte 80.5"),
        ("alike in", "the unrest of 3.000 up", "die Unruhe von 3.000 nach oben"),
        ("middle four fifths", "1.2 to 1,003.4", "1,2 bis 1.003,4"),
        ("out since", "7 min", "7 min"),
        ("lost", "13.8 min …", "13,8 min …"),
        ("by its", "unrest", "Unruhe"),
        ("section", "section not known", "Partie nicht bekannt"),
        ("cause", "not coded", "nicht codiert"),
    ],
)  # fmt: skip
def test_a_cell_of_words_of_ours_is_said(heading: str, english: str, german: str) -> None:
    assert cell(heading, english) == german


WRITTEN = ("3.000 m", "80.5", "2,5", "crew", "Break", "stop", "1 of 2", "3 to 4", "Edge wet for 1.5 h", "lost at press")
"""German decimals, a grade called as a number, and words that we have templates of."""


@pytest.mark.parametrize("text", WRITTEN)
def test_what_people_wrote_and_what_mills_call_things_is_left_as_it_is(text: str) -> None:
    headings = ("comment", "who", "says", "grade", "shade", "tag", "unit", "cause", "coded", "crew", "shift", "section")

    assert [cell(heading, text) for heading in headings] == [text] * len(headings)
    for line in ("grade, shade", "crew, shift", "t0 sheet lost"):
        assert cell("", text, line=line) == text


@pytest.mark.parametrize("name", WRITTEN)
def test_a_name_within_a_sentence_is_left_as_it_is(name: str) -> None:
    (said,) = GERMAN.pieces(f"{name} leads with 3 of 7 breaks (95 % interval of the count 0.5 to 7.5), and costs the "
                            "most time too, 5.9 h.")  # fmt: skip

    assert said.text == (
        f"{name} führt mit 3 von 7 Abrissen (95-%-Bereich der Anzahl 0,5 bis 7,5) und kostet auch die "
        "meiste Zeit, 5,9 h."
    )
    assert GERMAN.heading(f"Breaks by grade, {name}") == f"Abrisse nach Sorte, {name}"


def test_what_stands_for_names_in_a_sentence_is_said() -> None:
    ends = "95 % interval of the count 0 to 7), but 2 attempts costs the most time, 5.9 h."

    (said,) = GERMAN.pieces(f"Monday, A and 80.5 lead together, each with 3 of 7 primary breaks ({ends}")

    assert said.text.startswith("Montag, A und 80.5 führen gemeinsam")
    assert "aber 2 Versuche kostet" in said.text
    (said,) = GERMAN.pieces(f"Not at a turn-up leads with 3 of 7 primary breaks ({ends}")
    assert said.text.startswith("Nicht beim Tambourwechsel führt")


@pytest.mark.parametrize("code", [code for code in languages() if code != FALLBACK])
def test_nothing_that_was_said_gets_lost_on_the_way(code: str) -> None:
    tongue = tongue_of(code)

    assert tongue.patterns
    for pattern, said in tongue.patterns:
        named = {name for _, name, _, _ in string.Formatter().parse(said) if name}
        assert named == set(pattern.groupindex), said


def test_losses_and_single_breaks_are_german_but_for_sentences_of_statistics(small_mill: Path) -> None:
    with open_store(small_mill) as store:
        machine, zone = store.machines()[0], store.mill().zone
        found = [_work_out(store, machine, losses_asked({"span": "week", "by": by}, machine, zone)) for by in BY]
        ids = [row["downtime_id"] for row in store.rows("SELECT downtime_id FROM downtime ORDER BY downtime_id")]
        results = [result for one in found for result in (one.ranking, one.whole)]
        results += [result for one in ids[1:3] for result in tell_dossier(dossier_of(store, one))]

    left = {piece.text for one in results for text in texts(one) for piece in GERMAN.pieces(text) if piece.english}

    assert len(results) > 12
    assert [text for text in left if not any(part in text for part in STATISTICAL)] == []
