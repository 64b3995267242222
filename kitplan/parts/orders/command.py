"""The commands of the week: receive, count, order, build; and recall, book and labels."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from kitplan.commands import common
from kitplan.commands.cluster import cluster_option, is_folder_of_units
from kitplan.commands.plan_in_use import plan_in_use, plan_option
from kitplan.read.problems import InputError, Problem, UnsafePlan, counted

if TYPE_CHECKING:
    from kitplan.parts.orders.model import WeeklyRound

_what = click.argument("what", metavar="UNIT|FILE", type=common.GivenPath())
_unit = click.option("--unit", "unit_path", metavar="UNIT", type=common.GivenPath(),
                     help="The unit of the file.  [default: the folder that FILE lies in, or one above]")
_on = click.option("--on", "on_day", metavar="DATE", type=click.DateTime(["%Y-%m-%d"]),
                   help="The day it was done, 2026-07-01.  [default: what the sheet says, else today]")
_older = click.option("--older", is_flag=True, help="The count may be older than the last one.")


def _step_options(command: Callable[..., Any]) -> Callable[..., Any]:
    return _what(_unit(common.out_option(_on(common.seed_option(common.paper_option(command))))))


def _taken_in(step: str, what: Path, unit_path: Path | None, out: Path | None, on_day: datetime | None,
              seed: int | None, *, older: bool = False, order: bool = False,
              without: tuple[str, ...] = (), weeks: float | None = None) -> WeeklyRound:
    """One step of the week, from the filled-in sheet to the book and the papers."""
    from kitplan.parts.orders import round_command as rounds

    unit_path = unit_path or rounds.find_unit(what)
    with rounds.session(unit_path, out, seed, without=without, weeks=weeks) as work:
        day = on_day.date() if on_day else None
        if what.absolute() != unit_path.absolute():
            rounds.take_in(work, step, what, day, older=older)
        else:
            rounds.take_in_unit(work, step, unit_path, day, older=older)
        weekly = work.weekly(keep_order=step != "order")
        if order:
            weekly = rounds.placed(work, weekly, day)
        ordering = step == "order" and weekly.order is not None and not weekly.order.number
        if work.book is work.found and not work.told and not ordering:
            work.told.append("Nothing new was typed in.")
        rounds.keep(work)
        rounds.finish(work, weekly)
    rounds.report(work, weekly)
    return weekly


@click.command("to-class")
@_step_options
@common.run_safely()
def class_takes(
    what: Path, unit_path: Path | None, out: Path | None, on_day: datetime | None, seed: int | None
) -> None:
    """Take in what a practice class took from the stock room, so that it does not look like use.

    From the sheet "From the stock room" of class.xlsx, or a table as CSV with the columns item, taken and, where known,
    lot, expires, date. A lot that is recalled later is found in the class as well.
    """
    from kitplan.parts.orders import round_command as rounds
    from kitplan.parts.overview.readers import CLASS

    unit_path = unit_path or rounds.find_unit(what)
    with rounds.session(unit_path, out, seed) as work:
        filled = work.folder / CLASS.file if what.absolute() == unit_path.absolute() else what
        if not filled.exists():
            raise InputError([Problem(filled.name, "is not there", "Write class.toml and run kitplan "
                                      "training, or name a table as CSV.")], "looking for what the class took")
        rounds.take_in(work, "to_class", filled, on_day.date() if on_day else None)
        rounds.keep(work)
    for line in work.told or ["Nothing new was typed in."]:
        click.echo(line)


@click.command("receive")
@_step_options
@common.run_safely()
def receive(**given: Any) -> None:
    """Take in what was delivered: the sheet Receive of the stock-room workbook, or a table as CSV.

    A CSV has the columns order, item, packs and, where known, loose_units, pack, lot, expires, pack_code, date.
    """
    _taken_in("receive", **given)


@click.command("count")
@_step_options
@_older
@common.run_safely()
def count(**given: Any) -> None:
    """Take in what was counted and answered: the sheets Receive, Questions and Count, or a table like on_hand.csv.

    What contradicts the book is asked; a count that is more than can be is not believed until it is answered.
    """
    _taken_in("count", **given)


@click.command("order")
@_step_options
@_older
@click.option("--without", metavar="ITEM", multiple=True, help="An item that cannot be had; may be given again.")
@click.option("--weeks", metavar="N", type=click.FloatRange(0, 104, min_open=True),
              help="For how many weeks it cannot be had.  [default: until the order of the next count arrives]")
@click.option("--only-show", is_flag=True, help="Show the order; put none into the book.")
@cluster_option
@common.run_safely()
def order(what: Path, unit_path: Path | None, out: Path | None, on_day: datetime | None, seed: int | None,
          only_show: bool, cluster: str | None, **of_one_unit: Any) -> None:
    """Order in whole packs after a count; takes in Receive, Questions, Count and where kits went first.

    The order goes into the book as made: the same count read again orders nothing twice. A folder of units is ordered
    for unit by unit, and all-units-order.xlsx adds the orders up.
    """
    if is_folder_of_units(what, cluster) and unit_path is None:
        if any(of_one_unit.values()):
            raise click.UsageError("--older, --without and --weeks are for one unit: order for it by itself.")
        from kitplan.parts.hospital.command import order_and_tell

        day = on_day.date() if on_day else None
        order_and_tell(what, common.out_folder(what, out), seed, day, not only_show, cluster)
        return
    weekly = _taken_in("order", what, unit_path, out, on_day, seed, order=not only_show, **of_one_unit)
    for sentence in weekly.sentences(weekly.plan.currency):
        click.echo(sentence)
    if of_one_unit["without"]:
        click.echo("--without holds for this order alone. For as long as it lasts, name the items as unavailable under "
                   "[stock] in unit.toml: every order then goes without them.")
    if weekly.back_order is not None and weekly.back_order.unfilled_critical:
        raise UnsafePlan("emergency equipment that cannot be had has no substitute here. Borrow it before the shelf is "
                         "empty; whoever is in charge of it in the unit decides what else may lie at a bedside.")


@click.command("build")
@_step_options
@common.run_safely()
def build(**given: Any) -> None:
    """Say which kits to build, and take in which were built and where kits went."""
    weekly = _taken_in("build", **given)
    for made in weekly.builds:
        click.echo(made.told)


@click.command("recall")
@click.argument("unit_path", metavar="UNIT", type=common.GivenPath())
@click.argument("lot")
@click.option("--item", metavar="ITEM", help="Only this item; the same lot number may stand on several.")
@click.option("--done", is_flag=True, help="The lot has been taken off the shelf and out of the kits: write it down.")
@click.option("--on", "on_day", metavar="DATE", type=click.DateTime(["%Y-%m-%d"]), help="The day.  [default: today]")
@common.out_option
@common.seed_option
@common.run_safely()
def recall(unit_path: Path, lot: str, item: str | None, done: bool, on_day: datetime | None, out: Path | None,
           seed: int | None) -> None:
    """Find LOT: which shelf packs, kits and classes hold it, which kits are at bedsides, and what to order now."""
    from kitplan.outputs import part_tables
    from kitplan.parts.orders import round_command as rounds
    from kitplan.write.writer import write_outputs

    with rounds.session(unit_path, out, seed) as work:
        found = work.recalled(lot, item)
        if done:
            rounds.take_away(work, found, on_day.date() if on_day else date.today())
        write_outputs(work.folder, part_tables(found.tables()))
    for sentence in found.sentences():
        click.echo(sentence)
    for row in found.places.itertuples(index=False):
        most = f" (look for up to {row.at_most})" if row.at_most > row.units else ""
        where = f"{row.where} {row.kit}".strip()
        click.echo(f"  {where}: {row.units} of {row.item}{most}. {row.what_to_do}.")
    if done:
        click.echo("This is in the book now. kitplan order UNIT orders what is short of it.")
    elif set(found.places["where"]) & {"shelf", "bedside"}:
        click.echo("When it is off the shelf and out of the kits, the same line with --done writes it down.")


@click.command("book")
@common.unit_options
@click.option("--mend", is_flag=True, help="Take changed and missing lines as they stand; a copy is kept.")
@common.run_safely()
def book(unit_path: Path, out: Path | None, seed: int | None, mend: bool) -> None:
    """Say what the order book holds: what should be there, what is on its way, where kits are."""
    from kitplan.demand.rate_from_use import learn_from
    from kitplan.parts.orders import round_command as rounds
    from kitplan.parts.orders.ledger import uses_of

    with rounds.session(unit_path, out, seed, mend=mend) as work:
        weekly = work.weekly()
        if mend:
            rounds.mend_book(work)
            common.say(work.told[-1])
        learnt = learn_from(work.plan.unit, work.plan.airways, work.plan.expected, uses_of(weekly.now))
    now = weekly.now
    if now.day is None:
        click.echo("The book is empty: it begins with the first delivery or count.")
        return
    click.echo(f"{len(work.book.lines)} lines, the last of {now.day}; last count {now.last_count or 'none'}.")
    click.echo(f"On order: {', '.join(f'{o.packs} x {o.item} (order {o.number})' for o in now.open) or 'nothing'}.")
    click.echo(f"Kits ready {len(now.kits_at('shelf'))}, at bedsides {len(now.kits_at('bedside'))}. "
               f"Questions open {len(weekly.questions)}.")
    for sentence in learnt.sentences() if learnt else ["After four counts it says here what their use teaches."]:
        click.echo(sentence)


@click.command("labels")
@common.unit_options
@plan_option
@click.option("--rows", metavar="N", type=click.IntRange(1, 20), default=8, show_default=True,
              help="Labels down the sheet.")
@click.option("--columns", metavar="N", type=click.IntRange(1, 6), default=2, show_default=True,
              help="Labels across the sheet.")
@click.option("--margin-top", metavar="MM", type=click.FloatRange(0, 80), default=12.0, show_default=True,
              help="Blank at top and bottom.")
@click.option("--margin-side", metavar="MM", type=click.FloatRange(0, 80), default=8.0, show_default=True,
              help="Blank at left and right.")
@click.option("--gap-across", metavar="MM", type=click.FloatRange(0, 30), default=3.0, show_default=True,
              help="Blank between columns.")
@click.option("--gap-down", metavar="MM", type=click.FloatRange(0, 30), default=0.0, show_default=True,
              help="Blank between rows.")
@common.run_safely()
def labels(unit_path: Path, out: Path | None, seed: int | None, which: str | None, rows: int, columns: int,
           margin_top: float, margin_side: float, gap_across: float, gap_down: float) -> None:
    """Bin labels of UNIT's par list in shelf order, with the number to order under and bar codes.

    Writes bin-labels.pdf.
    """
    from kitplan.outputs import record_of
    from kitplan.parts.orders.bin_labels import drawn_labels
    from kitplan.planning import with_parts
    from kitplan.write.page import LabelGrid
    from kitplan.write.writer import check_target, write_outputs

    grid = LabelGrid(rows, columns, margin_top, margin_side, gap_across, gap_down)
    name = "bin-labels.pdf"
    with common.Progress() as report:
        used = plan_in_use(unit_path, out, which, seed, report)
        plan = used.plan if "order" in used.plan.parts else with_parts(used.plan, ("order",), report)
        try:
            list(grid.places(plan.unit.paper))
        except ValueError as error:
            raise click.UsageError(f"{error}. Ask for fewer rows or columns, or smaller margins.") from None
        check_target(used.folder, (name,))
        labels, bare = drawn_labels(plan.orders.plan.levels, plan.unit.paper, grid)
        files = {name: labels}
        written = write_outputs(used.folder, files | {"labels.json": record_of(plan, "order", files)})
    used.say()
    click.echo(f"Written to {written.folder}: print {name} at 100 %.")
    if bare:
        common.say(f"{counted(bare, 'label')} without room for bar codes: ask for fewer rows.")
