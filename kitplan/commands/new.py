"""`kitplan new`: a unit to fill in, or a copy of an invented sample."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import GivenPath, run_safely
from kitplan.read.problems import InputError, Problem


@click.command()
@click.argument("folder", type=GivenPath())
@click.option("--sample", metavar="NAME", help="Copy this invented sample instead of a blank unit.")
@run_safely()
def command(folder: Path, sample: str | None) -> None:
    """Make FOLDER, a unit to fill in: tables, settings and a guide. With --sample, a copy of an invented unit.

    FOLDER must not hold anything yet. A name that ends in .xlsx makes one workbook to fill in instead of a folder.
    """
    from kitplan.read.starter import sample_files, starter_files
    from kitplan.resources import sample_units
    from kitplan.write.unit_book import unit_workbook
    from kitplan.write.writer import write_file, write_outputs

    samples = sample_units()
    if sample is not None and sample not in samples:
        raise InputError([Problem("--sample", "no sample has this name", f"Choose one of {', '.join(samples)}.",
                                  value=sample)], "copying a sample")
    if folder.suffix.casefold() == ".xlsx":
        if sample is not None:
            raise click.UsageError("A sample is a folder: leave .xlsx out of its name.")
        if folder.exists():
            raise InputError([Problem(str(folder), "it is there already",
                                      "Choose a name that does not exist yet.")], "making a unit")
        write_file(folder, unit_workbook())
        click.echo(f"Made {folder}. Next: open it, fill in the sheets unit and census, save and close it, then "
                   f"kitplan check {folder}")
        return
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError([Problem(str(folder), "it is there already and is not empty",
                                  "Choose a folder that does not exist yet.")], "making a unit")
    write_outputs(folder, sample_files(samples[sample]) if sample else starter_files())
    if sample:
        click.echo(f"Copied the invented sample {sample} to {folder}. Next: kitplan plan {folder}")
    else:
        click.echo(f"Made a blank unit in {folder}. Next: fill unit.toml and census.csv "
                   f"(HOW_TO_FILL.txt says how), then kitplan check {folder}")
