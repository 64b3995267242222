"""What a bedside kit must be able to do for each stratum, and which catalogue items can do it.

Every fault of the catalogue or the recipes that would leave a kit short is collected and told at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.fit import Records, catalogue_records, fitting, fitting_items, nearest_size
from kitplan.demand.item_choice import (
    AttemptTables,
    asks_spare_tubes,
    held_once,
    held_roles,
    items_opened,
    role_needs,
)
from kitplan.demand.occupancy import arrivals_per_day, mean_airways
from kitplan.demand.stay_use import StayUse, stay_use
from kitplan.demand.tape import cut_pieces
from kitplan.demand.values import ItemChoice
from kitplan.read.days import MONTH_DAYS
from kitplan.read.problems import Problem
from kitplan.read.values import SPARE_TUBE_ROLE, Unit


@dataclass(frozen=True)
class KitNeeds:
    """Needs by stratum (index of Unit.strata).

    re_secures: int ndarray (n_strata,), attempts one kit must cover. use: StayUse of each stratum.
    kits_per_month: float ndarray (n_strata,), kits issued, one for each airway that arrives.
    turnover: False when no arrivals are known; then one kit a month for each airway in place stands in.
    needs: role -> use units per re-secure, one mapping a stratum; on_wall: the same for roles that hang on the wall,
        shared, and are in no kit.
    candidates: (stratum, role) -> positions in Unit.items that can fill the role, catalogue order.
    opened: (stratum, item position) -> items opened after 0, 1, ... attempts (patient-scope items used up).
    emergency: stratum -> item position -> count, the emergency set and other items held once an airway.
    primary: (stratum, role) -> item position of the size that fits best.
    """

    re_secures: np.ndarray
    use: tuple[StayUse, ...]
    kits_per_month: np.ndarray
    turnover: bool
    needs: tuple[dict[str, float], ...]
    candidates: dict[tuple[int, str], list[int]]
    opened: dict[tuple[int, int], np.ndarray]
    emergency: tuple[dict[int, int], ...]
    primary: dict[tuple[int, str], int]
    on_wall: tuple[dict[str, float], ...]


def kit_needs(unit: Unit, tables: AttemptTables, base: ItemChoice | None = None) -> KitNeeds:
    """Work out what the kits must hold of a unit that is not `unservable`.

    base: an item choice whose tables of opened items are used again.
    """
    use = tuple(stay_use(unit, tables, g) for g in range(unit.n_strata))
    re_secures = np.array([u.kit_quantile(unit.bedside.readiness) for u in use], dtype=np.int64)
    arrivals = arrivals_per_day(unit) * MONTH_DAYS
    turnover = bool(arrivals.sum() > 0)
    records = catalogue_records(unit)
    every = [role_needs(unit, g) for g in range(unit.n_strata)]
    wall = set(unit.bedside.on_wall)
    needs = tuple({role: need for role, need in own.items() if role not in wall} for own in every)
    on_wall = tuple({role: need for role, need in own.items() if role in wall} for own in every)
    candidates: dict[tuple[int, str], list[int]] = {}
    opened: dict[tuple[int, int], np.ndarray] = {}
    emergency: list[dict[int, int]] = []
    primary: dict[tuple[int, str], int] = {}
    for g in range(unit.n_strata):
        for role, need in needs[g].items():
            reach = len(use[g].stay_attempts) + int(re_secures[g])
            candidates[g, role] = _serving(unit, g, role, need, reach, _suiting(unit, g, role, records), opened, base)
        held, best, _ = _held_once(unit, g, records)
        emergency.append(held)
        primary |= best
    kits = arrivals if turnover else mean_airways(unit)
    return KitNeeds(
        re_secures, use, kits, turnover, needs, candidates, opened, tuple(emergency), primary, on_wall
    )


def unservable(unit: Unit) -> list[Problem]:
    """Every kind of airway for which no item fills a role, or emergency equipment is lacking; asked before planning."""
    records = catalogue_records(unit)
    problems: list[Problem] = []
    for g in range(unit.n_strata):
        for role, need in role_needs(unit, g).items():
            if not _serving(unit, g, role, need, 1, _suiting(unit, g, role, records), {}, None):
                problems.append(_no_item(unit, g, role))
        problems += _held_once(unit, g, records)[2]
    return list(dict.fromkeys(problems))


def _suiting(unit: Unit, g: int, role: str, records: Records) -> list[tuple[int, Mapping[str, Any]]]:
    """Catalogue rows of a role whose size and tape width suit a stratum."""
    airway = unit.airways[g]
    return fitting(unit, records.get(role, ()), airway, unit.techniques[str(airway["technique"])].tape_width_mm)


def _serving(
    unit: Unit, g: int, role: str, need: float, reach: int, found: Sequence[tuple[int, Mapping[str, Any]]],
    opened: dict[tuple[int, int], np.ndarray], base: ItemChoice | None,
) -> list[int]:
    """Positions of items that can fill the role, or of the one preferred; fills `opened` for those of one patient."""
    served = []
    for position, item in found:
        if item["scope"] == "patient":
            table = base.opened.get((g, str(item["item"]))) if base is not None else None
            table = items_opened(unit, g, item, need, reach) if table is None else table
            if table is None:
                continue
            opened[g, position] = table
        served.append(position)
    wanted = [i for i, item in found if i in served and item["item"] == unit.prefer.get(role)]
    return wanted or served


def _no_item(unit: Unit, stratum: int, role: str) -> Problem:
    """Say what nothing serves. Roles and sizes without an item are told as files are read; a roll may be short."""
    row = unit.airways[stratum]
    fits = fitting_items(unit, role, row)
    if role == "tape" and len(fits):
        technique = unit.techniques[str(row["technique"])]
        piece = min(float(cut_pieces(technique, row, w)["length_mm"].max()) for w in fits["width_mm"])
        return Problem("items.csv", f"a piece of {piece:g} mm for {row['label']} is longer than every roll",
                       "Add a longer roll, or shorten the piece in techniques.toml or the span in face.csv.",
                       column="length_mm", value=f"{fits['length_mm'].max():g}")
    return Problem("items.csv", f"no item of this role serves {row['label']}",
                   "Add one that fits the size and is large enough, or correct the recipe.", column="role",
                   value=role)


def _held_once(
    unit: Unit, g: int, records: Records
) -> tuple[dict[int, int], dict[tuple[int, str], int], list[Problem]]:
    """Items one airway is given once: emergency roles in the fitting size and, by policy, the next that also fits."""
    airway = unit.airways[g]
    emergency = unit.route(airway["route"]).emergency
    held: dict[int, int] = {}
    primary: dict[tuple[int, str], int] = {}
    problems: list[Problem] = []
    for role in [r for r in held_roles(unit, g) if r != SPARE_TUBE_ROLE]:
        found = _by_fit(unit, role, airway, records)
        if not found:
            if role in emergency or any(r["critical"] for _, r in records.get(role, ())):
                lacks = f"no {role} fits {airway['label']}: its kit would lack emergency equipment"
                problems.append(Problem("items.csv", lacks,
                                        f"Add an item with role {role} that fits {airway['size'] or 'any size'}.",
                                        column="fits_from_mm"))
            continue
        primary[g, role] = found[0]
        floor = unit.catalogue[found[0]]["min_bedside"]
        held[found[0]] = max(1, int(np.ceil(floor)) if pd.notna(floor) else 1)
        if unit.bedside.adjacent_size and role in emergency and len(found) > 1:
            held[found[1]] = 1
    for position, fault in spare_tubes(unit, airway, records):
        if fault is not None:
            problems.append(fault)
        else:
            held[position] = 1
            primary.setdefault((g, SPARE_TUBE_ROLE), position)
    return held, primary, problems


def _by_fit(unit: Unit, role: str, airway: Mapping[str, Any], records: Records) -> list[int]:
    """Positions of what fits, best size first."""
    found = fitting(unit, held_once(records.get(role, ())), airway)
    return [i for i, _ in nearest_size(unit, role, found, airway)]


def spare_tubes(
    unit: Unit, airway: Mapping[str, Any], records: Records
) -> Iterator[tuple[int, Problem | None]]:
    """Spare tubes of the same and of a smaller size, where the unit's policy asks for them (off by default)."""
    if not asks_spare_tubes(unit, airway):
        return
    step = unit.planning.face_size_step_mm if airway["scale"] == "mm" else 1.0
    for down in (0.0, step):
        found = _by_fit(unit, SPARE_TUBE_ROLE, {**airway, "size_number": airway["size_number"] - down}, records)
        if found:
            yield found[0], None
        elif not down:
            yield -1, Problem("items.csv",
                              f"no spare tube of {airway['size']} for {airway['label']}, which spare_tube asks for",
                              f"Add an item with role {SPARE_TUBE_ROLE} that fits {airway['size']}; or set spare_tube "
                              f"= false, and name {SPARE_TUBE_ROLE} in emergency = [...] of each route that keeps one "
                              "([route.NAME] in techniques.toml).", column="role")
