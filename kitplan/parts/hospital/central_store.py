"""One central store for slow items: which items to pool and which units draw on it.

A unit that draws on the store keeps only what lasts until the next transport, in single items; the store
keeps whole packs for all of them together, and together they vary less. Item by item the units are taken in
the order in which pooling frees most money, and as many of them draw on the store as leave the least value in all.

A unit is short when its own stock fails or the store does. Each gets half of the item's planned chance of running
short in that unit in one protection interval, so no unit's readiness falls (Bonferroni). An interval holds many
stretches of transport time, so a unit keeps what lasts through the busiest of them; the store is counted as often as
the units and orders whole packs, as they do. Use is taken to be independent between units; a wave that fills all units
at once is not covered by that. Emergency items stay in the units.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

MOST_CHOICES = 40
"""Numbers of units tried for one item; beyond so many units they are spread evenly over the order."""

_TAIL = 1e-12

POOLING_COLUMNS = ["item", "units_holding", "units_pooled", "own_packs", "own_value", "store_units", "store_packs",
                   "units_kept", "pooled_value", "saving"]
POOLED_UNIT_COLUMNS = ["unit", "own_value", "kept_value", "saving"]


@dataclass(frozen=True)
class Holding:
    """One slow item in one unit.

    pack: items in one unit of issue. price, litres: of one pack. own_packs, own_value: par level without a store, and
    what is on the shelf and on order on the mean. shortage_chance: planned for this item in one protection interval.
    interval: chance of using 0, 1, 2, ... items in one protection interval of the store; transport: the same for the
    busiest stretch, within one protection interval, from asking until the transport has come.
    """

    unit: str
    item: str
    pack: int
    price: float
    litres: float
    own_packs: int
    own_value: float
    shortage_chance: float
    interval: np.ndarray
    transport: np.ndarray


@dataclass(frozen=True)
class Pooling:
    """What a central store would hold and save.

    items: POOLING_COLUMNS. units: POOLED_UNIT_COLUMNS (value of slow items only). value: of all slow items after
    pooling, own_value before. shelf_litres: what the store holds at most.
    """

    items: pd.DataFrame
    units: pd.DataFrame
    value: float
    own_value: float
    shelf_litres: float

    @property
    def saving(self) -> float:
        """Value freed, same currency as the prices."""
        return self.own_value - self.value


@dataclass(frozen=True)
class _Choice:
    """Pooling one item for its first `count` units."""

    count: int
    store_units: int
    store_packs: int
    value: float
    litres: float


def pool_slow_items(holdings: Sequence[Holding]) -> Pooling:
    """Choose which items to pool, and for which units; an item in one unit only is left where it is."""
    by_item: dict[str, list[Holding]] = {}
    for holding in holdings:
        by_item.setdefault(holding.item, []).append(holding)
    rows, litres = [], 0.0
    units: dict[str, tuple[float, float]] = {}
    for item, found in by_item.items():
        # By the money that leaves the unit when it draws on the store; the unit's name breaks ties.
        mine = sorted(found, key=lambda h: (h.own_value - _kept_value(h), h.unit), reverse=True)
        choice = min(_choices(mine), key=lambda c: c.value)
        own, kept = sum(h.own_value for h in mine), sum(kept_units(h) for h in mine[:choice.count])
        rows.append((item, len(mine), choice.count, sum(h.own_packs for h in mine), own, choice.store_units,
                     choice.store_packs, kept, choice.value, own - choice.value))
        litres += choice.litres
        for k, h in enumerate(mine):
            old, new = units.get(h.unit, (0.0, 0.0))
            units[h.unit] = old + h.own_value, new + (_kept_value(h) if k < choice.count else h.own_value)
    items = pd.DataFrame(rows, columns=POOLING_COLUMNS)
    each = pd.DataFrame([(u, b, a, b - a) for u, (b, a) in units.items()], columns=POOLED_UNIT_COLUMNS)
    return Pooling(items, each, float(items["pooled_value"].sum()), float(items["own_value"].sum()), litres)


def kept_units(holding: Holding) -> int:
    """Items a pooled unit keeps: enough until the next transport, whenever in an interval it is asked for, but for
    half its planned chance of running short.
    """
    above = 1.0 - np.cumsum(holding.transport)
    return int((above > holding.shortage_chance / 2 + _TAIL).sum())


def _kept_value(holding: Holding) -> float:
    return kept_units(holding) / holding.pack * holding.price


def _store_level(pmf: np.ndarray, chance: float, pack: int) -> int:
    """Smallest level, ordered in whole packs, that demand exceeds with at most `chance`.

    After ordering the position lies anywhere from the level to a pack less one item above it (`solve.positions`).
    """
    above = np.concatenate([1.0 - np.cumsum(pmf), np.zeros(pack)])
    upto = np.concatenate([[0.0], np.cumsum(above)])
    short = (upto[pack:] - upto[:-pack]) / pack
    return max(int((short > chance + _TAIL).sum()), 1)


def _choices(rows: list[Holding]) -> list[_Choice]:
    """Pool none, or the first k units, k spread over at most MOST_CHOICES numbers."""
    own = sum(h.own_value for h in rows)
    out = [_Choice(0, 0, 0, own, 0.0)]
    counts = set(np.unique(np.linspace(2, len(rows), min(len(rows) - 1, MOST_CHOICES)).round().astype(int)))
    together, value, chance = np.ones(1), own, 1.0
    for k, holding in enumerate(rows, 1):
        together = np.convolve(together, holding.interval)
        above = np.cumsum(together[::-1])[::-1]
        together = together[: max(int((above > _TAIL).sum()), 1)]  # sums over hundreds of units stay short
        chance = min(chance, holding.shortage_chance)
        value += _kept_value(holding) - holding.own_value
        if k in counts:
            level, pack = _store_level(together, chance / 2, holding.pack), holding.pack
            held = value + (level + (pack - 1) / 2) / pack * holding.price
            litres = (level + pack - 1) / pack * holding.litres
            out.append(_Choice(k, level, -(-level // pack), held, litres))
    return out
