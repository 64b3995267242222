"""Is a set of par levels as ready as it claims? Counted on scenarios that it was not planned on."""

from __future__ import annotations

import numpy as np


def packs_needed(units: np.ndarray, pack: np.ndarray) -> np.ndarray:
    """Return the whole packs that cover `units`: V[s, i] = ceil(D[s, i] / b_i).

    units : ndarray, shape (n_scenarios, n_items). pack : items in a pack, shape (n_items,).
    Returns int32, shape (n_scenarios, n_items), each item's column contiguous.
    """
    needed = np.ceil(np.asarray(units, dtype=float).T / np.asarray(pack, dtype=float)[:, None] - 1e-9)
    return needed.astype(np.int32).T


def ready_scenarios(units: np.ndarray, par_units: np.ndarray) -> np.ndarray:
    """Return, scenario by scenario, whether no item runs short (bool, shape (n_scenarios,))."""
    return np.all(units <= np.asarray(par_units, dtype=float), axis=1)


def joint_readiness(units: np.ndarray, par_units: np.ndarray) -> float:
    """Return the share of scenarios in which every item lasts: P(D_i <= par_i for all i)."""
    return float(np.mean(ready_scenarios(units, par_units)))


def shortage_chances(units: np.ndarray, par_units: np.ndarray) -> np.ndarray:
    """Return each item's own chance of running short, shape (n_items,)."""
    return np.mean(units > np.asarray(par_units, dtype=float), axis=0)
