"""Large par programs without a linear solver: a proven bound from minimum cuts, and a search made small by it.

With the readiness row priced at `price` a scenario, what is left of the program is a closure problem: a vector u
is worth price x weight_u and demands levels that cost money. Its best answer is a minimum cut (Picard, Manag Sci
1976;22:1268, from memory), found in hundredths of a second where the linear program takes many:
    L(price) = min over x, z of  cost(x) + price * (need - met(z))   <=   cost of any plan that meets `required`.
The best L over price equals the bound of the linear relaxation, since the closure problem is whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from heapq import heappop, heappush

import numpy as np

from kitplan.solve.collapse import Collapsed, restrict
from kitplan.solve.descent import descend

Keeps = Callable[[np.ndarray], bool]

_CUTS = 25
_NEAR = 0.01
"""How far above its bound, as a share, a plan may lie for small changes to close the gap."""
_STEP = 1.25
"""Factor between prices until the top lies between two of them."""
_SWEEPS = 6
ROUNDS = 2
"""Times that every level is tried for shutting."""
_BRANCHES = 60
_LARGEST_FLOW = 1e9
"""Capacities are whole numbers below 2**31; rounded so that the bound can only fall."""


@dataclass(frozen=True)
class Cut:
    """L(price), rounded down, with the money, the scenarios met and the levels of the plan that attains it."""

    value: float
    price: float
    money: float
    met: float
    ranks: np.ndarray


@dataclass(frozen=True)
class ReducedProgram:
    """The cheapest plan found, a proven bound, and the levels between which every cheaper plan lies.

    par: levels, shape (n_items,). bound: no plan costs less. cut_bound: the bound before any level was shut, that of
    the linear relaxation. price: money one scenario more costs at that bound.
    rest: the program restricted to those levels; empty of choice (None) if no cheaper plan can exist.
    """

    par: np.ndarray
    bound: float
    cut_bound: float
    price: float
    rest: Collapsed | None


def closure_cut(collapsed: Collapsed, cost: np.ndarray, required: int, price: float) -> Cut:
    """Solve the closure problem at `price` money a scenario by a minimum cut.

    Source -> vector u (price x weight), u -> level of each item it needs, level j -> level j - 1, level -> sink
    (money it adds). Capacities are rounded so that `value` is never above L(price).
    """
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import breadth_first_order, maximum_flow

    n_vectors, heights = len(collapsed.vectors), np.array([len(levels) for levels in collapsed.levels])
    first = np.cumsum(heights) - heights
    n_levels = int(heights.sum())
    source, sink = n_vectors + n_levels, n_vectors + n_levels + 1
    adds = np.concatenate([np.diff(levels, prepend=low) for levels, low in zip(collapsed.levels, collapsed.lower)])
    money = np.repeat(cost, heights) * adds
    worth = price * collapsed.weights
    scale = _LARGEST_FLOW / max(float(worth.sum()), float(money.sum()), 1e-9)
    vector, item = np.nonzero(collapsed.vectors)
    needs = n_vectors + first[item] + collapsed.vectors[vector, item] - 1
    upper = n_vectors + np.setdiff1d(np.arange(n_levels), first[heights > 0])
    offered = np.ceil(worth * scale)
    free = np.full(len(vector) + len(upper), 2**31 - 1)
    tail = np.concatenate([np.full(n_vectors, source), vector, upper, n_vectors + np.arange(n_levels)])
    head = np.concatenate([np.arange(n_vectors), needs, upper - 1, np.full(n_levels, sink)])
    capacity = np.concatenate([offered, free, np.floor(money * scale)]).astype(np.int32)
    graph = csr_matrix((capacity, (tail, head)), shape=(sink + 1, sink + 1))
    flow = maximum_flow(graph, source, sink)
    left = graph - flow.flow
    left.data = np.maximum(left.data, 0)
    left.eliminate_zeros()
    chosen = np.zeros(sink + 1, bool)
    chosen[breadth_first_order(left, source, return_predecessors=False)] = True
    base = float(cost @ collapsed.lower)
    value = base + price * (required - collapsed.met) - (float(offered.sum()) - flow.flow_value) / scale
    met = collapsed.met + float(collapsed.weights[chosen[:n_vectors]].sum())
    reached = chosen[n_vectors:source]
    ranks = np.bincount(np.repeat(np.arange(len(heights)), heights)[reached], minlength=len(heights))
    return Cut(float(value), float(price), base + float(money[reached].sum()), met, ranks)


def best_cut(collapsed: Collapsed, cost: np.ndarray, required: int, enough: float = np.inf) -> Cut:
    """Return the cut of the highest bound (`top_cuts`)."""
    return top_cuts(collapsed, cost, required, enough)[0]


def top_cuts(
    collapsed: Collapsed, cost: np.ndarray, required: int, enough: float = np.inf
) -> tuple[Cut, Cut, Cut]:
    """Return the cut of the highest bound, and those of the last plans found that meet too few and enough.

    L is concave and piecewise linear in the price, so the crossing of two tangents finds its top. The search begins
    at the price of the last steps down, which is close, and steps away from it until the top lies between two cuts.
    enough: it ends at a bound as high. `collapsed.met` must be under `required` and `collapsed.reach` not.
    """
    base, full = float(cost @ collapsed.lower), float(cost @ highest(collapsed))
    heights = np.array([len(levels) for levels in collapsed.levels])
    under = Cut(base, 0.0, base, float(collapsed.met), np.zeros_like(heights))
    over = Cut(base, np.inf, full, float(collapsed.reach), heights)
    best, guess = under, _price_of_last_steps(collapsed, cost, required)
    for _ in range(_CUTS):
        if over.met <= under.met:
            break
        between = max((over.money - under.money) / (over.met - under.met), 0.0)
        crossing = under.money + between * (required - under.met)
        outside = guess > 0 and (under.price == 0.0 or over.price == np.inf)
        cut = closure_cut(collapsed, cost, required, guess if outside else between)
        best = max(best, cut, key=lambda c: c.value)
        if best.value >= min(crossing - 1e-5 * max(1.0, abs(crossing)), enough):
            break
        if not outside and cut.met in (under.met, over.met):
            break
        under, over = (cut, over) if cut.met < required else (under, cut)
        guess *= _STEP if cut is under else 1 / _STEP
    return best, under, over


def _price_of_last_steps(collapsed: Collapsed, cost: np.ndarray, required: int) -> float:
    """Money a scenario, where stepping down comes near `required`; 0 where it does not say."""
    path = descend(collapsed, cost, required)
    near = path.ready <= required + 0.1 * (collapsed.reach - required)
    first = max(int(np.argmax(near)) - 1, 0)
    lost = float(path.ready[first] - path.ready[-1])
    return float(cost @ (path.par[first] - path.par[-1])) / lost if lost > 0 else 0.0


def most_within(collapsed: Collapsed, per_unit: np.ndarray, room: float) -> tuple[float, float]:
    """Bound the scenarios that any plan with per_unit . par <= room meets; also what one more of them takes of room.

    L(price) <= per_unit . par + price * (need - met) <= room + price * (need - met) gives met <= need + (room - L) /
    price for every need and price; need is brought down to the bound until that no longer lowers it. Infinite price
    where the room is enough for everything.
    """
    most, price = float(collapsed.reach), np.inf
    for _ in range(_CUTS):
        required = int(np.floor(most + 1e-9))
        if required <= collapsed.met:
            break
        cut = best_cut(collapsed, per_unit, required)
        if cut.price <= 0 or cut.value <= room:
            break
        found = max(required - (cut.value - room) / cut.price, float(collapsed.met))
        price, lower = cut.price, most - found
        most = found
        if lower < 0.5:
            break
    return most, price


def highest(collapsed: Collapsed) -> np.ndarray:
    """Levels that meet every vector of the cover, shape (n_items,)."""
    return np.array([levels[-1] if len(levels) else low for low, levels in zip(collapsed.lower, collapsed.levels)])


def reduce_levels(
    collapsed: Collapsed, cost: np.ndarray, required: int, par: np.ndarray, keeps: Keeps, gap: float,
    rounds: int = ROUNDS,
) -> ReducedProgram:
    """Improve `par`, a plan that meets `required` and the limits, bound it, and shut out levels that cannot pay.

    keeps: whether levels stay within the limits. A level is shut when the bound with it is not under the cost of
    the plan in hand. Stops as soon as the plan is within `gap` of the bound, or after `rounds` over all levels. With no
    rounds to follow, a plan far above the bound is left as it is: another way has to close the gap.
    """
    cut = best_cut(collapsed, cost, required, float(cost @ par) * (1 - gap))
    if rounds or float(cost @ par) <= (1 + max(_NEAR, 1.5 * gap)) * cut.value:
        par = improve(collapsed, cost, required, par, keeps, cut.value / (1 - gap))
    ceiling = float(cost @ par)
    bound = min(cut.value, ceiling)
    rest: Collapsed | None = collapsed
    for _ in range(rounds):
        if rest is None or ceiling - bound <= gap * ceiling:
            break
        rest = _shut(rest, cost, required, ceiling, best_cut(rest, cost, required).price)
        if rest is None or rest.met >= required:
            break
        bound = min(max(bound, best_cut(rest, cost, required).value), ceiling)
    return ReducedProgram(par, ceiling if rest is None else bound, cut.value, cut.price, rest)


def improve(
    collapsed: Collapsed, cost: np.ndarray, required: int, par: np.ndarray, keeps: Keeps, enough: float = 0.0
) -> np.ndarray:
    """Raise one item by a level or two and step the others down, while that saves money and costs over `enough`."""
    open_items = np.flatnonzero([len(levels) > 0 for levels in collapsed.levels])
    small, price = _of_items(collapsed, open_items), cost[open_items]
    heights = np.array([len(levels) for levels in small.levels])
    value = float(cost @ par)
    for _ in range(_SWEEPS):
        before = value
        for i in range(len(open_items)):
            if value <= enough:
                return par
            ranks = _ranks(small, par[open_items])
            for rank in range(ranks[i] + 1, min(ranks[i] + 2, heights[i]) + 1):
                low, high = np.zeros_like(ranks), ranks.copy()
                low[i] = high[i] = rank
                found = descend(restrict(small, low, high), price, required).cheapest_with(required)
                if found is None or float(price @ found) >= float(price @ par[open_items]) - 1e-9:
                    continue
                whole = par.copy()
                whole[open_items] = found
                if keeps(whole):
                    par, value = whole, float(cost @ whole)
                    break
        if value == before:
            break
    return par


def _of_items(collapsed: Collapsed, items: np.ndarray) -> Collapsed:
    """The cover of some items, when the others have one level only."""
    levels = tuple(collapsed.levels[i] for i in items)
    return Collapsed(collapsed.lower[items], levels, collapsed.vectors[:, items], collapsed.weights, collapsed.met)


def branch(
    collapsed: Collapsed, cost: np.ndarray, required: int, par: np.ndarray, keeps: Keeps, gap: float
) -> tuple[np.ndarray, float]:
    """Split the levels of one item after another, lowest bound first, and return a plan and a bound on every plan.

    The item split is the one on which the plans either side of the bound differ by most money. Ends within `gap`,
    or after a fixed number of splits, so that the answer does not hang on the machine's speed.
    """
    value = float(cost @ par)
    heights = np.array([len(levels) for levels in collapsed.levels])
    ladders = [np.concatenate(([low], levels)) for low, levels in zip(collapsed.lower, collapsed.levels)]
    open_boxes: list[tuple[float, int, np.ndarray, np.ndarray]] = [
        (-np.inf, 0, np.zeros_like(heights), heights)
    ]
    for number in range(1, 2 * _BRANCHES, 2):
        if not open_boxes or open_boxes[0][0] >= value * (1 - gap):
            break
        _, _, low, high = heappop(open_boxes)
        part = restrict(collapsed, low, high)
        _, under, over = top_cuts(part, cost, required)
        found = [
            np.array([ladder[r] for ladder, r in zip(ladders, low + cut.ranks)]) for cut in (under, over)
        ]
        item = np.argmax(np.where(high > low, np.abs(found[1] - found[0]) * cost, -1.0))
        split = int(low[item] + min((under.ranks[item] + over.ranks[item]) // 2, high[item] - low[item] - 1))
        for k, (a, b) in enumerate(((low, _with(high, item, split)), (_with(low, item, split + 1), high))):
            half = restrict(collapsed, a, b)
            if half.reach < required:
                continue
            plan = half.lower if half.met >= required else descend(half, cost, required).cheapest_with(required)
            if plan is not None and float(cost @ plan) < value - 1e-9 and keeps(plan):
                par, value = plan, float(cost @ plan)
            if half.met < required:
                heappush(open_boxes, (best_cut(half, cost, required).value, number + k, a, b))
    return par, min(open_boxes[0][0], value) if open_boxes else value


def _ranks(collapsed: Collapsed, par: np.ndarray) -> np.ndarray:
    """Levels that `par` reaches, shape (n_items,); 0 is the lower bound."""
    return np.array([np.searchsorted(levels, p, side="right") for levels, p in zip(collapsed.levels, par)])


def _shut(collapsed: Collapsed, cost: np.ndarray, required: int, ceiling: float, price: float) -> Collapsed | None:
    """Return the cover without the levels that no plan under `ceiling` has, or None if there is no such plan."""
    low = np.zeros(len(collapsed.lower), dtype=np.int64)
    high = np.array([len(levels) for levels in collapsed.levels])

    def hopeless(low: np.ndarray, high: np.ndarray) -> bool:
        part = restrict(collapsed, low, high)
        return part.reach < required or closure_cut(part, cost, required, price).value >= ceiling * (1 - 1e-9)

    for i in np.flatnonzero(high):
        low[i] += _run_of(partial(lambda i, n: hopeless(low, _with(high, i, low[i] + n)), i), high[i] - low[i])
        high[i] -= _run_of(partial(lambda i, n: hopeless(_with(low, i, high[i] - n), high), i), high[i] - low[i])
    return None if hopeless(low, high) else restrict(collapsed, low, high)


def _run_of(fails: Callable[[int], bool], most: int) -> int:
    """How many of 0, 1 .. most - 1 fail, which fail first: by doubling steps, then by halving."""
    known, step = 0, 1
    while known < most and fails(min(known + step, most) - 1):
        known, step = min(known + step, most), 2 * step
    ahead = min(known + step, most) - 1
    while known < ahead:
        middle = (known + ahead) // 2
        known, ahead = (middle + 1, ahead) if fails(middle) else (known, middle)
    return known


def _with(ranks: np.ndarray, item: np.intp, rank: np.integer | int) -> np.ndarray:
    changed = ranks.copy()
    changed[item] = rank
    return changed
