"""Which of the files that a plan was made from have changed since; nothing is read but their bytes."""

from __future__ import annotations

from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path

from kitplan.planning import Plan
from kitplan.read.last_plan import moves_par
from kitplan.read.source import is_settings, is_table, names_in
from kitplan.resources import config_file

CHANGED, NEW, GONE = "has changed", "is new", "is gone"


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
    return [f"{name} {how} since this plan was made, and is not used: plan again to use it."
            for name, how in changed.items() if moves_par(name) and not name.startswith("book/")]


def _checksum(folder: Path, name: str) -> str | None:
    place = config_file(name.removeprefix("config/")) if name.startswith("config/") else folder / name
    try:
        return sha256(place.read_bytes()).hexdigest()
    except (OSError, ValueError):
        return None
