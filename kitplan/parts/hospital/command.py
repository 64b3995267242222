"""A folder of units planned: every unit, and all of them together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.cluster import workers
from kitplan.commands.common import (
    EXIT_DEFECT,
    EXIT_INPUT,
    EXIT_UNSAFE,
    asked_paper,
    printable,
    progress,
    say,
    with_letter_warnings,
)

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from kitplan.many import Made
    from kitplan.parts.hospital.model import Hospital


@dataclass(frozen=True)
class How:
    """What is the same for every unit. paper: of all prints, months: to forecast; None for each unit's own."""

    seed: int | None = None
    parts: tuple[str, ...] | None = None
    transport_days: float = 1.0
    paper: str | None = None
    months: int | None = None


def plan_one(name: str, unit_path: Path, lying_there: Path, how: How) -> Made:
    """Plan one unit, in a worker. Raises InputError, UnsafePlan."""
    from kitplan.many import Made
    from kitplan.outputs import files_after
    from kitplan.parts.hospital.model import summary
    from kitplan.planning import plan_unit
    from kitplan.read.unit import load_unit

    unit = with_letter_warnings(load_unit(unit_path, how.seed))
    plan = plan_unit(replace(unit, paper=how.paper or unit.paper), how.seed, how.parts)
    plan, files = files_after(plan, lying_there, scenarios=False)
    return Made(files, summary(name, plan, how.transport_days))


def plan_folder(
    folder: Path | str,
    out: Path | str | None = None,
    *,
    seed: int | None = None,
    parts: tuple[str, ...] | None = None,
    transport_days: float = 1.0,
    paper: str | None = None,
    executor: Executor | None = None,
    at_once: int | None = None,
    progress: Callable[[str], None] | None = None,
) -> Hospital:
    """Plan every unit of a folder into a folder of its own below `out` (default: FOLDER/plan), and all-units.xlsx.

    executor: whatever has the `submit` of `concurrent.futures`, a cluster's too (default: two processes of this
    machine). Its workers need kitplan of this version and nothing else: files go there and come back as bytes, and are
    the same whoever made them. Units that could not be planned stand in `failed` with the reason. seed, parts: as in
    `kitplan.plan`. transport_days: from a central store to a unit. paper: "a4" or "letter", of all prints. at_once:
    units on their way at one time, more than the workers. progress: is told how many are done.
    Raises InputError where the folder holds no unit, and OSError where all-units.xlsx cannot be written.
    """
    from kitplan.many import Done, Task, find_units, for_each, jobs_for
    from kitplan.parts.hospital.central_store import CentralStore
    from kitplan.parts.hospital.model import hospital
    from kitplan.parts.hospital.sheets import hospital_files
    from kitplan.read.last_plan import EARLIER
    from kitplan.read.problems import InputError, Problem
    from kitplan.write.writer import check_target, write_outputs

    folder = Path(folder)
    out = Path(out) if out is not None else folder / "plan"
    jobs = jobs_for(find_units(folder), out)
    if not jobs:
        raise InputError([Problem(str(folder), None, None, None, "holds no units",
                                  "Give the folder that holds the units' folders or workbooks.")], "looking for units")
    check_target(out, [f"{job.name}/plan.json" for job in jobs])
    task = Task(plan_one, How(seed, parts, transport_days, paper), EARLIER, remove_stale=parts is None)
    results = for_each(jobs, task, executor, at_once, progress)
    if progress is not None:
        progress("putting the units together")
    done = [r.value for r in results if isinstance(r, Done)]
    failed = [(r.job, "part", r.value.fault) if isinstance(r, Done) else (r.job, r.kind, r.fault) for r in results
              if not isinstance(r, Done) or r.value.fault]
    together = hospital(done, failed, CentralStore(transport_days))
    written = write_outputs(out, hospital_files(together, seed, paper or "a4"), remove_stale=True)
    told = [f"{r.job}: {line}" for r in results if isinstance(r, Done) for line in r.told]
    return replace(together, told=(*told, *written.sentences()))


def forecast_one(name: str, unit_path: Path, lying_there: Path, how: How) -> Made:
    """Forecast one unit, in a worker. Raises InputError."""
    from kitplan.many import Made
    from kitplan.outputs import part_files
    from kitplan.parts.hospital.spend import spend_of
    from kitplan.planning import plan_unit
    from kitplan.read.problems import InputError
    from kitplan.read.unit import load_unit

    unit = with_letter_warnings(load_unit(unit_path, how.seed))
    if faults := unit.faults_of("forecast"):
        raise InputError(faults)
    unit = replace(unit, paper=how.paper or unit.paper,
                   forecast=replace(unit.forecast, months=how.months or unit.forecast.months))
    plan = plan_unit(unit, how.seed, ("forecast",))
    return Made(part_files(plan, "forecast"), spend_of(name, unit, plan.forecast))


def forecast_and_tell(folder: Path, out: Path, seed: int | None, months: int | None) -> None:
    """Forecast every unit of a folder into a folder of its own below `out`, and all-units-months.xlsx.

    Exit code 1 where a unit could not be forecast (it says which, and why), 2 where none could.
    """
    from kitplan.many import Done, Task, find_units, for_each, jobs_for
    from kitplan.parts.hospital.sheets import SPEND_WORKBOOK, spend_files
    from kitplan.parts.hospital.spend import spend_sentences, spend_table
    from kitplan.write.writer import check_target, write_outputs

    jobs = jobs_for(find_units(folder), out)
    check_target(out, [f"{job.name}/forecast.json" for job in jobs])
    with progress() as report:
        task = Task(forecast_one, How(seed, None, paper=asked_paper(), months=months))
        results = for_each(jobs, task, None, None, report)
    failed = [(r.job, r.kind, r.fault) for r in results if not isinstance(r, Done)]
    table = spend_table([s for r in results if isinstance(r, Done) for s in r.value])
    written = write_outputs(out, spend_files(table, failed, seed, asked_paper() or "a4"))
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {out}: open {SPEND_WORKBOOK}; each unit's months.xlsx lies in the folder of its name.")
    for sentence in spend_sentences(table):
        click.echo(printable(sentence))
    for unit, kind, fault in failed:
        say(f"Not forecast: {unit} ({kind}). {fault}")
    if failed:
        raise SystemExit(EXIT_INPUT if table.empty else EXIT_UNSAFE)


def plan_and_tell(
    folder: Path, out: Path, seed: int | None, parts: tuple[str, ...] | None, store_days: float, cluster: str | None
) -> None:
    """`plan_folder` from the command line.

    The exit code says whether all were planned: 1 when not, with which and why; 2 (or 70, for a defect) when none was.
    """
    from kitplan.many import DEFECT

    with progress() as report, workers(cluster) as (executor, at_once):
        hospital = plan_folder(
            folder, out, seed=seed, parts=parts, transport_days=store_days, paper=asked_paper(), executor=executor,
            at_once=at_once, progress=report,
        )
    from kitplan.parts.hospital.sheets import WORKBOOK, sentences

    for sentence in hospital.told:
        say(sentence)
    summary = sentences(hospital)
    click.echo(f"Written to {out}: open {WORKBOOK}.")
    for line in summary[: len(summary) - len(hospital.failed)]:
        click.echo(printable(line))
    for line in summary[len(summary) - len(hospital.failed) :]:
        say(line)
    if hospital.units.empty:
        raise SystemExit(EXIT_DEFECT if set(hospital.failed["kind"]) == {DEFECT} else EXIT_INPUT)
    if len(hospital.failed) or (hospital.units["answer"] != "met").any():
        raise SystemExit(EXIT_UNSAFE)
