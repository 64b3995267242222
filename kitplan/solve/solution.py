"""What a program gives back: how it ended, and its values if it ended well."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kitplan.solve.values import SolverReport


class NoSolution(RuntimeError):
    """Values were asked of a program that ended without a solution; the text says how it ended."""


@dataclass(frozen=True)
class Row:
    """One linear row: low <= sum of coefficient * variable <= high (None: no limit on that side)."""

    handles: list[int]
    coefficients: list[float]
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Solution:
    """How a solve ended, and its values if it ended well.

    A dual is the change of the objective, in the program's own sense, when the row's limit rises by one. So a limit on
    spending in a minimisation has a dual of at most 0 (more room never costs more), a requirement one of at least 0.
    """

    report: SolverReport
    column_values: np.ndarray | None = None
    row_duals: Mapping[str, float] | None = None

    @property
    def solved(self) -> bool:
        """True if there are values to read: status "optimal" or "feasible"."""
        return self.column_values is not None

    def values(self, handles: Sequence[int] | np.ndarray) -> np.ndarray:
        """Return the values of `handles`. Raises NoSolution unless the program was solved."""
        if self.column_values is None:
            raise NoSolution(f"{self.report.name} ended {self.report.status}: it has no values")
        return self.column_values[np.asarray(handles, dtype=np.intp)]

    def dual(self, row: str) -> float:
        """Return the dual of `row`. Raises NoSolution for a result that is not a linear program's."""
        if self.row_duals is None:
            raise NoSolution(f"{self.report.name} has no duals: only a linear program has")
        return self.row_duals[row]
