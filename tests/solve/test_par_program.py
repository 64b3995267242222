"""The joint-readiness program against exhaustive search, and the laws it has to keep."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.par_program import Limit, cheapest
from tests.solve.within_limits import least_excess, readiest

from .cbc import needs_cbc, solving_by

TIME = 20.0


@st.composite
def tiny_rooms(draw):
    """Needs in packs (12 scenarios, 3 items, at most 4 packs each), prices, and how many scenarios to meet."""
    packs = draw(hnp.arrays(np.int64, (12, 3), elements=st.integers(0, 4)))
    cost = draw(hnp.arrays(np.float64, 3, elements=st.integers(1, 30).map(float)))
    return packs, cost, draw(st.integers(1, 12))


def every_shelf(packs):
    return np.array(list(itertools.product(*(range(int(top) + 1) for top in packs.max(axis=0)))))


def met_by(packs, shelf):
    return int(np.count_nonzero(np.all(packs <= shelf, axis=1)))


def solve(packs, cost, required, floor=None, limits=()):
    floor = np.zeros(packs.shape[1], dtype=int) if floor is None else floor
    return cheapest(packs, cost, required, floor, 0.0, TIME, limits)


@given(tiny_rooms())
@settings(max_examples=60, deadline=None)
def test_the_cheapest_shelf_is_the_one_exhaustive_search_finds(room):
    packs, cost, required = room
    best = min(float(cost @ shelf) for shelf in every_shelf(packs) if met_by(packs, shelf) >= required)
    found = solve(packs, cost, required)
    assert met_by(packs, found.par) >= required
    assert float(cost @ found.par) == pytest.approx(best)
    assert found.report.lp_bound <= best + 1e-6
    assert found.report.bound == pytest.approx(best)


@given(tiny_rooms(), st.integers(3, 40))
@settings(max_examples=40, deadline=None)
def test_within_a_shelf_the_cheapest_is_the_one_exhaustive_search_finds(room, litres):
    packs, cost, required = room
    shelf_limit = Limit("shelf", np.array([3.0, 2.0, 5.0]), float(litres))
    fits = [s for s in every_shelf(packs) if met_by(packs, s) >= required and shelf_limit.kept_by(s)]
    found = solve(packs, cost, required, limits=[shelf_limit])
    if not fits:
        assert found.par is None
        return
    assert shelf_limit.kept_by(found.par)
    assert float(cost @ found.par) == pytest.approx(min(float(cost @ s) for s in fits))


@given(tiny_rooms(), st.integers(0, 40))
@settings(max_examples=40, deadline=None)
def test_within_limits_the_most_ready_is_the_one_exhaustive_search_finds(room, litres):
    packs, cost, _ = room
    limit = Limit("shelf", np.array([3.0, 2.0, 5.0]), float(litres))
    best = max(met_by(packs, s) for s in every_shelf(packs) if limit.kept_by(s))
    found = readiest(packs, cost, np.zeros(3, dtype=int), [limit], 0.0, TIME)
    assert limit.kept_by(found.par)
    assert met_by(packs, found.par) == best
    assert found.report.bound >= best - 1e-6


@given(tiny_rooms(), st.integers(0, 30))
@settings(max_examples=40, deadline=None)
def test_the_room_said_to_be_missing_is_enough_and_nearly_the_least(room, litres):
    packs, cost, required = room
    limit = Limit("shelf", np.array([3.0, 2.0, 5.0]), float(litres))
    par = least_excess(packs, required, np.zeros(3, dtype=int), [limit], 0.0, TIME)
    assert met_by(packs, par) >= required
    short = max(0.0, float(limit.per_unit @ par) - litres)
    wanted = min(float(limit.per_unit @ s) for s in every_shelf(packs) if met_by(packs, s) >= required)
    assert short >= max(0.0, wanted - litres) - 1e-6
    assert short <= max(0.0, wanted - litres) + 0.01 * max(litres, 1.0) + 1e-6
    if litres + short > 0:
        wider = Limit("shelf", limit.per_unit, litres + short)
        assert solve(packs, cost, required, limits=[wider]).par is not None


@given(tiny_rooms())
@settings(max_examples=30, deadline=None)
def test_more_readiness_never_costs_less(room):
    packs, cost, required = room
    costs = [float(cost @ solve(packs, cost, n).par) for n in range(max(1, required - 2), required + 1)]
    assert all(a <= b + 1e-9 for a, b in itertools.pairwise(costs))


@given(tiny_rooms(), st.sampled_from([0.25, 3.0, 100.0]))
@settings(max_examples=20, deadline=None)
def test_scaling_prices_scales_the_value_and_nothing_else(room, factor):
    packs, cost, required = room
    once, scaled = solve(packs, cost, required), solve(packs, cost * factor, required)
    assert float(cost * factor @ scaled.par) == pytest.approx(factor * float(cost @ once.par))


@given(tiny_rooms(), st.permutations(range(3)))
@settings(max_examples=20, deadline=None)
def test_the_order_of_items_does_not_change_the_cost(room, order):
    packs, cost, required = room
    order = np.array(order)
    shuffled = solve(packs[:, order], cost[order], required)
    assert float(cost[order] @ shuffled.par) == pytest.approx(float(cost @ solve(packs, cost, required).par))


@given(tiny_rooms(), st.randoms(use_true_random=False))
@settings(max_examples=20, deadline=None)
def test_the_order_of_scenarios_changes_nothing(room, random):
    packs, cost, required = room
    order = list(range(len(packs)))
    random.shuffle(order)
    assert np.array_equal(solve(packs, cost, required).par, solve(packs[order], cost, required).par)


@given(tiny_rooms(), hnp.arrays(np.int64, (12, 3), elements=st.integers(0, 2)))
@settings(max_examples=30, deadline=None)
def test_more_demand_never_costs_less(room, extra):
    packs, cost, required = room
    more, less = (float(cost @ solve(p, cost, required).par) for p in (packs + extra, packs))
    assert more >= less - 1e-9


@given(tiny_rooms(), hnp.arrays(np.int64, 3, elements=st.integers(0, 5)))
@settings(max_examples=20, deadline=None)
def test_a_floor_is_always_held(room, floor):
    packs, cost, required = room
    found = solve(packs, cost, required, floor=floor)
    assert np.all(found.par >= floor)
    assert float(cost @ found.par) >= float(cost @ solve(packs, cost, required).par) - 1e-9


def test_an_item_that_nobody_uses_is_not_held():
    packs = np.array([[1, 0], [2, 0], [3, 0]])
    assert solve(packs, np.array([1.0, 1.0]), 3).par.tolist() == [3, 0]


def test_collapsed_scenarios_stand_for_all_scenarios(invented_units):
    packs = invented_units(3000, 9, 1)
    required = 2700
    collapsed = collapse(packs, own_quantiles(packs, required))
    assert collapsed.reach == 3000
    assert len(np.unique(collapsed.vectors, axis=0)) == len(collapsed.vectors)
    assert collapsed.met + collapsed.weights.sum() == 3000
    heaviest = int(np.argmax(collapsed.weights))
    wanted = [
        collapsed.levels[i][level - 1] if level else None for i, level in enumerate(collapsed.vectors[heaviest])
    ]
    like = [
        np.all([(row[i] == w) if w is not None else (row[i] <= collapsed.lower[i]) for i, w in enumerate(wanted)])
        for row in packs
    ]
    assert sum(like) == collapsed.weights[heaviest]


def test_stepping_down_counts_what_it_gives_up(invented_units):
    packs = invented_units(2000, 9, 2)
    cost = np.linspace(1, 9, 9)
    path = descend(collapse(packs, own_quantiles(packs, 1700)), cost, 1700)
    assert [met_by(packs, plan) for plan in path.par[::7]] == path.ready[::7].tolist()
    assert np.all(np.diff(path.par @ cost) <= 0)
    assert np.all(path.par[1:] <= path.par[:-1])
    assert path.ready[-1] >= 1700


@pytest.mark.parametrize("readiness", [0.9, 0.95, 0.98])
def test_the_plan_lies_between_its_bound_and_the_descent(invented_units, readiness):
    packs = invented_units(3000, 12, 3)
    cost = np.random.default_rng(0).uniform(2, 30, 12)
    required = math.ceil(readiness * 3000)
    found = cheapest(packs, cost, required, np.zeros(12, dtype=int), 0.001, TIME)
    stepped = descend(collapse(packs, own_quantiles(packs, required)), cost, required).cheapest_with(required)
    value = float(cost @ found.par)
    assert met_by(packs, found.par) >= required
    assert found.report.lp_bound - 1e-6 <= found.report.bound <= value <= float(cost @ stepped) + 1e-9
    assert found.report.gap <= 0.001


def test_the_dual_of_readiness_foretells_what_more_costs(invented_units):
    packs = invented_units(3000, 12, 4)
    cost = np.random.default_rng(1).uniform(2, 30, 12)
    floor = np.zeros(12, dtype=int)
    low, high = (cheapest(packs, cost, required, floor, 0.0, TIME) for required in (2840, 2860))
    rise = (high.report.lp_bound - low.report.lp_bound) / 20
    assert low.duals["ready"] * 0.5 <= rise <= high.duals["ready"] * 2


@needs_cbc
def test_cbc_finds_a_plan_of_the_same_cost_as_highs(invented_units):
    packs = invented_units(1500, 9, 5)
    cost = np.random.default_rng(2).integers(2, 30, 9).astype(float)
    floor = np.zeros(9, dtype=int)
    by_highs = cheapest(packs, cost, 1400, floor, 0.0, TIME)
    with solving_by("cbc"):
        by_cbc = cheapest(packs, cost, 1400, floor, 0.0, TIME)
    assert by_cbc.report.name == "cbc"
    assert float(cost @ by_cbc.par) == pytest.approx(float(cost @ by_highs.par))
    assert by_cbc.report.lp_bound == pytest.approx(by_highs.report.lp_bound)


def test_a_search_that_ends_without_an_answer_claims_no_proof(invented_units, monkeypatch):
    """The plan stepped down to is given with its true gap, and not called optimal."""
    from kitplan.solve import program

    packs = invented_units(1500, 9, 5)
    cost = np.random.default_rng(2).integers(2, 30, 9).astype(float)
    solve = program._solve_quietly
    monkeypatch.setattr(program, "_solve_quietly", lambda problem, integer, *rest: (
        ("failed", None) if integer else solve(problem, integer, *rest)))
    found = cheapest(packs, cost, 1400, np.zeros(9, dtype=int), 0.0, TIME)
    assert met_by(packs, found.par) >= 1400
    assert found.report.gap > 0
    assert found.report.status == "feasible"
