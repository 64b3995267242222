"""How one item's number came about, from census to pack."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import load, printable, progress, run_safely, seed_option, unit_argument


@click.command("explain")
@unit_argument
@click.argument("item")
@seed_option
@run_safely()
def command(unit_path: Path, item: str, seed: int | None) -> None:
    """Tell how the par level of ITEM came about, from the census of UNIT to whole packs.

    ITEM is a name or a description from the catalogue. Nothing is written.
    """
    from kitplan.parts.par.explanation import explain_item, find_item
    from kitplan.read.findings import suggestion
    from kitplan.read.problems import InputError, Problem

    with progress() as report:
        report("Reading")
        unit = load(unit_path, seed)
        name = find_item(unit.items, item)
        if name is None:
            mend = suggestion(item, [*unit.items["item"].astype(str), *unit.items["description"].astype(str)])
            raise InputError([Problem("items.csv", None, "item", item, "no item has this name", mend)],
                             "looking up the item")
        from kitplan.planning import plan_unit

        plan = plan_unit(unit, seed, ("par",), report)
    click.echo(printable(explain_item(plan, name)))
