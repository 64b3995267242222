"""The least that the stock room holds, whatever a limit says: emergency equipment and a unit's minimum stock."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from kitplan.demand.whole import whole_up
from kitplan.read.catalogue import fits
from kitplan.read.values import Unit


@lru_cache(maxsize=16)
def fits_unit(unit: Unit) -> np.ndarray:
    """Return, item by item, whether it fits some airway of the unit or the next tube size (bool).

    An item without a range fits all. The next size is one step of the tube grid away, because sizes change
    while a patient is in the unit.
    """
    items = unit.items
    step = unit.planning.face_size_step_mm
    strata = unit.strata.drop_duplicates(["scale", "size_number", "patient_number"]).to_dict("records")
    steps = [step if airway["scale"] == "mm" else 1.0 for airway in strata]
    return np.any([fits(items, airway, slack) for airway, slack in zip(strata, steps)], axis=0)


def floor_units(unit: Unit) -> np.ndarray:
    """Return each item's floor in single items, int, shape (n_items,), in catalogue order.

    min_stock, at least one of a critical item; 0 for what fits nobody here.
    """
    items = unit.items
    wanted = items["min_stock"].fillna(0.0).to_numpy(float)
    critical = items["critical"].to_numpy(bool)
    wanted = np.where(critical, np.maximum(wanted, 1.0), wanted)
    return np.where(fits_unit(unit), whole_up(wanted), 0)
