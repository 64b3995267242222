"""Is a set of par levels as ready as it claims? Counted on scenarios that it was not planned on."""

from __future__ import annotations

import numpy as np

_PLACES = 8
"""Points by which a law is spread evenly: where in its pack an item lies, how far a draw lies from the line."""


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


def shortage_risk(
    units: np.ndarray, draw: np.ndarray, mean_by_draw: np.ndarray, levels: np.ndarray, pack: np.ndarray
) -> np.ndarray:
    """Return -log of the readiness of each parameter draw if items ran short apart from each other, shape (n_draws,).

    units : scenarios, shape (n_scenarios, n_items). draw : parameter draw behind each scenario, (n_scenarios,), not
    decreasing. mean_by_draw : mean use under each draw, (n_draws, n_items). levels, pack : (n_items,). Use is gamma
    about the mean m of the draw with variance a m + b m^2, a and b by least squares from the scenarios; the position
    after ordering is uniform over a pack.
    """
    from scipy.special import gammaincc

    used = (units.max(axis=0) > 0) & (mean_by_draw.mean(axis=0) > 0)
    mean, level, pack = mean_by_draw[:, used], levels[used], pack[used]
    mean = np.maximum(mean, 1e-3 * mean.mean(axis=0))
    drawn, first, seen = np.unique(draw, return_index=True, return_counts=True)
    own = mean[drawn]
    apart = np.add.reduceat((units[:, used] - mean[draw]) ** 2, first, axis=0) / seen[:, None] / own
    weight = (1 + own / own.mean(axis=0)) ** -4.0
    weight /= weight.sum(axis=0)
    middle, there = (weight * own).sum(axis=0), (weight * apart).sum(axis=0)
    slope = (weight * (own - middle) * (apart - there)).sum(axis=0)
    slope /= np.maximum((weight * (own - middle) ** 2).sum(axis=0), 1e-9 * middle**2)
    slope = np.clip(slope, 0.0, there / middle)
    ratio = np.maximum(there + slope * (mean - middle), 1e-6 * mean)
    places = (np.arange(_PLACES) + 0.5) / _PLACES
    short = sum(gammaincc(mean / ratio, (level + place * pack) / ratio) for place in places) / _PLACES
    return -np.log1p(-np.minimum(short, 1 - 1e-9)).sum(axis=1) + 1e-7


def readiness_range(
    ready: np.ndarray, draw: np.ndarray, risk: np.ndarray, tail: float = 0.05
) -> tuple[float, float] | None:
    """Return the `tail` and 1 - `tail` points of readiness over what is not known; None where nothing is open.

    ready : chance that nothing runs short in each scenario, shape (n_scenarios,). draw : parameter draw behind each,
    ints from 0. risk : `shortage_risk` of each draw. The few scenarios of one draw are too few to count, so readiness
    is a logistic line in what it would be by that risk, bent once; what draws of like risk differ by, beyond the chance
    of so few scenarios, is a beta law about the line with the variance that is left.
    """
    place = np.log(np.expm1(np.minimum(risk, 30.0)))
    if place.std() < 1e-3:
        return None
    seen = np.bincount(draw, minlength=len(risk)).astype(float)
    met = np.bincount(draw, weights=ready, minlength=len(risk))
    line = _logistic_line((place - place.mean()) / place.std(), met, seen)
    chance = np.bincount(draw, weights=ready**2, minlength=len(risk)) - met**2 / seen.clip(1)
    apart = ((met - seen * line) ** 2 - seen * chance / (seen - 1).clip(1))[seen > 1] / seen[seen > 1] ** 2
    left = float(apart.mean()) / max(float((line * (1 - line)).mean()), 1e-12) if len(apart) else 0.0
    low, high = np.quantile(_spread_about(line, left), [tail, 1 - tail])
    share = float(met.sum() / seen.sum())
    return float(min(low, share)), float(max(high, share))


def _logistic_line(place: np.ndarray, met: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Logistic regression of met out of seen on place, with a weak normal prior; the chances, shape as place.

    The line may bend once, at the middle: nearly all shortages lie above it, and would set the slope below it too.
    """
    design = np.column_stack([np.ones(len(place)), place, np.minimum(place, 0.0)])
    share = np.clip(float(met.sum() / seen.sum()), 1e-6, 1 - 1e-6)
    centre, prior = np.array([np.log(share / (1 - share)), 0.0, 0.0]), np.array([1e-2, 0.05, 2.0])
    beta = centre.copy()
    for _ in range(50):
        chance = 1 / (1 + np.exp(-np.clip(design @ beta, -30, 30)))
        slope = design.T @ (met - seen * chance) - prior * (beta - centre)
        bend = design.T @ ((seen * chance * (1 - chance))[:, None] * design) + np.diag(prior)
        step = np.linalg.solve(bend, slope)
        beta = beta + np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-8:
            break
    return np.asarray(1 / (1 + np.exp(-np.clip(design @ beta, -30, 30))))


def _spread_about(line: np.ndarray, left: float) -> np.ndarray:
    """Even points of beta laws with means `line`, whose variance is the share `left` of a single yes or no's."""
    if left <= 1e-6:
        return line
    from scipy.special import betaincinv

    size, points = 1 / min(left, 0.5) - 1, (np.arange(_PLACES) + 0.5) / _PLACES
    return np.asarray(betaincinv(line[:, None] * size, (1 - line[:, None]) * size, points)).ravel()
