"""A second opinion on every program: by trying every plan, and by CBC on a formulation of its own.

CBC shares no code with HiGHS; the second formulation shares none with kitplan: whole levels,
and for each scenario a switch that may be on where every level covers it.
"""

from __future__ import annotations

import itertools
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from kitplan.parts.par.model import ask
from kitplan.planning import plan_unit
from kitplan.read.problems import InputError, UnsafePlan
from kitplan.read.unit import load_unit
from kitplan.solve.collapse import own_quantiles
from kitplan.solve.par_program import cheapest
from kitplan.solve.program import Program

from ..random_units import units
from .cbc import SOLVERS, needs_cbc, solving_by
from .test_golden import COST, NEED, PACKS, SHELF, elastic, most_ready, par_levels

SCENARIOS = 40
"""Scenarios of a random unit that the second program is asked about: its relaxation is weak."""


def every_plan():
    """(par, scenarios met) of every plan on the golden stock room that holds each item's own quantile."""
    lowest = own_quantiles(PACKS, NEED)
    for par in itertools.product(*(range(low, top + 1) for low, top in zip(lowest, PACKS.max(axis=0)))):
        yield np.array(par), int(np.all(par >= PACKS, axis=1).sum())


def litres(par) -> float:
    return float(SHELF.per_unit @ par)


BY_TRYING = {
    par_levels: lambda: min(COST @ p for p, met in every_plan() if met >= NEED and litres(p) <= SHELF.room),
    most_ready: lambda: max(met for p, met in every_plan() if litres(p) <= SHELF.room),
    elastic: lambda: min(0.25 * max(litres(p) - 4.0, 0.0) for p, met in every_plan() if met >= NEED),
}


@pytest.mark.parametrize("solver", SOLVERS)
@pytest.mark.parametrize("family", BY_TRYING, ids=lambda f: f.__name__)
def test_the_optimum_of_every_golden_program_is_the_best_of_all_plans(family, solver):
    with solving_by(solver):
        solution = family().solve()
    assert solution.report.objective == pytest.approx(BY_TRYING[family]())


def least_cost_by_cbc(needs: np.ndarray, cost: np.ndarray, required: int, floor: np.ndarray) -> float:
    """Least cost of levels that meet `required` scenarios, by CBC."""
    program = Program("second")
    most = np.maximum(needs.max(axis=0), floor)
    level = program.variables("x", needs.shape[1], low=floor, high=most, integer=True)
    met = program.variables("y", len(needs), high=1.0, integer=True)
    program.objective(level, cost)
    program.row("ready", met, np.ones(len(met)), low=float(required))
    for s, i in zip(*np.nonzero(needs > floor)):
        more = float(needs[s, i] - floor[i])
        program.row(f"covers_{s}_{i}", [level[i], met[s]], [1.0, -more], low=float(floor[i]))
    with solving_by("cbc"):
        return float(program.solve(time_limit=60.0).report.objective)


@needs_cbc
@settings(
    max_examples=3, derandomize=True, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
)
@given(units(scenarios=100))
def test_the_readiness_program_of_a_random_unit_has_the_same_optimum(drawn):
    with tempfile.TemporaryDirectory() as place:
        try:
            plan = plan_unit(load_unit(drawn.write(Path(place) / "unit")), parts=("par",))
        except (InputError, UnsafePlan):
            return
    asked = ask(plan.unit, plan.demand())
    needs = asked.needs[:SCENARIOS]
    required = int(np.ceil(plan.unit.stock.readiness * len(needs) - 1e-9))
    ours = cheapest(needs, asked.cost, required, asked.floor, 0.0, 60.0)
    least = least_cost_by_cbc(needs, asked.cost, required, np.asarray(asked.floor))
    assert ours.par is not None
    assert float(asked.cost @ ours.par) == pytest.approx(least, rel=1e-6, abs=1e-6)
    assert ours.report.bound <= least * (1 + 1e-6) + 1e-6
