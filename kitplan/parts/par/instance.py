"""What the par program is asked, and what came of one answer."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from kitplan.demand.proportion import wilson_interval
from kitplan.demand.values import Demand
from kitplan.demand.whole import whole_down, whole_up
from kitplan.parts.par.values import Readiness
from kitplan.read.catalogue import item_fits
from kitplan.read.values import Unit
from kitplan.solve.collapse import own_quantiles
from kitplan.solve.par_program import Limit, ParSolution
from kitplan.solve.positions import Packing
from kitplan.solve.verify import readiness_range, ready_scenarios, shortage_risk

SELDOM_WHOLE = 0.05
"""Readiness under which limits are shared out alike. A plan that lasts whole so often holds each item's own quantile at
it, most of what a usual interval needs; one of 0.1 % may hold nothing of an item (a choice: DEVELOPERS.md)."""


@dataclass(frozen=True)
class ParInstance:
    """What is asked of the program, in the order of item names so that the catalogue's order cannot matter.

    order: catalogue position of each item asked about. The program's columns are the levels of the n_items items, in
    single items, and after them one column for each item that comes in packs: 1 if it is stocked at all, 0 if not. So
    what ordering adds on top of the level is counted once, and only for what is stocked.
    needs: int, shape (n_scenarios, n_columns), the least that each scenario needs of each column. packed: shape
    (n_columns - n_items,), the item behind each of the further columns. cost: mean value on the shelf and on order
    for one more of a column, a trifle where it is free. floor: what no limit may go below. critical: bool.
    price, litres: of one single item, shape (n_items,).
    """

    unit: Unit
    order: np.ndarray
    packing: Packing
    packed: np.ndarray
    needs: np.ndarray
    price: np.ndarray
    litres: np.ndarray
    cost: np.ndarray
    floor: np.ndarray
    critical: np.ndarray
    limits: tuple[Limit, ...]
    gap: float
    time_limit: float

    def required(self, readiness: float) -> int:
        """Scenarios to be met for `readiness`."""
        n = len(self.needs)
        return min(n, int(whole_up(readiness * n)))

    def protected(self, readiness: float) -> np.ndarray:
        """Return what no limit may cut: floors, and emergency equipment to its own quantile at `readiness`."""
        own = own_quantiles(self.needs, self.required(readiness))
        return np.where(self.critical, np.maximum(self.floor, own), self.floor)

    def needed(self, demand: Demand) -> np.ndarray:
        """Return the least level of each item that lasts in each scenario of `demand`, items in this order."""
        return self.packing.needed(demand.units[:, self.order], demand.seed, demand.stream)

    def columns(self, levels: np.ndarray) -> np.ndarray:
        """Return the program's columns for given levels (n_items along the last axis)."""
        return np.concatenate([levels, (np.asarray(levels)[..., self.packed] > 0).astype(np.int64)], axis=-1)

    def levels(self, columns: np.ndarray) -> np.ndarray:
        """Return the levels that the program's columns stand for, int64, shape (n_items,)."""
        levels = columns[: len(self.order)].astype(np.int64)
        levels[self.packed[columns[len(self.order):] == 0]] = 0
        return levels

    def mean_value(self, levels: np.ndarray) -> float:
        """Mean value on the shelf and on order, right after ordering."""
        return float(self.packing.mean(levels) @ self.price)

    def largest_value(self, levels: np.ndarray) -> float:
        """Value of the most that ordering can bring: what a budget limits."""
        return float(self.packing.largest(levels) @ self.price)

    def largest_litres(self, levels: np.ndarray) -> float:
        """Litres of the most that ordering can bring: what the shelf has to take."""
        return float(self.packing.largest(levels) @ self.litres)

    def judge(self, levels: np.ndarray, checked: Checked, target: float) -> Readiness:
        """Return the readiness seen on scenarios that no plan was made on, and its range over what is not known.

        Where nothing is open, the range is what counting so many scenarios leaves (95 %, Wilson).
        """
        met, demand, spread = ready_scenarios(checked.needs, levels), checked.demand, None
        if len(demand.mean_by_draw):
            units, means = demand.units[:, self.order], demand.mean_by_draw[:, self.order]
            risk = shortage_risk(units, demand.draw, means, levels, self.packing.pack)
            spread = readiness_range(self.packing.lasting(units, levels), demand.draw, risk)
        low, high = spread or wilson_interval(int(np.count_nonzero(met)), len(met))
        verified = float(met.mean())
        planned = float(np.mean(ready_scenarios(self.needs[:, : len(self.order)], levels)))
        low, high = min(low, verified), max(high, verified)
        return Readiness(target, planned, verified, low, high, len(met), spread is None)


@dataclass(frozen=True)
class Checked:
    """Scenarios to verify on, and the least level of each item that lasts in each of them (`ParInstance.needed`)."""

    demand: Demand
    needs: np.ndarray


@dataclass(frozen=True)
class Candidate:
    """One plan and what verification said of it. asked: readiness planned at. answer: as in ParPlan."""

    asked: float
    solved: ParSolution
    levels: np.ndarray
    verified: float
    answer: str
    checked: Checked


@lru_cache(maxsize=16)
def fits_unit(unit: Unit) -> np.ndarray:
    """Return, item by item, whether it fits some airway of the unit or the next tube size (bool).

    An item without a range fits all. The next size is one step of the tube grid away, because sizes change
    while a patient is in the unit.
    """
    kinds = {(a["route"], a["scale"], a["size_number"], a["patient_number"]): a for a in unit.airways}
    steps = {"mm": unit.planning.face_size_step_mm}
    return np.array([any(item_fits(item, airway, steps.get(airway["scale"], 1.0)) for airway in kinds.values())
                     for item in unit.catalogue])


def present_units(unit: Unit) -> np.ndarray | None:
    """Par levels that the unit holds today, whole single items, (n_items,), in catalogue order; None without a list.

    An item that it does not name is held at 0.
    """
    if unit.present_par is None:
        return None
    packs = unit.items["item"].map(unit.present_par.groupby("item")["par_packs"].sum()).fillna(0.0)
    return np.asarray(whole_down((packs * unit.items["pack"]).to_numpy(float)))


def floor_units(unit: Unit) -> np.ndarray:
    """Return each item's floor in single items, int, shape (n_items,), in catalogue order.

    min_stock, at least one of a critical item; 0 for what fits nobody here.
    """
    items = unit.items
    wanted = items["min_stock"].fillna(0.0).to_numpy(float)
    critical = items["critical"].to_numpy(bool)
    wanted = np.where(critical, np.maximum(wanted, 1.0), wanted)
    return np.where(fits_unit(unit), whole_up(wanted), 0)
