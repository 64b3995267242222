"""A practice class, a course, or a season of several: lists, rounds, cut plans and prints."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.common import GivenPath, run_safely, say, tell_written, unit_options
from kitplan.commands.part import run_part
from kitplan.read.problems import InputError, Problem

if TYPE_CHECKING:
    from kitplan.read.values import Unit


@click.command("training")
@unit_options
@click.option("--class", "class_files", metavar="FILE", type=GivenPath(dir_okay=False), multiple=True,
              help="A class file; repeat it for a season.  [default: class*.toml in the unit's folder]")
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, class_files: tuple[Path, ...]) -> None:
    """Plan the practice classes of UNIT: what to buy, what stands at each station, what to cut, what is left.

    A class file with [[session]] blocks is a course: one box for all its days, and prints only what differs.

    For practice on manikins only. Writes class.xlsx, tables/, prints (PDF) and training.json, all or nothing.
    """
    def prepare(unit: Unit) -> Unit:
        if unit.classes:
            return unit
        raise InputError([Problem("class.toml", "is not there",
                                  "Put a class.toml into the unit's folder, or name one with --class.")])

    files = ("tables/training_list.csv",)
    plan, written = run_part("training", unit_path, out, seed, files, prepare, classes=class_files)
    for warning in plan.warnings:
        say(f"Look at: {warning}")
    tell_written(written, "open class.xlsx", plan.training.sentences())
