"""Which roll, sheet or other single-patient item wastes least: expected use and money of a stay for every one.

Exact, from the renewal count over the stay distribution: E[ceil(pieces / pieces per roll)] in its general form, with
mixed piece lengths, and the remainder thrown away when the airway ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.fit import Records, catalogue_records, fitting
from kitplan.demand.item_choice import Airway, airway_of, items_opened
from kitplan.demand.tape import applied_length_mm, pieces_from_first_roll
from kitplan.demand.values import ItemChoice
from kitplan.parts.kits.requirements import KitNeeds
from kitplan.read.catalogue import item_fits
from kitplan.read.values import STRATUM_COLUMNS, Unit

TAPE_COLUMNS = [
    *STRATUM_COLUMNS, "item", "pieces_per_roll", "uses_per_roll", "rolls_per_stay",
    "cost_per_stay", "monthly_cost", "discarded_share", "half_strip_share", "choice", "in_kit",
]
OPENED_COLUMNS = [
    "role", *STRATUM_COLUMNS, "item", "uses_per_item", "items_per_stay", "cost_per_stay",
    "monthly_cost", "discarded_share", "choice", "in_kit",
]
SINGLE_COLUMNS = ["role", "item", "serves", "strata", "monthly_cost", "discarded_share", "extra_monthly_cost", "remark"]

_MEASURES = ("uses_per_item", "items_per_stay", "cost_per_stay", "monthly_cost", "discarded_share", "applied",
             "opened_amount", "half_strip_share")


@dataclass(frozen=True)
class OpenedChoice:
    """tape: TAPE_COLUMNS, a row for each roll of the catalogue and stratum that uses tape. opened: OPENED_COLUMNS, the
    same for every other item that is opened for one patient and used up. single: SINGLE_COLUMNS, what one item for
    the whole unit would cost a month; the first row of a role is "each stratum's best".

    in_kit says whether the airway's kit design holds it. choice is "best" (cheapest that suits), "suits", or why not:
    "other width", "other size", "piece too long".
    """

    tape: pd.DataFrame
    opened: pd.DataFrame
    single: pd.DataFrame


def choose_opened(unit: Unit, needs: KitNeeds, item_choice: ItemChoice) -> OpenedChoice:
    """Compare every single-patient item that recipes use up, stratum by stratum and for the whole unit."""
    records = catalogue_records(unit)
    rows = [r for g in range(unit.n_strata) for r in _stratum_rows(unit, needs, g, records)]
    frame = pd.DataFrame(rows, columns=list(dict.fromkeys([*OPENED_COLUMNS, "pieces_per_roll", "stratum", *_MEASURES])))
    taken = set(zip(item_choice.frame["stratum"], item_choice.frame["item"]))
    frame["in_kit"] = [pair in taken for pair in zip(frame["stratum"], frame["item"])]
    tape = frame[frame["role"] == "tape"]
    tape = tape.rename(columns={"uses_per_item": "uses_per_roll", "items_per_stay": "rolls_per_stay"})
    others = frame[frame["role"] != "tape"]
    return OpenedChoice(
        tape[TAPE_COLUMNS].reset_index(drop=True), others[OPENED_COLUMNS].reset_index(drop=True), _single(unit, frame)
    )


def _stratum_rows(unit: Unit, needs: KitNeeds, g: int, records: Records) -> list[dict[str, object]]:
    airway, rows = airway_of(unit, g, needs.use[g].stay_attempts), []
    suiting = fitting(unit, records.get("tape", ()), airway.row, airway.technique.tape_width_mm)
    widths = {float(item["width_mm"]) for _, item in suiting}
    for role, need in needs.needs[g].items():
        found = [
            _one_item(unit, needs, airway, need, i, item, _suits(airway, item, widths))
            for i, item in records.get(role, ()) if item["scope"] == "patient"
        ]
        if able := [r for r in found if r["choice"] == "suits"]:
            min(able, key=lambda r: float(str(r["cost_per_stay"])))["choice"] = "best"
        rows += found
    return rows


def _one_item(unit: Unit, needs: KitNeeds, airway: Airway, need: float, position: int, item: Mapping[str, Any],
              suits: str) -> dict[str, object]:
    g, uses = airway.stratum, airway.uses
    row: dict[str, object] = {c: airway.row[c] for c in STRATUM_COLUMNS}
    row |= {"stratum": g, "role": item["role"], "item": item["item"], "choice": suits}
    table = needs.opened.get((g, position))
    if table is None:
        table = items_opened(unit, g, item, need, len(uses) - 1)
    if table is None:
        return row | dict.fromkeys(_MEASURES, np.nan) | {"pieces_per_roll": 0, "choice": "piece too long"}
    table = table[: len(uses)]
    per_stay = float(uses @ table)
    mean_uses = airway.mean_uses
    capacity, taken, applied, pieces = _amounts(airway, need, item)
    price = float(item["price"]) / float(item["pack"])
    opened, kits = per_stay * capacity, needs.kits_per_month[g]
    return row | {
        "pieces_per_roll": pieces, "uses_per_item": float(np.searchsorted(table, 1, side="right") - 1),
        "items_per_stay": per_stay, "cost_per_stay": per_stay * price, "monthly_cost": per_stay * price * kits,
        "discarded_share": 1.0 - mean_uses * applied / opened if opened else 0.0,
        "half_strip_share": mean_uses * (taken - applied) / opened if opened else 0.0,
        "applied": mean_uses * applied * kits, "opened_amount": opened * kits,
    }


def _amounts(airway: Airway, need: float, item: Mapping[str, Any]) -> tuple[float, float, float, int]:
    """(what one item holds, what a use cuts from it, what a use puts to use, pieces from one roll), same measure.

    Tape in mm of full width; sheets in mm2; anything else in use units.
    """
    if item["role"] == "tape":
        roll_mm, width_mm = float(item["length_mm"]), float(item["width_mm"])
        lengths, applied = airway.lengths_mm(width_mm), applied_length_mm(airway.technique, airway.row, width_mm)
        return roll_mm, float(lengths.sum()), applied, pieces_from_first_roll(lengths, roll_mm)
    if item["role"] == "barrier" and pd.notna(item["width_mm"]):
        piece = float(airway.row["barrier_width_mm"]) * float(airway.row["barrier_length_mm"])
        return float(item["width_mm"]) * float(item["length_mm"]), need * piece, need * piece, 0
    return float(item["contains"]), need, need, 0


def _suits(airway: Airway, item: Mapping[str, Any], widths: set[float]) -> str:
    """widths: of the tapes that suit the airway, mm."""
    if not item_fits(item, airway.row):
        return "other size"
    return "other width" if item["role"] == "tape" and float(item["width_mm"]) not in widths else "suits"


def _single(unit: Unit, frame: pd.DataFrame) -> pd.DataFrame:
    """What one item for the whole unit costs a month, role by role, beside each stratum's own best."""
    rows: list[dict[str, object]] = []
    for role, part in frame.groupby("role", sort=False):
        n_strata = part["stratum"].nunique()
        best = part[part["choice"] == "best"]
        base = float(best["monthly_cost"].sum())
        rows.append(_single_row(str(role), f"each {unit.words.one}'s best", best, n_strata, base, unit.words.one))
        able = part[part["choice"].isin(["best", "suits"])]
        singles = [_single_row(str(role), str(i), own, n_strata, base, unit.words.one)
                   for i, own in able.groupby("item", sort=False)]
        rows += sorted(singles, key=lambda r: (-int(r["serves"]), r["monthly_cost"]))  # type: ignore[call-overload]
    return pd.DataFrame(rows, columns=SINGLE_COLUMNS)


def _single_row(
    role: str, item: str, own: pd.DataFrame, n_strata: int, base: float, one: str
) -> dict[str, object]:
    opened, applied = float(own["opened_amount"].sum()), float(own["applied"].sum())
    cost = float(own["monthly_cost"].sum())
    serves = int(own["stratum"].nunique())
    missing = n_strata - serves
    return {
        "role": role, "item": item, "serves": serves, "strata": n_strata, "monthly_cost": cost,
        "discarded_share": 1.0 - applied / opened if opened else 0.0,
        "extra_monthly_cost": cost - base if not missing else np.nan,
        "remark": "" if not missing else f"cannot serve {missing} of {n_strata} kinds of {one}",
    }
