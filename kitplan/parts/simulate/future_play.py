"""New years of a unit, that nobody has seen: each copy draws what is not known first, then lives its own days.

What was learnt (`Posterior`) is taken over as numbers; how airways come and go from them is played here anew, day by
day, and shares no code with the planner's scenarios.
"""

from __future__ import annotations

from dataclasses import dataclass
from heapq import heappop, heappush

import numpy as np
from scipy.signal import lfilter
from scipy.special import gammaincinv, ndtr
from scipy.stats import poisson

from kitplan.demand.posterior import Posterior
from kitplan.read.days import YEAR_DAYS

_FORGOTTEN = 1e-4
"""Share of stays that may be longer than what is played before the first day."""
_MOST_DAYS_BEFORE = 366
"""Weeks and seasons of a year before the first day reach into it; who came earlier is drawn as the long run has it."""


@dataclass(frozen=True)
class Airways:
    """Airways of all replications as flat arrays of equal length.

    replication, stratum: int. start, end: days (float) since the first day that counts; earlier ones are negative.
    wear: factor on how fast securements wear.
    """

    replication: np.ndarray
    stratum: np.ndarray
    start: np.ndarray
    end: np.ndarray
    wear: np.ndarray


def play_future(posterior: Posterior, copies: range, of: int, days: int, rng: np.random.Generator) -> Airways:
    """Play `days` days of the copies `copies` out of `of`; each has the parameter draw at its own place among all."""
    draws = np.array([copy * posterior.n_draws // of for copy in copies])
    before = _days_before(posterior, draws)
    busy = _busy_days(posterior, draws, before, days, rng)
    parts = [_fixed(posterior, draws, days, rng), _in_place(posterior, draws, before, rng)]
    for stratum in np.flatnonzero(posterior.arrivals.any(axis=0)):
        come = rng.poisson(posterior.arrivals[draws, stratum][:, None] * busy)
        where, when = np.nonzero(come)
        copy = np.repeat(where, come[where, when])
        start = np.repeat(when, come[where, when]) + rng.random(len(copy)) - before
        stay = _stays(posterior, draws[copy], rng.standard_exponential(len(copy)))
        stay *= posterior.stay_factor[draws[copy], stratum]
        parts.append((copy, np.full(len(copy), stratum), start, start + stay))
    columns = [np.concatenate(column) for column in zip(*parts)]
    if posterior.beds is not None:
        found = _with_beds(columns[0], columns[2], columns[3], posterior.beds)
        columns = [column[found] for column in columns]
    owner, kind, begin, stop = (column[columns[3] > 0] for column in columns)
    return Airways(owner, kind, begin, np.minimum(stop, days), posterior.hazard[draws[owner], kind])


def _days_before(posterior: Posterior, draws: np.ndarray) -> int:
    """Days after which nearly nobody of the first day is left, in the slowest of the draws."""
    law = posterior.stays
    gone = (law.hazard[draws, :-1] * np.diff(law.edges)).sum(axis=1)
    tail = np.maximum(-np.log(_FORGOTTEN) - gone, 0.0) / law.hazard[draws, -1]
    longest = (law.edges[-1] + tail) * posterior.stay_factor[draws].max(axis=1)
    return int(min(np.ceil(longest.max()), _MOST_DAYS_BEFORE))


def _busy_days(
    posterior: Posterior, draws: np.ndarray, before: int, days: int, rng: np.random.Generator
) -> np.ndarray:
    """Arrivals of each day over their mean: yearly swing x burst of the week, shape (copies, before + days)."""
    count = before + days
    angle = 2 * np.pi * (np.arange(count)[None, :] + rng.uniform(0, YEAR_DAYS, (len(draws), 1))) / YEAR_DAYS
    whole = 2 * np.pi * np.arange(365) / 365
    busy = np.empty((len(draws), count))
    for k, swing in enumerate(posterior.swing[draws]):
        wave, year = (swing[0] * np.cos(a) + swing[1] * np.sin(a) + swing[2] * np.cos(2 * a) + swing[3] * np.sin(2 * a)
                      for a in (angle[k], whole))
        busy[k] = np.exp(wave) / np.exp(year).mean()
        if posterior.burst[draws[k]] > 0:
            weeks = _bursts(posterior.burst[draws[k]], posterior.lasting[draws[k]], count // 7 + 1, rng)
            busy[k] *= np.repeat(weeks, 7)[:count]
    return busy


def _bursts(variance: float, lasting: float, weeks: int, rng: np.random.Generator) -> np.ndarray:
    """Gamma factors of mean 1 of so many weeks on end: quantiles at a normal chain of correlation `lasting`."""
    shape, news = 1.0 / variance, rng.standard_normal(weeks)
    news[1:] *= np.sqrt(1 - lasting**2)
    chain = lfilter([1.0], [1.0, -lasting], news)
    return np.asarray(gammaincinv(shape, ndtr(chain)) / shape)


def _stays(posterior: Posterior, draws: np.ndarray, left: np.ndarray) -> np.ndarray:
    """Days in which the chance of leaving adds up to `left`, lived through piece by piece (exponential: stays)."""
    law, length = posterior.stays, np.zeros(len(draws))
    for piece, hazard in enumerate(law.hazard.T):
        pace = hazard[draws]
        width = law.edges[piece + 1] - law.edges[piece] if piece + 1 < len(law.edges) else np.inf
        lived = np.minimum(left / pace, width)
        length += lived
        left = np.maximum(left - lived * pace, 0.0)
    return length


def _in_place(
    posterior: Posterior, draws: np.ndarray, before: int, rng: np.random.Generator
) -> tuple[np.ndarray, ...]:
    """Airways that are there when the play begins, as many as in the long run, each taken in its wear from there.

    Their number is Poisson, cut off by the beds (Erlang's law, whatever the stays: Sevastyanov 1957, from memory); ages
    lie as the share of stays that are longer, and what is left of a stay goes on from its age.
    """
    law, offered = posterior.stays, posterior.arrivals[draws] * posterior.mean_stays[draws]
    mean = offered.sum(axis=1)
    most = 1.0 if posterior.beds is None else poisson.cdf(posterior.beds, mean)
    many = poisson.ppf(rng.random(len(draws)) * most, mean).astype(np.int64)
    each = rng.multinomial(many, offered / np.maximum(mean, 1e-300)[:, None])
    copy, stratum = np.nonzero(each)
    copy, stratum = np.repeat(copy, each[copy, stratum]), np.repeat(stratum, each[copy, stratum])
    age = np.concatenate([_used_up(law.hazard[d], np.diff(law.edges), rng.random(n)) for d, n in zip(draws, many)])
    stay, lain = (_stays(posterior, draws[copy], used) for used in (age + rng.standard_exponential(len(age)), age))
    begin = np.full(len(copy), -float(before))
    return copy, stratum, begin, begin + posterior.stay_factor[draws[copy], stratum] * (stay - lain)


def _used_up(hazard: np.ndarray, steps: np.ndarray, share: np.ndarray) -> np.ndarray:
    """Chance of leaving that airways seen at a moment have lived through: `share` of the area under the survival curve
    of a stay, whose hazard (n_pieces,) holds for `steps` days and the last on and on, lies before their age.
    """
    gone = np.append(0.0, np.cumsum(hazard[:-1] * steps))
    lived = -np.diff(np.exp(-gone), append=0.0) / hazard
    filled = np.cumsum(lived)
    piece = np.searchsorted(filled[:-1], share * filled[-1], side="right")
    there = np.exp(-gone[piece]) - hazard[piece] * (share * filled[-1] - filled[piece] + lived[piece])
    return -np.log(np.maximum(there, 1e-300))


def _fixed(posterior: Posterior, draws: np.ndarray, days: int, rng: np.random.Generator) -> tuple[np.ndarray, ...]:
    """Airways that neither come nor go, a part of one by lot, there for half a year and more."""
    many = np.floor(posterior.fixed + rng.random((len(draws), len(posterior.fixed)))).astype(np.int64)
    copy, stratum = np.nonzero(many)
    copy, stratum = np.repeat(copy, many[copy, stratum]), np.repeat(stratum, many[copy, stratum])
    start = -_MOST_DAYS_BEFORE * (1 - rng.random(len(copy)) / 2)  # each since a day of its own: rolls begun at any time
    return copy, stratum, start, np.full(len(copy), float(days))


def _with_beds(copy: np.ndarray, start: np.ndarray, end: np.ndarray, beds: int) -> np.ndarray:
    """Indices of the airways that found a bed: those that find all taken do not come."""
    taken: dict[int, list[float]] = {}
    found = []
    for k in np.lexsort((start, copy)):
        ends = taken.setdefault(int(copy[k]), [])
        while ends and ends[0] <= start[k]:
            heappop(ends)
        if len(ends) < beds:
            heappush(ends, float(end[k]))
            found.append(k)
    return np.array(found, dtype=np.int64)
