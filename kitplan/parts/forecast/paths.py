"""The months ahead as they may come: whole paths, so that any sum of months has its own band."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

BANDS = (0.025, 0.10, 0.90, 0.975)
"""Ends of the 95 % and of the 80 % band, in rising order."""


@dataclass(frozen=True)
class Paths:
    """Equally likely courses of the money of the months ahead, at prices as expected.

    months: names, in order. value: float32, shape (n_draws, n_months). A quarter's or a year's band is that of the sums
    of rows, never a sum of bands.
    """

    months: tuple[str, ...]
    value: np.ndarray

    def band(self, first: int = 0, n_months: int | None = None) -> tuple[float, ...]:
        """Mean, then the ends BANDS of the sum of `n_months` months from `first` on (default: all that follow)."""
        stop = None if n_months is None else first + n_months
        total = self.value[:, first:stop].sum(axis=1, dtype=float)
        return float(total.mean()), *(float(q) for q in np.quantile(total, BANDS))
