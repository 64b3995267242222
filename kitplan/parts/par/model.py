"""Par levels: the cheapest stock whose joint readiness holds on scenarios that it was not planned on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from kitplan.demand.values import Demand
from kitplan.parts.par.floors import floor_packs
from kitplan.parts.par.frontier import trace_frontier
from kitplan.parts.par.instance import Candidate, ParInstance
from kitplan.parts.par.limits import least_excess, readiest
from kitplan.parts.par.tables import (
    binding_sentences,
    floor_sentences,
    judge,
    level_table,
    price_table,
    room_words,
    standing_par,
)
from kitplan.parts.par.values import ParPlan
from kitplan.read.values import Unit
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.par_program import LARGEST_GAP, Limit, ParSolution, cheapest
from kitplan.solve.values import SolverReport
from kitplan.solve.verify import joint_readiness, packs_needed, ready_scenarios

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
    over = _floors_over(instance, target)
    if over:
        return _unsafe(instance, target, demand, verify, over)
    asked, notes = _first_target(instance, target, verify.n_scenarios)
    candidate = _solve_and_verify(instance, asked, target, verify)
    instance, candidate, more = _until_verified(instance, candidate, target, demand, resample)
    return _finished(instance, candidate, target, demand, [*notes, *more], frontier)


def ask(unit: Unit, demand: Demand) -> ParInstance:
    """Put a unit and its scenarios into the form that the programs take."""
    items = unit.items
    order = np.argsort(items["item"].to_numpy(str), kind="stable")
    price = items["price"].fillna(0.0).to_numpy(float)[order]
    litres = items["litres"].fillna(0.0).to_numpy(float)[order]
    pack = items["pack"].to_numpy(float)[order]
    typical = float(price[price > 0].mean()) if (price > 0).any() else 1.0
    limits = []
    if unit.stock.shelf_litres is not None:
        limits.append(Limit("shelf", litres, float(unit.stock.shelf_litres)))
    if unit.stock.budget is not None:
        limits.append(Limit("budget", price, float(unit.stock.budget)))
    return ParInstance(
        unit, order, packs_needed(demand.units[:, order], pack), pack, price, litres,
        np.where(price > 0, price, 1e-6 * typical * (1.0 + litres)),
        floor_packs(unit)[order], items["critical"].to_numpy(bool)[order], tuple(limits),
        min(unit.planning.mip_gap, LARGEST_GAP), unit.planning.time_limit_seconds,
    )


def _first_target(instance: ParInstance, target: float, n_verify: int) -> tuple[float, list[str]]:
    """Return the readiness to plan at so that the target is likely to hold out of sample, and why.

    A plan fits its own scenarios a little better than others. How much is seen by stepping down on one half
    of the scenarios and looking at the other half; one standard error of verification is added.
    """
    halves = instance.packs[0::2], instance.packs[1::2]
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


def _solve_and_verify(instance: ParInstance, asked: float, target: float, verify: Demand) -> Candidate:
    """Plan at `asked` within the limits if that can be done, else as ready as the limits allow; then verify."""
    required = instance.required(asked)
    free = (instance.packs, instance.cost, required, instance.floor, instance.gap, instance.time_limit)
    solved = cheapest(*free)
    answer = "met"
    if solved.par is not None and not all(limit.kept_by(solved.par) for limit in instance.limits):
        solved = cheapest(*free, instance.limits)
    if solved.par is None:
        answer = "limited"
        solved = readiest(
            instance.packs, instance.cost, instance.protected(target), instance.limits, LARGEST_GAP, instance.time_limit
        )
        solved = replace(solved, report=_as_share(solved.report, len(instance.packs)))
    assert solved.par is not None
    verified = joint_readiness(instance.units_of(verify), solved.par * instance.pack)
    if verified >= target:
        answer = "met"
    return Candidate(asked, solved, verified, answer, verify)


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
        asked = _raised(candidate.asked, short, target, candidate.verify.n_scenarios)
        notes.append(
            f"Plan {number - 1} held in {_points(candidate.verified)} % of the scenarios it was verified on, "
            f"under the target: planned again at {_points(asked)} %"
        )
        verify = candidate.verify
        if resample is not None:
            room = policy.max_scenarios - len(instance.packs)
            if number >= 3 and room > 0:
                extra = resample(min(room, demand.n_scenarios), f"plan-{number}")
                instance = replace(
                    instance,
                    packs=np.concatenate(
                        [instance.packs.T, packs_needed(instance.units_of(extra), instance.pack).T], axis=1
                    ).T,
                )
                notes[-1] += f" on {len(instance.packs):,} scenarios"
            verify = resample(candidate.verify.n_scenarios, f"verify-{number}")
            notes[-1] += " and verified on fresh ones"
        notes[-1] += "."
        candidate = _solve_and_verify(instance, asked, target, verify)
    return instance, candidate, notes


def _floors_over(instance: ParInstance, target: float) -> list[str]:
    """Return a sentence for each limit that emergency equipment and floors alone exceed."""
    protected = instance.protected(target)
    return floor_sentences(
        [(limit, float(limit.per_pack @ protected)) for limit in instance.limits if not limit.kept_by(protected)],
        instance.unit.currency,
    )


def _unsafe(
    instance: ParInstance, target: float, demand: Demand, verify: Demand, over: list[str]
) -> ParPlan:
    par = instance.protected(target)
    value = float(instance.price @ par)
    report = SolverReport("none", "infeasible", value, np.nan, np.nan, np.nan, 0.0)
    verified = joint_readiness(instance.units_of(verify), par * instance.pack)
    candidate = Candidate(target, ParSolution(par, report, {}), verified, "unsafe", verify)
    whole = [
        f"the whole target needs {room_words(name, amount, instance.unit.currency)}"
        for name, amount in _room_missing(instance, candidate, target).items() if amount > 0
    ]
    return replace(_finished(instance, candidate, target, demand, [], False), binding=(*over, *whole))


def _finished(
    instance: ParInstance, candidate: Candidate, target: float, demand: Demand, notes: list[str], frontier: bool
) -> ParPlan:
    """Put the last attempt into the result, with its tables, prices, frontier and what binds."""
    unit, par, verify = instance.unit, candidate.par, candidate.verify
    ready_in = ready_scenarios(instance.units_of(verify), par * instance.pack)
    planned = float(np.mean(np.all(instance.packs <= par, axis=1)))
    ready = judge(ready_in, verify, par * instance.pack, instance.order, target, planned, len(instance.packs))
    answer, binding = candidate.answer, []
    if answer == "limited":
        binding = binding_sentences(_room_missing(instance, candidate, target), ready, unit.currency)
        if instance.critical.any():
            notes = [*notes, "Within the limits emergency equipment came first: each item of it lasts on its own as "
                             "the target asks, and the other items share what is left."]
    elif answer == "met" and candidate.verified < target:
        answer = "limited"
        binding = [
            f"verification gives {_points(candidate.verified)} %, under the target of {_points(target)} %: "
            f"more than {len(instance.packs):,} scenarios are needed (planning max_scenarios), or a higher target"
        ]
    sweep = trace_frontier(instance, verify) if frontier else pd.DataFrame(
        {"readiness": [candidate.verified], "value": [instance.price @ par], "litres": [instance.litres @ par]}
    )
    return ParPlan(
        levels=level_table(instance, candidate, target, demand),
        readiness=ready,
        value=float(instance.price @ par),
        litres=float(instance.litres @ par),
        solver=candidate.solved.report,
        frontier=sweep,
        prices=price_table(instance, candidate),
        answer=answer,
        binding=tuple(binding),
        notes=tuple(notes),
        present=standing_par(instance, verify, target),
    )


def _room_missing(instance: ParInstance, candidate: Candidate, target: float) -> dict[str, float]:
    """Return how much more room each limit needs for a plan that verification confirms with a margin.

    The margin of one standard error leaves the next run, which plans from the start, room to be raised.
    """
    asked, units = candidate.asked, instance.units_of(candidate.verify)
    wanted = target + float(np.sqrt(target * (1.0 - target) / len(units)))
    excess: dict[str, float] = {}
    for _ in range(MOST_PLANS):
        par = least_excess(
            instance.packs, instance.required(asked), instance.floor, instance.limits, LARGEST_GAP, instance.time_limit
        )
        if par is None:
            break
        excess = {m.name: max(0.0, float(m.per_pack @ par) - m.room) for m in instance.limits}
        short = wanted - joint_readiness(units, par * instance.pack)
        if short <= 0:
            break
        asked = _raised(asked, short, target, len(units))
    return excess


def _raised(asked: float, short: float, target: float, n_verify: int) -> float:
    """Return the readiness to plan at next when verification fell `short` of the target."""
    error = float(np.sqrt(target * (1.0 - target) / n_verify))
    return min(asked + short + 0.5 * error, 1.0 - 0.5 * (1.0 - asked))


def _points(share: float) -> str:
    return f"{100 * share:.4g}"
