"""Chances of attempts to draw from, at factors on the hazards: where the rate is not known, factors lie on a grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np

from kitplan.demand.resecure import (
    CONSTANT_REASONS,
    hazards_and_fresh,
    pace_of,
    present_count_pmf,
    used_columns,
    with_redos,
)
from kitplan.demand.values import kept, paced
from kitplan.read.values import FREQUENCY_COLUMNS, Unit

_TINY = 1e-12
_GRID_STEP = 0.16
_LEAST_FACTOR = 1e-3
"""Least factor of a grid, as a share of the mean: an airway slower than that is not re-secured at all."""


@dataclass(frozen=True)
class RisingCounts:
    """Cumulative chances of attempts at one factor on the hazards, counts first; counts that never come are left out.

    fresh: shape (n_counts, n_long + 1). present: shape (n_counts, STATIONARY_CHECKS + 2, n_short + 1). pace: attempts a
    check in the long run.
    """

    fresh: np.ndarray
    present: np.ndarray
    pace: float


def _rising(pmf: np.ndarray) -> np.ndarray:
    rising = np.moveaxis(np.cumsum(pmf[..., : used_columns(pmf) + 1], axis=-1), -1, 0).copy()
    rising[-1] = 1.0
    return rising


def rising_counts(
    row: Mapping[str, Any], checks_per_day: int, n_short: int, n_long: int, factor: float
) -> RisingCounts:
    """Cumulative chances of attempts at one factor on the hazards; arguments as in `attempt_table`."""
    hazard, events = hazards_and_fresh(row, checks_per_day, n_short, n_long, np.array([factor]))
    admission, redo = round(float(row["admission_secures"])), float(row["redo"])
    present = with_redos(present_count_pmf(hazard, n_short, events), redo, 0)[0]
    fresh = with_redos(events, redo, admission)[0]
    return RisingCounts(_rising(fresh), _rising(present), float(pace_of(fresh)))


_REACH_STEP = 16
_KEPT_BYTES = 6e7
_kept: dict[tuple[Any, ...], RisingCounts] = {}
_keeping = Lock()


def reach(n_checks: int, n_long: int) -> int:
    """Checks that chances are tabulated for where n_checks are asked: a few more, for somebody may ask for a little
    longer an interval."""
    return max(n_checks, min(-(-n_checks // _REACH_STEP) * _REACH_STEP, n_long))


def kept_counts(row: Mapping[str, Any], checks_per_day: int, n_short: int, n_long: int, factor: float) -> RisingCounts:
    """`rising_counts`, or the same from those last made: units of one folder mostly share a model."""
    key = (*map(str, row.values()), checks_per_day, n_short, n_long, round(factor, 12))
    with _keeping:
        found = _kept.pop(key, None)
        if found is None:
            found = rising_counts(row, checks_per_day, n_short, n_long, factor)
            while sum(counts.fresh.nbytes + counts.present.nbytes for counts in _kept.values()) > _KEPT_BYTES:
                del _kept[next(iter(_kept))]
        _kept[key] = found
    return found


@kept(16, paced)
def alike_models(unit: Unit) -> tuple[list[dict[str, float]], np.ndarray, np.ndarray]:
    """Frequency rows that differ by more than a factor on all hazards; which each stratum follows, and its factor."""
    rows: list[dict[str, float]] = []
    seen: dict[tuple[Any, ...], tuple[int, float]] = {}
    which, factor = np.zeros(unit.n_strata, dtype=np.int64), np.ones(unit.n_strata)
    for g, row in enumerate(unit.frequency[FREQUENCY_COLUMNS].to_dict("records")):
        flat, scale = float(row["flat_per_check"]), float(row["loosening_scale_hours"])
        loose = scale ** -float(row["loosening_shape"]) if np.isfinite(scale) and scale > 0 else 0.0
        hazards = np.array([loose, *(float(row[c]) for c in CONSTANT_REASONS.values())])
        if not np.isnan(flat):
            hazards = np.array([-np.log1p(-min(flat, 1 - 1e-12))])
        total = max(float(hazards.sum()), _TINY)
        rest = tuple(float(row[c]) for c in ("planned_hours", "airway_spread", "redo", "admission_secures"))
        key = (float(row["loosening_shape"]), *rest, *np.round(hazards / total, 9))
        if key not in seen:
            seen[key] = len(rows), total
            rows.append(row)
        which[g], factor[g] = seen[key][0], total / seen[key][1]
    return rows, which, factor


def factor_grid(wanted: np.ndarray) -> np.ndarray:
    """Factors on hazards, a sixth apart, that reach over all but one in 500 of those wanted at either end."""
    ends = np.quantile(wanted[:: max(len(wanted) // 50_000, 1)], [0.002, 0.998])
    ends = np.maximum(ends, _LEAST_FACTOR * wanted.mean())
    low, high = np.log(ends) / _GRID_STEP
    return np.exp(_GRID_STEP * np.arange(np.floor(low - 0.5), np.ceil(high + 0.5) + 1))
