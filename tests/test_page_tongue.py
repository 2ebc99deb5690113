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
from analysis.result import Result
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
    assert tongue_of("en").cell("1,234.5") == "1,234.5"


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("1,234.5", "1.234,5"),
        ("344.5 (174 to 1,734)", "344,5 (174 bis 1.734)"),
        ("2026-02-11 08:47", "2026-02-11 08:47"),
        ("08:47:20.5", "08:47:20.5"),
        ("pm2-20260211T064720Z", "pm2-20260211T064720Z"),
        ("press", "press"),
        ("Edge looked wet for 1.5 h, and odd", "Edge looked wet for 1.5 h, and odd"),
        ("lost at press; grade C80", "verloren bei press; Sorte C80"),
    ],
)  # fmt: skip
def test_a_cell_is_said_and_what_people_or_machines_are_called_is_left_alone(english: str, german: str) -> None:
    assert GERMAN.cell(english) == german


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
