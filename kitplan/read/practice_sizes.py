"""Sizes for practices: a class may use tube sizes that the census does not hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.read.sizes import FACE_COLUMNS, face_row, off_grid, outer_of


@dataclass(frozen=True)
class PracticeSizes:
    """Outer diameter and face measures for any tube size, from the unit's own tables or the shipped ones.

    tubes, face: frames of read_tubes and read_face; files: their names, for messages.
    """

    tubes: pd.DataFrame
    face: pd.DataFrame
    files: tuple[str, str]

    def row(self, tube_mm: float, patient_kg: float) -> pd.Series | None:
        """A row like Unit.strata without its technique, or None where a table has no such size."""
        at = face_row(tube_mm, patient_kg, self.face) if len(self.face) else None
        outer_mm = outer_of(tube_mm, self.tubes)
        if at is None or np.isnan(outer_mm):
            return None
        values = {"tube_mm": tube_mm, "patient_kg": patient_kg, "outer_mm": outer_mm}
        return pd.Series(values | {c: float(self.face.at[at, c]) for c in FACE_COLUMNS}, dtype=object)

    def between_steps(self, tube_mm: float) -> bool:
        """True when no tube of that size is in the table, though its neighbours are."""
        return bool(off_grid(np.array([tube_mm]), self.tubes)[1][0])

    def mend(self) -> str:
        """What to do about a size that the tables do not hold."""
        sizes = self.tubes["tube_mm"]
        span = f" from {sizes.min():g} to {sizes.max():g}" if len(sizes) else ""
        return f"Write a tube size{span}, or add the size to {' and '.join(self.files)}."
