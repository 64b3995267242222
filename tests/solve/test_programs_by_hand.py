"""Small programs with a known answer: sizes, waste, ties, lines through shares, and what costs nothing."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import beta

from kitplan.demand.posterior import DRAWS
from kitplan.demand.proportion import wilson_interval
from kitplan.parts.par.values import Readiness
from kitplan.parts.simulate.model import _agreement, effective_intervals, share_interval_of_means
from kitplan.solve import par_program
from kitplan.solve.collapse import collapse, restrict
from kitplan.solve.cutting import Stock, cut_stock, first_fit_decreasing, least_tape_mm, pattern_text
from kitplan.solve.par_program import Limit, cheapest
from kitplan.solve.patterns import Supply, solve_patterns, trim_surplus
from kitplan.solve.positions import Packing
from kitplan.solve.program import Program
from kitplan.solve.sheet_cutting import cut_sheets
from kitplan.solve.verify import (
    _logistic_line,
    _spread_about,
    joint_readiness,
    shortage_chances,
    shortage_risk,
)

# -- programs -------------------------------------------------------------------------------------------------------


def test_objectives_add_up_and_carry_their_constant():
    """Least of 2 x + 3 x + 7 where x is 4 or more."""
    program = Program("p", "min")
    (x,) = program.variables("x", 1)
    program.objective([x], 2.0)
    program.objective([x], [3.0], constant=7.0)
    program.row("low", [x], 1.0, low=4.0)
    solution = program.solve()
    assert (solution.report.objective, solution.values([x]).tolist()) == (27.0, [4.0])
    assert solution.report.status == "optimal"
    with pytest.raises(ValueError, match="is there already"):
        program.row("low", [x], 1.0, low=4.0)
    with pytest.raises(ValueError, match="limits nothing"):
        program.row("none", [x], 1.0)
    with pytest.raises(ValueError, match="two limits"):
        program.row("both", [x], 1.0, low=1.0, high=2.0)


@pytest.mark.parametrize("large", [False, True])
def test_a_plan_of_items_that_cost_nothing_has_no_gap(large, monkeypatch):
    monkeypatch.setattr(par_program, "FIRST_CUTS", 0 if large else 10**9)
    monkeypatch.setattr(par_program, "RELAXED_ENTRIES", 0 if large else 10**9)
    needs = np.random.default_rng(1).integers(0, 5, (40, 3))
    found = cheapest(needs, np.zeros(3), 36, np.zeros(3, dtype=int), 0.001, 20.0)
    assert np.all(needs <= found.par, axis=1).sum() >= 36
    assert (found.report.gap, found.report.objective, found.report.status) == (0.0, 0.0, "optimal")


def test_no_plan_where_a_floor_alone_is_over_a_limit():
    needs = np.array([[1, 1], [2, 0]])
    found = cheapest(needs, np.ones(2), 2, np.array([3, 0]), 0.0, 20.0, [Limit("shelf", np.ones(2), 2.0)])
    assert (found.par, found.report.status) == (None, "infeasible")


def test_a_limit_is_kept_up_to_rounding():
    limit = Limit("shelf", np.array([0.1, 0.2]), 0.5)
    assert limit.kept_by(np.array([1, 2]))
    assert not limit.kept_by(np.array([2, 2]))
    assert (limit.size, Limit("shelf", np.ones(1), 40.0).size) == (1.0, 40.0)


def test_scenarios_alike_above_what_is_held_are_one_vector_with_their_number():
    """Held: one of each. (3, 0) and (3, 1) ask for the same; (1, 1) is met; (9, 0) is given up."""
    found = collapse(np.array([[3, 0], [3, 1], [1, 1], [2, 4], [9, 0]]), np.array([1, 1]), np.array([5, 5]))
    assert [levels.tolist() for levels in found.levels] == [[2, 3], [4]]
    rows = {tuple(v): int(w) for v, w in zip(found.vectors.tolist(), found.weights)}
    assert (rows, found.met, found.reach) == ({(2, 0): 2, (1, 1): 1}, 1, 4)
    higher = restrict(found, np.array([1, 0]), np.array([2, 0]))
    assert (higher.lower.tolist(), [x.tolist() for x in higher.levels]) == ([2, 1], [[3], []])
    assert (higher.met, higher.reach) == (1, 3), "the vector that needs four of the second item is given up"


# -- readiness ------------------------------------------------------------------------------------------------------


def test_readiness_is_joint_and_shortage_is_each_items_own():
    needs = np.array([[1, 1], [2, 1], [1, 3], [5, 5]])
    assert joint_readiness(needs, np.array([2, 2])) == 0.5
    assert shortage_chances(needs, np.array([2, 2])).tolist() == [0.25, 0.5]
    assert joint_readiness(needs, np.array([5, 5])) == 1.0


def test_a_logistic_line_goes_through_shares_that_lie_on_one():
    """Exact shares of many scenarios: the weak prior hardly moves them (maximum likelihood is the line itself)."""
    place = np.linspace(-2, 2, 41)
    for level, slope in ((2.0, -1.0), (3.0, -0.4)):
        chance = 1 / (1 + np.exp(-(level + slope * place)))
        seen = np.full(41, 10_000.0)
        assert _logistic_line(place, chance * seen, seen) == pytest.approx(chance, abs=2e-3)


def test_what_is_left_beside_the_line_is_a_beta_law_of_that_variance():
    """Mean 0.9, a tenth of a single yes or no's variance: sqrt(0.009). Eight even points come near it."""
    spread = _spread_about(np.array([0.9]), 0.1)
    assert len(spread) == 8
    assert spread.mean() == pytest.approx(0.9, abs=0.01)
    assert spread.std() == pytest.approx(np.sqrt(0.009), rel=0.15)
    law = beta(0.9 * 9, 0.1 * 9)
    assert law.var() == pytest.approx(0.1 * 0.9 * 0.1)
    assert spread == pytest.approx(law.ppf((np.arange(8) + 0.5) / 8))
    assert _spread_about(np.array([0.9, 0.5]), 0.0).tolist() == [0.9, 0.5]


def test_of_few_scenarios_a_logistic_line_is_the_likeliest_with_its_prior():
    """By a general minimiser: a line bent at the middle; priors of precision 0.01, 0.05 and 2 about the share."""
    place, seen = np.linspace(-1.5, 1.5, 9), np.array([3.0, 5, 4, 6, 5, 4, 3, 6, 4])
    met = np.array([3.0, 5, 4, 5, 5, 3, 2, 4, 1])
    share = met.sum() / seen.sum()
    centre = np.array([np.log(share / (1 - share)), 0.0, 0.0])

    def line(b):
        return 1 / (1 + np.exp(-(b[0] + b[1] * place + b[2] * np.minimum(place, 0.0))))

    def loss(b):
        chance = line(b)
        told = met @ np.log(chance) + (seen - met) @ np.log(1 - chance)
        return 0.5 * ((b - centre) ** 2 @ [0.01, 0.05, 2.0]) - told

    best = minimize(loss, centre, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 5000})
    assert _logistic_line(place, met, seen) == pytest.approx(line(best.x), abs=1e-6)


def test_use_that_spreads_faster_than_its_square_is_taken_to_spread_as_the_square():
    """Draws of mean 10 vary by 1 and of mean 30 by 40: a law m + b m^2 of any a above 0 cannot; so the square. Then the
    risk of a draw of mean 30 at a level of 60 in packs of 3 is that of mean 10 at 20 in packs of 1.
    """
    units = np.concatenate([[9, 11] * 200, [30 - 35, 30 + 35] * 200])[:, None]
    draw, mean = np.repeat([0, 1], 400), np.array([[10.0], [30.0]])
    low = shortage_risk(units, draw, mean, np.array([20]), np.array([1]))[0]
    high = shortage_risk(units, draw, mean, np.array([60]), np.array([3]))[1]
    assert low == pytest.approx(high, rel=1e-6)


def test_whole_packs_last_by_where_they_lie():
    """Level 3 in packs of four: demand of 5 lasts from the two highest of four places, 7 from none, 3 from all."""
    packing = Packing(("a",), np.array([4]), np.array([1]))
    units = np.array([[3], [4], [5], [6], [7], [0]])
    assert packing.lasting(units, np.array([3])).tolist() == [1.0, 0.75, 0.5, 0.25, 0.0, 1.0]
    assert packing.lasting(units, np.array([0])).tolist() == [0.0] * 5 + [1.0], "what is not stocked never lasts"
    assert packing.packs(np.array([0, 1, 4, 5])).tolist() == [0, 1, 1, 2]
    assert Packing(("a",), np.array([4]), np.array([4])).on_grid(np.array([0, 1, 4, 5])).tolist() == [0, 4, 4, 8]


def test_needs_are_demand_less_the_residual_at_least_one_and_in_steps():
    """Over many scenarios of six items asked for: 6, 5, 4, 3 alike often in packs of four; in steps of four 8 and 4."""
    asked = np.full((4000, 1), 6)
    single = Packing(("a",), np.array([4]), np.array([1])).needed(asked, 1, "plan")
    levels, times = np.unique(single, return_counts=True)
    assert levels.tolist() == [3, 4, 5, 6]
    assert times / 4000 == pytest.approx(np.full(4, 0.25), abs=0.03)
    unopened = Packing(("a",), np.array([4]), np.array([4])).needed(asked, 1, "plan")
    assert sorted(np.unique(unopened).tolist()) == [4, 8]
    one = Packing(("a",), np.array([4]), np.array([1])).needed(np.array([[1], [0]]), 1, "plan")
    assert one.ravel().tolist() == [1, 0]


def test_the_plays_agreement_is_judged_by_the_errors_of_both():
    """Planner: 0.96 on 2,000 scenarios, nine in ten of 500 draws between 0.94 and 0.97; play: four years of 50."""
    said = Readiness(0.95, 0.95, 0.96, 0.94, 0.97, 2000)
    covered = np.zeros((1, 4, 50), dtype=bool)
    covered[:, :, :47] = True
    covered[0, 0, 47:] = True
    row = _agreement(SimpleNamespace(covered=covered), SimpleNamespace(readiness=said), False).iloc[0]
    between = 0.03 / (2 * 1.6449)
    error = np.sqrt(between**2 / min(DRAWS // 2, 2000) + 0.96 * 0.04 / 2000)
    numbers = [v for v in row.tolist() if isinstance(v, float)]
    assert numbers[:3] == pytest.approx([0.96, 0.96 - 1.96 * error, 0.96 + 1.96 * error], rel=1e-9)
    assert numbers[3] == pytest.approx((50 + 3 * 47) / 200)
    assert bool(row.iloc[-1])


def test_years_that_all_agree_say_as_much_as_one_interval_a_year():
    """Where every year is alike nothing tells how alike intervals are: each year is one. Else by their variance."""
    assert share_interval_of_means(np.ones(40), 50) == pytest.approx((1.0, *wilson_interval(40, 40)))
    assert share_interval_of_means(np.ones(40), 50, 2000.0)[1] == pytest.approx(wilson_interval(2000, 2000)[0])
    means = np.array([0.9, 1.0] * 20)
    n = 0.95 * 0.05 / (means.var(ddof=1) / 40)
    assert effective_intervals(means, 50) == pytest.approx(n, rel=0.05)


# -- cutting --------------------------------------------------------------------------------------------------------


def test_a_sheet_of_ten_by_ten_gives_eight_dressings_and_wastes_a_fifth():
    plan = cut_sheets([(25.0, 40.0)], [16], [Stock("s", 100.0, 3.0, 1, width_mm=100.0)])
    assert (sum(plan.opened.values()), plan.cost) == (2, 6.0)
    assert plan.plan["waste_mm2"].tolist() == [2000.0]
    half = cut_sheets([(25.0, 40.0)], [4], [Stock("s", 100.0, 3.0, 1, width_mm=100.0)])
    assert half.plan["waste_mm2"].tolist() == [6000.0]
    short = cut_sheets([(25.0, 40.0)], [16], [Stock("s", 100.0, 3.0, 1, available=1, width_mm=100.0)])
    assert (short.short.sum(), short.plan["count"].tolist()) == (8, [1])


def test_surplus_pieces_leave_the_emptiest_rolls_and_an_empty_roll_is_not_opened():
    """Two rolls of three and one of two where seven pieces are wanted, or six."""
    cuts = {(0, (3,)): 2, (0, (2,)): 1}
    assert trim_surplus(cuts, np.array([7])) == {(0, (3,)): 2, (0, (1,)): 1}
    assert trim_surplus(cuts, np.array([6])) == {(0, (3,)): 2}
    assert trim_surplus(cuts, np.array([8])) == cuts


def test_patterns_are_cut_at_least_money_in_whole_packs_and_opened_least():
    """Ten pieces; packs of two rolls of three for 5, single rolls of two for 2: five singles are 10, two packs 10 open
    four rolls; one pack and two singles 9.
    """
    supplies = [Supply(5.0, 2, None, 3.0), Supply(2.0, 1, None, 2.0)]
    every = lambda worth, most: [np.array([3]), np.array([2])]  # noqa: E731
    plan = solve_patterns(np.array([10]), supplies, [(0, (1,)), (1, (1,))], every)
    assert (plan.cost, plan.packs.tolist(), plan.short.tolist()) == (9.0, [1, 2], [0])
    assert (plan.counts @ plan.patterns).tolist() == [10]
    assert plan.lp_bound <= 9.0 + 1e-9
    assert plan.ceiling <= 9.0 + 1e-9


def test_a_supply_that_ends_is_not_cut_beyond_its_end_and_what_is_missing_is_told():
    plan = solve_patterns(np.array([10]), [Supply(1.0, 1, 2, 1.0), Supply(1.0, 1, 1, 1.0)], [(0, (1,)), (1, (1,))],
                          lambda worth, most: [np.array([3]), np.array([3])])
    assert (plan.opened.tolist(), plan.short.tolist()) == ([2, 1], [1])
    assert np.isnan(plan.lp_bound)


def test_packs_of_one_kind_are_as_many_as_its_rolls_fill():
    """Nine rolls in packs of four at 7: three packs; bound 8 1/3 rolls, so 2.08 packs, which are three whole."""
    plan = cut_stock([300.0], [25], [Stock("r", 1000.0, 7.0, 4)])
    assert (plan.opened, plan.packs, plan.cost) == ({"r": 9}, {"r": 3}, 21.0)
    assert plan.lp_bound == pytest.approx(25 / 3 * 7 / 4)
    assert plan.ceiling == 21.0


def test_the_least_tape_is_the_bound_and_the_next_whole_roll():
    bound, whole = least_tape_mm([300.0], [25], [Stock("r", 1000.0)])
    assert (bound, whole) == pytest.approx((25 / 3 * 1000, 9000.0))
    mixed = least_tape_mm([300.0], [25], [Stock("a", 900.0), Stock("b", 600.0)])
    assert mixed == pytest.approx((7500.0, 7500.0))
    assert least_tape_mm([300.0], [0], [Stock("r", 1000.0)]) == (0.0, 0.0)


def test_the_simple_rule_fills_each_roll_with_the_longest_that_fits():
    """Rolls of 10: a six and a four, twice; then the last six alone. Of one roll only: the rest is left."""
    assert first_fit_decreasing([6, 4], [3, 2], 10) == [((1, 1), 2), ((1, 0), 1)]
    assert first_fit_decreasing([6, 4], [3, 2], 10, most=1) == [((1, 1), 1)]
    assert first_fit_decreasing([12, 4], [1, 2], 10, most=5) == [((0, 2), 1)]
    with pytest.raises(ValueError, match="longer than the roll"):
        first_fit_decreasing([12, 4], [1, 2], 10)


def test_a_pattern_is_told_as_a_person_cuts_it():
    assert pattern_text([160.0, 95.5, 40.0], [2, 1, 0]) == "2 x 160 + 1 x 95.5"
