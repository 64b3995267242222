"""Airways in place month by month, past and ahead, under the law that par levels are planned on, and a drift.

A month's mean is level x (1 + yearly swing + drift) and chance. Chance is that of a unit without limit whose arrivals
come in bursts: its covariance between months follows from the stays (as in `demand.arrivals.learn_counts`). The drift
is a random walk, for a service that grows or shrinks; how fast is not known. Everything is normal about the mean level,
so months ahead given those known are so too; swings, drifts and bursts are weighed by how well each explains the past
(Bayesian model averaging: Hoeting et al., Stat Sci 1999;14:382, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from kitplan.demand.arrivals import OVERTONE, Season, correlation, waves
from kitplan.demand.posterior import GUESS_STAY_DAYS, Posterior, fit_posterior, season_of
from kitplan.demand.stays import StayLaw, log_normal_stays
from kitplan.parts.forecast.months import MonthlyCensus
from kitplan.read.values import Unit

NAME = "fitted level, swing and drift"
MONTH_DAYS = 30.4
DRIFT_GRID, DRIFT_WEIGHT = np.array([0.0, 0.02, 0.05]), np.array([0.3, 0.4, 0.3])
"""Drift of the level, share of it a month: none, slow (7 % in a year) or fast (17 %). Estimates, no source."""
OWN_MONTH = 0.25
"""What is each month's own, every year, beside the waves: its deviation over that of the wave (an estimate)."""
_LEVEL_SD = 1.0
_LONGEST_DAYS = 330
_NO_BURSTS_KNOWN = np.array([0.0, 0.05, 0.2])


@dataclass(frozen=True)
class MonthLaw:
    """The law of the months from the first known one on.

    waves: (n_months, 4), of the middle of each month, past and ahead. known: bool (n_past,), months that were counted.
    alone, shared: covariance by lag in months, (n_months,), without bursts (over the mean) and of bursts (over its
    square and the variance of a burst). bursts: variances of the weekly factor that are tried. season: prior of the
    swing. looked: variance of the first value beyond that of a month, over the mean, where it is of fewer days.
    """

    waves: np.ndarray
    known: np.ndarray
    alone: np.ndarray
    shared: np.ndarray
    bursts: np.ndarray
    season: Season
    looked: float = 0.0

    @cached_property
    def _prior(self) -> tuple[np.ndarray, np.ndarray]:
        """Covariance of level, swing and drift for each way, (n_ways, n_months, n_months), and its chance."""
        month = np.arange(1.0, len(self.waves) + 1)
        walk = np.minimum(month[:, None], month[None, :])
        alike = (month[:, None] - month[None, :]) % 12 == 0
        ways, chance = [], []
        for sd, of_swing in self.season.parts:
            scaled = self.waves * np.array([sd, sd, OVERTONE * sd, OVERTONE * sd])
            for drift, of_drift in zip(DRIFT_GRID, DRIFT_WEIGHT):
                own = (OWN_MONTH * sd) ** 2 * alike
                ways.append(_LEVEL_SD**2 + scaled @ scaled.T + own + drift**2 * walk)
                chance.append(of_swing * of_drift)
        return np.array(ways), np.array(chance)

    def ways(self, series: np.ndarray, months: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Chance (n_ways,), mean (n_ways, months) and covariance (n_ways, months, months) of the `months` that follow
        the first len(series), over the mean of the series.
        """
        n = len(series)
        past, ahead = np.flatnonzero(self.known[:n]), np.arange(n, n + months)
        level = max(float(series.mean()), 1e-9)
        there = self.waves @ self.season.middle
        apart = np.abs(np.arange(n + months)[:, None] - np.arange(n + months)[None, :])
        prior, weight = self._prior
        found = []
        for v in self.bursts:
            cover = prior[:, : n + months, : n + months] + (self.alone / level + v * self.shared)[apart]
            cover[:, 0, 0] += self.looked / level
            root = np.linalg.cholesky(cover[:, past[:, None], past] + 1e-9 * np.eye(len(past)))
            miss = series[past] / level - 1 - there[past]
            solved = np.linalg.solve(root, np.broadcast_to(miss[:, None], (len(root), len(past), 1)))[:, :, 0]
            across = np.linalg.solve(root, cover[:, past[:, None], ahead])
            evidence = np.log(weight) - (solved**2).sum(axis=1) / 2
            evidence -= np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
            mean = there[ahead] + (across * solved[:, :, None]).sum(axis=1)
            left = cover[:, ahead[:, None], ahead] - across.transpose(0, 2, 1) @ across
            found.append((evidence, mean, left))
        evidence, mean, left = (np.concatenate(part) for part in zip(*found))
        chance = np.exp(evidence - evidence.max())
        return chance / chance.sum(), mean, left

    def ahead(self, series: np.ndarray, months: int) -> np.ndarray:
        """Expected mean airways of the months that follow a series, (months,); not below 0."""
        chance, mean, _ = self.ways(series, months)
        return np.asarray(np.maximum(1 + chance @ mean, 0.0) * series.mean())

    def draw(self, series: np.ndarray, months: int, n_draws: int, rng: np.random.Generator) -> np.ndarray:
        """Courses of the months that follow a series, (n_draws, months); not below 0, their mean as `ahead` says."""
        chance, mean, left = self.ways(series, months)
        which = rng.choice(len(chance), n_draws, p=chance)
        root = np.linalg.cholesky(left + 1e-9 * np.eye(months))
        normal = rng.standard_normal((n_draws, months))
        paths = 1 + mean[which] + np.einsum("pij,pj->pi", root[which], normal)
        return _at_mean(np.maximum(paths, 0.0) * series.mean(), self.ahead(series, months))


def _at_mean(paths: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    mean = paths.mean(axis=0)
    return np.asarray(paths * np.divide(wanted, mean, out=np.ones_like(mean), where=mean > 0))


def month_law(unit: Unit, monthly: MonthlyCensus, months: int) -> MonthLaw:
    """The law of a unit's months, as many ahead as asked for. Raises ValueError for a snapshot, which has none."""
    whole = np.flatnonzero(monthly.complete)
    if monthly.months is None:
        raise ValueError("a snapshot has no months")
    span = np.arange(whole[0], whole[-1] + 1) if len(whole) else np.arange(1)
    first = monthly.months[span[0]]
    middles = [(first + k).start_time.day_of_year + 14.2 for k in range(len(span) + months)]
    law, bursts = _law_and_bursts(fit_posterior(unit))
    alone, shared = _by_month(law, len(middles))
    prior = season_of(unit, 0.0, len(span) * MONTH_DAYS)
    if len(whole):
        return MonthLaw(waves(np.array(middles)), monthly.complete[span], alone, shared, bursts, prior)
    looked = _by_month(law, 1, max(round(float(monthly.known_days.sum())), 1))[0][0]
    return MonthLaw(waves(np.array(middles)), np.ones(1, dtype=bool), alone, shared, bursts, prior,
                    max(float(looked - alone[0]), 0.0))


def _law_and_bursts(posterior: Posterior) -> tuple[StayLaw, np.ndarray]:
    """The mean law of the stay, and three bursts for all draws; where nothing is known of turnover, usual ones."""
    if posterior.arrivals.max(initial=0.0) <= 0:
        return log_normal_stays(np.array([GUESS_STAY_DAYS]), np.ones(1)), _NO_BURSTS_KNOWN
    return posterior.stays.known().take(np.zeros(1, dtype=np.int64)), np.quantile(posterior.burst, [1 / 6, 0.5, 5 / 6])


def _by_month(law: StayLaw, n_months: int, day: int = 30) -> tuple[np.ndarray, np.ndarray]:
    """Covariances of daily numbers of airways (`correlation`) as those of means of `day` days, by lag in months,
    (n_months,) each.
    """
    apart = np.arange(-day + 1, day)
    weight = (1 - np.abs(apart) / day) / day
    lag = np.abs(np.rint(np.arange(n_months)[:, None] * MONTH_DAYS + apart)).astype(int)
    by_day = [np.append(part, 0.0) for part in correlation(law, _LONGEST_DAYS)]
    alone, shared = (part[np.minimum(lag, _LONGEST_DAYS)] @ weight for part in by_day)
    return alone, shared


def _root(covariance: np.ndarray) -> np.ndarray:
    """Its lower triangular root; of the nearest that has one where months are so alike that rounding leaves it none."""
    below = max(-float(np.linalg.eigvalsh(covariance)[0]), 0.0)
    return np.linalg.cholesky(covariance + (1e-9 + 2 * below) * np.eye(len(covariance)))


def snapshot_paths(unit: Unit, months: int, n_draws: int, rng: np.random.Generator) -> np.ndarray:
    """Mean airways of the months after a count of one day, (n_draws, months): level and swing as par levels take them.

    Kinds that are only expected are left out.
    """
    posterior = fit_posterior(unit)
    rows = np.arange(n_draws) % posterior.n_draws
    stated = float(unit.census.expected["mean_airways"].sum())
    level = ((posterior.arrivals * posterior.mean_stays).sum(axis=1) * posterior.bedded)[rows]
    fixed = posterior.fixed.sum()
    if posterior.arrivals.max(initial=0.0) <= 0:
        counted = max(fixed - stated, 1e-9)
        return counted * np.tile(rng.standard_gamma(max(counted, 0.5), (n_draws, 1)) / max(counted, 0.5), (1, months))
    level = np.maximum(level - stated * posterior.bedded[rows], 1e-9)
    law, _ = _law_and_bursts(posterior)
    alone, shared = _by_month(law, months)
    apart = np.abs(np.arange(months)[:, None] - np.arange(months)[None, :])
    roots = [_root(part[apart]) for part in (alone, shared)]
    first, second = rng.standard_normal((2, n_draws, months))
    chance = first @ roots[0].T / np.sqrt(level)[:, None]
    chance += second @ roots[1].T * np.sqrt(posterior.burst[rows])[:, None]
    return _at_mean(np.maximum(1 + chance, 0.0) * level[:, None], np.full(months, level.mean()))
