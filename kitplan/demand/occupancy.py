"""Who is in the unit during one interval: arrivals played from long before it, in every scenario at once.

A scenario takes one draw of what is not known (`Posterior`), a time of year and the busy weeks around it; arrivals are
then Poisson, and those of the past are thinned by the chance of still being there, so that present airways and their
ages follow without playing anybody who has left (an M/G/infinity unit with a rate that varies; thinning of Poisson
processes, Lewis & Shedler, Nav Res Logist Q 1979;26:403, from memory). Where beds may bind, the last weeks are played
arrival by arrival, and who finds every bed taken does not come.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from kitplan.demand.arrivals import WEEK_DAYS, YEAR_DAYS, mean_season, waves
from kitplan.demand.beds import bedded, may_fill, overfull
from kitplan.demand.posterior import Known, Posterior, census_means, fit_posterior, own_stays
from kitplan.demand.streams import fingerprints, name_key, uniforms
from kitplan.demand.values import Episodes
from kitplan.read.values import STRATUM_KEY, Unit

LONG_AGO_DAYS = 400.0
"""Airways that neither come nor go have been there for so long."""
_WEEKS_BACK = (1, 1, 1, 1, 1, 1, 2, 4, 4)
"""Weeks of the past that share a burst; longer stretches the further back, and the rest in one piece without."""
_GOLDEN = 0.6180339887498949
"""Times of year of consecutive scenarios are so far apart: every parameter draw sees the whole year."""
_NEGLIGIBLE = 1e-4
_MOST_STAY_CHECKS = 20_000
_MOST_PRIOR_CHECKS = 1_000_000
"""Checks before the interval at most: few ends allow stays without end, and a securement forgets long before."""


def interval_checks(unit: Unit, days: float) -> int:
    """Checks that fall into an interval of `days` days, at least one."""
    return max(round(days * unit.checks_per_day), 1)


@lru_cache(maxsize=16)
def stratum_keys(unit: Unit) -> np.ndarray:
    """A key for each stratum made of its own description, so that other strata do not change its draws."""
    keys = unit.strata[STRATUM_KEY].assign(size=unit.strata["size"].str.removesuffix(" mm"))
    return np.array([name_key(*row) for row in keys.itertuples(index=False)], dtype=np.uint64)


def scenario_draws(posterior: Posterior, n_scenarios: int) -> np.ndarray:
    """Parameter draw of each scenario, int (n_scenarios,), not decreasing, equally many each but for rounding."""
    return (np.arange(n_scenarios) * posterior.n_draws) // n_scenarios


def sample_episodes(
    unit: Unit,
    days: float,
    n_scenarios: int,
    seed: int,
    stream: str,
    posterior: Posterior | None = None,
) -> Episodes:
    """Draw the airways of `n_scenarios` intervals of `days` days, which begin at any time of the year.

    posterior: what is not known (default: the half of the unit's own that belongs to the stream).
    The draws of one airway depend on (seed, stream, scenario, its own key) only.
    """
    posterior = posterior or fit_posterior(unit).of_stream(stream)
    every = np.arange(n_scenarios)
    draw = scenario_draws(posterior, n_scenarios)
    begins = (every * _GOLDEN + uniforms(seed, f"{stream}/season", 0)) % 1.0 * YEAR_DAYS
    play = _Play(unit, posterior, days, every, draw, begins, seed, stream)
    parts = [_fixed_airways(play)]
    if posterior.arrivals.max(initial=0.0) > 0:
        parts.append(_moving_airways(play))
    return _episodes(play, _joined(parts))


@dataclass(frozen=True)
class _Airways:
    """Airways of all scenarios, flat: scenario, stratum, key, and start and stop in days since the interval began."""

    scenario: np.ndarray
    stratum: np.ndarray
    key: np.ndarray
    start: np.ndarray
    stop: np.ndarray

    def only(self, mine: np.ndarray) -> _Airways:
        return _Airways(self.scenario[mine], self.stratum[mine], self.key[mine], self.start[mine], self.stop[mine])


@dataclass(frozen=True)
class _Play:
    """What one call draws; see `sample_episodes`. scenarios: their numbers; draw, day_of_year of each; all (n,)."""

    unit: Unit
    posterior: Posterior
    days: float
    scenarios: np.ndarray
    draw: np.ndarray
    day_of_year: np.ndarray
    seed: int
    stream: str

    @property
    def keys(self) -> np.ndarray:
        return stratum_keys(self.unit)

    def uniforms(self, use: str, *counters: np.ndarray) -> np.ndarray:
        return uniforms(self.seed, f"{self.stream}/{use}", *counters)


def _joined(parts: list[_Airways]) -> _Airways:
    if len(parts) == 1:
        return parts[0]
    names = ("scenario", "stratum", "key", "start", "stop")
    return _Airways(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def _episodes(play: _Play, airways: _Airways) -> Episodes:
    """Airways as checks before and within the interval; the check at its very beginning lies before it."""
    per_day = play.unit.checks_per_day
    n_checks = interval_checks(play.unit, play.days)
    fresh = airways.start >= 0
    begun = np.floor(airways.start * per_day)
    checks = np.clip(np.floor(airways.stop * per_day), None, n_checks) - np.maximum(begun, 0)
    prior = np.minimum(np.where(fresh, 0, np.ceil(-airways.start * per_day)), _MOST_PRIOR_CHECKS)
    return Episodes(
        len(play.scenarios),
        airways.scenario.astype(np.int32),
        airways.stratum.astype(np.int16),
        np.clip(checks, 0, n_checks).astype(np.int16),
        prior.astype(np.int32),
        fresh,
        airways.key,
        airways.start.astype(np.float32),
        airways.stop.astype(np.float32),
        play.draw.astype(np.int32),
        play.day_of_year.astype(np.float32),
    )


def _expand(counts: np.ndarray, keys: np.ndarray, kind: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(row, stratum, airway key) of each of counts[row, stratum] airways, numbered within their stratum."""
    flat = counts.ravel()
    pair = np.repeat(np.arange(flat.size), flat)
    number = np.arange(flat.sum()) - np.repeat(np.cumsum(flat) - flat, flat)
    row, stratum = np.divmod(pair, counts.shape[1])
    with np.errstate(over="ignore"):
        key = keys[stratum] * np.uint64(31) + np.uint64(kind) + (number.astype(np.uint64) << np.uint64(20))
    return row, stratum, key


def _fixed_airways(play: _Play) -> _Airways:
    """Airways that neither come nor go; a mean that is no whole number is a Poisson count."""
    mean, keys = play.posterior.fixed, play.keys
    u = play.uniforms("present", keys[None, :], play.scenarios[:, None])
    whole = np.isclose(mean, np.round(mean))
    counts = np.where(whole, np.round(mean).astype(np.int64), _poisson_counts(np.broadcast_to(mean, u.shape), u))
    scenario, stratum, key = _expand(counts, keys, 1)
    long = np.full(len(key), LONG_AGO_DAYS)
    return _Airways(scenario, stratum, key, -long, play.days + long)


def _poisson_counts(mean: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Poisson counts by inversion (so that a larger mean never gives fewer), for all elements at once.

    Means over 60 take the Cornish-Fisher quantile, which is within one of the exact one there.
    """
    counts = np.zeros(mean.size, dtype=np.int64)
    m, u = mean.ravel(), u.ravel()
    large = m > 60
    if large.any():
        from scipy.special import ndtri

        z = ndtri(u[large])
        top = m[large] + z * np.sqrt(m[large]) + (z**2 - 1) / 6 - z * (z**2 - 1) / (72 * np.sqrt(m[large]))
        counts[large] = np.maximum(np.ceil(top - 0.5), 0)
    rising = np.flatnonzero(~large & (m > 0))
    m, u = m[rising], u[rising]
    chance = np.exp(-m)
    below, k = chance.copy(), 0
    while len(rising):
        above = u > below
        rising, m, u, chance, below = rising[above], m[above], u[above], chance[above], below[above]
        counts[rising] += 1
        k += 1
        chance = chance * m / k
        below = np.where((chance > 1e-18) | (k < m), below + chance, 1.0)
    return counts.reshape(mean.shape)


# -- airways that come and go -------------------------------------------------------------------------------------


def _moving_airways(play: _Play) -> _Airways:
    """Airways in place when the interval begins or arriving in it.

    With beds as a bound those in place are Poisson cut off at the beds, as in a unit that turns away (M/G/c/c; the law
    of the stay does not matter: Erlang's loss law, Takacs 1969, from memory): scenarios with more are drawn anew. Then
    whoever arrives and finds every bed taken does not come.
    """
    weeks, beds = _weeks(play), play.posterior.beds
    present = _present(play, weeks, None)
    if beds is None or not may_fill(play.posterior, beds):
        return _joined([present, _arriving(play, weeks)])
    over = np.bincount(present.scenario, minlength=len(play.scenarios)) > beds
    if over.any():
        again = replace(play, scenarios=play.scenarios[over], draw=play.draw[over], day_of_year=play.day_of_year[over],
                        stream=f"{play.stream}/beds")
        anew = _present(again, replace(weeks, busy_past=weeks.busy_past[over]), beds)
        anew = replace(anew, scenario=np.flatnonzero(over)[anew.scenario])
        present = _joined([present.only(~over[present.scenario]), anew])
    airways = _joined([present, _arriving(play, weeks)])
    crowded = overfull(airways.scenario, airways.start, airways.stop, beds, play.days, len(play.scenarios))
    tight = np.flatnonzero(crowded[airways.scenario])
    stays = np.ones(len(airways.key), dtype=bool)
    number = np.cumsum(crowded)[airways.scenario[tight]] - 1
    stays[tight] = bedded(number, airways.start[tight], airways.stop[tight], beds, int(crowded.sum()))
    return airways.only(stays)


@dataclass(frozen=True)
class _Weeks:
    """Stretches of time and how busy each is. past, ahead: edges in days, (n_draws, n + 1) each, past from the latest
    back to the earliest; busy_past (n_scenarios, n_past), busy_ahead (n_scenarios, n_ahead): arrivals over their mean.
    """

    past: np.ndarray
    ahead: np.ndarray
    busy_past: np.ndarray
    busy_ahead: np.ndarray


def _weeks(play: _Play) -> _Weeks:
    """Weeks before and within the interval, whose limits lie at a random moment for each parameter draw."""
    posterior = play.posterior
    n_draws = posterior.n_draws
    phase = WEEK_DAYS * play.uniforms("phase", np.arange(n_draws))[:, None]
    back = np.concatenate([[0.0], np.cumsum(_WEEKS_BACK)[:-1]]) * WEEK_DAYS
    past = -np.concatenate([np.zeros((n_draws, 1)), WEEK_DAYS - phase + back], axis=1)
    past = np.concatenate([past, np.full((n_draws, 1), -np.inf)], axis=1)
    n_ahead = int(np.ceil(play.days / WEEK_DAYS)) + 1
    ahead = np.concatenate([np.zeros((n_draws, 1)), phase + WEEK_DAYS * np.arange(n_ahead)], axis=1)
    ahead = np.minimum(ahead, play.days)
    busy_past, busy_ahead = _bursts(play, n_ahead)
    if posterior.swing.any():
        middle_past = np.concatenate([(past[:, :-2] + past[:, 1:-1]) / 2, past[:, -2:-1] - 30.0], axis=1)
        busy_past = busy_past * _seasons(play, middle_past)
        busy_ahead = busy_ahead * _seasons(play, (ahead[:, :-1] + ahead[:, 1:]) / 2)
    return _Weeks(past, ahead, busy_past, busy_ahead)


def _bursts(play: _Play, n_ahead: int) -> tuple[np.ndarray, np.ndarray]:
    """Gamma factors of the weeks back and ahead; the current week is one of each. No burst in the distant past.

    Gamma quantiles by the cube-root normal (Wilson & Hilferty, PNAS 1931;17:684, from memory): one number a week,
    which a small change of v changes but little.
    """
    from scipy.special import ndtri

    v, draw = play.posterior.burst, play.draw
    n_past = len(_WEEKS_BACK) + 1
    if not v.any():
        return np.ones((len(draw), n_past)), np.ones((len(draw), n_ahead))
    scenario, week = play.scenarios[:, None], np.arange(n_past + n_ahead - 2)[None, :]
    z = ndtri(play.uniforms("burst", scenario, week))
    weeks = np.concatenate([_WEEKS_BACK, np.ones(n_ahead - 1)])
    ninth = v[draw][:, None] / weeks / 9
    factor = np.maximum(1 - ninth + z * np.sqrt(ninth), 0.0) ** 3
    past = np.concatenate([factor[:, : n_past - 1], np.ones((len(draw), 1))], axis=1)
    return past, np.concatenate([factor[:, :1], factor[:, n_past - 1 :]], axis=1)


def _seasons(play: _Play, middle: np.ndarray) -> np.ndarray:
    """Season at the middles (n_draws, n) of stretches, for the time of year of each scenario: (n_scenarios, n)."""
    swing, draw = play.posterior.swing, play.draw
    day = play.day_of_year[:, None] + middle[draw]
    wave = waves(day) @ swing[draw][:, :, None]
    return np.exp(wave[:, :, 0]) / mean_season(swing)[draw][:, None]


def _by_draw(play: _Play, busy: np.ndarray, table: np.ndarray) -> np.ndarray:
    """busy (n, n_stretches) times table (n_draws, n_stretches, n_strata) of each scenario's draw: (n, n_strata)."""
    n_draws = play.posterior.n_draws
    if np.array_equal(play.draw, np.repeat(np.arange(n_draws), len(busy) // n_draws)):
        return (busy.reshape(n_draws, -1, busy.shape[1]) @ table).reshape(len(busy), -1)
    return np.einsum("si,sig->sg", busy, table[play.draw])


def _pick(
    busy: np.ndarray, table: np.ndarray, found: tuple[np.ndarray, np.ndarray, np.ndarray], target: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Stretch of each airway, chosen by busy x table, and where in it (0 to 1).

    found: scenario, stratum and draw; target: where in the sum over all stretches the airway lies.
    """
    scenario, stratum, draw = found
    target = target.copy()
    piece, place = np.zeros(len(target), dtype=np.int64), np.zeros(len(target))
    rising, last = np.arange(len(target)), busy.shape[1] - 1
    for i in range(busy.shape[1]):
        weight = busy[scenario[rising], i] * table[draw[rising], i, stratum[rising]]
        here = (target[rising] < weight) | (i == last)
        mine = rising[here]
        piece[mine] = i
        place[mine] = np.clip(target[mine] / np.maximum(weight[here], 1e-300), 0.0, 1.0)
        target[rising] -= weight
        rising = rising[~here]
        if not len(rising):
            break
    return piece, place


def _present(play: _Play, weeks: _Weeks, beds: int | None) -> _Airways:
    """Airways in place when the interval begins: arrivals of each stretch of the past, thinned by the chance of still
    being there; no more than `beds` where that is given.
    """
    posterior, stays = play.posterior, play.posterior.stays
    factor = posterior.stay_factor
    ages = -weeks.past[:, :, None] / factor[:, None, :]
    draws = np.arange(posterior.n_draws)[:, None, None]
    area = stays.area(draws, ages)
    table = np.diff(area, axis=1) * (factor * posterior.arrivals)[:, None, :]
    mean = _by_draw(play, weeks.busy_past, table)
    if beds is None:
        counts = _poisson_counts(mean, play.uniforms("present", play.keys[None, :], play.scenarios[:, None]))
    else:
        counts = _counts_within(play, mean, beds)
    scenario, stratum, key = _expand(counts, play.keys, 1)
    found = scenario, stratum, play.draw[scenario]
    draw, name = found[2], fingerprints(play.scenarios[scenario], key)
    target = mean[scenario, stratum] * play.uniforms("moment", name)
    piece, place = _pick(weeks.busy_past, table, found, target)
    low, high = area[draw, piece, stratum], area[draw, piece + 1, stratum]
    age, gone = stays.ages(draw, low + place * (high - low))
    length = stays.lengths(draw, gone - np.log(play.uniforms("length", name)))
    scale = factor[draw, stratum]
    start = -age * scale
    return _Airways(scenario, stratum, key, np.minimum(start, -1e-6), start + np.maximum(length, age) * scale)


def _counts_within(play: _Play, mean: np.ndarray, beds: int) -> np.ndarray:
    """Counts of shape (n, n_strata) that are Poisson with these means but for being no more than `beds` together."""
    from scipy.special import pdtr

    total = mean.sum(axis=1)
    within = pdtr(beds, total)
    number = _poisson_counts(total, play.uniforms("present", play.scenarios) * np.maximum(within, 1e-12))
    number = np.where(within > 1e-12, np.minimum(number, beds), beds)
    owner = np.repeat(np.arange(len(number)), number)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number)
    lot = play.uniforms("kind", play.scenarios[owner], place) * total[owner]
    kind = (lot[:, None] >= np.cumsum(mean, axis=1)[owner, :-1]).sum(axis=1)
    return np.bincount(owner * mean.shape[1] + kind, minlength=mean.size).reshape(mean.shape)


def _arriving(play: _Play, weeks: _Weeks) -> _Airways:
    """Airways that arrive in the interval."""
    posterior = play.posterior
    table = np.diff(weeks.ahead, axis=1)[:, :, None] * posterior.arrivals[:, None, :]
    mean = _by_draw(play, weeks.busy_ahead, table)
    counts = _poisson_counts(mean, play.uniforms("arrive", play.keys[None, :], play.scenarios[:, None]))
    scenario, stratum, key = _expand(counts, play.keys, 2)
    found = scenario, stratum, play.draw[scenario]
    draw, name = found[2], fingerprints(play.scenarios[scenario], key)
    target = mean[scenario, stratum] * play.uniforms("moment", name)
    piece, place = _pick(weeks.busy_ahead, table, found, target)
    low, high = weeks.ahead[draw, piece], weeks.ahead[draw, piece + 1]
    start = low + place * (high - low)
    length = posterior.stays.lengths(draw, -np.log(play.uniforms("length", name)))
    return _Airways(scenario, stratum, key, start, start + length * posterior.stay_factor[draw, stratum])


# -- what the means say ---------------------------------------------------------------------------------------------


def mean_airways(unit: Unit) -> np.ndarray:
    """Mean number of airways in place that the census shows, by stratum, (n_strata,); expected strata as stated."""
    return census_means(unit)[0]


def arrivals_per_day(unit: Unit) -> np.ndarray:
    """Mean arrivals a day that the census shows, by stratum, (n_strata,); zeros where no turnover is known."""
    return census_means(unit)[1]


@lru_cache(maxsize=256)
def _stay_tail(known: Known, stratum: int) -> np.ndarray:
    """Chance that a stay of a stratum holds at least k checks, k = 0, 1, ..., until it is negligible.

    The unit's own stays by Kaplan-Meier (open ends are right-censored), each kind with its factor, and what is left
    at the steady pace; else the log-normal, averaged over its draws. A stay of x checks holds floor(x) or one more.
    """
    unit, tail = known.unit, np.ones(1)
    times, mass = own_stays(unit)
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


def stay_checks_pmf(unit: Unit, stratum: int, n_max: int | None = None) -> np.ndarray:
    """PMF of the number of checks in a whole stay of a stratum, as long as it takes; checks come at any phase.

    n_max: longer stays count as n_max (shape (n_max + 1,)). Without turnover every stay is as long as can be.
    """
    if fit_posterior(unit).fixed[stratum] > 0:
        n_max = round(LONG_AGO_DAYS * unit.checks_per_day) if n_max is None else n_max
        return np.eye(1, n_max + 1, n_max)[0]
    tail = _stay_tail(Known(unit), stratum)
    pmf = np.append(tail[:-1] - tail[1:], tail[-1])
    if n_max is None or len(pmf) <= n_max:
        return pmf if n_max is None else np.pad(pmf, (0, n_max + 1 - len(pmf)))
    return np.append(pmf[:n_max], pmf[n_max:].sum())
