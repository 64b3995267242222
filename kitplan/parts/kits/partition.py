"""At most K kit designs: set partitioning over groups of strata, with its linear bound, for every K.

minimise sum cost[j] take[j]; every stratum in exactly one group taken; at most K groups taken. Columns are priced
into the linear relaxation until none is missing (Dantzig & Wolfe, Operations Research 1960;8:101, from memory);
every column whose reduced cost is within the gap then enters the integer program, which makes it exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kitplan.parts.kits.groups import PriceList, Together, exact
from kitplan.parts.kits.pricing import EXACT_STRATA, AllGroups, SearchedGroups
from kitplan.parts.kits.slots import Slot
from kitplan.solve.program import Program

_TINY = 1e-6
_ROUNDS = 60
_ENOUGH = 100
_KEPT_COLUMNS = 1500
_MOST_COLUMNS = 8000
_ANY = 1e12


@dataclass(frozen=True)
class Partition:
    """The best designs found for at most `designs` of them.

    groups: bool ndarray (n_groups, n_strata). cost: money a month. bound: proven lower bound (linear relaxation, or
    its Lagrangian bound where pricing was stopped). gap: (cost - bound) / cost. litres: of the largest kit.
    """

    designs: int
    groups: np.ndarray
    cost: float
    bound: float
    gap: float
    litres: float


class Pool:
    """Groups known so far and what they cost; each group once."""

    def __init__(self, n_strata: int) -> None:
        self.groups = np.zeros((0, n_strata), dtype=bool)
        self.costs = np.zeros(0)
        self._seen: set[bytes] = set()

    def add(self, groups: np.ndarray, costs: np.ndarray) -> int:
        """Add what is new; return how many were."""
        new = [i for i, g in enumerate(groups) if g.tobytes() not in self._seen]
        self._seen |= {groups[i].tobytes() for i in new}
        self.groups = np.concatenate([self.groups, groups[new]])
        self.costs = np.concatenate([self.costs, costs[new]])
        return len(new)

    def trim(self, duals: np.ndarray, keep: int) -> None:
        """Forget all but the groups of least reduced cost and every stratum alone: small programs build fast."""
        if len(self.costs) <= keep:
            return
        reduced = self.costs - self.groups.astype(float) @ duals
        order = np.argsort(reduced, kind="stable")[:keep]
        kept = np.union1d(order, np.flatnonzero(self.groups.sum(axis=1) == 1))
        self.groups, self.costs = self.groups[kept], self.costs[kept]
        self._seen = {g.tobytes() for g in self.groups}


def design_curve(
    slots: Sequence[Slot], container_litres: float | None, most_designs: int, time_limit: float,
    wanted: int | None = None, together: Together | None = None,
) -> list[Partition | None]:
    """The best partition into at most K designs for K = 1..most_designs; None where nothing is allowed.

    What is not allowed: a kit that its container cannot hold, or one for airways that may not share a kit (together).

    Exact for up to EXACT_STRATA strata. Beyond, groups are searched for with a limited effort, beginning with merges,
    and the proven bound is reported; most effort goes to `wanted` designs. time_limit: seconds for one integer solve.
    """
    prices = PriceList(slots, together, container_litres)
    listed = prices.n_strata <= EXACT_STRATA
    source = AllGroups(prices) if listed else SearchedGroups(prices)
    pool = _alone_and_in_pairs(prices)
    curve: list[Partition | None] = []
    known = -np.inf
    merged = np.eye(prices.n_strata, dtype=bool)
    starts = [merged, merged]
    for designs in range(most_designs, 1, -1):
        if not listed:
            starts = [_merged_to(prices, start, designs) for start in starts]
            for start in starts:
                pool.add(start, prices.costs(start)[0])
        found = _best(source, pool, designs, time_limit, known, designs == wanted)
        if found:
            known, starts[1] = found.bound, found.groups
        curve.append(found)
    return [_one_design(prices), *curve[::-1]]


def _one_design(prices: PriceList) -> Partition | None:
    """One design for every stratum: nothing to choose, so its cost is its bound."""
    everyone = np.ones((1, prices.n_strata), dtype=bool)
    cost = float(prices.costs(everyone)[0][0])
    return _partition(prices, 1, everyone, cost, cost) if np.isfinite(cost) else None


def _partition(prices: PriceList, designs: int, groups: np.ndarray, cost: float, bound: float) -> Partition:
    gap = max(cost - bound, 0.0) / cost if cost else 0.0
    litres = float(prices.costs(groups)[1].max())
    return Partition(designs, groups, cost, min(bound, cost), gap, litres)


def _alone_and_in_pairs(prices: PriceList) -> Pool:
    """A pool of every stratum alone and every pair that may share a kit."""
    first, second = np.triu_indices(prices.n_strata, 1)
    alone = np.eye(prices.n_strata, dtype=bool)
    groups = np.concatenate([alone, alone[first] | alone[second]])
    costs, _ = prices.costs(groups)
    pool = Pool(prices.n_strata)
    pool.add(groups[np.isfinite(costs)], costs[np.isfinite(costs)])
    return pool


def _merged_to(prices: PriceList, groups: np.ndarray, designs: int) -> np.ndarray:
    """Join the two groups whose union costs least more than both until at most `designs` are left, or none may."""
    while len(groups) > designs:
        costs, _ = prices.costs(groups)
        first, second = np.triu_indices(len(groups), 1)
        union = groups[first] | groups[second]
        rise = prices.costs(union)[0] - costs[first] - costs[second]
        best = int(np.argmin(rise))
        if not np.isfinite(rise[best]):
            break
        groups = np.concatenate([np.delete(groups, [first[best], second[best]], axis=0), union[[best]]])
    return groups


def _best(
    source: AllGroups | SearchedGroups, pool: Pool, designs: int, time_limit: float, known: float,
    harder: bool,
) -> Partition | None:
    """Solve for one K: price columns into the relaxation, then the integer program. known: a bound that holds."""
    n = pool.groups.shape[1]
    bound = known
    source.allow_more(harder)
    for _ in range(_ROUNDS):
        relaxed = _master(pool, designs).solve(integer=False)
        duals = exact(np.array([relaxed.dual(f"stratum_{g}") for g in range(n)]))
        design_dual = float(exact(np.array(relaxed.dual("designs"))))
        priced = source.price(duals, design_dual - _TINY, enough=_ENOUGH)
        bound = max(bound, float(duals.sum()) + designs * min(priced.least, 0.0))
        missing = float(relaxed.values(np.arange(len(pool.costs), len(pool.costs) + n)).sum())
        if not pool.add(priced.groups, priced.costs) or source.spent:
            break
    if missing > _TINY:
        return None
    cost, taken, proven = _whole(pool, designs, time_limit)
    if cost - bound > max(_TINY, 1e-9 * abs(bound)) and not source.spent:
        width = min(cost - bound, _ANY) + _TINY
        near = source.price(duals, design_dual + width, _MOST_COLUMNS)
        if pool.add(near.groups, near.costs):
            cost, taken, proven = _whole(pool, designs, time_limit)
        if proven and near.complete:
            bound = max(bound, cost)
    pool.trim(duals, _KEPT_COLUMNS)
    return _partition(source.prices, designs, taken, cost, bound) if np.isfinite(cost) else None


def _whole(pool: Pool, designs: int, time_limit: float) -> tuple[float, np.ndarray, bool]:
    """(cost, groups, proven) of the integer program over the pool; infinite cost when nothing covers all."""
    solution = _master(pool, designs, integer=True).solve(time_limit=time_limit)
    if not solution.solved:
        return np.inf, pool.groups[:0], solution.report.status == "infeasible"
    taken = solution.values(np.arange(len(pool.costs))) > 0.5
    return float(pool.costs[taken].sum()), pool.groups[taken], solution.report.status == "optimal"


def _master(pool: Pool, designs: int, integer: bool = False) -> Program:
    """The set partitioning program over the pool; `missing` lets a relaxation say that nothing fits."""
    program = Program("kit_designs")
    n = pool.groups.shape[1]
    take = np.array(program.variables("take", len(pool.costs), integer=integer, high=1.0 if integer else None))
    program.objective(take.tolist(), pool.costs)
    missing: list[int] = []
    if not integer:
        missing = program.variables("missing", n)
        program.objective(missing, np.full(n, 1e3 * (1.0 + pool.costs.max(initial=1.0))))
    for g in range(n):
        handles = [*take[pool.groups[:, g]].tolist(), *missing[g:g + 1]]
        program.row(f"stratum_{g}", handles, np.ones(len(handles)), low=1.0, high=1.0)
    program.row("designs", take.tolist(), np.ones(len(take)), high=float(designs))
    return program
