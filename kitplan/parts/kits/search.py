"""Good partitions into kit designs by merging, moving and splitting again: where the exact search starts from."""

from __future__ import annotations

import numpy as np

from kitplan.parts.kits.groups import PriceList

_TINY = 1e-6
_SEEDS = 400
"""Pairs of seeds tried in one division, evenly spread over all pairs where there are more."""


def merged_to(prices: PriceList, limit: float, groups: np.ndarray, designs: int) -> np.ndarray:
    """Join groups, cheapest first, until at most `designs` are left or the container forbids more."""
    while len(groups) > designs and (fewer := merge(prices, limit, groups)) is not None:
        groups = fewer
    return groups


def merge(prices: PriceList, limit: float, groups: np.ndarray) -> np.ndarray | None:
    """Join the two groups whose union costs least more than both; None when no union fits the container."""
    costs, _ = prices.costs(groups)
    first, second = np.triu_indices(len(groups), 1)
    union = groups[first] | groups[second]
    cost, litres = prices.costs(union)
    rise = np.where((litres <= limit) & np.isfinite(cost), cost - costs[first] - costs[second], np.inf)
    if not len(rise) or not np.isfinite(rise.min()):
        return None
    best = int(np.argmin(rise))
    others = np.delete(groups, [first[best], second[best]], axis=0)
    return np.concatenate([others, union[[best]]])


def moved(prices: PriceList, limit: float, groups: np.ndarray) -> np.ndarray:
    """Move one stratum at a time to the group where it costs least, until no move helps."""
    groups = groups.copy()
    while True:
        costs, _ = prices.costs(groups)
        home = np.argmax(groups, axis=0)
        n_groups, n = groups.shape
        stratum, target = (a.ravel() for a in np.meshgrid(np.arange(n), np.arange(n_groups), indexing="ij"))
        left, joined = groups[home[stratum]].copy(), groups[target].copy()
        left[np.arange(len(stratum)), stratum] = False
        joined[np.arange(len(stratum)), stratum] = True
        left_cost, _ = prices.costs(left)
        joined_cost, litres = prices.costs(joined)
        gain = costs[home[stratum]] + costs[target] - left_cost - joined_cost
        allowed = (home[stratum] != target) & left.any(axis=1) & (litres <= limit) & np.isfinite(joined_cost)
        gain = np.where(allowed, gain, -np.inf)
        best = int(np.argmax(gain))
        if not gain[best] > _TINY:
            return groups
        groups[home[stratum[best]]] = left[best]
        groups[target[best]] = joined[best]


def resplit(prices: PriceList, limit: float, groups: np.ndarray) -> np.ndarray:
    """Divide the union of every two groups again, from every pair of seeds, as long as that helps."""
    groups = groups.copy()
    better = True
    while better:
        better = False
        for first, second in zip(*np.triu_indices(len(groups), 1)):
            before = prices.costs(groups[[first, second]])[0].sum()
            parts, cost = _split(prices, limit, groups[first] | groups[second])
            if cost < before - _TINY:
                groups[[first, second]] = parts
                groups = moved(prices, limit, groups)
                better = True
    return groups


def _split(prices: PriceList, limit: float, members: np.ndarray) -> tuple[np.ndarray, float]:
    """Best of the divisions in two that grow from each pair of members, taking the others in one after another."""
    inside = np.flatnonzero(members)
    one, two = (inside[k] for k in np.triu_indices(len(inside), 1))
    stride = -(-len(one) // _SEEDS)
    one, two = one[::stride], two[::stride]
    left, right = (np.zeros((len(one), len(members)), dtype=bool) for _ in range(2))
    rows = np.arange(len(one))
    left[rows, one], right[rows, two] = True, True
    left_cost, right_cost = _cost(prices, limit, left), _cost(prices, limit, right)
    for stratum in inside:
        free = ~(left[:, stratum] | right[:, stratum])
        with_left, with_right = left.copy(), right.copy()
        with_left[free, stratum] = with_right[free, stratum] = True
        grown_left, grown_right = _cost(prices, limit, with_left), _cost(prices, limit, with_right)
        to_left = free & (_rise(left_cost, grown_left) <= _rise(right_cost, grown_right))
        to_right = free & ~to_left
        left[to_left, stratum], right[to_right, stratum] = True, True
        left_cost, right_cost = np.where(to_left, grown_left, left_cost), np.where(to_right, grown_right, right_cost)
    total = left_cost + right_cost
    best = int(np.argmin(total))
    return np.stack([left[best], right[best]]), float(total[best])


def _cost(prices: PriceList, limit: float, groups: np.ndarray) -> np.ndarray:
    costs, litres = prices.costs(groups)
    return np.where(litres <= limit, costs, np.inf)


def _rise(before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """What growing costs; infinite where the grown group no longer fits."""
    return np.where(np.isfinite(after), after - np.where(np.isfinite(before), before, 0.0), np.inf)
