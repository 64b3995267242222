"""Frames made by hand with sizes in millimetres alone, completed as the readers would have them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kitplan.read.routes import SIZE_COLUMNS, Size, size_values


def in_millimetres(strata: pd.DataFrame) -> pd.DataFrame:
    """Kinds of airway with tube_mm, completed by SIZE_COLUMNS; no cuff told."""
    sizes = [size_values(Size(f"{float(mm)} mm", "mm", float(mm)), "", (0.0, 0.0)) for mm in strata["tube_mm"]]
    return strata.assign(**dict(zip(SIZE_COLUMNS, map(list, zip(*sizes)))))


def fits_in_millimetres(items: pd.DataFrame) -> pd.DataFrame:
    """A catalogue with fits_from_mm and fits_to_mm, completed by the columns that routes of any scale need."""
    limited = items["fits_from_mm"].notna() | items["fits_to_mm"].notna()
    words = [unit if holds == 1 else "roll" if unit == "mm" else "item"
             for unit, holds in zip(items["use_unit"], items["contains"])]
    return items.assign(routes="", fits_scale=np.where(limited, "mm", ""), fits_from=items["fits_from_mm"],
                        fits_to=items["fits_to_mm"], sized_to="patient", counted_as=words)
