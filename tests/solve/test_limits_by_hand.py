"""Plans within limits against exhaustive search, on every road that a large program would take."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from kitplan.parts.par import limits as limited
from kitplan.solve.closure import most_within
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.par_program import Limit
from kitplan.solve.program import Program
from tests.solve.within_limits import least_excess, readiest

ROADS = {"program": 10**9, "cuts alone": -1}
"""Needs up to which what cuts leave open is searched by the whole program."""


def room(seed, n=16):
    """Needs of three items in n scenarios, at most four of each, their prices, and a limit of shelf and of purse."""
    rng = np.random.default_rng(seed)
    needs, cost = rng.integers(0, 5, (n, 3)), rng.integers(1, 30, 3).astype(float)
    return needs, cost, [Limit("shelf", np.array([3.0, 2.0, 5.0]), float(rng.integers(4, 36))),
                         Limit("budget", cost, float(rng.integers(10, 200)))]


def every_shelf(needs):
    return np.array(list(itertools.product(*(range(int(top) + 1) for top in needs.max(axis=0)))))


def met_by(needs, shelf):
    return int(np.count_nonzero(np.all(needs <= shelf, axis=1)))


def best_within(needs, limits):
    return max(met_by(needs, s) for s in every_shelf(needs) if all(limit.kept_by(s) for limit in limits))


def take(road, monkeypatch):
    monkeypatch.setattr(limited, "CUT_ENTRIES", ROADS[road])


@pytest.mark.parametrize("road", ROADS)
def test_two_limits_are_kept_and_the_bound_and_the_gap_are_true(road, monkeypatch):
    """No plan within both limits meets more than the bound; called optimal is only what search finds best."""
    take(road, monkeypatch)
    proven = 0
    for seed in range(40):
        needs, cost, limits = room(seed)
        found = readiest(needs, cost, np.zeros(3, dtype=int), limits, 0.0, 20.0)
        best, met = best_within(needs, limits), met_by(needs, found.par)
        assert all(limit.kept_by(found.par) for limit in limits), seed
        assert found.report.objective == met <= best <= found.report.bound + 1e-6, seed
        assert found.report.gap == pytest.approx((found.report.bound - met) / max(found.report.bound, 1.0)), seed
        assert (found.report.status == "optimal") is (found.report.bound < met + 1 - 1e-6), seed
        proven += found.report.status == "optimal"
        if road != "cuts alone":
            assert met == best, seed
    assert proven >= (1 if road == "cuts alone" else 20)


@pytest.mark.parametrize("road", ROADS)
def test_a_gap_that_is_allowed_is_not_passed(road, monkeypatch):
    """A quarter of the scenarios may be missing of the bound, and no more; cuts alone search for half of that."""
    take(road, monkeypatch)
    for seed in range(20):
        needs, cost, limits = room(seed)
        found = readiest(needs, cost, np.zeros(3, dtype=int), limits, 0.25, 20.0)
        best = best_within(needs, limits)
        assert met_by(needs, found.par) >= best - 0.25 * len(needs), seed
        missing = max(found.report.bound - met_by(needs, found.par), 0.0)
        assert found.report.gap == pytest.approx(missing / max(found.report.bound, 1.0)), "a share of the bound"
        assert found.report.bound >= best - 1e-6, seed


@pytest.mark.parametrize("road", ROADS)
def test_what_a_limit_is_measured_in_changes_nothing_but_its_price(road, monkeypatch):
    """Litres or centilitres, dollars or cents: the same plan, at a hundredth of the scenarios for a unit more."""
    take(road, monkeypatch)
    for seed in range(12):
        needs, cost, (shelf, purse) = room(seed)
        fine = Limit("shelf", 100 * shelf.per_unit, 100 * shelf.room)
        one, two = (readiest(needs, cost, np.zeros(3, dtype=int), [s, purse], 0.0, 20.0) for s in (shelf, fine))
        assert met_by(needs, one.par) == met_by(needs, two.par), seed
        if road == "cuts alone":
            assert one.par.tolist() == two.par.tolist(), seed
        assert one.report.bound == pytest.approx(two.report.bound), seed


@pytest.mark.parametrize("road", ROADS)
def test_a_floor_is_held_within_the_limits(road, monkeypatch):
    take(road, monkeypatch)
    for seed in range(12):
        needs, cost, _ = room(seed)
        floor = np.array([2, 0, 1])
        limits = [Limit("shelf", np.array([3.0, 2.0, 5.0]), 17.0)]
        found = readiest(needs, cost, floor, limits, 0.0, 20.0)
        assert (found.par >= floor).all(), seed
        best = max(met_by(needs, s) for s in itertools.product(range(2, 5), range(5), range(1, 5))
                   if limits[0].kept_by(np.array(s)))
        assert met_by(needs, found.par) <= best <= found.report.bound + 1e-6, seed
        missing = max(found.report.bound - met_by(needs, found.par), 0.0)
        assert found.report.gap == pytest.approx(missing / found.report.bound), "a share of the bound"
        if road != "cuts alone":
            assert met_by(needs, found.par) == best, seed


@pytest.mark.parametrize("road", ROADS)
def test_no_room_at_all_leaves_what_nobody_needs_anything_for(road, monkeypatch):
    take(road, monkeypatch)
    needs = np.array([[0, 0], [1, 0], [0, 3], [0, 0], [2, 2]])
    found = readiest(needs, np.ones(2), np.zeros(2, dtype=int), [Limit("shelf", np.ones(2), 0.0)], 0.0, 20.0)
    assert (found.par.tolist(), found.report.objective) == ([0, 0], 2.0)


@pytest.mark.parametrize("road", ROADS)
def test_room_for_everything_meets_everything_at_no_price(road, monkeypatch):
    take(road, monkeypatch)
    needs, cost, _ = room(1)
    found = readiest(needs, cost, np.zeros(3, dtype=int), [Limit("shelf", np.ones(3), 12.0)], 0.0, 20.0)
    assert (found.report.objective, found.report.status, found.report.gap) == (len(needs), "optimal", 0.0)
    assert found.duals.get("shelf", 0.0) == pytest.approx(0.0, abs=1e-9)


def test_the_price_of_room_is_what_one_unit_more_of_it_would_meet(invented_units, monkeypatch):
    """The relaxation's bound is concave in the room: its rise over the next unit is at most the price here and at least
    the price there. By the program and by cuts.
    """
    needs = invented_units(600, 6, 7)
    cost, per_unit = np.ones(6), np.linspace(1.0, 3.0, 6)
    full = float(per_unit @ needs.max(axis=0))
    for road in ("program", "cuts alone"):
        take(road, monkeypatch)
        low, high = (readiest(needs, cost, np.zeros(6, dtype=int), [Limit("shelf", per_unit, share * full)], 1.0, 20.0)
                     for share in (0.55, 0.56))
        rise = (high.report.bound - low.report.bound) / (0.01 * full)
        assert low.duals["shelf"] * 1.2 + 1e-9 >= rise >= high.duals["shelf"] * 0.8 - 1e-9, road
        assert low.duals["shelf"] > 0


def test_only_the_limit_that_is_tightest_has_a_price(monkeypatch):
    take("cuts alone", monkeypatch)
    needs, cost, _ = room(3)
    tight, loose = Limit("budget", np.ones(3), 5.0), Limit("shelf", np.ones(3), 400.0)
    for limits in ([loose, tight], [tight, loose]):
        duals = readiest(needs, cost, np.zeros(3, dtype=int), limits, 0.0, 20.0).duals
        assert duals["budget"] > 0
        assert duals["shelf"] == 0


def test_halving_between_plan_and_bound_ends_within_half_the_gap(invented_units, monkeypatch):
    """On cuts alone the search goes on until bound and plan are within half of the gap of what could be found."""
    take("cuts alone", monkeypatch)
    needs = invented_units(800, 6, 3)
    per_unit = np.linspace(1.0, 3.0, 6)
    limit = Limit("shelf", per_unit, 0.5 * float(per_unit @ needs.max(axis=0)))
    found = readiest(needs, np.ones(6), np.zeros(6, dtype=int), [limit], 0.002, 20.0)
    exact = readiest_by_program(needs, limit, monkeypatch)
    assert limit.kept_by(found.par)
    assert exact >= met_by(needs, found.par) >= exact - 0.02 * len(needs)
    assert found.report.lp_bound == found.report.bound >= exact - 1e-6


def readiest_by_program(needs, limit, monkeypatch):
    take("program", monkeypatch)
    return met_by(needs, readiest(needs, np.ones(needs.shape[1]), np.zeros(needs.shape[1], dtype=int), [limit], 0.0,
                                  20.0).par)


def test_the_most_that_a_room_can_meet_is_bounded_truly():
    for seed in range(40):
        needs, _, limits = room(seed, 24)
        for limit in limits:
            most, price, _ = most_within(collapse(needs, np.zeros(3, dtype=int)), limit.per_unit, limit.room)
            assert best_within(needs, [limit]) <= most + 1e-6 <= len(needs) + 1e-6, seed
            assert price > 0
            if limit.kept_by(needs.max(axis=0)):
                assert (most, price) == (len(needs), np.inf)


# -- how much more room would be enough -----------------------------------------------------------------------------


def excess(par, limits):
    return sum(max(0.0, limit.per_unit @ par - limit.room) / max(limit.room, 1.0) for limit in limits)


@pytest.mark.parametrize("road", ["program", "cuts alone"])
def test_the_room_that_is_missing_is_enough_and_nearly_the_least_share_of_both_limits(road, monkeypatch):
    """Within 1 % by the program; by stepping down alone enough, and not more than half as much again."""
    take(road, monkeypatch)
    for seed in range(40):
        needs, _, limits = room(seed)
        required = 8 + seed % 8
        par = least_excess(needs, required, np.zeros(3, dtype=int), limits, 0.0, 20.0)
        least = min(excess(s, limits) for s in every_shelf(needs) if met_by(needs, s) >= required)
        assert met_by(needs, par) >= required, seed
        assert excess(par, limits) >= least - 1e-9, seed
        allowed = least + 0.01 if road == "program" else 1.5 * least + 0.35
        assert excess(par, limits) <= allowed + 1e-9, (seed, excess(par, limits), least)


@pytest.mark.parametrize("road", ["program", "cuts alone"])
def test_what_is_missing_does_not_hang_on_what_it_is_measured_in(road, monkeypatch):
    take(road, monkeypatch)
    for seed in range(20):
        needs, _, (shelf, purse) = room(seed)
        fine = Limit("shelf", 100 * shelf.per_unit, 100 * shelf.room)
        one, two = (least_excess(needs, 14, np.zeros(3, dtype=int), limits, 0.0, 20.0)
                    for limits in ([shelf, purse], [fine, purse]))
        assert excess(one, [shelf, purse]) == pytest.approx(excess(two, [shelf, purse]), abs=0.0101), seed


@pytest.mark.parametrize("road", ["program", "cuts alone"])
def test_with_a_floor_the_room_that_is_missing_counts_the_floor(road, monkeypatch):
    take(road, monkeypatch)
    needs = np.array([[0, 1], [1, 1], [2, 0], [0, 2]])
    par = least_excess(needs, 3, np.array([4, 0]), [Limit("shelf", np.ones(2), 1.0)], 0.0, 20.0)
    assert par.tolist() == [4, 1]


def test_each_item_is_held_at_its_own_quantile_at_the_least():
    """Two of three scenarios: the second smallest of each column; none: nothing."""
    needs = np.array([[5, 1], [2, 9], [7, 4]])
    assert own_quantiles(needs, 2).tolist() == [5, 4]
    assert own_quantiles(needs, 1).tolist() == [2, 1]
    assert own_quantiles(needs, 0).tolist() == [0, 0]


@pytest.mark.parametrize("room", [95, 90, 60, 50, 49, 10, 1])
def test_stepping_down_within_a_limit_goes_as_far_as_it_must(room, monkeypatch):
    """A hundred scenarios that need 1 to 100."""
    take("cuts alone", monkeypatch)
    needs = np.arange(1, 101)[:, None]
    found = readiest(needs, np.ones(1), np.zeros(1, dtype=int), [Limit("shelf", np.ones(1), float(room))], 0.0, 20.0)
    assert (found.par.tolist(), found.report.objective, found.report.status) == ([room], room, "optimal")


def test_where_half_cannot_be_met_cuts_alone_bound_and_find_the_plan(invented_units, monkeypatch):
    """Two tight limits: minutes of integer programs found no readier plan, and bounds for all plans were far off."""
    needs, rng = invented_units(2000, 12, 5), np.random.default_rng(5)
    per_unit = np.round(rng.lognormal(0, 0.7, (2, 12)), 2)
    limits = [Limit(name, each, 0.5 * float(each @ np.sort(needs, axis=0)[1960])) for name, each in
              zip(("shelf", "budget"), per_unit)]
    monkeypatch.setattr(Program, "solve", lambda *given, **named: pytest.fail("an integer program was asked"))
    found = readiest(needs, np.ones(12), np.zeros(12, dtype=int), limits, 0.002, 20.0)
    assert all(limit.kept_by(found.par) for limit in limits)
    assert 470 <= met_by(needs, found.par) == found.report.objective <= found.report.bound <= 620
