"""Bursts of weeks in a row: gamma factors, each by itself or linked to its neighbours."""

from __future__ import annotations

import numpy as np


def linked_bursts(
    z: np.ndarray, weeks: np.ndarray, n_back: int, burst: np.ndarray, lasting: np.ndarray, draw: np.ndarray
) -> np.ndarray:
    """Gamma factors of mean 1 of stretches of time: the current week, those back to n_back, then those ahead of it.

    z: independent normal scores, (n_scenarios, n_stretches). weeks: lengths of the stretches. burst, lasting: as in
    `Posterior`, (n_draws,). draw: of each scenario. Each stretch is linked to its neighbour towards the current week: a
    chain of the first order looks the same either way. Gamma quantiles by the cube-root normal (Wilson & Hilferty, PNAS
    1931;17:684, from memory): one number a stretch, which a small change of `burst` changes but little.
    """
    nearer = np.maximum(np.arange(len(weeks)) - 1, 0)
    nearer[n_back] = 0  # the first week ahead follows the current one
    kept = (lasting[:, None] ** ((weeks + weeks[nearer]) / 2))[draw]
    score = z.copy()
    for i in range(1, len(weeks)):
        score[:, i] = kept[:, i] * score[:, nearer[i]] + np.sqrt(1 - kept[:, i] ** 2) * z[:, i]
    ninth = (burst[:, None] * mean_variance(weeks, lasting[:, None]) / 9)[draw]
    return np.maximum(1 - ninth + score * np.sqrt(ninth), 0.0) ** 3


def mean_variance(weeks: np.ndarray, lasting: np.ndarray) -> np.ndarray:
    """Variance of the mean burst of so many weeks on end, over that of one week; broadcast together."""
    apart = np.arange(1, int(weeks.max()))[:, None, None]
    share = np.maximum(1 - apart / weeks, 0.0)
    return np.asarray((1 + 2 * (share * lasting**apart).sum(axis=0)) / weeks)
