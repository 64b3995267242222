"""Finds the plan that a count belongs to: read from its folder where it is there, made where it is not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kitplan.commands.common import Progress
from kitplan.read.last_plan import moves_par, read_record
from kitplan.read.problems import InputError, Problem

if TYPE_CHECKING:
    import pandas as pd

    from kitplan.demand.item_choice import AttemptTables
    from kitplan.parts.orders.order_points import OrderPoints
    from kitplan.planning import Plan
    from kitplan.read.counted import Count
    from kitplan.read.values import Unit


@dataclass(frozen=True)
class LastPlan:
    """The plan to order by. number: its plan number. plan: Plan, whole or with as much as an order needs."""

    number: str
    plan: Plan
    points: OrderPoints
    warnings: tuple[str, ...] = ()
    tables: AttemptTables | None = None


def find_unit(counted: Path) -> Path:
    """The unit that a count belongs to: COUNTED itself, its folder, the one above, or the workbook that its folder
    is the plan of. Raises InputError.
    """
    here = counted.absolute()
    for folder in (here, here.parent, here.parent.parent):
        if folder.is_dir() and (folder / "unit.toml").is_file():
            return folder if folder != here else counted
    planned_from = here.parent.with_name(here.parent.name.removesuffix("-plan") + ".xlsx")
    if here.parent.name.endswith("-plan") and planned_from.is_file():
        return planned_from
    if _is_unit_workbook(counted):
        return counted
    if not counted.exists():
        raise InputError([Problem(str(counted), None, None, None, "is not there", "Check the spelling of the path.")],
                         "looking for the count")
    raise InputError([Problem(str(counted), None, None, None, "lies in no unit's folder",
                              "Say which unit was counted with --unit.")], "looking for the unit")


def _is_unit_workbook(path: Path) -> bool:
    from kitplan.read.workbook import Book

    if path.suffix.casefold() != ".xlsx" or not path.is_file():
        return False
    try:
        return Book(path.name, path.read_bytes()).sheet_named("census") is not None
    except ValueError:
        return False


def last_plan(unit: Unit, folder: Path, seed: int | None, report: Progress, without: tuple[str, ...] = (),
              weeks: float | None = None) -> LastPlan:
    """Read the plan in `folder`; make one where there is none, or where an item cannot be had."""
    record = read_record(folder)
    ours = record is not None and record.get("unit") == unit.name
    points_file = folder / "tables" / "order_points.csv"
    if record is None or not ours or without or unit.stock.unavailable or not points_file.is_file():
        known = str(record["plan_number"]) if record is not None and ours else None
        return _made(unit, seed, report, without, weeks, known)
    return _read(unit, record, points_file)


def _made(unit: Unit, seed: int | None, report: Progress, without: tuple[str, ...], weeks: float | None,
          known_number: str | None) -> LastPlan:
    from kitplan.demand.item_choice import attempt_tables
    from kitplan.planning import plan_unit

    plan = plan_unit(_unavailable(unit, without, weeks), seed, ("order",), report)
    if known_number:
        plan = replace(plan, number=known_number)
    tables = attempt_tables(plan.unit)
    return LastPlan(plan.number, plan, plan.orders.points, tables=tables if plan.unit.stock.unavailable else None)


def _unavailable(unit: Unit, without: tuple[str, ...], weeks: float | None) -> Unit:
    from kitplan.read.findings import suggestion

    names = unit.items["item"].tolist()
    problems = [Problem("--without", None, None, item, "is not in the catalogue", suggestion(item, names))
                for item in without if item not in names]
    if problems:
        raise InputError(problems, "leaving items out")
    gone = tuple(dict.fromkeys([*unit.stock.unavailable, *without]))
    stock = replace(unit.stock, unavailable=gone, unavailable_weeks=weeks or unit.stock.unavailable_weeks)
    return replace(unit, stock=stock)


def _read(unit: Unit, record: dict[str, Any], points_file: Path) -> LastPlan:
    """The par list of an earlier run, with as much of a Plan as an order is written from."""
    import pandas as pd

    from kitplan.demand.values import ItemChoice
    from kitplan.parts.orders.order_points import OrderPoints
    from kitplan.planning import Plan
    from kitplan.write.tables import plain_text

    levels = pd.read_csv(points_file, dtype={"gtin": str, "bin": str, "description": str}, keep_default_na=False)
    levels = levels.assign(**{c: levels[c].map(plain_text) for c in ("item", "description", "bin") if c in levels})
    _check_points(levels, unit, points_file)
    critical = unit.items.set_index("item")["critical"]
    points = OrderPoints(levels.assign(critical=critical.reindex(levels["item"]).to_numpy(bool)))
    inputs = record.get("inputs", {})
    changed = [name for name, known in inputs.items()
               if moves_par(name) and unit.checksums.get(name, known) != known]
    warnings = tuple(f"{name} has changed since the plan of this folder was made; plan again to use it."
                     for name in changed)
    ours = replace(unit, checksums=inputs)
    plan = Plan(ours, int(record["seed"]), str(record["version"]), str(record["plan_number"]),
                ItemChoice(pd.DataFrame()), pd.DataFrame(), pd.DataFrame(), warnings=warnings)
    return LastPlan(str(record["plan_number"]), plan, points, warnings)


def _check_points(levels: pd.DataFrame, unit: Unit, file: Path) -> None:
    gone = set(levels.get("item", [])) - set(unit.items["item"])
    if gone or not {"item", "par_units", "order_point_units", "use_per_day"} <= set(levels):
        raise InputError([Problem(str(file), None, None, None,
                                  "does not belong to this unit's catalogue" if gone else "is damaged",
                                  "Plan again: kitplan plan UNIT.")], "reading the last plan")


def order_plan(last: LastPlan, count: Count, counted: date) -> Plan:
    """The plan with the order of this count in it."""
    from kitplan.parts.orders.back_order import missing_items
    from kitplan.parts.orders.model import held_units, weekly_round
    missing = None
    if last.tables:
        missing = missing_items(last.plan.unit, last.plan.seed, last.tables, held_units(last.plan.unit, count))
    weekly = weekly_round(last.plan.unit, last.points, count, counted, missing)
    return last.plan.with_result("order", weekly)
