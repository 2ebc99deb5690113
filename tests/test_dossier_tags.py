"""Tags before one break beside its quiet runs: what departs is found and dated, what does not is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.dossier.unusual import expected_beyond, unusual_tags
from analysis.evidence.cells import Frames
from analysis.evidence.matching import Matching, match
from analysis.evidence.settings import Statistic
from analysis.suggest.answer import departures_of, quiet_of
from analysis.suggest.departed import amounts, departures, same_in, states_of
from analysis.suggest.settings import SuggestSettings, quiet_settings
from tests.evidence_mill import Sought, frames_of, sought, with_tag
from tests.risk_mill import Mill, noise_mill

SETTINGS = SuggestSettings()
EVIDENCE = quiet_settings()
FROM_MIN = 25


@pytest.fixture(scope="module")
def mill() -> Mill:
    """Tags that wander and have nothing to do with breaks."""
    made = noise_mill(5, days=30, tags=5, breaks=40)
    rng = np.random.default_rng(8)
    steady = 50 + 0.2 * rng.normal(size=made.minutes.mean.shape)
    return replace(made, minutes=replace(made.minutes, mean=steady, variance=np.full_like(steady, 0.04)))


def planted(mill: Mill, tag: int, lost_ms: int, *, by: float, variance: float = 0.04) -> Mill:
    """One tag that goes off so many minutes before one loss."""
    column = lost_ms // 60_000 - mill.minutes.first
    mean = mill.minutes.mean[tag].copy()
    mean[column - FROM_MIN : column] += by
    spread = mill.minutes.variance[tag].copy()
    spread[column - FROM_MIN : column] = variance
    return with_tag(mill, tag, mean, spread)


def asked(mill: Mill) -> tuple[Sought, Matching, Frames]:
    """The break in the middle, alone, with its quiet runs."""
    made = sought(mill)
    middle = made.breaks[len(made.breaks) // 2]
    matching = match([middle], made.course, made.period, EVIDENCE)
    return made, matching, frames_of(made, matching, EVIDENCE)


def lost_ms(mill: Mill) -> int:
    breaks = sought(mill).breaks
    return breaks[len(breaks) // 2].started_ms


def test_a_tag_that_goes_off_is_ranked_first_and_dated(mill: Mill) -> None:
    _, matching, frames = asked(planted(mill, 2, lost_ms(mill), by=3.0))

    first, *rest = unusual_tags(frames, 0, quiet_of(matching, 0), range(5), EVIDENCE, SETTINGS)

    assert first.tag.tag == "tag02"
    assert first.out
    assert first.outermost
    assert first.beyond == 0
    assert first.left_min == FROM_MIN
    assert first.by > SETTINGS.departed
    assert all(abs(u.by) < abs(first.by) for u in rest)


def test_a_tag_that_only_becomes_restless_is_said_to_be_restless(mill: Mill) -> None:
    _, matching, frames = asked(planted(mill, 1, lost_ms(mill), by=0.0, variance=4.0))

    first = unusual_tags(frames, 0, quiet_of(matching, 0), range(5), EVIDENCE, SETTINGS)[0]

    assert (first.tag.tag, first.statistic) == ("tag01", Statistic.SPREAD)
    assert first.left_min is None


def test_a_departure_is_counted_with_its_direction(mill: Mill) -> None:
    made, matching, frames = asked(planted(mill, 3, lost_ms(mill), by=-3.0))

    (found,) = departures_of(frames, matching, SETTINGS, EVIDENCE).values()

    assert made.breaks
    assert states_of(found, SETTINGS)["tag03"] == -1


def test_tags_that_are_left_out_do_not_depart(mill: Mill) -> None:
    _, matching, frames = asked(planted(mill, 3, lost_ms(mill), by=-3.0))

    (found,) = departures_of(frames, matching, SETTINGS, EVIDENCE, rows=[0, 1]).values()

    assert "tag03" not in states_of(found, SETTINGS)


def test_another_break_is_measured_by_the_quiet_runs_of_the_one_asked_about(mill: Mill) -> None:
    _, matching, frames = asked(planted(mill, 3, lost_ms(mill), by=-3.0))
    of_tags = amounts(frames, EVIDENCE)
    found = departures(frames, of_tags, 0, quiet_of(matching, 0), SETTINGS)
    rows = [d.row for d in found]

    itself = same_in(found, of_tags, rows, 0, SETTINGS)
    of_tags[:, :, 1] = np.nan
    unknown = same_in(found, of_tags, rows, 1, SETTINGS)

    assert itself == states_of(found, SETTINGS)
    assert unknown == {}


def test_with_too_few_quiet_runs_nothing_is_unusual(mill: Mill) -> None:
    _, matching, frames = asked(planted(mill, 2, lost_ms(mill), by=3.0))
    few = quiet_of(matching, 0)[: SETTINGS.least_quiet - 1]

    assert unusual_tags(frames, 0, few, range(5), EVIDENCE, SETTINGS) == ()
    assert departures(frames, amounts(frames, EVIDENCE), 0, few, SETTINGS) == ()


def test_a_tag_that_never_moves_is_not_unusual_by_its_last_digit(mill: Mill) -> None:
    still = np.full(mill.minutes.mean.shape[1], 50.0)
    still[lost_ms(mill) // 60_000 - mill.minutes.first - 8] += 1e-4
    _, matching, frames = asked(with_tag(mill, 4, still, np.zeros_like(still)))

    found = {u.tag.tag: u for u in unusual_tags(frames, 0, quiet_of(matching, 0), range(5), EVIDENCE, SETTINGS)}

    assert not found["tag04"].out


def test_as_many_tags_lie_beyond_all_quiet_runs_as_chance_brings() -> None:
    # By symmetry each of 11 values is the largest or the smallest with 2/11: of 60 tags 10.9 are.
    mill = noise_mill(9, days=30, tags=60, breaks=40)
    rng = np.random.default_rng(3)
    mean = 50 + rng.normal(size=mill.minutes.mean.shape)
    _, matching, frames = asked(replace(mill, minutes=replace(mill.minutes, mean=mean)))
    quiet = quiet_of(matching, 0)

    beyond = sum(u.outermost for u in unusual_tags(frames, 0, quiet, range(60), EVIDENCE, SETTINGS))

    expected = expected_beyond(60, len(quiet))
    assert expected == pytest.approx(120 / (len(quiet) + 1))
    # Binomial: three standard deviations.
    assert abs(beyond - expected) < 3 * np.sqrt(expected)
