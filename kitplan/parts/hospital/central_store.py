"""One central store for slow items: which items to pool and which units draw on it (a linear program).

A unit that draws on the store keeps only what lasts until the next transport, in single items; the store
keeps whole packs for all of them together, and together they vary less. Item by item the units are taken in
the order in which pooling frees most money, so a choice is how far down that order to go:

    minimise    sum_ik value_ik x_ik
    subject to  sum_k x_ik = 1                          every item is pooled for some number k of units (0:
                not at all) sum_ik litres_ik x_ik <= shelf          shelf of the store
                sum_ik lines_ik x_ik <= transport       lines that the store can send out a day
                0 <= x_ik <= 1

A multiple-choice knapsack: its relaxation is whole but for one item a limit (Sinha & Zoltners, Operations
Research 1979;27:503, from memory). The integer program follows and the bound is reported.

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

from kitplan.solve.program import Program
from kitplan.solve.values import SolverReport

MOST_CHOICES = 40
"""Numbers of units tried for one item; beyond so many units they are spread evenly over the order."""

_TAIL = 1e-12

POOLING_COLUMNS = [
    "item",
    "units_holding",
    "units_pooled",
    "own_packs",
    "own_value",
    "store_units",
    "store_packs",
    "units_kept",
    "pooled_value",
    "saving",
]
POOLED_UNIT_COLUMNS = ["unit", "own_value", "kept_value", "saving"]


@dataclass(frozen=True)
class Holding:
    """One slow item in one unit.

    pack: items in one unit of issue. price, litres: of one pack. own_packs, own_value: par level without a store, and
    what is on the shelf and on order on the mean. shortage_chance: planned for this item in one protection interval.
    interval: chance of using 0, 1, 2, ... items in one protection interval of the store; transport: the same for the
    busiest stretch, within one protection interval, from asking until the transport has come. uses_per_day: mean.
    floor_units: fewest items that stay in the unit.
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
    uses_per_day: float
    floor_units: int = 0


@dataclass(frozen=True)
class CentralStore:
    """transport_days: from asking the store to the shelf of the unit. The limits are None where there is
    none.
    """

    transport_days: float
    shelf_litres: float | None = None
    lines_per_day: float | None = None


@dataclass(frozen=True)
class Pooling:
    """What a central store would hold and save.

    items: POOLING_COLUMNS. units: POOLED_UNIT_COLUMNS (value of slow items only). value: of all slow items
    after
    pooling, own_value before. solver: how the program ended; shelf_litres, lines_per_day: what the store
    needs.
    """

    items: pd.DataFrame
    units: pd.DataFrame
    value: float
    own_value: float
    shelf_litres: float
    lines_per_day: float
    solver: SolverReport

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
    lines: float


def pool_slow_items(holdings: Sequence[Holding], store: CentralStore) -> Pooling:
    """Choose which items to pool, and for which units.

    Raises NoSolver. Holdings of an item in one unit only are left where they are.
    """
    if not holdings:
        nothing = SolverReport("none", "optimal", 0.0, 0.0, 0.0, 0.0, 0.0)
        return _result({}, {}, nothing)
    by_item: dict[str, list[Holding]] = {}
    for holding in holdings:
        by_item.setdefault(holding.item, []).append(holding)
    ordered = {item: sorted(rows, key=_frees, reverse=True) for item, rows in by_item.items()}
    choices = {item: _choices(rows) for item, rows in ordered.items()}
    program, handles = _program(choices, store)
    solution = program.solve()
    taken = {}
    for item, mine in handles.items():
        taken[item] = choices[item][int(np.argmax(solution.values(mine)))]
    return _result(ordered, taken, solution.report)


def kept_units(holding: Holding) -> int:
    """Items a pooled unit keeps: enough until the next transport, whenever in an interval it is asked for, but for
    half its planned chance of running short.
    """
    return max(_level(holding.transport, holding.shortage_chance / 2), holding.floor_units)


def _frees(holding: Holding) -> tuple[float, str]:
    """Money that leaves the unit when it draws on the store; the unit's name breaks ties."""
    kept = kept_units(holding) / holding.pack * holding.price
    return holding.own_value - kept, holding.unit


def _level(pmf: np.ndarray, chance: float) -> int:
    """Smallest level that demand exceeds with at most `chance`."""
    above = 1.0 - np.cumsum(pmf)
    enough = np.flatnonzero(above <= chance + _TAIL)
    return int(enough[0]) if len(enough) else len(pmf) - 1


def _store_level(pmf: np.ndarray, chance: float, pack: int) -> int:
    """Smallest level, ordered in whole packs, that demand exceeds with at most `chance`.

    After ordering the position lies anywhere from the level to a pack less one item above it (`solve.positions`).
    """
    above = np.concatenate([1.0 - np.cumsum(pmf), np.zeros(pack)])
    upto = np.concatenate([[0.0], np.cumsum(above)])
    short = (upto[pack:] - upto[:-pack]) / pack
    return max(int(np.flatnonzero(short <= chance + _TAIL)[0]), 1)


def _choices(rows: list[Holding]) -> list[_Choice]:
    """Pool none, or the first k units, k spread over at most MOST_CHOICES numbers."""
    own = sum(h.own_value for h in rows)
    out = [_Choice(0, 0, 0, own, 0.0, 0.0)]
    counts = set(np.unique(np.linspace(2, len(rows), min(len(rows) - 1, MOST_CHOICES)).round().astype(int)))
    together, lines, value, chance = np.ones(1), 0.0, own, 1.0
    for k, holding in enumerate(rows, 1):
        together = _trim(np.convolve(together, holding.interval))
        chance = min(chance, holding.shortage_chance)
        value += kept_units(holding) / holding.pack * holding.price - holding.own_value
        lines += min(holding.uses_per_day, 1.0)
        if k in counts:
            level, pack = _store_level(together, chance / 2, holding.pack), holding.pack
            held = value + (level + (pack - 1) / 2) / pack * holding.price
            litres = (level + pack - 1) / pack * holding.litres
            out.append(_Choice(k, level, -(-level // pack), held, litres, lines))
    return out


def _trim(pmf: np.ndarray) -> np.ndarray:
    """Cut the upper tail where less than 1e-12 is left, so that sums over hundreds of units stay short."""
    above = np.cumsum(pmf[::-1])[::-1]
    return pmf[: max(int((above > _TAIL).sum()), 1)]


def _program(choices: dict[str, list[_Choice]], store: CentralStore) -> tuple[Program, dict[str, list[int]]]:
    program = Program("central_store")
    handles = {}
    for number, (item, options) in enumerate(choices.items()):
        mine = program.variables(f"pool{number}_", len(options), high=1, integer=True)
        program.objective(mine, [o.value for o in options])
        program.row(f"one{number}", mine, 1.0, low=1, high=1)
        handles[item] = mine
    every = [h for mine in handles.values() for h in mine]
    options = [o for item in handles for o in choices[item]]
    if store.shelf_litres is not None and every:
        program.row("shelf", every, [o.litres for o in options], high=store.shelf_litres)
    if store.lines_per_day is not None and every:
        program.row("transport", every, [o.lines for o in options], high=store.lines_per_day)
    return program, handles


def _result(ordered: dict[str, list[Holding]], taken: dict[str, _Choice], report: SolverReport) -> Pooling:
    rows = []
    units: dict[str, tuple[float, float]] = {}
    for item, holdings in ordered.items():
        choice = taken[item]
        own = sum(h.own_value for h in holdings)
        kept = sum(kept_units(h) for h in holdings[: choice.count])
        rows.append(
            (
                item,
                len(holdings),
                choice.count,
                sum(h.own_packs for h in holdings),
                own,
                choice.store_units,
                choice.store_packs,
                kept,
                choice.value,
                own - choice.value,
            )
        )
        for k, h in enumerate(holdings):
            before = h.own_value
            after = kept_units(h) / h.pack * h.price if k < choice.count else before
            old, new = units.get(h.unit, (0.0, 0.0))
            units[h.unit] = (old + before, new + after)
    items = pd.DataFrame(rows, columns=POOLING_COLUMNS)
    each = pd.DataFrame([(u, b, a, b - a) for u, (b, a) in units.items()], columns=POOLED_UNIT_COLUMNS)
    chosen = list(taken.values())
    return Pooling(
        items,
        each,
        float(items["pooled_value"].sum()),
        float(items["own_value"].sum()),
        float(sum(c.litres for c in chosen)),
        float(sum(c.lines for c in chosen)),
        report,
    )
