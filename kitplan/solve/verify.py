"""Is a set of par levels as ready as it claims? Counted on scenarios that it was not planned on."""

from __future__ import annotations

import numpy as np

NORMAL_975 = 1.959963984540054
"""The 97.5 % point of the standard normal distribution."""


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


def wilson_interval(successes: int, trials: int, z: float = NORMAL_975) -> tuple[float, float]:
    """Return the Wilson score interval of a proportion (95 % unless told otherwise).

    Wilson, J Am Stat Assoc 1927;22:209 (from memory): centre (p + z^2/2n) / (1 + z^2/n), half-width
    z sqrt(p(1-p)/n + z^2/4n^2) / (1 + z^2/n).

    >>> low, high = wilson_interval(98, 100)
    >>> round(low, 4), round(high, 4)
    (0.93, 0.9945)
    """
    if trials <= 0 or not 0 <= successes <= trials:
        raise ValueError(f"{successes} of {trials} is not a proportion")
    share, shrink = successes / trials, 1.0 + z * z / trials
    centre = (share + z * z / (2 * trials)) / shrink
    half = z * np.sqrt(share * (1 - share) / trials + z * z / (4.0 * trials * trials)) / shrink
    low = 0.0 if successes == 0 else float(centre - half)
    high = 1.0 if successes == trials else float(centre + half)
    return low, high
