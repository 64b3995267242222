"""Par levels by rules of thumb, to be compared with the plan: each item by itself, in single items like the plan's.

The rules are common practice, no source: so many times the mean, the mean and so many standard deviations,
the most ever used. Emergency floors hold under every rule, so that no comparison rests on taking a mask away.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from kitplan.demand.whole import whole_up

Rule = Callable[[float], np.ndarray]

STEPS = 24
"""Halvings of the interval in which a rule's factor is sought: to one part in 16 million."""


@dataclass(frozen=True)
class Records:
    """What a coordinator may know of past use, per protection interval. Arrays of shape (n_items,).

    mean, sd: over many intervals. most: largest of one year's intervals.
    """

    mean: np.ndarray
    sd: np.ndarray
    most: np.ndarray


def records(intervals: np.ndarray, a_year: int) -> Records:
    """Summarise use, shape (n_intervals, replications, n_items); the first `a_year` of replication 0 give
    the most.
    """
    flat = intervals.reshape(-1, intervals.shape[-1])
    return Records(flat.mean(axis=0), flat.std(axis=0, ddof=1), intervals[:a_year, 0].max(axis=0))


def rounded_up(units: np.ndarray, floor_units: np.ndarray) -> np.ndarray:
    """Round par up to whole items and to the floors; int, shape (n_items,)."""
    return np.asarray(whole_up(np.maximum(units, floor_units)))


def rules(known: Records, floor_units: np.ndarray) -> Mapping[str, tuple[Rule, tuple[float, ...]]]:
    """Name -> (par units as a function of the factor, factors in common use)."""
    return {
        "{:.3g} x mean use": (lambda k: rounded_up(k * known.mean, floor_units), (1.5, 2.0)),
        "mean + {:.3g} sd": (lambda z: rounded_up(known.mean + z * known.sd, floor_units), (1.645, 2.326)),
        "{:.3g} x most ever used": (lambda f: rounded_up(f * known.most, floor_units), (1.0,)),
    }


def tune(
    each: list[Rule], ready: Callable[[np.ndarray], np.ndarray], target: float, most: float = 64.0
) -> list[float | None]:
    """Smallest factor of each rule whose ready share reaches `target`, by halving; None where none does.

    ready: par units, shape (n_rules, n_items) -> ready share, shape (n_rules,). All rules are sought
    together.
    """
    low, high = np.zeros(len(each)), np.full(len(each), most)
    if not each:
        return []
    reached = ready(np.stack([rule(f) for rule, f in zip(each, high)])) >= target
    for _ in range(STEPS):
        middle = (low + high) / 2
        enough = ready(np.stack([rule(f) for rule, f in zip(each, middle)])) >= target
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return [float(f) if ok else None for f, ok in zip(high, reached)]
