"""A practice class, or a season of several: lists, rounds, cut plans and prints."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from kitplan.commands.common import load, out_folder, progress, run_safely, say, unit_options


@click.command("training")
@unit_options
@click.option("--class", "class_files", metavar="FILE", type=click.Path(path_type=Path, dir_okay=False), multiple=True,
              help="A class file; repeat it for a season.  [default: class*.toml in the unit's folder]")
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, class_files: tuple[Path, ...]) -> None:
    """Plan the practice classes of UNIT: what to buy, what stands at each station, what to cut, what is left.

    For practice on manikins only. Writes training.xlsx, tables/, prints (PDF) and training.json, all or nothing.
    """
    from kitplan.export.writer import check_target, write_outputs

    folder = out_folder(unit_path, out)
    with progress() as report:
        report("Reading")
        unit = load(unit_path, seed)
        check_target(folder, ("training.xlsx", "training.json", "tables/training_list.csv"))
        if class_files:
            unit = replace(unit, extra={**unit.extra, "class_files": class_files})
        from kitplan.plan import plan_unit

        plan = plan_unit(unit, seed, ("training",), report)
        training = plan.parts["training"]
        plan = replace(plan, unit=replace(unit, checksums={**unit.checksums, **training.checksums}))
        report("Writing")
        from kitplan.export.outputs import part_files

        written = write_outputs(folder, part_files(plan, "training"))
    for warning in plan.warnings:
        say(f"Look at: {warning}")
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: open training.xlsx.")
    for sentence in training.sentences():
        click.echo(sentence)
