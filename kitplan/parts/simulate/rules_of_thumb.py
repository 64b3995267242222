"""Par levels by rules of thumb, to be compared with the plan: each item by itself, in single items like the plan's.

The rules are common practice, no source: so many times the mean, the mean and so many standard deviations,
the most ever used. Emergency floors hold under every rule, so that no comparison rests on taking a mask away.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from kitplan.demand.whole import whole_up

Rule = Callable[[float], np.ndarray]

STEPS, MOST = 24, 64.0
"""Halvings of the interval in which a rule's factor is sought (to one part in 16 million), and its upper end."""


def rules(intervals: np.ndarray, a_year: int, floor_units: np.ndarray) -> Mapping[str, tuple[Rule, tuple[float, ...]]]:
    """Name -> (par units as a function of the factor, factors in common use), from what a coordinator may know.

    intervals: past use per protection interval, shape (n_intervals, replications, n_items): mean and deviation are of
    all, the most of one year, the first `a_year` of replication 0.
    """
    flat = intervals.reshape(-1, intervals.shape[-1])
    mean, sd, most = flat.mean(axis=0), flat.std(axis=0, ddof=1), intervals[:a_year, 0].max(axis=0)

    def rounded_up(units: np.ndarray) -> np.ndarray:
        return np.asarray(whole_up(np.maximum(units, floor_units)))

    return {
        "{:.3g} x mean use": (lambda k: rounded_up(k * mean), (1.5, 2.0)),
        "mean + {:.3g} sd": (lambda z: rounded_up(mean + z * sd), (1.645, 2.326)),
        "{:.3g} x most ever used": (lambda f: rounded_up(f * most), (1.0,)),
    }


def tune(each: list[Rule], ready: Callable[[np.ndarray], np.ndarray], target: float) -> list[float | None]:
    """Smallest factor of each rule whose ready share reaches `target`, by halving; None where none does.

    ready: par units, shape (n_rules, n_items) -> ready share, shape (n_rules,). All rules are sought
    together.
    """
    low, high = np.zeros(len(each)), np.full(len(each), MOST)
    reached = ready(np.stack([rule(f) for rule, f in zip(each, high)])) >= target
    for _ in range(STEPS):
        middle = (low + high) / 2
        enough = ready(np.stack([rule(f) for rule, f in zip(each, middle)])) >= target
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return [float(f) if ok else None for f, ok in zip(high, reached)]
