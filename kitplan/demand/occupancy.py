"""Who is in the unit during one interval: airways already there, arrivals and ends, in every scenario at once.

Stays and daily counts are resampled in whole windows of history, so that the busy weeks stay together (moving
block bootstrap: Kuensch, Ann. Statist. 1989;17:1217, from memory). A snapshot, and strata that are only expected,
are played as Poisson arrivals with a log-normal stay: an M/G/infinity unit in its stationary state (stationary
count Poisson; present airways have length-biased stays; standard queueing theory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.demand.history import (
    Stays,
    count_matrix,
    history_stays,
    mean_stay_days,
    span_days,
    stratum_keys,
)
from kitplan.demand.streams import uniforms
from kitplan.demand.values import Episodes
from kitplan.read.values import Unit

PRIOR_CAP_DAYS = 40.0
"""Stays and what came before the interval are counted up to here; beyond, the state of an opened roll no longer
depends on it. At least 160 checks, so that few checks a day see as many re-secures; at most 960, to bound memory."""


def prior_cap_checks(checks_per_day: int) -> int:
    """Checks before the interval, and of a whole stay, that are counted (PRIOR_CAP_DAYS)."""
    return int(np.clip(round(PRIOR_CAP_DAYS * checks_per_day), 160, 960))


def sample_episodes(unit: Unit, days: float, n_scenarios: int, seed: int, stream: str) -> Episodes:
    """Draw the airways of `n_scenarios` intervals of `days` days.

    The draws of one airway depend on (seed, stream, scenario, its own key) only.
    """
    n_checks = interval_checks(unit, days)
    parts = []
    history = history_stays(unit)
    if history is not None and _window_starts(history, unit.checks_per_day, n_checks).size:
        parts.append(_resample_windows(unit, history, n_checks, n_scenarios, seed, stream))
        played = unit.census.expected
    else:
        means = mean_airways(unit)
        played = pd.DataFrame({"stratum": np.arange(unit.n_strata), "mean_airways": means})
    if len(played):
        parts.append(_play_arrivals(unit, played, days, n_checks, n_scenarios, seed, stream))
    return _join(parts, n_scenarios)


def interval_checks(unit: Unit, days: float) -> int:
    """Checks that fall into an interval of `days` days, at least one."""
    return max(round(days * unit.checks_per_day), 1)


def _window_starts(stays: Stays, checks_per_day: int, n_checks: int) -> np.ndarray:
    """First checks of all windows that lie inside the known history (int, in checks since the first day)."""
    first = int(np.ceil(stays.first_day * checks_per_day))
    last = int(np.floor(stays.last_day * checks_per_day)) - n_checks
    starts = np.arange(first, last + 1)
    for day in stays.unknown_days:
        starts = starts[(starts + n_checks <= day * checks_per_day) | (starts >= (day + 1) * checks_per_day)]
    return starts


def _resample_windows(
    unit: Unit, stays: Stays, n_checks: int, n_scenarios: int, seed: int, stream: str
) -> Episodes:
    """Give each scenario one window of history (see `_scenario_windows`)."""
    per_day = unit.checks_per_day
    scenario = np.arange(n_scenarios)
    window = _scenario_windows(_window_starts(stays, per_day, n_checks), n_scenarios, seed, stream)
    replica = np.minimum(
        (uniforms(seed, f"{stream}/replica", scenario) * stays.n_replicas).astype(np.int64),
        stays.n_replicas - 1,
    )
    first_check = np.floor(stays.start * per_day).astype(np.int64) + 1
    last_check = np.floor(stays.end * per_day).astype(np.int64)
    seen, back = np.unique(np.stack([window, replica]), axis=1, return_inverse=True)
    which, row = _expand_pairs(*_overlaps(stays, seen[0], seen[1], n_checks, per_day), back.ravel())
    begin, stop = window[which], window[which] + n_checks
    checks = np.minimum(last_check[row], stop) - np.maximum(first_check[row] - 1, begin)
    prior = np.clip(begin - (first_check[row] - 1), 0, prior_cap_checks(per_day))
    fresh = stays.start[row] * per_day >= begin
    return Episodes(
        n_scenarios,
        which.astype(np.int32),
        stays.stratum[row].astype(np.int16),
        np.maximum(checks, 0).astype(np.int16),
        prior.astype(np.int16),
        fresh,
        stays.key[row],
    )


def _scenario_windows(starts: np.ndarray, n_scenarios: int, seed: int, stream: str) -> np.ndarray:
    """First check of each scenario's window, every window equally often but for rounding (systematic sample)."""
    scenario = np.arange(n_scenarios)
    place = (scenario + uniforms(seed, f"{stream}/window", scenario)) / n_scenarios
    return starts[np.minimum((place * len(starts)).astype(np.int64), len(starts) - 1)]


def window_days(unit: Unit, days: float, n_scenarios: int, seed: int, stream: str) -> np.ndarray | None:
    """Days from the census's first day to the start of each scenario's window, for the draws of the same name.

    None where intervals are played and not resampled (a snapshot, or a history shorter than the interval).
    """
    history, n_checks = history_stays(unit), interval_checks(unit, days)
    if history is None:
        return None
    starts = _window_starts(history, unit.checks_per_day, n_checks)
    if not starts.size:
        return None
    return _scenario_windows(starts, n_scenarios, seed, stream) / unit.checks_per_day


def _overlaps(
    stays: Stays, window: np.ndarray, replica: np.ndarray, n_checks: int, per_day: int
) -> tuple[np.ndarray, np.ndarray]:
    """(window, stay) index pairs of stays that touch each window, ordered by window, without a loop over windows.

    Stays are ordered by replica and start; those that can touch a window lie between two places found by binary
    search (a start no earlier than the window less the longest stay), and the rest is cut by the end.
    """
    order = np.lexsort((stays.start, stays.replica))
    longest = float((stays.end - stays.start).max(initial=0.0))
    span = stays.last_day + longest + 2.0 * n_checks / per_day + 10.0
    line = stays.start[order] + stays.replica[order] * span
    begin_day, stop_day = window / per_day, (window + n_checks) / per_day
    low = np.searchsorted(line, begin_day - longest + replica * span, side="left")
    high = np.searchsorted(line, stop_day + replica * span, side="left")
    count = np.maximum(high - low, 0)
    place = np.repeat(np.arange(len(window)), count)
    offset = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    row = order[np.repeat(low, count) + offset]
    keep = stays.end[row] > begin_day[place]
    return place[keep], row[keep]


def _expand_pairs(window: np.ndarray, row: np.ndarray, back: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(scenario, stay) pairs from (distinct window, stay) pairs; back: distinct window of each scenario."""
    count = np.bincount(window, minlength=int(back.max(initial=0)) + 1)
    first = np.cumsum(count) - count
    mine = count[back]
    scenario = np.repeat(np.arange(len(back)), mine)
    number = np.arange(mine.sum()) - np.repeat(np.cumsum(mine) - mine, mine)
    return scenario, row[first[back[scenario]] + number]


def _poisson_counts(mean: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Poisson counts by inversion (so that a larger mean never gives fewer); mean (n,), u (n, n_scenarios)."""
    from scipy.special import pdtr

    counts = np.zeros(u.shape, dtype=np.int64)
    for i, m in enumerate(mean):
        top = int(m + 12 * np.sqrt(m) + 20)
        counts[i] = np.searchsorted(pdtr(np.arange(top), m), u[i], side="right")
    return counts


def _play_arrivals(
    unit: Unit, played: pd.DataFrame, days: float, n_checks: int, n_scenarios: int, seed: int, stream: str
) -> Episodes:
    """Poisson arrivals and log-normal stays for `played` (stratum, mean_airways); fixed airways without turnover."""
    stratum = played["stratum"].to_numpy(np.int64)
    mean = played["mean_airways"].to_numpy(float)
    keys = stratum_keys(unit)[stratum]
    scenario = np.arange(n_scenarios)
    mean_stay = mean_stay_days(unit)
    present = _poisson_counts(mean, uniforms(seed, f"{stream}/present", keys[:, None], scenario[None, :]))
    if not mean_stay:
        whole = np.isclose(mean, np.round(mean))
        present = np.where(whole[:, None], np.round(mean).astype(np.int64)[:, None], present)
        return _staying_airways(stratum, keys, present, n_checks, prior_cap_checks(unit.checks_per_day))
    arrived = _poisson_counts(
        mean / mean_stay * days, uniforms(seed, f"{stream}/arrive", keys[:, None], scenario[None, :])
    )
    lengths = _LogNormalStay(mean_stay, unit.census.stay_log_sd, unit.checks_per_day, days, seed, stream)
    parts = [
        _present_airways(stratum, keys, present, n_checks, lengths),
        _arriving_airways(stratum, keys, arrived, n_checks, lengths),
    ]
    return _join(parts, n_scenarios)


@dataclass(frozen=True)
class _LogNormalStay:
    """Lengths of stay of one interval, drawn by inversion of the log-normal."""

    mean_days: float
    log_sd: float
    checks_per_day: int
    interval_days: float
    seed: int
    stream: str

    def draw(self, use: str, scenario: np.ndarray, key: np.ndarray) -> np.ndarray:
        return uniforms(self.seed, f"{self.stream}/{use}", scenario, key)

    def days(self, scenario: np.ndarray, key: np.ndarray, length_biased: bool) -> np.ndarray:
        """Stays, days; length-biased (as seen on a given day): mu moves up by sigma squared."""
        from scipy.special import ndtri

        mu = np.log(self.mean_days) - self.log_sd**2 / 2 + (self.log_sd**2 if length_biased else 0.0)
        return np.exp(mu + self.log_sd * ndtri(self.draw("length", scenario, key)))


def _expand(counts: np.ndarray, keys: np.ndarray, kind: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(row, scenario, airway key) of each of counts[row, scenario] airways, numbered within their stratum."""
    flat = counts.ravel()
    pair = np.repeat(np.arange(flat.size), flat)
    number = np.arange(flat.sum()) - np.repeat(np.cumsum(flat) - flat, flat)
    row, scenario = np.divmod(pair, counts.shape[1])
    with np.errstate(over="ignore"):
        key = keys[row] * np.uint64(31) + np.uint64(kind) + (number.astype(np.uint64) << np.uint64(20))
    return row, scenario, key


def _staying_airways(
    stratum: np.ndarray, keys: np.ndarray, counts: np.ndarray, n_checks: int, prior_checks: int
) -> Episodes:
    """Airways that neither come nor go: every check of the interval, in place since long ago."""
    row, scenario, key = _expand(counts, keys, 1)
    full = np.full(len(row), n_checks, np.int16)
    long_ago = np.full(len(row), prior_checks, np.int16)
    return Episodes(
        counts.shape[1],
        scenario.astype(np.int32),
        stratum[row].astype(np.int16),
        full,
        long_ago,
        np.zeros(len(row), bool),
        key,
    )


def _present_airways(
    stratum: np.ndarray, keys: np.ndarray, counts: np.ndarray, n_checks: int, stay: _LogNormalStay
) -> Episodes:
    """Airways in place when the interval begins: length-biased stays, cut at a uniform point.

    The check at the moment of the cut belongs to what came before: prior checks are rounded up.
    """
    row, scenario, key = _expand(counts, keys, 1)
    length = stay.days(scenario, key, length_biased=True)
    gone = stay.draw("gone", scenario, key)
    checks = np.floor(np.minimum((1 - gone) * length, stay.interval_days) * stay.checks_per_day)
    cap = prior_cap_checks(stay.checks_per_day)
    prior = np.minimum(np.ceil(gone * length * stay.checks_per_day), cap)
    return Episodes(
        counts.shape[1],
        scenario.astype(np.int32),
        stratum[row].astype(np.int16),
        np.minimum(checks, n_checks).astype(np.int16),
        prior.astype(np.int16),
        np.zeros(len(row), bool),
        key,
    )


def _arriving_airways(
    stratum: np.ndarray, keys: np.ndarray, counts: np.ndarray, n_checks: int, stay: _LogNormalStay
) -> Episodes:
    """Airways that arrive in the interval, at a uniform moment."""
    row, scenario, key = _expand(counts, keys, 2)
    start = stay.interval_days * stay.draw("moment", scenario, key)
    stop = np.minimum(start + stay.days(scenario, key, length_biased=False), stay.interval_days)
    checks = np.floor(stop * stay.checks_per_day) - np.floor(start * stay.checks_per_day)
    return Episodes(
        counts.shape[1],
        scenario.astype(np.int32),
        stratum[row].astype(np.int16),
        np.clip(checks, 0, n_checks).astype(np.int16),
        np.zeros(len(row), np.int16),
        np.ones(len(row), bool),
        key,
    )


def _join(parts: list[Episodes], n_scenarios: int) -> Episodes:
    if len(parts) == 1:
        return parts[0]
    names = ("scenario", "stratum", "checks", "prior_checks", "fresh", "key")
    return Episodes(n_scenarios, *(np.concatenate([getattr(p, name) for p in parts]) for name in names))


def mean_airways(unit: Unit) -> np.ndarray:
    """Mean number of airways in place by stratum, shape (n_strata,), expected strata included."""
    means = np.zeros(unit.n_strata)
    census = unit.census
    if census.shape == "snapshot":
        np.add.at(means, census.rows["stratum"].to_numpy(int), census.rows["airways"].to_numpy(float))
    elif census.shape == "counts":
        means += np.nan_to_num(np.nanmean(count_matrix(unit), axis=0))
    else:
        stays = history_stays(unit)
        assert stays is not None
        inside = np.clip(stays.end, stays.first_day, None) - np.clip(stays.start, stays.first_day, None)
        np.add.at(means, stays.stratum, inside / (stays.last_day - stays.first_day))
    np.add.at(
        means, census.expected["stratum"].to_numpy(int), census.expected["mean_airways"].to_numpy(float)
    )
    return means


def arrivals_per_day(unit: Unit) -> np.ndarray:
    """Mean arrivals a day by stratum, shape (n_strata,); zeros where no turnover is known."""
    census = unit.census
    arrivals = np.zeros(unit.n_strata)
    played = np.zeros(unit.n_strata)
    np.add.at(
        played, census.expected["stratum"].to_numpy(int), census.expected["mean_airways"].to_numpy(float)
    )
    history = history_stays(unit)
    if history is None:
        played = mean_airways(unit)
    else:
        inside = history.start >= max(history.first_day, 1e-9)
        span = (history.last_day - history.first_day) * history.n_replicas
        np.add.at(arrivals, history.stratum[inside], 1.0 / span)
    mean_stay = mean_stay_days(unit)
    return arrivals + played / mean_stay if mean_stay else arrivals


def stay_checks_pmf(unit: Unit, stratum: int, n_max: int) -> np.ndarray:
    """PMF of the number of checks in a whole stay of a stratum, shape (n_max + 1,); longer stays count as n_max.

    Stays: Kaplan-Meier over the unit's own stays (open ends are right-censored), all strata together where the
    stratum has fewer than 20 ends. Otherwise the log-normal stay; without a known stay, everything at n_max.
    """
    if unit.census.shape == "stays":
        return _stay_pmf_from_list(unit, stratum, n_max)
    if not unit.census.mean_stay_days:
        pmf = np.zeros(n_max + 1)
        pmf[-1] = 1.0
        return pmf
    from scipy.special import ndtr

    sigma = max(unit.census.stay_log_sd, 1e-9)  # 0: every stay is the mean stay
    mu = np.log(unit.census.mean_stay_days) - sigma**2 / 2
    edges = np.arange(1, n_max + 1) / unit.checks_per_day
    below = np.concatenate([[0.0], ndtr((np.log(edges) - mu) / sigma), [1.0]])
    return np.diff(below)


def _stay_pmf_from_list(unit: Unit, stratum: int, n_max: int) -> np.ndarray:
    rows = unit.census.rows
    ended = rows["end"].notna().to_numpy()
    own = rows["stratum"].to_numpy() == stratum
    if (own & ended).sum() < 20:
        own = np.ones(len(rows), bool)
    end = np.where(ended, rows["end"].to_numpy(float), span_days(unit.census) + 1.0)
    start = rows["start"].to_numpy(float)
    checks = np.floor(end * unit.checks_per_day) - np.floor(start * unit.checks_per_day)
    checks = np.clip(checks[own], 0, n_max).astype(np.int64)
    events = np.bincount(checks[ended[own]], minlength=n_max + 1).astype(float)
    at_risk = np.bincount(checks, minlength=n_max + 1)[::-1].cumsum()[::-1]
    hazard = np.divide(events, at_risk, out=np.zeros(n_max + 1), where=at_risk > 0)
    alive = np.concatenate([[1.0], np.cumprod(1 - hazard)])
    pmf = alive[:-1] * hazard
    pmf[-1] += alive[-1]
    return pmf
