"""Invented stays and re-secure events with a known truth, for tests and measurements of what is learnt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

REASONS = ("loose", "soiled", "skin", "moved", "changed")


@dataclass(frozen=True)
class Truth:
    """One unit's truth: hazards as in Unit.frequency, with a factor for each stratum."""

    scale_hours: float = 70.0
    shape: float = 1.5
    per_day: tuple[float, float, float, float] = (0.12, 0.03, 0.05, 0.02)
    spread: float = 0.4
    factor: tuple[float, ...] = (1.0,)


def invent_stays(rng: np.random.Generator, n_days: int, mean_airways: float, mean_stay: float, share: np.ndarray,
                 log_sd: float = 1.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Poisson arrivals from long before day 0, log-normal stays; (stratum, start, end) of those seen in the window."""
    warm = 20 * mean_stay
    n = rng.poisson(mean_airways / mean_stay * (n_days + warm))
    start = np.sort(rng.uniform(-warm, n_days, n))
    end = start + rng.lognormal(np.log(mean_stay) - log_sd**2 / 2, log_sd, n)
    seen = end > 0
    return rng.choice(len(share), n, p=share)[seen], start[seen], end[seen]


def invent_events(rng: np.random.Generator, truth: Truth, stratum: np.ndarray, start: np.ndarray, end: np.ndarray,
                  checks_per_day: int = 4, until: float = np.inf) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Look at every airway at fixed times of the day; returns (stay, day, reason number) of each renewal.

    Written check by check and not from the planner's formulas: wear in true hours, one draw a check.
    """
    frailty = np.ones(len(start))
    if truth.spread > 0:
        frailty = rng.gamma(1 / truth.spread**2, truth.spread**2, len(start))
    frailty = frailty * np.asarray(truth.factor)[stratum]
    secured, looked = start.copy(), start.copy()
    found: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
    step = 1.0 / checks_per_day
    constants = np.asarray(truth.per_day)
    last = min(end.max(), until)
    for k in range(int(np.floor(start.min() * checks_per_day)), int(np.floor(last * checks_per_day)) + 1):
        now = k * step
        here = np.nonzero((start < now) & (end >= now))[0]
        if not len(here):
            continue
        loosening = (24 * (now - secured[here]) / truth.scale_hours) ** truth.shape
        loosening -= (24 * (looked[here] - secured[here]) / truth.scale_hours) ** truth.shape
        parts = np.column_stack([loosening, np.outer(now - looked[here], constants)])
        total = parts.sum(axis=1)
        hit = rng.random(len(here)) < -np.expm1(-frailty[here] * total)
        looked[here] = now
        chosen = here[hit]
        if len(chosen):
            ladder = np.cumsum(parts[hit] / total[hit, None], axis=1)
            reason = (rng.random(len(chosen))[:, None] > ladder).sum(axis=1)
            secured[chosen] = now
            found.append((chosen, np.full(len(chosen), now), np.minimum(reason, 4)))
    if not found:
        return np.zeros(0, int), np.zeros(0), np.zeros(0, int)
    stay, day, reason = (np.concatenate(x) for x in zip(*found))
    order = np.lexsort((day, stay))
    return stay[order], day[order], reason[order]
