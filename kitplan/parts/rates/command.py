"""How often securements are renewed in this unit, learnt from its log."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import run_safely, say, tell_written, unit_options
from kitplan.commands.part import run_part


@click.command("rates")
@unit_options
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None) -> None:
    """Learn UNIT's re-secure rates from its log: by route, size, technique and skin, with intervals and reasons.

    Writes rates.xlsx, tables/ and rates.json, and resecure_learnt.toml: a [resecure] block. A plan learns
    from the log by itself; paste the block into unit.toml to hold the rates still, or to take them to another unit.
    With fewer than twenty events it tells the rates that a plan rests on, and what they rest on.
    """
    files = ("tables/rates.csv", "resecure_learnt.toml")
    plan, written = run_part("rates", unit_path, out, seed, files)
    learnt = plan.rates
    for note in (*learnt.notes, *learnt.warnings):
        say(f"Look at: {note}")
    tell_written(written, "open rates.xlsx", learnt.sentences())
