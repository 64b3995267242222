"""Units for the kit tests: the shipped recipes and catalogue on made-up strata, without reading a census."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd

from kitplan.demand.item_choice import AttemptTables, attempt_tables, fill_roles
from kitplan.parts.kits import model
from kitplan.parts.kits.model import KitPlan
from kitplan.parts.work import Basis, Work
from kitplan.read.findings import Findings
from kitplan.read.routes import read_routes
from kitplan.read.values import Census, Piece, Unit
from tests.millimetres import fits_in_millimetres, in_millimetres

CONFIG = Path(__file__).resolve().parents[2] / "config"


def catalogue() -> pd.DataFrame:
    items = pd.read_csv(CONFIG / "items.csv", dtype={"gtin": str})
    for flag in ("critical", "sterile"):
        items[flag] = items[flag].eq("yes")
    items["gtin"] = items["gtin"].fillna("")
    items["counted"] = "items"
    return fits_in_millimetres(items)


def solve_kits(unit: Unit, tables: AttemptTables | None = None) -> KitPlan:
    """The kits of a unit, planned with its own seed."""
    tables = tables or attempt_tables(unit)
    basis = Basis(unit, lambda _: None)
    basis.tables, basis.designs = tables, model.design_kits(unit, tables, fill_roles(unit, tables))
    return model.solve_kits(Work(unit, unit.planning.seed, basis, basis.item_choice))


def with_strata(base: Unit, rows: list[tuple[str, float, str, str]]) -> Unit:
    """`base` with other strata (route, tube_mm, technique, skin), a snapshot census and the shipped catalogue."""
    face = pd.read_csv(CONFIG / "face.csv")
    strata = pd.DataFrame(rows, columns=["route", "tube_mm", "technique", "skin"])
    strata["patient_kg"] = np.nan
    strata["outer_mm"] = strata["tube_mm"] * 1.35
    strata["label"] = [f"{r} {mm:g} mm, {t}, {s}" for r, mm, t, s in rows]
    band = [face[(face["tube_from_mm"] <= mm) & (face["tube_to_mm"] >= mm)].iloc[0] for mm in strata["tube_mm"]]
    for column in ("span_mid_cheek_mm", "span_tragus_mm", "barrier_width_mm", "barrier_length_mm"):
        strata[column] = [float(b[column]) for b in band]
    strata.index.name = "stratum"
    strata = in_millimetres(strata).assign(face_for="", face_own=False)
    n = len(strata)
    present = pd.DataFrame({"stratum": range(n), "airways": [1 + k % 3 for k in range(n)]})
    census = dataclasses.replace(base.census, rows=present)
    frequency = pd.concat([base.frequency.iloc[:1]] * n, ignore_index=True)
    return dataclasses.replace(
        base, routes=shipped_routes(), strata=strata, census=census, frequency=frequency,
        techniques=shipped_techniques(base), items=catalogue(),
    )


def shipped_techniques(base: Unit):
    """The recipes of config/techniques.toml as values."""
    import tomllib

    made = {}
    for name, block in tomllib.loads((CONFIG / "techniques.toml").read_text()).items():
        if name in ("route", "steps"):
            continue
        made[name] = dataclasses.replace(
            next(iter(base.techniques.values())), name=name, title=block["title"], routes=tuple(block["routes"]),
            default=block["default"], measure=block["measure"], tape_width_mm=block.get("tape_width_mm"),
            pieces=tuple(Piece(**p) for p in block.get("pieces", [])), uses=block["uses"],
            uses_with_barrier=block.get("uses_with_barrier", {}),
        )
    return made


def shipped_routes():
    """The routes of config/techniques.toml as values."""
    import tomllib

    blocks = tomllib.loads((CONFIG / "techniques.toml").read_text())["route"]
    return read_routes("techniques.toml", blocks, {}, Findings())


def without_turnover(base: Unit) -> Unit:
    census: Census = dataclasses.replace(base.census, mean_stay_days=None)
    return dataclasses.replace(base, census=census)


MIXED = [
    ("oral", 2.5, "oral_two_y", "barrier"), ("oral", 3.5, "oral_two_y", "none"),
    ("nasal", 3.5, "nasal_two_y", "barrier"),
    ("oral", 5.0, "oral_h_and_y", "none"), ("oral", 7.5, "ties_two", "none"), ("nasal", 4.0, "nasal_two_y", "none"),
]
