"""Prices of groups and the best designs on made-up places in a kit, against plain loops over every group."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.kits import partition as kit_partition
from kitplan.parts.kits.accounts import Traffic, kit_builds, leftovers_expected, with_leftovers
from kitplan.parts.kits.contents import leftover, through_a_stay
from kitplan.parts.kits.groups import PriceList, Together, exact, may_share, sizes_in
from kitplan.parts.kits.partition import Pool, design_curve
from kitplan.parts.kits.pricing import AllGroups, SearchedGroups
from kitplan.parts.kits.slots import NEVER, Slot, _own_option
from kitplan.parts.kits.tables import curve_table, strata_table
from kitplan.read.days import MONTH_DAYS


def made_slot(draw, n_strata, n_options, users=0.8, never=0.3):
    """A place with random needs: its own option always serves a stratum; each bundle beyond the need costs more."""
    own = np.where(draw.random(n_strata) < users, draw.integers(0, n_options, n_strata), -1)
    if (own < 0).all():
        own[0] = 0
    bundles = draw.integers(1, 5, (n_strata, n_options))
    bundles[draw.random(bundles.shape) < never] = NEVER
    bundles[own < 0] = 0
    for g in np.flatnonzero(own >= 0):
        bundles[g, own[g]] = draw.integers(1, 5)
    most = int(bundles[bundles < NEVER].max())
    price, kits = draw.uniform(0.5, 4.0, n_options), draw.uniform(1.0, 5.0, n_strata)
    cost = np.full((n_strata, n_options, most + 1), np.inf)
    for g, o in itertools.product(range(n_strata), range(n_options)):
        level = np.arange(most + 1)
        if own[g] < 0:
            cost[g, o] = price[o] * kits[g] * level
        elif bundles[g, o] < NEVER:
            need = bundles[g, o]
            cost[g, o, need:] = price[o] * kits[g] * (3.0 + level[need:] * draw.uniform(0.1, 1.0))
    idle, litres = np.outer(kits, price), draw.uniform(0.1, 1.0, n_options)
    return Slot("role", "role", tuple({o: 1} for o in range(n_options)), bundles, np.zeros(bundles.shape), own, cost,
                idle, litres)


def made_slots(seed, n_strata=5):
    draw = np.random.default_rng([seed, 77])
    return [made_slot(draw, n_strata, n) for n in (1, 2, 3, 1, 2)]


def slot_price(slot, members):
    """(money, litres) of the cheapest filling of a slot for a group, by the words of the module: one option for all, or
    of several each member's own.
    """
    n = range(len(slot.own))
    found = []
    for o in range(len(slot.options)):
        held = max((slot.bundles[g, o] for g in members), default=0)
        money = sum(slot.cost[g, o, held] for g in members) if held < NEVER else np.inf
        found.append((money, slot.litres[o] * held))
    if len(slot.options) > 1:
        held = [max([slot.bundles[g, o] for g in members if slot.own[g] == o], default=0)
                for o in range(len(slot.options))]
        money = sum(slot.cost[g, o, k] if slot.own[g] == o else slot.idle[g, o] * k
                    for g in members for o, k in enumerate(held))
        found.append((money, float(slot.litres @ held)))
    assert set(members) <= set(n)
    return min(found, key=lambda way: way[0])


def group_price(slots, members):
    return np.sum([slot_price(slot, members) for slot in slots], axis=0)


def groups_of(n):
    return [list(c) for k in range(1, n + 1) for c in itertools.combinations(range(n), k)]


def as_members(groups, n):
    return np.array([[g in group for g in range(n)] for group in groups])


@pytest.mark.parametrize("seed", range(6))
def test_a_group_costs_and_takes_up_what_its_cheapest_filling_does_slot_by_slot(seed):
    slots = made_slots(seed)
    groups = groups_of(5)
    cost, litres = PriceList(slots).costs(as_members(groups, 5))
    expected = np.array([group_price(slots, group) for group in groups])
    assert cost == pytest.approx(expected[:, 0], rel=1e-6)
    able = np.isfinite(expected[:, 0])
    assert litres[able] == pytest.approx(expected[able, 1])


@pytest.mark.parametrize("seed", range(4))
def test_a_kit_holds_what_its_price_is_made_of(seed):
    """Held bundles at the litres of each, and every member takes from an option that its kit holds."""
    slots = made_slots(seed)
    prices = PriceList(slots)
    for members in as_members([[0, 1], [2, 3, 4], [0, 1, 2, 3, 4], [3]], 5):
        kit = prices.kit("K", members)
        (cost,), (litres,) = prices.costs(members[None])
        if not np.isfinite(cost):
            continue
        assert sum(place.slot.litres @ place.held for place in kit.places) == pytest.approx(litres)
        money = 0.0
        for place in kit.places:
            for g in np.flatnonzero(members):
                o = place.takes[g]
                if o < 0:
                    assert place.slot.own[g] < 0
                else:
                    assert place.held[o] >= place.slot.bundles[g, o] > 0
                money += sum(place.slot.cost[g, k, held] if k == o else place.slot.idle[g, k] * held
                             for k, held in enumerate(place.held))
        assert money == pytest.approx(cost, rel=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_what_a_stratum_costs_beside_a_group_is_the_least_in_any_larger_design(seed):
    slots = made_slots(seed)
    prices = PriceList(slots)
    groups = as_members(groups_of(5), 5)
    least = prices.least_beside(groups)
    cost, _ = prices.costs(groups)
    for group, own, total in zip(groups, least, cost):
        assert np.isinf(total) or own[group].sum() <= total + 1e-6
    alone = prices.least_beside(np.eye(5, dtype=bool))
    for g in range(5):
        assert alone[g, g] == pytest.approx(group_price(slots, [g])[0], rel=1e-6), "alone it costs its own kit"


def test_a_container_shuts_out_what_is_larger_and_lets_in_what_just_fits():
    slots = made_slots(1)
    everyone = np.ones((1, 5), dtype=bool)
    litres = float(PriceList(slots).costs(everyone)[1][0])
    assert np.isfinite(PriceList(slots, container_litres=litres).costs(everyone)[0][0])
    assert np.isinf(PriceList(slots, container_litres=litres - 0.01).costs(everyone)[0][0])


def test_who_is_kept_apart_has_no_price_together():
    apart = np.zeros((5, 5), dtype=bool)
    apart[0, 1] = apart[1, 0] = True
    prices = PriceList(made_slots(2), Together(apart, (), 2))
    cost, _ = prices.costs(as_members([[0, 1], [0, 2], [0, 1, 2]], 5))
    assert np.isfinite(cost).tolist() == [False, np.isfinite(PriceList(made_slots(2)).costs(
        as_members([[0, 2]], 5))[0][0]), False]


def test_sums_of_exact_values_do_not_hang_on_their_order():
    draw = np.random.default_rng(3)
    values = exact(draw.uniform(0, 1000, 200))
    assert len({float(np.sum(draw.permutation(values))) for _ in range(50)}) == 1
    assert np.abs(exact(np.array([0.1, 2.0, 123.456])) - [0.1, 2.0, 123.456]).max() < 2.0**-28


# -- groups by reduced cost -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_the_list_and_the_search_find_the_same_groups_below_a_limit(seed):
    """Every group with cost less the members' duals under the limit, the cheapest first."""
    prices = PriceList(made_slots(seed))
    listed, searched = AllGroups(prices), SearchedGroups(prices)
    groups = as_members(groups_of(5), 5)
    cost, _ = prices.costs(groups)
    alone = np.diag(prices.least_beside(np.eye(5, dtype=bool)))
    draw = np.random.default_rng(seed)
    for limit in (0.0, -2.0, 5.0):
        duals = alone * draw.uniform(0.6, 1.6, 5)
        reduced = cost - groups @ duals
        below = np.sort(reduced[reduced < limit])
        for source in (listed, searched):
            found = source.price(duals, limit)
            assert found.costs - found.groups @ duals == pytest.approx(below)
            assert found.complete
            assert min(found.least, limit) == pytest.approx(min(reduced.min(), limit))
            few = source.price(duals, limit, keep=2)
            assert few.costs - few.groups @ duals == pytest.approx(below[:2])
            assert few.complete is (len(below) <= 2)


def test_a_search_that_may_stop_early_leaves_a_bound_that_holds():
    prices = PriceList(made_slots(3, 7))
    cost, _ = prices.costs(as_members(groups_of(7), 7))
    alone = np.diag(prices.least_beside(np.eye(7, dtype=bool)))
    duals = 1.5 * alone
    reduced = cost - as_members(groups_of(7), 7) @ duals
    found = SearchedGroups(prices).price(duals, 0.0, enough=1)
    assert 1 <= len(found.groups) < (reduced < 0).sum()
    assert found.least <= reduced.min() + 1e-9
    assert not found.complete


def test_effort_that_is_spent_is_told_and_more_is_allowed_point_by_point(monkeypatch):
    from kitplan.parts.kits import pricing

    monkeypatch.setattr(pricing, "_GROUPS_PER_CURVE_POINT", 3)
    search = SearchedGroups(PriceList(made_slots(3)))
    assert not search.spent
    search.price(np.full(5, 1e6), 0.0)
    assert search.spent
    search.allow_more(False)
    assert not search.spent


# -- designs --------------------------------------------------------------------------------------------------------


def divisions(members):
    """Every way of dividing the members into groups."""
    if not members:
        yield []
        return
    first, *rest = members
    for size in range(len(rest) + 1):
        for joined in itertools.combinations(rest, size):
            for others in divisions([m for m in rest if m not in joined]):
                yield [[first, *joined], *others]


@pytest.mark.parametrize(("seed", "searched"), [(0, False), (1, False), (2, True), (4, True)])
def test_the_best_designs_are_those_of_every_division_listed(seed, searched, monkeypatch):
    """All 15 divisions of four kinds of airway (Bell number), at most so many designs each; litres of the largest."""
    if searched:
        monkeypatch.setattr(kit_partition, "EXACT_STRATA", 0)
    slots = made_slots(seed, 4)
    curve = design_curve(slots, None, 4, 20.0)
    listed = list(divisions([0, 1, 2, 3]))
    assert len(listed) == 15
    for designs, part in enumerate(curve, 1):
        priced = [sum(group_price(slots, g)[0] for g in way) for way in listed if len(way) <= designs]
        least = min(priced)
        if np.isinf(least):
            assert part is None
            continue
        assert part.designs == designs
        assert part.cost == pytest.approx(least, rel=1e-6)
        assert part.bound <= part.cost
        assert part.gap == pytest.approx((part.cost - part.bound) / part.cost, abs=1e-9)
        assert (part.groups.sum(axis=0) == 1).all(), "each kind has one design"
        largest = max(group_price(slots, np.flatnonzero(g).tolist())[1] for g in part.groups)
        assert part.litres == pytest.approx(largest)


@pytest.mark.parametrize("seed", range(3))
def test_within_a_container_the_best_designs_are_those_of_the_divisions_that_fit(seed):
    """Half a litre less than one kit for all: at least two designs."""
    slots = made_slots(seed, 4)
    room = group_price(slots, [0, 1, 2, 3])[1] - 0.5
    curve = design_curve(slots, room, 4, 20.0)
    assert curve[0] is None
    for designs, part in enumerate(curve, 1):
        least = min(sum(money if litres <= room else np.inf for money, litres in (group_price(slots, g) for g in way))
                    for way in divisions([0, 1, 2, 3]) if len(way) <= designs)
        assert (part is None) == np.isinf(least)
        assert part is None or (part.cost == pytest.approx(least, rel=1e-6) and part.litres <= room)


def test_a_pool_that_is_trimmed_keeps_the_best_and_every_kind_alone():
    """Reduced costs 1, 5, 3, 2 for the groups 0, 1, 01 and 02: of two kept the dearer single stays beside."""
    pool = Pool(3)
    groups = as_members([[0], [1], [0, 1], [0, 2]], 3)
    pool.add(groups, np.array([1.0, 5.0, 3.0, 2.0]))
    pool.trim(np.zeros(3), 4)
    assert len(pool.groups) == 4
    pool.trim(np.zeros(3), 2)
    assert pool.costs.tolist() == [1.0, 5.0, 2.0]
    assert pool.add(groups[2:3], np.array([3.0])) == 1, "what was forgotten may come again"


# -- what kits take from the shelf ----------------------------------------------------------------------------------


def test_kits_to_have_ready_are_the_quantile_of_arrivals_by_design(small_unit):
    """A hundred draws with 1 to 100 arrivals of the first kind and one of the second; 95 % ready: 96 and 95 of them."""
    week = np.column_stack([np.arange(1, 101), np.ones(100), np.full(100, 7)]).astype(int)
    kits = [SimpleNamespace(name="A", members=np.array([True, True, False])),
            SimpleNamespace(name="B", members=np.array([False, False, True]))]
    needs = SimpleNamespace(turnover=True, re_secures=np.array([2, 4, 3]))
    first, second = kit_builds(small_unit, needs, kits, week, 2 * week).to_dict("records")
    assert (first["design"], first["build"], first["mean_arrivals"]) == ("A", 96, 51.5)
    assert (first["top_up_sets"], first["mean_top_up_sets"], first["re_secures"]) == (192, 103.0, 4)
    assert (second["build"], second["top_up_sets"], second["at_bedsides"], second["re_secures"]) == (7, 14, 3.0, 3)
    assert first["at_bedsides"] == 6.0
    still = kit_builds(small_unit, SimpleNamespace(turnover=False, re_secures=needs.re_secures), kits, week, week)
    assert still["build"].tolist() == [6, 3], "without known arrivals one for each airway in place"


def test_what_is_left_in_kits_is_expected_by_the_month():
    """Ten and twenty kits a month leave one and two each: 50 a month, of which a twelfth of a year has 30.4375 days."""
    traffic = Traffic(np.zeros((2, 1)), np.array([[1.0], [2.0]]), np.zeros((2, 1), dtype=int))
    needs = SimpleNamespace(kits_per_month=np.array([10.0, 20.0]), turnover=True)
    assert MONTH_DAYS == 365.25 / 12
    assert leftovers_expected(needs, traffic, 9.0) == pytest.approx([50 * 9 / 30.4375])
    needs.turnover = False  # then one kit an airway stands in for those of a month, and none of them ends
    assert leftovers_expected(needs, traffic, 9.0) == [0.0]


def test_leftovers_are_added_to_the_demand_of_their_own_arrivals_and_keep_their_mean(small_unit, monkeypatch):
    """Two, one and no airway come; each leaves 0.4 of one item: 0.8, 0.4 and 0, rounded up as often as that."""
    from kitplan.demand.values import Demand
    from kitplan.parts.kits import accounts

    fresh = np.repeat([[2, 0, 0], [0, 1, 0], [0, 0, 0]], 2000, axis=0)
    asked = []
    monkeypatch.setattr(accounts, "arrivals_by_stratum", lambda unit, *given: asked.append(given) or fresh)
    n = len(small_unit.items)
    left = np.zeros((3, n))
    left[:, 3] = 0.4
    traffic = Traffic(np.zeros((3, n)), left, np.zeros((3, n), dtype=int))
    demand = Demand(tuple(small_unit.items["item"]), np.full((6000, n), 5, dtype=np.int32), np.zeros((6000, 1)), 9.0, 1,
                    "plan")
    more = with_leftovers(small_unit, traffic, demand).units - 5
    assert asked == [(9.0, 6000, 1, "plan")]
    assert (np.delete(more, 3, axis=1) == 0).all()
    assert set(np.unique(more[:, 3])) == {0, 1}
    assert [part.mean() for part in np.split(more[:, 3], 3)] == pytest.approx([0.8, 0.4, 0.0], abs=0.03)


# -- places in a kit ------------------------------------------------------------------------------------------------

USE = SimpleNamespace(last_interval=np.array([[0.5, 0.3, 0.2]]), mean_stay_attempts=4.0)


def test_bundles_left_are_those_not_used_since_the_last_restock():
    """None, one or two attempts since, two bundles each: of 1 held 0.5 stay, of 3 held 3 x 0.5 + 1 x 0.3."""
    needs = SimpleNamespace(use=[USE])
    assert leftover(needs, 0, 2.0, np.array([1, 3])) == pytest.approx([0.5, 1.8])


def test_what_a_place_uses_a_month_at_every_number_held():
    """Ten kits a month. Four attempts of 2 bundles and what is left of 3 or 4 held, 1.8 and 2.6. Held once:
    each kit takes what it holds.
    """
    needs = SimpleNamespace(use=[USE], opened={})
    used, left = through_a_stay(needs, 0, 7, 2.0, 3, np.array([3, 4]))
    assert 10 * (used + left) == pytest.approx([98.0, 106.0])
    used, left = through_a_stay(needs, 0, 7, 0.0, 1, np.array([1, 2, 3]))
    assert 10 * (used + left) == pytest.approx([10.0, 20.0, 30.0])


def test_an_airways_own_option_is_its_bundle_its_single_item_or_the_item_opened_for_it():
    options = [{3: 1}, {4: 1}, {3: 2, 4: 1}, {9: 1}]
    choice = SimpleNamespace(once_open={(0, "tape"): 9, (1, "tape"): 8},
                             per_use={(0, "saline"): {3: 2}, (1, "saline"): {3: 2, 4: 1}, (2, "saline"): {4: 1}})
    assert [_own_option(choice, g, "saline", options) for g in range(3)] == [0, 2, 1]
    assert [_own_option(choice, g, "tape", options) for g in range(2)] == [3, -1], "what is shared lies in no kit"


# -- tables ---------------------------------------------------------------------------------------------------------


def partition(designs, cost, groups):
    return kit_partition.Partition(designs, np.array(groups, dtype=bool), cost, cost - 5.0, 0.05, 3.5)


def test_the_curve_tells_what_each_design_more_saves_and_how_sizes_mix(small_unit):
    """One design is not allowed; two cost 100, three 90. Masks 8 and 9 and a bag 10 are emergency equipment."""
    needs = SimpleNamespace(emergency=[{8: 1, 10: 1}, {8: 1, 10: 1}, {9: 1, 10: 1}])
    two = partition(2, 100.0, [[1, 1, 0], [0, 0, 1]])
    three = partition(3, 90.0, np.eye(3))
    all_in_two = partition(2, 100.0, [[1, 0, 1], [0, 1, 0]])
    table = curve_table(small_unit, needs, [None, two, three], two)
    assert table["designs"].tolist() == [1, 2, 3]
    assert table["note"].tolist() == ["mixes sizes", "chosen", ""]
    assert table["sizes"].tolist() == ["", "bag 1, mask 1", "bag 1, mask 1"]
    assert table.loc[2, ["monthly_cost", "bound", "gap", "largest_litres", "saved"]].tolist() == [
        90.0, 85.0, 0.05, 3.5, 10.0]
    assert np.isnan(table.loc[1, "saved"])
    assert curve_table(small_unit, needs, [all_in_two], two).loc[0, "sizes"] == "bag 1, mask 2"
    from dataclasses import replace

    boxed = replace(small_unit, bedside=replace(small_unit.bedside, container_litres=3.0))
    assert curve_table(boxed, needs, [None], two).loc[0, "note"] == "mixes sizes, or does not fit the container"


def test_each_kind_of_airway_stands_beside_its_design(small_unit):
    kits = [SimpleNamespace(name="A", members=np.array([True, False, True])),
            SimpleNamespace(name="B", members=np.array([False, True, False]))]
    needs = SimpleNamespace(re_secures=np.array([2, 3, 4]), kits_per_month=np.array([20.0, 10.0, 15.0]))
    table = strata_table(small_unit, needs, kits)
    assert table.columns[0] == "design"
    assert table["design"].tolist() == ["A", "B", "A"]
    assert table["re_secures"].tolist() == [2, 3, 4]
    assert table["mean_airways"].tolist() == [4.0, 2.0, 3.0]
    assert table["kits_per_month"].tolist() == [20.0, 10.0, 15.0]
    assert table["label"].tolist() == small_unit.strata["label"].tolist()
    assert isinstance(table.index, pd.RangeIndex)


# -- who may share a kit --------------------------------------------------------------------------------------------


def test_sizes_in_a_kit_are_counted_by_role_among_emergency_equipment(small_unit):
    needs = SimpleNamespace(emergency=[{8: 1, 10: 1, 3: 1}, {9: 1, 10: 1}, {8: 1}])
    assert sizes_in(small_unit, needs, np.array([True, True, True])) == {"bag": 1, "mask": 2}
    assert sizes_in(small_unit, needs, np.array([False, False, True])) == {"mask": 1}
    assert sizes_in(small_unit, needs, np.zeros(3, dtype=bool)) == {}


def test_a_mask_more_than_a_step_from_an_airway_keeps_it_out_of_the_kit(small_unit):
    """Masks for 2.0 to 3.5 mm (8) and for 3.5 to 5.0 mm (9); airways of 3.5, 3.5 and 4.0 mm. A step of half a mm
    reaches from 3.5 to 4.0, one of a tenth does not.
    """
    from dataclasses import replace

    needs = SimpleNamespace(emergency=[{8: 1}, {9: 1}, {9: 1}])

    def apart(step):
        unit = replace(small_unit, planning=replace(small_unit.planning, face_size_step_mm=step))
        return may_share(unit, needs)

    near, far = apart(0.5), apart(0.1)
    assert not near.apart.any()
    assert far.apart.tolist() == [[False, False, True], [False, False, False], [True, False, False]]
    assert near.most == small_unit.bedside.sizes_in_kit
    assert [held.tolist() for held in near.held] == [[[True, False], [False, True], [False, True]]]


def test_groups_are_joined_where_that_costs_least_more_until_few_enough_are_left_or_none_may():
    """Four kinds at 10, 20, 30 and 40; the first two together cost 31, the last two 60, the others twice what they cost
    apart; three together may not be.
    """
    apart = {1: 10.0, 2: 20.0, 4: 30.0, 8: 40.0, 3: 31.0, 12: 60.0}

    def costs(groups):
        codes = groups @ np.array([1, 2, 4, 8])
        known = [apart.get(int(c)) for c in codes]
        return np.array([np.inf if g.sum() > 2 else 2 * g @ [10.0, 20.0, 30.0, 40.0] if k is None else k
                         for g, k in zip(groups, known)]), np.ones(len(groups))

    prices = SimpleNamespace(costs=costs)
    for designs, left in ((4, {1, 2, 4, 8}), (3, {1, 2, 12}), (2, {3, 12}), (1, {3, 12})):
        merged = kit_partition._merged_to(prices, np.eye(4, dtype=bool), designs)
        assert set((merged @ np.array([1, 2, 4, 8])).tolist()) == left
