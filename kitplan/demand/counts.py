"""Negative binomial regression of counts, by maximum likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class CountFit:
    """A fitted negative binomial (variance = mean + mean^2 / theta).

    coefficients, standard_errors: ndarray shape (n_columns,), on the log scale. theta: size, infinite when the
    counts vary no more than Poisson; theta_error: its standard error. log_likelihood: at the maximum.
    """

    coefficients: np.ndarray
    standard_errors: np.ndarray
    theta: float
    theta_error: float
    log_likelihood: float


def fit_negative_binomial(
    counts: np.ndarray, design: np.ndarray, exposure: np.ndarray | None = None
) -> CountFit:
    """Fit log mean = design @ coefficients + log exposure.

    counts: ndarray shape (n,), whole numbers. design: ndarray shape (n, n_columns). exposure: ndarray shape (n,),
    positive, or None for 1. Coefficients by iteratively reweighted least squares, theta by Newton steps on its
    profile score, in turn (Venables & Ripley, Modern Applied Statistics with S, 4e, sec. 7.4).
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
        theta = _fit_theta(counts, mean, theta)
        log_likelihood = _log_likelihood(counts, mean, theta)
        if abs(log_likelihood - last) < 1e-10 * (1 + abs(last)):
            break
        last = log_likelihood
    mean = np.exp(design @ beta + offset)
    weight = mean / (1 + mean / theta)
    covariance = np.linalg.inv(design.T @ (weight[:, None] * design))
    error = (
        np.inf
        if np.isinf(theta)
        else 1 / np.sqrt(max(_score_and_information(counts, mean, theta)[1], 1e-300))
    )
    return CountFit(beta, np.sqrt(np.diag(covariance)), theta, float(error), float(log_likelihood))


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


def _score_and_information(counts: np.ndarray, mean: np.ndarray, theta: float) -> tuple[float, float]:
    """Derivative of the log-likelihood in theta, and minus the second derivative."""
    from scipy.special import digamma, polygamma

    score = digamma(theta + counts) - digamma(theta) + np.log(theta) + 1 - np.log(theta + mean)
    score = (score - (counts + theta) / (mean + theta)).sum()
    bend = -polygamma(1, theta + counts) + polygamma(1, theta) - 1 / theta + 2 / (mean + theta)
    bend = (bend - (counts + theta) / (mean + theta) ** 2).sum()
    return float(score), float(bend)


def _fit_theta(counts: np.ndarray, mean: np.ndarray, start: float) -> float:
    """Newton on log theta, kept inside bounds; infinite where the score never turns (no over-dispersion)."""
    if ((counts - mean) ** 2 - counts).sum() <= 0:
        return np.inf
    theta = start if np.isfinite(start) else (mean**2).sum() / max(((counts - mean) ** 2 - mean).sum(), 1e-9)
    theta = float(np.clip(theta, 1e-3, 1e6))
    for _ in range(100):
        score, information = _score_and_information(counts, mean, theta)
        slope = theta * score
        curvature = theta**2 * information - slope
        step = slope / curvature if curvature > 0 else np.sign(slope)
        theta = float(np.clip(theta * np.exp(np.clip(step, -1, 1)), 1e-4, 1e7))
        if abs(step) < 1e-12:
            break
    return theta if theta < 1e6 else np.inf


def _log_likelihood(counts: np.ndarray, mean: np.ndarray, theta: float) -> float:
    from scipy.special import gammaln, xlogy

    if np.isinf(theta):
        return float((xlogy(counts, mean) - mean - gammaln(counts + 1)).sum())
    terms = gammaln(counts + theta) - gammaln(theta) - gammaln(counts + 1)
    return float(
        (terms + theta * np.log(theta / (theta + mean)) + xlogy(counts, mean / (theta + mean))).sum()
    )
