"""Sizes for practices: a class may use tube sizes that the census does not hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.read.routes import SIZE_COLUMNS, Size, size_values
from kitplan.read.sizes import face_row, off_grid
from kitplan.read.strata import goes_round, measures_of, needs_face
from kitplan.read.techniques import Recipes


@dataclass(frozen=True)
class PracticeSizes:
    """Outer diameter and face measures for any tube size, from the unit's own tables or the shipped ones.

    tubes, face: frames of read_tubes and read_face; files: their names, for messages.
    """

    recipes: Recipes
    tubes: pd.DataFrame
    face: pd.DataFrame
    files: tuple[str, str]

    def row(self, technique: str, route: str, size: Size, cuffed: str, patient_kg: float) -> pd.Series | None:
        """A row like Unit.strata without its skin, or None where a table has no such size."""
        recipe = self.recipes.techniques[technique]
        values: dict[str, object] = {"route": route, "technique": technique, "patient_kg": patient_kg}
        values |= dict(zip(SIZE_COLUMNS, size_values(size, cuffed, self.recipes.cuff)))
        at = face_row(values, self.face) if len(self.face) else None
        measured = measures_of(values, at, self.tubes, self.face, self.files[1])
        if (at is None and needs_face(recipe, True)) or (np.isnan(measured["outer_mm"]) and goes_round(recipe)):
            return None
        return pd.Series(values | measured, dtype=object)

    def between_steps(self, size: Size) -> bool:
        """True when no tube of that size is in the table, though its neighbours are."""
        return size.scale == "mm" and bool(off_grid(np.array([size.number]), self.tubes)[1][0])

    def mend(self) -> str:
        """What to do about a size that the tables do not hold."""
        sizes = self.tubes["tube_mm"]
        span = f" from {sizes.min():g} to {sizes.max():g}" if len(sizes) else ""
        return f"Write a tube size{span}, or add the size to {' and '.join(self.files)}."
