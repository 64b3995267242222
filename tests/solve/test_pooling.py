"""One central store for slow items: what it holds, what it frees, what it never touches."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import poisson

from kitplan.parts.hospital.central_store import Holding, kept_units, pool_slow_items


def holding(unit, item="ampoule", *, mean=2.0, pack=50, price=10.0, litres=1.0, own=1, chance=0.01):
    cells = np.arange(int(mean * 4 + 25))
    return Holding(
        unit,
        item,
        pack,
        price,
        litres,
        own,
        own * price,
        chance,
        poisson.pmf(cells, mean),
        poisson.pmf(cells, mean / 4),
    )


def units(n, **changes):
    return [holding(f"u{k:02d}", **changes) for k in range(n)]


def level_by_loss(mean, pack, chance):
    """Smallest s with P(D > s + U) <= chance, U uniform below the pack: (loss(s) - loss(s + pack)) / pack, with the
    Poisson loss function m P(D >= s) - s P(D > s) of the textbooks.
    """

    def loss(s):
        return mean * poisson.sf(s - 1, mean) - s * poisson.sf(s, mean)

    return next(s for s in range(1, 10_000) if (loss(s) - loss(s + pack)) / pack <= chance)


def test_ten_units_that_hold_a_pack_each_need_fewer_together():
    pooling = pool_slow_items(units(10))
    row = pooling.items.iloc[0]
    assert row["units_pooled"] == 10
    assert row["store_units"] == level_by_loss(20, 50, 0.005)
    assert row["store_packs"] == 1
    # each keeps the 99.5 % point of Poisson(0.5), 3 items
    assert row["units_kept"] == 30
    store = (row["store_units"] + 24.5) / 50 * 10
    assert pooling.saving == pytest.approx(10 * 10 - (store + 30 * 10 / 50))
    assert pooling.units["saving"].sum() - store == pytest.approx(pooling.saving)


def test_an_item_in_one_unit_stays_there():
    pooling = pool_slow_items(units(1))
    assert pooling.items.iloc[0]["units_pooled"] == 0
    assert pooling.saving == 0


def test_nothing_to_pool_is_an_answer():
    pooling = pool_slow_items([])
    assert len(pooling.items) == 0
    assert pooling.saving == 0


def test_pooling_that_would_cost_more_is_not_done():
    # use of nearly a pack each: the store would need as many packs as the units free
    pooling = pool_slow_items(units(3, mean=40, pack=50, own=2, chance=1e-4))
    row = pooling.items.iloc[0]
    assert row["pooled_value"] <= row["own_value"]


def test_a_unit_keeps_what_lasts_but_for_half_its_chance():
    assert kept_units(holding("a", chance=0.01)) == poisson.ppf(0.995, 0.5)


def test_each_item_is_pooled_for_the_number_of_units_that_frees_most():
    """Against every number of pooled units, in the order in which each frees most (here all alike)."""
    rows = [*units(4, item="a"), *units(5, item="b", price=7.0, mean=12.0), *units(3, item="c", price=30.0, own=3)]
    items = pool_slow_items(rows).items.set_index("item")
    for item, mine in itertools.groupby(rows, key=lambda h: h.item):
        mine = list(mine)
        values = [sum(h.own_value for h in mine)]
        for k in range(2, len(mine) + 1):
            level = level_by_loss(float(np.arange(len(mine[0].interval)) @ mine[0].interval) * k, 50, 0.005)
            kept = sum(kept_units(h) / 50 * h.price for h in mine[:k])
            values.append((level + 24.5) / 50 * mine[0].price + kept + sum(h.own_value for h in mine[k:]))
        assert items.at[item, "pooled_value"] == pytest.approx(min(values))


def test_no_unit_is_less_ready_than_before():
    """A pooled unit is short when its own stock or the store fails: together at most its planned chance."""
    rows = units(6, mean=1.5, chance=0.02)
    pooling = pool_slow_items(rows)
    level = int(pooling.items.iloc[0]["store_units"])
    own_fails = poisson.sf(kept_units(rows[0]), 1.5 / 4)
    store_fails = poisson.sf(level + np.arange(50), 1.5 * 6).mean()
    assert own_fails + store_fails <= 0.02


def busiest(mean_a_day, stretch, days, rng, n=200_000):
    used = np.cumsum(rng.poisson(mean_a_day, (n, days + stretch - 1)), axis=1)
    before = np.concatenate([np.zeros((n, 1), int), used], axis=1)
    return np.bincount((before[:, stretch:] - before[:, :-stretch]).max(axis=1)) / n


def test_played_day_by_day_no_unit_fails_more_often_than_planned():
    """Eight units ask each day for what they used and get it two days later; the store is counted every 7 days and
    filled in packs of 20 two days after. A unit fails in an interval when its own shelf or the store is empty then.
    """
    n, pace, chance, pack, transport, days = 8, 0.25, 0.02, 20, 2, 9
    rng = np.random.default_rng(5)
    rows = [
        Holding(f"u{k}", "cap", pack, 8.0, 1.0, 1, 8.0, chance, poisson.pmf(np.arange(40), pace * days),
                busiest(pace, transport + 1, days, rng))
        for k in range(n)
    ]
    row = pool_slow_items(rows).items.iloc[0]
    assert row["units_pooled"] == n
    kept, level = kept_units(rows[0]), int(row["store_units"])
    weeks, copies = 700, 60
    use = rng.poisson(pace, (7 * weeks + days, copies, n))
    upto = np.concatenate([np.zeros((1, copies, n), int), np.cumsum(use, axis=0)])
    stretch = np.zeros_like(use)
    for lag in range(transport + 1):
        stretch[lag:] += use[: len(use) - lag]
    total = upto.sum(axis=2)
    over = rng.integers(0, pack, copies)
    failed = []
    for week in range(2, weeks):
        start = 7 * week
        position = level + np.mod(over - total[start], pack)
        store_empty = total[start + days] - total[start] > position
        own_empty = stretch[start : start + days].max(axis=0) > kept
        failed.append((own_empty | store_empty[:, None]).mean())
    assert 0.2 * chance < np.mean(failed) <= chance


def test_hundreds_of_units_are_pooled_in_no_time():
    pooling = pool_slow_items([h for i in range(20) for h in units(300, item=f"i{i}")])
    assert pooling.saving > 0
    assert pooling.items["units_pooled"].min() > 250
