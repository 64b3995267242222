"""One central store for slow items: what it holds, what it frees, what it never touches."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import poisson

from kitplan.parts.hospital.central_store import CentralStore, Holding, kept_units, pool_slow_items


def holding(unit, item="ampoule", *, mean=2.0, pack=50, price=10.0, litres=1.0, own=1, chance=0.01, floor=0):
    cells = np.arange(int(mean * 4 + 25))
    return Holding(
        unit,
        item,
        pack,
        price,
        litres,
        own,
        chance,
        poisson.pmf(cells, mean),
        poisson.pmf(cells, mean / 4),
        mean / 9,
        floor,
    )


def units(n, **changes):
    return [holding(f"u{k:02d}", **changes) for k in range(n)]


def test_ten_units_that_hold_a_pack_each_need_fewer_together():
    pooling = pool_slow_items(units(10), CentralStore(1))
    row = pooling.items.iloc[0]
    assert row["units_pooled"] == 10
    # Poisson(20) at 0.5 %: 33 items, one pack of 50 (Poisson tables)
    assert row["store_packs"] == 1
    # each keeps the 99.5 % point of Poisson(0.5), 3 items
    assert row["units_kept"] == 30
    assert pooling.saving == pytest.approx(10 * 10 - (10 + 30 * 10 / 50))
    assert pooling.units["saving"].sum() - row["store_packs"] * 10 == pytest.approx(pooling.saving)


def test_an_item_in_one_unit_stays_there():
    pooling = pool_slow_items(units(1), CentralStore(1))
    assert pooling.items.iloc[0]["units_pooled"] == 0
    assert pooling.saving == 0


def test_nothing_to_pool_is_an_answer():
    pooling = pool_slow_items([], CentralStore(1))
    assert len(pooling.items) == 0
    assert pooling.saving == 0


def test_pooling_that_would_cost_more_is_not_done():
    # use of nearly a pack each: the store would need as many packs as the units free
    pooling = pool_slow_items(units(3, mean=40, pack=50, own=2, chance=1e-4), CentralStore(1))
    row = pooling.items.iloc[0]
    assert row["pooled_value"] <= row["own_value"]


def test_a_floor_stays_in_the_unit():
    assert kept_units(holding("a", floor=7)) == 7
    assert kept_units(holding("a", chance=0.01)) == poisson.ppf(0.995, 0.5)


def test_the_shelf_of_the_store_limits_what_is_pooled_and_the_best_choice_is_found():
    """Against every combination of numbers of pooled units."""
    rows = [
        *units(4, item="a", litres=2.0),
        *units(5, item="b", price=7.0, litres=1.5),
        *units(3, item="c", price=30.0),
    ]
    limit = 3.2
    pooling = pool_slow_items(rows, CentralStore(1, shelf_litres=limit))
    assert pooling.shelf_litres <= limit + 1e-9
    free = {}
    for item in "abc":
        mine = [h for h in rows if h.item == item]
        options = [(0.0, 0.0)]
        for k in range(2, len(mine) + 1):
            mean = 2.0 * k
            packs = int(np.ceil(poisson.ppf(1 - 0.005, mean) / 50))
            value = packs * mine[0].price + sum(kept_units(h) / 50 * h.price for h in mine[:k])
            options.append((packs * mine[0].litres, k * mine[0].price - value))
        free[item] = options
    best = max(
        sum(saving for _, saving in chosen)
        for chosen in itertools.product(*free.values())
        if sum(litres for litres, _ in chosen) <= limit
    )
    assert pooling.saving == pytest.approx(best)
    assert pooling.solver.lp_bound <= pooling.value + 1e-6


def test_transport_limits_lines_a_day():
    free = pool_slow_items(units(20), CentralStore(1))
    limited = pool_slow_items(units(20), CentralStore(1, lines_per_day=free.lines_per_day / 2))
    assert limited.lines_per_day <= free.lines_per_day / 2 + 1e-9
    assert 0 < limited.items.iloc[0]["units_pooled"] < free.items.iloc[0]["units_pooled"]


def test_no_unit_is_less_ready_than_before():
    """A pooled unit is short when its own stock or the store fails: together at most its planned chance."""
    rows = units(6, mean=1.5, chance=0.02)
    pooling = pool_slow_items(rows, CentralStore(1))
    packs = int(pooling.items.iloc[0]["store_packs"])
    own_fails = poisson.sf(kept_units(rows[0]), 1.5 / 4)
    store_fails = poisson.sf(packs * 50, 1.5 * 6)
    assert own_fails + store_fails <= 0.02


def test_hundreds_of_units_are_pooled_in_no_time():
    pooling = pool_slow_items([h for i in range(20) for h in units(300, item=f"i{i}")], CentralStore(1))
    assert pooling.saving > 0
    assert pooling.items["units_pooled"].min() > 250
