"""Whatever breaks came, every figure either answers within its limits or says that there are too few."""

from __future__ import annotations

import math
from contextlib import suppress

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.runnability.changepoint import steps
from analysis.runnability.clustering import bad_units, dispersion_by_scale, pattern
from analysis.runnability.compare import compare
from analysis.runnability.control import Limits, g_chart, t_chart, u_chart
from analysis.runnability.dispersion import dispersion, unit_rate
from analysis.runnability.mcf import mean_cumulative
from analysis.runnability.monitor import monitor
from analysis.runnability.observed import Observed, Tally, TooFewEvents
from analysis.runnability.pooling import pool_means, pool_shares
from analysis.runnability.powerlaw import fit
from analysis.runnability.survival import Runs, hazard_bands, kaplan_meier
from analysis.runnability.trend import (
    anderson_darling,
    laplace,
    lewis_robinson,
    military_handbook,
    reverse_arrangements,
)
from analysis.runnability.weibull import weibull

HOURS = st.floats(0.001, 500, allow_nan=False)
TALLIES = st.lists(st.tuples(st.integers(0, 30), st.floats(0.5, 25)), max_size=25).map(
    lambda rows: Tally(counts=tuple(c for c, _ in rows), hours=tuple(h for _, h in rows))
)


@st.composite
def systems(draw: st.DrawFn) -> Observed:
    """A machine with any breaks, several of them at one moment now and then, seen long or to its last break."""
    events = sorted(draw(st.lists(HOURS, max_size=30)))
    again, to_the_last = draw(st.tuples(st.booleans(), st.booleans()))
    events += events[-1:] if again else []
    to_the_last = to_the_last and bool(events)
    end = events[-1] if to_the_last else 501.0
    return Observed(name="m", events=tuple(events), end=end, ended_by_event=to_the_last)


@given(st.lists(st.tuples(HOURS, st.booleans()), min_size=1, max_size=30))
@settings(max_examples=100)
def test_runs(pairs: list[tuple[float, bool]]) -> None:
    runs = Runs(hours=tuple(h for h, _ in pairs), broke=tuple(b for _, b in pairs))

    with suppress(TooFewEvents):
        model = weibull(runs)
        assert 0 <= model.shape_low < model.shape < model.shape_high
        assert 0 <= model.scale_low < model.scale < model.scale_high
    with suppress(TooFewEvents):
        curve = kaplan_meier(runs)
        assert ((curve.surviving >= 0) & (curve.surviving < 1)).all()
    assert sum(band.rate.count for band in hazard_bands(runs)) == runs.breaks


@given(st.lists(systems(), min_size=1, max_size=4))
@settings(max_examples=60)
def test_systems(found: list[Observed]) -> None:
    for test in (laplace, military_handbook, anderson_darling):
        with suppress(TooFewEvents):
            assert 0 <= test(found).p_value <= 1
    with suppress(TooFewEvents):
        model = fit(found)
        assert 0 < model.beta_low < model.beta_conditional < model.beta_high
        assert 0 < model.rate_low < model.rate_high
    with suppress(TooFewEvents):
        curve = mean_cumulative(found)
        assert (curve.low <= curve.mean).all()
        assert (curve.mean <= curve.high).all()


@given(systems())
@settings(max_examples=25)
def test_one_system(found: Observed) -> None:
    for test in (lewis_robinson, lambda system: reverse_arrangements(system.gaps)):
        with suppress(TooFewEvents):
            assert 0 <= test(found).p_value <= 1

    cut = steps(found)

    assert sum(s.rate.count for s in cut.segments) == len(found.events)
    for change in cut.changes:
        assert change.earliest <= change.at <= change.latest


@given(TALLIES, TALLIES)
@settings(max_examples=20)
def test_tallies(before: Tally, after: Tally) -> None:
    for tally in (before, after):
        with suppress(TooFewEvents):
            rate = unit_rate(tally)
            assert 0 <= rate.low <= (rate.exact.rate or 0) <= rate.high
        with suppress(TooFewEvents):
            assert 0 <= pattern(tally).p_value <= 1
        bad_units(tally)
        dispersion_by_scale(tally)
        for limits in (Limits.PROBABILITY, Limits.SIGMA, Limits.WIDENED):
            with suppress(TooFewEvents):
                u_chart(tally, limits=limits)
    if before.hours and after.hours:
        found = compare(before, after)
        assert found.chosen.low <= found.chosen.high
        assert dispersion(before, after) == found.dispersion
        (look,) = monitor(before.total, [after.total]).looks
        assert look.low <= look.high
        assert look.low <= look.ratio <= look.high or math.isnan(look.ratio)


@given(st.lists(st.integers(0, 500), max_size=30), st.lists(HOURS, max_size=30))
def test_gaps(between: list[int], hours: list[float]) -> None:
    with suppress(TooFewEvents):
        g_chart(between)
    for limits in (Limits.PROBABILITY, Limits.TRANSFORMED):
        with suppress(TooFewEvents):
            t_chart(hours, limits=limits)


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), max_size=6))
@settings(max_examples=25)
def test_groups(rows: list[tuple[int, int]]) -> None:
    names = [str(i) for i in range(len(rows))]

    with suppress(TooFewEvents):
        found = pool_shares(names, [good for good, _ in rows], [good + bad for good, bad in rows])
        assert all(0 <= g.low <= g.value <= g.high <= 1 for g in found.groups)
    with suppress(TooFewEvents):
        means = pool_means(names, [float(a) for a, _ in rows], [1.0 + b for _, b in rows], [1] * len(rows))
        assert all(g.low <= g.value <= g.high and np.isfinite(g.value) for g in means.groups)
