"""Who is in the unit on the mean: airways in place, arrivals, and how many checks a stay holds."""

from __future__ import annotations

import numpy as np

from kitplan.demand.posterior import census_means, fit_posterior, known, own_stays
from kitplan.demand.values import kept
from kitplan.read.values import Unit

LONG_AGO_DAYS = 400.0
"""Airways that neither come nor go have been there for so long."""
_NEGLIGIBLE = 1e-4
_MOST_STAY_CHECKS = 20_000


def interval_checks(unit: Unit, days: float) -> int:
    """Checks that fall into an interval of `days` days, at least one."""
    return max(round(days * unit.checks_per_day), 1)


def mean_airways(unit: Unit) -> np.ndarray:
    """Mean number of airways in place that the census shows, brought to where the level stands when it ends, by
    stratum, (n_strata,); expected strata as stated.
    """
    return census_means(unit, fit_posterior(unit).drifted)[0]


def arrivals_per_day(unit: Unit) -> np.ndarray:
    """Mean arrivals a day, by stratum, (n_strata,), as `mean_airways`; zeros where no turnover is known."""
    return census_means(unit, fit_posterior(unit).drifted)[1]


@kept(256, known)
def _stay_tail(unit: Unit, stratum: int) -> np.ndarray:
    """Chance that a stay of a stratum holds at least k checks, k = 0, 1, ..., until it is negligible.

    The unit's own stays by Kaplan-Meier (open ends are right-censored), each kind with its factor, and what is left
    at the steady pace; else the log-normal, averaged over its draws. A stay of x checks holds floor(x) or one more.
    """
    tail, (times, mass) = np.ones(1), own_stays(unit)
    if len(times):
        tail = _own_tail(unit, stratum, times, mass)
    posterior = fit_posterior(unit)
    draws = np.arange(0, posterior.n_draws, 40)[:, None]
    while tail[-1] > _NEGLIGIBLE and len(tail) < _MOST_STAY_CHECKS:
        k = len(tail) + np.arange(1000)
        days = (k[None, :] - 0.5) / unit.checks_per_day
        reach = posterior.stays.survival(draws, days / posterior.stay_factor[draws, stratum]).mean(axis=0)
        tail = np.concatenate([tail, reach])
    return tail[: max(int((tail > _NEGLIGIBLE).sum()), 1)]


def _own_tail(unit: Unit, stratum: int, times: np.ndarray, mass: np.ndarray) -> np.ndarray:
    """As `_stay_tail`, for stays of `times` days (ascending) with chances `mass`; what is missing of 1 goes on."""
    posterior = fit_posterior(unit)
    factor = posterior.stay_factor.mean(axis=0)[stratum]
    checks = times * factor * unit.checks_per_day
    whole = np.minimum(np.floor(checks), _MOST_STAY_CHECKS - 2).astype(np.int64)
    tail = np.zeros(_MOST_STAY_CHECKS)
    at_least = np.cumsum(np.bincount(whole, mass)[::-1])[::-1]
    tail[: len(at_least)] = at_least
    tail[1 : len(at_least) + 1] += np.bincount(whole, mass * (checks - whole))
    beyond = (np.arange(_MOST_STAY_CHECKS) - 0.5) / unit.checks_per_day / factor - times[-1]
    pace = posterior.stays.known().hazard[0, -1]
    tail += (1.0 - float(mass.sum())) * np.exp(-pace * np.maximum(beyond, 0.0))
    tail[0] = 1.0
    return tail


def stay_checks_pmf(unit: Unit, stratum: int) -> np.ndarray:
    """PMF of the number of checks in a whole stay of a stratum; checks come at any phase."""
    if fit_posterior(unit).fixed[stratum] > 0:
        last = round(LONG_AGO_DAYS * unit.checks_per_day)
        return np.eye(1, last + 1, last)[0]
    tail = _stay_tail(unit, stratum)
    return np.append(tail[:-1] - tail[1:], tail[-1])
