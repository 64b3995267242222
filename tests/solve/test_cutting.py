"""Rolls cut to pieces: exact in tenths of a millimetre, at least money, never above the ceiling by more than one."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from kitplan.demand.tape import rolls_after_uses, sheet_pieces
from kitplan.solve.cutting import (
    Stock,
    best_patterns,
    cut_stock,
    first_fit_decreasing,
    least_tape_mm,
    to_tenths,
)
from kitplan.solve.sheet_cutting import _cut_sizes, cut_sheets, guillotine_layouts
from tests.solve.listed_patterns import all_patterns


def pieces_cut(plan):
    return (plan.cuts * plan.plan["count"].to_numpy()[:, None]).sum(axis=0)


def test_every_piece_is_cut_and_no_roll_is_overfilled():
    plan = cut_stock([220.5, 160.3, 95], [40, 35, 60], [Stock("short", 1371.6), Stock("long", 9144, 4.0)])
    assert pieces_cut(plan).tolist() == plan.demand.tolist()
    assert (plan.plan["waste_mm"] >= 0).all()
    assert plan.plan["used_mm"].tolist() == pytest.approx((plan.cuts @ plan.sizes_mm).tolist())


def test_equal_lengths_are_pooled_and_unwanted_ones_left_out():
    plan = cut_stock([100, 50, 100, 70], [2, 3, 1, 0], [Stock("r", 1000)])
    assert plan.sizes_mm.tolist() == [100, 50]
    assert plan.demand.tolist() == [3, 3]


def test_decimals_are_exact_tenths():
    """Three pieces of 33.4 mm are 100.2 mm and fill a roll of 100.2 mm, but not one of 100.1 mm."""
    assert cut_stock([33.4], [3], [Stock("r", 100.2)]).n_rolls == 1
    assert cut_stock([33.4], [3], [Stock("r", 100.1)]).n_rolls == 2
    assert cut_stock([0.1 + 0.2], [10], [Stock("r", 3.0)]).n_rolls == 1


def test_a_piece_is_rounded_up_and_a_roll_down_to_a_tenth():
    assert to_tenths(48.25, up=True) == 483
    assert to_tenths(1371.68, up=False) == 13716
    assert to_tenths(0.1 + 0.2, up=True) == 3


def test_the_cheaper_roll_is_taken_even_if_more_of_them_are_cut():
    plan = cut_stock([300], [12], [Stock("short", 600, 1.0), Stock("long", 3600, 7.0)])
    assert plan.opened == {"short": 6, "long": 0}
    assert plan.cost == 6


def test_rolls_are_bought_in_whole_packs():
    plan = cut_stock([300], [7], [Stock("r", 600, 10.0, pack=3)])
    assert plan.opened == {"r": 4}
    assert plan.packs == {"r": 2}
    assert plan.cost == 20


def test_own_stock_goes_before_bought_stock_and_stock_past_its_date_first():
    own = [Stock("old", 1000, 0, 1, 1, first=True), Stock("own", 1000, 0, 1, 2), Stock("new", 1000, 5)]
    plan = cut_stock([500], [5], own)
    assert plan.opened == {"old": 1, "own": 2, "new": 0}
    assert cut_stock([500], [2], own).opened == {"old": 1, "own": 0, "new": 0}


def test_stock_that_costs_nothing_is_cut_as_well_as_stock_that_does():
    """15.86 m of pieces from free rolls of 1.37 m: twelve of them, the ceiling of 15,860 / 1,370, and no own roll."""
    rolls = [
        Stock("past its date", 1370, 0.0, 1, 20, first=True), Stock("own", 1830, 0.0, 1, 4),
        Stock("new", 4570, 13.2, 12),
    ]
    plan = cut_stock([110, 94, 92], [78, 52, 26], rolls)
    assert plan.opened == {"past its date": 12, "own": 0, "new": 0}
    assert pieces_cut(plan).tolist() == [78, 52, 26]
    assert plan.cost == 0


@pytest.mark.parametrize("seed", range(8))
def test_free_stock_of_two_kinds_opens_at_most_one_roll_more_than_the_least_tape(seed):
    rng = np.random.default_rng(seed)
    lengths = np.unique(rng.integers(840, 3000, rng.integers(2, 7))) / 10
    demand = rng.integers(1, 60, lengths.size)
    kinds = rng.choice([1370.0, 1830.0, 4570.0, 9140.0], 2, replace=False)
    rolls = [Stock("a", kinds[0], 0.0), Stock("b", kinds[1], 0.0)]
    plan = cut_stock(lengths, demand, rolls)
    assert not plan.short.any()
    assert plan.opened_mm <= least_tape_mm(lengths, demand, rolls)[1] + kinds.min()


def test_money_comes_before_the_length_opened():
    plan = cut_stock([900], [1], [Stock("small", 1000, 3.0), Stock("large", 9000, 2.0)])
    assert plan.opened == {"small": 0, "large": 1}


def test_the_least_tape_is_told_as_the_bound_and_in_whole_rolls():
    """10 pieces of 450 mm are 4500 mm; rolls of 1000 and 2000 mm hold 2 and 4, so 5000 mm in whole rolls."""
    bound, least = least_tape_mm([450], [10], [Stock("a", 1000), Stock("b", 2000)])
    assert (bound, least) == (pytest.approx(5000), 5000)
    bound, least = least_tape_mm([450], [9], [Stock("a", 1000), Stock("b", 2000)])
    assert (bound, least) == (pytest.approx(4500), 5000)


def test_limited_stock_alone_says_what_is_missing():
    plan = cut_stock([400, 90], [4, 1], [Stock("own", 1000, 0, 1, 1)])
    assert plan.short.sum() == 2
    assert pieces_cut(plan).tolist() == (plan.demand - plan.short).tolist()


def test_nothing_wanted_opens_nothing():
    plan = cut_stock([100.0], [0], [Stock("r", 50)])
    assert (plan.n_rolls, plan.cost, plan.waste_share, len(plan.plan)) == (0, 0, 0, 0)


def test_the_same_question_gets_the_same_answer():
    ask = ([511.3, 402.1, 96.5, 77.7], [31, 12, 55, 8], [Stock("r", 1371.6), Stock("l", 4570, 3.2, 4)])
    one, two = cut_stock(*ask), cut_stock(*ask)
    assert one.plan.equals(two.plan)
    assert one.cuts.tolist() == two.cuts.tolist()


@pytest.mark.parametrize("seed", range(12))
def test_random_instances_need_at_most_one_roll_more_than_the_ceiling(seed):
    rng = np.random.default_rng([6, seed])
    roll_mm = float(rng.choice([1371.6, 1828.8, 4570, 9140]))
    lengths = np.unique(np.round(rng.uniform(0.03, rng.uniform(0.1, 0.8), rng.integers(2, 13)) * roll_mm, 1))
    demand = rng.integers(1, rng.choice([4, 60]), lengths.size)
    plan = cut_stock(lengths, demand, [Stock("r", roll_mm)])
    assert plan.ceiling <= plan.n_rolls <= plan.ceiling + 1
    assert pieces_cut(plan).tolist() == plan.demand.tolist()


@settings(max_examples=20, deadline=None)
@given(
    st.lists(st.tuples(st.integers(50, 900), st.integers(1, 9)), min_size=1, max_size=5),
    st.integers(900, 2000),
)
def test_no_plan_undercuts_its_bound_and_greedy_never_beats_it(pieces, roll_mm):
    lengths, demand = zip(*pieces)
    plan = cut_stock(lengths, demand, [Stock("r", roll_mm)])
    assert plan.lp_bound <= plan.ceiling + 1e-6 <= plan.n_rolls + 2e-6
    greedy = first_fit_decreasing(plan.sizes_mm, plan.demand, roll_mm)
    assert plan.n_rolls <= sum(times for _, times in greedy)
    assert pieces_cut(plan).tolist() == plan.demand.tolist()


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(60, 700), min_size=1, max_size=4), st.integers(700, 1500), st.integers(1, 4))
def test_one_more_piece_never_takes_fewer_rolls_and_doubled_sizes_change_nothing(lengths, roll_mm, count):
    demand = [count] * len(lengths)
    plan = cut_stock(lengths, demand, [Stock("r", roll_mm)])
    more = cut_stock(lengths, [count + 1, *demand[1:]], [Stock("r", roll_mm)])
    double = cut_stock([2 * v for v in lengths], demand, [Stock("r", 2 * roll_mm)])
    assert more.lp_bound >= plan.lp_bound - 1e-7
    assert double.n_rolls == plan.n_rolls
    assert double.lp_bound == pytest.approx(plan.lp_bound)


def test_greedy_cutting_is_first_fit_decreasing_piece_by_piece():
    lengths = [410.0, 333.0, 250.0, 118.0]
    demand = [5, 7, 3, 9]
    one_by_one = rolls_after_uses(np.repeat(lengths, demand), 1000.0, 1)[1]
    assert sum(times for _, times in first_fit_decreasing(lengths, demand, 1000.0)) == one_by_one


def test_the_knapsack_agrees_with_the_best_of_all_patterns():
    rng = np.random.default_rng(3)
    for _ in range(10):
        sizes = np.unique(rng.integers(7, 40, 5))[::-1]
        worth = rng.random(sizes.size)
        most = rng.integers(1, 5, sizes.size)
        every = all_patterns(sizes, 100)
        allowed = every[(every <= most).all(axis=1)]
        (pattern,) = best_patterns(sizes, worth, most, [100])
        assert pattern @ sizes <= 100
        assert (pattern <= most).all()
        assert worth @ pattern == pytest.approx((allowed @ worth).max())


@pytest.mark.parametrize(
    ("lengths", "demand", "rolls", "fault"),
    [
        ([1500], [1], [Stock("r", 1371.6)], "longer than every roll"),
        ([100], [1], [], "longer than every roll"),
        ([0], [1], [Stock("r", 100)], "length above 0"),
        ([float("nan")], [1], [Stock("r", 100)], "length above 0"),
        ([10], [-1], [Stock("r", 100)], "whole number"),
        ([10], [1.5], [Stock("r", 100)], "whole number"),
        ([10, 20], [1], [Stock("r", 100)], "one demand for each"),
        ([10], [1], [Stock("r", 0)], "length and pack above 0"),
        ([10], [1], [Stock("r", 100, pack=0)], "length and pack above 0"),
        ([10], [1], [Stock("r", 100, price=-1)], "price of 0 or more"),
        ([10], [1], [Stock("r", 100, available=-2)], "negative"),
    ],
)
def test_a_question_that_makes_no_sense_is_refused(lengths, demand, rolls, fault):
    with pytest.raises(ValueError, match=fault):
        cut_stock(lengths, demand, rolls)


@pytest.mark.parametrize("sizes", [(100, 100, 20, 50), (150, 150, 37, 61), (200, 200, 33, 47), (100, 100, 30, 70)])
def test_one_kind_of_dressing_piece_agrees_with_the_sheet_yield(sizes):
    width, length, across, along = sizes
    (layout,) = guillotine_layouts(np.array([[across, along]]) * 10, np.ones(1), [(width * 10, length * 10)])
    assert len(layout) == sheet_pieces(width, length, across, along)


def test_dressing_pieces_lie_on_the_sheet_without_overlap_and_cut_edge_to_edge():
    plan = cut_sheets([(20, 50), (25, 60), (30, 30)], [40, 30, 12], [Stock("s", 150, width_mm=150)])
    assert pieces_cut(plan).tolist() == plan.demand.tolist()
    assert sum(plan.opened.values()) <= plan.ceiling + 1
    for row, layout in zip(plan.cuts, plan.layouts):
        assert [sum(1 for piece, _ in layout if piece == p) for p in range(len(row))] == row.tolist()
        boxes = [box for _, box in layout]
        assert all(x + w <= 150 + 1e-9 and y + h <= 150 + 1e-9 for x, y, w, h in boxes)
        assert cuts_apart(boxes)


def cuts_apart(boxes):
    """True when edge-to-edge cuts take the boxes apart one by one."""
    if len(boxes) < 2:
        return True
    for axis in (0, 1):
        for edge in sorted({b[axis] for b in boxes})[1:]:
            before = [b for b in boxes if b[axis] + b[axis + 2] <= edge + 1e-9]
            after = [b for b in boxes if b[axis] >= edge - 1e-9]
            if len(before) + len(after) == len(boxes) and before and after:
                return cuts_apart(before) and cuts_apart(after)
    return False


def test_a_piece_may_be_turned_and_one_that_fits_no_sheet_is_refused():
    assert cut_sheets([(90, 40)], [1], [Stock("s", 100, width_mm=50)]).opened == {"s": 1}
    with pytest.raises(ValueError, match="larger than every sheet"):
        cut_sheets([(101, 40)], [1], [Stock("s", 100, width_mm=50)])


def test_own_sheets_go_first_and_the_rest_is_bought_in_packs():
    plan = cut_sheets([(50, 50)], [11], [Stock("own", 100, 0, 1, 1, True, 100),
                                         Stock("buy", 100, 28, 10, width_mm=100)])
    assert plan.opened == {"own": 1, "buy": 2}
    assert plan.packs["buy"] == 1


def test_many_sizes_in_tenths_are_cut_up_to_whole_millimetres_and_never_smaller():
    sizes = [(20.3, 41.7), (25.1, 33.9), (17.7, 52.3), (30.1, 30.7)]
    plan = cut_sheets(sizes, [9, 7, 5, 3], [Stock("s", 200, width_mm=200)])
    assert pieces_cut(plan).tolist() == plan.demand.tolist()
    for layout in plan.layouts:
        for piece, (_, _, width, length) in layout:
            assert sorted((width, length)) >= plan.sizes_mm[piece].tolist()


def small_shop(seed):
    """Up to four lengths and three kinds of rolls: some bought in packs, some owned and limited."""
    rng = np.random.default_rng([7, seed])
    sizes = np.unique(rng.integers(12, 60, rng.integers(1, 5)))[::-1]
    rolls = [Stock("always", 100.0, 3.0, 2)]
    for kind in range(rng.integers(1, 4)):
        length, limit = float(rng.integers(60, 140)), int(rng.integers(0, 6))
        price, pack = float(rng.integers(2, 12)) / 2, int(rng.integers(1, 5))
        own = rng.random() < 0.4
        rolls.append(Stock(f"own {kind}", length, 0.0, 1, limit, first=True) if own
                     else Stock(f"buy {kind}", length, price, pack))
    return sizes, rng.integers(1, 15, sizes.size), rolls


def least_money(sizes, demand, rolls):
    """Exact, by scipy's integer solver over every pattern of every roll."""
    found = [(k, p) for k, roll in enumerate(rolls) for p in all_patterns(sizes, int(roll.length_mm))]
    kinds, patterns = np.array([k for k, _ in found]), np.array([p for _, p in found])
    mine = (kinds[None, :] == np.arange(len(rolls))[:, None]).astype(float)
    met = np.hstack([patterns.T, np.zeros((sizes.size, len(rolls)))])
    held = np.hstack([-mine, np.diag([float(roll.pack) for roll in rolls])])
    most = [np.inf if roll.available is None else roll.available for roll in rolls]
    cost = np.r_[np.zeros(kinds.size), [roll.price for roll in rolls]]
    bounds = Bounds(0, np.r_[np.full(kinds.size, np.inf), most])
    rows = [LinearConstraint(met, demand, np.inf), LinearConstraint(held, 0, np.inf)]
    return milp(cost, constraints=rows, integrality=np.ones(cost.size), bounds=bounds).fun


@pytest.mark.parametrize("seed", range(25))
def test_several_kinds_packs_and_own_stock_agree_with_an_exact_program(seed):
    sizes, demand, rolls = small_shop(seed)
    plan = cut_stock(sizes, demand, rolls)
    best = least_money(sizes, demand, rolls)
    assert plan.cost == pytest.approx(best, abs=1e-6)
    assert plan.lp_bound <= plan.ceiling + 1e-6 <= best + 2e-6
    assert pieces_cut(plan).tolist() == plan.demand.tolist()
    for roll in rolls:
        assert plan.opened[roll.name] <= (np.inf if roll.available is None else roll.available)
        assert plan.opened[roll.name] <= plan.packs[roll.name] * roll.pack


CLASS = ([110, 150, 130], [54, 36, 36])
"""8 learners, 2 goes each at two techniques and 2 spare sets: 18 sets of 3 x 110, 2 x 150 and 2 x 130 mm, 16.02 m."""


def test_the_class_of_eight_opens_three_rolls_where_a_long_one_lies_in_the_box():
    """54 x 110 + 24 x 130 are 9060 mm, 30 x 150 are 4500, 6 x 150 + 12 x 130 are 2460: one long roll, two short."""
    plan = cut_stock(*CLASS, [Stock("box", 9140, 0.0, 1, 1), Stock("new", 4570, 13.2, 12)])
    assert plan.opened == {"box": 1, "new": 2}


@pytest.mark.parametrize(("length", "fewest"), [(4570, 4), (9140, 2)])
def test_the_class_of_eight_from_rolls_of_one_length_needs_what_its_length_needs(length, fewest):
    """16,020 mm are 3.51 rolls of 4570 mm and 1.75 of 9140 mm: four and two, not three."""
    assert cut_stock(*CLASS, [Stock("new", length, 20.0, 12)]).n_rolls == fewest == -(-16020 // length)


def test_rolls_in_the_box_are_cut_before_new_ones_of_their_length_though_the_pack_is_paid():
    box = [Stock("old", 1370, 0.0, 1, 2, first=True), Stock("box", 4570, 0.0, 1, 2)]
    shop = [Stock("1370", 1370, 29.0, 50), Stock("1830", 1830, 35.0, 50), Stock("4570", 4570, 13.2, 12)]
    plan = cut_stock(*CLASS, [*box, *shop, Stock("9140", 9140, 21.6, 12)])
    assert plan.opened["box"] == 2
    assert pieces_cut(plan).tolist() == plan.demand.tolist()


def random_class(seed):
    """One to six lengths and 1 to 30 sets; some lengths of roll by the pack or singly, some of them in the box."""
    rng = np.random.default_rng([8, seed])
    lengths = np.unique(np.round(rng.uniform(80, 320, rng.integers(1, 7))))
    shop = [(1370.0, 29.0, 50), (1830.0, 35.0, 50), (4570.0, 13.2, 12), (9140.0, 21.6, 12)]
    single = rng.random() < 0.4
    rolls = []
    for number in sorted(rng.choice(4, rng.integers(1, 4), replace=False)):
        length, price, pack = shop[number]
        rolls.append(Stock(f"new {length:g}", length, price / (pack if single else 1), 1 if single else pack))
        if rng.random() < 0.3:
            rolls.append(Stock(f"box {length:g}", length, 0.0, 1, int(rng.integers(1, 6)), first=rng.random() < 0.5))
    return lengths, rng.integers(1, 4, lengths.size) * rng.integers(1, 31), rolls


@pytest.mark.parametrize("seed", range(36))
def test_a_class_is_never_cut_worse_than_longest_piece_first_nor_below_the_bound(seed):
    lengths, demand, rolls = random_class(seed)
    plan = cut_stock(lengths, demand, rolls)
    assert not plan.short.any()
    assert pieces_cut(plan).tolist() == plan.demand.tolist()
    assert plan.cost >= plan.lp_bound - 1e-6
    lengths_opened = {roll.length_mm for roll in rolls if plan.opened[roll.name]}
    for roll in (r for r in rolls if r.available is None):
        greedy = sum(n for _, n in first_fit_decreasing(plan.sizes_mm, plan.demand, roll.length_mm))
        assert plan.cost <= -(-greedy // roll.pack) * roll.price + 1e-6
        if lengths_opened == {roll.length_mm}:
            assert plan.n_rolls <= greedy


def test_among_plans_of_one_price_a_long_search_is_not_needed_to_open_least():
    """One pack of 4570 mm and three rolls from the box: 45.08 m of pieces come from no less than 45.7 m of these."""
    lengths, demand, rolls = random_class(495)
    plan = cut_stock(lengths, demand, rolls)
    assert (plan.cost, plan.n_rolls) == (13.2, 9)
    step = 4570
    assert plan.opened_mm == step * -(-float((plan.sizes_mm * plan.demand).sum()) // step)


def test_one_piece_lies_in_a_corner_of_its_sheet_turned_where_it_must_be():
    """20 x 50 mm: across a sheet that is long enough for it, along one that is not."""
    for across, along, box in ((100, 100, (0, 0, 20, 50)), (100, 30, (0, 0, 50, 20))):
        assert cut_sheets([(50, 20)], [1], [Stock("s", along, width_mm=across)]).layouts == (((0, box),),)


def test_of_free_sheets_the_smaller_is_opened_and_of_equal_ones_that_past_its_date():
    large, small = Stock("large", 100, 0.0, 1, 1, width_mm=100), Stock("small", 20, 0.0, 1, 1, width_mm=50)
    assert cut_sheets([(20, 20)], [1], [large, small]).opened == {"large": 0, "small": 1}
    good, old = Stock("good", 100, 0.0, 1, 1, width_mm=100), Stock("old", 100, 0.0, 1, 1, True, 100)
    for order in ([good, old], [old, good]):
        assert cut_sheets([(20, 20)], [1], order).opened == {"good": 0, "old": 1}


def test_tenths_are_cut_up_to_whole_millimetres_only_where_they_are_many_and_still_fit():
    """7.1 x 10.3 mm from 400 x 400: a thousand places to cut; from 14.2 x 10.3 there are few."""
    sizes = np.array([[71, 103]])
    assert _cut_sizes(sizes, [(4000, 4000)]).tolist() == [[80, 110]]
    assert _cut_sizes(sizes, [(142, 103)]).tolist() == [[71, 103]]
    tight = np.array([[71, 103], [71, 3991]])
    assert _cut_sizes(tight, [(4000, 3995)]).tolist() == [[80, 110], [80, 4000]], "turned, it fits"
    assert _cut_sizes(tight, [(3995, 3995)]).tolist() == tight.tolist()


def most_worth(across, along, kinds, known):
    """Greatest worth of edge-to-edge cuts by trying every whole cut of either side. kinds: (short, long, worth)."""
    key = (across, along)
    if key not in known:
        best = max([w for a, b, w in kinds if a <= min(key) and b <= max(key)], default=0.0)
        for cut in range(1, across // 2 + 1):
            best = max(best, most_worth(cut, along, kinds, known) + most_worth(across - cut, along, kinds, known))
        for cut in range(1, along // 2 + 1):
            best = max(best, most_worth(across, cut, kinds, known) + most_worth(across, along - cut, kinds, known))
        known[key] = best
    return known[key]


@pytest.mark.parametrize("seed", range(12))
def test_layouts_are_worth_as_much_as_the_best_of_all_edge_to_edge_cuts(seed):
    """Two sheets and three pieces whose sides share a step of one, two or three; one piece may be worth nothing."""
    rng = np.random.default_rng([seed, 5])
    step = 1 + seed % 3
    sizes = np.sort(rng.integers(2, 8, (3, 2)) * step, axis=1)
    worth = np.where(rng.random(3) < 0.8, rng.uniform(0.5, 3.0, 3) * sizes.prod(axis=1), 0.0)
    areas = [tuple(int(v) for v in rng.integers(8, 19, 2) * step + rng.integers(0, step)) for _ in range(2)]
    for layout, area in zip(guillotine_layouts(sizes, worth, areas), areas):
        boxes = [box for _, box in layout]
        assert sum(worth[piece] for piece, _ in layout) == pytest.approx(
            most_worth(*area, [(*size, w) for size, w in zip(sizes.tolist(), worth)], {}))
        assert all(sorted((10 * w, 10 * h)) == pytest.approx(sizes[piece]) for piece, (_, _, w, h) in layout)
        assert all(x >= 0 and y >= 0 and x + w <= area[0] / 10 + 1e-9 and y + h <= area[1] / 10 + 1e-9
                   for x, y, w, h in boxes)
        assert cuts_apart(boxes)
        assert boxes == sorted(boxes, key=lambda b: (b[1], b[0])), "row by row, from one corner"


def test_a_sheet_tells_its_pattern_and_what_is_left_over():
    """Four of 20 x 50.5 mm from 101 x 50 mm: two beside two, and 10 x 101 mm left over."""
    plan = cut_sheets([(50.5, 20)], [4], [Stock("s", 101, width_mm=50)])
    assert plan.plan.to_dict("records") == [
        {"sheet": "s", "pattern": "4 x (20 x 50.5)", "count": 1, "waste_mm2": 1010.0}]
    assert (plan.cost, plan.packs, plan.opened) == (1.0, {"s": 1}, {"s": 1})


@pytest.mark.parametrize(("sizes", "demand", "sheets", "fault"), [
    ([(30.5, 120)], [1], [Stock("s", 100, width_mm=100)], r"a piece of 30\.5 x 120 mm is larger than every sheet"),
    ([(60, 60)], [1], [Stock("s", 50, width_mm=100)], "larger than every sheet"),
    ([(10, 10)], [1, 2], [Stock("s", 100, width_mm=100)], "one demand for each piece"),
    ([(0, 10)], [1], [Stock("s", 100, width_mm=100)], "above 0 mm"),
    ([(10, 10)], [1.5], [Stock("s", 100, width_mm=100)], "whole number of pieces"),
    ([(10, 10)], [-1], [Stock("s", 100, width_mm=100)], "whole number of pieces"),
    ([(10, 10)], [1], [Stock("s", 0, width_mm=100)], "length and pack above 0"),
    ([(10, 10)], [1], [Stock("s", 100, width_mm=100, pack=0)], "length and pack above 0"),
    ([(10, 10)], [1], [Stock("s", 100, width_mm=100, price=-1)], "price of 0 or more"),
    ([(10, 10)], [1], [Stock("s", 100, width_mm=100, available=-1)], "negative"),
])
def test_dressings_that_make_no_sense_are_refused(sizes, demand, sheets, fault):
    with pytest.raises(ValueError, match=fault):
        cut_sheets(sizes, demand, sheets)


def test_a_sheet_in_stock_may_be_free_and_none_of_it_be_left():
    stock = [Stock("gone", 100, 0.0, 1, 0, width_mm=100), Stock("buy", 100, 2.0, width_mm=100)]
    plan = cut_sheets([(50, 50), (50, 50)], [1, 0], stock)
    assert plan.opened == {"gone": 0, "buy": 1}
    assert plan.demand.tolist() == [1]
