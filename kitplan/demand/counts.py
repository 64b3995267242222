"""Negative binomial regression of counts, by maximum likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class CountFit:
    """A fitted negative binomial (variance = mean + mean^2 / theta).

    coefficients, standard_errors: ndarray shape (n_columns,), on the log scale. theta: size, infinite when the
    counts vary no more than Poisson. log_likelihood: at the maximum.
    """

    coefficients: np.ndarray
    standard_errors: np.ndarray
    theta: float
    log_likelihood: float


def fit_negative_binomial(
    counts: np.ndarray, design: np.ndarray, exposure: np.ndarray | None = None
) -> CountFit:
    """Fit log mean = design @ coefficients + log exposure.

    counts: ndarray shape (n,), whole numbers. design: ndarray shape (n, n_columns). exposure: ndarray shape (n,),
    positive, or None for 1. Coefficients by iteratively reweighted least squares, theta where its
    profile score is 0, in turn (Venables & Ripley, Modern Applied Statistics with S, 4e, sec. 7.4).
    Raises ValueError for a design without full rank.
    """
    counts, design = np.asarray(counts, float), np.asarray(design, float)
    offset = np.zeros(len(counts)) if exposure is None else np.log(np.asarray(exposure, float))
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ValueError("the design has columns that say the same thing")
    beta = np.linalg.lstsq(design, np.log(counts + 0.5) - offset, rcond=None)[0]
    theta = np.inf
    last = -np.inf
    for _ in range(100):
        beta = _fit_mean(counts, design, offset, beta, theta)
        mean = np.exp(design @ beta + offset)
        theta = _fit_theta(counts, mean)
        log_likelihood = _log_likelihood(counts, mean, theta)
        if abs(log_likelihood - last) < 1e-10 * (1 + abs(last)):
            break
        last = log_likelihood
    mean = np.exp(design @ beta + offset)
    weight = mean / (1 + mean / theta)
    covariance = np.linalg.inv(design.T @ (weight[:, None] * design))
    return CountFit(beta, np.sqrt(np.diag(covariance)), theta, float(log_likelihood))


def _fit_mean(
    counts: np.ndarray, design: np.ndarray, offset: np.ndarray, beta: np.ndarray, theta: float
) -> np.ndarray:
    for _ in range(50):
        eta = np.clip(design @ beta + offset, -30, 30)
        mean = np.exp(eta)
        weight = mean / (1 + mean / theta)
        working = eta - offset + (counts - mean) / mean
        root = np.sqrt(weight)
        new = np.linalg.lstsq(design * root[:, None], working * root, rcond=None)[0]
        done = np.abs(new - beta).max() < 1e-11
        beta = new
        if done:
            break
    return beta


def _score(counts: np.ndarray, mean: np.ndarray, theta: float) -> float:
    """Derivative of the log-likelihood in theta."""
    from scipy.special import digamma

    score = digamma(theta + counts) - digamma(theta) + np.log(theta) + 1 - np.log(theta + mean)
    return float((score - (counts + theta) / (mean + theta)).sum())


def _fit_theta(counts: np.ndarray, mean: np.ndarray) -> float:
    """Where the score is 0, from 0.0001 on; infinite where it does not turn up to a million (no over-dispersion)."""
    from scipy.optimize import brentq

    low, high = 1e-4, 1e6
    if ((counts - mean) ** 2 - counts).sum() <= 0 or _score(counts, mean, high) >= 0:
        return np.inf
    if _score(counts, mean, low) <= 0:
        return low
    return float(np.exp(brentq(lambda log: _score(counts, mean, np.exp(log)), np.log(low), np.log(high), xtol=1e-12)))


def _log_likelihood(counts: np.ndarray, mean: np.ndarray, theta: float) -> float:
    from scipy.special import gammaln, xlogy

    if np.isinf(theta):
        return float((xlogy(counts, mean) - mean - gammaln(counts + 1)).sum())
    terms = gammaln(counts + theta) - gammaln(theta) - gammaln(counts + 1)
    return float(
        (terms + theta * np.log(theta / (theta + mean)) + xlogy(counts, mean / (theta + mean))).sum()
    )
