"""At most K kit designs: set partitioning over groups of strata, with its linear bound, for every K.

minimise sum cost[j] take[j]; every stratum in exactly one group taken; at most K groups taken. Columns are priced
into the linear relaxation until none is missing (Dantzig & Wolfe, Operations Research 1960;8:101, from memory);
every column whose reduced cost is within the gap then enters the integer program, which makes it exact.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from kitplan.optimise.kit_groups import group_costs
from kitplan.optimise.kit_pricing import EXACT_STRATA, AllGroups, SearchedGroups
from kitplan.optimise.kit_slots import Slot
from kitplan.optimise.program import Program, Solution

_TINY = 1e-6
_ROUNDS = 60
_ENOUGH = 30
_MOST_COLUMNS = 8000
_ANY = 1e12


@dataclass(frozen=True)
class Partition:
    """The best designs found for at most `designs` of them.

    groups: bool ndarray (n_groups, n_strata). cost: money a month. bound: proven lower bound (linear relaxation, or
    its Lagrangian bound where pricing was stopped). gap: (cost - bound) / cost. seconds: time taken.
    """

    designs: int
    groups: np.ndarray
    cost: float
    bound: float
    gap: float
    seconds: float


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


def design_curve(
    slots: Sequence[Slot], container_litres: float | None, most_designs: int, time_limit: float
) -> list[Partition | None]:
    """The best partition into at most K designs for K = 1..most_designs; None where the container forbids it.

    Exact for up to EXACT_STRATA strata. Beyond, groups are searched for during at most time_limit seconds and the
    proven bound is reported.
    """
    n = len(slots[0].own)
    source = AllGroups if n <= EXACT_STRATA else SearchedGroups
    groups = source(slots, container_litres)
    pool = Pool(n)
    _start(slots, container_litres, pool)
    deadline = time.perf_counter() + time_limit
    curve: list[Partition | None] = []
    fewer_costs_more = -np.inf
    for designs in range(most_designs, 1, -1):
        found = _best(groups, pool, designs, deadline, time_limit, fewer_costs_more)
        fewer_costs_more = found.bound if found else fewer_costs_more
        curve.append(found)
    return [_one_design(slots, container_litres), *curve[::-1]]


def _one_design(slots: Sequence[Slot], container_litres: float | None) -> Partition | None:
    """One design for every stratum: nothing to choose, so its cost is its bound."""
    started = time.perf_counter()
    everyone = np.ones((1, len(slots[0].own)), dtype=bool)
    cost, litres = group_costs(slots, everyone)
    if not np.isfinite(cost[0]) or (container_litres is not None and litres[0] > container_litres + 1e-9):
        return None
    return Partition(1, everyone, float(cost[0]), float(cost[0]), 0.0, time.perf_counter() - started)


def _start(slots: Sequence[Slot], container_litres: float | None, pool: Pool) -> None:
    """Fill the pool with every stratum alone and the merges that cost least, one after another."""
    n = len(slots[0].own)
    groups = np.eye(n, dtype=bool)
    limit = np.inf if container_litres is None else container_litres + 1e-9
    costs, litres = group_costs(slots, groups)
    pool.add(groups[litres <= limit], costs[litres <= limit])
    while len(groups) > 1:
        first, second = np.triu_indices(len(groups), 1)
        merged = groups[first] | groups[second]
        cost, litre = group_costs(slots, merged)
        fits = (litre <= limit) & np.isfinite(cost)
        if not fits.any():
            return
        pool.add(merged[fits], cost[fits])
        rise = np.where(fits, cost - costs[first] - costs[second], np.inf)
        best = int(np.argmin(rise))
        kept = np.ones(len(groups), dtype=bool)
        kept[[first[best], second[best]]] = False
        groups = np.concatenate([groups[kept], merged[[best]]])
        costs = np.concatenate([costs[kept], cost[[best]]])


def _best(
    source: AllGroups | SearchedGroups, pool: Pool, designs: int, deadline: float, time_limit: float, known: float
) -> Partition | None:
    """Solve for one K: price columns into the relaxation, then the integer program over all that can matter.

    known: a bound that holds already (that of one design more).
    """
    started = time.perf_counter()
    n = pool.groups.shape[1]
    bound = known
    for _ in range(_ROUNDS):
        relaxed = _master(pool, designs).solve(integer=False)
        duals, design_dual = _duals(relaxed, n)
        priced = source.price(duals, design_dual - _TINY, enough=_ENOUGH, deadline=deadline)
        bound = max(bound, relaxed.report.objective + designs * min(priced.least - design_dual, 0.0))
        missing = float(relaxed.values(np.arange(len(pool.costs), len(pool.costs) + n)).sum())
        if not pool.add(priced.groups, priced.costs) or time.perf_counter() > deadline:
            break
    if missing > _TINY:
        return None
    cost, taken, proven = _whole(pool, designs, time_limit)
    if cost - bound > max(_TINY, 1e-9 * abs(bound)) and time.perf_counter() < deadline:
        width = min(cost - bound, _ANY) + _TINY
        near = source.price(duals, design_dual + width, _MOST_COLUMNS, deadline=deadline)
        if pool.add(near.groups, near.costs):
            cost, taken, proven = _whole(pool, designs, time_limit)
        if proven and near.complete:
            bound = max(bound, cost)
    if not np.isfinite(cost):
        return None
    gap = max(cost - bound, 0.0) / cost if cost > 0 else 0.0
    return Partition(designs, taken, cost, min(bound, cost), gap, time.perf_counter() - started)


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


def _duals(relaxed: Solution, n: int) -> tuple[np.ndarray, float]:
    """(dual of each stratum's row, dual of the row that limits the designs, at most 0)."""
    return np.array([relaxed.dual(f"stratum_{g}") for g in range(n)]), relaxed.dual("designs")
