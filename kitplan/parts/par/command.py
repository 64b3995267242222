"""Par levels for the stock room and nothing else, and how one of them came about."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.cluster import cluster_option, only_for_folders
from kitplan.commands.common import Progress, printable, run_safely, seed_option, unit_argument, unit_options
from kitplan.commands.plan import make_plan, plan_units, readiness_option
from kitplan.commands.plan_in_use import plan_in_use, plan_option


@click.command("par")
@unit_options
@readiness_option
@cluster_option
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, readiness: float | None, cluster: str | None) -> None:
    """Par levels for the stock room of UNIT (a folder or a workbook), without the other parts.

    Writes stock-room.xlsx, tables/par_levels.csv, tables/frontier.csv and plan.json, all or nothing. A folder of
    units is done unit by unit, two at a time, with all-units.xlsx to show them together.
    """
    if readiness is None and plan_units(unit_path, out, seed, ("par",), 1.0, cluster):
        return
    only_for_folders(cluster)
    make_plan(unit_path, out, seed, ("par",), readiness)


@click.command("explain")
@unit_argument
@click.argument("item")
@plan_option
@seed_option
@run_safely()
def explain_item(unit_path: Path, item: str, which: str | None, seed: int | None) -> None:
    """Tell how the par level of ITEM came about, from the census of UNIT to whole packs.

    ITEM is a name or a description from the catalogue. Speaks of the unit's plan. Nothing is written.
    """
    from kitplan.parts.par.explanation import explain

    with Progress() as report:
        used = plan_in_use(unit_path, None, which, seed, report)
    told = explain(used.plan, item)
    used.say()
    click.echo("\n" + printable(told))
