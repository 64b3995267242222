"""The main job: every part that the unit's files allow, a workbook for each person."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands import common
from kitplan.commands.cluster import cluster_option, is_folder_of_units

if TYPE_CHECKING:
    from kitplan.read.values import Unit

_HERE = ("kitplan.planning", "scipy.optimize")
"""What a plan loads in this process while the companion reads the unit."""
_BESIDE = (
    ("kitplan.planning", "kitplan.parts.kits.model", "scipy.special", "highspy", "kitplan.parts.kits.prints"),
    tuple(f"kitplan.parts.{part}.prints" for part in ("orders", "forecast", "training", "rates")),
)
"""What the companion loads when it has read the unit, and when it has made its parts."""

readiness_option = click.option(
    "--readiness", metavar="SHARE", type=click.FloatRange(0.5, 0.9999), default=None,
    help="What if: another target than the unit's own, 0.99 for 99 %.",
)


@click.command("plan")
@common.unit_options
@readiness_option
@click.option("--store-days", metavar="DAYS", type=click.FloatRange(0, 30), default=1.0, show_default=True,
              help="Folder of units: days from a central store to a unit.")
@cluster_option
@common.run_safely()
def command(
    unit_path: Path,
    out: Path | None,
    seed: int | None,
    readiness: float | None,
    store_days: float,
    cluster: str | None,
) -> None:
    """Plan the stock room of UNIT (a folder or a workbook): par levels, and every part that its files allow.

    Writes a workbook for each person (stock-room.xlsx, months.xlsx and others), prints, tables/ for other programs and
    plan.json, all or nothing. Exit code 1: your
    limits keep the plan from its target, or a part could not be planned for faults in its own file; the rest is
    written. When limits would plan emergency equipment away nothing is written.
    A folder of units is planned unit by unit, two at a time, each into a folder of its own, and all-units.xlsx
    shows them together.
    """
    if is_folder_of_units(unit_path, cluster) and readiness is None:
        from kitplan.parts.hospital.command import plan_and_tell

        plan_and_tell(unit_path, common.out_folder(unit_path, out), seed, None, store_days, cluster)
        return
    make_plan(unit_path, out, seed, None, readiness)


def make_plan(
    unit_path: Path,
    out: Path | None,
    seed: int | None,
    parts: tuple[str, ...] | None,
    readiness: float | None = None,
) -> None:
    """Read, plan, write, and tell the result in three sentences.

    Raises UnsafePlan before anything is written, and SystemExit(1) after a plan that limits hold under its target, or
    that a fault in one person's file has left without that person's part.
    """
    from kitplan.beside import begin_companion, beside, cores

    reading = None
    if parts is None and cores() > 1:
        begin_companion(*_BESIDE)
        reading = beside(_read, unit_path, seed)
        for module in _HERE:
            import_module(module)
    from kitplan.outputs import refuse_unsafe, write_plan
    from kitplan.parts.overview.readers import STOCK_ROOM
    from kitplan.read.carried import book_files
    from kitplan.read.order_book import book_lock
    from kitplan.saved.folder import RECORD
    from kitplan.write.writer import check_target, one_writer

    folder, book = common.out_folder(unit_path, out), book_files(unit_path)
    with common.Progress() as report:
        report("Reading")
        unit = aimed_at(common.load(unit_path, seed, reading=reading), readiness)
        check_target(folder, (STOCK_ROOM.file, RECORD, "tables/par_levels.csv"))
        from kitplan.planning import plan_unit, with_parts

        plan = plan_unit(unit, seed, parts, report, cores())
        refuse_unsafe(plan)
        report("Writing")
        with one_writer(book_lock(unit_path)):  # a step of the week writes into the same folder
            if "order" in plan.parts and book_files(unit_path) != book:
                plan = with_parts(plan, ("order",), report)
            plan, written = write_plan(plan, folder, remove_stale=parts is None, processes=cores())
    from kitplan.parts.par.summary import three_sentences

    faults = plan.unit.faults if parts is None else ()
    for part, why in plan.skipped.items():
        if not plan.unit.faults_of(part):
            common.say(f"Not planned: {part} ({why}).")
    for line in common.fault_lines(plan.unit) if faults else ():
        common.say(line)
    for sentence in written.sentences():
        common.say(sentence)
    click.echo(f"Written to {written.folder}: open {STOCK_ROOM.file}; its first sheet says who opens the others.")
    for sentence in plan.changes.sentences() if "changes" in plan.parts else ():
        common.say(sentence)
    for sentence in three_sentences(plan):
        click.echo(sentence)
    if faults or plan.par.answer != "met":
        raise SystemExit(common.EXIT_UNSAFE)


def _read(unit_path: Path, seed: int | None) -> Iterator[Unit]:
    from kitplan.read.unit import load_unit

    yield load_unit(unit_path, seed)


def aimed_at(unit: Unit, readiness: float | None) -> Unit:
    """The unit with another readiness target, and its assumptions saying so; the unit itself for None."""
    if readiness is None:
        return unit
    lines = tuple(
        replace(line, value=f"{readiness:g}", source="given on the command line")
        if (line.topic, line.name) == ("Stock room", "readiness") else line
        for line in unit.assumptions
    )
    return replace(unit, stock=replace(unit.stock, readiness=readiness), assumptions=lines)
