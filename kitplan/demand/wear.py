"""How long securements last: times between checks at which cause was found, and the curve fitted to them.

A securement that was renewed at one check had been sound at the check before: its wear is interval-censored. One
that was still in place when the airway ended, or when the records end, is right-censored. Loosening is Weibull in
wear; the other reasons are constant hazards that compete with it; each airway carries a gamma frailty that
multiplies all of them, so its events share one likelihood term (Klein & Moeschberger, Survival Analysis, 2e,
ch. 3 and 13, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from kitplan.demand.resecure import CONSTANT_REASONS

REASONS = ("loose", *CONSTANT_REASONS, "planned", "other")
LOOSE, SOILED, SKIN, MOVED, CHANGED, PLANNED, OTHER = range(len(REASONS))
"""Reasons as numbers; OTHER could be any of the first five."""

STILL_SECURE = -1


@dataclass(frozen=True)
class WearSpells:
    """Spells of wear as flat arrays of equal length, one entry a securement.

    airway: int, 0..n_airways-1. stratum: int. before, after: wear in days at the last check that found it sound
    and at the check that found cause (after = before for a spell that was cut short without cause).
    reason: int, LOOSE.. OTHER, or STILL_SECURE.
    """

    airway: np.ndarray
    stratum: np.ndarray
    before: np.ndarray
    after: np.ndarray
    reason: np.ndarray

    @property
    def caused(self) -> np.ndarray:
        """Which spells ended because a check found cause (planned renewals did not)."""
        return (self.reason != STILL_SECURE) & (self.reason != PLANNED)

    @property
    def n_airways(self) -> int:
        return int(self.airway.max(initial=-1)) + 1

    @cached_property
    def folded(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Distinct wears, and where `before` and `after` find theirs: few numbers are raised to a power."""
        wear, place = np.unique(np.concatenate([self.before, self.after]).round(9), return_inverse=True)
        return wear, place[: len(self.before)], place[len(self.before) :]


@dataclass(frozen=True)
class WearCurve:
    """The fitted model. scale_hours, shape: Weibull loosening. per_day: constant hazard of SOILED, SKIN, MOVED,
    CHANGED. spread: coefficient of variation of the frailty. factor: ndarray (n_strata,), hazard multipliers of
    the strata, around 1. low, high: 95 % bounds of scale_hours, shape, constant total and spread, by name.
    """

    scale_hours: float
    shape: float
    per_day: dict[str, float]
    spread: float
    factor: np.ndarray
    low: dict[str, float]
    high: dict[str, float]

    @property
    def constant_per_day(self) -> float:
        return sum(self.per_day.values())


def cut_spells(
    start: np.ndarray,
    end: np.ndarray,
    fresh: np.ndarray,
    event_stay: np.ndarray,
    event_day: np.ndarray,
    event_reason: np.ndarray,
    airway: np.ndarray,
    stratum: np.ndarray,
    checks_per_day: int,
    by_date: bool = False,
) -> WearSpells:
    """Cut stays into spells of wear at the events.

    start, end, fresh, airway, stratum: ndarray shape (n_stays,), days; end is where watching stops; fresh: the
    stay begins with a new securement (otherwise what comes before its first event is of unknown age and left out).
    event_stay (index into stays), event_day, event_reason: ndarray shape (n_events,), sorted by stay and day.
    """
    n = len(start)
    stay = np.concatenate([np.arange(n), event_stay, np.arange(n)])
    day = np.concatenate([start, event_day, end])
    kind = np.concatenate([np.zeros(n, int), np.ones(len(event_day), int), np.full(n, 2)])
    reason = np.concatenate([np.full(n, STILL_SECURE), event_reason, np.full(n, STILL_SECURE)])
    order = np.lexsort((kind, day, stay))
    stay, day, kind, reason = stay[order], day[order], kind[order], reason[order]
    first, last = np.arange(len(stay) - 1), np.arange(1, len(stay))
    keep = (stay[first] == stay[last]) & ((kind[first] == 1) | fresh[stay[first]])
    first, last = first[keep], last[keep]
    gap = day[last] - day[first]
    if by_date:
        before, after = _wear_by_date(gap, kind[first] == 0, kind[last] == 1, checks_per_day)
    else:
        before, after = _wear_between(gap, kind[first] == 0, kind[last] == 1, checks_per_day)
    return WearSpells(airway[stay[first]], stratum[stay[first]], before, after, reason[last])


def _wear_between(
    gap_days: np.ndarray, from_start: np.ndarray, to_event: np.ndarray, checks_per_day: int
) -> tuple[np.ndarray, np.ndarray]:
    """Wear at the last sound check and at the check that found cause, days.

    From one event to the next is a whole number of checks (recorded times stray a little); from the start of an
    airway it is not; a spell that ends without cause was last seen at a check, half an interval earlier on average
    where the rhythm of the checks is not known.
    """
    checks = np.maximum(gap_days, 0) * checks_per_day
    whole = np.maximum(np.round(checks), 1.0)
    after = np.where(from_start, np.maximum(checks, 0.05), whole)
    before = np.maximum(after - 1.0, 0.0)
    cut = np.where(from_start, np.maximum(checks - 0.5, 0.0), np.floor(checks + 1e-6))
    return np.where(to_event, before, cut) / checks_per_day, np.where(to_event, after, cut) / checks_per_day


def _wear_by_date(
    gap_days: np.ndarray, from_start: np.ndarray, to_event: np.ndarray, checks_per_day: int
) -> tuple[np.ndarray, np.ndarray]:
    """Wear before and after the renewal was due, days, where events (noon of their day) are known to the day only.

    Of two events g dates apart, each at any check of its day, the wear is g days give or take a triangle that holds one
    day of hazard: the interval of one day about g. Two events of one date hold (1 - 1/c) / 2 of a day, about a third
    of (1 + 1/c): with the day before or after left out, early renewals would count for more than they are.
    """
    c = checks_per_day
    gap = np.maximum(gap_days - 0.5 / c, 0.0)  # what a check finds came about half an interval earlier
    same = to_event & ~from_start & (gap_days < 0.5)
    middle = np.where(same, (1 + 1 / c) / 3 - 0.5 / c, gap)
    reach = np.where(to_event, np.where(same, (1 - 1 / c) / 4, 0.5), 0.0)
    return np.maximum(middle - reach, 0.0), np.maximum(middle + reach, 0.05)


def _spell_hazards(
    spells: WearSpells, factor: np.ndarray, scale_hours: float, shape: float, constant: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cumulative hazard of each spell without frailty (up to mid-interval), and what loosening and the constant
    hazard add inside the last interval."""
    wear, before, after = spells.folded
    weibull = (24.0 * wear / scale_hours) ** shape
    m = factor[spells.stratum]
    low, high = weibull[before], weibull[after]
    middle = m * ((low + high) / 2 + constant * (spells.before + spells.after) / 2)
    return middle, m * (high - low), m * constant * (spells.after - spells.before)


def log_likelihood(
    spells: WearSpells, factor: np.ndarray, scale_hours: float, shape: float, constant: float, spread: float
) -> float:
    """Log-likelihood of the spells, gamma frailty integrated out for each airway.

    An event adds log(1 - exp(-zH)) = log zH - zH/2 + (zH)^2/24 + O(zH)^4 (series of log((1 - e^-x)/x)), H the
    hazard of its last interval, so that z appears as z^n exp(-zS + z^2 Q/24) and the integral over z is the gamma
    function's, with the mean of z^2 in the small last term.
    """
    from scipy.special import gammaln

    middle, loose, steady = _spell_hazards(spells, factor, scale_hours, shape, constant)
    caused, reason, n_airways = spells.caused, spells.reason, spells.n_airways
    part = np.where(reason == LOOSE, loose, np.where(reason == OTHER, loose + steady, steady))[caused]
    total = (loose + steady)[caused]
    events = np.bincount(spells.airway[caused], minlength=n_airways)
    exposure = np.bincount(spells.airway, weights=middle, minlength=n_airways)
    curvature = np.bincount(spells.airway[caused], weights=total**2, minlength=n_airways) / 24
    logs = float(np.log(np.maximum(part, 1e-300)).sum())
    if spread < 1e-4:
        return logs - float(exposure.sum()) + float(curvature.sum())
    theta = 1.0 / spread**2
    bottom = exposure + theta
    value = (
        gammaln(events + theta) - gammaln(theta) + theta * np.log(theta) - (events + theta) * np.log(bottom)
    )
    value = value + curvature * (events + theta) * (events + theta + 1) / bottom**2
    return logs + float(value.sum())


def fit_curve(spells: WearSpells, n_strata: int, default: dict[str, float]) -> WearCurve:
    """Fit the wear model by penalised maximum likelihood.

    default: scale_hours, shape, constant (per day), spread: where the fit starts, and the centre of a weak prior
    (log scale and log constant: sd 1; log shape: sd 0.5, shape at least 1; spread: sd 0.5) that a few dozen events
    outweigh. Strata multiply the hazards by factors pooled around 1 (`pooling.pool_rates`); the curve and the
    factors are fitted in turn until neither moves.
    """
    factor = np.ones(n_strata)
    centre = np.array([*np.log([default["scale_hours"], default["shape"], max(default["constant"], 1e-3)]),
                       default["spread"]])
    place = centre.copy()
    for turn in range(8):
        place, cost = _fit_shared(spells, factor, centre, place)
        middle, _, _ = _spell_hazards(spells, np.ones(n_strata), *np.exp(place[:3]))
        new = _fit_factors(spells, middle, factor, place[3], n_strata)
        moved = np.abs(np.log(new / factor)).max()
        factor = new
        if moved < 2e-3 and turn:
            break
    return _report(spells, place, _hessian(cost, place), factor, default)


def _fit_shared(
    spells: WearSpells, factor: np.ndarray, centre: np.ndarray, start: np.ndarray
) -> tuple[np.ndarray, Callable[[np.ndarray], float]]:
    """Best (log scale, log shape, log constant, spread) with the factors held, and the cost function."""
    from scipy.optimize import minimize

    prior_sd = np.array([1.0, 0.5, 1.0, 0.5])

    def cost(p: np.ndarray) -> float:
        scale, shape, constant = np.exp(p[:3])
        fit = log_likelihood(spells, factor, scale, shape, constant, p[3])
        return 0.5 * float((((p - centre) / prior_sd) ** 2).sum()) - fit

    bounds = [(centre[0] - 5, centre[0] + 5), (0.0, np.log(8.0)), (np.log(1e-4), np.log(10.0)), (0.0, 2.5)]
    size = max(len(spells.reason), 1)
    found = minimize(
        lambda p: cost(p) / size, start, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-11}
    )
    return found.x, cost


def _hessian(cost: Callable[[np.ndarray], float], place: np.ndarray) -> np.ndarray:
    """Second derivatives by central differences; a parameter at its bound is stepped inwards only."""
    n = len(place)
    step = np.array([0.01, 0.01, 0.01, 0.02])
    middle = place.copy()
    middle[1], middle[3] = max(place[1], step[1]), max(place[3], step[3])
    hessian = np.zeros((n, n))
    for i in range(n):
        for j in range(i, n):
            value = 0.0
            for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
                p = middle.copy()
                p[i] += a * step[i] / 2
                p[j] += b * step[j] / 2
                value += a * b * cost(p)
            hessian[i, j] = hessian[j, i] = value / (step[i] * step[j])
    return hessian


def _frailty(spells: WearSpells, hazard: np.ndarray, spread: float) -> np.ndarray:
    """Frailty of each airway that its own events suggest (posterior mean). hazard: of each spell."""
    theta = 1.0 / max(spread, 1e-3) ** 2
    events = np.bincount(spells.airway, weights=spells.caused)
    return (events + theta) / (np.bincount(spells.airway, weights=hazard) + theta)


def _fit_factors(
    spells: WearSpells, middle: np.ndarray, factor: np.ndarray, spread: float, n_strata: int
) -> np.ndarray:
    """Pooled hazard factors of the strata: events against the cumulative hazard that their airways went through."""
    from kitplan.demand.partial_pooling import pool_rates

    caused = spells.caused
    if n_strata == 1 or not caused.any():
        return np.ones(n_strata)
    hazard = np.bincount(spells.airway, weights=middle * factor[spells.stratum])
    frailty = _frailty(spells, middle * factor[spells.stratum], spread)
    exposure = np.bincount(spells.stratum, weights=middle * frailty[spells.airway], minlength=n_strata)
    own = np.bincount(spells.stratum[caused], minlength=n_strata).astype(float)
    home = np.zeros(spells.n_airways, int)
    home[spells.airway] = spells.stratum
    bunched = np.bincount(home, weights=hazard**2, minlength=n_strata)
    mean = np.bincount(home, weights=hazard, minlength=n_strata)
    dispersion = 1 + spread**2 * bunched / np.maximum(mean, 1e-9)
    pooled = pool_rates(own, exposure, dispersion)
    level = (pooled.mean * own).sum() / own.sum()
    return pooled.mean / level


def _report(
    spells: WearSpells,
    place: np.ndarray,
    hessian: np.ndarray,
    factor: np.ndarray,
    default: dict[str, float],
) -> WearCurve:
    error = np.sqrt(np.maximum(np.diag(np.linalg.pinv(hessian)), 0))
    names = ["scale_hours", "shape", "constant_per_day"]
    low = {name: float(np.exp(place[i] - 1.96 * error[i])) for i, name in enumerate(names)}
    high = {name: float(np.exp(place[i] + 1.96 * error[i])) for i, name in enumerate(names)}
    low["shape"] = max(low["shape"], 1.0)
    low["spread"], high["spread"] = max(place[3] - 1.96 * error[3], 0.0), place[3] + 1.96 * error[3]
    seen = np.bincount(spells.reason[spells.reason >= SOILED], minlength=len(REASONS))
    counts = dict(zip(CONSTANT_REASONS.values(), seen[SOILED:].tolist()))
    known = sum(counts.values())
    constant = float(np.exp(place[2]))
    if known:
        per_day = {name: constant * count / known for name, count in counts.items()}
    else:
        total = sum(default[name] for name in CONSTANT_REASONS.values()) or 1.0
        per_day = {name: constant * default[name] / total for name in CONSTANT_REASONS.values()}
    return WearCurve(
        float(np.exp(place[0])), float(np.exp(place[1])), per_day, float(place[3]), factor, low, high
    )


def still_secure(spells: WearSpells, days: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Kaplan-Meier share of securements still sound after `days` of wear, and how many were watched that long.

    A renewal counts at the check that found cause; planned renewals and ends of airways are right-censored.
    Returns (share, at_risk), each shape of `days`.
    """
    wear = spells.after
    times, which = np.unique(np.concatenate([wear, days]).round(9), return_inverse=True)
    own = which[: len(wear)]
    ended = np.bincount(own[spells.caused], minlength=len(times))
    left = np.bincount(own, minlength=len(times))
    at_risk = left[::-1].cumsum()[::-1]
    alive = np.cumprod(1 - np.divide(ended, at_risk, out=np.zeros(len(times)), where=at_risk > 0))
    return alive[which[len(wear) :]], at_risk[which[len(wear) :]]


def _suggested_frailty(spells: WearSpells, curve: WearCurve) -> tuple[np.ndarray, np.ndarray]:
    """Fitted hazard of each spell, and the frailty of each airway that its own events suggest."""
    hazard, _, _ = _spell_hazards(spells, curve.factor, curve.scale_hours, curve.shape, curve.constant_per_day)
    return hazard, _frailty(spells, hazard, curve.spread)


def expected_events(spells: WearSpells, curve: WearCurve, n_strata: int) -> np.ndarray:
    """Events that the fitted hazards make of the wear that was watched, by stratum, each airway with the frailty
    that its own events suggest (the compensator of the counting process)."""
    hazard, frailty = _suggested_frailty(spells, curve)
    return np.bincount(spells.stratum, weights=hazard * frailty[spells.airway], minlength=n_strata)


def fitted_survival(spells: WearSpells, curve: WearCurve, days: np.ndarray) -> np.ndarray:
    """Share of the watched securements that the model would still find sound after `days` of wear.

    Averaged over the securements as they were, each with its stratum's factor and its airway's own frailty.
    """
    _, frailty = _suggested_frailty(spells, curve)
    pace = np.sort(curve.factor[spells.stratum] * frailty[spells.airway])
    pace = pace[:: max(len(pace) // 2000, 1)]
    total = (24 * days / curve.scale_hours) ** curve.shape + curve.constant_per_day * days
    return np.exp(-np.outer(total, pace)).mean(axis=1)
