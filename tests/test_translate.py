"""Tags that a source calls otherwise, or sends in another unit."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.batch import Batch
from collector.message import Scan
from collector.pipeline import Pipeline
from collector.settings import MillFaults
from collector.translate import Translation
from tests.mills import RECEIVED_MS, message, readable_mill

DRAW = 'name = "press.draw"'


def scan(**values: object) -> Scan:
    return Scan("pm2", RECEIVED_MS, {name.replace("__", "."): value for name, value in values.items()}, 0, RECEIVED_MS)  # type: ignore[misc]


def renamed(text: str) -> Translation:
    return Translation(readable_mill((DRAW, f"{DRAW}\n{text}")))


def test_a_tag_is_stored_under_the_mills_own_name() -> None:
    there = renamed('sent_as = "P2_DRW_PV"').of(scan(P2_DRW_PV=2.5, other=1.0))

    assert there.values == {"press.draw": 2.5, "other": 1.0}


def test_a_temperature_in_fahrenheit_becomes_one_in_celsius() -> None:
    # °C = (°F - 32) / 1.8 (NIST SP 811, B.8): 212 °F is 100 °C, so factor 1/1.8 and offset -32/1.8.
    there = renamed("factor = 0.5555555555555556\noffset = -17.77777777777778").of(scan(press__draw=212.0))

    assert there.values["press.draw"] == pytest.approx(100.0)


def test_feet_a_minute_become_metres_a_minute() -> None:
    # 1 ft = 0.3048 m exactly (NIST SP 811, B.8): 2,500 ft/min are 762 m/min.
    assert renamed("factor = 0.3048").of(scan(press__draw=2500.0)).values["press.draw"] == pytest.approx(762.0)


@pytest.mark.parametrize(("sent", "stored"), [(True, 0), (False, 1), (1.0, 0.0), (0.0, 1.0)])
def test_a_signal_that_is_true_at_a_break_can_be_turned_round(sent: bool | float, stored: float) -> None:
    there = renamed("factor = -1\noffset = 1").of(scan(press__draw=sent))

    assert there.values == {"press.draw": stored}


def test_texts_and_bad_values_stay_as_they_are() -> None:
    words = renamed("factor = 2")

    assert words.of(scan(press__draw="stuck")).values == {"press.draw": "stuck"}
    assert words.of(scan(press__draw=None)).values == {"press.draw": None}


def test_a_number_that_leaves_the_range_is_bad_rather_than_infinite() -> None:
    assert renamed("factor = 1e10").of(scan(press__draw=1e300)).values == {"press.draw": None}


def test_where_both_names_are_sent_the_one_that_the_mill_names_counts() -> None:
    assert renamed('sent_as = "DRW"').of(scan(press__draw=1.0, DRW=2.0)).values == {"press.draw": 2.0}
    assert renamed('sent_as = "DRW"').of(scan(DRW=2.0, press__draw=1.0)).values == {"press.draw": 2.0}


@given(st.dictionaries(st.sampled_from(["press.draw", "DRW", "x"]), st.floats(allow_nan=False) | st.text(max_size=3)))
def test_a_scan_without_such_tags_is_handed_on_untouched(values: dict[str, float | str]) -> None:
    given_scan = Scan("pm2", RECEIVED_MS, dict(values), 0, RECEIVED_MS)

    there = renamed('sent_as = "DRW"').of(given_scan)

    assert (there is given_scan) == ("DRW" not in values)
    assert "DRW" not in there.values


def test_a_role_may_be_played_by_a_tag_that_is_sent_otherwise() -> None:
    mill = readable_mill((DRAW, 'name = "reel.speed"\nsent_as = "SPD"\nfactor = 0.3048\n[[machine.tag]]\n' + DRAW))
    batch = Batch()

    Pipeline(mill, {}).take(message({"ts": RECEIVED_MS, "values": {"SPD": 2500}}), batch)

    assert batch.scans[0].values == {"reel.speed": pytest.approx(762.0)}


@pytest.mark.parametrize(
    ("added", "key", "why"),
    [
        ("factor = 0", "machine[1].tag[1].factor", "must not be 0"),
        ('sent_as = "x"\n[[machine.tag]]\nname = "x"', "machine[1].tag[1].sent_as", "taken as x already"),
        (
            'sent_as = "y"\n[[machine.tag]]\nname = "x"\nsent_as = "y"',
            "machine[1].tag[2].sent_as",
            "taken as press.draw",
        ),
    ],
)
def test_names_that_could_mean_two_tags_are_faults(added: str, key: str, why: str) -> None:
    with pytest.raises(MillFaults) as raised:
        renamed(added)

    (fault,) = raised.value.faults
    assert (fault.key, why in fault.message) == (key, True)
