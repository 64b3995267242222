"""Beds as a bound: whether they may all be taken, when they are, and who then does not come."""

from __future__ import annotations

import numpy as np

from kitplan.demand.posterior import Posterior


def may_fill(posterior: Posterior, beds: int) -> bool:
    """Whether every bed may be taken now and then: some draw's busy weeks reach so far."""
    mean = (posterior.arrivals * posterior.mean_stays).sum(axis=1)
    peak = mean * np.exp(np.abs(posterior.swing).sum(axis=1))
    spread = np.sqrt(peak + posterior.burst * peak**2)
    return bool((peak + 4 * spread > beds).any())


def overfull(
    scenario: np.ndarray, start: np.ndarray, stop: np.ndarray, beds: int, days: float, n_scenarios: int
) -> np.ndarray:
    """Scenarios in which more airways than beds are there on one of the interval's days."""
    n_days = int(np.ceil(days))
    came = np.clip(np.floor(start), 0, n_days).astype(np.int32)
    left = np.clip(np.ceil(stop), came, n_days).astype(np.int32)
    row = scenario * np.int32(n_days + 1)
    size = n_scenarios * (n_days + 1)
    change = np.bincount(row + came, minlength=size) - np.bincount(row + left, minlength=size)
    there = np.cumsum(change.reshape(n_scenarios, n_days + 1), axis=1)
    full: np.ndarray = np.any(there[:, :n_days] > beds, axis=1)
    return full


def bedded(
    scenario: np.ndarray, start: np.ndarray, stop: np.ndarray, beds: int, n_scenarios: int
) -> np.ndarray:
    """Which airways find a bed: those there when the interval begins, then in order of arrival."""
    order = np.lexsort((start, scenario))
    scenario, start, stop = scenario[order], start[order], stop[order]
    count = np.bincount(scenario, minlength=n_scenarios)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    kept = np.zeros(len(order), dtype=bool)
    free_at = np.full((n_scenarios, beds), -np.inf)
    for k in range(int(count.max(initial=0))):
        own = np.flatnonzero(count > k)
        row = first[own] + k
        bed = free_at[own].argmin(axis=1)
        fits = free_at[own, bed] <= np.maximum(start[row], 0.0)
        kept[row[fits]] = True
        free_at[own[fits], bed[fits]] = stop[row[fits]]
    found = np.zeros(len(order), dtype=bool)
    found[order] = kept
    return found
