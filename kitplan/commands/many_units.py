"""`kitplan plan` on a folder of units: the part of the command that several units need."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.common import EXIT_DEFECT, EXIT_INPUT, EXIT_UNSAFE, printable, progress, say

if TYPE_CHECKING:
    from kitplan.plan import Plan


def write_plan(plan: Plan, folder: Path) -> None:
    """Write the outputs of one unit, all or nothing."""
    from kitplan.export.outputs import plan_files
    from kitplan.export.writer import write_outputs

    write_outputs(folder, plan_files(plan), retire=True)


def plan_folder(units: Sequence[Path], out: Path, seed: int | None, transport_days: float) -> None:
    """Plan every unit, write each one's outputs and the roll-up; the exit code says whether all were planned."""
    from kitplan.export.writer import check_target, write_outputs
    from kitplan.many import jobs_for, plan_many
    from kitplan.optimise.pooling import CentralStore

    jobs = jobs_for(units, out)
    check_target(out, [f"{job.name}/plan.json" for job in jobs])
    with progress() as report:
        report(f"Planning {len(jobs)} units")
        hospital = plan_many(jobs, write_plan, seed=seed, store=CentralStore(transport_days), progress=report)
        from kitplan.export.hospital_book import WORKBOOK, hospital_files, sentences

        report("Writing")
        written = write_outputs(out, hospital_files(hospital, seed), retire=True)
    for sentence in written.sentences():
        say(sentence)
    told = sentences(hospital)
    click.echo(f"Written to {written.folder}: open {WORKBOOK}.")
    for line in told[: len(told) - len(hospital.failed)]:
        click.echo(printable(line))
    for line in told[len(told) - len(hospital.failed):]:
        say(line)
    kinds = set(hospital.failed["kind"])
    if kinds:
        codes = {"stopped": EXIT_DEFECT, "input": EXIT_INPUT, "unsafe": EXIT_UNSAFE}
        raise SystemExit(next(code for kind, code in codes.items() if kind in kinds))
