"""`kitplan plan` on a folder of units: the part of the command that several units need."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.common import (
    EXIT_DEFECT,
    EXIT_INPUT,
    EXIT_UNSAFE,
    asked_paper,
    printable,
    progress,
    say,
)

if TYPE_CHECKING:
    from kitplan.planning import Plan


def write_one(plan: Plan, folder: Path) -> None:
    """Write the outputs of one unit, all or nothing. Raises UnsafePlan."""
    from kitplan.outputs import write_plan

    write_plan(plan, folder, remove_stale=len(plan.parts) > 1, scenarios=False)


def plan_folder(
    units: Sequence[Path],
    out: Path,
    seed: int | None,
    parts: tuple[str, ...] | None,
    transport_days: float = 1.0,
) -> None:
    """Plan every unit, write each one's outputs and the roll-up.

    The exit code says whether all were planned: 1 when not, with which and why; 2 (or 70, for a defect) when none was.
    """
    from kitplan.parts.hospital.central_store import CentralStore
    from kitplan.parts.hospital.model import jobs_for, plan_many
    from kitplan.write.writer import check_target, write_outputs

    jobs = jobs_for(units, out)
    check_target(out, [f"{job.name}/plan.json" for job in jobs])
    with progress() as report:
        report(f"Planning {len(jobs)} units")
        hospital = plan_many(
            jobs, write_one, seed=seed, parts=parts, store=CentralStore(transport_days), progress=report,
            paper=asked_paper(),
        )
        from kitplan.parts.hospital.sheets import WORKBOOK, hospital_files, sentences

        report("Writing")
        written = write_outputs(out, hospital_files(hospital, seed, asked_paper() or "a4"), remove_stale=True)
    for sentence in written.sentences():
        say(sentence)
    summary = sentences(hospital)
    click.echo(f"Written to {written.folder}: open {WORKBOOK}.")
    for line in summary[: len(summary) - len(hospital.failed)]:
        click.echo(printable(line))
    for line in summary[len(summary) - len(hospital.failed) :]:
        say(line)
    if hospital.units.empty:
        raise SystemExit(EXIT_DEFECT if set(hospital.failed["kind"]) == {"stopped"} else EXIT_INPUT)
    if len(hospital.failed) or (hospital.units["answer"] != "met").any():
        raise SystemExit(EXIT_UNSAFE)
