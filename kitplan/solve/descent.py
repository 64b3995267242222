"""Stepping down: from a shelf that meets everything to a cheaper one, the best bargain first.

Each step lowers one item by one level, the one that saves most money for each scenario it gives up. It is
quick and nearly optimal; it never proves anything. The linear program does that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.solve.collapse import Collapsed


@dataclass(frozen=True)
class Descent:
    """The plans passed on the way down, most ready first.

    par: levels, shape (n_plans, n_items). ready: scenarios met by each plan, shape (n_plans,).
    """

    par: np.ndarray
    ready: np.ndarray

    def cheapest_with(self, required: int) -> np.ndarray | None:
        """Return the last plan that still meets `required` scenarios, or None."""
        good = np.flatnonzero(self.ready >= required)
        return self.par[good[-1]] if len(good) else None


class _Slope:
    """What is still met, and what each next step down would save and lose (working state of `descend`)."""

    def __init__(self, collapsed: Collapsed, cost: np.ndarray) -> None:
        heights = np.array([len(found) + 1 for found in collapsed.levels])
        self.bottom = (np.cumsum(heights) - heights).astype(np.intp)
        ladders = [rung for low, found in zip(collapsed.lower, collapsed.levels) for rung in ([low], found)]
        self.rung_levels = np.concatenate(ladders)
        rises = np.diff(self.rung_levels, prepend=0)
        rises[self.bottom] = 0
        self.saving = rises * np.repeat(cost, heights)
        varies = np.flatnonzero(heights > 1)
        vectors = collapsed.vectors[:, varies]
        self.rung = vectors + self.bottom[varies]
        self.weights = collapsed.weights.astype(float)
        self.lost_by = self._tally(slice(None))
        vector, item = np.nonzero(vectors)
        by_rung = self.rung[vector, item]
        order = np.argsort(by_rung, kind="stable")
        self.needing = vector[order]
        self.start = np.searchsorted(by_rung[order], np.arange(len(self.rung_levels) + 1))
        self.met = np.ones(len(self.weights), dtype=bool)
        self.at = self.bottom + heights - 1

    def _tally(self, rows: slice | np.ndarray) -> np.ndarray:
        rungs = self.rung[rows]
        weights = np.repeat(self.weights[rows], self.rung.shape[1])
        return np.bincount(rungs.ravel(), weights=weights, minlength=len(self.rung_levels))

    def best_step(self, may_lose: float) -> int | None:
        """Return the item whose next step down saves most per scenario lost, within `may_lose`; or None."""
        loss = self.lost_by[self.at]
        rate = self.saving[self.at] / np.maximum(loss, 1e-9)
        rate[(self.at <= self.bottom) | (loss > may_lose)] = -1.0
        item = int(np.argmax(rate))
        return None if rate[item] < 0.0 else item

    def step_down(self, item: int) -> int:
        """Lower `item` by one level; return the scenarios lost by it."""
        rung = self.at[item]
        lost = self.needing[self.start[rung] : self.start[rung + 1]]
        lost = lost[self.met[lost]]
        self.met[lost] = False
        if len(lost):
            self.lost_by -= self._tally(lost)
        self.at[item] = rung - 1
        return int(self.weights[lost].sum())


def descend(collapsed: Collapsed, cost: np.ndarray, stop: int) -> Descent:
    """Step down from the highest levels of `collapsed` until no step keeps `stop` scenarios met.

    cost : what one more of each item costs, shape (n_items,); negative counts as nothing saved.
    """
    ready = collapsed.reach
    slope = _Slope(collapsed, np.maximum(cost, 0.0))
    plans, met = [slope.rung_levels[slope.at]], [ready]
    while (item := slope.best_step(ready - stop)) is not None:
        ready -= slope.step_down(item)
        plans.append(slope.rung_levels[slope.at])
        met.append(ready)
    return Descent(np.array(plans), np.array(met))
