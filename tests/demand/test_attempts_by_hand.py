"""Attempts of given airways, and the intervals that they are seen in, on a few airways reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kitplan.demand import attempts, bounds, intervals
from kitplan.demand.attempts import HazardLots, draw_attempts, hazard_lots
from kitplan.demand.bounds import _table_bytes
from kitplan.demand.intervals import _counts_within, _pick, _poisson_counts
from kitplan.demand.item_choice import attempt_tables
from kitplan.demand.posterior import fit_posterior
from kitplan.demand.rate_grid import RisingCounts
from kitplan.demand.values import Episodes
from tests.conftest import known


def episodes(*rows, n_scenarios=2, draw=(0, 1)):
    """rows: scenario, stratum, fresh, checks before, checks in the interval."""
    scenario, stratum, fresh, prior, checks = (np.array(c) for c in zip(*rows))
    n = len(rows)
    return Episodes(n_scenarios, scenario.astype(np.int32), stratum.astype(np.int16), checks.astype(np.int16),
                    prior.astype(np.int32), fresh.astype(bool), np.arange(1, n + 1, dtype=np.uint64),
                    np.zeros(n, np.float32), np.ones(n, np.float32), np.array(draw, np.int32),
                    np.zeros(n_scenarios, np.float32))


# -- which chances an airway's attempts are drawn from --------------------------------------------------------------


def of(lots, seen, points):
    """Place of each episode -> its chances."""
    return {int(k): chances for mine, chances in lots.of(seen, np.array(points)) for k in mine}


def test_where_the_rate_is_known_an_airway_takes_the_frailty_point_that_its_lot_falls_on():
    """Weights 0.3, 0.5 and 0.2; the second kind has lots of its own."""
    none = np.zeros(0)
    lots = HazardLots(np.array([True, False]), np.array([0.0, 0.3, 0.8, 1.0]), ("slow", "usual", "fast"), none, none)
    seen = episodes(*((0, g, True, 0, 4) for g in (0, 0, 0, 1, 0)))
    assert of(lots, seen, [0.9, 0.31, 0.0, 0.5, 0.79]) == {0: "fast", 1: "usual", 2: "slow", 4: "usual"}
    both = replace(lots, strata=np.array([True, True]))
    assert of(both, seen, [0.9, 0.31, 0.0, 0.5, 0.79])[3] == "usual"


def test_where_it_is_not_known_an_airway_takes_one_of_the_two_grid_points_beside_its_own_by_lot():
    """Two draws, two kinds and two frailty points of half each. Every cell has its own pair; of the second half of the
    numbers the lot is what is left of it: 0.9 is four fifths through.
    """
    low = np.arange(8)
    up = np.full(8, 0.75)
    lots = HazardLots(np.array([True, True]), np.array([0.0, 0.5, 1.0]), tuple(range(10)), low, up)
    seen = episodes((0, 0, True, 0, 4), (0, 1, True, 0, 4), (1, 0, True, 0, 4), (1, 1, True, 0, 4))
    assert of(lots, seen, [0.1, 0.1, 0.1, 0.1]) == {0: 1, 1: 3, 2: 5, 3: 7}, "a lot of 0.2 is under 0.75: the next"
    assert of(lots, seen, [0.9, 0.9, 0.9, 0.9]) == {0: 1, 1: 3, 2: 5, 3: 7}, "the second point, not the next: 0.8"
    assert of(lots, seen, [0.6, 0.4, 0.9, 0.1]) == {0: 2, 1: 2, 2: 5, 3: 7}


def test_factors_of_draws_lie_between_their_grid_points_so_that_the_mean_is_kept(small_unit):
    tables = attempt_tables(small_unit)
    posterior = known(small_unit)
    hazard = np.tile([0.7, 1.0, 1.9], (posterior.n_draws, 1))
    doubtful = replace(posterior, hazard=hazard)
    seen = episodes(*((0, g, True, 0, 4) for g in (0, 1, 2) for _ in range(40)), n_scenarios=1, draw=(0,))
    asked = []
    grids = SimpleNamespace(on_grid=lambda unit, row, grid, n_checks: asked.append(grid) or tuple(range(len(grid))))
    (lots,) = hazard_lots(small_unit, doubtful, seen, 36, grids, 1, "plan")
    (grid,) = asked
    from kitplan.demand.resecure import frailty_nodes

    nodes, weights = frailty_nodes(0.4, small_unit.planning.frailty_nodes)
    assert lots.edges == pytest.approx(np.append(0, np.cumsum(weights)))
    shape = posterior.n_draws, 3, len(nodes)
    low, up = lots.low.reshape(shape)[0], lots.up.reshape(shape)[0]
    wanted = np.clip(np.outer([0.7, 1.0, 1.9], nodes), grid[0], grid[-1])
    assert grid[low] + up * (grid[low + 1] - grid[low]) == pytest.approx(wanted)
    assert ((up >= 0) & (up <= 1)).all()
    known_lots = hazard_lots(small_unit, posterior, seen, 36, tables, 1, "plan")
    assert len(known_lots[0].low) == 0
    assert len(known_lots[0].counts) == len(nodes)


# -- attempts -------------------------------------------------------------------------------------------------------


def rising(chance, n, first=0):
    """Cumulative binomial chances by count (rows) and checks (columns) after `first` sure ones."""
    k = np.arange(n + 2)[:, None]
    return stats.binom.cdf(k - first, np.arange(n + 1)[None, :], chance)


def lots_of(chance=0.25, n=8):
    fresh, present = rising(chance, n, first=1), rising(chance, n)
    counts = RisingCounts(fresh, np.repeat(present[:, None, :], 3, axis=1), chance)
    return [HazardLots(np.array([True]), np.array([0.0, 1.0]), (counts,), np.zeros(0), np.zeros(0))]


def test_attempts_follow_the_chances_of_who_comes_and_of_who_is_there():
    """One in four a check, six checks: one more for who comes."""
    rows = [(0, 0, k % 2 == 0, 5 * (k % 2), 6) for k in range(20_000)]
    before, during = draw_attempts(episodes(*rows, n_scenarios=1, draw=(0,)), lots_of(), 1, "plan")
    came, there = during[0::2], during[1::2]
    assert came.min() == 1
    assert (came - 1).mean() == pytest.approx(1.5, rel=0.03)
    assert there.mean() == pytest.approx(1.5, rel=0.03)
    assert there.var() == pytest.approx(6 * 0.1875, rel=0.05)
    assert (before[0::2] == 0).all(), "who has just come has none before"
    some = there > 0
    assert (before[1::2][~some] == 0).all(), "and of who has none in it nobody asks"
    assert before[1::2][some].mean() == pytest.approx(1 + 5 * 0.25, rel=0.03)


def test_who_has_been_there_for_longer_than_is_tabulated_goes_on_at_the_pace():
    """Eight checks are tabulated; of 108 a hundred more at a quarter each: twenty-five."""
    rows = [(0, 0, False, 108, 8) for _ in range(5000)]
    before, during = draw_attempts(episodes(*rows, n_scenarios=1, draw=(0,)), lots_of(), 1, "plan")
    some = during > 0
    assert before[some].min() >= 26
    assert before[some].mean() == pytest.approx(1 + 2 + 25, rel=0.03)


# -- counts and moments ---------------------------------------------------------------------------------------------


def test_poisson_counts_are_the_quantiles_of_their_number():
    u = (np.arange(2000) + 0.5) / 2000
    for mean in (0.0, 0.3, 4.0, 40.0):
        assert _poisson_counts(np.full(2000, mean), u).tolist() == stats.poisson.ppf(u, mean).clip(0).tolist()
    large = _poisson_counts(np.full(2000, 90.0), u)
    assert np.abs(large - stats.poisson.ppf(u, 90.0)).max() <= 1
    assert large.mean() == pytest.approx(90.0, rel=2e-3)
    assert _poisson_counts(np.array([[2.0, 0.0]]), np.array([[0.5, 0.5]])).tolist() == [[2, 0]]


def test_where_in_its_stretches_an_airway_lies_is_told_by_the_sum_over_them():
    """Stretches of 2, 0 and 3 airways: a fifth of the sum is half-way through the first; 0.7 is half-way through the
    third; the end is its end. The other scenario has one stretch alone.
    """
    so_far = np.cumsum([[0.0, 2.0, 0.0, 3.0], [0.0, 0.0, 0.0, 4.0]], axis=1)
    piece, place = _pick(so_far, np.array([0, 0, 0, 1]), np.array([0.2, 0.7, 1.0, 0.25]))
    assert piece.tolist() == [0, 2, 2, 2]
    assert place == pytest.approx([0.5, 0.5, 1.0, 0.25])


def test_within_the_beds_counts_are_poisson_but_for_the_beds(small_unit):
    """Ten airways on the mean and eight beds: a Poisson number given that it is eight or less, kinds by their share."""
    n = 4000
    play = SimpleNamespace(scenarios=np.arange(n), uniforms=lambda use, *c: intervals.uniforms(1, use, *c))
    counts = _counts_within(play, np.tile([2.0, 8.0], (n, 1)), 8)
    total = counts.sum(axis=1)
    chance = stats.poisson.pmf(np.arange(9), 10.0)
    assert total.max() == 8
    assert total.mean() == pytest.approx(chance @ np.arange(9) / chance.sum(), rel=0.02)
    assert (counts[:, 0].sum() / total.sum()) == pytest.approx(0.2, abs=0.01)
    crowd = _counts_within(play, np.tile([200.0, 800.0], (n, 1)), 8)
    assert (crowd.sum(axis=1) == 8).all(), "far more than the beds: all of them"


# -- intervals ------------------------------------------------------------------------------------------------------


def asked(unit, **changes):
    return intervals.intervals(unit, 9.0, 1000, 3, "plan", known(unit, **changes))


def test_draws_are_shared_out_evenly_and_times_of_year_spread_over_it(small_unit):
    found = asked(small_unit)
    assert (np.diff(found.draw) >= 0).all()
    assert (np.bincount(found.draw) == 1000 // found.posterior.n_draws).all()
    assert found.begins.min() >= 0
    assert found.begins.max() < 365.25
    assert np.sort(found.begins) == pytest.approx((np.arange(1000) + 0.5) * 0.36525, abs=1.0)
    assert np.abs(np.diff(found.begins)).min() > 100, "one after the other far apart"


def test_airways_of_an_interval_are_there_at_first_or_come_in_it(small_unit):
    """Nine of six days on the mean, nine days: nine there, thirteen and a half come, each kind by itself."""
    seen = asked(small_unit).episodes()
    assert (seen.fresh == (seen.start >= 0)).all()
    assert (~seen.fresh).sum() / 1000 == pytest.approx(9.0, rel=0.03)
    came = seen.by_stratum(3, seen.fresh)
    assert came.mean(axis=0) == pytest.approx(np.array([4, 2, 3]) * 1.5, rel=0.05)
    assert came.var(axis=0) == pytest.approx(np.array([4, 2, 3]) * 1.5, rel=0.15), "Poisson"
    assert seen.start.max() < 9.0
    assert (seen.stop > seen.start).all()
    assert (seen.stop[~seen.fresh] > 0).all()
    ages = -seen.start[~seen.fresh]
    assert ages.mean() > 6.0, "those who stay long are met more often"
    assert (seen.prior_checks[~seen.fresh] == np.ceil(ages * 4)).mean() > 0.99
    assert (seen.prior_checks[seen.fresh] == 0).all()
    whole = (~seen.fresh) & (seen.stop > 9.0)
    assert (seen.checks[whole] == 36).all()
    assert seen.checks.max() == 36
    came_and_left = seen.fresh & (seen.stop < 9.0)
    assert seen.checks[came_and_left] == pytest.approx(
        np.floor(seen.stop[came_and_left] * 4) - np.floor(seen.start[came_and_left] * 4), abs=0)
    assert (asked(small_unit).arrivals() == came).all()


def test_scenarios_may_be_drawn_a_few_at_a_time(small_unit):
    found = asked(small_unit)
    whole, part = found.episodes(), found.episodes(slice(100, 200))
    mine = (whole.scenario >= 100) & (whole.scenario < 200)
    assert part.n_scenarios == 100
    assert (np.sort(part.name) == np.sort(whole.name[mine])).all()
    assert (part.by_stratum(3) == whole.by_stratum(3)[100:200]).all()
    assert [(b.start, b.stop) for b in found.blocks()] == [(0, 1000)]
    assert found.airways == pytest.approx(22.5, rel=0.05)


def test_airways_that_neither_come_nor_go_are_there_throughout(unit_maker):
    unit = unit_maker()
    unit = replace(unit, census=replace(unit.census, mean_stay_days=None, rows=pd.DataFrame(
        {"stratum": [0, 2], "airways": [2, 3]})))
    seen = intervals.intervals(unit, 9.0, 50, 3, "plan", fit_posterior(unit)).episodes()
    assert seen.by_stratum(3).tolist() == [[2, 0, 3]] * 50
    assert not seen.fresh.any()
    assert (seen.checks == 36).all()
    assert 1600 < seen.prior_checks.min() < 1700 < 3100 < seen.prior_checks.max() <= 3200, "400 to 800 days of 4 checks"


# -- memory ---------------------------------------------------------------------------------------------------------


def test_tables_of_a_unit_are_those_of_each_factor_and_of_each_exact_model(small_unit, monkeypatch):
    """A hundred bytes a table: three factors of one law, and eight frailty points of two models, two tables and two
    arrays of pairs of 8 bytes each.
    """
    monkeypatch.setattr(bounds, "table_bytes", lambda *given: 100.0)
    monkeypatch.setattr(bounds, "factor_grid", lambda wanted: np.array([0.5, 1.0, 2.0]))
    frequency = small_unit.frequency.copy()
    frequency.loc[1, list(bounds_columns(frequency))] *= 2
    unit = replace(small_unit, frequency=frequency)
    n_laws, n_models = len(attempts.alike_models(unit)[0]), len(attempts.frequency_models(unit)[0])
    assert (n_laws, n_models) == (2, 2)
    assert _table_bytes(unit, 36, 99) == n_laws * 300 + n_models * 8 * (200 + 16 * 100**2)


def bounds_columns(frequency):
    return [c for c in frequency if c.endswith("_per_day")]
