"""Rates of several strata, partly pooled: a stratum with nine events is not believed like one with nine hundred.

Events of stratum g are Poisson(rate_g x exposure_g), over-dispersed by a known factor; the rates are Gamma with
mean mu and coefficient of variation tau across strata. The pair (mu, tau) is integrated over a grid instead of
being fixed at its best value, because with few strata that value is poorly known and intervals would be too
narrow (Gelman et al., Bayesian Data Analysis, ch. 5; gamma-Poisson: Clayton & Kaldor, Biometrics 1987;43:671;
both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

_MEAN_POINTS = 41
_SPREAD_POINTS = np.array([0.03, 0.06, 0.1, 0.15, 0.2, 0.26, 0.33, 0.41, 0.5, 0.62, 0.78, 1.0, 1.3])
_SPREAD_SCALE = 0.5


@dataclass(frozen=True)
class PooledRates:
    """Posterior of the rates. Arrays of shape (n_strata,) unless said otherwise.

    mean, low, high: per unit of exposure, with a 95 % interval. own_share: weight of the stratum's own events in
    `mean` (0 none, 1 all). common_mean: rate of a stratum about which nothing is known. shape,
    scale, both (n_strata, n_points), weight (n_points,): the posterior of each rate as a mixture of gammas.
    """

    mean: np.ndarray
    own_share: np.ndarray
    common_mean: float
    shape: np.ndarray
    scale: np.ndarray
    weight: np.ndarray

    @cached_property
    def low(self) -> np.ndarray:
        """Lower end of the 95 % interval; worked out when it is first asked for, because many callers want the mean."""
        return self.quantile(0.025)

    @cached_property
    def high(self) -> np.ndarray:
        """Upper end of the 95 % interval."""
        return self.quantile(0.975)

    def draw(self, n_draws: int, rng: np.random.Generator) -> np.ndarray:
        """Draws from the posterior, ndarray shape (n_draws, n_strata); (mu, tau) is shared within a draw."""
        point = rng.choice(len(self.weight), size=n_draws, p=self.weight)
        return rng.standard_gamma(self.shape[:, point].T) * self.scale[:, point].T

    def quantile(self, chance: float) -> np.ndarray:
        """Posterior quantile of each rate, by bisection."""
        from scipy.special import gammainc

        low = np.zeros(len(self.shape))
        high = (self.shape * self.scale + 12 * (np.sqrt(self.shape) * self.scale)).max(axis=1)
        for _ in range(50):
            middle = (low + high) / 2
            below = gammainc(self.shape, middle[:, None] / self.scale) @ self.weight < chance
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return (low + high) / 2


def pool_rates(events: np.ndarray, exposure: np.ndarray, dispersion: np.ndarray | float = 1.0) -> PooledRates:
    """Pool event rates across strata.

    events, exposure: ndarray shape (n_strata,), exposure in airway-days (or any unit), not negative.
    dispersion: variance of the event count over its mean (1 for Poisson); events and exposure are divided by it
    (quasi-likelihood), which leaves the rate and widens the interval.
    Raises ValueError when there is no exposure or no event at all.
    """
    events, exposure = np.asarray(events, float), np.asarray(exposure, float)
    if exposure.sum() <= 0 or events.sum() <= 0:
        raise ValueError("pooling needs at least one event and some exposure")
    own_events, own_exposure = events / dispersion, exposure / dispersion
    seen = own_exposure > 0
    alone = seen.sum() == 1
    spread = np.array([5.0]) if alone else _SPREAD_POINTS
    mu, tau = _grid(own_events, own_exposure, spread)
    prior_shape = 1.0 / tau**2
    prior_rate = prior_shape / mu
    log_weight = _log_marginal(own_events[seen], own_exposure[seen], prior_shape, prior_rate)
    if not alone:  # the grid of spreads is not even: each cell has its width
        width = np.gradient(spread)[np.searchsorted(spread, tau)]
        log_weight = log_weight - 0.5 * (tau / _SPREAD_SCALE) ** 2 + np.log(width)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    keep = weight > 1e-7
    weight, mu = weight[keep] / weight[keep].sum(), mu[keep]
    prior_shape, prior_rate = prior_shape[keep], prior_rate[keep]
    shape = prior_shape[None, :] + own_events[:, None]
    rate = prior_rate[None, :] + own_exposure[:, None]
    share = own_exposure[:, None] / rate
    return PooledRates(
        mean=(shape / rate) @ weight,
        own_share=share @ weight if not alone else seen.astype(float),
        common_mean=float(mu @ weight),
        shape=shape,
        scale=1 / rate,
        weight=weight,
    )


def _grid(events: np.ndarray, exposure: np.ndarray, spread: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """All pairs of common mean and spread worth looking at, flattened."""
    total = events.sum()
    strata = max((exposure > 0).sum(), 1)
    reach = 5.0 * np.sqrt(1.0 / max(total, 1.0) + 0.25 / strata) if len(spread) > 1 else 0.0
    log_mean = np.log(total / exposure.sum()) + np.linspace(-reach, reach, _MEAN_POINTS if reach else 1)
    mu, tau = np.meshgrid(np.exp(log_mean), spread, indexing="ij")
    return mu.ravel(), tau.ravel()


def _log_marginal(
    events: np.ndarray, exposure: np.ndarray, shape: np.ndarray, rate: np.ndarray
) -> np.ndarray:
    """Log negative-binomial likelihood of all strata at each grid point; shape (n_points,)."""
    from scipy.special import gammaln

    o, t, a, b = events[:, None], exposure[:, None], shape[None, :], rate[None, :]
    few, which = np.unique(shape, return_inverse=True)  # one shape a spread, whatever the mean
    rising = (gammaln(o + few) - gammaln(few))[:, which]
    return (rising + a * np.log(b / (b + t)) + o * np.log(t / (b + t))).sum(axis=0)


def count_dispersion(observed: np.ndarray, expected: np.ndarray) -> tuple[float, float]:
    """How airways' counts vary around their expectation: variance = a x mean + v x mean squared.

    observed, expected: ndarray shape (n_airways,). a below 1 says that renewals are more even than Poisson (wear);
    v is the squared coefficient of variation between airways. Weighted least squares of squared residuals, two
    rounds (method of moments; McCullagh & Nelder, Generalized Linear Models, ch. 9, from memory).
    Returns (a, v) with 0.3 <= a <= 3 and v >= 0.
    """
    use = expected > 0
    m = expected[use]
    if len(m) < 10:
        return 1.0, 0.0
    squared = (observed[use] - m) ** 2
    a, v = 1.0, 0.1
    for _ in range(4):
        weight = 1.0 / (a * m + v * m**2) ** 2
        s11, s12, s22 = (weight * m**2).sum(), (weight * m**3).sum(), (weight * m**4).sum()
        t1, t2 = (weight * m * squared).sum(), (weight * m**2 * squared).sum()
        determinant = s11 * s22 - s12**2
        v = max((s11 * t2 - s12 * t1) / determinant, 0.0) if determinant > 1e-12 * s11 * s22 else 0.0
        a = float(np.clip((t1 - v * s12) / s11, 0.3, 3.0))
    return a, float(v)
