"""The words of the page: whole in every language, and none that nobody uses."""

from __future__ import annotations

import re
import string
from importlib.resources import files
from pathlib import Path

import pytest

from analysis.figures.ledger import Class
from analysis.page.band import STATES
from analysis.page.catalogue import NoSuchLanguage, Words, languages, words_of
from analysis.page.losses_asked import RANKED_BY, SPANS
from analysis.page.now.view import Collector, Risk
from analysis.page.outbox import Way
from analysis.page.places import PLACES
from analysis.page.refusal import KNOWN
from analysis.page.views.coding import CERTAINTIES, KINDS
from analysis.page.visit import SIZES, THEMES

PAGE = Path(str(files("analysis.page")))
FAMILIES: dict[str, list[str]] = {
    "weekday": [str(n) for n in range(1, 8)],
    "month": [str(n) for n in range(1, 13)],
    "class": [cls.name.lower() for cls in Class],
    "state": list(STATES),
    "certainty": list(CERTAINTIES),
    "kind": list(KINDS),
    "way": [*Way, "withdrawn", "withdrawal"],
    "theme": list(THEMES),
    "size": list(SIZES),
    "place": [place.key for place in PLACES],
    "now.collector": [str(one) for one in Collector],
    "now.no_risk": [str(risk) for risk in Risk if risk is not Risk.SHOWN],
    "by": [by.replace("-", "_") for by in RANKED_BY],
    "span": list(SPANS),
    "error": [f"{key}.{part}" for key in KNOWN for part in ("title", "way")],
}
"""Keys that are put together: family and what it may be followed by."""
HELP = {place.key: words_of("en").below(f"help.{place.key}") for place in PLACES}


def used() -> set[str]:
    """Every key that templates and code name."""
    sources = [*PAGE.rglob("*.html"), *PAGE.rglob("*.py")]
    text = "\n".join(path.read_text(encoding="utf-8") for path in sources)
    named = set(re.findall(r"""(?:\bt|\bwords|\bby_mill)\(\s*["']([a-z_]+(?:\.[a-z_]+)*)["']""", text))
    named |= {key for keys in HELP.values() for key in keys}
    return named | {f"{family}.{rest}" for family, all_rest in FAMILIES.items() for rest in all_rest}


def fields(word: object) -> set[str]:
    texts = [word] if isinstance(word, str) else list(word.values())  # type: ignore[attr-defined]
    return {name for text in texts for _, name, __, ___ in string.Formatter().parse(text) if name}


def test_every_view_says_how_it_is_to_be_read() -> None:
    assert all(HELP.values())


def test_every_word_that_is_used_is_in_the_catalogue_and_no_other() -> None:
    assert set(words_of("en").words) == used()


@pytest.mark.parametrize("code", languages())
def test_every_language_has_every_word_with_the_same_places_for_values(code: str) -> None:
    english, other = words_of("en").words, words_of(code).words

    assert set(other) == set(english)
    assert {key: fields(word) for key, word in other.items()} == {key: fields(word) for key, word in english.items()}


def test_a_language_that_is_not_there_is_refused_with_those_that_are() -> None:
    with pytest.raises(NoSuchLanguage, match="it has en, de"):
        words_of("xx")


def words() -> Words:
    return Words(
        code="xx",
        name="X",
        decimal=",",
        thousands=".",
        date_form="{day}",
        words={"breaks": {"one": "one break", "many": "{n} breaks"}},
    )


def test_one_is_told_from_many() -> None:
    assert [words()("breaks", n=n) for n in (0, 1, 2)] == ["0 breaks", "one break", "2 breaks"]


def test_numbers_are_written_as_the_language_writes_them() -> None:
    assert [words().number(value, digits) for value, digits in ((1234.56, 1), (-0.5, 1), (None, 1))] == [
        "1.234,6",
        "−0,5",
        "–",
    ]
