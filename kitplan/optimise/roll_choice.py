"""Which roll, sheet or other single-patient item wastes least: expected use and money of a stay for every one.

Exact, from the renewal count over the stay distribution: E[ceil(pieces / pieces per roll)] in its general form, with
mixed piece lengths, and the remainder thrown away when the airway ends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.demand.filling import items_opened, right_width
from kitplan.demand.tape import applied_length_mm, cut_pieces, piece_lengths_per_use, pieces_from_first_roll
from kitplan.demand.values import Filling
from kitplan.inputs.values import Unit
from kitplan.optimise.kit_needs import KitNeeds

TAPE_COLUMNS = [
    "route", "tube_mm", "technique", "skin", "item", "pieces_per_roll", "uses_per_roll", "rolls_per_stay",
    "cost_per_stay", "monthly_cost", "discarded_share", "half_strip_share", "choice", "in_kit",
]
OPENED_COLUMNS = [
    "role", "route", "tube_mm", "technique", "skin", "item", "uses_per_item", "items_per_stay", "cost_per_stay",
    "monthly_cost", "discarded_share", "choice", "in_kit",
]
SINGLE_COLUMNS = ["role", "item", "serves", "strata", "monthly_cost", "discarded_share", "extra_monthly_cost", "remark"]


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


def choose_opened(unit: Unit, needs: KitNeeds, filling: Filling) -> OpenedChoice:
    """Compare every single-patient item that recipes use up, stratum by stratum and for the whole unit."""
    rows = [r for g in range(unit.n_strata) for r in _stratum_rows(unit, needs, g)]
    frame = pd.DataFrame(rows)
    if frame.empty:
        frame = pd.DataFrame(columns=[*TAPE_COLUMNS, *OPENED_COLUMNS, "stratum", "applied", "opened_amount"])
    taken = set(zip(filling.frame["stratum"], filling.frame["item"]))
    frame["in_kit"] = [pair in taken for pair in zip(frame["stratum"], frame["item"])]
    tape = frame[frame["role"] == "tape"]
    tape = tape.rename(columns={"uses_per_item": "uses_per_roll", "items_per_stay": "rolls_per_stay"})
    others = frame[frame["role"] != "tape"]
    return OpenedChoice(
        tape[TAPE_COLUMNS].reset_index(drop=True), others[OPENED_COLUMNS].reset_index(drop=True), _single(unit, frame)
    )


def _stratum_rows(unit: Unit, needs: KitNeeds, g: int) -> list[dict[str, object]]:
    rows = []
    for role, need in needs.needs[g].items():
        items = unit.items[(unit.items["role"] == role) & (unit.items["scope"] == "patient")]
        found = [_one_item(unit, needs, g, role, need, item) for _, item in items.iterrows()]
        suiting = [r for r in found if r["choice"] == "suits"]
        if suiting:
            min(suiting, key=lambda r: float(str(r["cost_per_stay"])))["choice"] = "best"
        rows += found
    return rows


def _one_item(unit: Unit, needs: KitNeeds, g: int, role: str, need: float, item: pd.Series) -> dict[str, object]:
    strata = unit.strata.loc[g]
    uses = needs.use[g].stay_attempts
    row: dict[str, object] = {c: strata[c] for c in ("route", "tube_mm", "technique", "skin")}
    row |= {"stratum": g, "role": role, "item": item["item"], "choice": _suits(unit, g, role, item)}
    table = items_opened(unit, g, item.to_dict(), need, len(uses) - 1)
    blank = dict.fromkeys(
        ["uses_per_item", "items_per_stay", "cost_per_stay", "monthly_cost", "discarded_share", "applied",
         "opened_amount", "half_strip_share"], np.nan)
    if table is None:
        return row | blank | {"pieces_per_roll": 0, "choice": "piece too long"}
    per_stay = float(uses @ table)
    mean_uses = float(uses @ np.arange(len(uses)))
    capacity, taken, applied, pieces = _amounts(unit, g, role, need, item, table)
    price = float(item["price"]) / float(item["pack"])
    opened = per_stay * capacity
    discarded = 1.0 - mean_uses * applied / opened if opened > 0 else 0.0
    return row | {
        "pieces_per_roll": pieces, "uses_per_item": float(np.searchsorted(table, 1, side="right") - 1),
        "items_per_stay": per_stay, "cost_per_stay": per_stay * price,
        "monthly_cost": per_stay * price * needs.kits_per_month[g], "discarded_share": discarded,
        "half_strip_share": mean_uses * (taken - applied) / opened if opened > 0 else 0.0,
        "applied": mean_uses * applied * needs.kits_per_month[g], "opened_amount": opened * needs.kits_per_month[g],
    }


def _amounts(unit: Unit, g: int, role: str, need: float, item: pd.Series, table: np.ndarray) -> tuple[float, ...]:
    """(what one item holds, what a use cuts from it, what a use puts to use, pieces from one roll), same measure.

    Tape in mm of full width; sheets in mm2; anything else in use units.
    """
    strata = unit.strata.loc[g]
    if role == "tape":
        pieces = cut_pieces(unit.techniques[str(strata["technique"])], strata)
        lengths = piece_lengths_per_use(pieces)
        roll_mm = float(item["length_mm"])
        return roll_mm, float(lengths.sum()), applied_length_mm(pieces), pieces_from_first_roll(lengths, roll_mm)
    if role == "barrier" and pd.notna(item["width_mm"]):
        piece = float(strata["barrier_width_mm"]) * float(strata["barrier_length_mm"])
        return float(item["width_mm"]) * float(item["length_mm"]), need * piece, need * piece, 0
    return float(item["contains"]), need, need, 0


def _suits(unit: Unit, g: int, role: str, item: pd.Series) -> str:
    tube_mm = float(unit.strata.at[g, "tube_mm"])
    if item["fits_from_mm"] > tube_mm + 1e-9 or item["fits_to_mm"] < tube_mm - 1e-9:
        return "other size"
    if role == "tape":
        technique = unit.techniques[str(unit.strata.at[g, "technique"])]
        tapes = unit.items[unit.items["role"] == "tape"]
        if item["item"] not in set(right_width(tapes, technique)["item"]):
            return "other width"
    return "suits"


def _single(unit: Unit, frame: pd.DataFrame) -> pd.DataFrame:
    """What one item for the whole unit costs a month, role by role, beside each stratum's own best."""
    rows: list[dict[str, object]] = []
    for role, part in frame.groupby("role", sort=False):
        n_strata = part["stratum"].nunique()
        best = part[part["choice"] == "best"]
        base = float(best["monthly_cost"].sum())
        rows.append(_single_row(str(role), "each airway's best", best, n_strata, base))
        able = part[part["choice"].isin(["best", "suits"])]
        singles = [_single_row(str(role), str(i), own, n_strata, base) for i, own in able.groupby("item", sort=False)]
        rows += sorted(singles, key=lambda r: (-int(r["serves"]), r["monthly_cost"]))  # type: ignore[call-overload]
    return pd.DataFrame(rows, columns=SINGLE_COLUMNS)


def _single_row(role: str, item: str, own: pd.DataFrame, n_strata: int, base: float) -> dict[str, object]:
    opened, applied = float(own["opened_amount"].sum()), float(own["applied"].sum())
    cost = float(own["monthly_cost"].sum())
    serves = int(own["stratum"].nunique())
    missing = n_strata - serves
    return {
        "role": role, "item": item, "serves": serves, "strata": n_strata, "monthly_cost": cost,
        "discarded_share": 1.0 - applied / opened if opened > 0 else 0.0,
        "extra_monthly_cost": cost - base if not missing else np.nan,
        "remark": "" if not missing else f"cannot serve {missing} of {n_strata} kinds of airway",
    }

