"""Who is in the unit during one interval: arrivals played from long before it, in every scenario at once.

A scenario takes one draw of what is not known (`Posterior`), a time of year and the busy weeks around it; arrivals are
then Poisson, and those of the past are thinned by the chance of still being there, so that present airways and their
ages follow without playing anybody who has left (an M/G/infinity unit with a rate that varies; thinning of Poisson
processes, Lewis & Shedler, Nav Res Logist Q 1979;26:403, from memory). Where beds may bind, the last weeks are played
arrival by arrival, and who finds every bed taken does not come.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from kitplan.demand.arrivals import long_ago, mean_season, turned, waves
from kitplan.demand.beds import bedded, may_fill, overfull
from kitplan.demand.busy_weeks import linked_bursts
from kitplan.demand.occupancy import LONG_AGO_DAYS, interval_checks
from kitplan.demand.posterior import Posterior, fit_posterior
from kitplan.demand.search import last_reached
from kitplan.demand.streams import fingerprints, name_key, uniforms
from kitplan.demand.values import Episodes
from kitplan.read.days import WEEK_DAYS, YEAR_DAYS
from kitplan.read.values import STRATUM_KEY, Unit

_WEEKS_BACK = (1, 1, 1, 1, 1, 1, 2, 4, 4)
"""Weeks of the past that share a burst; longer stretches the further back, and the rest in one piece without."""
_GOLDEN = 0.6180339887498949
"""Times of year of consecutive scenarios are so far apart: every parameter draw sees the whole year."""
AIRWAYS_AT_ONCE = 1 << 19
"""Airways drawn in one go, all 10,000 scenarios of a 24-bed unit: about 140 bytes each while they are drawn."""
_PILOT_AIRWAYS = 1 << 19
_MOST_PRIOR_CHECKS = 1_000_000
"""Checks before the interval at most: few ends allow stays without end, and a securement forgets long before."""


@lru_cache(maxsize=16)
def stratum_keys(unit: Unit) -> np.ndarray:
    """A key for each stratum made of its own description, so that other strata do not change its draws."""
    keys = unit.strata[STRATUM_KEY].assign(size=unit.strata["size"].str.removesuffix(" mm"))
    return np.array([name_key(*row) for row in keys.itertuples(index=False)], dtype=np.uint64)


@dataclass(frozen=True)
class Intervals:
    """`n_scenarios` intervals of `days` days, which begin at any time of the year, and the airways seen in them.

    posterior: what is not known. The draws of one airway depend on (seed, stream, scenario, its own key) only, so that
    scenarios may be drawn a few at a time: however large the unit, memory holds the airways of one block.
    """

    unit: Unit
    posterior: Posterior
    days: float
    n_scenarios: int
    seed: int
    stream: str

    def blocks(self, moments: int = 1) -> list[slice]:
        """All scenarios where no more than AIRWAYS_AT_ONCE airways are seen in them; else a part after the other, half
        as many at a time, for the pilot is drawn too. Fewer where much is told of each, at so many moments.
        """
        room = AIRWAYS_AT_ONCE / max(self.airways, self.unit.n_strata) / max(moments / 8, 1)
        step = max(int(room if room >= self.n_scenarios else room / 2), 1)
        firsts = range(0, self.n_scenarios, step)
        return [slice(first, min(first + step, self.n_scenarios), 1) for first in firsts]

    def pilot(self) -> slice:
        """Scenarios looked at before the others, evenly spread: all of an ordinary unit, whatever the blocks."""
        every = math.ceil(self.airways * self.n_scenarios / _PILOT_AIRWAYS)
        return slice(0, self.n_scenarios, max(every, 1))

    def episodes(self, rows: slice = slice(None)) -> Episodes:
        play = self._play(rows)
        parts = [_fixed_airways(play)] if self.posterior.fixed.any() or not self._moving else []
        if self._moving:
            parts.append(_moving_airways(play))
        return _episodes(play, _joined(parts))

    def arrivals(self, rows: slice = slice(None)) -> np.ndarray:
        """Airways that arrive in each interval of `rows`, int (n, n_strata), as `episodes` draws them."""
        if self._moving and not self.beds_bind:
            play = self._play(rows)
            return _coming(play, _busy(play)[1])[1]
        episodes = self.episodes(rows)
        return episodes.by_stratum(self.unit.n_strata, episodes.fresh)

    def _play(self, rows: slice) -> _Play:
        return _Play(self, np.arange(self.n_scenarios)[rows], self.draw[rows], self.begins[rows], self.stream)

    @property
    def _moving(self) -> bool:
        return bool(self.posterior.arrivals.max(initial=0.0) > 0)

    @cached_property
    def beds_bind(self) -> bool:
        """Whether every bed may be taken now and then."""
        return self.posterior.beds is not None and may_fill(self.posterior, self.posterior.beds)

    @cached_property
    def airways(self) -> float:
        """Airways that are seen in an interval on the mean."""
        return float(self.posterior.seen(self.days).sum(axis=1).mean())

    @cached_property
    def draw(self) -> np.ndarray:
        """Parameter draw of each scenario, int32 (n_scenarios,), not decreasing, equally many each but for rounding."""
        return ((np.arange(self.n_scenarios) * self.posterior.n_draws) // self.n_scenarios).astype(np.int32)

    @cached_property
    def begins(self) -> np.ndarray:
        """When in the year each interval begins, days (n_scenarios,)."""
        season = uniforms(self.seed, f"{self.stream}/season", 0)
        return (np.arange(self.n_scenarios) * _GOLDEN + season) % 1.0 * YEAR_DAYS

    @cached_property
    def stretches(self) -> _Stretches:
        return _stretches(self)


def intervals(
    unit: Unit, days: float, n_scenarios: int, seed: int, stream: str, posterior: Posterior | None = None
) -> Intervals:
    """posterior: what is not known (default: the half of the unit's own that belongs to the stream)."""
    return Intervals(unit, posterior or fit_posterior(unit).of_stream(stream), days, n_scenarios, seed, stream)


@dataclass(frozen=True)
class _Airways:
    """Airways of some scenarios, flat: scenario, stratum, name, and start and stop in days since the interval began."""

    scenario: np.ndarray
    stratum: np.ndarray
    name: np.ndarray
    start: np.ndarray
    stop: np.ndarray

    def only(self, mine: np.ndarray) -> _Airways:
        return _Airways(self.scenario[mine], self.stratum[mine], self.name[mine], self.start[mine], self.stop[mine])


@dataclass(frozen=True)
class _Play:
    """Scenarios that are drawn in one go. scenarios: their numbers; draw, day_of_year of each; all (n,)."""

    of: Intervals
    scenarios: np.ndarray
    draw: np.ndarray
    day_of_year: np.ndarray
    stream: str

    @property
    def posterior(self) -> Posterior:
        return self.of.posterior

    @property
    def keys(self) -> np.ndarray:
        return stratum_keys(self.of.unit)

    def uniforms(self, use: str, *counters: np.ndarray) -> np.ndarray:
        return uniforms(self.of.seed, f"{self.stream}/{use}", *counters)

    def only(self, mine: np.ndarray, stream: str) -> _Play:
        """The scenarios of bool `mine`, drawn from a stream of their own."""
        return _Play(self.of, self.scenarios[mine], self.draw[mine], self.day_of_year[mine], stream)


def _joined(parts: list[_Airways]) -> _Airways:
    if len(parts) == 1:
        return parts[0]
    names = ("scenario", "stratum", "name", "start", "stop")
    return _Airways(*(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def _episodes(play: _Play, airways: _Airways) -> Episodes:
    """Airways as checks before and within the interval; the check at its very beginning lies before it."""
    per_day = play.of.unit.checks_per_day
    n_checks = interval_checks(play.of.unit, play.of.days)
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
        airways.name,
        airways.start.astype(np.float32),
        airways.stop.astype(np.float32),
        play.draw,
        play.day_of_year.astype(np.float32),
    )


def _expand(
    play: _Play, counts: np.ndarray, kind: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Each of counts[scenario, stratum] airways: its place in the flat `counts`, its scenario, stratum and name.

    Airways are numbered within their stratum, so that who else is there does not change their names.
    """
    flat = counts.ravel()
    cell = np.repeat(np.arange(flat.size), flat)
    number = np.arange(len(cell)) - np.repeat(np.cumsum(flat) - flat, flat)
    scenario = cell // counts.shape[1]
    stratum = cell - scenario * counts.shape[1]
    with np.errstate(over="ignore"):
        key = play.keys[stratum] * np.uint64(31) + np.uint64(kind) + (number.astype(np.uint64) << np.uint64(20))
    return cell, scenario, stratum, fingerprints(play.scenarios[scenario], key)


def _fixed_airways(play: _Play) -> _Airways:
    """Airways that neither come nor go; a mean that is no whole number is a Poisson count."""
    mean, keys = play.posterior.fixed, play.keys
    u = play.uniforms("present", keys[None, :], play.scenarios[:, None])
    whole = np.isclose(mean, np.round(mean))
    counts = np.where(whole, np.round(mean).astype(np.int64), _poisson_counts(np.broadcast_to(mean, u.shape), u))
    _, scenario, stratum, name = _expand(play, counts, 1)
    # Each since a day of its own, so that their rolls are not all begun on one day.
    long = LONG_AGO_DAYS * (1 + play.uniforms("since", name))
    return _Airways(scenario, stratum, name, -long, play.of.days + long)


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
        above = np.flatnonzero(u > below)
        rising, m, u, chance, below = (a.take(above) for a in (rising, m, u, chance, below))
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
    past, ahead = _busy(play)
    beds = play.posterior.beds
    present = _present(play, past, None)
    if beds is None or not play.of.beds_bind:
        return _joined([present, _arriving(play, ahead)])
    over = np.bincount(present.scenario, minlength=len(play.scenarios)) > beds
    if over.any():
        anew = _present(play.only(over, f"{play.stream}/beds"), past[over], beds)
        anew = replace(anew, scenario=np.flatnonzero(over)[anew.scenario])
        present = _joined([present.only(~over[present.scenario]), anew])
    airways = _joined([present, _arriving(play, ahead)])
    crowded = overfull(airways.scenario, airways.start, airways.stop, beds, play.of.days, len(play.scenarios))
    tight = np.flatnonzero(crowded[airways.scenario])
    stays = np.ones(len(airways.name), dtype=bool)
    number = np.cumsum(crowded)[airways.scenario[tight]] - 1
    stays[tight] = bedded(number, airways.start[tight], airways.stop[tight], beds, int(crowded.sum()))
    return airways.only(stays)


@dataclass(frozen=True)
class _Stretches:
    """Stretches of time before and within the interval, and what comes in each where none is busier than another.

    ahead: edges in days, (n_draws, n + 1). area: under the survival curve from the interval's beginning back to each
    edge of the past, the latest first, days of that law (n_draws, n_past + 1, n_strata).
    still, coming: mean airways of each stretch still in place, and arriving, (n_draws, n, n_strata).
    turn_past, turn_ahead: what turns the yearly swing to the middle of each stretch, (n_draws, n, 4).
    """

    ahead: np.ndarray
    area: np.ndarray
    still: np.ndarray
    coming: np.ndarray
    turn_past: np.ndarray
    turn_ahead: np.ndarray


def _stretches(of: Intervals) -> _Stretches:
    """Weeks before and within the interval, whose limits lie at a random moment for each parameter draw."""
    posterior, n_draws = of.posterior, of.posterior.n_draws
    phase = WEEK_DAYS * uniforms(of.seed, f"{of.stream}/phase", np.arange(n_draws))[:, None]
    back = np.concatenate([[0.0], np.cumsum(_WEEKS_BACK)[:-1]]) * WEEK_DAYS
    past = -np.concatenate([np.zeros((n_draws, 1)), WEEK_DAYS - phase + back], axis=1)
    past = np.concatenate([past, np.full((n_draws, 1), -np.inf)], axis=1)
    n_ahead = int(np.ceil(of.days / WEEK_DAYS)) + 1
    ahead = np.concatenate([np.zeros((n_draws, 1)), phase + WEEK_DAYS * np.arange(n_ahead)], axis=1)
    ahead = np.minimum(ahead, of.days)
    factor = posterior.stay_factor
    area = posterior.stays.area(np.arange(n_draws)[:, None, None], -past[:, :, None] / factor[:, None, :])
    still = np.diff(area, axis=1) * (factor * posterior.arrivals)[:, None, :]
    turn = turned(posterior.swing, (past[:, :-2] + past[:, 1:-1]) / 2)
    pace = posterior.arrivals * posterior.stays.survival(np.arange(n_draws)[:, None], -past[:, -2:-1] / factor)
    days = still[:, -1].sum(axis=1) / np.maximum(pace.sum(axis=1), 1e-300)
    old = long_ago(turned(posterior.swing, past[:, -2:-1])[:, 0], days)
    still[:, -1] *= (mean_season(posterior.swing) / mean_season(old))[:, None]
    return _Stretches(
        ahead, area, still, np.diff(ahead, axis=1)[:, :, None] * posterior.arrivals[:, None, :],
        np.concatenate([turn, old[:, None]], axis=1), turned(posterior.swing, (ahead[:, :-1] + ahead[:, 1:]) / 2),
    )


def _busy(play: _Play) -> tuple[np.ndarray, np.ndarray]:
    """Arrivals over their mean in the stretches back, (n_scenarios, n_past), and ahead, (n_scenarios, n_ahead)."""
    swing, stretches = play.posterior.swing, play.of.stretches
    past, ahead = _bursts(play, stretches.coming.shape[1])
    if swing.any():
        wave, level = waves(play.day_of_year), mean_season(swing)[play.draw][:, None]
        past = past * np.exp(np.einsum("sk,sik->si", wave, stretches.turn_past[play.draw])) / level
        ahead = ahead * np.exp(np.einsum("sk,sik->si", wave, stretches.turn_ahead[play.draw])) / level
    return past, ahead


def _bursts(play: _Play, n_ahead: int) -> tuple[np.ndarray, np.ndarray]:
    """Factors of the weeks back and ahead; the current week is one of each. No burst in the distant past."""
    from scipy.special import ndtri

    of, draw, n_back = play.posterior, play.draw, len(_WEEKS_BACK)
    if not of.burst.any():
        return np.ones((len(draw), n_back + 1)), np.ones((len(draw), n_ahead))
    weeks = np.concatenate([_WEEKS_BACK, np.ones(n_ahead - 1)])
    z = ndtri(play.uniforms("burst", play.scenarios[:, None], np.arange(len(weeks))[None, :]))
    factor = linked_bursts(z, weeks, n_back, of.burst, of.lasting, draw)
    past = np.concatenate([factor[:, :n_back], np.ones((len(draw), 1))], axis=1)
    return past, np.concatenate([factor[:, :1], factor[:, n_back:]], axis=1)


def _so_far(play: _Play, busy: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Mean airways of the first 0, 1, ... stretches of each scenario and stratum, (n_scenarios * n_strata,
    n_stretches + 1). busy: (n_scenarios, n_stretches); table: (n_draws, n_stretches, n_strata).
    """
    so_far = np.zeros((len(busy), table.shape[2], busy.shape[1] + 1))
    each = table.swapaxes(1, 2).copy().take(play.draw, axis=0)
    each *= busy[:, None, :]
    for i in range(busy.shape[1]):  # many times as fast as a cumulative sum of so few
        np.add(so_far[:, :, i], each[:, :, i], out=so_far[:, :, i + 1])
    return so_far.reshape(-1, so_far.shape[2])


def _pick(so_far: np.ndarray, cell: np.ndarray, u: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Stretch of each airway, and where in it (0 to 1). u: where in the sum over its stretches the airway lies."""
    flat, target = so_far.ravel(), so_far[:, -1].take(cell) * u
    piece, at = last_reached(so_far, cell, target, ends=1)
    low = flat.take(at)
    return piece, np.clip((target - low) / np.maximum(flat.take(at + 1) - low, 1e-300), 0.0, 1.0)


def _present(play: _Play, busy: np.ndarray, beds: int | None) -> _Airways:
    """Airways in place when the interval begins: arrivals of each stretch of the past, thinned by the chance of still
    being there; no more than `beds` where that is given.
    """
    stays, stretches, factor = play.posterior.stays, play.of.stretches, play.posterior.stay_factor
    so_far = _so_far(play, busy, stretches.still)
    mean, shape = so_far[:, -1], (len(busy), len(play.keys))
    if beds is None:
        u = play.uniforms("present", play.keys[None, :], play.scenarios[:, None])
        counts = _poisson_counts(mean.reshape(shape), u)
    else:
        counts = _counts_within(play, mean.reshape(shape), beds)
    cell, scenario, stratum, name = _expand(play, counts, 1)
    draw = play.draw[scenario]
    piece, place = _pick(so_far, cell, play.uniforms("moment", name))
    at = (draw * np.int64(stretches.area.shape[1]) + piece) * shape[1] + stratum
    low, high = stretches.area.take(at), stretches.area.take(at + shape[1])
    age, gone = stays.ages(draw, low + place * (high - low))
    length = stays.lengths(draw, gone - np.log(play.uniforms("length", name)))
    scale = factor.take(draw * np.int64(shape[1]) + stratum)
    start = -age * scale
    return _Airways(scenario, stratum, name, np.minimum(start, -1e-6), start + np.maximum(length, age) * scale)


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


def _coming(play: _Play, busy: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean arrivals so far into the interval (`_so_far`), and arrivals drawn, (n_scenarios, n_strata)."""
    so_far = _so_far(play, busy, play.of.stretches.coming)
    u = play.uniforms("arrive", play.keys[None, :], play.scenarios[:, None])
    return so_far, _poisson_counts(so_far[:, -1].reshape(u.shape), u)


def _arriving(play: _Play, busy: np.ndarray) -> _Airways:
    posterior, ahead = play.posterior, play.of.stretches.ahead
    so_far, counts = _coming(play, busy)
    cell, scenario, stratum, name = _expand(play, counts, 2)
    draw = play.draw[scenario]
    piece, place = _pick(so_far, cell, play.uniforms("moment", name))
    at = draw * np.int64(ahead.shape[1]) + piece
    low, high = ahead.take(at), ahead.take(at + 1)
    start = low + place * (high - low)
    length = posterior.stays.lengths(draw, -np.log(play.uniforms("length", name)))
    scale = posterior.stay_factor.take(draw * np.int64(len(play.keys)) + stratum)
    return _Airways(scenario, stratum, name, start, start + length * scale)
