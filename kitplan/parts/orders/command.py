"""`kitplan order`: from a count to whole packs."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.common import (
    GivenPath,
    load,
    out_folder,
    paper_option,
    progress,
    run_safely,
    say,
    seed_option,
)
from kitplan.read.problems import UnsafePlan

if TYPE_CHECKING:
    from kitplan.parts.orders.saved_plan import LastPlan
    from kitplan.read.counted import Count
    from kitplan.read.values import Unit

_STANDING = ("tables/order_points", "bin-labels", "count-sheet")
"""The par list of the plan: what a back order makes of it for some weeks must not take its place."""


@click.command("order")
@click.argument("counted", type=GivenPath())
@click.option("--unit", "unit_path", metavar="UNIT", type=GivenPath(),
              help="The unit that was counted.  [default: the folder that COUNTED lies in, or the one above]")
@click.option("--out", metavar="DIR", type=GivenPath(file_okay=False),
              help="Where the plan is, and where the order is written.  [default: UNIT/plan]")
@click.option("--on", "on_day", metavar="DATE", type=click.DateTime(["%Y-%m-%d"]),
              help="Day of the count, 2026-07-01.  [default: what the count says, else today]")
@click.option("--without", metavar="ITEM", multiple=True, help="An item that cannot be had; may be given again.")
@click.option("--weeks", type=click.FloatRange(0, 104, min_open=True), help="How long it cannot be had, weeks.")
@seed_option
@paper_option
@run_safely()
def command(counted: Path, unit_path: Path | None, out: Path | None, on_day: datetime | None,
            without: tuple[str, ...], weeks: float | None, seed: int | None) -> None:
    """Order in whole packs after a count.

    COUNTED is the stock-room.xlsx that was filled in, or on_hand.csv, or a unit folder with an on_hand.csv.
    Writes order.xlsx, tables/order.csv, tables/expiry.csv, prints and order.json.
    """
    from kitplan.parts.orders.saved_plan import find_unit, last_plan, order_plan
    from kitplan.write.writer import check_target, write_outputs

    unit_path = unit_path or find_unit(counted)
    folder = out_folder(unit_path, out)
    with progress() as report:
        report("Reading")
        unit = load(unit_path, seed)
        count = _read(counted, unit_path, unit)
        check_target(folder, ("order.xlsx", "order.json", "tables/order.csv"))
        last = last_plan(unit, folder, seed, report, without, weeks)
        _match(count, last, unit)
        plan = order_plan(last, count, _day(count, on_day))
        report("Writing")
        from kitplan.outputs import part_files

        standing = _STANDING if plan.unit.stock.unavailable else ()
        written = write_outputs(folder, part_files(plan, "order", standing))
    for warning in (*count.warnings, *plan.warnings):
        say(f"Look at: {warning}")
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: open order.xlsx.")
    weekly = plan.orders
    for sentence in weekly.sentences(unit.currency):
        click.echo(sentence)
    if weekly.back_order is not None and weekly.back_order.unfilled_critical:
        raise UnsafePlan("emergency equipment that cannot be had has no substitute in the catalogue for some airways. "
                         "Borrow it, or add one that fits to items.csv, before the shelf is empty.")


def _read(counted: Path, unit_path: Path, unit: Unit) -> Count:
    from kitplan.read.counted import count_from_unit, read_count
    from kitplan.read.problems import InputError, Problem

    if not counted.is_dir() and counted.absolute() != unit_path.absolute():
        return read_count(counted, unit.items)
    if unit.on_hand is None:
        raise InputError(unit.faults_of("count") or [Problem(str(counted), None, None, None, "holds no on_hand table",
                                  "Give the filled-in stock-room.xlsx, or a table on_hand.csv.")], "reading the count")
    return count_from_unit(unit.on_hand)


def _day(count: Count, on_day: datetime | None) -> date:
    return on_day.date() if on_day else count.counted or date.today()


def _match(count: Count, last: LastPlan, unit: Unit) -> None:
    """A workbook belongs to one unit and one plan. Raises InputError when it is another's or an older one."""
    from kitplan.read.problems import InputError, Problem

    problems = []
    if count.unit_name and count.unit_name != unit.name:
        problems.append(Problem(
            count.source, None, "Unit", count.unit_name, f"is a count of another unit than {unit.name!r}",
            "Give the workbook of this unit, or the other unit with --unit."))
    elif count.plan_number and count.plan_number != last.number:
        problems.append(Problem(
            count.source, None, "Plan number", count.plan_number,
            f"belongs to another plan than the present one, {last.number}, and its par levels may be out of date",
            "Copy the counts into the present stock-room.xlsx, or give the folder of its own plan with --out."))
    if problems:
        raise InputError(problems, "matching the count with its plan")
