"""How often a securement is renewed: hazards at checks, discrete renewal counts, frailty, redos.

Time is counted in checks. At the k-th check since the last securement the chance of finding cause is
h_k = 1 - exp(-(W(k) - W(k-1)) - constants), W the Weibull cumulative hazard of loosening. Counts over n checks are
a discrete renewal process (Feller, An Introduction to Probability Theory, vol. I, ch. XIII); the textbook's
recursion u_n = sum f_j u_(n-j), kept apart by number of renewals, gives the exact PMF.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.stays import range_draws
from kitplan.demand.values import kept, paced
from kitplan.demand.whole import whole_up
from kitplan.read.policy import HAZARDS
from kitplan.read.values import FREQUENCY_COLUMNS, Unit

CONSTANT_REASONS = {reason: column for column, reason in HAZARDS.items() if reason != "loose"}
"""Reasons whose hazard does not depend on wear, and their column of Unit.frequency."""

_HORIZON_CHECKS = 4000
_TINY = 1e-12
_CELLS_AT_ONCE = 500_000


def hastened(frequency: pd.DataFrame, factor: np.ndarray | float) -> pd.DataFrame:
    """Rows of Unit.frequency with every hazard times a factor, one for all or one for each row."""
    hazards, found = [*CONSTANT_REASONS.values()], frequency.copy()
    found[hazards] = found[hazards].mul(factor, axis=0)
    found["loosening_scale_hours"] *= factor ** (-1.0 / found["loosening_shape"].to_numpy(float))
    found["flat_per_check"] = 1.0 - (1.0 - found["flat_per_check"]) ** factor
    return found


def cumulative_hazards(row: Mapping[str, Any], checks_per_day: int, n_ages: int) -> tuple[np.ndarray, float]:
    """Hazard increments of one check: loosening by age, and the sum of the constant reasons.

    row: one row of Unit.frequency. Returns (loosening ndarray shape (n_ages,), for ages 1..n_ages; constant).
    With flat_per_check = p the loosening is 0 and the constant is -log(1 - p).
    """
    flat = float(row["flat_per_check"])
    if not np.isnan(flat):
        return np.zeros(n_ages), float(-np.log1p(-flat)) if flat < 1 else np.inf
    hours = 24.0 / checks_per_day * np.arange(n_ages + 1)
    scale, shape = float(row["loosening_scale_hours"]), float(row["loosening_shape"])
    weibull = (hours / scale) ** shape if np.isfinite(scale) and scale > 0 else np.zeros(n_ages + 1)
    constant = sum(float(row[column]) for column in CONSTANT_REASONS.values()) / checks_per_day
    return np.diff(weibull), constant


def check_hazards(
    row: Mapping[str, Any], checks_per_day: int, frailty: float | np.ndarray = 1.0, n_ages: int = _HORIZON_CHECKS
) -> np.ndarray:
    """Chance that the k-th check since a securement finds cause to renew it, k = 1..n_ages.

    frailty multiplies the hazards, not the planned maximum wear (planned_hours; 0 means none), at which h = 1.
    Returns ndarray shape (*frailty.shape, n_ages), each in [0, 1].
    """
    loosening, constant = cumulative_hazards(row, checks_per_day, n_ages)
    hazard = -np.expm1(np.multiply.outer(-np.asarray(frailty), loosening + constant))
    planned_hours = float(row["planned_hours"])
    if planned_hours > 0:
        hazard[..., max(int(whole_up(planned_hours * checks_per_day / 24.0)), 1) - 1 :] = 1.0
    return hazard


def survival(hazard: np.ndarray) -> np.ndarray:
    """P(wear exceeds k checks), k = 0..n_ages; hazard's last axis is age. Shape (..., n_ages + 1)."""
    head = np.ones((*hazard.shape[:-1], 1))
    return np.concatenate([head, np.cumprod(1.0 - hazard, axis=-1)], axis=-1)


def mean_wear_checks(hazard: np.ndarray) -> np.ndarray:
    """Mean wear in checks; beyond the last age the hazard stays at its last value. Infinite if nothing ever fails."""
    alive = survival(hazard)
    last = hazard[..., -1]
    with np.errstate(divide="ignore", invalid="ignore"):
        tail = np.where(alive[..., -1] > 0, alive[..., -1] / last, 0.0)
    return alive[..., :-1].sum(axis=-1) + tail


def stationary_wear_age(hazard: np.ndarray) -> np.ndarray:
    """Chance that an airway seen just after a random check has a securement k checks old, k = 0..n_ages-1.

    pi_k = P(wear > k) / mean wear (renewal theorem); sums to 1 but for what lies beyond n_ages.
    """
    return survival(hazard)[..., :-1] / mean_wear_checks(hazard)[..., None]


def renewal_count_pmf(hazard: np.ndarray, n_checks: int) -> np.ndarray:
    """Exact PMF of the number of renewals in n checks from a fresh start, for every n up to n_checks at once.

    hazard: ndarray shape (..., n_ages), ages from 1; shorter than n_checks: the last value goes on.
    Returns ndarray shape (..., n_checks + 1, n_checks + 1): [n, k] = P(k renewals in n checks).
    With a constant hazard each row is Binomial(n, h). The convolutions go through the FFT, padded so that nothing
    wraps round; errors stay near 1e-16.
    """
    size = n_checks + 1
    ages = min(hazard.shape[-1], n_checks)
    pad = [(0, 0)] * (hazard.ndim - 1) + [(0, n_checks - ages)]
    near = np.pad(hazard[..., :ages], pad, mode="edge") if n_checks else hazard[..., :0]
    alive = survival(near)
    gap = np.zeros(alive.shape)
    gap[..., 1:] = alive[..., :-1] * near
    pmf = np.zeros((*hazard.shape[:-1], size, size))
    pmf[..., :, 0] = 1.0 - np.cumsum(gap, axis=-1)
    length = 2 * size
    factors = np.fft.rfft(np.stack([alive, gap]), length)
    renewed_now = gap
    for k in range(1, size):
        if renewed_now.sum(axis=-1).max() < _TINY:
            break
        both = np.fft.irfft(factors * np.fft.rfft(renewed_now, length), length)[..., :size]
        pmf[..., :, k], renewed_now = both
    return np.clip(pmf, 0.0, 1.0)


@lru_cache(maxsize=64)
def frailty_nodes(spread: float, n_nodes: int) -> tuple[np.ndarray, np.ndarray]:
    """Gamma frailty of mean 1 and coefficient of variation `spread` as n_nodes weighted points.

    Gauss-Laguerre points, so that the first 2 n_nodes - 1 moments are those of the gamma distribution: eigenvalues
    of the Jacobi matrix, weights from its first eigenvector components (Golub & Welsch, Math. Comp. 1969;23:221),
    which stays finite for a spread as small as anybody writes. Returns (values, weights), each shape (n_nodes,);
    one point when spread is 0. Made once, not to be changed.
    """
    if spread <= 0 or n_nodes == 1:
        return np.ones(1), np.ones(1)
    shape = 1.0 / spread**2
    order = np.arange(n_nodes)
    beside = np.sqrt(order[1:] * (order[1:] + shape - 1.0))
    jacobi = np.diag(2.0 * order + shape) + np.diag(beside, 1) + np.diag(beside, -1)
    points, vectors = np.linalg.eigh(jacobi)
    return points / shape, vectors[0] ** 2


def attempts_given_events(redo: float, n_events: int, n_attempts: int) -> np.ndarray:
    """P(a attempts | k events): each event is tried again with chance `redo`, geometric.

    Returns ndarray shape (n_events + 1, n_attempts + 1); the last column holds what lies beyond.
    """
    table = np.zeros((n_events + 1, n_attempts + 1))
    table[0, 0] = 1.0
    one = np.zeros(n_attempts + 1)
    one[1:] = (1.0 - redo) * redo ** np.arange(n_attempts)
    for k in range(1, n_events + 1):
        table[k] = np.convolve(table[k - 1], one)[: n_attempts + 1]
    table[:, -1] += 1.0 - table.sum(axis=1)
    return np.clip(table, 0.0, 1.0)


STATIONARY_CHECKS = 48
"""After so many checks in place the wear age is taken as stationary (12 days at six-hourly checks)."""


@dataclass(frozen=True)
class AttemptTable:
    """Attempts of one airway for one frequency model and every frailty point.

    weights: of the frailty points, shape (n_nodes,).
    fresh: shape (n_nodes, n_long + 1, n_attempts + 1); [node, n] = PMF of attempts over the first n checks of an
        airway, admission secures included.
    stationary: shape (n_nodes, n_short + 1, n_attempts + 1); [node, n] = the same over n checks of an airway that has
        been in place for long.
    """

    weights: np.ndarray
    fresh: np.ndarray
    stationary: np.ndarray

    @cached_property
    def pace(self) -> np.ndarray:
        """Attempts a check in the long run, shape (n_nodes,)."""
        return pace_of(self.fresh)


def pace_of(fresh: np.ndarray) -> np.ndarray:
    """Attempts a check in the second half of the longest stay counted; fresh: shape (..., n_long + 1, n_counts)."""
    mean = fresh @ np.arange(fresh.shape[-1])
    last = mean.shape[-1] - 1
    return (mean[..., last] - mean[..., last // 2]) / max(last - last // 2, 1)


def first_renewal_after(hazard: np.ndarray, n_checks: int) -> np.ndarray:
    """P(the next renewal comes at check j) for an airway m checks after a fresh start.

    The wear age after m checks is a with chance u(m - a) P(wear > a), u the renewal density; hence
    g_m(j) = sum_a u(m - a) f(a + j). Returns shape (..., STATIONARY_CHECKS + 2, n_checks), j from 1; the last m is
    the stationary start, g(j) = P(wear > j - 1) / mean wear.
    """
    stationary = STATIONARY_CHECKS
    ages = stationary + n_checks
    near = hazard[..., :ages]
    near = np.pad(near, [(0, 0)] * (hazard.ndim - 1) + [(0, ages - near.shape[-1])], mode="edge")
    alive = survival(near)
    gap = alive[..., :-1] * near
    density = np.zeros((*hazard.shape[:-1], stationary + 1))
    density[..., 0] = 1.0
    for i in range(1, stationary + 1):
        density[..., i] = (gap[..., :i] * density[..., i - 1 :: -1]).sum(axis=-1)
    lag = np.subtract.outer(np.arange(stationary + 1), np.arange(stationary + 1))
    renewed = np.where(lag >= 0, density[..., np.maximum(lag, 0)], 0.0)
    ahead = gap[..., np.add.outer(np.arange(stationary + 1), np.arange(n_checks))]
    stationary = alive[..., :n_checks] / mean_wear_checks(hazard)[..., None]
    return np.concatenate([renewed @ ahead, stationary[..., None, :]], axis=-2)


def present_count_pmf(
    hazard: np.ndarray, n_checks: int, fresh: np.ndarray, ages: slice = slice(None)
) -> np.ndarray:
    """PMF of renewals over n checks of an airway m checks after a fresh start, for every m (or some `ages`) and n.

    fresh: `renewal_count_pmf(hazard, >= n_checks)`. Returns shape (..., STATIONARY_CHECKS + 2, n_checks + 1,
    n_counts): P[m, n, k] = sum_j g_m(j) P_fresh[n - j, k - 1], with g from `first_renewal_after`; counts whose chance
    is nil throughout are left out, and a few n are worked out at a time, so that long intervals stay in memory.
    """
    first = first_renewal_after(hazard, n_checks)[..., ages, :]
    counts = min(used_columns(fresh[..., : n_checks + 1, :], least=_TINY) + 1, n_checks)
    pmf = np.zeros((*first.shape[:-1], n_checks + 1, counts + 1))
    pmf[..., 0] = 1.0
    pmf[..., 1:, 0] -= np.cumsum(first, axis=-1)
    step = max(_CELLS_AT_ONCE // (n_checks * counts), 1)
    for low in range(0, n_checks, step):
        n = np.arange(low, min(low + step, n_checks))
        left = n - np.arange(n[-1] + 1)[:, None]  # checks left after the first renewal, below 0 where it comes later
        after = np.where((left >= 0)[..., None], fresh[..., np.maximum(left, 0), :counts], 0.0)
        both = first[..., : n[-1] + 1] @ after.reshape(*after.shape[:-2], -1)
        pmf[..., n + 1, 1:] = both.reshape(*both.shape[:-1], len(n), counts)
    return np.clip(pmf, 0.0, 1.0)


def attempt_table(
    row: Mapping[str, Any], checks_per_day: int, n_short: int, n_long: int, nodes: np.ndarray, weights: np.ndarray
) -> AttemptTable:
    """Exact attempt PMFs (re-secures, redos and admission secures) of one row of Unit.frequency.

    n_short: checks of the interval; n_long: checks that are counted exactly. nodes, weights: factors on the hazards.
    """
    hazard, fresh = hazards_and_fresh(row, checks_per_day, n_short, n_long, nodes)
    settled = present_count_pmf(hazard, n_short, fresh, slice(-1, None))[:, 0]
    admission, redo = round(float(row["admission_secures"])), float(row["redo"])
    return AttemptTable(weights, with_redos(fresh, redo, admission), with_redos(settled, redo, 0))


def hazards_and_fresh(
    row: Mapping[str, Any], checks_per_day: int, n_short: int, n_long: int, nodes: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Hazards by age, and PMFs of renewals from a fresh start, of each factor in `nodes`."""
    n_long = max(n_long, n_short)
    horizon = _long_enough(row, checks_per_day, nodes.min(), n_long)
    hazard = check_hazards(row, checks_per_day, nodes, horizon)
    return hazard, renewal_count_pmf(hazard, n_long)


def with_redos(events_pmf: np.ndarray, redo: float, admission: int) -> np.ndarray:
    """Turn PMFs of re-secures (last axis) into PMFs of attempts, `admission` certain secures added."""
    events = used_columns(events_pmf)
    most = events + admission
    spoil = attempts_given_events(redo, most, most_attempts(most, redo))
    flat = np.ascontiguousarray(events_pmf[..., : events + 1]).reshape(-1, events + 1)
    return (flat @ spoil[admission:]).reshape(*events_pmf.shape[:-1], -1)


def most_attempts(events: float, redo: float) -> int:
    """Attempts up to which those of so many events are tabulated; what lies beyond counts as that many."""
    return int(np.ceil(events + (np.log(1e-9) / np.log(redo) + 4 * redo * events if redo > 0 else 0.0)))


def used_columns(table: np.ndarray, least: float = 1e-9) -> int:
    """Largest count whose chance is worth keeping anywhere in the table."""
    return max(int(np.nonzero(table.max(axis=tuple(range(table.ndim - 1))) > least)[0].max()), 1)


def _long_enough(row: Mapping[str, Any], checks_per_day: int, frailty: float, n_checks: int) -> int:
    """Ages needed before the survival of the slowest frailty point is negligible (at least n_checks)."""
    for ages in (256, 1024):
        if survival(check_hazards(row, checks_per_day, frailty, ages))[-1] < _TINY:
            return max(ages, n_checks)
    return max(_HORIZON_CHECKS, n_checks)


@kept(16, paced)
@kept(8, paced)
def frequency_models(unit: Unit) -> tuple[pd.DataFrame, np.ndarray]:
    """Distinct rows of Unit.frequency and, for each stratum, which one it follows (most units have few). Not to be
    changed.
    """
    rows = unit.frequency[FREQUENCY_COLUMNS].reset_index(drop=True)
    which = rows.groupby(FREQUENCY_COLUMNS, dropna=False, sort=False).ngroup().to_numpy(np.int64)
    return rows.drop_duplicates(ignore_index=True), which


def _rates_of(row: Mapping[str, Any], checks_per_day: int, n_nodes: int) -> dict[str, float]:
    """Long-run rates of one frequency model, frailty mixed: per airway-day, and the share of each reason."""
    nodes, weights = frailty_nodes(float(row["airway_spread"]), n_nodes)
    loosening, constant = cumulative_hazards(row, checks_per_day, _HORIZON_CHECKS)
    hazard = check_hazards(row, checks_per_day, nodes)
    caused = stationary_wear_age(hazard) * -np.expm1(np.multiply.outer(-nodes, loosening + constant))
    rate = checks_per_day / mean_wear_checks(hazard)
    by_age = checks_per_day * weights @ caused
    shares = dict.fromkeys(["loose", *CONSTANT_REASONS, "planned", "any"], 0.0)
    if np.isnan(float(row["flat_per_check"])):
        total = np.maximum(loosening + constant, _TINY)
        shares["loose"] = by_age @ (loosening / total)
        for reason, column in CONSTANT_REASONS.items():
            shares[reason] = (by_age / total).sum() * float(row[column]) / checks_per_day
    else:
        shares["any"] = by_age.sum()
    shares["planned"] = weights @ np.maximum(rate - checks_per_day * caused.sum(axis=1), 0.0)
    per_day = float(weights @ rate)
    return {"re_secures_per_day": per_day} | {
        f"share_{reason}": float(value) / per_day if per_day else 0.0 for reason, value in shares.items()}


def long_run_rates(unit: Unit) -> pd.DataFrame:
    """Long-run re-secure rate of each stratum and the share of each reason.

    Columns: stratum, re_secures_per_day (per airway-day), per_100_airway_days, attempts_per_day (redos included),
    share_loose, share_soiled, share_skin, share_moved, share_changed, share_planned, share_any (flat model).
    """
    return _long_run_rates(unit).copy()


@kept(16, paced)
def _long_run_rates(unit: Unit) -> pd.DataFrame:
    models, which = frequency_models(unit)
    rows = [_rates_of(row, unit.checks_per_day, unit.planning.frailty_nodes) for _, row in models.iterrows()]
    table = pd.DataFrame(rows).iloc[which].reset_index(drop=True)
    redo = unit.frequency["redo"].to_numpy(float)
    table.insert(0, "stratum", np.arange(len(table)))
    table.insert(2, "per_100_airway_days", 100 * table["re_secures_per_day"])
    table.insert(3, "attempts_per_day", table["re_secures_per_day"] / (1 - redo))
    return table


_MULTIPLIERS = np.exp(np.linspace(-3.0, 3.0, 37))


def rate_curve(row: Mapping[str, Any], checks_per_day: int, n_nodes: int) -> np.ndarray:
    """Long-run rate of one frequency row with all its hazards multiplied by each of _MULTIPLIERS, over its own rate."""
    nodes, weights = frailty_nodes(float(row["airway_spread"]), n_nodes)
    every = np.concatenate([[1.0], _MULTIPLIERS])
    wear = mean_wear_checks(check_hazards(row, checks_per_day, np.outer(every, nodes), 1200))
    rate = (1.0 / wear) @ weights
    return rate[1:] / max(rate[0], _TINY)


def hazard_factors(unit: Unit, ratio: np.ndarray) -> np.ndarray:
    """The factor on the hazards of Unit.frequency that multiplies the rates by `ratio`; both (n_draws, n_strata)."""
    if (ratio == 1.0).all():
        return ratio
    return _along_curves(unit, ratio, lambda x, curve: np.interp(x, np.log(curve), np.log(_MULTIPLIERS)))


def _rates_at(unit: Unit, factor: np.ndarray) -> np.ndarray:
    """What multiplies the rates of Unit.frequency when `factor` multiplies its hazards; both (n_draws, n_strata).

    A routine change hides what would have come loose after it, so that rates follow hazards the less the oftener it is.
    """
    return _along_curves(unit, factor, lambda x, curve: np.interp(x, np.log(_MULTIPLIERS), np.log(curve)))


def _along_curves(
    unit: Unit, values: np.ndarray, read: Callable[[np.ndarray, np.ndarray], np.ndarray]
) -> np.ndarray:
    """Values (n_draws, n_strata) read off the rate curve of each stratum's frequency model, in logarithms."""
    which = frequency_models(unit)[1]
    found = np.ones_like(values)
    for m, curve in enumerate(_rate_curves(unit)):
        mine = which == m
        found[:, mine] = np.exp(read(np.log(values[:, mine]), curve))
    return found


@kept(16, paced)
def _rate_curves(unit: Unit) -> list[np.ndarray]:
    """`rate_curve` of each of the unit's frequency models."""
    rows = frequency_models(unit)[0].to_dict("records")
    return [rate_curve(row, unit.checks_per_day, unit.planning.frailty_nodes) for row in rows]


def rate_ratios(unit: Unit, n_draws: int) -> np.ndarray:
    """Draws of each stratum's re-secure rate over the long-run rate of Unit.frequency, (n_draws, n_strata)."""
    doubt = unit.doubt
    if doubt.rate_ratio is not None:
        return doubt.rate_ratio[:n_draws]
    if doubt.rate_range is None:
        return np.ones((n_draws, unit.n_strata))
    return ratios_at(unit, range_draws(*doubt.rate_range, n_draws, unit.planning.seed, "rate"))


def ratios_at(unit: Unit, rate: np.ndarray) -> np.ndarray:
    """Each stratum's rate over that of Unit.frequency where what the range of the guess is of comes to `rate`, (n,)."""
    doubt = unit.doubt
    if doubt.for_cause and (unit.frequency["planned_hours"] > 0).any():
        causes = replace(unit, frequency=unit.frequency.assign(planned_hours=0.0))
        return _rates_at(unit, hazard_factors(causes, ratios_at(causes, rate)))
    rates = long_run_rates(unit)
    shares = rates[[f"share_{reason}" for reason in doubt.guessed]].sum(axis=1).to_numpy(float)
    guessed = shares if doubt.guessed else 1.0
    return 1.0 + guessed * (rate / float(rates["re_secures_per_day"].mean()) - 1.0)[:, None] * np.ones(unit.n_strata)
