"""What the par program is asked, and what came of one answer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.demand.values import Demand
from kitplan.read.values import Unit
from kitplan.solve.collapse import own_quantiles
from kitplan.solve.par_program import Limit, ParSolution


@dataclass(frozen=True)
class ParInstance:
    """What is asked of the program, in the order of item names so that the catalogue's order cannot matter.

    order: catalogue position of each item asked about. packs: needs, int, shape (n_scenarios, n_items).
    cost: price of a pack, a trifle where it is free. floor: packs that no limit may go below.
    """

    unit: Unit
    order: np.ndarray
    packs: np.ndarray
    pack: np.ndarray
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
        n = len(self.packs)
        return min(n, int(np.ceil(readiness * n - 1e-9)))

    def protected(self, readiness: float) -> np.ndarray:
        """Return what no limit may cut: floors, and emergency equipment to its own quantile at `readiness`."""
        own = own_quantiles(self.packs, self.required(readiness))
        return np.where(self.critical, np.maximum(self.floor, own), self.floor)

    def units_of(self, demand: Demand) -> np.ndarray:
        """Return demand in items, columns in this question's order."""
        return demand.units[:, self.order]


@dataclass(frozen=True)
class Candidate:
    """One plan and what verification said of it. asked: readiness planned at. answer: as in ParPlan."""

    asked: float
    solved: ParSolution
    verified: float
    answer: str
    verify: Demand

    @property
    def par(self) -> np.ndarray:
        assert self.solved.par is not None
        return self.solved.par
