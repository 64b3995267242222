"""Par levels: the cheapest stock whose joint readiness holds on scenarios that it was not planned on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from kitplan.demand.values import Demand
from kitplan.parts.par import tables
from kitplan.parts.par.frontier import trace_frontier
from kitplan.parts.par.instance import SELDOM_WHOLE, Candidate, Checked, ParInstance, floor_units
from kitplan.parts.par.limits import least_excess, readiest
from kitplan.parts.par.values import ParPlan
from kitplan.read.values import Unit
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.par_program import LARGEST_GAP, Limit, ParSolution, cheapest, within
from kitplan.solve.positions import Packing
from kitplan.solve.values import SolverReport
from kitplan.solve.verify import joint_readiness

Resample = Callable[[int, str], Demand]

MOST_PLANS = 5
"""Plans made at most in search of one that verification confirms."""

OPTIMISM_LEFT = 0.6
"""Share of the optimism seen between halves of the scenarios that is left when all of them are planned on
(between 1/2 and 1/sqrt(2) as scenarios double)."""


def solve_par(
    unit: Unit,
    demand: Demand,
    verify: Demand,
    *,
    readiness: float | None = None,
    frontier: bool = True,
    resample: Resample | None = None,
) -> ParPlan:
    """Return the cheapest par levels with joint readiness, inside the unit's shelf and budget.

    demand, verify: scenarios to plan on and others to verify on, same items. readiness: target (default: the
    unit's). frontier: sweep the policy's readiness targets too. resample(n, stream): draws further scenarios,
    for a second verification that the raised plan has not seen, and for more to plan on; without it only the
    planning target is raised and the same verification set is used again.
    """
    target = unit.stock.readiness if readiness is None else readiness
    instance = ask(unit, demand)
    checked = Checked(verify, instance.needed(verify))
    over = _floors_over(instance, target)
    if over:
        return _unsafe(instance, target, demand, checked, over)
    instance, candidate, notes = _planned(instance, target, demand, checked, resample)
    return _finished(instance, candidate, target, demand, notes, frontier)


def par_levels(unit: Unit, demand: Demand, verify: Demand) -> np.ndarray:
    """The levels of `solve_par` and nothing about them, int64, shape (n_items,), items as in the catalogue."""
    target = unit.stock.readiness
    instance = ask(unit, demand)
    if _floors_over(instance, target):
        levels = instance.levels(instance.protected(target))
    else:
        levels = _planned(instance, target, demand, Checked(verify, instance.needed(verify)), None)[1].levels
    found = np.zeros(len(levels), dtype=np.int64)
    found[instance.order] = levels
    return found


def _planned(
    instance: ParInstance, target: float, demand: Demand, checked: Checked, resample: Resample | None
) -> tuple[ParInstance, Candidate, list[str]]:
    """The plan that other scenarios confirm, on what it was made, and how it came about."""
    asked, notes = _first_target(instance, target, len(checked.needs))
    candidate = _solve_and_verify(instance, asked, target, checked)
    instance, candidate, more = _until_verified(instance, candidate, target, demand, resample)
    return instance, candidate, [*notes, *more]


def ask(unit: Unit, demand: Demand) -> ParInstance:
    """Put a unit and its scenarios into the form that the programs take."""
    items = unit.items
    order = np.argsort(items["item"].to_numpy(str), kind="stable")
    packing = packing_of(items.iloc[order])
    pack = packing.pack
    price = items["price"].fillna(0.0).to_numpy(float)[order] / pack
    litres = items["litres"].fillna(0.0).to_numpy(float)[order] / pack
    typical = float(price[price > 0].mean()) if (price > 0).any() else 1.0
    weighed = np.where(price > 0, price, 1e-6 * typical * (1.0 + litres))
    packed = np.flatnonzero(pack > 1)

    def both(per_unit: np.ndarray, extra: np.ndarray) -> np.ndarray:
        return np.concatenate([per_unit, (per_unit * extra)[packed]])

    limits = []
    if unit.stock.shelf_litres is not None:
        limits.append(Limit("shelf", both(litres, pack - 1), float(unit.stock.shelf_litres)))
    if unit.stock.budget is not None:
        limits.append(Limit("budget", both(price, pack - 1), float(unit.stock.budget)))
    needs = packing.needed(demand.units[:, order], demand.seed, demand.stream)
    floor = packing.on_grid(floor_units(unit)[order])
    critical = items["critical"].to_numpy(bool)[order]
    return ParInstance(
        unit, order, packing, packed, _with_stocked(needs, packed), price, litres, both(weighed, (pack - 1) / 2),
        _with_stocked(floor[None], packed)[0], np.concatenate([critical, critical[packed]]), tuple(limits),
        min(unit.planning.mip_gap, LARGEST_GAP), unit.planning.time_limit_seconds,
    )


def packing_of(items: pd.DataFrame) -> Packing:
    """How the items of a catalogue, in its order, are packed and counted."""
    pack = items["pack"].to_numpy(np.int64)
    by_pack = items["counted"].to_numpy(str) == "packs"
    return Packing(tuple(items["item"].astype(str)), pack, np.where(by_pack, pack, 1))


def _with_stocked(needs: np.ndarray, packed: np.ndarray) -> np.ndarray:
    """Return needs with a column more for each item in packs, 1 where any of it is needed; columns contiguous."""
    by_item = needs.T
    return np.concatenate([by_item, (by_item[packed] > 0).astype(by_item.dtype)]).T


def _first_target(instance: ParInstance, target: float, n_verify: int) -> tuple[float, list[str]]:
    """Return the readiness to plan at so that the target is likely to hold out of sample, and why.

    A plan fits its own scenarios a little better than others. How much is seen by stepping down on one half
    of the scenarios and looking at the other half; one standard error of verification is added.
    """
    halves = instance.needs[0::2], instance.needs[1::2]
    gains = [0.0]
    for own, other in (halves, halves[::-1]) if len(halves[1]) else ():
        required = min(len(own), int(np.ceil(target * len(own))))
        collapsed = collapse(own, np.maximum(own_quantiles(own, required), instance.floor))
        par = descend(collapsed, instance.cost, required).par[-1]
        gains.append(float(np.mean(np.all(own <= par, axis=1)) - np.mean(np.all(other <= par, axis=1))))
    margin = OPTIMISM_LEFT * max(0.0, sum(gains) / 2)
    margin += float(np.sqrt(target * (1.0 - target) / max(n_verify, 1)))
    asked = min(target + margin, 1.0 - 0.25 * (1.0 - target))
    note = (
        f"Planned at {_points(asked)} % so that {_points(target)} % holds on scenarios not planned on: "
        "a plan fits its own scenarios a little better than others."
    )
    return asked, [note]


def _solve_and_verify(instance: ParInstance, asked: float, target: float, checked: Checked) -> Candidate:
    """Plan at `asked` within the limits if that can be done, else as ready as the limits allow; then verify."""
    required = instance.required(asked)
    free = (instance.needs, instance.cost, required, instance.floor, instance.gap, instance.time_limit)
    solved = cheapest(*free)
    answer = "met"
    if solved.par is not None and not all(limit.kept_by(solved.par) for limit in instance.limits):
        solved = cheapest(*free, instance.limits)
    if solved.par is None:
        answer = "limited"
        solved = readiest(instance, instance.protected(target))
        solved = replace(solved, report=_as_share(solved.report, len(instance.needs)))
    assert solved.par is not None
    levels = instance.levels(solved.par)
    verified = joint_readiness(checked.needs, levels)
    if answer == "limited" and verified < SELDOM_WHOLE:
        levels = _shared(instance, target)
        ready, bound = joint_readiness(instance.needs, instance.columns(levels)), solved.report.bound
        solved = replace(solved, report=replace(solved.report, status="feasible", objective=ready,
                                                gap=max(bound - ready, 0.0) / max(bound, 1e-9)))
        verified = joint_readiness(checked.needs, levels)
    if verified >= target:
        answer = "met"
    return Candidate(asked, solved, levels, verified, answer, checked)


def _shared(instance: ParInstance, target: float) -> np.ndarray:
    """Levels of the same share of each item's own quantile, as large as the limits allow, and protected floors whole.

    Where next to nothing lasts whole, plans are hardly told apart by it, and some leave gloves and tape at nothing.
    """
    protected, own = (instance.levels(columns) for columns in (
        instance.protected(target), own_quantiles(instance.needs, instance.required(target))))
    tried = (np.maximum(protected, instance.packing.on_grid(share * own)) for share in np.linspace(1.0, 0.0, 101))
    return next(levels for levels in tried if within(instance.limits, instance.columns(levels)))


def _as_share(report: SolverReport, n_scenarios: int) -> SolverReport:
    """Return a report on scenarios met as one on readiness."""
    n = float(n_scenarios)
    return replace(report, objective=report.objective / n, lp_bound=report.lp_bound / n, bound=report.bound / n)


def _until_verified(
    instance: ParInstance, candidate: Candidate, target: float, demand: Demand, resample: Resample | None
) -> tuple[ParInstance, Candidate, list[str]]:
    """Plan again, higher and from the third plan on more scenarios, until fresh scenarios confirm the target."""
    notes = []
    policy = instance.unit.planning
    for number in range(2, MOST_PLANS + 1):
        short = target - candidate.verified
        if short <= 0 or candidate.answer != "met":
            break
        asked = _raised(candidate.asked, short, target, len(candidate.checked.needs))
        notes.append(
            f"Plan {number - 1} held in {_points(candidate.verified)} % of the scenarios it was verified on, "
            f"under the target: planned again at {_points(asked)} %"
        )
        checked = candidate.checked
        if resample is not None:
            room = policy.max_scenarios - len(instance.needs)
            if number >= 3 and room > 0:
                extra = resample(min(room, demand.n_scenarios), f"plan-{number}")
                more = _with_stocked(instance.needed(extra), instance.packed)
                instance = replace(instance, needs=np.concatenate([instance.needs.T, more.T], axis=1).T)
                notes[-1] += f" on {len(instance.needs):,} scenarios"
            verify = resample(len(checked.needs), f"verify-{number}")
            checked = Checked(verify, instance.needed(verify))
            notes[-1] += " and verified on fresh ones"
        notes[-1] += "."
        candidate = _solve_and_verify(instance, asked, target, checked)
    return instance, candidate, notes


def _floors_over(instance: ParInstance, target: float) -> list[str]:
    """Return a sentence for each limit that emergency equipment and floors alone exceed."""
    protected = instance.protected(target)
    return tables.floor_sentences(
        [(limit, float(limit.per_unit @ protected)) for limit in instance.limits if not limit.kept_by(protected)],
        instance.unit.currency,
    )


def _unsafe(
    instance: ParInstance, target: float, demand: Demand, checked: Checked, over: list[str]
) -> ParPlan:
    par = instance.protected(target)
    levels = instance.levels(par)
    report = SolverReport("none", "infeasible", instance.mean_value(levels), np.nan, np.nan, np.nan, 0.0)
    verified = joint_readiness(checked.needs, levels)
    candidate = Candidate(target, ParSolution(par, report, {}), levels, verified, "unsafe", checked)
    whole = [
        f"the whole target needs {tables.room_words(name, amount, instance.unit.currency)}"
        for name, amount in _room_missing(instance, candidate, target).items() if amount > 0
    ]
    return replace(_finished(instance, candidate, target, demand, [], False), binding=(*over, *whole))


def _finished(
    instance: ParInstance, candidate: Candidate, target: float, demand: Demand, notes: list[str], frontier: bool
) -> ParPlan:
    """Put the last attempt into the result, with its tables, prices, frontier and what binds."""
    unit, levels = instance.unit, candidate.levels
    ready = instance.judge(levels, candidate.checked, target)
    answer, binding = candidate.answer, []
    if answer == "limited":
        binding = tables.binding_sentences(_room_missing(instance, candidate, target), ready, unit.currency)
        if instance.critical.any():
            notes = [*notes, "Within the limits emergency equipment came first: each item of it lasts on its own as "
                             "the target asks, and the other items share what is left."]
    elif answer == "met" and candidate.verified < target:
        answer = "limited"
        binding = [
            f"verification gives {_points(candidate.verified)} %, under the target of {_points(target)} %: "
            f"more than {len(instance.needs):,} scenarios are needed (planning max_scenarios), or a higher target"
        ]
    present = tables.present_levels(instance)
    sweep, sweep_levels = trace_frontier(instance, candidate, frontier)
    return ParPlan(
        levels=tables.level_table(instance, candidate, target, demand),
        readiness=ready,
        value=instance.largest_value(levels),
        mean_value=instance.mean_value(levels),
        litres=instance.largest_litres(levels),
        solver=candidate.solved.report,
        frontier=sweep,
        frontier_levels=sweep_levels,
        prices=tables.price_table(instance, candidate),
        answer=answer,
        binding=tuple(binding),
        notes=tuple(notes),
        present=None if present is None else tables.stand(instance, present, candidate.checked, target),
    )


def _room_missing(instance: ParInstance, candidate: Candidate, target: float) -> dict[str, float]:
    """Return how much more room each limit needs for a plan that verification confirms with a margin.

    The margin of one standard error leaves the next run, which plans from the start, room to be raised.
    """
    asked, needs = candidate.asked, candidate.checked.needs
    wanted = target + float(np.sqrt(target * (1.0 - target) / len(needs)))
    excess: dict[str, float] = {}
    for _ in range(MOST_PLANS):
        par = least_excess(instance, instance.required(asked))
        if par is None:
            break
        excess = {m.name: max(0.0, float(m.per_unit @ par) - m.room) for m in instance.limits}
        short = wanted - joint_readiness(needs, instance.levels(par))
        if short <= 0:
            break
        asked = _raised(asked, short, target, len(needs))
    return excess


def _raised(asked: float, short: float, target: float, n_verify: int) -> float:
    """Return the readiness to plan at next when verification fell `short` of the target."""
    error = float(np.sqrt(target * (1.0 - target) / n_verify))
    return min(asked + short + 0.5 * error, 1.0 - 0.5 * (1.0 - asked))


def _points(share: float) -> str:
    return f"{100 * share:.4g}"
