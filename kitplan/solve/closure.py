"""Large par programs without a linear solver: a proven bound from minimum cuts, and small steps towards it.

With the readiness row priced at `price` a scenario, what is left of the program is a closure problem: a vector u
is worth price x weight_u and demands levels that cost money. Its best answer is a minimum cut (Picard, Manag Sci
1976;22:1268, from memory), found in hundredths of a second where the linear program takes many:
    L(price) = min over x, z of  cost(x) + price * (need - met(z))   <=   cost of any plan that meets `required`.
The best L over price equals the bound of the linear relaxation, since the closure problem is whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from kitplan.solve.collapse import Collapsed, restrict
from kitplan.solve.descent import Descent, descend

_CUTS = 25
_STEP = 1.25
"""Factor between prices until the top lies between two of them."""
_DEARER, _VARIED, _WEIGHED_BY = (1.0, 1.03, 1.1), 5, 0.15
"""Prices of the cuts that are stepped down from, over the best; ways to step down from each; and by how much items are
weighed otherwise, a share (a choice: at 0.05 and 0.3 plans of sixteen generated units cost the same within 0.2 %)."""
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


class Closure:
    """The closure problem of one collapsed program as a network; a price only changes what its vectors offer.

    Source -> vector u (price x weight), u -> level of each item it needs, level j -> level j - 1, level -> sink
    (money it adds).
    """

    def __init__(self, collapsed: Collapsed, cost: np.ndarray) -> None:
        from scipy.sparse import csr_matrix

        self.collapsed, self.base = collapsed, float(cost @ collapsed.lower)
        n_vectors, heights = len(collapsed.vectors), np.array([len(levels) for levels in collapsed.levels])
        first, n_levels = np.cumsum(heights) - heights, int(heights.sum())
        self.item = np.repeat(np.arange(len(heights)), heights)
        reached = np.concatenate(collapsed.levels)
        before = np.append(0, reached[:-1])
        before[first[heights > 0]] = collapsed.lower[heights > 0]
        self.money = np.repeat(cost, heights) * (reached - before)
        vector, item = np.nonzero(collapsed.vectors)
        needs = n_vectors + first[item] + collapsed.vectors[vector, item] - 1
        upper = n_vectors + 1 + np.flatnonzero(self.item[1:] == self.item[:-1])
        self.source, self.sink = n_vectors + n_levels, n_vectors + n_levels + 1
        self.free = np.full(len(vector) + len(upper), 2**31 - 1)
        tail = np.concatenate([np.full(n_vectors, self.source), vector, upper, n_vectors + np.arange(n_levels)])
        head = np.concatenate([np.arange(n_vectors), needs, upper - 1, np.full(n_levels, self.sink)])
        arcs = csr_matrix((np.arange(len(tail)), (tail, head)), shape=(self.sink + 1, self.sink + 1))
        self.arc, self.graph = arcs.data.copy(), arcs

    def cut(self, required: int, price: float) -> Cut:
        """The best answer at `price` money a scenario, by a minimum cut.

        Capacities are rounded so that `value` is never above L(price).
        """
        from scipy.sparse.csgraph import breadth_first_order, maximum_flow

        collapsed, n_vectors = self.collapsed, len(self.collapsed.vectors)
        worth = price * collapsed.weights
        scale = _LARGEST_FLOW / max(float(worth.sum()), float(self.money.sum()), 1e-9)
        offered = np.ceil(worth * scale)
        capacity = np.concatenate([offered, self.free, np.floor(self.money * scale)]).astype(np.int32)
        self.graph.data = capacity[self.arc]
        flow = maximum_flow(self.graph, self.source, self.sink)
        left = self.graph - flow.flow
        left.data = np.maximum(left.data, 0)
        left.eliminate_zeros()
        chosen = np.zeros(self.sink + 1, bool)
        chosen[breadth_first_order(left, self.source, return_predecessors=False)] = True
        value = self.base + price * (required - collapsed.met) - (float(offered.sum()) - flow.flow_value) / scale
        met = collapsed.met + float(collapsed.weights[chosen[:n_vectors]].sum())
        held = chosen[n_vectors : self.source]
        ranks = np.bincount(self.item[held], minlength=len(collapsed.levels))
        return Cut(float(value), float(price), self.base + float(self.money[held].sum()), met, ranks)


def best_cut(
    collapsed: Collapsed, cost: np.ndarray, required: int, enough: float = np.inf, near: float = 1e-5,
    path: Descent | None = None,
) -> tuple[Cut, Cut]:
    """Return the cut of the highest bound, and that of the last plan found that meets enough.

    L is concave and piecewise linear in the price, so the crossing of two tangents finds its top. The search begins
    at the price of the last steps down, which is close, and steps away from it until the top lies between two cuts.
    enough, near: it ends at a bound as high, or within this share of the top. path: the steps down, where they are
    known. `collapsed.met` must be under `required` and `collapsed.reach` not.
    """
    base, full = float(cost @ collapsed.lower), float(cost @ highest(collapsed))
    heights = np.array([len(levels) for levels in collapsed.levels])
    under = Cut(base, 0.0, base, float(collapsed.met), np.zeros_like(heights))
    over = Cut(base, np.inf, full, float(collapsed.reach), heights)
    path = path or descend(collapsed, cost, required)
    closure = Closure(collapsed, cost)
    best, guess = under, _price_of_last_steps(path, collapsed, cost, required)
    for _ in range(_CUTS):
        if over.met <= under.met:
            break
        between = max((over.money - under.money) / (over.met - under.met), 0.0)
        crossing = under.money + between * (required - under.met)
        outside = guess > 0 and (under.price == 0.0 or over.price == np.inf)
        cut = closure.cut(required, guess if outside else between)
        best = max(best, cut, key=lambda c: c.value)
        if best.value >= min(crossing - near * max(1.0, abs(crossing)), enough):
            break
        if not outside and cut.met in (under.met, over.met):
            break
        under, over = (cut, over) if cut.met < required else (under, cut)
        guess *= _STEP if cut is under else 1 / _STEP
    return best, over


def stepped_down_from(collapsed: Collapsed, over: Cut, cost: np.ndarray, required: int) -> np.ndarray:
    """Step down from the plan of a cut that meets enough.

    About the top of L that plan is the linear relaxation rounded up: the plans of the cuts either side are nested, and
    the relaxation mixes them.
    """
    inside = restrict(collapsed, np.zeros_like(over.ranks), over.ranks)
    return inside.lower if inside.met >= required else descend(inside, cost, required).par[-1]


def stepped_down_variously(
    collapsed: Collapsed, cost: np.ndarray, required: int, price: float
) -> Iterator[np.ndarray]:
    """Step down from the plans of cuts at the best price and a little over it, each item weighed a little otherwise
    each time but the first (a greedy search made random, of which the best is kept: Feo & Resende, J Glob Optim
    1995;6:109, from memory).

    Hundredths of a second in all, where small programs about one plan take tenths, and as often the better plan.
    """
    closure, lots = Closure(collapsed, cost), np.random.default_rng(0)
    for dearer in _DEARER:
        over = closure.cut(required, dearer * price)
        if over.met >= required:
            yield stepped_down_from(collapsed, over, cost, required)
            for _ in range(_VARIED):
                weighed = cost * np.exp(_WEIGHED_BY * lots.standard_normal(len(cost)))
                yield stepped_down_from(collapsed, over, weighed, required)


def _price_of_last_steps(path: Descent, collapsed: Collapsed, cost: np.ndarray, required: int) -> float:
    """Money a scenario, where stepping down comes near `required`; 0 where it does not say."""
    near = path.ready <= required + 0.1 * (collapsed.reach - required)
    first = max(int(np.argmax(near)) - 1, 0)
    lost = float(path.ready[first] - path.ready[-1])
    return float(cost @ (path.par[first] - path.par[-1])) / lost if lost else 0.0


def most_within(collapsed: Collapsed, per_unit: np.ndarray, room: float) -> tuple[float, float, np.ndarray]:
    """Bound the scenarios that any plan with per_unit . par <= room meets; also what one more of them takes of room
    (infinite where there is room for everything), and the ranks of the least plan found that takes more room.

    L(price) <= per_unit . par + price * (need - met) gives met <= need + (room - L(price)) / price at every price; the
    crossing of the tangents at a plan within the room and at one over it finds the least of them.
    """
    base, full = float(per_unit @ collapsed.lower), float(per_unit @ highest(collapsed))
    heights = np.array([len(levels) for levels in collapsed.levels])
    under = Cut(base, 0.0, base, float(collapsed.met), np.zeros_like(heights))
    over = Cut(base, np.inf, full, float(collapsed.reach), heights)
    most, price = over.met, np.inf
    closure = Closure(collapsed, per_unit)
    for _ in range(_CUTS if full > room and over.met > under.met else 0):
        cut = closure.cut(collapsed.met, (over.money - under.money) / (over.met - under.met))
        most, price = min((most, price), (collapsed.met + (room - cut.value) / cut.price, cut.price))
        if cut.met in (under.met, over.met):
            break
        under, over = (cut, over) if cut.money <= room else (under, cut)
    return max(most, float(collapsed.met)), price, over.ranks


def highest(collapsed: Collapsed) -> np.ndarray:
    """Levels that meet every vector of the cover, shape (n_items,)."""
    return np.array([levels[-1] if len(levels) else low for low, levels in zip(collapsed.lower, collapsed.levels)])
