"""Invented stays and re-secure events with a known truth, for tests and measurements of what is learnt."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from kitplan.read.values import (
    FREQUENCY_COLUMNS,
    BedsidePolicy,
    Census,
    ForecastPolicy,
    PlanningPolicy,
    StockPolicy,
    Unit,
)
from tests.millimetres import in_millimetres

REASONS = ("loose", "soiled", "skin", "moved", "changed")


@dataclass(frozen=True)
class Truth:
    """One unit's truth: hazards as in Unit.frequency, with a factor for each stratum."""

    scale_hours: float = 70.0
    shape: float = 1.5
    per_day: tuple[float, float, float, float] = (0.12, 0.03, 0.05, 0.02)
    spread: float = 0.4
    factor: tuple[float, ...] = (1.0,)


def invent_stays(
    rng: np.random.Generator,
    n_days: int,
    mean_airways: float,
    mean_stay: float,
    share: np.ndarray,
    log_sd: float = 1.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Poisson arrivals from long before day 0, log-normal stays; (stratum, start, end) of those seen in the window."""
    warm = 20 * mean_stay
    n = rng.poisson(mean_airways / mean_stay * (n_days + warm))
    start = np.sort(rng.uniform(-warm, n_days, n))
    end = start + rng.lognormal(np.log(mean_stay) - log_sd**2 / 2, log_sd, n)
    seen = end > 0
    return rng.choice(len(share), n, p=share)[seen], start[seen], end[seen]


def invent_events(
    rng: np.random.Generator,
    truth: Truth,
    stratum: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    checks_per_day: int = 4,
    until: float = np.inf,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
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


def frequency_of(truth: Truth, n_strata: int) -> pd.DataFrame:
    """The truth as rows of Unit.frequency, so that the planner can be run on it."""
    factor = np.asarray(truth.factor)
    row = dict.fromkeys(FREQUENCY_COLUMNS, 0.0) | {"flat_per_check": np.nan, "admission_secures": 1.0}
    frame = pd.DataFrame([row] * n_strata, columns=FREQUENCY_COLUMNS)
    frame["loosening_scale_hours"] = truth.scale_hours * factor ** (-1 / truth.shape)
    frame["loosening_shape"] = truth.shape
    for name, value in zip(
        ("soiled_per_day", "skin_per_day", "moved_per_day", "changed_per_day"), truth.per_day
    ):
        frame[name] = value * factor
    frame["airway_spread"] = truth.spread
    return frame


def unit_of(
    n_strata: int,
    n_days: int,
    stratum: np.ndarray,
    start: np.ndarray,
    end: np.ndarray,
    stay: np.ndarray,
    day: np.ndarray,
    reason: np.ndarray,
    log_from: float = 0.0,
) -> Unit:
    """A unit that holds these stays and events as its readers would hand them on; the unit's own model is a default."""
    first = date(2024, 1, 1)
    strata = pd.DataFrame(
        {
            "route": "oral",
            "tube_mm": 2.5 + 0.5 * np.arange(n_strata),
            "technique": "oral_two_y",
            "skin": "none",
            "patient_kg": np.nan,
            "outer_mm": 4.0 + 0.6 * np.arange(n_strata),
            "span_mid_cheek_mm": 95.0,
            "span_tragus_mm": 160.0,
            "barrier_width_mm": 25.0,
            "barrier_length_mm": 40.0,
        }
    )
    strata["label"] = [f"oral {mm} mm" for mm in strata["tube_mm"]]
    strata = in_millimetres(strata)
    rows = pd.DataFrame(
        {
            "airway": [f"A{i:05d}" for i in range(len(start))],
            "stratum": stratum,
            "start": start,
            "end": np.where(end > n_days, np.nan, end),
        }
    )
    nobody = pd.DataFrame({"stratum": np.zeros(0, int), "mean_airways": np.zeros(0)})
    census = Census("stays", rows, first, first + timedelta(days=n_days - 1), None, 1.0, nobody)
    inside = (day >= log_from) & (day < n_days)
    log = pd.DataFrame(
        {
            "stratum": stratum[stay[inside]],
            "airway": rows["airway"].to_numpy()[stay[inside]],
            "day": day[inside],
            "reason": np.array(REASONS)[reason[inside]],
        }
    )
    log["date"] = [first + timedelta(days=int(d)) for d in log["day"]]
    default = frequency_of(Truth(factor=(1.0,) * n_strata), n_strata)
    return Unit(
        Path("invented"),
        "Invented unit",
        "USD",
        strata,
        census,
        default,
        4,
        {},
        pd.DataFrame({"item": []}),
        StockPolicy(7, 2, 0.95),
        BedsidePolicy(24, 0.95),
        PlanningPolicy(1, 4000, 4000, 16000, 0.005, 20.0, 8, (0.95,)),
        ForecastPolicy(12),
        log=log,
    )
