"""A plan folder: what of a plan is kept there beside the papers, the plan opened from it again, and
which of the files that it rests on have changed since.

plan.json names every file of the folder with its checksum, and the folder is judged by it: what is kept of another
plan, of another version or in part is refused, never mixed. The scenarios are a convenience: where their file is
missing or another's they are drawn again from the plan's own seed.
"""

from __future__ import annotations

import os
from collections import UserDict
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from kitplan import __version__
from kitplan.demand.values import Demand
from kitplan.parts.work import Basis, Work
from kitplan.planning import STREAMS, Plan
from kitplan.read import last_plan
from kitplan.read.columns import columns_of
from kitplan.read.last_plan import moves_par
from kitplan.read.problems import InputError, Problem
from kitplan.read.source import is_settings, is_table, names_in
from kitplan.resources import config_file
from kitplan.saved.values import Damaged, Packed, packed

RECORD, PLAN, SCENARIOS = "plan.json", "saved/plan.zip", "saved/scenarios.zip"
CHANGED, NEW, GONE = "has changed", "is new", "is gone"

_DAMAGED = "is damaged, or of another version of kitplan"
_AGAIN = "Plan again: kitplan plan UNIT."


def saved_files(plan: Plan, scenarios: bool = True) -> dict[str, bytes]:
    """What is kept of a plan that has par levels: file name -> bytes."""
    about = {
        "version": plan.version, "number": plan.number, "seed": plan.seed, "skipped": dict(plan.skipped),
        "warnings": plan.warnings, "parts": plan.parts,
    }
    values: dict[str, object] = {
        "about": about, "unit": replace(plan.unit, path=Path()),
        "rests_on": (plan.item_choice, plan.airways, plan.expected),
    }
    files = {PLAN: packed(values | {f"part-{name}": result for name, result in plan.results.items()})}
    if scenarios and plan.drawn is not None:
        files[SCENARIOS] = packed({stream: plan.demand(stream) for stream in STREAMS})
    return files


def open_plan(folder: Path | str, unit_path: Path | None = None) -> Plan:
    """Open the plan that a folder holds, as it was made: nothing is planned again.

    unit_path: where its unit is now, for what is read from there later (default: the folder). Raises InputError where
    there is no plan, or it is damaged, of another version, or only partly written.

    >>> from pathlib import Path
    >>> open_plan(Path("not-there"))
    Traceback (most recent call last):
    ...
    kitplan.read.problems.InputError: 1 problem while opening the plan:
      - not-there: holds no plan.json. Plan again: kitplan plan UNIT.
    """
    folder = Path(folder)
    record = read_record(folder)
    file = _file_of(folder, record)
    try:
        about, unit = file.value("about"), file.value("unit")
        item_choice, airways, expected = file.value("rests_on")
        if about["number"] != record["plan_number"]:
            raise _fault(folder / PLAN, f"is of plan {about['number']}, not of {record['plan_number']}")
        if not {*columns_of("items")} - {"size_from", "size_to"} <= {*unit.items}:
            raise Damaged(f"{PLAN} has a catalogue without columns of this version")
        unit = replace(unit, path=unit_path or folder)
        plan = Plan(
            unit, int(about["seed"]), str(about["version"]), str(about["number"]), item_choice, airways, expected,
            _Kept(file, about["parts"], folder), about["skipped"], about["warnings"],
        )
    except Damaged as error:
        raise _fault(folder / PLAN, _DAMAGED) from error
    return replace(plan, drawn=_Scenarios(plan, folder, record))


def read_record(folder: Path) -> dict[str, Any]:
    """plan.json of a folder. Raises InputError where there is none, or it cannot be read."""
    record = last_plan.read_record(folder)
    if record is not None and isinstance(record.get("outputs"), dict):
        return record
    there = os.path.lexists(folder / RECORD)
    raise _fault(folder / RECORD, "is damaged") if there else _fault(folder, f"holds no {RECORD}")


def _file_of(folder: Path, record: Mapping[str, Any]) -> Packed:
    if record.get("version") != __version__:
        raise _fault(folder, f"holds a plan of kitplan {record.get('version')}; this is {__version__}")
    content = _recorded(folder, record, PLAN)
    if content is None:
        there = (folder / PLAN).is_file()
        fault = f"does not belong to the {RECORD} beside it" if there else "is not there"
        raise _fault(folder / PLAN, fault)
    try:
        return Packed(content)
    except Damaged as error:
        raise _fault(folder / PLAN, _DAMAGED) from error


def _recorded(folder: Path, record: Mapping[str, Any], name: str) -> bytes | None:
    """The file's bytes where they are those that the record names, else None."""
    try:
        content = (folder / name).read_bytes()
    except OSError:
        return None
    return content if sha256(content).hexdigest() == record["outputs"].get(name) else None


def as_written(folder: Path, name: str, part: str) -> tuple[bytes, dict[str, Any]] | None:
    """A file as the plan, or the command of one part, left it, with the record that says so; None where it is not."""
    for record in (last_plan.read_record(folder, RECORD), last_plan.read_record(folder, f"{part}.json")):
        if record is not None and isinstance(record.get("outputs"), dict):
            content = _recorded(folder, record, name)
            if content is not None:
                return content, record
    return None


def _fault(place: Path, fault: str) -> InputError:
    return InputError([Problem(str(place), fault, _AGAIN)], "opening the plan")


class _Kept(UserDict[str, object]):
    """Results that lie in the file, each read when it is first asked for."""

    def __init__(self, file: Packed, parts: tuple[str, ...], folder: Path) -> None:
        super().__init__(dict.fromkeys(parts))
        self.file, self.folder = file, folder

    def __getitem__(self, name: str) -> object:
        if self.data[name] is None:
            try:
                self.data[name] = self.file.value(f"part-{name}")
            except Damaged as error:
                raise _fault(self.folder / PLAN, _DAMAGED) from error
        return self.data[name]


@dataclass(frozen=True)
class _Scenarios:
    """Scenarios of an opened plan, each stream read or drawn when it is first asked for."""

    plan: Plan
    folder: Path
    record: Mapping[str, Any]
    known: dict[str, Demand] = field(default_factory=dict)

    def __call__(self, stream: str) -> Demand:
        if stream not in self.known:
            work = Work(self.plan.unit, self.plan.seed, Basis(self.plan.unit, lambda _: None), self.plan.item_choice)
            self.known[stream] = _kept_scenarios(self.folder, self.record, stream) or work.demand(stream)
        return self.known[stream]


def _kept_scenarios(folder: Path, record: Mapping[str, Any], stream: str) -> Demand | None:
    content = _recorded(folder, record, SCENARIOS)
    try:
        found = None if content is None else Packed(content).value(stream)
    except Damaged:
        return None
    return found if isinstance(found, Demand) else None


def changed_inputs(plan: Plan, unit_path: Path) -> dict[str, str]:
    """File name -> CHANGED, NEW or GONE, for the files that the plan read and those that it would read now."""
    folder = unit_path if unit_path.is_dir() else unit_path.parent
    known, tables_too = plan.inputs, unit_path.is_dir()
    found = {name: CHANGED for name, code in known.items() if (now := _checksum(folder, name)) and now != code}
    found |= {name: GONE for name in known if (is_table(name) or is_settings(name)) and not (folder / name).is_file()}
    return found | {name: NEW for name in sorted(names_in(folder)) if name not in known and (folder / name).is_file()
                    and (is_settings(name) or (tables_too and is_table(name)))}


def told_changes(changed: Mapping[str, str]) -> list[str]:
    """One sentence for each change that may move a par level, and so asks for a new plan. What counts teach changes a
    little each week: it is used when the unit is planned again, and is not asked about.
    """
    return [f"{name} {how} since this plan was made: its par levels do not know of it. Plan again to use it."
            for name, how in changed.items() if moves_par(name) and not name.startswith("book/")]


def _checksum(folder: Path, name: str) -> str | None:
    place = config_file(name.removeprefix("config/")) if name.startswith("config/") else folder / name
    try:
        return sha256(place.read_bytes()).hexdigest()
    except (OSError, ValueError):
        return None
