"""What an earlier run left in its folder: its record, and its par levels."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

LEVEL_COLUMNS = ("item", "par_packs", "par_units", "pack", "expected_units", "floor_packs", "value")

EARLIER = ("plan.json", "tables/par_levels.csv", "tables/changes.csv")
"""The files that `read_earlier` reads."""

_BESIDE_PAR = ("on_hand.csv", "present_par.csv", "stock_issues.csv", "prices.csv", "budget.csv")


def moves_par(name: str) -> bool:
    """True if a change of this input file may change par levels; counts, present par, issues and classes do not."""
    return name not in _BESIDE_PAR and not (name.startswith("class") and name.endswith(".toml"))


@dataclass(frozen=True)
class Earlier:
    """An earlier plan. record: its plan.json. levels: LEVEL_COLUMNS. changes: what it had changed, if it says so."""

    record: Mapping[str, Any]
    levels: pd.DataFrame
    changes: pd.DataFrame | None = None

    @property
    def number(self) -> str:
        return str(self.record.get("plan_number", ""))


def read_record(folder: Path, name: str = "plan.json") -> dict[str, Any] | None:
    """Return a record of a folder; None where there is none, or it cannot be read."""
    try:
        record = json.loads((folder / name).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return record if isinstance(record, dict) and isinstance(record.get("plan_number"), str) else None


def read_earlier(folder: Path) -> Earlier | None:
    """Return the plan that a folder holds; None where there is none, or it is damaged (it is then not compared)."""
    record = read_record(folder)
    if record is None:
        return None
    try:
        levels = pd.read_csv(folder / "tables" / "par_levels.csv", keep_default_na=False)
        levels = levels[list(LEVEL_COLUMNS)].astype(dict.fromkeys(LEVEL_COLUMNS[1:], float))
        wording = folder / "tables" / "changes.csv"
        changes = pd.read_csv(wording, keep_default_na=False) if wording.is_file() else None
    except (OSError, ValueError, KeyError):
        return None
    return Earlier(record, levels, changes)
