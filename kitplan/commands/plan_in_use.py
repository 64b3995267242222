"""The plan that a command speaks of: the one that lies in the folder, named in the command's first line."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.common import Progress, load, on_paper, out_folder, say, tell
from kitplan.read.problems import InputError, Problem

if TYPE_CHECKING:
    from kitplan.planning import Plan

plan_option = click.option(
    "--plan", "which", metavar="WHICH", default=None,
    help="The plan to speak of: its number, or the folder that holds it.  [default: the unit's own]",
)
_NUMBER = re.compile(r"[0-9A-F]{4}-[0-9A-F]{4}", re.IGNORECASE)


@dataclass(frozen=True)
class PlanInUse:
    """A plan, with what to say of it first.

    folder: where what is made of it is written. changed: sentences on files that have changed since it was made.
    same_shelf: counts and par levels held are those that it was made with.
    """

    plan: Plan
    folder: Path
    line: str
    changed: tuple[str, ...] = ()
    same_shelf: bool = True

    def say(self) -> None:
        """Name the plan, and tell what has changed since."""
        tell(self.line)
        for sentence in self.changed:
            say(f"Look at: {sentence}")


def plan_in_use(unit_path: Path, out: Path | None, which: str | None, seed: int | None, report: Progress) -> PlanInUse:
    """Open the plan that is meant, with today's counts and par levels held; make one where there is none.

    out: the user's `--out`; without it, what is made of a plan is written beside it. which: the user's `--plan`.
    seed: the user's `--seed`, which has to be the plan's own. Raises InputError.
    """
    held = _named(unit_path, which) if which else _lying_there(unit_path, out)
    if held is None:
        from kitplan.planning import plan_unit

        folder = out_folder(unit_path, out)
        plan = plan_unit(load(unit_path, seed), seed, ("par", "kits", "order"), report)
        line = f"Plan {plan.number} of {plan.unit.name}, made now and not kept: {folder} holds none."
        return PlanInUse(plan, folder, line)
    from kitplan.read.unit import with_shelf_tables
    from kitplan.saved.folder import changed_inputs, open_plan, told_changes

    report("Opening the plan")
    plan = open_plan(held, unit_path)
    _check_it_is_meant(plan, unit_path, held, seed)
    changed = changed_inputs(plan, unit_path)
    unit = with_shelf_tables(plan.unit, unit_path) if changed else plan.unit
    line = f"Plan {plan.number} of {plan.unit.name}, in {held}."
    return PlanInUse(replace(plan, unit=on_paper(unit)), out or held, line, tuple(told_changes(changed)), not changed)


def unchanged_plan(unit_path: Path, seed: int, report: Progress) -> PlanInUse | None:
    """The plan in the unit's folder, where it was made with this seed from the files as they are now; else None."""
    held = _lying_there(unit_path, None)
    if held is None:
        return None
    try:
        used = plan_in_use(unit_path, None, str(held), seed, report)
    except InputError:
        return None
    return None if used.changed else used


def _lying_there(unit_path: Path, out: Path | None) -> Path | None:
    """The folder that holds the unit's plan, where none was named: --out, else the usual one."""
    places = [out_folder(unit_path, out), out_folder(unit_path, None)]
    return next((place for place in places if (place / "plan.json").is_file()), None)


def _named(unit_path: Path, which: str) -> Path:
    """The folder of a plan that was named by its number or its folder. Raises InputError for an unknown number."""
    if not _NUMBER.fullmatch(which) or Path(which).is_dir():
        return Path(which)
    from kitplan.read.last_plan import read_record

    folder = unit_path if unit_path.is_dir() else unit_path.parent
    records = {p.parent: read_record(p.parent) for p in sorted(folder.glob("*/plan.json"))}
    numbers = {place: str(record["plan_number"]) for place, record in records.items() if record is not None}
    for place, number in numbers.items():
        if number == which.upper():
            return place
    known = ", ".join(numbers.values())
    raise InputError([Problem("--plan", "is the number of no plan in the unit's folder",
                              f"The folder holds {known or 'none'}; or name the folder that holds it.", value=which)],
                     "looking for the plan")


def _check_it_is_meant(plan: Plan, unit_path: Path, held: Path, seed: int | None) -> None:
    """Raises InputError where the plan is another unit's, or was made with another seed than asked for."""
    problems = []
    name = _name_of(unit_path)
    if name is not None and name != plan.unit.name:
        problems.append(Problem(str(held),
                                f"holds a plan of another unit, {plan.unit.name!r}; {unit_path} is {name!r}",
                                "Name the right folder with --plan, or plan again: kitplan plan UNIT."))
    if seed is not None and seed != plan.seed:
        problems.append(Problem("--seed", f"is not the seed of this plan, {plan.seed}",
                                f"Leave --seed out, or plan again: kitplan plan UNIT --seed {seed}.",
                                value=str(seed)))
    if problems:
        raise InputError(problems, "opening the plan")


def _name_of(unit_path: Path) -> str | None:
    """The name in unit.toml of a unit folder (else the folder's); None where it cannot be told so simply."""
    settings = unit_path / "unit.toml" if unit_path.is_dir() else unit_path
    if settings.name != "unit.toml":
        return None
    try:
        name = tomllib.loads(settings.read_text(encoding="utf-8-sig")).get("name")
    except (OSError, ValueError):
        return None
    from kitplan.read.source import written_name

    return " ".join(name.split()) if isinstance(name, str) else written_name(settings.resolve().parent.name)
