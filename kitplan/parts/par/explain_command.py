"""How one item's number came about, from census to pack."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import printable, progress, run_safely, seed_option, unit_argument
from kitplan.commands.plan_in_use import plan_in_use, plan_option


@click.command("explain")
@unit_argument
@click.argument("item")
@plan_option
@seed_option
@run_safely()
def command(unit_path: Path, item: str, which: str | None, seed: int | None) -> None:
    """Tell how the par level of ITEM came about, from the census of UNIT to whole packs.

    ITEM is a name or a description from the catalogue. Speaks of the unit's plan. Nothing is written.
    """
    from kitplan.parts.par.explanation import explain

    with progress() as report:
        used = plan_in_use(unit_path, None, which, seed, report)
    told = explain(used.plan, item)
    used.say()
    click.echo("\n" + printable(told))
