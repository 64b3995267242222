"""A folder of units planned: every unit, and all of them together."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import click

from kitplan.commands import common
from kitplan.commands.cluster import workers
from kitplan.commands.plan_in_use import plan_in_use
from kitplan.many import DEFECT, Done, Job, Made, Task, find_units, for_each, jobs_for
from kitplan.outputs import files_after, part_files
from kitplan.parts.audit.command import audited
from kitplan.parts.hospital import sheets, shelves
from kitplan.parts.hospital.model import Hospital, hospital, summary
from kitplan.parts.hospital.spend import spend_of, spend_sentences, spend_table
from kitplan.parts.orders import round_command as rounds
from kitplan.planning import plan_unit
from kitplan.read.last_plan import EARLIER
from kitplan.read.order_book import PAPERS
from kitplan.read.problems import InputError, Problem
from kitplan.read.unit import load_unit
from kitplan.read.values import Unit
from kitplan.write.book import Book
from kitplan.write.writer import check_target, write_outputs

_Together = tuple[Callable[[Book], None], dict[str, Any], list[str]]
_SAVED = ("plan.json", "saved/plan.zip", "saved/scenarios.zip")
"""What opens a plan again."""


@dataclass(frozen=True)
class How:
    """What is the same for every unit. paper: of all prints; None for each unit's own. day: of the
    count and order, place: put the order into the book.
    """

    seed: int | None = None
    parts: tuple[str, ...] | None = None
    transport_days: float = 1.0
    paper: str | None = None
    day: date | None = None
    place: bool = True


def _unit(unit_path: Path, how: How) -> Unit:
    """A unit as it is read, on the paper of all. Raises InputError."""
    unit = common.with_letter_warnings(load_unit(unit_path, how.seed))
    return replace(unit, paper=how.paper or unit.paper)


def plan_one(name: str, unit_path: Path, lying_there: Path, how: How) -> Made:
    """Plan one unit, in a worker. Raises InputError, UnsafePlan."""
    plan = plan_unit(_unit(unit_path, how), how.seed, how.parts)
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
    folder = Path(folder)
    out = Path(out) if out is not None else folder / "plan"
    jobs = jobs_for(find_units(folder), out)
    if not jobs:
        raise InputError([Problem(str(folder), "holds no units",
                                  "Give the folder that holds the units' folders or workbooks.")], "looking for units")
    check_target(out, [f"{job.name}/plan.json" for job in jobs])
    task = Task(plan_one, How(seed, parts, transport_days, paper), EARLIER, remove_stale=parts is None)
    results = for_each(jobs, task, executor, at_once, progress)
    if progress is not None:
        progress("putting the units together")
    done = [r.value for r in results if isinstance(r, Done)]
    failed = [(r.job, "part", r.value.fault) if isinstance(r, Done) else (r.job, r.kind, r.fault) for r in results
              if not isinstance(r, Done) or r.value.fault]
    together = hospital(done, failed, transport_days)
    written = write_outputs(out, sheets.hospital_files(together, seed, paper or "a4"), remove_stale=True)
    told = [f"{r.job}: {line}" for r in results if isinstance(r, Done) for line in r.told]
    return replace(together, told=(*told, *written.sentences()))


def forecast_one(name: str, unit_path: Path, lying_there: Path, how: How) -> Made:
    """Forecast one unit, in a worker. Raises InputError."""
    unit = _unit(unit_path, how)
    if faults := unit.faults_of("forecast"):
        raise InputError(faults)
    plan = plan_unit(unit, how.seed, ("forecast",))
    return Made(part_files(plan, "forecast"), spend_of(name, unit, plan.forecast))


def audit_one(name: str, unit_path: Path, lying_there: Path, how: How) -> Made:
    """Audit the par levels that one unit holds, in a worker. Raises InputError, UnsafePlan."""
    with common.in_silence(), common.Progress() as report:
        used = plan_in_use(unit_path, lying_there, None, how.seed, report)
        plan = audited(used, unit_path, report)
    plan = replace(plan, unit=replace(plan.unit, paper=how.paper or plan.unit.paper))
    return Made(part_files(plan, "audit"), shelves.audit_row(name, plan))


def order_one(name: str, unit_path: Path, lying_there: Path, how: How) -> Made:
    """Take in what was typed for one unit and order for it, in a worker. Raises InputError."""
    with common.in_silence(), rounds.session(unit_path, lying_there, how.seed) as work:
        unit = work.plan.unit
        work.plan = replace(work.plan, unit=replace(unit, paper=how.paper or unit.paper))
        rounds.take_in_unit(work, "order", unit_path, how.day)
        weekly = work.weekly()
        if how.place:
            weekly = rounds.placed(work, weekly, how.day)
        book = rounds.book_files(work) if work.book is not work.found else {}
        return Made(rounds.papers(work, weekly), shelves.order_summary(name, work.plan, weekly, work.told), book)


def forecast_and_tell(folder: Path, out: Path, seed: int | None, cluster: str | None) -> None:
    """Forecast every unit of a folder into a folder of its own below `out`, and all-units-months.xlsx."""

    def together(values: list[Any]) -> _Together:
        table = spend_table([s for value in values for s in value])
        return lambda book: sheets.add_spend(book, table), {"spend": table}, spend_sentences(table)

    task = Task(forecast_one, How(seed, paper=common.asked_paper()))
    _tell_together(jobs_for(find_units(folder), out), out, task, cluster, "all-units-months", together)


def audit_and_tell(folder: Path, out: Path, seed: int | None, cluster: str | None) -> None:
    """Audit every unit of a folder beside its plan, and all-units-audit.xlsx."""

    def together(values: list[Any]) -> _Together:
        table = shelves.audit_table(values)
        written = {"audit_units": table[shelves.AUDIT_COLUMNS]}
        return lambda book: sheets.add_audits(book, table), written, shelves.audit_sentences(table)

    task = Task(audit_one, How(seed, paper=common.asked_paper()), _SAVED)
    _tell_together(_beside_their_plans(folder, out), out, task, cluster, "all-units-audit", together)


def order_and_tell(folder: Path, out: Path, seed: int | None, day: date | None, place: bool, cluster: str | None
                   ) -> None:
    """Order for every unit of a folder, each into its own book and beside its plan, and all-units-order.xlsx."""

    def together(values: list[Any]) -> _Together:
        tables = shelves.order_tables(values)
        spoken = {item: words for value in values for item, words in value.spoken.items()}
        told = [f"{value.row[0]}: {line}" for value in values for line in value.told]
        return lambda book: sheets.add_orders(book, tables, spoken), tables, [*told, *shelves.order_sentences(tables)]

    how = How(seed, paper=common.asked_paper(), day=day, place=place)
    task = Task(order_one, how, (*_SAVED, PAPERS, "stock-room.xlsx"))
    _tell_together(_beside_their_plans(folder, out), out, task, cluster, "all-units-order", together)


def _beside_their_plans(folder: Path, out: Path) -> list[Job]:
    """A job a unit, whose outputs go where its plan lies: below `out`, else in its own folder."""
    jobs = jobs_for(find_units(folder), out)
    own = {job.name: common.out_folder(job.path, None) for job in jobs}
    alone = {job.name for job in jobs if not (job.out / "plan.json").is_file()
             and (own[job.name] / "plan.json").is_file()}
    return [replace(job, out=own[job.name]) if job.name in alone else job for job in jobs]


def _tell_together(
    jobs: list[Job], out: Path, task: Task, cluster: str | None, name: str,
    together: Callable[[list[Any]], _Together],
) -> None:
    """Do a task with every unit, write NAME.xlsx of what came out, and say it.

    together: values of the units done -> what adds their sheets, their tables, sentences. Exit code 1 where a unit
    could not be done (it says which, and why); 2 (or 70, for a defect) where none could.
    """
    check_target(out, (f"{name}.xlsx", f"{name}.json"))
    with common.Progress() as report, workers(cluster) as (executor, at_once):
        results = for_each(jobs, task, executor, at_once, report)
    done = [r for r in results if isinstance(r, Done)]
    failed = [(r.job, r.kind, r.fault) for r in results if not isinstance(r, Done)]
    if done:
        add, tables, told = together([r.value for r in done])
        files = sheets.together_files(name, add, tables, failed, (len(done), task.how.seed, task.how.paper or "a4"))
        written = write_outputs(out, files)
        for line in (*(f"{r.job}: {line}" for r in done for line in r.told), *written.sentences()):
            common.say(line)
        click.echo(f"Written to {out}: open {name}.xlsx; what belongs to a unit lies beside its plan.")
        for line in told:
            common.tell(line)
    for unit, kind, fault in failed:
        common.say(f"Not done: {unit} ({kind}). {fault}")
    _end(not done, {kind for _, kind, _ in failed}, bool(failed))


def _end(none_done: bool, kinds: set[str], worth_a_look: bool) -> None:
    """Exit code of a folder: 2 where no unit could be done (70: all by a defect), 1 where one is worth a look."""
    if kinds and none_done:
        raise SystemExit(common.EXIT_DEFECT if kinds == {DEFECT} else common.EXIT_INPUT)
    if worth_a_look:
        raise SystemExit(common.EXIT_UNSAFE)


def plan_and_tell(
    folder: Path, out: Path, seed: int | None, parts: tuple[str, ...] | None, store_days: float, cluster: str | None
) -> None:
    """`plan_folder` from the command line.

    The exit code says whether all were planned: 1 when not, with which and why; 2 (or 70, for a defect) when none was.
    """
    with common.Progress() as report, workers(cluster) as (executor, at_once):
        made = plan_folder(
            folder, out, seed=seed, parts=parts, transport_days=store_days, paper=common.asked_paper(),
            executor=executor, at_once=at_once, progress=report,
        )
    for sentence in made.told:
        common.say(sentence)
    click.echo(f"Written to {out}: open {sheets.WORKBOOK}.")
    for line in sheets.sentences(made):
        common.tell(line)
    for row in made.failed.itertuples(index=False):
        common.say(f"Not planned: {row.unit} ({row.kind}). {row.fault}")
    unmet = bool(len(made.failed) or (made.units["answer"] != "met").any())
    _end(made.units.empty, set(made.failed["kind"]), unmet)
