"""The steps of cutting tape and of bounding par levels by cuts, each on a few numbers reckoned by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from kitplan.solve.closure import Closure, best_cut, highest, most_within
from kitplan.solve.collapse import collapse
from kitplan.solve.cutting import (
    Stock,
    _bundles,
    _by_rule,
    _least_sum,
    _lengths,
    _own_first,
    best_patterns,
    cut_stock,
    first_fit_decreasing,
    least_tape_mm,
    pattern_text,
    to_tenths,
)
from kitplan.solve.descent import descend
from kitplan.solve.par_program import Limit, _report, improve, step_down_within_limits, within
from kitplan.solve.patterns import (
    PatternPlan,
    Supply,
    _better,
    _ceiling,
    _dearest,
    _Master,
    _quantum,
    _rest,
    _times_wanted,
    _useful_gap,
    _Whole,
    bound_only,
)

# -- lengths --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("mm", "up", "tenths"), [
    (12.34, True, 124), (12.34, False, 123), (12.3, True, 123), (12.3, False, 123), (0.1 + 0.2, True, 3),
    (12.3000002, True, 123), (12.30001, True, 124), (12.29999, False, 122),
])
def test_a_piece_is_rounded_up_to_tenths_and_a_roll_down(mm, up, tenths):
    assert to_tenths(mm, up=up) == tenths


def test_equal_lengths_are_pooled_longest_first_and_none_wanted_left_out():
    sizes, wanted = _lengths([95.0, 160.0, 94.96, 30.0], [2, 1, 3, 0])
    assert (sizes.tolist(), wanted.tolist()) == ([1600, 950], [1, 5])


@pytest.mark.parametrize(("lengths", "demand", "said"), [
    ([0.0], [1], "above 0 mm"), ([np.inf], [1], "above 0 mm"), ([5.0], [-1], "whole number"),
    ([5.0], [1.5], "whole number"), ([5.0], [np.nan], "whole number"), ([5.0], [1, 2], "one demand for each"),
    ([[5.0]], [[1]], "one demand for each"),
])
def test_a_length_or_a_demand_that_is_none_is_refused(lengths, demand, said):
    with pytest.raises(ValueError, match=said):
        _lengths(lengths, demand)


@pytest.mark.parametrize("changes", [{"length_mm": 0.0}, {"pack": 0}, {"price": -1.0}, {"length_mm": np.inf},
                                     {"available": -1}])
def test_a_roll_that_is_none_is_refused(changes):
    with pytest.raises(ValueError, match="stock 'r'"):
        cut_stock([5.0], [1], [Stock(**({"name": "r", "length_mm": 10.0} | changes))])


def test_a_piece_as_long_as_the_roll_is_cut_and_a_longer_one_is_refused():
    assert cut_stock([10.0], [2], [Stock("r", 10.0)]).n_rolls == 2
    with pytest.raises(ValueError, match=r"a piece of 10.1 mm is longer than every roll \(the longest is 10 mm\)"):
        cut_stock([10.1], [2], [Stock("r", 10.0), Stock("s", 5.0)])
    assert cut_stock([10.1], [0], [Stock("r", 10.0)]).n_rolls == 0, "nobody wants it"


def test_a_plan_says_what_was_opened_wasted_and_could_be_saved():
    """Three of 4 from rolls of 10 at 2 each: two rolls, 20 mm opened, 12 used; 1.5 rolls by the relaxation."""
    plan = cut_stock([4.0], [3], [Stock("r", 10.0, 2.0)])
    assert (plan.n_rolls, plan.opened_mm, plan.cost) == (2, 20.0, 4.0)
    assert plan.waste_share == pytest.approx(0.4)
    assert (plan.lp_bound, plan.ceiling, plan.gap) == (pytest.approx(3.0), 4.0, pytest.approx(0.25))
    assert plan.plan[["count", "used_mm", "waste_mm"]].to_numpy().tolist() == [[1, 8.0, 2.0], [1, 4.0, 6.0]]
    assert plan.plan["pattern"].tolist() == ["2 x 4", "1 x 4"]
    free = cut_stock([4.0], [3], [Stock("r", 10.0, 0.0)])
    assert (free.gap, free.cost) == (0.0, 0.0)
    none = cut_stock([], [], [Stock("r", 10.0)])
    assert (none.waste_share, none.opened, none.opened_mm) == (0.0, {"r": 0}, 0.0)


# -- patterns -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("most", "parts"), [(0, []), (1, [1]), (2, [1, 1]), (5, [1, 2, 2]), (7, [1, 2, 4])])
def test_bundles_make_every_number_up_to_the_most(most, parts):
    assert _bundles(most) == parts


def brute(sizes, worth, most, capacity):
    every = np.array(np.meshgrid(*(np.arange(m + 1) for m in most), indexing="ij")).reshape(len(sizes), -1).T
    return (every[every @ sizes <= capacity] @ worth).max()


@pytest.mark.parametrize("seed", range(6))
def test_the_pattern_of_greatest_worth_is_that_of_all_patterns(seed):
    rng = np.random.default_rng(seed)
    sizes, worth, most = rng.integers(3, 12, 4), rng.uniform(0, 5, 4), rng.integers(0, 5, 4)
    worth[0] = 0.0
    for capacity, found in zip((30, 17, 2), best_patterns(sizes, worth, most, (30, 17, 2))):
        assert found @ sizes <= capacity
        assert (found <= most).all()
        assert found @ worth == pytest.approx(brute(sizes, worth, most, capacity))


def test_the_simple_rule_keeps_to_the_rolls_that_there_are():
    """Sixes and fours from rolls of 10: a six and a four in each; with one roll the rest stays."""
    assert first_fit_decreasing([6, 4], [3, 4], 10) == [((1, 1), 3), ((0, 1), 1)]
    assert first_fit_decreasing([6, 4], [3, 4], 10, 1) == [((1, 1), 1)]
    assert first_fit_decreasing([6, 4], [0, 5], 10) == [((0, 2), 2), ((0, 1), 1)]
    assert first_fit_decreasing([12, 4], [1, 2], 10, 5) == [((0, 2), 1)], "what no roll holds is left out"
    with pytest.raises(ValueError, match="longer than the roll"):
        first_fit_decreasing([12], [1], 10)
    assert first_fit_decreasing([6], [2], 10, 0) == []


def test_rules_use_what_there_is_with_what_is_past_its_date_first():
    """An old roll and a good one in the box, and rolls to buy: the box alone, bought alone, the box and then bought."""
    rolls = [Stock("bought", 10.0, 2.0), Stock("good", 10.0, 0.0, available=1), Stock("old", 10.0, 0.0, available=1,
                                                                                     first=True)]
    sizes, wanted = np.array([40]), np.array([9])
    box, bought, both = _by_rule(sizes, wanted, rolls, [100, 100, 100])
    assert box == {(2, (2,)): 1, (1, (2,)): 1}
    assert bought == {(0, (2,)): 4, (0, (1,)): 1}
    assert both == {(2, (2,)): 1, (1, (2,)): 1, (0, (2,)): 2, (0, (1,)): 1}


def test_free_rolls_that_lie_unopened_stand_in_for_bought_ones_of_their_length():
    """Three bought rolls are cut while two free ones of the same length lie there, and one of another length."""
    rolls = [Stock("bought", 10.0, 2.0, pack=2), Stock("free", 10.0, 0.0, available=2),
             Stock("long", 12.0, 0.0, available=1)]
    plan = PatternPlan(np.array([0, 0]), np.array([[2], [1]]), np.array([2, 1]), np.array([2, 0, 0]), 4.0, 3.0, 4.0,
                       np.zeros(1))
    found = _own_first(rolls, [100, 100, 120], plan)
    assert sorted(zip(found.supply.tolist(), found.patterns.ravel().tolist(), found.counts.tolist())) == [
        (0, 1, 1), (1, 2, 2)]
    assert (found.packs.tolist(), found.cost) == ([1, 2, 0], 2.0)
    assert found.opened.tolist() == [1, 2, 0]


def test_the_least_tape_is_in_steps_of_the_greatest_common_length():
    """Ten of 4 mm from rolls of 10 are five rolls, nine 4.5 and so five. Where stock falls short nothing is said."""
    assert least_tape_mm([4.0], [10], [Stock("r", 10.0)]) == (pytest.approx(50.0), pytest.approx(50.0))
    lp, least = least_tape_mm([4.0], [10], [Stock("r", 10.0), Stock("s", 15.0)])
    assert lp == pytest.approx(50.0)
    assert least == pytest.approx(50.0)
    lp, least = least_tape_mm([4.0], [9], [Stock("r", 10.0)])
    assert (lp, least) == (pytest.approx(45.0), pytest.approx(50.0))
    assert all(map(math.isnan, least_tape_mm([4.0], [9], [Stock("r", 10.0, available=1)])))
    assert least_tape_mm([4.0], [0], [Stock("r", 10.0)]) == (0.0, 0.0)


def test_the_least_tape_counts_no_part_of_a_roll():
    """35 of 100 mm are 3,610 in three rolls of 1,000 and an end of 610, 37 are 4,000; 21 are 2,220 with two such ends.
    The greatest common length, 10 mm, would say 3,500, 3,700 and 2,100, and call the best plan a gap.
    """
    end, new = Stock("end", 610.0, 0.0, available=1), Stock("new", 1000.0)
    assert least_tape_mm([100.0], [35], [end, new]) == pytest.approx((3500.0, 3610.0))
    assert least_tape_mm([100.0], [37], [end, new])[1] == pytest.approx(4000.0)
    assert least_tape_mm([100.0], [21], [replace(end, available=2), new])[1] == pytest.approx(2220.0)
    assert _least_sum(10**7 + 1, [7, 10], [None, None]) == 10**7 + 1


def test_lengths_are_told_with_a_tenth_only_where_there_is_one():
    assert pattern_text([160.0, 95.5, 30.0], [2, 1, 0]) == "2 x 160 + 1 x 95.5"


# -- the master program ---------------------------------------------------------------------------------------------


def whole(cost, short=0, burden=1.0):
    return _Whole(cost, short, {}, [], burden)


@pytest.mark.parametrize(("old", "new", "taken"), [
    (whole(9), whole(8), "new"), (whole(8), whole(9), "old"), (whole(8), whole(8, burden=0.5), "new"),
    (whole(8), whole(8, burden=1.5), "old"), (whole(8), whole(8), "old"), (whole(8, short=1), whole(9), "new"),
    (whole(9), whole(8, short=1), "old"), (whole(math.inf), whole(99, short=9), "new"),
    (whole(9, short=9), whole(math.inf), "old"),
])
def test_of_two_plans_the_one_within_limits_complete_cheap_and_light_is_better(old, new, taken):
    assert _better(old, new) is (new if taken == "new" else old)


def test_money_comes_in_steps_of_the_common_measure_of_the_prices():
    assert _quantum([Supply(1.5), Supply(2.0)]) == 0.5
    assert _quantum([Supply(3.0)]) == 3.0
    assert _quantum([Supply(1 / 3)]) == 0.0
    assert _ceiling(7.2, [Supply(1.5), Supply(2.0)]) == 7.5
    assert _ceiling(7.5, [Supply(1.5), Supply(2.0)]) == 7.5
    assert _ceiling(7.2, [Supply(1 / 3)]) == 7.2


def test_a_gap_is_useful_where_it_takes_the_ceiling_and_not_the_next_step():
    """Bound 7.2, ceiling 8 in steps of 1: a tenth, but less than the way from 8 to 9."""
    assert _useful_gap(7.2, 8.0, [Supply()]) == pytest.approx(0.1)
    assert _useful_gap(7.0, 8.0, [Supply()]) == pytest.approx(0.99 / 9)
    assert _useful_gap(8.0, 8.0, [Supply()]) == pytest.approx(1e-6)
    assert _useful_gap(7.2, 8.0, [Supply(), Supply()]) == 0.005
    assert _useful_gap(0.0, 0.0, [Supply()]) == 0.005


def test_a_pattern_is_cut_while_one_of_its_pieces_is_wanted():
    """Two of the first and one of the third a time; five and three wanted: three times."""
    assert _times_wanted((0, (2, 0, 1)), np.array([5, 9, 3])) == 3
    assert _times_wanted((0, (2, 0, 1)), np.array([5, 9, 0])) == 3
    assert _times_wanted((0, (2, 0, 1)), np.array([0, 9, 1])) == 1


def test_the_dearest_pattern_is_worth_most_of_what_is_wanted_then_most_used_then_first():
    pool = [(0, (3, 0)), (0, (1, 1)), (0, (0, 2)), (0, (1, 1))]
    worth, need = np.array([1.0, 2.0]), np.array([1, 1])
    assert _dearest(pool, np.array([0.9, 0.4, 0.5, 0.0]), worth, need) == 1
    assert _dearest(pool, np.array([0.9, 0.4, 0.5, 0.6]), worth, need) == 3
    assert _dearest(pool, np.array([0.9, 0.4, 0.5, 0.4]), worth, need) == 1
    assert _dearest(pool, np.array([0.9, 0.0, 0.0, 0.0]), worth, need) == 0


def test_what_is_cut_is_taken_off_limited_stock_alone():
    rest = _rest([Supply(available=5), Supply(), Supply(available=1)], {(0, (1,)): 2, (0, (2,)): 1, (2, (1,)): 3})
    assert [s.available for s in rest] == [2, None, 0]


def test_a_plan_in_whole_numbers_is_weighed_in_packs_money_and_what_is_missing():
    """Five rolls of two pieces where nine are wanted: one surplus; in packs of two at 3: three packs. Stock of four
    would be too little.
    """
    master = _Master(np.array([9, 2]), [Supply(3.0, 2, burden=1.5)], {})
    found = master.weigh({(0, (2, 0)): 5})
    assert (found.cost, found.packs, found.short, found.burden) == (9.0, [3], 2, 7.5)
    assert found.cuts == {(0, (2, 0)): 4, (0, (1, 0)): 1}
    assert math.isinf(_Master(np.array([9]), [Supply(3.0, 2, 4)], {}).weigh({(0, (2,)): 5}).cost)
    assert _Master(np.array([8]), [Supply(3.0, 2, 4)], {}).weigh({(0, (2,)): 4}).cost == 6.0


def test_a_bound_is_of_the_relaxation_and_unknown_where_stock_falls_short():
    def price(worth, most):
        return [np.array([2])]

    assert bound_only(np.array([9]), [Supply(3.0)], [(0, (2,))], price) == pytest.approx(13.5)
    assert math.isnan(bound_only(np.array([9]), [Supply(3.0, 1, 2)], [(0, (2,))], price))


# -- cuts and steps -------------------------------------------------------------------------------------------------

HUNDRED = np.arange(1, 101)[:, None]


def test_of_one_item_the_cut_is_the_line_through_both_ends():
    """One item at 2 money a level, needs of 1 to 100, held 50: met 50, all at 200 money. Each scenario more costs 2, so
    the bound of 90 scenarios is exact: 180.
    """
    collapsed = collapse(HUNDRED, np.array([50]))
    assert highest(collapsed).tolist() == [100]
    cut, enough = best_cut(collapsed, np.array([2.0]), 90)
    assert cut.value == pytest.approx(180.0, rel=1e-5)
    assert enough.met >= 90
    cheap = Closure(collapsed, np.array([2.0])).cut(90, 1.0)
    assert (cheap.met, cheap.money, cheap.price, cheap.ranks.tolist()) == (50.0, 100.0, 1.0, [0])
    assert cheap.value == pytest.approx(100 + 40 * 1.0, rel=1e-6)
    dear = Closure(collapsed, np.array([2.0])).cut(90, 3.0)
    assert (dear.met, dear.money, dear.ranks.tolist()) == (100.0, 200.0, [50])
    assert dear.value == pytest.approx(200 - 10 * 3.0, rel=1e-6)


def test_no_more_scenarios_are_met_than_the_room_is_worth():
    """Room for 70.5 levels of one litre: 70 or a half more by the relaxation; each scenario takes a litre."""
    collapsed = collapse(HUNDRED, np.array([10]))
    most, price, over = most_within(collapsed, np.array([1.0]), 70.5)
    assert most == pytest.approx(70.5, abs=0.01)
    assert price == pytest.approx(1.0, rel=0.01)
    assert over > 60, "ranks above the ten: the least plan found that takes more room"
    assert most_within(collapsed, np.array([1.0]), 100.0)[:2] == (100.0, np.inf)
    least, *_ = most_within(collapsed, np.array([1.0]), 5.0)
    assert least == 10.0, "what is held in any case meets so many"


def test_a_plan_is_improved_by_the_levels_about_it():
    """Four scenarios need two of the cheap item, three two of the dear one, three one of each; six are to be met: two
    of the cheap one for 7 in place of two of the dear one for 11.
    """
    needs = np.array([[2, 1]] * 4 + [[1, 2]] * 3 + [[1, 1]] * 3)
    collapsed = collapse(needs, np.array([1, 1]))
    cost, par = np.array([1.0, 5.0]), np.array([1, 2])
    assert improve(collapsed, cost, 6, par).tolist() == [2, 1]
    assert improve(collapsed, cost, 6, par, enough=11.0).tolist() == [1, 2], "at 11 it is cheap enough"
    assert improve(collapsed, cost, 6, par, (Limit("shelf", np.array([1.0, 0.0]), 1.0),)).tolist() == [1, 2]
    assert improve(collapsed, cost, 10, np.array([2, 2])).tolist() == [2, 2]


def test_stepping_down_takes_the_best_bargain_first():
    """Item 0 saves 1 for 4 scenarios, item 1 saves 5 for 3."""
    needs = np.array([[2, 1]] * 4 + [[1, 2]] * 3 + [[1, 1]] * 3)
    path = descend(collapse(needs, np.array([1, 1])), np.array([1.0, 5.0]), 3)
    assert path.par.tolist() == [[2, 2], [2, 1], [1, 1]]
    assert path.ready.tolist() == [10, 7, 3]
    assert path.cheapest_with(7).tolist() == [2, 1]
    assert path.cheapest_with(8).tolist() == [2, 2]
    assert path.cheapest_with(11) is None
    assert descend(collapse(needs, np.array([1, 1])), np.array([1.0, 5.0]), 8).ready.tolist() == [10]


def test_within_limits_a_dearer_plan_is_taken_and_none_is_known_to_be_none():
    needs = np.array([[2, 1]] * 4 + [[1, 2]] * 3 + [[1, 1]] * 3)
    collapsed = collapse(needs, np.array([1, 1]))
    cost = np.array([1.0, 5.0])
    assert step_down_within_limits(collapsed, cost, 6, [])[0].tolist() == [2, 1]
    shelf = Limit("shelf", np.array([3.0, 1.0]), 5.0)
    found, shut = step_down_within_limits(collapsed, cost, 6, [shelf])
    assert (found.tolist(), shut) == ([1, 2], False)
    assert step_down_within_limits(collapsed, cost, 10, [shelf]) == (None, True)
    assert within([shelf], np.array([1, 2]))
    assert not within([shelf], np.array([2, 1]))


@pytest.mark.parametrize(("value", "bound", "gap", "status", "width"), [
    (100.0, 99.6, 0.005, "optimal", 0.004), (100.0, 99.0, 0.005, "feasible", 0.01), (100.0, 101.0, 0.0, "optimal", 0.0),
    (0.0, 0.0, 0.0, "optimal", 0.0),
])
def test_a_plan_is_called_optimal_within_the_gap_that_was_asked(value, bound, gap, status, width):
    found = _report("p", value, bound, bound, gap, 1.5)
    assert (found.status, found.gap, found.objective, found.seconds) == (status, pytest.approx(width), value, 1.5)
    assert found.bound == min(bound, value)


def test_what_costs_cents_is_weighed_by_its_cents():
    """A cent a level for one scenario, and five for three: the second gives up less for its money."""
    needs = np.array([[2, 1]] * 1 + [[1, 2]] * 3 + [[1, 1]] * 6)
    path = descend(collapse(needs, np.array([1, 1])), np.array([0.01, 0.05]), 6)
    assert path.par.tolist() == [[2, 2], [2, 1], [1, 1]]


def test_a_limit_that_no_plan_keeps_is_told_apart_from_one_for_which_none_was_found(monkeypatch):
    """Ten scenarios that need two of either item at a litre each, and three litres."""
    from kitplan.solve import par_program

    needs = np.array([[2, 1]] * 4 + [[1, 2]] * 3 + [[1, 1]] * 3)
    collapsed, shelf = collapse(needs, np.array([1, 1])), Limit("shelf", np.ones(2), 3.0)
    found = par_program._by_cuts(collapsed, np.array([1.0, 5.0]), 10, 0.001, [shelf], True)
    assert (found.par, found.report.status) == (None, "infeasible")
    monkeypatch.setattr(par_program, "step_down_within_limits", lambda *given: (None, False))
    lost = par_program._by_cuts(collapsed, np.array([1.0, 5.0]), 10, 0.001, [shelf], True)
    assert (lost.par, lost.report.status) == (None, "failed")
