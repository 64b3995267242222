"""Par levels for the stock room, and nothing else."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import run_safely, unit_options


@click.command("par")
@unit_options
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None) -> None:
    """Par levels for the stock room of UNIT (a folder or a workbook), without the other parts.

    Writes stock-room.xlsx, tables/par_levels.csv, tables/frontier.csv and plan.json, all or nothing.
    """
    from kitplan.commands.plan import make_plan

    make_plan(unit_path, out, seed, parts=("par",))
