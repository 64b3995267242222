"""Run the parts in order, unit in, plan out: the one place where the rooms meet."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from kitplan import __version__
from kitplan.demand.filling import AttemptTables, attempt_tables, fill_roles
from kitplan.demand.resecure import long_run_rates
from kitplan.demand.scenarios import draw_demand, expected_use
from kitplan.demand.values import Demand, Filling
from kitplan.inputs.values import Unit

if TYPE_CHECKING:
    from kitplan.optimise.values import ParPlan

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Plan:
    """The one result value: what export and explain read.

    rates: one row a stratum (`long_run_rates`) plus mean_airways and arrivals_per_day.
    expected: item, expected_units in one protection interval by rates (not by scenarios).
    par: par levels, None when that part was not asked for. parts: result of every other part by name; each has
    `tables() -> dict[str, DataFrame]`. skipped: part -> why it did not run. warnings: sentences.
    """

    unit: Unit
    seed: int
    version: str
    filling: Filling
    rates: pd.DataFrame
    expected: pd.DataFrame
    demand: Demand | None = None
    par: ParPlan | None = None
    parts: Mapping[str, Any] = field(default_factory=dict)
    skipped: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Workings:
    """What the parts share while a plan is being made; not part of the result."""

    unit: Unit
    seed: int
    tables: AttemptTables
    filling: Filling
    progress: Progress

    def draw(self, n_scenarios: int, stream: str, days: float | None = None) -> Demand:
        """Demand of one interval (default: the protection interval) from a named stream."""
        days = self.unit.stock.protection_interval_days if days is None else days
        return draw_demand(self.unit, self.filling, days, n_scenarios, self.seed, stream, self.tables)


def _no_progress(_: str) -> None:
    return None


def plan_unit(
    unit: Unit,
    seed: int | None = None,
    parts: Collection[str] | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Plan a unit. parts: which of PARTS to run (None: all that the unit's files allow; a part asked for by name
    raises where its files are missing). Same unit and seed: the same plan.
    """
    seed = unit.planning.seed if seed is None else seed
    tell = progress or _no_progress
    tell("How often: exact re-secure counts")
    tables = attempt_tables(unit)
    filling = fill_roles(unit, tables)
    work = Workings(unit, seed, tables, filling, tell)
    plan = Plan(unit, seed, __version__, filling, _rates(unit), _expected(work))
    for name, part in PARTS.items():
        if parts is not None and name not in parts:
            continue
        reason = part.lacks(unit)
        if reason and parts is None:
            plan = replace(plan, skipped={**plan.skipped, name: reason})
            continue
        tell(part.says)
        plan = part.run(plan, work)
    return plan


def _rates(unit: Unit) -> pd.DataFrame:
    from kitplan.demand.occupancy import arrivals_per_day, mean_airways

    return long_run_rates(unit).assign(
        mean_airways=mean_airways(unit), arrivals_per_day=arrivals_per_day(unit)
    )


def _expected(work: Workings) -> pd.DataFrame:
    unit = work.unit
    units = expected_use(unit, work.filling, unit.stock.protection_interval_days, work.tables)
    return pd.DataFrame({"item": unit.items["item"], "expected_units": units})


def _with_part(plan: Plan, name: str, value: object) -> Plan:
    return replace(plan, parts={**plan.parts, name: value})


def _run_par(plan: Plan, work: Workings) -> Plan:
    from kitplan.optimise.par import solve_par

    policy = work.unit.planning
    demand = work.draw(policy.scenarios, "plan")
    verify = work.draw(policy.verify_scenarios, "verify")
    par = solve_par(work.unit, demand, verify, resample=work.draw)
    return replace(plan, demand=demand, par=par, warnings=(*plan.warnings, *par.binding))


def _run_order(plan: Plan, work: Workings) -> Plan:
    from kitplan.inputs.counted import count_from_unit
    from kitplan.optimise.order_points import LEAD_SCENARIOS, find_order_points
    from kitplan.optimise.weekly import weekly_round

    plan = plan if plan.par is not None else _run_par(plan, work)
    assert plan.par is not None
    unit = work.unit
    lead = work.draw(LEAD_SCENARIOS, "lead", unit.stock.lead_days) if unit.stock.lead_days > 0 else None
    points = find_order_points(unit, plan.par.levels, lead)
    count = count_from_unit(unit.on_hand) if unit.on_hand is not None else None
    counted = (count.counted if count else None) or unit.census.last_day
    return _with_part(plan, "order", weekly_round(unit, points, count, counted))


def _run_training(plan: Plan, work: Workings) -> Plan:
    from kitplan.inputs.classes import load_classes
    from kitplan.outlook.training import plan_training

    lessons, looks, checksums = load_classes(_class_files(work.unit), work.unit)
    training = plan_training(work.unit, lessons, checksums)
    said = (*map(str, looks), *training.warnings)
    return replace(_with_part(plan, "training", training), warnings=(*plan.warnings, *said))


def _class_files(unit: Unit) -> list[Path]:
    """Class files named at the command line, else those in the unit's folder."""
    from kitplan.inputs.classes import class_files

    named = unit.extra.get("class_files")
    return [Path(str(p)) for p in named] if isinstance(named, tuple) else class_files(unit.path)


def _lacks_class(unit: Unit) -> str | None:
    return None if _class_files(unit) else "no class.toml"


@dataclass(frozen=True)
class Part:
    """One part of the plan. says: progress line. lacks: why it cannot run on this unit, or None."""

    says: str
    run: Callable[[Plan, Workings], Plan]
    lacks: Callable[[Unit], str | None]


def _always(_: Unit) -> str | None:
    return None


PARTS: dict[str, Part] = {
    "par": Part("Par levels: scenarios and program", _run_par, _always),
    "order": Part("Order points, and the order of the last count", _run_order, _always),
    "training": Part("The class: supplies, rounds and cut plans", _run_training, _lacks_class),
}
