"""Tape cut from rolls: one-dimensional cutting stock with several roll lengths, prices, packs and limited
stock.

Lengths are handled as whole tenths of a millimetre: a piece is rounded up to the next tenth and a roll
down, so a plan never relies on tape that is not there.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import pandas as pd

from kitplan.solve.patterns import Column, PatternPlan, Supply, bound_only, solve_patterns

TENTHS = 10
_LONGEST_SUM = 10**6
"""Steps beyond which the least sum of whole rolls is not looked for: the bound alone is then as good."""


@dataclass(frozen=True)
class Stock:
    """One kind of roll or of sheet that may be cut. price: money for one pack of `pack`; available None: no limit.

    first: this stock goes before other stock of no more cost (past its date, kept for practice). width_mm: of a sheet.
    """

    name: str
    length_mm: float
    price: float = 1.0
    pack: int = 1
    available: int | None = None
    first: bool = False
    width_mm: float = 0.0


Box = tuple[float, float, float, float]
"""x, y, width, length of a placed piece, mm from one corner of the sheet."""


@dataclass(frozen=True)
class CutPlan:
    """Which rolls or sheets, which patterns, how many.

    sizes_mm, demand: what was asked: lengths, longest first, or (n, 2) short sides and long ones, largest piece first.
    stock: the kinds offered. plan: one row a pattern; columns roll, pattern ("2 x 160 + 1 x 95"), count, used_mm,
    waste_mm (of one roll), or sheet, pattern ("4 x (50 x 20)"), count, waste_mm2. cuts: int ndarray, shape (n rows of
    plan, n sizes), pieces of each size from one roll. layouts: of sheets, (piece, box) of every piece, row by row.
    opened: rolls cut, packs: packs taken, both by name. cost: money for the packs.
    lp_bound: the relaxation's value, which no plan undercuts; ceiling: the least money in whole packs at
    or above it. short: pieces of each size that limited stock could not give (0 everywhere in a complete plan).
    """

    sizes_mm: np.ndarray
    demand: np.ndarray
    stock: tuple[Stock, ...]
    plan: pd.DataFrame
    cuts: np.ndarray
    opened: dict[str, int]
    packs: dict[str, int]
    cost: float
    lp_bound: float
    ceiling: float
    short: np.ndarray
    layouts: tuple[tuple[tuple[int, Box], ...], ...] = ()

    @property
    def n_rolls(self) -> int:
        return int(sum(self.opened.values()))

    @property
    def opened_mm(self) -> float:
        size = {kind.name: kind.length_mm for kind in self.stock}
        return float(sum(size[name] * n for name, n in self.opened.items()))

    @property
    def waste_share(self) -> float:
        """Part of the opened tape that ends in no piece, 0 to 1."""
        pieces = float((self.sizes_mm * (self.demand - self.short)).sum())
        return 1.0 - pieces / self.opened_mm if self.opened_mm else 0.0

    @property
    def gap(self) -> float:
        """(cost - lp_bound) / cost: how much at most a better plan could save, 0 when nothing is spent."""
        return (self.cost - self.lp_bound) / self.cost if self.cost else 0.0


def to_tenths(length_mm: float, *, up: bool) -> int:
    """Whole tenths of a millimetre, up for a piece and down for a roll; float noise under 1e-6 mm is
    ignored.
    """
    value = length_mm * TENTHS
    near = round(value)
    if abs(value - near) < 1e-5:
        return near
    return math.ceil(value) if up else math.floor(value)


def cut_stock(
    lengths_mm: Sequence[float] | np.ndarray,
    demand: Sequence[int] | np.ndarray,
    rolls: Sequence[Stock],
) -> CutPlan:
    """Cut `demand[i]` pieces of `lengths_mm[i]` from `rolls` at least money (one roll = 1 unless priced).

    Equal lengths are pooled. Among plans of equal money the one that opens least tape is taken, stock marked
    `first` before other stock; rolls in the box are cut before bought ones of their length. No plan is dearer, or
    opens more at equal money, than cutting the longest piece first from any one kind. Raises ValueError for a length
    or roll of 0 or less, a demand that is negative or not whole, and a piece longer than every roll.
    """
    sizes, wanted = _lengths(lengths_mm, demand)
    capacities = [_capacity(roll) for roll in rolls]
    if wanted.size and (not capacities or sizes[0] > max(capacities)):
        longest = max((roll.length_mm for roll in rolls), default=0.0)
        raise ValueError(
            f"a piece of {sizes[0] / TENTHS:g} mm is longer than every roll (the longest is {longest:g} mm)"
        )
    supplies = [Supply(roll.price, roll.pack, roll.available, _burden(roll)) for roll in rolls]
    start = _starting_patterns(sizes, wanted, capacities)
    result = solve_patterns(
        wanted, supplies, start, partial(best_patterns, sizes, capacities=capacities),
        rules=_by_rule(sizes, wanted, rolls, capacities),
    )
    result = _own_first(rolls, capacities, result)
    sizes_mm, used = sizes / TENTHS, result.patterns @ sizes
    frame = pd.DataFrame({
        "roll": [rolls[r].name for r in result.supply],
        "pattern": [pattern_text(sizes_mm, p) for p in result.patterns], "count": result.counts,
        "used_mm": used / TENTHS, "waste_mm": (np.array(capacities, dtype=int)[result.supply] - used) / TENTHS,
    })
    return made_plan(sizes_mm, wanted, rolls, frame, result)


def made_plan(
    sizes_mm: np.ndarray, demand: np.ndarray, stock: Sequence[Stock], frame: pd.DataFrame, result: PatternPlan,
    layouts: Sequence[tuple[tuple[int, Box], ...]] = (),
) -> CutPlan:
    """The plan of these kinds of stock by their names. frame: CutPlan.plan."""
    opened, packs = (dict(zip((kind.name for kind in stock), n.tolist())) for n in (result.opened, result.packs))
    return CutPlan(sizes_mm, demand, tuple(stock), frame, result.patterns, opened, packs, result.cost, result.lp_bound,
                   result.ceiling, result.short, tuple(layouts))


def least_tape_mm(
    lengths_mm: Sequence[float] | np.ndarray, demand: Sequence[int] | np.ndarray, rolls: Sequence[Stock]
) -> tuple[float, float]:
    """Least tape, mm, that any plan can open from these kinds of rolls: (bound of the relaxation, in whole rolls).

    The second is the least sum of whole rolls, of each no more than there are, that is no less than the first.
    """
    sizes, wanted = _lengths(lengths_mm, demand)
    if not wanted.size:
        return 0.0, 0.0
    capacities = [_capacity(roll) for roll in rolls]
    supplies = [Supply(price=c / TENTHS, available=roll.available) for c, roll in zip(capacities, rolls)]
    start = _starting_patterns(sizes, wanted, capacities)
    bound = bound_only(wanted, supplies, start, partial(best_patterns, sizes, capacities=capacities))
    if math.isnan(bound):
        return bound, bound
    step = math.gcd(*capacities)
    return bound, step / TENTHS * _least_sum(math.ceil(bound * TENTHS / step - 1e-6), [c // step for c in capacities],
                                             [roll.available for roll in rolls])


def _least_sum(need: int, lengths: Sequence[int], available: Sequence[int | None]) -> int:
    """Least sum of whole lengths, each as often as it is available, from `need` on; a bit of `sums` is one of them."""
    sums = 1
    for length, most in zip(lengths, available):
        left, some = min(math.inf if most is None else most, need // length + 1), 1
        while left and need < _LONGEST_SUM:
            some = int(min(some, left))
            sums |= sums << some * length
            left, some = left - some, 2 * some
    over = sums >> need
    return need + max((over & -over).bit_length() - 1, 0)


def _burden(roll: Stock) -> float:
    """What opening a roll counts when money is equal: its length, and a hair for each roll, two for one bought."""
    return roll.length_mm * (0.5 if roll.first else 1.0) + (2 if roll.price else 1) / TENTHS


def _own_first(rolls: Sequence[Stock], capacities: Sequence[int], result: PatternPlan) -> PatternPlan:
    """The same patterns, from free rolls that lie unopened before bought ones of the same length."""
    lie = [0 if r.available is None or r.price else r.available - n for r, n in zip(rolls, result.opened)]
    supply = np.repeat(result.supply, result.counts)
    for cut, kind in enumerate(supply):
        own = next((k for k, n in enumerate(lie) if n > 0 and capacities[k] == capacities[kind]), None)
        if rolls[kind].price and own is not None:
            supply[cut], lie[own] = own, lie[own] - 1
    cuts: dict[Column, int] = {}
    for kind, pattern in zip(supply.tolist(), np.repeat(result.patterns, result.counts, axis=0).tolist()):
        cuts[kind, tuple(pattern)] = cuts.get((kind, tuple(pattern)), 0) + 1
    order = sorted(cuts, key=lambda c: (c[0], tuple(-v for v in c[1])))
    opened = np.bincount(supply, minlength=len(rolls))
    packs = np.array([-(-int(n) // roll.pack) for n, roll in zip(opened, rolls)])
    return replace(
        result, supply=np.array([c[0] for c in order], dtype=int), counts=np.array([cuts[c] for c in order], dtype=int),
        patterns=np.array([c[1] for c in order], dtype=int).reshape(len(order), result.patterns.shape[1]), packs=packs,
        cost=float(sum(n * roll.price for n, roll in zip(packs, rolls))),
    )


def _by_rule(
    sizes: np.ndarray, demand: np.ndarray, rolls: Sequence[Stock], capacities: Sequence[int]
) -> list[dict[Column, int]]:
    """Plans of the simple rule, longest piece first: one kind of roll, with what there is used up before it and
    without."""
    own = sorted((k for k, r in enumerate(rolls) if r.available is not None), key=lambda k: not rolls[k].first)
    endless = [[k] for k, r in enumerate(rolls) if r.available is None]
    return [_greedy(sizes, demand, rolls, capacities, kinds)
            for kinds in (own, *endless, *([*own, *kind] for kind in endless))]


def _greedy(
    sizes: np.ndarray, demand: np.ndarray, rolls: Sequence[Stock], capacities: Sequence[int], kinds: Sequence[int]
) -> dict[Column, int]:
    """Longest piece first from the kinds in turn; what no roll of them holds is left out."""
    cuts: dict[Column, int] = {}
    left = demand.copy()
    for kind in kinds:
        most = rolls[kind].available
        for pattern, times in first_fit_decreasing(sizes, left, capacities[kind], left.sum() if most is None else most):
            cuts[kind, pattern] = cuts.get((kind, pattern), 0) + times
            left -= times * np.array(pattern)
    return cuts


def _lengths(
    lengths_mm: Sequence[float] | np.ndarray, demand: Sequence[int] | np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    sizes, wanted = pooled(np.asarray(lengths_mm, float)[..., None], demand)
    return sizes[:, 0], wanted


def pooled(sizes_mm: np.ndarray, demand: Sequence[int] | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distinct sizes in tenths, shape (n, sides), largest first, each with its short side first, and their demand.

    Sizes nobody wants are left out. Raises ValueError for sizes or a demand that cannot be.
    """
    wanted = np.asarray(demand, float)
    if wanted.ndim != 1 or sizes_mm.shape[:-1] != wanted.shape:
        raise ValueError("give one demand for each piece")
    if not (np.isfinite(sizes_mm).all() and (sizes_mm > 0).all()):
        raise ValueError("each side of a piece needs a length above 0 mm")
    if not (np.isfinite(wanted).all() and (wanted >= 0).all() and (wanted == np.rint(wanted)).all()):
        raise ValueError("a demand is a whole number of pieces, 0 or more")
    total: Counter[tuple[int, ...]] = Counter()
    for sides, count in zip(sizes_mm.tolist(), wanted.astype(int).tolist()):
        total[tuple(sorted(to_tenths(v, up=True) for v in sides))] += count
    order = sorted(+total, key=lambda size: (-math.prod(size), size))
    return (np.array(order, dtype=np.int64).reshape(-1, sizes_mm.shape[-1]),
            np.array([total[size] for size in order], dtype=np.int64))


def checked(stock: Stock, least_mm: float) -> None:
    """Raise ValueError for stock that cannot be. least_mm: its shortest side."""
    if not (math.isfinite(stock.length_mm) and least_mm > 0 and stock.pack >= 1 and stock.price >= 0):
        raise ValueError(f"stock {stock.name!r} needs length and pack above 0 and a price of 0 or more")
    if stock.available is not None and stock.available < 0:
        raise ValueError(f"stock {stock.name!r}: a stock of {stock.available} is negative")


def _capacity(roll: Stock) -> int:
    checked(roll, roll.length_mm)
    return to_tenths(roll.length_mm, up=False)


def best_patterns(
    sizes: np.ndarray, worth: np.ndarray, most: np.ndarray, capacities: Sequence[int]
) -> list[np.ndarray]:
    """Pattern of greatest worth for each capacity: one bounded knapsack table serves them all.

    sizes: int, shape (n_pieces,). worth, most: shape (n_pieces,). Multiples of a piece enter as 1, 2, 4, ...
    copies (Martello & Toth, Knapsack Problems, 1990, ch. 3, from memory), so each step is one array
    operation over all capacities instead of a loop over them. Returns int ndarrays, shape (n_pieces,), one
    a capacity.
    """
    step = math.gcd(*(int(v) for v in sizes))
    small = sizes // step
    top = max(capacities) // step
    value = np.zeros(top + 1)
    bundles: list[tuple[int, int, np.ndarray]] = []
    for piece in np.flatnonzero(worth > 0):
        for copies in _bundles(min(int(most[piece]), top // int(small[piece]))):
            size = copies * int(small[piece])
            # offered is a new array, so writing into value does not feed a bundle into itself.
            offered = value[: top + 1 - size] + copies * worth[piece]
            better = offered > value[size:]
            np.maximum(offered, value[size:], out=value[size:])
            bundles.append((int(piece), copies, better))
    return [_trace_back(small, bundles, c // step, sizes.size) for c in capacities]


def _bundles(most: int) -> list[int]:
    """Powers of two and a rest whose subsets make every number from 0 to `most`."""
    parts, power = [], 1
    while most > 0:
        parts.append(min(power, most))
        most -= parts[-1]
        power *= 2
    return parts


def _trace_back(
    small: np.ndarray, bundles: list[tuple[int, int, np.ndarray]], capacity: int, n_pieces: int
) -> np.ndarray:
    pattern = np.zeros(n_pieces, dtype=int)
    left = capacity
    for piece, copies, better in reversed(bundles):
        size = copies * int(small[piece])
        if left >= size and better[left - size]:
            pattern[piece] += copies
            left -= size
    return pattern


def first_fit_decreasing(
    sizes: Sequence[float] | np.ndarray, demand: Sequence[int] | np.ndarray, capacity: float, most: int | None = None
) -> list[tuple[tuple[int, ...], int]]:
    """Greedy cutting, longest piece first, each into the first roll it fits: patterns and how often each
    is cut.

    Filling roll after roll with the longest piece that still fits gives the same rolls as first-fit
    decreasing does piece by piece. sizes must be longest first. most: rolls that there are; pieces that they cannot
    hold are then left over, else a piece longer than the roll is a ValueError. Used as a start and as the rule of
    thumb to compare with.
    """
    left = np.asarray(demand, dtype=int).copy()
    plan: list[tuple[tuple[int, ...], int]] = []
    while left.any() and most != 0:
        room, pattern = capacity, np.zeros(left.size, dtype=int)
        for piece, size in enumerate(sizes):
            pattern[piece] = min(left[piece], int(room // size))
            room -= pattern[piece] * size
        if not pattern.any():
            if most is not None:
                break
            raise ValueError("a piece is longer than the roll")
        used = pattern > 0
        times = int((left[used] // pattern[used]).min())
        if most is not None:
            times = min(times, most)
            most -= times
        left -= times * pattern
        plan.append((tuple(pattern.tolist()), times))
    return plan


def _starting_patterns(sizes: np.ndarray, demand: np.ndarray, capacities: Sequence[int]) -> list[Column]:
    """Each piece alone, as often as it fits, and the greedy plan, for every kind of roll that can hold
    them.
    """
    start: list[Column] = []
    for supply, capacity in enumerate(capacities):
        fits = sizes <= capacity
        for piece in np.flatnonzero(fits):
            alone = np.zeros(sizes.size, dtype=int)
            alone[piece] = capacity // sizes[piece]
            start.append((supply, tuple(alone.tolist())))
        if fits.any():
            greedy = first_fit_decreasing(sizes[fits], demand[fits], capacity)
            for pattern, _ in greedy:
                whole = np.zeros(sizes.size, dtype=int)
                whole[fits] = pattern
                start.append((supply, tuple(whole.tolist())))
    return start


def pattern_text(sizes_mm: Sequence[float] | np.ndarray, pattern: Sequence[int] | np.ndarray) -> str:
    """A pattern in words a person cuts by: "2 x 160 + 1 x 95"."""
    return " + ".join(f"{n} x {f'{size:.1f}'.removesuffix('.0')}" for size, n in zip(sizes_mm, pattern) if n)
