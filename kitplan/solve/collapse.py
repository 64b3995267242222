"""Thousands of scenarios, collapsed to the few different ways in which stock can fall short."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_SHORT = int(np.iinfo(np.uint16).max)
"""Numbers up to this are sorted by their two bytes (radix), several times as fast as any are picked out by size."""


@dataclass(frozen=True)
class Collapsed:
    """Scenarios as distinct vectors of levels.

    lower: what is held of each item in any case, shape (n_items,).
    levels: for each item the distinct levels above `lower` that some vector needs, ascending.
    vectors: shape (n_vectors, n_items); 0 where `lower` is enough, else k for levels[item][k - 1].
    weights: scenarios behind each vector, shape (n_vectors,). met: scenarios that `lower` meets already.
    """

    lower: np.ndarray
    levels: tuple[np.ndarray, ...]
    vectors: np.ndarray
    weights: np.ndarray
    met: int

    @property
    def reach(self) -> int:
        """Scenarios that are met when every item is held at its highest level."""
        return self.met + int(self.weights.sum())


def own_quantiles(needs: np.ndarray, required: int) -> np.ndarray:
    """Return for each item the least level that meets `required` scenarios on its own: a lower bound on par.

    needs : int, shape (n_scenarios, n_items). P(all items last) <= P(item i lasts), so any plan that
    meets `required` scenarios holds at least this much of every item.
    """
    if required <= 0:
        return np.zeros(needs.shape[1], dtype=needs.dtype)
    if needs.max(initial=0) > _SHORT:
        return np.partition(needs.T, required - 1, axis=1)[:, required - 1]
    rising = np.sort(needs.T.astype(np.uint16), axis=1, kind="stable")
    return rising[:, required - 1].astype(needs.dtype)


def collapse(needs: np.ndarray, lower: np.ndarray, upper: np.ndarray | None = None) -> Collapsed:
    """Collapse scenarios to distinct vectors of what they need above `lower`.

    needs : int, shape (n_scenarios, n_items). Scenarios that need more than `upper` anywhere are given up.
    """
    by_item = needs.T
    above = np.zeros(len(needs), dtype=bool)
    given_up = np.zeros(len(needs), dtype=bool)
    varies = np.flatnonzero(by_item.max(axis=1, initial=0) > lower)
    for i in varies:
        above |= by_item[i] > lower[i]
        if upper is not None:
            given_up |= by_item[i] > upper[i]
    left = by_item[varies][:, above & ~given_up]
    levels, ranks = [np.zeros(0, dtype=needs.dtype)] * len(lower), np.zeros(left.shape, dtype=np.uint32)
    for k, i in enumerate(varies):
        more = left[k] > lower[i]
        levels[i], place = np.unique(left[k][more], return_inverse=True)
        ranks[k, more] = place + 1
    found, weights = _distinct_rows(ranks.T)
    vectors = np.zeros((len(found), len(lower)), dtype=np.int64)
    vectors[:, varies] = found
    return Collapsed(lower.copy(), tuple(levels), vectors, weights, len(needs) - int(np.count_nonzero(above)))


def restrict(collapsed: Collapsed, low: np.ndarray, high: np.ndarray) -> Collapsed:
    """Return the cover of plans that reach levels `low` to `high` of each item (0: the lower bound).

    low, high : int, shape (n_items,). Vectors that need more than `high` anywhere are given up; vectors alike
    after the cut stay apart, which changes no sum.
    """
    kept = np.all(collapsed.vectors <= high, axis=1)
    vectors, weights = np.where(collapsed.vectors <= low, 0, collapsed.vectors - low)[kept], collapsed.weights[kept]
    open_still = vectors.any(axis=1)
    ladders = [np.concatenate(([base], levels)) for base, levels in zip(collapsed.lower, collapsed.levels)]
    return Collapsed(
        np.array([ladder[k] for ladder, k in zip(ladders, low)]),
        tuple(levels[a:b] for levels, a, b in zip(collapsed.levels, low, high)),
        vectors[open_still],
        weights[open_still],
        collapsed.met + int(weights[~open_still].sum()),
    )


def _distinct_rows(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return distinct rows and how often each occurs, by sorting one 64-bit mark a row instead of whole rows."""
    mix = np.random.default_rng(0).integers(1, 2**63, rows.shape[1], dtype=np.uint64) | np.uint64(1)
    marks = (rows.astype(np.uint64) * mix).sum(axis=1, dtype=np.uint64)
    _, first, which, counts = np.unique(marks, return_index=True, return_inverse=True, return_counts=True)
    if not np.array_equal(rows[first][which], rows):
        found, number = np.unique(rows, axis=0, return_counts=True)
        return found.astype(np.int64), number
    return rows[first].astype(np.int64), counts
