"""Par levels for the stock room and nothing else, and how one of them came about."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands import common
from kitplan.commands.cluster import cluster_option, is_folder_of_units
from kitplan.commands.plan import make_plan, readiness_option
from kitplan.commands.plan_in_use import plan_in_use, plan_option


@click.command("par")
@common.unit_options
@readiness_option
@cluster_option
@common.run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, readiness: float | None, cluster: str | None) -> None:
    """Par levels for the stock room of UNIT (a folder or a workbook), without the other parts.

    Writes stock-room.xlsx, tables/par_levels.csv, tables/frontier.csv and plan.json, all or nothing. A folder of
    units is done unit by unit, two at a time, with all-units.xlsx to show them together.
    """
    if is_folder_of_units(unit_path, cluster) and readiness is None:
        from kitplan.parts.hospital.command import plan_and_tell

        plan_and_tell(unit_path, common.out_folder(unit_path, out), seed, ("par",), 1.0, cluster)
        return
    make_plan(unit_path, out, seed, ("par",), readiness)


@click.command("explain")
@common.unit_argument
@click.argument("item")
@plan_option
@common.seed_option
@common.run_safely()
def explain_item(unit_path: Path, item: str, which: str | None, seed: int | None) -> None:
    """Tell how the par level of ITEM came about, from the census of UNIT to whole packs.

    ITEM is a name or a description from the catalogue. Speaks of the unit's plan. Nothing is written.
    """
    from kitplan.parts.par.explanation import explain

    with common.Progress() as report:
        used = plan_in_use(unit_path, None, which, seed, report)
    told = explain(used.plan, item)
    used.say()
    click.echo("\n" + common.printable(told))
