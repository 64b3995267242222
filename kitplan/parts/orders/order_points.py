"""When the next count is too late: the stock under which an item may not last until a delivery ordered today."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kitplan.demand.scenarios import draw_demand
from kitplan.demand.values import Demand
from kitplan.read.shelf_order import shelf_key
from kitplan.read.values import Unit

if TYPE_CHECKING:
    from kitplan.parts.work import Work

LEAD_SCENARIOS = 8000
"""Scenarios of one lead time: the quantile of one item needs fewer than the joint readiness of all."""


@dataclass(frozen=True)
class OrderPoints:
    """Par levels with their order points, in shelf order.

    levels: item, description, bin, pack, par_packs, par_units, order_point_units, use_per_day, gtin, critical,
        counted_as.
    """

    levels: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """File stem -> tidy frame."""
        return {"order_points": self.levels.drop(columns="critical")}


def order_point(units: np.ndarray, readiness: float) -> np.ndarray:
    """Smallest q with P(D <= q) >= readiness, item by item.

    units: int, shape (n_scenarios, n_items), units that leave the shelf in one lead time.
    """
    rank = int(np.ceil(readiness * len(units) - 1e-9)) - 1
    return np.sort(units, axis=0)[max(rank, 0)]


def order_points(work: Work) -> OrderPoints:
    """Par levels with the stock under which an item may not last until a delivery ordered today."""
    unit, days = work.unit, work.unit.stock.lead_days
    if days <= 0:
        return find_order_points(unit, work.par.levels, None)
    lead = draw_demand(unit, work.item_choice, days, LEAD_SCENARIOS, work.seed, "lead", work.tables)
    return find_order_points(unit, work.par.levels, lead)


def find_order_points(unit: Unit, levels: pd.DataFrame, lead: Demand | None) -> OrderPoints:
    """Order points of every item that the par list holds.

    levels: ParPlan.levels. lead: demand of one lead time; None when orders arrive at once (order points are then
    the floor alone). Emergency equipment never has an order point below its minimum stock.
    """
    found = np.zeros(len(unit.items)) if lead is None else order_point(lead.units, unit.stock.readiness)
    names = unit.items["item"].tolist()
    point = dict(zip(names, found))
    held = levels[levels["par_packs"] > 0]
    catalogue = unit.items.set_index("item").loc[held["item"]].reset_index(drop=True)
    frame = held[["item", "description", "pack", "par_packs", "par_units"]].reset_index(drop=True)
    frame = frame.join(catalogue[["bin", "gtin", "critical", "counted_as"]])
    frame["use_per_day"] = held["expected_units"].to_numpy(float) / unit.stock.protection_interval_days
    need = np.array([point[i] for i in frame["item"]])
    floor = np.where(frame["critical"], np.maximum(catalogue["min_stock"].fillna(0.0), 1.0), 0.0)
    frame["order_point_units"] = np.minimum(np.maximum(need, floor), frame["par_units"]).astype(np.int64)
    order = sorted(range(len(frame)), key=lambda k: (shelf_key(str(frame["bin"].iloc[k])), k))
    return OrderPoints(frame.iloc[order].reset_index(drop=True))
