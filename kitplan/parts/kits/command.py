"""Bedside kits: contents, few designs, roll choice, and cards to build them from."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import run_safely, tell_written, unit_options
from kitplan.commands.part import run_part


@click.command("kits")
@unit_options
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None) -> None:
    """Design the bedside kits of UNIT: what lies in them, which kit for which airway, how many to build.

    Writes kits.xlsx, tables/kit_contents.csv and more, build cards and cut cards (PDF), and
    kits.json. Exit code 1: a container or a limit is too small for a safe kit; nothing is written.
    """
    plan, written = run_part("kits", unit_path, out, seed, ("tables/kit_contents.csv",))
    tell_written(written, "open kits.xlsx; print build-cards.pdf and cut-cards.pdf",
                 plan.kits.sentences(plan.unit.currency))
