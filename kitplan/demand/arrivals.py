"""How many airways come: level, yearly swing and busy weeks, from arrivals by the week or from daily counts.

Arrivals of all kinds together are Poisson in a week, with mean level x season x burst; the burst of a week is gamma
with mean 1 and variance v, so that counts of weeks are negative binomial. v has a grid of values with an exponential
prior; for each the other parameters have a Laplace approximation, and its weight is the Laplace evidence. Busy weeks
may come alone or go on for weeks: the bursts of weeks k apart have correlation lasting ** k. The level itself may
drift, as a random walk; what is planned for is where it stands when the history ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from kitplan.demand.stays import StayLaw
from kitplan.demand.streams import even_normals, even_uniforms
from kitplan.read.days import MONTH_DAYS, WEEK_DAYS, YEAR_DAYS

BURST_GRID = np.array([0.0, 0.006, 0.015, 0.03, 0.05, 0.08, 0.12, 0.18, 0.27, 0.4, 0.7])
BURST_MEAN, BURST_NONE = 0.1, 0.3
"""Prior of v: with chance BURST_NONE there are no bursts, else exponential with this mean (busy weeks of about 0.3 over
the mean); estimate, no source."""
LASTING_GRID = np.array([0.0, 0.5, 0.85])
LASTING_WEIGHT = np.array([0.3, 0.3, 0.4])
"""Prior of how bursts last: each week by itself, for a week or two, for a month or two. Estimates, no source."""
DRIFT_GRID = np.array([0.0, 0.04, 0.12])
DRIFT_WEIGHT = np.array([0.5, 0.3, 0.2])
"""Prior of the drift: deviation of the level's random walk, share of it a root of a month. Estimates, no source."""
_LASTING = np.repeat(LASTING_GRID, len(DRIFT_GRID))
_CHANCE = np.outer(LASTING_WEIGHT, DRIFT_WEIGHT).ravel()
"""The ways that bursts and level may go; the first knows neither bursts that last nor drift."""
SWING_GRID = np.array([0.001, 0.07, 0.18, 0.4])
SWING_WEIGHT = np.array([0.3, 0.3, 0.25, 0.15])
OVERTONE = 0.4
"""Prior of the yearly wave: normal parts whose standard deviation has the chances SWING_WEIGHT of being each of
SWING_GRID (none, slight, strong, very strong); two turns a year have OVERTONE of it. Estimates, no source."""
UNTOLD_WEIGHT = np.array([0.35, 0.35, 0.3, 0.0])
"""The same where the history is shorter than a year, so that nothing tells: no very strong wave is believed. What is
not seen is still not sure: taken as none, plans of half a year were about a point less ready than they claimed."""
_LEVEL_SD = 2.0
_MOST_DAYS = 600
_MOST_VALUES = 200
"""Longer series are taken in sums or means of neighbours, whose covariances follow exactly."""
_STEP_DAYS = 0.25
_LONGEST_DAYS = 300.0


@dataclass(frozen=True)
class Level:
    """Draws of what all kinds share. level: shape (n_draws,), mean over the year and over bursts, as it stands when the
    history ends; of daily counts over their mean, as far as more than counting tells of it. swing: (n_draws, 4); burst:
    (n_draws,), variance of the weekly factor; lasting: (n_draws,), its correlation from one week to the next.
    independent_days: of daily counts, days that would say as much if no airway stayed from one to the next.
    """

    level: np.ndarray
    swing: np.ndarray
    burst: np.ndarray
    lasting: np.ndarray
    independent_days: float = 0.0


def waves(day_of_year: np.ndarray) -> np.ndarray:
    """cos and sin of one and of two turns a year, shape (..., 4)."""
    angle = 2 * np.pi * np.asarray(day_of_year)[..., None] / YEAR_DAYS
    return np.concatenate([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)], axis=-1)


def turned(swing: np.ndarray, days: np.ndarray) -> np.ndarray:
    """What `waves` of a day are weighed with to give the wave so many days later; (n_draws, n_days, 4).

    swing: (n_draws, 4); days: (n_draws, n_days). By the sums of angles: nothing is left to do but a product.
    """
    cos, sin, cos2, sin2 = np.moveaxis(waves(days), -1, 0)
    a, b, c, d = (swing[:, k, None] for k in range(4))
    return np.stack([a * cos + b * sin, b * cos - a * sin, c * cos2 + d * sin2, d * cos2 - c * sin2], axis=-1)


def mean_season(swing: np.ndarray) -> np.ndarray:
    """Mean over the year of exp(swing . waves), shape (n_draws,)."""
    return np.exp(swing @ waves(np.arange(24) * YEAR_DAYS / 24).T).mean(axis=1)


def season(swing: np.ndarray, day_of_year: np.ndarray) -> np.ndarray:
    """Arrivals on a day of the year over their mean over the year, shape (n_draws, len(day_of_year))."""
    return np.exp(swing @ waves(day_of_year).T) / mean_season(swing)[:, None]


def stated_swing(share: float, month: int) -> np.ndarray:
    """The wave of one turn a year whose highest month lies `share` above the mean of the year, shape (4,)."""
    height = 0.0
    for _ in range(50):
        height = np.log1p(share) + np.log(np.exp(height * np.cos(np.arange(24) * np.pi / 12)).mean())
    angle = 2 * np.pi * (month - 0.5) / 12
    return height * np.array([np.cos(angle), np.sin(angle), 0.0, 0.0])


@dataclass(frozen=True)
class Season:
    """What is known of the yearly swing before the history is looked at.

    day_of_year: of the first day. told: the history holds a whole year, so that it can tell. stated: what the unit says
    itself, shape (4,); it is then known.
    """

    day_of_year: float
    told: bool
    stated: np.ndarray | None = None

    @property
    def middle(self) -> np.ndarray:
        return np.zeros(4) if self.stated is None else self.stated

    @property
    def sure(self) -> bool:
        """Whether anything tells of the swing."""
        return self.told or self.stated is not None

    @property
    def said(self) -> tuple[str, ...]:
        """What to tell a person of it, if anything."""
        if self.stated is not None:
            return ("Yearly swing of arrivals: as the unit states it.",)
        return () if self.told else (
            "The history is shorter than a year and tells of no yearly swing: a modest one is allowed for.",)

    @property
    def parts(self) -> list[tuple[float, float]]:
        """The normal parts of the prior: (standard deviation, chance) each."""
        if self.stated is not None:
            return [(float(SWING_GRID[0]), 1.0)]
        weights = SWING_WEIGHT if self.told else UNTOLD_WEIGHT
        return [(sd, weight) for sd, weight in zip(SWING_GRID, weights) if weight > 0]


def learn_days(counts: np.ndarray, known: np.ndarray, season: Season, n_draws: int, seed: int) -> Level:
    """Draw level, swing and burst from arrivals by the day.

    counts, known: shape (n_days,), arrivals of each day and the part of it that is on record. Where in the week a burst
    begins is not known: the seven ways to cut the days into weeks are weighed by their evidence. Bursts that last, and
    drift, are weighed against bursts of one week by a normal approximation, on the first of these cuts.
    """
    prior = np.diag([_LEVEL_SD**-2.0, *swing_precision(SWING_GRID[-1])])
    centre = np.array([np.log((counts.sum() + 0.5) / max(known.sum(), 1.0)), *season.middle])
    day = np.arange(len(counts))
    week = (day + np.arange(WEEK_DAYS)[:, None]) // WEEK_DAYS
    days, came, passed, many = (
        np.stack([np.bincount(way, weights, week.max() + 1) for way in week])
        for weights in (known, counts, day, np.ones(len(day))))
    middle = season.day_of_year + 0.5 + passed / np.maximum(many, 1)
    design = np.concatenate([np.ones((*days.shape, 1)), waves(middle)], axis=-1)
    came = np.where(days > 0, came, 0.0)
    fits = _laplace(came, days, design, BURST_GRID, centre, prior)
    own = np.flatnonzero(days[0])
    others = _other_fits(came[0, own], days[0, own], design[0, own], own, fits[: len(BURST_GRID)], centre, prior)
    lasting = np.concatenate([np.zeros(WEEK_DAYS), _LASTING[1:]])
    chances = np.concatenate([np.full(WEEK_DAYS, _CHANCE[0] / WEEK_DAYS), _CHANCE[1:]])
    drawn, _, burst, lasts = _draw(fits + others, lasting, chances, season, n_draws, seed)
    swing = season.middle + drawn[:, 1:]
    return Level(np.exp(centre[0] + drawn[:, 0]) * mean_season(swing), swing, burst, lasts)


def _other_fits(
    counts: np.ndarray, days: np.ndarray, design: np.ndarray, week: np.ndarray, fits: list[_Fit], centre: np.ndarray,
    prior: np.ndarray,
) -> list[_Fit]:
    """For each way but the first and each of BURST_GRID: the fit of bursts that last and of drift.

    fits: those of the first way, by BURST_GRID. Counts are taken as normal about them, with the covariance of Poisson
    numbers whose means share bursts and walk; what the evidence gains over the first way is added to theirs.
    """
    if not len(week):
        return fits * (len(_LASTING) - 1)
    first = _neighbours(len(week))
    apart = np.abs(week[:, None] - week[None, :])
    walk = _walk(WEEK_DAYS * (week.max() - week))
    found: list[list[_Fit]] = [[] for _ in _LASTING[1:]]
    for v, alone in zip(BURST_GRID, fits):
        mean = days * np.exp(np.clip(design @ (alone.middle + centre), -30, 30))
        both, slope = mean[:, None] * mean[None, :], mean[:, None] * design
        seen = np.add.reduceat(counts - mean + slope @ alone.middle, first)
        own, slope = np.add.reduceat(mean, first), np.add.reduceat(slope, first)
        shared = [_summed(both * lasting**apart, first) for lasting in LASTING_GRID]
        drift = _summed(both * walk, first)
        base, *more = (
            _least_squares(seen, slope, np.diag(own) + v * bursts + d**2 * drift, prior)
            for bursts in shared for d in DRIFT_GRID
        )
        for mine, fit in zip(found, more):
            mine.append(replace(fit, evidence=alone.evidence + fit.evidence - base.evidence))
    return [fit for mine in found for fit in mine]


def _neighbours(n: int) -> np.ndarray:
    """Where each of no more than _MOST_VALUES runs of as many neighbours begins."""
    return np.arange(0, n, max(int(np.ceil(n / _MOST_VALUES)), 1))


def _summed(matrix: np.ndarray, first: np.ndarray) -> np.ndarray:
    """Sums of a matrix over runs of rows and of columns."""
    found: np.ndarray = np.add.reduceat(np.add.reduceat(matrix, first, axis=0), first, axis=1)
    return found


def _walk(days_ago: np.ndarray) -> np.ndarray:
    """Covariance of a random walk seen from its end, with variance 1 a month, so many days before it."""
    return np.minimum(days_ago[:, None], days_ago[None, :]) / MONTH_DAYS


def swing_precision(sd: float) -> np.ndarray:
    return np.array([sd, sd, OVERTONE * sd, OVERTONE * sd]) ** -2.0


@dataclass(frozen=True)
class _Fit:
    """A normal posterior under the widest swing: middle (5,) off the prior's centre, precision (5, 5), log evidence."""

    middle: np.ndarray
    precision: np.ndarray
    evidence: float


def _draw(
    fits: list[_Fit], lasting: np.ndarray, chances: np.ndarray, season: Season, n_draws: int, seed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Draw parameters (n_draws, 5), with mean and deviation of the first (2, n_draws), v and lasting (n_draws,).

    fits: v within each way; lasting, chances: of each way, what it is drawn with and its prior.

    The posterior under a narrower prior of the swing follows from that under the widest without fitting again.
    """
    middle, precision = np.stack([f.middle for f in fits]), np.stack([f.precision for f in fits])
    evidence = np.array([f.evidence for f in fits]) + np.repeat(np.log(chances), len(BURST_GRID))
    pull = (precision @ middle[:, :, None])[:, :, 0]
    kinds = []
    for sd, share in season.parts:
        own = precision + np.diag([0, *(swing_precision(sd) - swing_precision(SWING_GRID[-1]))])
        place = np.linalg.solve(own, pull[:, :, None])[:, :, 0]
        gain = (place * pull).sum(axis=1) - (middle * pull).sum(axis=1)
        lost = np.linalg.slogdet(own)[1] - np.log(swing_precision(sd)).sum()
        kinds.append((place, own, evidence + np.log(share) + (gain - lost) / 2))
    place, own = (np.concatenate([kind[i] for kind in kinds]) for i in (0, 1))
    weight = np.concatenate([kind[2] for kind in kinds]).reshape(-1, len(BURST_GRID))
    which, burst = _draw_burst(weight, n_draws, seed)
    z = np.column_stack([even_normals(seed, f"arrivals/{i}", n_draws) for i in range(5)])
    root = np.linalg.cholesky(np.linalg.inv(own))
    level = np.stack([place[which, 0], root[which, 0, 0]])
    lasts = lasting[which // len(BURST_GRID) % len(lasting)]
    return place[which] + np.einsum("pij,pj->pi", root[which], z), level, burst, lasts


def _draw_burst(evidence: np.ndarray, n_draws: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Fit and variance of each draw, from log evidence of shape (n_ways, len(BURST_GRID)) and the prior of v."""
    upper = np.append((BURST_GRID[1:] + BURST_GRID[:-1]) / 2, BURST_GRID[-1])
    upper[0] = 0.0
    lower = np.concatenate([[0.0], upper[:-1]])
    prior = (1 - BURST_NONE) * (np.exp(-lower / BURST_MEAN) - np.exp(-upper / BURST_MEAN))
    prior[0] = BURST_NONE
    weight = (np.exp(evidence - evidence.max()) * prior).T.ravel()
    weight /= weight.sum()
    total = np.cumsum(weight)
    u = even_uniforms(seed, "burst", n_draws)[:, 0]
    place = np.minimum(np.searchsorted(total, u), len(total) - 1)
    within = (u - np.concatenate([[0.0], total])[place]) / np.maximum(weight[place], 1e-12)
    cell, way = np.divmod(place, len(evidence))
    v = lower[cell] + within.clip(0, 1) * (upper - lower)[cell]
    return way * len(BURST_GRID) + cell, v


def _laplace(
    counts: np.ndarray, days: np.ndarray, design: np.ndarray, v: np.ndarray, centre: np.ndarray, prior: np.ndarray
) -> list[_Fit]:
    """Negative binomial regression (Poisson where v = 0) with a normal prior about `centre`: Laplace approximation.

    counts, days: (n_ways, n_weeks), weeks of no days tell nothing. design: (n_ways, n_weeks, 5). One fit for each way
    and each of v, way after way, all found at once.
    """
    from scipy.special import gammaln, xlogy

    counts, days, across = counts[:, None], days[:, None], design.swapaxes(1, 2)[:, None]
    v, design = v[:, None], design[:, None]
    away = np.zeros((len(counts), len(v), len(centre)))
    for _ in range(60):
        mean = days * np.exp(np.clip((design @ (away + centre)[..., None])[..., 0], -30, 30))
        slope = (across @ ((counts - mean) / (1 + v * mean))[..., None])[..., 0] - away @ prior
        bend = (across * (mean / (1 + v * mean))[..., None, :]) @ design + prior
        step = np.linalg.solve(bend, slope[..., None])[..., 0]
        away = away + np.clip(step, -2, 2)
        if np.abs(step).max() < 1e-6:
            break
    mean = days * np.exp(np.clip((design @ (away + centre)[..., None])[..., 0], -30, 30))
    burst = np.where(v > 0, v, 1.0)
    fit = np.where(v > 0, gammaln(counts + 1 / burst) - gammaln(1 / burst) + xlogy(counts, burst * mean)
                   - (counts + 1 / burst) * np.log1p(burst * mean), xlogy(counts, mean) - mean)
    evidence = fit.sum(axis=-1) - np.einsum("wvp,pq,wvq->wv", away, prior, away) / 2
    return [_Fit(*found) for way in zip(away, bend, evidence.tolist()) for found in zip(*way)]


def learn_counts(
    total: np.ndarray, day: np.ndarray, law: StayLaw, season: Season, n_draws: int, seed: int
) -> Level:
    """Learn from airways in place, all kinds together, day by day.

    total: shape (n_days,), counts; day: which day each is of. law: the stay (its first draw is used). Mean, variance
    and correlation in time are those of a unit without limit (M/G/infinity) whose arrivals come in bursts: covariance
    m r(k) + v m^2 b(k), r the chance that one present is there k days later, b the like for the weekly factor. Normal
    approximation, generalised least squares, evidence for each v.
    """
    keep = slice(None, None, max(int(np.ceil(len(total) / _MOST_DAYS)), 1))
    every, total, day = float(total.mean()), total[keep].astype(float), day[keep]
    lag = np.abs(day[:, None] - day[None, :]).astype(int)
    by_lag = [correlation(law, int(lag.max()) + 1, lasting) for lasting in LASTING_GRID]
    alone = by_lag[0][0][lag]
    independent = float(np.linalg.solve(alone, np.ones(len(day))).sum())
    mean = max(every, 0.5 / independent)
    wave = _filtered(waves(season.day_of_year + day), _gain(law))
    design = mean * np.column_stack([np.ones(len(day)), wave])
    prior = np.diag([1e-6, *swing_precision(SWING_GRID[-1])])
    total = total - mean * wave @ season.middle
    first = _neighbours(len(day))
    many = np.diff(np.append(first, len(day)))
    total, design = np.add.reduceat(total, first) / many, np.add.reduceat(design, first) / many[:, None]
    alone, drift, *bursts = (
        _summed(part, first) / np.outer(many, many)
        for part in (mean * alone, mean**2 * _walk(day.max() - day), *(mean**2 * part[1][lag] for part in by_lag))
    )
    fits = [_least_squares(total, design, alone + v * shared + d**2 * drift, prior)
            for shared in bursts for d in DRIFT_GRID for v in BURST_GRID]
    drawn, (middle, spread), burst, lasts = _draw(fits, _LASTING, _CHANCE, season, n_draws, seed)
    # What counting alone leaves open comes with the kinds: here only what the rest adds to it.
    more = np.sqrt(np.maximum(spread**2 - 1 / (mean * independent), 0.0)) / spread
    factor = np.maximum(middle + more * (drawn[:, 0] - middle), 0.05) * mean / max(every, 1e-9)
    return Level(factor, season.middle + drawn[:, 1:], burst, lasts, independent)


def _least_squares(y: np.ndarray, design: np.ndarray, cover: np.ndarray, prior: np.ndarray) -> _Fit:
    """y = design b + normal error of covariance `cover`, prior precision on b."""
    from scipy.linalg import cho_factor, cho_solve

    factor = cho_factor(cover + 1e-9 * np.eye(len(y)), lower=True)
    weighted = cho_solve(factor, np.column_stack([design, y]))
    bend = design.T @ weighted[:, :-1] + prior
    beta = np.linalg.solve(bend, design.T @ weighted[:, -1])
    explained = float(y @ weighted[:, -1] - beta @ bend @ beta)
    return _Fit(beta, bend, float(-np.log(np.diag(factor[0])).sum() - explained / 2))


def correlation(law: StayLaw, n_days: int, lasting: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """r(k) and b(k) of `learn_counts` for lags of 0..n_days-1 days, each shape (n_days,)."""
    lags = np.arange(n_days, dtype=float)
    alone = 1.0 - law.area(np.zeros(1, dtype=np.int64), lags) / law.mean[0]
    there, many = _still_there(law, n_days), round(1 / _STEP_DAYS)
    bursts = _alike(_STEP_DAYS * _turns(len(there)), lasting)
    shared = np.fft.irfft(np.abs(np.fft.rfft(there)) ** 2 * np.fft.rfft(bursts), len(there))[: n_days * many : many]
    return alone, shared * (_STEP_DAYS / law.mean[0]) ** 2


def correlation_of_arrivals(law: StayLaw, n_days: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """How arrivals of a day go with the airways in place (alone, shared) and with the arrivals (alone, shared) k days
    later, k from 1-n_days to n_days-1, each shape (2 n_days - 1,): all over their means, in the units of `correlation`.

    One who comes is there later with the chance of staying so long; arrivals of two days share the burst of a week.
    """
    one = np.zeros(1, dtype=np.int64)
    lags = np.arange(1.0 - n_days, n_days)
    alone = law.area(one, np.maximum(lags + 0.5, 0)) - law.area(one, np.maximum(lags - 0.5, 0))
    there = _still_there(law, n_days)
    bursts = _alike(_STEP_DAYS * (_turns(len(there)) - 0.5))
    shared = np.fft.irfft(np.fft.rfft(there) * np.fft.rfft(bursts), len(there))
    shared = shared[(lags / _STEP_DAYS).astype(int)] * _STEP_DAYS / law.mean[0]
    return alone, shared, np.where(lags == 0, law.mean[0], 0.0), _alike(lags)


def _still_there(law: StayLaw, n_days: int) -> np.ndarray:
    """Chance of staying longer than each middle of a step, with as many zeros behind as keep sums over lags of up to
    n_days apart from each other when they are worked out in a circle.
    """
    middles = np.arange(0.0, _LONGEST_DAYS, _STEP_DAYS) + _STEP_DAYS / 2
    alive = law.survival(np.zeros(1, dtype=np.int64), middles)
    return np.pad(alive, (0, len(alive) + 2 * round(max(_LONGEST_DAYS, n_days) / _STEP_DAYS)))


def _turns(size: int) -> np.ndarray:
    """Steps from the first place of a circle of `size` places to each, the shorter way."""
    return np.fft.fftfreq(size, 1 / size)


def _alike(apart: np.ndarray, lasting: float = 0.0) -> np.ndarray:
    """Correlation of the bursts of two moments so many days apart: weeks begin at any moment, so that the moments lie
    in weeks that are one of two numbers of weeks apart.
    """
    whole, part = np.divmod(np.abs(apart) / WEEK_DAYS, 1.0)
    return np.asarray(lasting**whole * (1 - part + part * lasting))


def _gain(law: StayLaw) -> np.ndarray:
    """How one and two turns a year in arrivals show in the airways in place: complex, shape (2,)."""
    age = np.arange(0.0, _LONGEST_DAYS, _STEP_DAYS) + _STEP_DAYS / 2
    turn = np.exp(-2j * np.pi * np.array([[1.0], [2.0]]) * age / YEAR_DAYS)
    alive = law.survival(np.zeros(1, dtype=np.int64), age)
    return (turn @ alive) / alive.sum()


def _filtered(wave: np.ndarray, gain: np.ndarray) -> np.ndarray:
    """Waves of arrivals as they show in the airways in place, shape (n_days, 4)."""
    whole = np.stack([wave[:, 0] + 1j * wave[:, 1], wave[:, 2] + 1j * wave[:, 3]], axis=1) * gain
    return np.column_stack([whole[:, 0].real, whole[:, 0].imag, whole[:, 1].real, whole[:, 1].imag])


def long_ago(turn: np.ndarray, days: np.ndarray) -> np.ndarray:
    """The wave `turn` (n_draws, 4) of a moment, as airways show it that came `days` before then on the mean.

    Taken as exponential, that lets a wave of frequency w through times 1 / (1 + i w days): late and flat, and of stays
    of years next to nothing (Eick, Massey & Whitt, Manag Sci 1993;39:241, from memory).
    """
    lag = 2j * np.pi / YEAR_DAYS * days[:, None]
    return _filtered(turn, 1.0 / (1.0 - lag * np.array([1, 2])))
