"""How long par levels take and what they save: run `python tests/bench/bench_par.py` from the project's folder.

Prints medians of five, as ratios within one run, so that a busy machine matters less.
"""

from __future__ import annotations

import importlib.util
import statistics
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.scenarios import draw_demand
from kitplan.parts.par.limits import readiest
from kitplan.parts.par.model import ask, solve_par
from kitplan.parts.simulate.model import rules, tune
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.par_program import add_cost, add_readiness, cheapest, state_levels
from kitplan.solve.positions import Packing
from kitplan.solve.verify import joint_readiness

SCENARIOS, ITEMS, REPEATS = 20_000, 60, 5


def invented_units(n_scenarios: int, n_items: int, seed: int) -> np.ndarray:
    """Correlated demand, the generator of the tests (tests/solve/conftest.py)."""
    place = Path(__file__).parents[1] / "solve" / "conftest.py"
    spec = importlib.util.spec_from_file_location("invented_rooms", place)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    units: np.ndarray = module.shared_episodes(n_scenarios, n_items, seed)
    return units


def median_seconds(work, repeats: int = REPEATS) -> float:
    taken = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def large_case(readiness: float) -> None:
    """60 items and 20,000 scenarios: by parts, and against the whole integer program handed to the solver as it is."""
    units = invented_units(SCENARIOS, ITEMS, 1)
    catalogue = np.random.default_rng(60)
    pack = catalogue.choice([1.0, 5.0, 10.0, 25.0], ITEMS)
    cost = np.round(catalogue.lognormal(2.5, 0.7, ITEMS), 2)
    names = tuple(f"item {i}" for i in range(ITEMS))
    packing = Packing(names, pack.astype(int), np.ones(ITEMS, dtype=int))
    needs, cost = packing.needed(units, 1, "plan"), cost / pack
    required, floor = int(np.ceil(readiness * SCENARIOS)), np.zeros(ITEMS, dtype=int)
    lower = own_quantiles(needs, required)

    def whole_program(solve: bool):
        stated = state_levels("par", "min", collapse(needs, lower))
        add_cost(stated, cost)
        add_readiness(stated, required)
        if solve:
            room = max(float(cost @ found.par) - float(cost @ lower), 1e-9)
            return stated.program.solve(gap=0.001 * float(cost @ found.par) / room, time_limit=120)
        return stated.program._model()

    found = cheapest(needs, cost, required, floor, 0.001, 120.0)
    stepped = descend(collapse(needs, lower), cost, required).cheapest_with(required)
    times = {
        "collapse": median_seconds(lambda: collapse(needs, lower)),
        "step down": median_seconds(lambda: descend(collapse(needs, lower), cost, required)),
        "build": median_seconds(lambda: whole_program(False)),
        "all": median_seconds(lambda: cheapest(needs, cost, required, floor, 0.001, 120.0)),
        "solver alone": median_seconds(lambda: whole_program(True), 1),
    }
    greedy = float(cost @ stepped) / found.report.lp_bound - 1
    fresh = invented_units(SCENARIOS, ITEMS, 2)
    print(f"{ITEMS} items, {SCENARIOS} scenarios at {readiness:.2f}: all {times['all']:.2f} s; " + ", ".join(
        f"{name} {seconds / times['all']:.2f}" for name, seconds in times.items() if name != "all"))
    print(f"   gap to the bound {100 * found.report.gap:.3f} %; stepping down alone {100 * greedy:.2f} % over it; "
          f"fresh scenarios ready {100 * joint_readiness(packing.needed(fresh, 1, 'verify'), found.par):.2f} %")


def sample(name: str) -> None:
    """A whole `solve_par` against drawing its scenarios, and rules of thumb tuned to the same verified readiness."""
    unit = load_unit(sample_units()[name])
    tables = attempt_tables(unit)
    item_choice = fill_roles(unit, tables)

    def draw(n, stream):
        days = unit.stock.protection_interval_days
        return draw_demand(unit, item_choice, days, n, unit.planning.seed, stream, tables)

    start = time.perf_counter()
    demand, verify = draw(SCENARIOS, "plan"), draw(SCENARIOS, "verify")
    drawing = time.perf_counter() - start
    plan = solve_par(unit, demand, verify, resample=draw)
    seconds = median_seconds(lambda: solve_par(unit, demand, verify, resample=draw))
    print(f"{name}: solve_par with frontier {seconds:.2f} s, {seconds / drawing:.2f} of drawing its scenarios; "
          f"gap {100 * plan.solver.gap:.3f} %; verified {100 * plan.readiness.verified:.2f} %; "
          f"mean value {plan.mean_value:.2f}")
    question = ask(unit, demand)
    needs, history = question.needed(verify), demand.units[:, question.order]
    floor = question.floor[: len(question.order)]
    made = rules(history[:, None, :], 52, floor)
    factors = tune([rule for rule, _ in made.values()],
                   lambda pars: np.array([joint_readiness(needs, par) for par in pars]), plan.readiness.verified)
    for (label, (rule, _)), factor in zip(made.items(), factors):
        if factor is None:
            print(f"   {label}: no factor reaches it")
            continue
        par = rule(factor)
        value = question.mean_value(par)
        print(f"   {label.format(factor)}: {100 * (value / plan.mean_value - 1):+.1f} % of value at "
              f"{100 * joint_readiness(needs, par):.2f} % ready")


def tight(name: str) -> None:
    """The readiest plan where shelf and budget leave a share of what the free plan takes above what is protected."""
    unit = load_unit(sample_units()[name])
    unit = replace(unit, stock=replace(unit.stock, shelf_litres=1e9, budget=1e9))
    tables = attempt_tables(unit)
    days, seed = unit.stock.protection_interval_days, unit.planning.seed
    question = ask(unit, draw_demand(unit, fill_roles(unit, tables), days, SCENARIOS, seed, "plan", tables))
    required, floor = question.required(unit.stock.readiness), question.protected(unit.stock.readiness)
    free = cheapest(question.needs, question.cost, required, question.floor, question.gap, 60.0).par
    for share in (0.9, 0.7, 0.5, 0.4, 0.3):
        limits = [replace(m, room=float(m.per_unit @ (floor + share * (free - floor)))) for m in question.limits]
        start = time.process_time()
        report = readiest(replace(question, limits=tuple(limits)), floor).report
        print(f"{name}, {share:.1f} of both limits: {100 * report.objective / SCENARIOS:.2f} % ready, at most "
              f"{100 * report.bound / SCENARIOS:.2f} %, {time.process_time() - start:.1f} s of processor")


if __name__ == "__main__":
    for target in (0.95, 0.98, 0.99):
        large_case(target)
    for unit_name in sample_units():
        sample(unit_name)
        tight(unit_name)
