"""Rules of thumb for one monthly series, and the back-test that holds the fitted months against them.

A rolling origin tells how each did (Hyndman & Athanasopoulos, Forecasting: Principles and Practice, 3e, sec. 5.10), by
mean absolute scaled error (Hyndman & Koehler, Int. J. Forecasting 2006;22:679, from memory): mean absolute error over
the mean absolute change from one month to the next.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

YEAR = 12
BACKTEST_HORIZON = 6
_MOST_ORIGINS = 18


@dataclass(frozen=True)
class Method:
    """One way to forecast. needs: complete months before it can be used. baseline: a rule of thumb to beat."""

    name: str
    needs: int
    baseline: bool
    ahead: Callable[[np.ndarray, int], np.ndarray]


def last_three(series: np.ndarray, months: int) -> np.ndarray:
    """The mean of the last three months, for every month ahead."""
    return np.full(months, series[-3:].mean())


def same_month_last_year(series: np.ndarray, months: int) -> np.ndarray:
    """Seasonal naive: each month as a year before."""
    return np.resize(series[-YEAR:], months)


METHODS = (
    Method("mean of the last three months", 3, True, last_three),
    Method("same month of last year", YEAR, True, same_month_last_year),
    Method("mean of all months", 3, False, lambda series, months: np.full(months, series.mean())),
    # Combining forecasts: Bates & Granger, Oper. Res. Q. 1969;20:451, from memory.
    Method("mean of both baselines", YEAR, False, lambda series, months: (
        last_three(series, months) + same_month_last_year(series, months)) / 2),
)


@dataclass(frozen=True)
class BackTest:
    """How ways of forecasting did on past months. table: as `backtest` in config/columns.csv. reason: in words."""

    table: pd.DataFrame
    reason: str


def rolling_errors(series: np.ndarray, methods: Sequence[Method] = METHODS) -> pd.DataFrame:
    """Forecasts from every origin that a method allows: columns method, origin, horizon, actual, forecast.

    origin: months known at that time. Origins begin where half of the history, and at least three months, is
    known; the last 18 at most.
    """
    rows = []
    n = len(series)
    first = max(3, min(YEAR, n // 2), n - _MOST_ORIGINS)
    for method in methods:
        for origin in range(max(method.needs, first), n):
            steps = min(BACKTEST_HORIZON, n - origin)
            ahead = method.ahead(series[:origin], steps)
            rows += [(method.name, origin, h + 1, series[origin + h], ahead[h]) for h in range(steps)]
    return pd.DataFrame(rows, columns=["method", "origin", "horizon", "actual", "forecast"])


def back_test(series: np.ndarray, used: Method | None = None) -> BackTest:
    """Hold the method that is used against rules of thumb on past months.

    series: ndarray (n,), one value a complete month, n >= 1. used: the method, None where there are no months.
    """
    methods = (*METHODS, used) if used else METHODS
    series = np.asarray(series, float)
    table = _score(series, rolling_errors(series, methods) if len(series) >= 6 else rolling_errors(series[:0]), methods)
    if used is None or not len(table):
        n = len(series)
        few = f"{n} complete month{'s' if n > 1 else ''} of census: too few to compare ways of forecasting"
        return BackTest(table, few)
    table["chosen"] = table["method"] == used.name
    own, rules = table[table["chosen"]].iloc[0], table[table["baseline"]]
    rule = rules.loc[rules["mase"].idxmin()]
    return BackTest(table, (
        f"{used.name}; scaled error {own['mase']:.2f} over {own['origins']} back-tests, that of the better rule of "
        f"thumb, '{rule['method']}', {rule['mase']:.2f}"
    ))


def _score(series: np.ndarray, errors: pd.DataFrame, methods: Sequence[Method]) -> pd.DataFrame:
    """One row a method, over the origins and months that every compared method covers."""
    columns = ["method", "baseline", "origins", "months_compared", "mase", "mean_absolute_error", "bias", "coverage_80",
               "coverage_95", "chosen"]
    if not len(errors):
        return pd.DataFrame(columns=columns)
    first = errors.groupby("method")["origin"].min()
    start = int(max(first[m.name] for m in METHODS if m.baseline and m.name in first))
    scale = max(float(np.abs(np.diff(series)).mean()), 1e-9)
    rows = []
    for method in methods:
        own = errors[(errors["method"] == method.name) & (errors["origin"] >= start)]
        if not len(own) or own["origin"].min() > start:
            continue
        miss = own["actual"] - own["forecast"]
        off = float(miss.abs().mean())
        rows.append((method.name, method.baseline, own["origin"].nunique(), len(own), off / scale, off,
                     float(-miss.mean()), *_left_out_coverage(own, (0.80, 0.95)), False))
    return pd.DataFrame(rows, columns=columns)


def _left_out_coverage(own: pd.DataFrame, shares: tuple[float, ...]) -> list[float]:
    """How often bands made of the other origins' errors hold an origin's months; NaN with under four origins."""
    from scipy.special import stdtrit

    origin, horizon = own["origin"].to_numpy(int), own["horizon"].to_numpy(int)
    miss = (own["actual"] - own["forecast"]).to_numpy(float)
    if len(np.unique(origin)) < 4:
        return [float("nan")] * len(shares)
    hits = []
    for left_out in np.unique(origin):
        here = origin == left_out
        sd, freedom = _error_model(origin[~here], horizon[~here], miss[~here], int(horizon.max()), int(left_out))
        off, sd = np.abs(miss[here]), sd[horizon[here] - 1]
        hits.append([off <= stdtrit(freedom, 0.5 + share / 2) * sd for share in shares])
    means: list[float] = np.concatenate(hits, axis=1).mean(axis=1).tolist()
    return means


def _error_model(
    origin: np.ndarray, horizon: np.ndarray, miss: np.ndarray, months: int, n_months: int
) -> tuple[np.ndarray, float]:
    """(sd by month ahead, degrees of freedom) from rolling errors of one method, all of one shape.

    Variance is a straight line in the horizon, fitted to squared errors and not falling; the degrees of freedom
    count the origins as a little more than half, because their errors overlap; the widening (1.5 / origins) pays for
    having chosen the method on the same errors, and was set on simulated series (tests/bench/bench_forecast.py).
    """
    squared, origins = miss**2, len(np.unique(origin))
    level, slope = squared.mean(), 0.0
    if len(np.unique(horizon)) > 1 and origins >= 5:
        slope = float(np.polyfit(horizon, squared, 1)[0])
        slope = float(np.clip(slope, 0.0, 0.25 * level))
    start = max(level - slope * (horizon.mean() - 1), 0.3 * level)
    variance = start + slope * np.arange(months)
    freedom = max(origins * 0.6, 3.0)
    widened = np.sqrt(1 + 1 / max(n_months, 1) + 1.5 / max(origins, 1))
    return np.sqrt(np.maximum(variance, 1e-12)) * widened, freedom
