"""The joint-readiness program: the cheapest par levels that meet enough scenarios.

Sets      items i; levels j of item i above its lower bound; distinct vectors u of what scenarios need.
Variables x[i,j] in {0,1}: par of item i reaches level j.  z[u] in [0,1]: vector u is met.
Rows      levels in order          x[i,j] <= x[i,j-1]
          a vector is met only by all of its items     z[u] <= x[i, level of u_i]
          enough scenarios          met + sum_u weight_u z[u] >= required
          limits                    sum_i volume_i par_i <= shelf (and money likewise)
A vector that needs more of one item only is met exactly when that item's level is reached: its weight goes
to x[i,j] and it needs no z. All rows but the last two kinds form a closure problem, whose linear relaxation
is whole; so the relaxation of the full program is nearly whole (Picard, Manag Sci 1976;22:1268, from memory).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from kitplan.solve.closure import best_cut, stepped_down_from, stepped_down_variously
from kitplan.solve.collapse import Collapsed, collapse, own_quantiles, restrict
from kitplan.solve.descent import Descent, descend
from kitplan.solve.program import Program, Solution
from kitplan.solve.values import SolverReport

ABOVE_ZERO = 1e-6

LARGEST_GAP = 0.005
"""Gap that no policy may exceed, share of the objective; also the gap at which the dual question stops."""

FIRST_CUTS = 500
"""Needs above the lower bound from which minimum cuts are tried first: they take hundredths of a second."""

CUT_ENTRIES = 1_000
"""Needs above the lower bound from which no integer program of them all is asked, for it may take seconds, or minutes:
programs about the plan in hand come within the gap in a second, and what they leave is told as it is (0.3 % at most in
a hundred generated units)."""

RELAXED_ENTRIES = 60_000
"""Needs above the lower bound from which the relaxation, which knows the limits too, would take ten seconds."""

_WIDTHS = (3, 6, 12)
"""Levels either side of a plan's own that programs about it may choose, the next where one saves nothing more."""
WINDOW_ENTRIES = 6_000
"""Needs in the largest program about a plan: it takes half a second, about."""
_WORTH_MORE = 3e-4
"""Share saved under which the next programs look further."""


@dataclass(frozen=True)
class Limit:
    """One limit on the whole shelf: sum of per_unit * par <= room. name is a plain word ("shelf", "budget")."""

    name: str
    per_unit: np.ndarray
    room: float

    @property
    def size(self) -> float:
        """What amounts over the limit are measured against: its room, at least one unit."""
        return max(self.room, 1.0)

    def kept_by(self, par: np.ndarray) -> bool:
        """True if `par` (levels, shape (n_items,)) stays within the limit."""
        return bool(self.per_unit @ par <= self.room + 1e-6 * max(1.0, abs(self.room)))


def within(limits: Sequence[Limit], par: np.ndarray) -> bool:
    return all(limit.kept_by(par) for limit in limits)


@dataclass(frozen=True)
class Stated:
    """A program with the handles needed to read it: steps[i] are the x of item i, vectors the z."""

    program: Program
    collapsed: Collapsed
    steps: list[list[int]]
    shares: dict[int, float]

    def rises(self, item: int) -> np.ndarray:
        """Single items added by each level of `item`."""
        return np.diff(self.collapsed.levels[item], prepend=self.collapsed.lower[item])


@dataclass(frozen=True)
class ParSolution:
    """Par levels found (None if the program is infeasible), how they were found, and what limits are worth.

    par: levels, shape (n_items,). duals: by row name, change of the objective for one unit more of the limit;
    "ready" is for one scenario more, the limits' names for one unit more room.
    """

    par: np.ndarray | None
    report: SolverReport
    duals: dict[str, float]


def state_levels(name: str, sense: str, collapsed: Collapsed) -> Stated:
    """State x, z and their rows: x[i,j] <= x[i,j-1] and z[u] <= x[i, level of u_i]."""
    program = Program(name, sense)
    steps = []
    for i, levels in enumerate(collapsed.levels):
        handles = program.variables(f"x{i}_", len(levels), high=1, integer=True)
        for j, (above, below) in enumerate(zip(handles[1:], handles), start=1):
            program.row(f"order_{i}_{j}", [above, below], [1.0, -1.0], high=0.0)
        steps.append(handles)
    several = np.count_nonzero(collapsed.vectors, axis=1) > 1
    shares: dict[int, float] = {}
    for vector, weight in zip(collapsed.vectors[~several], collapsed.weights[~several].tolist()):
        item = int(np.flatnonzero(vector)[0])
        handle = steps[item][vector[item] - 1]
        shares[handle] = shares.get(handle, 0.0) + weight
    met = program.variables("z", int(several.sum()), high=1)
    shares.update(zip(met, collapsed.weights[several].tolist()))
    vectors, items = np.nonzero(collapsed.vectors[several])
    levels_needed = collapsed.vectors[several][vectors, items]
    for u, i, j in zip(vectors.tolist(), items.tolist(), levels_needed.tolist()):
        program.row(f"met_{u}_{i}", [met[u], steps[i][j - 1]], [1.0, -1.0], high=0.0)
    return Stated(program, collapsed, steps, shares)


def add_cost(stated: Stated, cost: np.ndarray) -> None:
    """Objective: cost of what is held above the lower bound, plus the cost of the lower bound itself."""
    for i, handles in enumerate(stated.steps):
        stated.program.objective(handles, (cost[i] * stated.rises(i)).tolist())
    stated.program.objective([], [], constant=float(cost @ stated.collapsed.lower))


def _stated(
    name: str, collapsed: Collapsed, cost: np.ndarray, required: int, limits: Sequence[Limit]
) -> Stated:
    """The whole program: the cheapest levels that meet `required` within the limits."""
    stated = state_levels(name, "min", collapsed)
    add_cost(stated, cost)
    add_readiness(stated, required)
    for limit in limits:
        add_limit(stated, limit)
    return stated


def add_readiness(stated: Stated, required: int) -> None:
    """Row "ready": sum_u weight_u z[u] >= required - met."""
    if stated.shares:
        handles = list(stated.shares)
        room = float(required - stated.collapsed.met)
        stated.program.row("ready", handles, [stated.shares[h] for h in handles], low=room)


def add_limit(stated: Stated, limit: Limit, penalty: float | None = None) -> int | None:
    """Row limit.name: per_unit . par <= room; with a penalty the row may be broken, and its handle comes back."""
    handles = [h for steps in stated.steps for h in steps]
    weights = np.concatenate([limit.per_unit[i] * stated.rises(i) for i in range(len(stated.steps))]).tolist()
    room = limit.room - float(limit.per_unit @ stated.collapsed.lower)
    if penalty is None:
        stated.program.row(limit.name, handles, weights, high=room)
        return None
    (short,) = stated.program.variables(f"short_{limit.name}_", 1)
    stated.program.objective([short], penalty)
    stated.program.row(limit.name, [*handles, short], [*weights, -1.0], high=room)
    return short


def read_par(stated: Stated, solution: Solution, above: float = 0.5) -> np.ndarray:
    """Return the level of each item: its lower bound, or its highest level with x > `above`."""
    par = stated.collapsed.lower.copy()
    for i, handles in enumerate(stated.steps):
        reached = np.flatnonzero(solution.values(handles) > above)
        if len(reached):
            par[i] = stated.collapsed.levels[i][reached[-1]]
    return par


def cheapest(
    needs: np.ndarray,
    cost: np.ndarray,
    required: int,
    floor: np.ndarray,
    gap: float,
    time_limit: float,
    limits: Sequence[Limit] = (),
    search: bool = True,
) -> ParSolution:
    """Return the cheapest par levels that meet `required` scenarios, at least `floor` and within `limits`.

    needs : int, shape (n_scenarios, n_items). cost, floor : per level and in levels, shape (n_items,).
    All but small programs are bounded by a few minimum cuts first, which give the bound of the linear relaxation and a
    plan stepped down from it; within `gap` of that bound it is proven good enough. Else, and for small programs, the
    relaxation is solved, which knows the limits too, and what it does not prove is searched by the integer program.
    search: with False the plan stepped down to is given with its gap, and no integer program is asked.
    """
    lower = np.maximum(own_quantiles(needs, required), floor)
    collapsed = collapse(needs, lower)
    entries, quick = needs_above(collapsed), None
    if entries > FIRST_CUTS or not search:
        found = _by_cuts(collapsed, cost, required, gap, limits, search)
        quick = found.par
        most = CUT_ENTRIES if not limits or quick is None else RELAXED_ENTRIES
        if not search or entries > most or found.report.status == "infeasible" or found.report.gap <= gap:
            return found
    stated = _stated("par", collapsed, cost, required, limits)
    relaxed = stated.program.solve(integer=False, time_limit=time_limit)
    if not relaxed.solved:
        return _without_proof(collapsed, relaxed.report, cost, required, limits)
    rows = [*["ready"] * bool(stated.shares), *(limit.name for limit in limits)]
    duals = {row: relaxed.dual(row) for row in rows}
    best = _step_down_best(needs, stated, relaxed, cost, required, limits, duals)
    if quick is not None and (best is None or cost @ quick < cost @ best):
        best = quick
    if best is not None:
        told = relaxed.report
        report = _report(told.name, float(cost @ best), told.bound, told.bound, gap, told.seconds)
        if report.status == "optimal" or entries > CUT_ENTRIES:
            return ParSolution(best, report, duals)
    return _finish(needs, stated, relaxed, cost, required, gap, time_limit, best, duals)


def weighed_by_room(limits: Sequence[Limit]) -> list[tuple[np.ndarray, float]]:
    """What one more of each item takes of each limit's room, and of all rooms together; and what is room enough.

    Of all rooms together the least is sought, for a sum within theirs may still break one of them.
    """
    rooms = [(limit.per_unit / limit.size, limit.room / limit.size) for limit in limits]
    return rooms if len(rooms) < 2 else [*rooms, (np.sum([weights for weights, _ in rooms], axis=0), 0.0)]


def step_down_within_limits(
    collapsed: Collapsed, cost: np.ndarray, required: int, limits: Sequence[Limit], path: Descent | None = None
) -> tuple[np.ndarray | None, bool]:
    """Return the cheapest plan within the limits found by stepping down, and whether there is provably none.

    path: the steps weighed by money, where they are known.

    Steps are weighed by money, by each limit's room, and by all rooms together; without luck the plans that take
    least room are improved until one is within. There is none if a cut puts the room that `required` takes above a
    limit.
    """
    rooms = weighed_by_room(limits)
    paths = [path or descend(collapsed, cost, required)]
    paths += [descend(collapsed, weights, required) for weights, _ in rooms]
    plans = [steps.cheapest_with(required) for steps in paths]
    found = [par for par in plans if par is not None and within(limits, par)]
    if not found and collapsed.met < required <= collapsed.reach:
        bounds = [best_cut(collapsed, limit.per_unit, required)[0].value for limit in limits]
        if any(bound > limit.room + 1e-6 * limit.size for bound, limit in zip(bounds, limits)):
            return None, True
        for (weights, enough), plan in zip(rooms, plans[1:]):
            if plan is not None and within(limits, par := improve(collapsed, weights, required, plan, enough=enough)):
                found.append(par)
                break
    return (min(found, key=lambda par: float(cost @ par)) if found else None), False


def improve(
    collapsed: Collapsed, cost: np.ndarray, required: int, par: np.ndarray, limits: Sequence[Limit] = (),
    enough: float = 0.0,
) -> np.ndarray:
    """Search about a plan, further and further from it, for a cheaper one while it costs over `enough`."""
    return search_about(collapsed, par, lambda near: _stated("window", near, cost, required, limits),
                        lambda plan: float(cost @ plan), enough)


def search_about(
    collapsed: Collapsed, par: np.ndarray, state: Callable[[Collapsed], Stated], value: Callable[[np.ndarray], float],
    enough: float, gap: float = _WORTH_MORE,
) -> np.ndarray:
    """Search about a plan for one of less value, while that is over `enough`, by small programs that `state` states.

    A program of the levels next to a plan takes hundredths of a second, whatever the whole one takes (local branching
    with levels as neighbourhood: Fischetti & Lodi, Math Program 2003;98:23, from memory).
    """
    items = np.flatnonzero([len(levels) for levels in collapsed.levels])
    for width in _WIDTHS:
        before = np.inf
        while enough < value(par) < (1 - _WORTH_MORE) * before:
            before = value(par)
            par = _best_about(collapsed, par, state, value, items, width, gap)
    return par


def _best_about(
    collapsed: Collapsed, par: np.ndarray, state: Callable[[Collapsed], Stated], value: Callable[[np.ndarray], float],
    items: np.ndarray, width: int, gap: float,
) -> np.ndarray:
    """The best plan at most `width` levels of each of `items` from `par`; half of them after the other half where
    that is too large a program.
    """
    low = np.array([np.searchsorted(levels, p, side="right") for levels, p in zip(collapsed.levels, par)])
    high, heights = low.copy(), np.array([len(levels) for levels in collapsed.levels])
    low[items] = np.maximum(low[items] - width, 0)
    high[items] = np.minimum(high[items] + width, heights[items])
    window = restrict(collapsed, low, high)
    if needs_above(window) > WINDOW_ENTRIES:
        for half in (items[::2], items[1::2]) if len(items) > 1 else ():
            par = _best_about(collapsed, par, state, value, half, width, gap)
        return par
    stated = state(window)
    solution = stated.program.searched(gap)
    found = read_par(stated, solution) if solution.solved else par
    return min(par, found, key=value)


def needs_above(collapsed: Collapsed) -> int:
    """Needs above the lower bound, which a program has as many rows of."""
    return int(np.count_nonzero(collapsed.vectors))


def _by_cuts(
    collapsed: Collapsed, cost: np.ndarray, required: int, gap: float, limits: Sequence[Limit], search: bool
) -> ParSolution:
    """Step down to a plan, from everything held and from a minimum cut, and bound it by the best cut; with `search` it
    is improved by small integer programs.

    Without a plan where none is found within the limits. The bound leaves the limits out: they can only make plans
    dearer, so it holds all the same.
    """
    started, name = time.perf_counter(), "minimum cuts"
    path = descend(collapsed, cost, required)
    par, none_there = step_down_within_limits(collapsed, cost, required, limits, path)
    if par is None:
        status = "infeasible" if none_there else "failed"
        return ParSolution(None, SolverReport(name, status, np.nan, np.nan, np.nan, np.nan, 0.0), {})
    cut, over = best_cut(collapsed, cost, required, float(cost @ par) * (1 - gap), gap / 10, path)
    if cut.value < float(cost @ par) * (1 - gap):
        nearer = [stepped_down_from(collapsed, over, cost, required)]
        if search and cut.value < float(cost @ nearer[0]) * (1 - gap):
            nearer += stepped_down_variously(collapsed, cost, required, cut.price)
        par = min([par, *(plan for plan in nearer if within(limits, plan))], key=lambda plan: float(cost @ plan))
    par = improve(collapsed, cost, required, par, limits, cut.value / (1 - gap)) if search else par
    report = _report(name, float(cost @ par), cut.value, cut.value, gap, time.perf_counter() - started)
    return ParSolution(par, report, {"ready": cut.price} | {limit.name: 0.0 for limit in limits})


def _without_proof(
    collapsed: Collapsed, report: SolverReport, cost: np.ndarray, required: int, limits: Sequence[Limit]
) -> ParSolution:
    """Return no plan if there is none, else (the solver was stopped too early) the plan stepped down to."""
    par = None if report.status == "infeasible" else descend(collapsed, cost, required).cheapest_with(required)
    if par is None or not within(limits, par):
        return ParSolution(None, report, {})
    return ParSolution(par, replace(report, status="feasible", objective=float(cost @ par)), {})


def _step_down_best(
    needs: np.ndarray,
    stated: Stated,
    relaxed: Solution,
    cost: np.ndarray,
    required: int,
    limits: Sequence[Limit],
    duals: dict[str, float],
) -> np.ndarray | None:
    """Return the cheapest feasible plan found by stepping down from the relaxation rounded up, and from full cover.

    A limit that binds is priced into the steps at its dual.
    """
    priced = cost.astype(float)
    for limit in limits:
        priced = priced + max(0.0, -duals[limit.name]) * limit.per_unit
    upper = read_par(stated, relaxed, above=ABOVE_ZERO)
    found = []
    for collapsed in (collapse(needs, stated.collapsed.lower, upper), stated.collapsed):
        if collapsed.reach >= required:
            par = descend(collapsed, priced, required).cheapest_with(required)
            if par is not None and within(limits, par):
                found.append(par)
    return min(found, key=lambda par: float(cost @ par)) if found else None


def _finish(
    needs: np.ndarray,
    stated: Stated,
    relaxed: Solution,
    cost: np.ndarray,
    required: int,
    gap: float,
    time_limit: float,
    best: np.ndarray | None,
    duals: dict[str, float],
) -> ParSolution:
    solution = stated.program.solve(gap=gap / 2, time_limit=time_limit, relaxation=relaxed)
    bound = relaxed.report.bound
    if solution.solved:
        bound, found = max(bound, solution.report.bound), read_par(stated, solution)
        best = found if best is None or cost @ found < cost @ best else best
    if best is None:
        return ParSolution(None, solution.report, duals)
    trimmed = descend(collapse(needs, stated.collapsed.lower, best), cost, required).cheapest_with(required)
    best = best if trimmed is None else trimmed
    before, after = relaxed.report, solution.report
    report = _report(before.name, float(cost @ best), before.bound, bound, gap, after.seconds)
    return ParSolution(best, report, duals)


def _report(name: str, value: float, lp_bound: float, bound: float, gap: float, seconds: float) -> SolverReport:
    """What is said of a plan that costs `value`: optimal where it is proven to within `gap`."""
    width = max(0.0, value - bound) / abs(value) if abs(value) > 1e-12 else 0.0
    status = "optimal" if width <= max(gap, 1e-9) else "feasible"
    return SolverReport(name, status, value, lp_bound, min(bound, value), width, seconds)
