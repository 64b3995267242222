"""New years from the fitted parameters: arrivals, stays and beds follow the laws of queueing theory."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kitplan.demand.posterior import fit_posterior, loss
from kitplan.demand.stays import StayLaw
from kitplan.parts.simulate.future_play import _bursts, _days_before, play_future
from tests.conftest import known


def present(airways, day, copies, n_strata=3):
    """Airways in place at a moment, shape (copies, n_strata)."""
    there = (airways.start <= day) & (airways.end > day)
    count = np.zeros((copies, n_strata), dtype=int)
    np.add.at(count, (airways.replication[there], airways.stratum[there]), 1)
    return count


def test_a_calm_unit_is_a_stationary_poisson_number(small_unit):
    """M/G/infinity: the number present is Poisson with arrivals x mean stay as mean, at any time (Palm 1943, from
    memory)."""
    what = known(small_unit)
    airways = play_future(what, range(2000), 2000, 300, np.random.default_rng(1))
    mean = (what.arrivals * what.mean_stays).mean(axis=0)
    for day in (0.0, 299.9):
        count = present(airways, day, 2000)
        assert count.mean(axis=0) == pytest.approx(mean, abs=0.2)
        assert count.var(axis=0) == pytest.approx(mean, rel=0.15)


@pytest.mark.parametrize("beds", [None, 12])
def test_a_unit_of_stays_of_ten_years_is_as_full_on_the_first_day_as_in_the_long_run(beds, small_unit):
    """M/G/infinity and M/G/c/c: Poisson with the mean a = arrivals x mean stay, cut off at the beds, whatever the stays
    (Takacs 1969, from memory); what is left of them lies as the share of stays that are longer (renewal theory). Stays
    end at a hazard of 1 a year in their first year, which leaves exp(-1); those go on at a hazard of 1 in 20 years.
    """
    law = StayLaw(np.array([0.0, 365.0]), np.tile([1 / 365, 1 / 7300], (1000, 1)))
    mean = 365 * (1 - np.exp(-1)) + np.exp(-1) * 7300
    assert law.mean == pytest.approx(mean)
    factor = np.ones((1000, 3))
    what = replace(known(small_unit, beds=beds), stays=law, stay_factor=factor,
                   arrivals=np.tile(np.array([4.0, 2.0, 3.0]) / mean, (1000, 1)))
    airways = play_future(what, range(4000), 4000, 30, np.random.default_rng(2))
    turned_away = loss(np.array([9.0]), beds)[0] if beds else 0.0
    assert airways.start.min() >= -400, "nobody's checks are played for years before the first day"
    for day in (0.0, 29.9):
        count = present(airways, day, 4000)
        assert count.mean(axis=0) == pytest.approx(np.array([4.0, 2.0, 3.0]) * (1 - turned_away), abs=0.1)
        assert count.sum(axis=1).max() <= (beds or 99)
    gone = ((airways.start < 0) & (airways.end > 0) & (airways.end < 30)).sum() / 4000
    assert gone == pytest.approx(9.0 / mean * 365 * (1 - np.exp(-30 / 365)) * (1 - turned_away), rel=0.15)


def test_the_days_before_are_those_after_which_one_in_ten_thousand_is_left(small_unit):
    """A hazard of 0.2 for ten days, then of 0.5: exp(-2 - 0.5 t) is 0.0001 after 10 + 14.42 days; of a kind that stays
    half as long again, 36.6. A year and a day at most.
    """
    law = StayLaw(np.array([0.0, 10.0]), np.tile([0.2, 0.5], (1000, 1)))
    what = replace(known(small_unit), stays=law, stay_factor=np.tile([1.0, 1.5, 1.0], (1000, 1)))
    assert _days_before(what, np.arange(2)) == 37
    slow = replace(what, stays=StayLaw(law.edges, np.tile([0.2, 0.001], (1000, 1))))
    assert _days_before(slow, np.arange(2)) == 366


def test_beds_turn_away_what_erlangs_formula_says(small_unit):
    """M/G/c/c: share turned away = B(c, a), whatever the law of the stay (Erlang; Takacs 1969, from memory)."""
    what = known(small_unit, beds=10)
    free = known(small_unit)
    days, copies = 600, 300
    came = [
        (play_future(w, range(copies), copies, days, np.random.default_rng(s)).start >= 0).sum()
        for s, w in enumerate((what, free))
    ]
    offered = (what.arrivals * what.mean_stays).sum(axis=1)[:1]
    assert 1 - came[0] / came[1] == pytest.approx(loss(offered, 10)[0], abs=0.01)


def test_busy_weeks_that_last_go_together_as_a_chain_of_the_first_order():
    """Gamma factors of mean 1 and variance 0.2 whose normal scores have correlation 0.8 from week to week (standard
    result): scores k weeks apart 0.8 ** k, and the factors, nearly so."""
    weeks = _bursts(0.2, 0.8, 40_000, np.random.default_rng(1))
    assert weeks.mean() == pytest.approx(1.0, abs=0.03)
    assert weeks.var() == pytest.approx(0.2, rel=0.05)
    for apart in (1, 2, 4):
        assert np.corrcoef(weeks[:-apart], weeks[apart:])[0, 1] == pytest.approx(0.8**apart, abs=0.05)
    alone = _bursts(0.2, 0.0, 40_000, np.random.default_rng(2))
    assert abs(np.corrcoef(alone[:-1], alone[1:])[0, 1]) < 0.02


def test_busy_weeks_make_counts_of_weeks_negative_binomial(small_unit):
    """Poisson with a gamma mean of variance v: variance of a week's arrivals = m + v m^2 (standard result)."""
    what = known(small_unit)
    busy = replace(what, burst=np.full_like(what.burst, 0.25))
    airways = play_future(busy, range(400), 400, 364, np.random.default_rng(3))
    inside = airways.start >= 0
    week = np.floor(airways.start[inside]).astype(int)
    counts = np.bincount(airways.replication[inside] * 364 + week, minlength=400 * 364).reshape(400, 364)
    sums = counts[:, :28].sum(axis=1)
    mean = 28 * what.arrivals.mean(axis=0).sum()
    weekly = mean / 4
    assert sums.mean() == pytest.approx(mean, rel=0.05)
    # Four weeks, or five with the two at the ends in part: the variance lies between 3/4 and all of 4 v m^2.
    extra = sums.var() - mean
    assert 0.6 * 4 * 0.25 * weekly**2 < extra < 1.25 * 4 * 0.25 * weekly**2


def test_airways_that_never_leave_are_always_there(unit_maker, small_unit):
    still = unit_maker(census=replace(small_unit.census, mean_stay_days=None))
    airways = play_future(fit_posterior(still), range(10), 10, 50, np.random.default_rng(1))
    assert (present(airways, 30.0, 10) == [4, 2, 3]).all()


def test_the_yearly_swing_keeps_the_mean_of_the_year(small_unit):
    what = known(small_unit)
    swing = np.tile([0.5, 0.0, 0.0, 0.0], (what.n_draws, 1))
    airways = play_future(replace(what, swing=swing), range(200), 200, 731, np.random.default_rng(4))
    came = (airways.start >= 0).sum() / 200 / 731
    assert came == pytest.approx(what.arrivals.mean(axis=0).sum(), rel=0.02)


def test_a_copy_wears_at_the_pace_of_its_own_draw(small_unit):
    what = fit_posterior(small_unit)
    airways = play_future(what, range(8), 8, 60, np.random.default_rng(5))
    rows = airways.replication * what.n_draws // 8
    assert (airways.wear == what.hazard[rows, airways.stratum]).all()
