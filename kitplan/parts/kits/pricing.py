"""Which groups of strata are worth a kit design: all of them for few strata, priced out on demand for many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.parts.kits.groups import PriceList

EXACT_STRATA = 16
"""Up to so many strata every group is listed (65,535 groups)."""

_KEEP = 150
_FRONTIER, _GROUPS_PER_CURVE_POINT = 8_000, 40_000
_HARDER = 5


@dataclass(frozen=True)
class Priced:
    """Groups found below a reduced cost. groups, costs: the best of them. least: proven lower bound on the reduced
    cost of every group. complete: every group below the limit is in `groups`."""

    groups: np.ndarray
    costs: np.ndarray
    least: float
    complete: bool


class AllGroups:
    """Every group that fits its container, listed once (2^n - 1 of them)."""

    spent = False

    def __init__(self, prices: PriceList) -> None:
        self.prices = prices
        codes = np.arange(1, 2**prices.n_strata)
        groups = (codes[:, None] >> np.arange(prices.n_strata)[None, :] & 1).astype(bool)
        costs, _ = prices.costs(groups)
        fits = np.isfinite(costs)
        self.groups, self.costs = groups[fits], costs[fits]
        self._member = self.groups.astype(float)

    def allow_more(self, harder: bool) -> None:
        """Nothing to allow: the list is complete."""

    def price(
        self, duals: np.ndarray, limit: float, keep: int = _KEEP, enough: int | None = None
    ) -> Priced:
        """Groups with cost - sum of members' duals < limit, cheapest first.

        enough: for the other source; a list needs no early end.
        """
        reduced = self.costs - self._member @ duals
        least = float(reduced.min(initial=np.inf))
        below = np.flatnonzero(reduced < limit)
        best = below[np.argsort(reduced[below], kind="stable")[:keep]]
        return Priced(self.groups[best], self.costs[best], least, len(below) <= keep)


class SearchedGroups:
    """Groups found by branch and bound over members, for more strata than can be listed.

    A group grows by strata in a fixed order. Its cost never falls when it grows, and a stratum h that joins it costs
    at least what it costs beside the group as it is (`PriceList.least_beside`); so cost - duals + sum over later h of
    min(0, least cost of h - dual_h) bounds every group that grows from it. Costs beside single members give the same
    bound faster and weaker: they sort out most groups first.
    """

    def __init__(self, prices: PriceList) -> None:
        self.prices = prices
        self._pairs = prices.least_beside(np.eye(prices.n_strata, dtype=bool))
        self._evaluated = self._allowed = self._frontier = 0
        self.allow_more(False)

    def allow_more(self, harder: bool) -> None:
        """Begin another point of the curve: allow as many groups again to be evaluated, more for the one that counts.

        Effort is counted in groups, not in seconds, so that the same input gives the same designs anywhere.
        """
        times = _HARDER if harder else 1
        self._allowed = self._evaluated + times * _GROUPS_PER_CURVE_POINT
        self._frontier = times * _FRONTIER

    @property
    def spent(self) -> bool:
        """True when the effort allowed for this point of the curve is used up."""
        return self._evaluated >= self._allowed

    def price(
        self, duals: np.ndarray, limit: float, keep: int = _KEEP, enough: int | None = None
    ) -> Priced:
        """Groups with cost - sum of members' duals < limit, cheapest first; see Priced for what was proven.

        enough: stop after the level at which so many are found; what was left unexplored still has its bound.
        """
        n = len(duals)
        order = np.argsort(np.diag(self._pairs) - duals, kind="stable")
        nodes = (np.zeros((1, n), dtype=bool), np.full((1, n), -np.inf), np.array([-1]))
        found: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        unexplored, count = np.inf, 0
        while len(nodes[0]):
            nodes, bound, good = self._level(nodes, order, duals, limit)
            found.append(good)
            count += len(good[1])
            stop = (enough is not None and count >= enough) or self.spent
            room = 0 if stop else self._frontier
            if len(bound) > room:
                best = np.argsort(bound, kind="stable")
                unexplored = min(unexplored, float(bound[best[room]]))
                nodes = tuple(a[best[:room]] for a in nodes)  # type: ignore[assignment]
        groups, costs, reduced = (np.concatenate([f[i] for f in found]) for i in range(3))
        best = np.argsort(reduced, kind="stable")
        least = min(float(reduced.min(initial=limit)), unexplored)
        complete = not np.isfinite(unexplored) and len(best) <= keep
        return Priced(groups[best[:keep]], costs[best[:keep]], least, complete)

    def _level(
        self, nodes: tuple[np.ndarray, np.ndarray, np.ndarray], order: np.ndarray, duals: np.ndarray, limit: float
    ) -> tuple[tuple[np.ndarray, np.ndarray, np.ndarray], np.ndarray, tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Grow every node by one stratum: (nodes still open, their bounds, groups below the limit)."""
        members, beside, last = self._grow(order, *nodes)
        self._evaluated += len(members)
        costs, _ = self.prices.costs(members)
        fits = np.isfinite(costs)
        members, beside, last, costs = members[fits], beside[fits], last[fits], costs[fits]
        reduced = costs - members @ duals
        good = reduced < limit
        found = members[good], costs[good], reduced[good]
        bound = self._bounds(reduced, beside, last, order, duals)
        still = bound < limit
        members, beside, last, reduced = members[still], beside[still], last[still], reduced[still]
        beside = np.maximum(beside, self.prices.least_beside(members))
        bound = self._bounds(reduced, beside, last, order, duals)
        still = bound < limit
        return (members[still], beside[still], last[still]), bound[still], found

    def _bounds(
        self, reduced: np.ndarray, beside: np.ndarray, last: np.ndarray, order: np.ndarray, duals: np.ndarray
    ) -> np.ndarray:
        """Lower bound on the reduced cost of every group that grows from each."""
        later = np.arange(len(order))[None, :] > last[:, None]
        gain = np.minimum(np.maximum(beside, np.diag(self._pairs)) - duals, 0.0)[:, order]
        return reduced + np.where(later, gain, 0.0).sum(axis=1)

    def _grow(
        self, order: np.ndarray, members: np.ndarray, beside: np.ndarray, last: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Every group one later stratum larger, with what each stratum costs at least beside it."""
        parent, place = np.nonzero(np.arange(len(order))[None, :] > last[:, None])
        grown = members[parent].copy()
        added = order[place]
        grown[np.arange(len(parent)), added] = True
        return grown, np.maximum(beside[parent], self._pairs[added]), place
