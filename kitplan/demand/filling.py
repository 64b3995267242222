"""Which catalogue item fills each role of each stratum: the cheapest that fits, counted over a whole stay.

Opening an item for one patient is why the choice needs the stay: a long roll is cheap by the metre and dear when
the rest of it is thrown away (model.md sections 4 and 7). Cost of a stay is exact: E[price x items opened] over the
renewal count and the stay distribution.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.demand.occupancy import PRIOR_CAP_CHECKS, interval_checks, stay_checks_pmf
from kitplan.demand.resecure import AttemptTable, attempt_table, frequency_models
from kitplan.demand.tape import cut_pieces, piece_lengths_per_use, rolls_after_uses, sheet_pieces
from kitplan.demand.values import Filling
from kitplan.inputs.values import Technique, Unit

FILLING_COLUMNS = [
    "stratum",
    "role",
    "item",
    "scope",
    "need",
    "items_per_use",
    "uses_per_item",
    "share",
    "cost_per_stay",
    "because",
]


@dataclass(frozen=True)
class AttemptTables:
    """Attempt PMFs of every frequency model of a unit. which: model of each stratum; n_short, n_long: checks."""

    tables: tuple[AttemptTable, ...]
    which: np.ndarray
    n_short: int
    n_long: int


def attempt_tables(unit: Unit, n_short: int | None = None, n_long: int = PRIOR_CAP_CHECKS) -> AttemptTables:
    """Attempt PMFs of each distinct frequency model of the unit (the costly part, made once and handed on).

    n_short: checks of the interval planned for (default: the stock room's protection interval). n_long: checks of
    the longest stay that is counted.
    """
    n_short = n_short or interval_checks(unit, unit.stock.protection_interval_days)
    models, which = frequency_models(unit)
    tables = [
        attempt_table(row, unit.checks_per_day, n_short, n_long, unit.planning.frailty_nodes)
        for _, row in models.iterrows()
    ]
    return AttemptTables(tuple(tables), which, n_short, max(n_long, n_short))


def attempts_per_stay_pmf(unit: Unit, tables: AttemptTables, stratum: int) -> np.ndarray:
    """PMF of attempts in one whole stay (admission secures and redos included); stays end at tables.n_long checks."""
    table = tables.tables[tables.which[stratum]]
    stay = stay_checks_pmf(unit, stratum, tables.n_long)
    return table.weights @ np.einsum("n,mna->ma", stay, table.fresh)


def role_needs(unit: Unit, stratum: int) -> dict[str, float]:
    """Use units of each role that one re-secure of this stratum takes; "tape" counts whole sets of pieces (1)."""
    row = unit.strata.loc[stratum]
    technique = unit.techniques[str(row["technique"])]
    needs = dict(technique.uses)
    if row["skin"] == "barrier":
        for role, quantity in technique.uses_with_barrier.items():
            needs[role] = needs.get(role, 0.0) + quantity
    if technique.pieces:
        needs["tape"] = 1.0
    return {role: quantity for role, quantity in needs.items() if quantity > 0}


def airway_roles(unit: Unit) -> list[str]:
    """Roles held once for each airway whatever the recipe: patient-scope roles that no recipe uses (mask, bag)."""
    used = {"tape"}
    for technique in unit.techniques.values():
        used |= set(technique.uses) | set(technique.uses_with_barrier)
    patient = unit.items[unit.items["scope"] == "patient"]
    return [role for role in dict.fromkeys(patient["role"]) if role not in used]


def fitting_items(unit: Unit, role: str, tube_mm: float) -> pd.DataFrame:
    """Catalogue rows that fill `role` for a tube of this size and are to be had; all that fit if none is to be had."""
    items = unit.items
    fits = ~(items["fits_from_mm"] > tube_mm + 1e-9) & ~(items["fits_to_mm"] < tube_mm - 1e-9)
    found = items[(items["role"] == role) & fits]
    to_be_had = found[~found["item"].isin(unit.stock.unavailable)]
    return to_be_had if len(to_be_had) else found


def fill_roles(unit: Unit, tables: AttemptTables | None = None) -> Filling:
    """Choose the items of every stratum and role: least cost a stay, unless the unit prefers one.

    Items with a `share` are used side by side, each for its share. Items held once an airway (mask, bag) go to the
    size whose range has the tube nearest its middle. Roles with no item that fits are left out (readers refuse them).
    """
    tables = tables or attempt_tables(unit)
    rows: list[dict[str, object]] = []
    opened: dict[tuple[int, str], np.ndarray] = {}
    once = airway_roles(unit)
    for stratum in unit.strata.index:
        uses = attempts_per_stay_pmf(unit, tables, stratum)
        for role, need in role_needs(unit, stratum).items():
            rows += _fill_used_role(unit, stratum, role, need, uses, opened)
        rows += [r for role in once for r in _fill_once(unit, stratum, role)]
    return Filling(pd.DataFrame(rows, columns=FILLING_COLUMNS), opened)


def _fill_used_role(
    unit: Unit,
    stratum: int,
    role: str,
    need: float,
    uses: np.ndarray,
    opened: dict[tuple[int, str], np.ndarray],
) -> list[dict[str, object]]:
    found = fitting_items(unit, role, float(unit.strata.at[stratum, "tube_mm"]))
    technique = unit.techniques[str(unit.strata.at[stratum, "technique"])]
    if role == "tape":
        found = _right_width(found, technique)
    shared = found[found["share"] > 0]
    if len(shared):
        part = shared["share"] / shared["share"].sum()
        return [
            _candidate(unit, stratum, item, need, uses, opened)
            | {"share": s, "because": f"{s:.0%} of the role"}
            for (_, item), s in zip(shared.iterrows(), part)
        ]
    candidates = [_candidate(unit, stratum, item, need, uses, opened) for _, item in found.iterrows()]
    candidates = [c for c in candidates if c]
    if not candidates:
        return []
    wanted = unit.prefer.get(role)
    best = min(candidates, key=lambda c: (c["item"] != wanted, c["cost_per_stay"]))
    if best["item"] == wanted:
        why = "the unit asks for it"
    elif len(candidates) == 1:
        why = "the only one that fits"
    else:
        why = f"cheapest of {len(candidates)} that fit, {best['cost_per_stay']:.2f} {unit.currency} a stay"
    return [best | {"because": why}]


def _right_width(found: pd.DataFrame, technique: Technique) -> pd.DataFrame:
    """Tape of the width the recipe names; the next wider where that is not carried."""
    if technique.tape_width_mm is None:
        return found
    wide = found[found["width_mm"] >= technique.tape_width_mm - 1e-9]
    return wide[wide["width_mm"] == wide["width_mm"].min()] if len(wide) else found


def _candidate(
    unit: Unit,
    stratum: int,
    item: pd.Series,
    need: float,
    uses: np.ndarray,
    opened: dict[tuple[int, str], np.ndarray],
) -> dict[str, object]:
    """One item as the filling of one role: how much of it a re-secure and a stay take, {} if it cannot serve."""
    price = float(item["price"]) / float(item["pack"])
    row: dict[str, object] = {
        "stratum": stratum,
        "role": item["role"],
        "item": item["item"],
        "scope": item["scope"],
        "need": need,
        "items_per_use": np.nan,
        "uses_per_item": np.nan,
        "share": 1.0,
        "because": "",
    }
    mean_uses = float(uses @ np.arange(len(uses)))
    if item["scope"] == "event":
        row["items_per_use"] = float(np.ceil(need / float(item["contains"]) - 1e-9))
        row["cost_per_stay"] = row["items_per_use"] * mean_uses * price  # type: ignore[operator]
    elif item["scope"] == "unit":
        row["uses_per_item"] = float(item["contains"]) / need
        row["cost_per_stay"] = mean_uses * price * need / float(item["contains"])
    else:
        table = items_opened(unit, stratum, item, need, len(uses) - 1)
        if table is None:
            return {}
        opened[stratum, str(item["item"])] = table
        row["uses_per_item"] = float(np.searchsorted(table, 1, side="right") - 1)
        row["cost_per_stay"] = float(uses @ table) * price
    return row


def items_opened(unit: Unit, stratum: int, item: pd.Series, need: float, n_uses: int) -> np.ndarray | None:
    """Items opened for one patient after 0..n_uses re-secures, int ndarray (n_uses + 1,); None if it cannot serve.

    A roll yields whole pieces, a sheet whole rectangles, anything else its `contains`.
    """
    strata = unit.strata.loc[stratum]
    if item["role"] == "tape":
        lengths = piece_lengths_per_use(cut_pieces(unit.techniques[str(strata["technique"])], strata))
        if lengths.max(initial=0.0) > float(item["length_mm"]):
            return None
        return rolls_after_uses(lengths, float(item["length_mm"]), n_uses)
    per_item = float(item["contains"])
    if item["role"] == "barrier" and not np.isnan(float(item["width_mm"])):
        per_item *= sheet_pieces(
            float(item["width_mm"]),
            float(item["length_mm"]),
            float(strata["barrier_width_mm"]),
            float(strata["barrier_length_mm"]),
        )
    if per_item <= 0:
        return None
    return np.ceil(np.arange(n_uses + 1) * need / per_item - 1e-9).astype(np.int64)


def _fill_once(unit: Unit, stratum: int, role: str) -> list[dict[str, object]]:
    tube_mm = float(unit.strata.at[stratum, "tube_mm"])
    found = fitting_items(unit, role, tube_mm)
    if not len(found):
        return []
    wanted: Mapping[str, str] = unit.prefer
    middle = (found["fits_from_mm"] + found["fits_to_mm"]) / 2
    distance = (middle - tube_mm).abs().fillna(np.inf)
    order = pd.DataFrame(
        {
            "other": found["item"] != wanted.get(role),
            "distance": distance,
            "cost": found["price"] / found["pack"],
        }
    ).sort_values(["other", "distance", "cost"], kind="stable")
    item = found.loc[order.index[0]]
    why = "the only one that fits" if len(found) == 1 else f"nearest in size of {len(found)} that fit"
    return [
        {
            "stratum": stratum,
            "role": role,
            "item": item["item"],
            "scope": item["scope"],
            "need": 1.0,
            "items_per_use": np.nan,
            "uses_per_item": np.nan,
            "share": 1.0,
            "cost_per_stay": float(item["price"]) / float(item["pack"]),
            "because": f"one an airway; {why}",
        }
    ]
