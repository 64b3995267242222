"""How long airways stay: what the unit's own stays, or the policy's log-normal, say, and how sure they are of it.

The law of the stay is a hazard of leaving that is constant within pieces of time; the last piece is open, so that long
stays go on at their steady pace and none is cut. With a gamma prior on each piece the posterior is gamma again (gamma
process prior: Kalbfleisch, J R Stat Soc B 1978;40:214, from memory); with as many pieces as ends it is the Bayesian
bootstrap of the Kaplan-Meier curve (Lo, Ann Stat 1993;21:100, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from kitplan.demand.search import last_reached
from kitplan.demand.streams import even_normals, even_places

ENDS_A_PIECE = 8
MOST_PIECES = 40
ENDS_IN_THE_TAIL = 16
"""Pieces hold as many ends each; the last is halved while both halves hold ENDS_IN_THE_TAIL."""
_PRIOR_ENDS = 0.5
"""Ends that the prior is worth in each piece, at the pace of all stays."""
_LONGEST_MEAN_DAYS = 1000.0
"""Mean of what is left of a long stay at most, or ten times the longest seen: where hardly anybody has left yet, the
chances alone would let airways stay for ever and fill any house."""
_LEAST_HAZARD = 1e-9
"""Chance a day of leaving where nobody leaves, so that no hazard is divided by as 0."""
_LOG_NORMAL_EDGES = np.concatenate([[0.0], np.geomspace(0.01, 60.0, 111)])
"""Pieces of the log-normal in means of the stay: between them it is matched exactly, and its mean too."""


@dataclass(frozen=True)
class StayLaw:
    """Draws of the law of the stay. edges: days, shape (n_pieces,), lower edge of each piece, first 0, last piece open.

    hazard: chance a day of leaving, shape (n_draws, n_pieces), above 0.
    """

    edges: np.ndarray
    hazard: np.ndarray

    @cached_property
    def _gone(self) -> np.ndarray:
        """Cumulative hazard at the edges, shape (n_draws, n_pieces)."""
        steps = self.hazard[:, :-1] * np.diff(self.edges)
        return np.concatenate([np.zeros((len(steps), 1)), np.cumsum(steps, axis=1)], axis=1)

    @cached_property
    def _filled(self) -> np.ndarray:
        """Area under the survival curve up to the edges, days, shape (n_draws, n_pieces)."""
        hazard, length = self.hazard[:, :-1], np.diff(self.edges)
        steps = np.exp(-self._gone[:, :-1]) * -np.expm1(-hazard * length) / hazard
        return np.concatenate([np.zeros((len(steps), 1)), np.cumsum(steps, axis=1)], axis=1)

    @cached_property
    def mean(self) -> np.ndarray:
        """Mean stay of each draw, days, shape (n_draws,)."""
        return self._filled[:, -1] + np.exp(-self._gone[:, -1]) / self.hazard[:, -1]

    def survival(self, draw: np.ndarray, days: np.ndarray) -> np.ndarray:
        """Chance of staying longer than `days` under each draw (broadcast together)."""
        piece = np.searchsorted(self.edges, days, side="right") - 1
        return np.exp(-self._gone[draw, piece] - self.hazard[draw, piece] * (days - self.edges[piece]))

    def area(self, draw: np.ndarray, days: np.ndarray) -> np.ndarray:
        """Area under the survival curve of each draw from 0 to `days` (broadcast together), days; inf is allowed."""
        piece = np.searchsorted(self.edges, days, side="right") - 1
        hazard = self.hazard[draw, piece]
        rest = np.exp(-self._gone[draw, piece]) * -np.expm1(-hazard * (days - self.edges[piece])) / hazard
        return self._filled[draw, piece] + rest

    def lengths(self, draw: np.ndarray, hazards: np.ndarray) -> np.ndarray:
        """Days at which the cumulative hazard of each draw reaches `hazards` (exponential numbers: stays)."""
        piece, cell = last_reached(self._gone, draw, hazards)
        return self.edges.take(piece) + (hazards - self._gone.take(cell)) / self.hazard.take(cell)

    def ages(self, draw: np.ndarray, area: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Days at which the area of each draw reaches `area`, and the cumulative hazard there."""
        piece, cell = last_reached(self._filled, draw, area)
        hazard, gone = self.hazard.take(cell), self._gone.take(cell)
        left = 1.0 - (area - self._filled.take(cell)) * hazard * np.exp(gone)
        more = -np.log(np.maximum(left, 1e-12))
        return self.edges.take(piece) + more / hazard, gone + more

    def take(self, rows: np.ndarray) -> StayLaw:
        return StayLaw(self.edges, self.hazard[rows])

    def known(self) -> StayLaw:
        """The one law of all draws together, whose survival is the mean of theirs, in every draw."""
        probe = np.append(self.edges, self.edges[-1] + 2.0 / self.hazard[:, -1].mean())
        alive = self.survival(np.arange(len(self.hazard))[:, None], probe[None, :]).mean(axis=0)
        gone = -np.log(np.maximum(alive, 1e-300))
        hazard = np.maximum(np.diff(gone) / np.diff(probe), _LEAST_HAZARD)
        return StayLaw(self.edges, np.tile(hazard, (len(self.hazard), 1)))


def learn_stays(days: np.ndarray, ended: np.ndarray, guess_days: float, n_draws: int, seed: int) -> StayLaw:
    """Draw the law of the stay from stays (days, shape (n,)) that ended, or are still going on (right-censored).

    guess_days: mean stay that a single end is weighed against where none or few have ended.
    """
    days = np.maximum(days, 1e-3)
    n_ends = int(ended.sum())
    pieces = int(np.clip(n_ends // ENDS_A_PIECE, 1, MOST_PIECES))
    halvings = int(np.log2(max(n_ends / pieces / ENDS_IN_THE_TAIL, 1)))
    shares = np.concatenate([np.arange(1, pieces) / pieces, 1 - 0.5 ** np.arange(1, halvings + 1) / pieces])
    seen = np.unique(days[ended])
    at = np.searchsorted(seen, np.quantile(days[ended], shares), side="right") if len(shares) else np.zeros(0, int)
    # Whole days fall inside a piece, not on its edge; those still there after the last end have a piece of their own.
    last = 1.01 * seen[-1] if n_ends and days.max() > 1.01 * seen[-1] else np.inf
    between = np.append((seen[1:] + seen[:-1]) / 2, last)
    edges = np.unique(np.concatenate([[0.0], between[np.maximum(at - 1, 0)]]))
    edges = edges[np.isfinite(edges)]
    upper = np.append(edges[1:], np.inf)
    exposure = (np.minimum(days[:, None], upper) - edges).clip(0).sum(axis=0)
    ends = np.bincount(np.searchsorted(edges, days[ended], side="left") - 1, minlength=len(edges))
    pace = (n_ends + _PRIOR_ENDS) / (days.sum() + _PRIOR_ENDS * guess_days)
    shape, rate = ends + _PRIOR_ENDS, exposure + _PRIOR_ENDS / pace
    place = _stay_places(seed, n_draws)[1]
    drawn = np.stack([_gamma_quantiles(seed, n_draws, float(k))[place[:, piece]] for piece, k in enumerate(shape)],
                     axis=1)
    hazard = np.maximum(drawn / rate, 1e-6)
    hazard[:, -1] = np.maximum(hazard[:, -1], 1 / max(_LONGEST_MEAN_DAYS, 10 * float(days.max())))
    return StayLaw(edges, hazard)


@lru_cache(maxsize=512)
def _gamma_quantiles(seed: int, n_draws: int, shape: float) -> np.ndarray:
    """Gamma numbers of rate 1 at the values of `_stay_places`: most pieces of most lists hold as many ends each."""
    from scipy.special import gammaincinv

    return gammaincinv(shape, _stay_places(seed, n_draws)[0])


@lru_cache(maxsize=4)
def _stay_places(seed: int, n_draws: int) -> tuple[np.ndarray, np.ndarray]:
    """For more pieces than any list has (40, and a halving of the last for each doubling of the ends)."""
    return even_places(seed, "stays", n_draws, 2 * MOST_PIECES)


def log_normal_stays(mean_days: np.ndarray, log_sd: np.ndarray) -> StayLaw:
    """The log-normal law as pieces of constant hazard; mean_days, log_sd: shape (n_draws,). The mean is kept."""
    from scipy.special import log_ndtr

    middle = float(np.median(mean_days))
    edges = _LOG_NORMAL_EDGES * middle
    sigma = np.maximum(log_sd, 0.05)[:, None]
    with np.errstate(divide="ignore"):
        place = (np.log(edges) - np.log(mean_days)[:, None]) / sigma + sigma / 2
    gone = np.minimum(-log_ndtr(-place), 60.0)
    inner = np.maximum(np.diff(gone, axis=1) / np.diff(edges), _LEAST_HAZARD)
    short = StayLaw(edges, np.concatenate([inner, inner[:, -1:]], axis=1))
    left = np.maximum(mean_days - short._filled[:, -1], 1e-9 * middle)
    hazard = np.concatenate([inner, (np.exp(-gone[:, -1]) / left)[:, None]], axis=1)
    return StayLaw(edges, np.clip(hazard, _LEAST_HAZARD, 1e9))


def range_draws(low: float, high: float, n_draws: int, seed: int, name: str) -> np.ndarray:
    """Log-normal numbers of which 90 % lie between low and high, shape (n_draws,)."""
    middle, spread = np.log(low * high) / 2, np.log(high / low) / 2 / 1.6448536269514722
    return np.exp(middle + spread * even_normals(seed, name, n_draws))
