"""Is a set of par levels as ready as it claims? Counted on scenarios that it was not planned on."""

from __future__ import annotations

import numpy as np


def ready_scenarios(needs: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Return, scenario by scenario, whether no item runs short (bool, shape (n_scenarios,)).

    needs : int, shape (n_scenarios, n_items), the least level that lasts (`Packing.needed`).
    """
    return np.all(needs <= np.asarray(levels, dtype=float), axis=1)


def joint_readiness(needs: np.ndarray, levels: np.ndarray) -> float:
    """Return the share of scenarios in which every item lasts: P(V_i <= level_i for all i)."""
    return float(np.mean(ready_scenarios(needs, levels)))


def shortage_chances(needs: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Return each item's own chance of running short, shape (n_items,)."""
    return np.mean(needs > np.asarray(levels, dtype=float), axis=0)


def shortage_risk(units: np.ndarray, mean_by_draw: np.ndarray, levels: np.ndarray) -> np.ndarray:
    """Return a rough number for how likely each parameter draw is to see a shortage, shape (n_draws,).

    units : scenarios, shape (n_scenarios, n_items). mean_by_draw : mean use under each draw, (n_draws, n_items).
    levels : mean position after ordering, (n_items,). A normal law about the mean of the draw, with the spread of all
    scenarios.
    """
    from scipy.special import ndtr

    used = units.max(axis=0) > 0
    mean, spread = mean_by_draw[:, used], np.maximum(units[:, used].std(axis=0), 0.3)
    apart = mean.std(axis=0)
    spread = np.sqrt(np.maximum(spread**2 - apart**2, 0.25 * spread**2))
    return ndtr((mean - levels[used] - 0.5) / spread).sum(axis=1) + 1e-9


def readiness_range(
    ready: np.ndarray, draw: np.ndarray, risk: np.ndarray, tail: float = 0.05
) -> tuple[float, float] | None:
    """Return the `tail` and 1 - `tail` points of readiness over what is not known; None where nothing is open.

    ready : bool, shape (n_scenarios,). draw : parameter draw behind each scenario, (n_scenarios,), ints from 0.
    risk : `shortage_risk` of each draw. The few scenarios of one draw are too few to count, so their readiness is
    smoothed over draws of like risk: a logistic regression on log(e^risk - 1), the straight line that shortages by
    chance alone would give (ready = e^-risk), with a weak normal prior.
    """
    seen = np.bincount(draw, minlength=len(risk)).astype(float)
    met = np.bincount(draw, weights=ready, minlength=len(risk))
    place = np.log(np.expm1(np.minimum(risk, 20.0)))
    if place.std() < 1e-3:
        return None
    z = np.clip((place - place.mean()) / place.std(), -3, 3)
    design = np.column_stack([np.ones(len(z)), z])
    share = np.clip(float(met.sum() / seen.sum()), 1e-6, 1 - 1e-6)
    centre, prior = np.array([np.log(share / (1 - share)), 0.0]), np.array([1e-2, 0.05])
    beta = np.zeros(2)
    beta[0] = centre[0]
    for _ in range(50):
        chance = 1 / (1 + np.exp(-np.clip(design @ beta, -30, 30)))
        slope = design.T @ (met - seen * chance) - prior * (beta - centre)
        bend = design.T @ ((seen * chance * (1 - chance))[:, None] * design) + np.diag(prior)
        step = np.linalg.solve(bend, slope)
        beta = beta + np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-8:
            break
    low, high = np.quantile(1 / (1 + np.exp(-design @ beta)), [tail, 1 - tail])
    return float(min(low, share)), float(max(high, share))
