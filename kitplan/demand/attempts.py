"""Attempts of given airways before an interval and in it: how prone each is to loosen, then the exact renewal count."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from kitplan.demand.item_choice import AttemptTables
from kitplan.demand.posterior import Posterior
from kitplan.demand.rate_grid import RisingCounts, alike_models, factor_grid
from kitplan.demand.resecure import frailty_nodes, frequency_models
from kitplan.demand.search import passed
from kitplan.demand.streams import uniforms
from kitplan.demand.values import Episodes
from kitplan.read.values import Unit


@dataclass(frozen=True)
class HazardLots:
    """Strata whose hazards differ by a factor only, and the chances that their attempts are drawn from.

    strata: bool, (n_strata,). edges: cumulative weights of the frailty points, from 0. counts: chances at each factor
    of a grid. low, up: for each draw, stratum and frailty point, flat, the grid point below its factor and the chance
    of the next one, so that the mean hazard is kept; both empty where nothing is left open and the grid are the
    frailty points themselves.
    """

    strata: np.ndarray
    edges: np.ndarray
    counts: tuple[RisingCounts, ...]
    low: np.ndarray
    up: np.ndarray

    def of(self, episodes: Episodes, points: np.ndarray) -> Iterator[tuple[np.ndarray, RisingCounts]]:
        """Places of these strata's episodes, each lot with its chances. points: uniform numbers, one an episode."""
        mine = _of_strata(episodes, self.strata)
        points = points[mine]
        node = _step(self.edges, points)
        if len(self.low):
            lot = (points - self.edges[node]) / np.diff(self.edges)[node]
            cell = episodes.draw[episodes.scenario[mine]] * np.int64(len(self.strata)) + episodes.stratum[mine]
            cell = cell * (len(self.edges) - 1) + node
            node = self.low[cell] + (lot < self.up[cell])
        few = node.astype(np.int16)  # short numbers are sorted by counting them
        order = np.argsort(few, kind="stable")
        ends = np.concatenate([[0], np.cumsum(np.bincount(few, minlength=len(self.counts)))])
        for start, stop, chances in zip(ends, ends[1:], self.counts):
            if stop > start:
                yield mine[order[start:stop]], chances


def _of_strata(episodes: Episodes, strata: np.ndarray) -> np.ndarray:
    return np.arange(len(episodes.stratum)) if strata.all() else np.flatnonzero(strata[episodes.stratum])


def hazard_lots(
    unit: Unit, posterior: Posterior, seen: Episodes, n_checks: int, tables: AttemptTables, seed: int, stream: str
) -> list[HazardLots]:
    """Chances of attempts of every stratum, over up to n_checks. Where the rate is not known, hazards carry its factor
    too: the factors lie on a grid that reaches over those of the airways `seen`.
    """
    lots, open_rate = [], (posterior.hazard != 1.0).any()
    if open_rate:
        rows, which, factor = alike_models(unit)
        rate = posterior.hazard * factor
    else:
        models, which = frequency_models(unit)
        rows = models.to_dict("records")
    for m, row in enumerate(rows):
        nodes, weights = frailty_nodes(float(row["airway_spread"]), unit.planning.frailty_nodes)
        edges, grid, low, up = np.append(0.0, np.cumsum(weights)), nodes, np.zeros(0), np.zeros(0)
        if open_rate:
            some = _of_strata(seen, which == m)
            some = some[:: max(len(some) // 50_000, 1)]
            node = _step(edges, uniforms(seed, f"{stream}/frailty", seen.name[some]))
            wanted = rate[:, :, None] * nodes
            theirs = nodes[node] * rate[seen.draw[seen.scenario[some]], seen.stratum[some]]
            grid = factor_grid(theirs if len(theirs) else wanted[:, which == m].ravel())
            wanted = np.clip(wanted.ravel(), grid[0], grid[-1])
            low = _step(grid, wanted).astype(np.int16)
            up = (wanted - grid[low]) / (grid[low + 1] - grid[low])
        lots.append(HazardLots(which == m, edges, tables.on_grid(unit, row, grid, n_checks), low, up))
    return lots


def _step(edges: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Between which two of the edges each value lies; those beyond the ends lie in the first and the last step."""
    return passed(edges[1:-1], 0, 1, len(edges) - 2, values, equal=True)


def draw_attempts(
    episodes: Episodes, hazards: Sequence[HazardLots], seed: int, stream: str
) -> tuple[np.ndarray, np.ndarray]:
    """Attempts of each airway before and during the interval, int32; before it only where there are some in it."""
    points, u_during = (uniforms(seed, f"{stream}/{use}", episodes.name) for use in ("frailty", "attempts"))
    before, during = np.zeros((2, len(points)), dtype=np.int32)
    lots = [lot for alike in hazards for lot in alike.of(episodes, points)]
    for mine, counts in lots:
        fresh = episodes.fresh[mine]
        old, new = mine[np.flatnonzero(~fresh)], mine[np.flatnonzero(fresh)]
        ages = np.minimum(episodes.prior_checks[old], counts.present.shape[1] - 1)
        cell = ages * counts.present.shape[2] + episodes.checks[old]
        during[old] = _invert(counts.present.reshape(len(counts.present), -1), cell, u_during[old])
        during[new] = _invert(counts.fresh, episodes.checks[new], u_during[new])
    asked = np.flatnonzero(~episodes.fresh & (during > 0))
    earlier = np.zeros(len(points))
    earlier[asked] = uniforms(seed, f"{stream}/earlier", episodes.name[asked])
    for mine, counts in lots:
        old = mine[earlier[mine] > 0]
        prior = episodes.prior_checks[old]
        known = np.minimum(prior, counts.fresh.shape[1] - 1)
        before[old] = _invert(counts.fresh, known, earlier[old]) + np.rint(counts.pace * (prior - known))
    return before, during


def _invert(rising: np.ndarray, row: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Draw counts by inverting the cumulative chances rising[:, row] at u, for all elements at once."""
    return passed(rising.ravel(), row, rising.shape[1], len(rising) - 1, u)
