"""When a shelf or a budget is too small: the most readiness within it, and how much more would be enough."""

from __future__ import annotations

import time
from collections.abc import Sequence
from functools import partial

import numpy as np

from kitplan.parts.par.instance import ParInstance
from kitplan.solve.closure import most_within
from kitplan.solve.collapse import Collapsed, collapse, own_quantiles, restrict
from kitplan.solve.descent import descend
from kitplan.solve.par_program import (
    CUT_ENTRIES,
    LARGEST_GAP,
    Limit,
    ParSolution,
    Stated,
    add_limit,
    add_readiness,
    improve,
    needs_above,
    read_par,
    search_about,
    state_levels,
    weighed_by_room,
    within,
)
from kitplan.solve.values import SolverReport

NEAR = 0.02
"""Share of the scenarios between plan and bound up to which integer programs about the plan are asked. Where more are
between, half of the scenarios or so cannot be met at all; the programs are then slow and find next to nothing."""

MIXES = 5
"""Steps by which what two limits weigh goes from one limit alone to both alike (stepping down costs little)."""


def readiest(asked: ParInstance, floor: np.ndarray) -> ParSolution:
    """Return the par levels within the limits and not under `floor` that meet most scenarios.

    maximise met + sum_u weight_u z[u] subject to the rows of `collapsed` and the limits. `floor` itself must be
    within the limits. Minimum cuts give a plan and a bound; what lies between is searched by the integer program
    where that is small, else by small ones about the plan. The search ends within half of the gap; the plan is
    called optimal only where no other meets one scenario more. The report's gap is the share of the bound that is
    missing; its objective, bounds and duals count scenarios (duals: scenarios met for one unit more of the limit).
    """
    started, needs, limits = time.perf_counter(), asked.needs, asked.limits
    enough = 0.2 * asked.gap * len(needs)
    par, bound, duals = _by_cuts(asked, floor, enough)
    name, lp_bound = "minimum cuts", bound

    def missing(plan: np.ndarray) -> float:
        return bound - met_by(needs, plan) if within(limits, plan) else np.inf

    collapsed = collapse(needs, np.maximum(own_quantiles(needs, met_by(needs, par)), floor))
    if missing(par) > enough and needs_above(collapsed) <= CUT_ENTRIES:
        stated = state_most_ready(collapsed, limits)
        relaxed = stated.program.solve(integer=False, time_limit=asked.time_limit)
        if relaxed.solved:
            name, lp_bound = relaxed.report.name, min(bound, relaxed.report.bound)
            duals = {limit.name: relaxed.dual(limit.name) for limit in limits}
            whole = min(0.5, 0.5 * asked.gap * len(needs) / max(lp_bound - collapsed.met, 1.0))
            solution = stated.program.solve(gap=whole, time_limit=asked.time_limit, relaxation=relaxed)
            bound = min(lp_bound, solution.report.bound) if solution.solved else lp_bound
            par = min(par, read_par(stated, solution), key=missing) if solution.solved else par
    elif missing(par) <= NEAR * len(needs):
        state = partial(state_most_ready, limits=limits)
        par = search_about(collapsed, par, state, missing, enough, asked.gap / 10)
    ready = float(met_by(needs, par))
    status = "optimal" if bound < ready + 1 - 1e-6 else "feasible"
    bound, lp_bound = max(bound, ready), max(lp_bound, ready)
    width = (bound - ready) / max(bound, 1.0)
    return ParSolution(
        par, SolverReport(name, status, ready, lp_bound, bound, width, time.perf_counter() - started), duals
    )


def met_by(needs: np.ndarray, par: np.ndarray) -> int:
    """Scenarios in which `par` lasts."""
    return int(np.count_nonzero(np.all(needs <= par, axis=1)))


def _by_cuts(asked: ParInstance, floor: np.ndarray, enough: float) -> tuple[np.ndarray, float, dict[str, float]]:
    """Return a plan within the limits, a bound on the scenarios of any, and what one unit more of each limit is worth.

    A bound for plans that meet `required` needs to know each item's own quantile only, so it is much nearer than one
    for all plans, and one that is under `required` says that there are none. `required` is halved between the plan in
    hand and the bound so found. Plans are stepped down from the cuts' own, and from everything at the end.
    """
    needs, cost, limits = asked.needs, asked.cost, asked.limits
    sizes, rooms = np.array([limit.size for limit in limits]), np.array([limit.room for limit in limits])
    shares = np.array([limit.per_unit for limit in limits]) / sizes[:, None]
    mixes = np.array([[1.0]] if len(limits) == 1 else [[s, 1 - s] for s in np.linspace(0, 1, 1 + 2 * MIXES)])
    par, ready, bound, worth = floor, met_by(needs, floor), float(len(needs)), np.zeros(len(limits))
    required, tried = len(needs) // 2, set()
    while bound - ready > enough and required not in tried:
        tried.add(required)
        collapsed = collapse(needs, np.maximum(own_quantiles(needs, required), floor))
        most, price, mix = required - 1.0, np.inf, mixes[0]
        if within(limits, collapsed.lower):
            cuts = [(*most_within(collapsed, m @ shares, float(m @ (rooms / sizes))), m) for m in mixes[::MIXES]]
            found = [_step_down(collapsed, over, [mix @ shares], cost, limits) for _, _, over, mix in cuts]
            par, ready = max([(par, ready), *found], key=lambda plan: plan[1])
            most, price, _, mix = min(cuts, key=lambda cut: cut[0])
        if max(most, required - 1) < bound:
            bound, worth = max(most, required - 1.0), mix / sizes / price
        required = int(ready + bound + 1) // 2 if bound - ready > NEAR * len(needs) else ready
    collapsed = collapse(needs, np.maximum(own_quantiles(needs, ready), floor))
    top = np.array([len(levels) for levels in collapsed.levels])
    for _ in range(2 if bound - ready > enough else 0):
        par, ready = max([(par, ready), _step_down(collapsed, top, mixes @ shares, cost, limits)], key=lambda p: p[1])
        top = np.array([min(np.searchsorted(ladder, p) + 2, len(ladder)) for ladder, p in zip(collapsed.levels, par)])
    return par, bound, {limit.name: float(w) for limit, w in zip(limits, worth)}


def _step_down(
    collapsed: Collapsed, top: np.ndarray, weightings: Sequence[np.ndarray], cost: np.ndarray, limits: Sequence[Limit]
) -> tuple[np.ndarray, int]:
    """Step down from ranks `top` by each weighting until every limit is kept; the readiest, and what it meets."""
    inside, best = restrict(collapsed, np.zeros_like(top), top), (collapsed.lower, -1)
    for weighting in weightings:
        path = descend(inside, weighting + 1e-9 * cost, 0)
        kept = np.all([path.par @ limit.per_unit <= limit.room + 1e-9 for limit in limits], axis=0)
        first = int(np.argmax(kept))
        if kept.any() and path.ready[first] > best[1]:
            best = path.par[first], int(path.ready[first])
    return best


def state_most_ready(collapsed: Collapsed, limits: Sequence[Limit]) -> Stated:
    """Maximise met + sum_u weight_u z[u] within the limits."""
    stated = state_levels("most_ready", "max", collapsed)
    handles = list(stated.shares)
    stated.program.objective(handles, [stated.shares[h] for h in handles], constant=float(collapsed.met))
    for limit in limits:
        add_limit(stated, limit)
    return stated


def least_excess(asked: ParInstance, required: int, gap: float = LARGEST_GAP) -> np.ndarray | None:
    """Return par levels that meet `required` scenarios and go least over the limits; None if none was found.

    The elastic program: minimise sum over limits of short / room, subject to the rows of `collapsed` and
    per_unit . par - short <= room. An answer stepped down from the relaxation is taken if it is within 1 % of
    the room of its bound; else the integer program decides. Large programs are searched by stepping down and
    improving alone: the room they name is enough, and a little less might be.
    """
    limits = asked.limits
    collapsed = collapse(asked.needs, np.maximum(own_quantiles(asked.needs, required), asked.floor))
    if needs_above(collapsed) > CUT_ENTRIES:
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
