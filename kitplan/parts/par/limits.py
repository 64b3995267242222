"""When a shelf or a budget is too small: the most readiness within it, and how much more would be enough."""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np

from kitplan.parts.par.instance import ParInstance
from kitplan.solve.closure import most_within
from kitplan.solve.collapse import Collapsed, collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.par_program import (
    ABOVE_ZERO,
    CUT_ENTRIES,
    LARGEST_GAP,
    Limit,
    ParSolution,
    Stated,
    add_limit,
    add_readiness,
    improve,
    read_par,
    state_levels,
    step_down_within_limits,
    weighed_by_room,
    within,
)
from kitplan.solve.program import Solution
from kitplan.solve.values import SolverReport

LP_ENTRIES = 30_000
"""Needs above the lower bound up to which the dual question goes on to the linear program where cuts leave a gap."""

STAGES = (0.8, 0.5, 0.0)
"""Shares of the scenarios down to which the descent goes, in turn, until the limits are kept."""


def readiest(asked: ParInstance, floor: np.ndarray) -> ParSolution:
    """Return the par levels within the limits and not under `floor` that meet most scenarios.

    maximise met + sum_u weight_u z[u] subject to the rows of `collapsed` and the limits. `floor` itself must be
    within the limits. Stepping down gives a first plan; a better one must hold at least each item's own
    quantile at that plan's readiness, which keeps the program small; where it is large all the same, minimum cuts
    bound it in place of the linear program. The search ends within the gap; the plan is called optimal only where no
    other meets one scenario more. The report's gap is the share of the bound that is missing; its
    objective, bounds and duals count scenarios (duals: scenarios met for one unit more of the limit).
    """
    needs, limits = asked.needs, asked.limits
    par, ready = _step_down_within(needs, floor, limits)
    collapsed = collapse(needs, np.maximum(own_quantiles(needs, ready), floor))
    unproven = SolverReport("descent", "feasible", float(ready), np.nan, float(len(needs)), np.nan, 0.0)
    entries = np.count_nonzero(collapsed.vectors)
    if entries > CUT_ENTRIES:
        found = _readiest_by_cuts(asked, collapsed, par, ready)
        if entries > LP_ENTRIES or found.report.status == "optimal" or found.par is None:
            return found
        par, ready = found.par, int(found.report.objective)
        unproven = found.report
    stated = state_most_ready(collapsed, limits)
    relaxed = stated.program.solve(integer=False, time_limit=asked.time_limit)
    if not relaxed.solved:
        return ParSolution(par, unproven, {})
    duals = {limit.name: relaxed.dual(limit.name) for limit in limits}
    weighting = np.sum([max(duals[limit.name], 0.0) * limit.per_unit for limit in limits], axis=0)
    rounded = collapse(needs, collapsed.lower, read_par(stated, relaxed, above=ABOVE_ZERO))
    stepped = _first_within(rounded, weighting + 1e-9 * asked.cost, limits)
    if stepped is not None and stepped[1] > ready:
        par, ready = stepped
    bound, seconds = relaxed.report.bound, relaxed.report.seconds
    if bound - ready > asked.gap * len(needs):
        par, ready, bound, took = _close(asked, stated, relaxed, par, ready)
        seconds += took
    return ParSolution(par, _report(relaxed.report.name, ready, relaxed.report.bound, bound, seconds), duals)


def _report(name: str, ready: int, lp_bound: float, bound: float, seconds: float) -> SolverReport:
    """What is said of a plan that meets `ready` scenarios, where none meets more than `bound`."""
    status = "optimal" if bound < ready + 1 - 1e-6 else "feasible"
    width = max(0.0, bound - ready) / max(bound, 1.0)
    return SolverReport(name, status, float(ready), lp_bound, max(bound, float(ready)), width, seconds)


def _readiest_by_cuts(asked: ParInstance, collapsed: Collapsed, par: np.ndarray, ready: int) -> ParSolution:
    """Bound the most scenarios by minimum cuts, and search between the plan in hand and the bound by halving."""
    started, limits = time.perf_counter(), asked.limits
    bounds = [most_within(collapsed, limit.per_unit, limit.room) for limit in limits]
    tightest = int(np.argmin([most for most, _ in bounds]))
    bound, price = max(bounds[tightest][0], float(ready)), bounds[tightest][1]
    low, high = ready, int(bound)
    while high - low > 0.5 * asked.gap * len(asked.needs):
        middle = (low + high + 1) // 2
        found, _ = step_down_within_limits(collapsed, asked.cost, middle, limits)
        if found is None:
            high = middle - 1
            continue
        par, low = found, int(np.count_nonzero(np.all(asked.needs <= found, axis=1)))
    duals = {limit.name: 1.0 / price if k == tightest and price < np.inf else 0.0 for k, limit in enumerate(limits)}
    return ParSolution(par, _report("minimum cuts", low, bound, bound, time.perf_counter() - started), duals)


def _close(
    asked: ParInstance, stated: Stated, relaxed: Solution, par: np.ndarray, ready: int
) -> tuple[np.ndarray, int, float, float]:
    """Solve the integer program: par levels, the scenarios they meet, the bound on any plan's, and its seconds."""
    bound = relaxed.report.bound
    whole = min(0.5, asked.gap * len(asked.needs) / max(bound - stated.collapsed.met, 1.0) / 2)
    solution = stated.program.solve(gap=whole, time_limit=asked.time_limit, relaxation=relaxed)
    if solution.solved:
        bound = min(bound, max(float(ready), solution.report.bound))
        found = read_par(stated, solution)
        met = int(np.count_nonzero(np.all(asked.needs <= found, axis=1)))
        if met > ready and within(asked.limits, found):
            par, ready = found, met
    return par, ready, bound, solution.report.seconds


def state_most_ready(collapsed: Collapsed, limits: Sequence[Limit]) -> Stated:
    """Maximise met + sum_u weight_u z[u] within the limits."""
    stated = state_levels("most_ready", "max", collapsed)
    handles = list(stated.shares)
    stated.program.objective(handles, [stated.shares[h] for h in handles], constant=float(collapsed.met))
    for limit in limits:
        add_limit(stated, limit)
    return stated


def _first_within(
    collapsed: Collapsed, weighting: np.ndarray, limits: Sequence[Limit], stop: int = 0
) -> tuple[np.ndarray, int] | None:
    """Step down by `weighting` until every limit is kept; return that plan and the scenarios it meets."""
    path = descend(collapsed, weighting, stop)
    kept = np.all([path.par @ limit.per_unit <= limit.room + 1e-9 for limit in limits], axis=0)
    if not kept.any():
        return None
    first = int(np.argmax(kept))
    return path.par[first], int(path.ready[first])


def _step_down_within(
    needs: np.ndarray, floor: np.ndarray, limits: Sequence[Limit]
) -> tuple[np.ndarray, int]:
    """Return the most ready plan within the limits that any of a few orders of stepping down passes."""
    shares = [limit.per_unit / limit.size for limit in limits]
    weightings = [*shares, np.sum(shares, axis=0)] if len(shares) > 1 else shares
    for stage in STAGES:
        stop = int(stage * len(needs))
        collapsed = collapse(needs, np.maximum(own_quantiles(needs, stop), floor))
        found = [_first_within(collapsed, weighting, limits, stop) for weighting in weightings]
        best = max((plan for plan in found if plan is not None), key=lambda plan: plan[1], default=None)
        if best is not None:
            return best
    return floor.copy(), int(np.count_nonzero(np.all(needs <= floor, axis=1)))


def least_excess(asked: ParInstance, required: int, gap: float = LARGEST_GAP) -> np.ndarray | None:
    """Return par levels that meet `required` scenarios and go least over the limits; None if none was found.

    The elastic program: minimise sum over limits of short / room, subject to the rows of `collapsed` and
    per_unit . par - short <= room. An answer stepped down from the relaxation is taken if it is within 1 % of
    the room of its bound; else the integer program decides. Large programs are searched by stepping down and
    improving alone: the room they name is enough, and a little less might be.
    """
    limits = asked.limits
    collapsed = collapse(asked.needs, np.maximum(own_quantiles(asked.needs, required), asked.floor))
    if np.count_nonzero(collapsed.vectors) > CUT_ENTRIES:
        return _little_excess(collapsed, required, limits)
    stated = state_levels("elastic", "min", collapsed)
    add_readiness(stated, required)
    shorts = [add_limit(stated, limit, penalty=1.0 / limit.size) for limit in limits]
    relaxed = stated.program.solve(integer=False, time_limit=asked.time_limit)
    if not relaxed.solved:
        return None
    shares = [limit.per_unit / limit.size for limit in limits]
    wanted = [s for s, h in zip(shares, shorts) if h is not None and relaxed.values([h])[0] > 0] or shares
    par = descend(stated.collapsed, np.sum(wanted, axis=0), required).cheapest_with(required)
    if par is None or _excess(par, limits) - relaxed.report.bound > 0.01:
        solution = stated.program.solve(gap=gap, time_limit=asked.time_limit, relaxation=relaxed)
        if solution.solved:
            par = read_par(stated, solution)
    return par


def _little_excess(collapsed: Collapsed, required: int, limits: Sequence[Limit]) -> np.ndarray | None:
    """Return the plan that goes least over the limits of those stepped down to by each limit's room and by all."""
    found = []
    for weights, enough in weighed_by_room(limits):
        plan = descend(collapsed, weights, required).cheapest_with(required)
        if plan is not None:
            found.append(improve(collapsed, weights, required, plan, enough=enough))
    return min(found, key=lambda par: _excess(par, limits)) if found else None


def _excess(par: np.ndarray, limits: Sequence[Limit]) -> float:
    return sum(max(0.0, float(limit.per_unit @ par) - limit.room) / limit.size for limit in limits)
