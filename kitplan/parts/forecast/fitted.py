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

from kitplan.demand.arrivals import OVERTONE, Season, correlation, correlation_of_arrivals, waves
from kitplan.demand.posterior import GUESS_STAY_DAYS, Posterior, fit_posterior, season_of
from kitplan.demand.stays import StayLaw, log_normal_stays
from kitplan.parts.forecast.months import MonthlyCensus
from kitplan.read.days import MONTH_DAYS
from kitplan.read.values import Unit

NAME = "fitted level, swing and drift"
DRIFT_GRID, DRIFT_WEIGHT = np.array([0.0, 0.02, 0.05]), np.array([0.3, 0.4, 0.3])
"""Drift of the level, share of it a month: none, slow (7 % in a year) or fast (17 %). Estimates, no source."""
OWN_MONTH = 0.25
"""What is each month's own, every year, beside the waves: its deviation over that of the wave (an estimate)."""
STAY_DRIFT, STAY_SWING = 0.5, 0.3
"""How much the mean stay may drift and swing, over what arrivals do (a choice: with none, units whose stays drift as
much as their arrivals were foretold worse than without counting arrivals at all; tests/bench/README.md)."""
_LEVEL_SD = 1.0
_LONGEST_DAYS = 330
_NO_BURSTS_KNOWN = np.array([0.0, 0.05, 0.2])


@dataclass(frozen=True)
class Came:
    """The arrivals of the months that a law is of, each over its mean.

    waves: (n_months, 4). counted: (n_past,), NaN where not known. alone, shared: covariances as those of `MonthLaw`, of
    the arrivals of each month (row) with the airways and with the arrivals of each (column), (2, n_months, n_months).
    """

    waves: np.ndarray
    counted: np.ndarray
    alone: np.ndarray
    shared: np.ndarray


@dataclass(frozen=True)
class MonthLaw:
    """The law of the months from the first known one on.

    waves: (n_months, 4), of the middle of each month, past and ahead. known: bool (n_past,), months that were counted.
    alone, shared: covariance by lag in months, (n_months,), without bursts (over the mean) and of bursts (over its
    square and the variance of a burst). bursts: variances of the weekly factor that are tried. season: prior of the
    swing. looked: variance of the first value beyond that of a month, over the mean, where it is of fewer days.
    came: the arrivals; None where there is no turnover.

    Inside, months of airways come first and months of arrivals after them, as one normal vector of n_values.
    """

    waves: np.ndarray
    known: np.ndarray
    alone: np.ndarray
    shared: np.ndarray
    bursts: np.ndarray
    season: Season
    looked: float = 0.0
    came: Came | None = None

    @cached_property
    def _waves(self) -> np.ndarray:
        return self.waves if self.came is None else np.concatenate([self.waves, self.came.waves])

    @cached_property
    def _prior(self) -> tuple[np.ndarray, np.ndarray]:
        """Covariance of level, swing and drift for each way, (n_ways, n_values, n_values), and its chance."""
        n, waves = len(self.waves), self._waves
        month = np.resize(np.arange(1.0, n + 1), len(waves))
        walk = np.minimum(month[:, None], month[None, :])
        alike = (month[:, None] - month[None, :]) % 12 == 0
        level = np.full(walk.shape, _LEVEL_SD**2)
        counted = self.came is not None and np.isfinite(self.came.counted).any()
        ways, chance = [], []
        for sd, of_swing in self.season.parts:
            scaled = waves * np.array([sd, sd, OVERTONE * sd, OVERTONE * sd])
            for drift, of_drift in zip(DRIFT_GRID, DRIFT_WEIGHT):
                own = (OWN_MONTH * sd) ** 2 * alike
                ways.append(level + scaled @ scaled.T + own + drift**2 * walk)
                if counted:  # both are set against their own past mean, and stays move too
                    stays = STAY_SWING * scaled[n:]
                    apart = stays @ stays.T + (STAY_DRIFT * drift) ** 2 * walk[n:, n:]
                    ways[-1][n:, n:] += _LEVEL_SD**2 + apart
                chance.append(of_swing * of_drift)
        return np.array(ways), np.array(chance)

    @cached_property
    def _chance(self) -> tuple[np.ndarray, np.ndarray]:
        """alone and shared as (n_values, n_values)."""
        apart = np.abs(np.arange(len(self.waves))[:, None] - np.arange(len(self.waves))[None, :])
        if self.came is None:
            return self.alone[apart], self.shared[apart]
        return _joined(self.alone[apart], self.came.alone), _joined(self.shared[apart], self.came.shared)

    def _seen(self, series: np.ndarray) -> np.ndarray:
        """What is known, over its mean less 1, (n_values,); NaN: not known. Of the first len(series) months alone."""
        n = len(series)
        seen = np.full(len(self._waves), np.nan)
        seen[:n] = np.where(self.known[:n], series / max(float(series.mean()), 1e-9) - 1, np.nan)
        if self.came is not None and np.isfinite(counted := self.came.counted[:n]).any():
            seen[len(self.waves):][:n] = counted / max(float(np.nanmean(counted)), 1e-9) - 1
        return seen

    def ways(self, series: np.ndarray, months: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Chance (n_ways,), mean (n_ways, k) and covariance (n_ways, k, k) of the `months` that follow the first
        len(series), over the mean of the series: of airways, then of arrivals, where there are any.
        """
        n, level = len(series), max(float(series.mean()), 1e-9)
        seen, there = self._seen(series), self._waves @ self.season.middle
        past = np.flatnonzero(np.isfinite(seen))
        ahead = np.add.outer(np.arange(0, len(seen), len(self.waves)), np.arange(n, n + months)).ravel()
        prior, weight = self._prior
        alone, shared = self._chance
        found = []
        for v in self.bursts:
            cover = prior + (alone / level + v * shared)
            cover[:, 0, 0] += self.looked / level
            root = np.linalg.cholesky(cover[:, past[:, None], past] + 1e-9 * np.eye(len(past)))
            miss = (seen - there)[past]
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
        return np.asarray(np.maximum(1 + chance @ mean, 0.0) * series.mean())[:months]

    def draw(
        self, series: np.ndarray, months: int, n_draws: int, rng: np.random.Generator
    ) -> tuple[np.ndarray, np.ndarray]:
        """Courses of the months that follow a series: airways, and airways that the arrivals alone would make expect,
        (n_draws, months) each; not below 0, the mean of the first as `ahead` says.
        """
        chance, mean, left = self.ways(series, months)
        which = rng.choice(len(chance), n_draws, p=chance)
        root = np.stack([_root(own) for own in left])
        normal = rng.standard_normal((n_draws, mean.shape[1]))
        paths = 1 + mean[which] + np.einsum("pij,pj->pi", root[which], normal)
        wanted = np.maximum(1 + chance @ mean, 0.0) * series.mean()
        paths = _at_mean(np.maximum(paths, 0.0) * series.mean(), wanted)
        return paths[:, :months], paths[:, -months:]


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
    middles = waves(np.array([(first + k).start_time.day_of_year + 14.2 for k in range(len(span) + months)]))
    law, bursts = _law_and_bursts(fit_posterior(unit))
    alone, shared = _by_month(law, len(middles))
    prior = season_of(unit, 0.0, len(span) * MONTH_DAYS)
    counted = np.where(monthly.complete[span], monthly.arrivals[span].sum(axis=1) / monthly.days[span], np.nan)
    came = Came(middles, counted, *_arrivals_by_month(law, len(middles)))
    if len(whole):
        return MonthLaw(middles, monthly.complete[span], alone, shared, bursts, prior, 0.0, came)
    looked = _by_month(law, 1, max(round(float(monthly.known_days.sum())), 1))[0][0]
    return MonthLaw(middles, np.ones(1, dtype=bool), alone, shared, bursts, prior,
                    max(float(looked - alone[0]), 0.0), came)


def _law_and_bursts(posterior: Posterior) -> tuple[StayLaw, np.ndarray]:
    """The mean law of the stay, and three bursts for all draws; where nothing is known of turnover, usual ones."""
    if not posterior.arrivals.any():
        return log_normal_stays(np.array([GUESS_STAY_DAYS]), np.ones(1)), _NO_BURSTS_KNOWN
    return posterior.stays.known().take(np.zeros(1, dtype=np.int64)), np.quantile(posterior.burst, [1 / 6, 0.5, 5 / 6])


def _by_month(law: StayLaw, n_months: int, day: int = 30) -> tuple[np.ndarray, np.ndarray]:
    """`correlation`, of daily numbers of airways, for means of `day` days, by lag in months, (n_months,) each."""
    alone, shared = (_between_months(np.concatenate([part[:0:-1], part]), np.arange(n_months), day)
                     for part in correlation(law, _LONGEST_DAYS))
    return alone, shared


def _arrivals_by_month(law: StayLaw, n_months: int) -> tuple[np.ndarray, np.ndarray]:
    """`Came.alone` and `Came.shared`."""
    later = np.arange(n_months)[None, :] - np.arange(n_months)[:, None]
    parts = [_between_months(part, later) for part in correlation_of_arrivals(law, _LONGEST_DAYS)]
    return np.stack(parts[::2]), np.stack(parts[1::2])


def _between_months(by_day: np.ndarray, later: np.ndarray, day: int = 30) -> np.ndarray:
    """Mean of a covariance by lag in days (about its middle) over the days of two months, `later` months apart."""
    apart = np.arange(-day + 1, day)
    weight = (1 - np.abs(apart) / day) / day
    lag = np.rint(later[..., None] * MONTH_DAYS + apart).astype(int) + len(by_day) // 2 + 1
    return np.asarray(np.pad(by_day, 1)[np.clip(lag, 0, len(by_day) + 1)] @ weight)


def _joined(airways: np.ndarray, came: np.ndarray) -> np.ndarray:
    """Covariance of airways and arrivals as one vector; without what rounding of days and months left below 0."""
    size, ways = np.linalg.eigh(np.block([[airways, came[0].T], [came[0], (came[1] + came[1].T) / 2]]))
    return np.asarray((ways * np.maximum(size, 0.0)) @ ways.T)


def _root(covariance: np.ndarray) -> np.ndarray:
    """Its lower triangular root; of the nearest that has one where months are so alike that rounding leaves it none."""
    below = max(-float(np.linalg.eigvalsh(covariance)[0]), 0.0)
    return np.linalg.cholesky(covariance + (1e-9 + 2 * below) * np.eye(len(covariance)))


def snapshot_paths(
    unit: Unit, months: int, n_draws: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Mean airways, and those that the arrivals would make expect (as `MonthLaw.draw`), of the months after a count of
    one day, (n_draws, months) each: level and swing as par levels take them. Kinds that are only expected are left out.
    """
    posterior = fit_posterior(unit)
    rows = np.arange(n_draws) % posterior.n_draws
    stated = float(unit.census.expected["mean_airways"].sum())
    level = ((posterior.arrivals * posterior.mean_stays).sum(axis=1) * posterior.bedded)[rows]
    fixed = posterior.fixed.sum()
    if not posterior.arrivals.any():
        counted = max(fixed - stated, 1e-9)
        same = counted * np.tile(rng.standard_gamma(max(counted, 0.5), (n_draws, 1)) / max(counted, 0.5), (1, months))
        return same, same
    level = np.maximum(level - stated * posterior.bedded[rows], 1e-9)
    law, _ = _law_and_bursts(posterior)
    apart = np.abs(np.arange(months)[:, None] - np.arange(months)[None, :])
    roots = [_root(_joined(part[apart], came))
             for part, came in zip(_by_month(law, months), _arrivals_by_month(law, months))]
    first, second = rng.standard_normal((2, n_draws, 2 * months))
    chance = first @ roots[0].T / np.sqrt(level)[:, None]
    chance += second @ roots[1].T * np.sqrt(posterior.burst[rows])[:, None]
    paths = _at_mean(np.maximum(1 + chance, 0.0) * level[:, None], np.full(2 * months, level.mean()))
    return paths[:, :months], paths[:, months:]
