"""Attempts of one airway seen from its bedside kit: over the whole stay, and since the kit was last topped up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.demand.item_choice import AttemptTables, attempts_of_checks
from kitplan.demand.occupancy import interval_checks, stay_checks_pmf
from kitplan.read.values import Unit


@dataclass(frozen=True)
class StayUse:
    """Attempts (redos included) of one airway of one stratum.

    kit_attempts: PMF over one restock interval of an airway long in place, shape (a + 1,).
    stay_attempts: PMF over a whole stay, admission secures included, shape (b + 1,).
    last_interval: shape (b + 1, a + 1): chance of i attempts up to the last top-up of a stay and j after it. The
        wear age at the top-up is taken as stationary; the frailty is the same on both sides.
    """

    kit_attempts: np.ndarray
    stay_attempts: np.ndarray
    last_interval: np.ndarray

    @property
    def mean_stay_attempts(self) -> float:
        return float(self.stay_attempts @ np.arange(len(self.stay_attempts)))

    def kit_quantile(self, readiness: float) -> int:
        """Fewest re-secures that a kit must hold to last one restock interval with chance `readiness`, at least 1.

        Smallest m with P(attempts <= m) >= readiness (model.md section 7).
        """
        cumulative = np.cumsum(self.kit_attempts)
        return max(int(np.searchsorted(cumulative, readiness - 1e-9)), 1)


def restock_checks(unit: Unit) -> int:
    """Checks between two restocks of a bedside kit, at least one."""
    return interval_checks(unit, unit.bedside.restock_hours / 24.0)


def stay_use(unit: Unit, tables: AttemptTables, stratum: int) -> StayUse:
    """Exact PMFs of attempts of one stratum. tables must reach restock_checks(unit) (`attempt_tables`).

    A stay of n checks is topped up after every whole restock interval, so that n mod restock_checks checks follow
    the last top-up.
    """
    table = tables.tables[tables.which[stratum]]
    between = restock_checks(unit)
    stay = stay_checks_pmf(unit, stratum)
    stationary = table.stationary
    whole = attempts_of_checks(table, stay)
    joint = np.zeros((whole.shape[1], stationary.shape[-1]))
    for rest in range(min(between, len(stay))):
        topped_up = np.zeros(len(stay) - rest)
        topped_up[::between] = stay[rest::between]
        before = attempts_of_checks(table, topped_up, whole.shape[1])
        joint += np.einsum("m,ma,mb->ab", table.weights, before, stationary[:, rest])
    return StayUse(table.weights @ stationary[:, between], table.weights @ whole, joint)
