"""Which of the files that a plan was made from have changed since; nothing is read but their bytes."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path

from kitplan.planning import Plan
from kitplan.read.last_plan import moves_par
from kitplan.read.source import TABLE_ENDINGS, TABLES_READ, TOML_READ
from kitplan.resources import config_file

CHANGED, NEW, GONE = "has changed", "is new", "is gone"


def changed_inputs(plan: Plan, unit_path: Path) -> dict[str, str]:
    """File name -> CHANGED, NEW or GONE, for the files that the plan read and those that it would read now."""
    folder = unit_path if unit_path.is_dir() else unit_path.parent
    present = _read_there(folder, unit_path.is_dir())
    known = dict(plan.inputs)
    found = {name: CHANGED for name, code in known.items() if (now := _checksum(folder, name)) and now != code}
    found |= {name: GONE for name in known if _is_input(name) and not _there(folder, name)}
    return found | {name: NEW for name in present if name not in known}


def told_changes(changed: Mapping[str, str]) -> list[str]:
    """One sentence for each change that may move a par level, and so asks for a new plan. What counts teach changes a
    little each week: it is used when the unit is planned again, and is not asked about.
    """
    return [f"{name} {how} since this plan was made, and is not used: plan again to use it."
            for name, how in changed.items() if moves_par(name) and not name.startswith("book/")]


def _checksum(folder: Path, name: str) -> str | None:
    try:
        return sha256(_place(folder, name).read_bytes()).hexdigest()
    except (OSError, ValueError):
        return None


def _place(folder: Path, name: str) -> Path:
    return config_file(name.removeprefix("config/")) if name.startswith("config/") else folder / name


def _there(folder: Path, name: str) -> bool:
    return _place(folder, name).is_file()


def _is_input(name: str) -> bool:
    """True for a name under which a unit's own file is read: not for one that was named at the command line."""
    name = name.casefold()
    tables = any(name == table + ending for table in TABLES_READ for ending in TABLE_ENDINGS)
    return tables or name in TOML_READ or bool(re.fullmatch(r"class.*\.toml", name))


def _read_there(folder: Path, with_tables: bool) -> list[str]:
    """Names of the files that a unit in this folder is read from; of a workbook only the TOML files beside it."""
    names = sorted(os.listdir(folder)) if folder.is_dir() else []
    read = [n for n in names if _is_input(n) and (with_tables or n.casefold().endswith(".toml"))]
    return [n for n in read if (folder / n).is_file()]
