"""Bedside kits: contents, few designs, roll choice, and cards to build them from."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import load, out_folder, progress, run_safely, say, unit_options


@click.command("kits")
@unit_options
@click.option("--designs", metavar="K", type=int, default=None,
              help="What if: at most so many kit designs, in place of the unit's own number.")
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, designs: int | None) -> None:
    """Design the bedside kits of UNIT: what lies in them, which kit for which airway, how many to build.

    Writes kits.xlsx, tables/kit_contents.csv and more, build cards and cut cards (PDF, A4 and US Letter), and
    kits.json. Exit code 1: a container or a limit is too small for a safe kit; nothing is written.
    """
    from dataclasses import replace

    from kitplan.export.writer import check_target, write_outputs

    folder = out_folder(unit_path, out)
    with progress() as report:
        report("Reading")
        unit = load(unit_path, seed)
        if designs is not None:
            unit = replace(unit, bedside=replace(unit.bedside, designs=designs))
        check_target(folder, ("kits.xlsx", "kits.json", "tables/kit_contents.csv"))
        from kitplan.plan import plan_unit

        plan = plan_unit(unit, seed, ("kits",), report)
        report("Writing")
        from kitplan.export.outputs import part_files

        written = write_outputs(folder, part_files(plan, "kits"))
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: open kits.xlsx; print build-cards-a4.pdf and cut-cards-a4.pdf.")
    for sentence in plan.parts["kits"].sentences(unit.currency):
        click.echo(sentence)
