"""Run the parts in order, unit in, plan out: the one place where the rooms meet."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from kitplan import __version__
from kitplan.demand.bounds import within_memory
from kitplan.demand.item_choice import AttemptTables, attempt_tables, fill_roles
from kitplan.demand.resecure import long_run_rates
from kitplan.demand.scenarios import draw_demand, expected_use
from kitplan.demand.values import Demand, ItemChoice
from kitplan.read.problems import InputError
from kitplan.read.values import Unit

if TYPE_CHECKING:
    from kitplan.parts.kits.model import KitDesigns
    from kitplan.parts.orders.back_order import BackOrder
    from kitplan.parts.orders.order_points import OrderPoints
    from kitplan.read.counted import Count
    from kitplan.read.last_plan import Earlier
    from kitplan.solve.values import ParPlan

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
    item_choice: ItemChoice
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
    item_choice: ItemChoice
    progress: Progress
    drawn: dict[tuple[int, str, float], Demand] = field(default_factory=dict)
    kits: KitDesigns | None = None

    def draw(self, n_scenarios: int, stream: str, days: float | None = None) -> Demand:
        """Demand of one interval (default: the protection interval) from a named stream; drawn once, then kept."""
        days = self.unit.stock.protection_interval_days if days is None else days
        key = n_scenarios, stream, days
        if key not in self.drawn:
            demand = draw_demand(self.unit, self.item_choice, days, n_scenarios, self.seed, stream, self.tables)
            self.drawn[key] = self._with_kits(demand)
        return self.drawn[key]

    def _with_kits(self, demand: Demand) -> Demand:
        """What is left in ended kits added, where the unit's par levels are to supply it (bedside.kits_in_par)."""
        if self.kits is None or not self.unit.bedside.kits_in_par:
            return demand
        from kitplan.parts.kits.accounts import with_leftovers

        return with_leftovers(self.unit, self.kits.traffic(self.unit), demand)


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
    unit, fewer = within_memory(unit)
    tell("How often: exact re-secure counts")
    tables = attempt_tables(unit)
    item_choice = fill_roles(unit, tables)
    kits, trouble = _kit_designs(unit, tables, item_choice, parts, tell)
    work = Workings(unit, seed, tables, kits.item_choice if kits else item_choice, tell, kits=kits)
    plan = Plan(unit, seed, __version__, work.item_choice, _rates(unit), _expected(work))
    if fewer:
        plan = replace(plan, warnings=(fewer,))
    if trouble:
        plan = replace(plan, skipped={"kits": trouble}, warnings=(*plan.warnings, f"No bedside kits: {trouble}."))
    for name, part in PARTS.items():
        if parts is not None and name not in parts:
            continue
        faults = unit.faults_of(name)
        if faults and parts is not None:
            raise InputError(faults, f"reading what the part {name} needs")
        reason = f"{faults[0].file} is wrong" if faults else part.lacks(unit)
        if reason and parts is None:
            plan = replace(plan, skipped={**plan.skipped, name: reason})
            continue
        tell(part.says)
        plan = part.run(plan, work)
    return plan


def _kit_designs(
    unit: Unit, tables: AttemptTables, base: ItemChoice, parts: Collection[str] | None, tell: Progress
) -> tuple[KitDesigns | None, str]:
    """The kit designs and "", or None and why not; what lies in the kits is what the stock room has to carry.

    Raises UnsafePlan only where the kits were asked for by name: the par levels stand without them.
    """
    from kitplan.parts.kits.model import design_kits
    from kitplan.read.problems import UnsafePlan

    if parts is not None and set(parts) <= {"training", "rates"}:
        return None, ""
    tell("Bedside kits: items and designs")
    try:
        return design_kits(unit, tables, base), ""
    except UnsafePlan as error:
        if parts is not None and "kits" in parts:
            raise
        return None, str(error)


def _run_kits(plan: Plan, work: Workings) -> Plan:
    from kitplan.parts.kits.model import solve_kits

    if work.kits is None:
        return plan
    return _with_part(plan, "kits", solve_kits(work.unit, work.tables, work.item_choice, work.seed, work.kits))


def _rates(unit: Unit) -> pd.DataFrame:
    from kitplan.demand.occupancy import arrivals_per_day, mean_airways

    return long_run_rates(unit).assign(
        mean_airways=mean_airways(unit), arrivals_per_day=arrivals_per_day(unit)
    )


def _expected(work: Workings) -> pd.DataFrame:
    unit = work.unit
    days = unit.stock.protection_interval_days
    units = expected_use(unit, work.item_choice, days, work.tables)
    if work.kits is not None and unit.bedside.kits_in_par:
        from kitplan.parts.kits.accounts import leftovers_expected

        units = units + leftovers_expected(work.kits.needs, work.kits.traffic(unit), days)
    return pd.DataFrame({"item": unit.items["item"], "expected_units": units})


def _with_part(plan: Plan, name: str, value: object) -> Plan:
    return replace(plan, parts={**plan.parts, name: value})


def _run_par(plan: Plan, work: Workings) -> Plan:
    from kitplan.parts.audit.model import holds_other_items
    from kitplan.parts.par.model import solve_par

    policy = work.unit.planning
    demand = work.draw(policy.scenarios, "plan")
    verify = work.draw(policy.verify_scenarios, "verify")
    par = solve_par(work.unit, demand, verify, resample=work.draw)
    if holds_other_items(work.unit, work.item_choice):
        par = replace(par, present=None)  # judged with the items held today, by the audit
    return replace(plan, demand=demand, par=par, warnings=(*plan.warnings, *par.binding))


def _with_par(plan: Plan, work: Workings) -> Plan:
    """The plan with par levels, solved here where that part was not asked for itself."""
    return plan if plan.par is not None else _run_par(plan, work)


def _run_order(plan: Plan, work: Workings) -> Plan:
    from kitplan.parts.orders.model import weekly_round
    from kitplan.read.counted import count_from_unit

    plan = _with_par(plan, work)
    unit = work.unit
    points = order_points(plan, work.tables)
    count = count_from_unit(unit.on_hand) if unit.on_hand is not None else None
    counted = (count.counted if count else None) or unit.census.last_day
    missing = back_order(plan, work.tables, count) if unit.stock.unavailable else None
    plan = replace(plan, warnings=(*plan.warnings, *missing.unfilled)) if missing else plan
    return _with_part(plan, "order", weekly_round(unit, points, count, counted, missing))


def _no_season(unit: Unit) -> str | None:
    from kitplan.parts.par.seasons import no_season

    return no_season(unit)


def _run_seasons(plan: Plan, work: Workings) -> Plan:
    from kitplan.parts.par.seasons import plan_seasons

    plan = _with_par(plan, work)
    assert plan.par is not None
    assert plan.demand is not None
    seasons = plan_seasons(plan.unit, plan.demand, plan.par.levels["par_units"].to_numpy())
    if seasons is None:
        return replace(plan, skipped={**plan.skipped, "seasons": "too few windows of some month in the census"})
    return _with_part(plan, "seasons", seasons)


def with_changes(plan: Plan, earlier: Earlier | None, head: Mapping[str, Any]) -> Plan:
    """The plan with what it changed against the one before it; the same plan made again keeps what it said then.

    earlier: what the folder holds already. head: first lines of the record to be written.
    """
    from kitplan.parts.par.changes import Changes, compare_with

    if earlier is None or plan.par is None or earlier.record.get("unit") != plan.unit.name:
        return plan
    if earlier.number != head["plan_number"]:
        changes = compare_with(earlier, plan.par.levels, head, plan.unit.stock.readiness)
        return _with_part(plan, "changes", changes)
    said = earlier.record.get("changes")
    if earlier.changes is None or not isinstance(said, dict):
        return plan
    causes = tuple(str(c) for c in said.get("causes", []))
    return _with_part(plan, "changes", Changes(earlier.changes, str(said.get("before", "")), causes))


def order_points(plan: Plan, tables: AttemptTables) -> OrderPoints:
    """Par levels with the stock under which an item may not last until a delivery ordered today."""
    from kitplan.parts.orders.order_points import LEAD_SCENARIOS, find_order_points

    if plan.par is None:
        raise ValueError("this plan was made without par levels")
    unit, days = plan.unit, plan.unit.stock.lead_days
    if days <= 0:
        return find_order_points(unit, plan.par.levels, None)
    lead = draw_demand(unit, plan.item_choice, days, LEAD_SCENARIOS, plan.seed, "lead", tables)
    return find_order_points(unit, plan.par.levels, lead)


def back_order(plan: Plan, tables: AttemptTables, count: Count | None) -> BackOrder:
    """What to do about the items that cannot be had: demand as if they could, and a program that replaces them."""
    from kitplan.parts.orders.back_order import RECOURSE_SCENARIOS, plan_back_order
    from kitplan.parts.orders.model import held_units

    unit, weeks = plan.unit, plan.unit.stock.unavailable_weeks
    days = 7 * weeks if weeks else unit.stock.protection_interval_days
    item_choice = fill_roles(replace(unit, stock=replace(unit.stock, unavailable=())), tables)
    demand = draw_demand(unit, item_choice, days, RECOURSE_SCENARIOS, plan.seed, "back order", tables)
    return plan_back_order(unit, item_choice, tables, demand, "back order", held_units(unit, count))


def _run_audit(plan: Plan, work: Workings) -> Plan:
    from kitplan.parts.audit.model import as_held, audit_par, holds_other_items, say_swaps

    plan = _with_par(plan, work)
    assert plan.par is not None
    shelf, par, notes = work, plan.par, []
    if holds_other_items(work.unit, work.item_choice):
        held = as_held(work.unit)
        shelf = replace(work, unit=held, item_choice=fill_roles(held, work.tables), drawn={})
        solved = _run_par(plan, shelf).par
        assert solved is not None
        par, notes = solved, say_swaps(work.unit, plan.item_choice, shelf.item_choice, plan.par, solved)
    policy = work.unit.planning
    demand, verify = shelf.draw(policy.scenarios, "plan"), shelf.draw(policy.verify_scenarios, "verify")
    audit = audit_par(shelf.unit, demand, verify, par, plan.par.frontier, notes)
    plan = replace(plan, par=replace(plan.par, present=audit.present))
    return _with_part(plan, "audit", audit)


def _lacks_present_par(unit: Unit) -> str | None:
    return None if unit.present_par is not None else "no present_par.csv"


def _run_training(plan: Plan, work: Workings) -> Plan:
    from kitplan.parts.training.model import plan_training

    training = plan_training(work.unit, work.unit.classes, work.unit.class_checksums)
    return replace(_with_part(plan, "training", training), warnings=(*plan.warnings, *training.warnings))


def _lacks_class(unit: Unit) -> str | None:
    return None if unit.classes else "no class.toml"


def _run_rates(plan: Plan, work: Workings) -> Plan:
    from kitplan.demand.estimate import learn

    learnt = learn(work.unit)
    return replace(_with_part(plan, "rates", learnt), warnings=(*plan.warnings, *learnt.warnings))


def _lacks_log(unit: Unit) -> str | None:
    return None if unit.log is not None else "no resecure_log.csv"


def _run_forecast(plan: Plan, work: Workings) -> Plan:
    from kitplan.demand.estimate import learn
    from kitplan.parts.forecast.model import look_ahead

    learnt = plan.parts.get("rates") or learn(work.unit)
    return _with_part(plan, "forecast", look_ahead(work.unit, work.seed, learnt, work.item_choice))


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
    "kits": Part("Bedside kits: contents, builds, rolls", _run_kits, _always),
    "audit": Part("Audit of today's par levels", _run_audit, _lacks_present_par),
    "order": Part("Order points, and the order of the last count", _run_order, _always),
    "seasons": Part("Par levels by month", _run_seasons, _no_season),
    "rates": Part("Rates learnt from the log", _run_rates, _lacks_log),
    "forecast": Part("Months ahead, and why past months cost what they did", _run_forecast, _always),
    "training": Part("The class: supplies, rounds and cut plans", _run_training, _lacks_class),
}
