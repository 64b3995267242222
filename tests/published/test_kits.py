"""Kits against scipy, arithmetic and exhaustive search."""

from __future__ import annotations

import dataclasses
import importlib.util
import itertools
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.occupancy import stay_checks_pmf
from kitplan.demand.stay_use import stay_use
from kitplan.parts.kits import partition as kit_partition
from kitplan.parts.kits.contents import choose_kit_items, forced_items, role_costs, unit_prices
from kitplan.parts.kits.groups import PriceList, may_share
from kitplan.parts.kits.model import design_kits
from kitplan.parts.kits.pricing import AllGroups, SearchedGroups
from kitplan.parts.kits.requirements import kit_needs
from kitplan.parts.kits.roll_choice import choose_opened
from kitplan.parts.kits.slots import build_slots


def _module(name: str, path: Path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


TESTS = Path(__file__).resolve().parents[1]
unit_values = _module("unit_values", TESTS / "conftest.py")
kit_units = _module("kit_units", TESTS / "solve" / "kit_units.py")


def flat(unit, chance: float, admission: float = 0.0):
    """The unit with one constant chance a check, no spread between airways and nothing done twice."""
    frequency = unit.frequency.assign(
        flat_per_check=chance, airway_spread=0.0, redo=0.0, admission_secures=admission, planned_hours=0.0
    )
    return dataclasses.replace(unit, frequency=frequency)


@pytest.fixture(scope="module")
def mixed():
    return kit_units.with_strata(unit_values.make_unit(), kit_units.MIXED)


@pytest.fixture(scope="module")
def made(mixed):
    tables = attempt_tables(mixed)
    return design_kits(mixed, tables, fill_roles(mixed, tables))


@pytest.fixture(scope="module")
def slots(mixed, made):
    return build_slots(mixed, made.needs, made.items)


def test_four_checks_at_a_constant_tenth_need_two_re_secures_at_95_percent():
    # Source: binomial distribution, P(at most 1 of 4 at 0.1) = 0.9477; scipy as reference.
    unit = flat(unit_values.make_unit(), 0.1)
    use = stay_use(unit, attempt_tables(unit), 0)
    assert use.kit_attempts[:2].sum() == pytest.approx(0.9477, abs=5e-5)
    assert use.kit_attempts[:5] == pytest.approx(stats.binom.pmf(np.arange(5), 4, 0.1), abs=1e-9)
    assert use.kit_quantile(0.95) == 2
    assert use.kit_quantile(0.9476) == 1


def test_expected_rolls_of_a_stay_are_the_mean_of_the_ceiling_of_pieces_over_pieces_per_roll(mixed):
    # Source: recomputed by scipy: attempts ~ 1 + Binomial(checks, p), mixed over the stay distribution; six strips of
    # 220 mm from each 1370 mm roll, three strips an attempt.
    technique = mixed.techniques["oral_two_y"]
    strip = dataclasses.replace(technique.pieces[1], count=3, span=None, length_mm=220.0)
    recipe = dataclasses.replace(technique, pieces=(strip,))
    unit = flat(dataclasses.replace(mixed, techniques={**mixed.techniques, "oral_two_y": recipe}), 0.12, admission=1.0)
    tables = attempt_tables(unit)
    needs = kit_needs(unit, tables)
    rolls = choose_opened(unit, needs, fill_roles(unit, tables)).tape
    row = rolls[(rolls["tube_mm"] == 3.5) & (rolls["route"] == "oral") & (rolls["item"] == "tape_25mm_137cm")].iloc[0]
    stay = stay_checks_pmf(unit, 1)
    expected = sum(
        chance * (np.ceil(3 * (1 + np.arange(n + 1)) / 6) @ stats.binom.pmf(np.arange(n + 1), n, 0.12))
        for n, chance in enumerate(stay)
    )
    assert row["pieces_per_roll"] == 6
    # Beyond the checks that are tabulated (40 days; 2 stays in 100 here) a stay goes on at its steady pace.
    assert row["rolls_per_stay"] == pytest.approx(expected, rel=2e-3)
    used = 660 * sum(chance * (1 + n * 0.12) for n, chance in enumerate(stay))
    assert row["discarded_share"] == pytest.approx(1 - used / (expected * 1370), rel=2e-3)


def partitions(members: list[int]):
    """Every way of dividing the members into groups."""
    if not members:
        yield []
        return
    first, rest = members[0], members[1:]
    for size in range(len(rest) + 1):
        for joined in itertools.combinations(rest, size):
            left = [m for m in rest if m not in joined]
            for others in partitions(left):
                yield [[first, *joined], *others]


@pytest.mark.parametrize("ruled", [False, True], ids=["any sizes together", "sizes kept apart"])
def test_set_partitioning_equals_exhaustive_search_for_every_number_of_designs(mixed, made, slots, ruled):
    # Source: exhaustive search over all 203 partitions of six strata (Bell number B6).
    n = mixed.n_strata
    together = may_share(mixed, made.needs) if ruled else None
    curve = kit_partition.design_curve(slots, None, n, 20.0, together=together)
    prices, best = PriceList(slots), np.full(n + 1, np.inf)
    count = 0
    for division in partitions(list(range(n))):
        groups = np.array([[g in group for g in range(n)] for group in division])
        allowed = together.allows(groups).all() if together is not None else True
        cost = prices.costs(groups)[0].sum() if allowed else np.inf
        best[len(division)] = min(best[len(division)], cost)
        count += 1
    assert count == 203
    for designs, part in enumerate(curve, start=1):
        least = best[1:designs + 1].min()
        assert (part is None) == np.isinf(least)
        if part is not None:
            assert part.cost == pytest.approx(least, rel=1e-9)
            assert part.bound <= part.cost + 1e-9


def test_searched_groups_reach_the_same_designs_as_the_full_list(slots, monkeypatch):
    # Source: exhaustive listing of all 63 groups.
    listed = [part.cost for part in kit_partition.design_curve(slots, None, len(slots[0].own), 20.0)]
    monkeypatch.setattr(kit_partition, "EXACT_STRATA", 0)
    searched = kit_partition.design_curve(slots, None, len(listed), 20.0)
    assert [part.cost for part in searched] == pytest.approx(listed, rel=1e-9)
    assert max(part.gap for part in searched) < 1e-9


def test_the_search_finds_the_group_of_least_reduced_cost(slots):
    # Source: exhaustive listing of all 63 groups.
    prices = PriceList(slots)
    everything, search = AllGroups(prices), SearchedGroups(prices)
    alone = np.diag(prices.least_beside(np.eye(prices.n_strata, dtype=bool)))
    draw = np.random.default_rng(3)
    for _ in range(8):
        duals = alone * draw.uniform(0.8, 2.5, len(alone))
        listed, found = everything.price(duals, 0.0), search.price(duals, 0.0)
        assert min(found.least, 0.0) == pytest.approx(min(listed.least, 0.0), abs=1e-7)
        assert len(found.groups) == len(listed.groups)


def test_a_group_holds_role_by_role_the_most_that_any_member_needs(slots):
    # Source: definition (model of the kits), recomputed from each stratum's own kit.
    n = len(slots[0].own)
    prices = PriceList([s for s in slots if len(s.options) == 1])
    together, *alone = (prices.kit("A", members).places for members in (np.ones(n, dtype=bool), *np.eye(n, dtype=bool)))
    for k, place in enumerate(together):
        assert place.held[0] == max(kit[k].held[0] for kit in alone)


@pytest.mark.parametrize("need", [3, 5, 7, 12, 13, 19])
def test_whole_ampoules_at_least_cost_equal_brute_force(mixed, need):
    # Source: exhaustive search over every combination of up to seven of each ampoule.
    recipe = dataclasses.replace(mixed.techniques["oral_two_y"], uses={"saline": need})
    unit = dataclasses.replace(mixed, techniques={**mixed.techniques, "oral_two_y": recipe})
    item_choice = choose_kit_items(unit, kit_needs(unit, attempt_tables(unit)))
    ampoules = unit.items[unit.items["role"] == "saline"]
    price, holds = unit_prices(unit)[ampoules.index], ampoules["contains"].to_numpy()
    counts = np.array(list(itertools.product(range(8), repeat=len(ampoules))))
    least = (counts[counts @ holds >= need] @ price).min()
    taken = item_choice.per_use[1, "saline"]
    assert sum(unit_prices(unit)[i] * k for i, k in taken.items()) == pytest.approx(least)
    assert sum(unit.items.at[i, "contains"] * k for i, k in taken.items()) >= need


def test_the_items_carried_under_a_limit_equal_exhaustive_search_over_what_is_carried(mixed):
    # Source: exhaustive search over every set of items that could be carried, of a shortened catalogue.
    dropped = ("tape_12", "tape_50", "tape_25mm_914", "barrier_20", "saline_3", "saline_15", "remover_wipe_box25")
    items = mixed.items[~mixed.items["item"].str.startswith(dropped)].reset_index(drop=True)
    mixed = dataclasses.replace(mixed, items=items)
    needs = kit_needs(mixed, attempt_tables(mixed))
    roles = ["saline", "gauze", "applicator", "prep_wipe", "remover_wipe", "tape", "barrier", "ties"]

    def in_store(choice):
        taken = {i for items in choice.per_use.values() for i in items} | set(choice.once_open.values())
        return taken | forced_items(mixed, needs)

    limit = len(in_store(choose_kit_items(mixed, needs))) - 1
    tight = choose_kit_items(
        dataclasses.replace(mixed, bedside=dataclasses.replace(mixed.bedside, items_carried=limit)), needs
    )
    costs = {
        key: dict(zip(found, role_costs(mixed, needs, *key, found)))
        for key, found in needs.candidates.items() if key[1] in roles
    }
    whole = {(key, i): np.ceil(needs.needs[key[0]][key[1]] / mixed.items.at[i, "contains"])
             if mixed.items.at[i, "scope"] == "event" else 1 for key, found in costs.items() for i in found}
    choosable = sorted({i for found in costs.values() for i in found})
    fixed = len(in_store(tight) - set(choosable))
    best = np.inf
    for carried in itertools.combinations(choosable, limit - fixed):
        total = 0.0
        for key, found in costs.items():
            total += min((found[i] * whole[key, i] for i in found if i in carried), default=np.inf)
            if total >= best:
                break
        best = min(best, total)
    chosen = sum(
        costs[key][i] * k for key, taken in tight.per_use.items() for i, k in taken.items() if key in costs
    ) + sum(costs[key][i] for key, i in tight.once_open.items() if key in costs)
    assert chosen == pytest.approx(best, rel=1e-9)
