"""Forecasts of one monthly series, their back-test and their error: the only module that uses statsmodels.

Two baselines (mean of the last three months, same month of last year) stand beside smoothing methods; a rolling
origin tells which was best (Hyndman & Athanasopoulos, Forecasting: Principles and Practice, 3e, sec. 5.10), by mean
absolute scaled error (Hyndman & Koehler, Int. J. Forecasting 2006;22:679, from memory): mean absolute error over the
mean absolute change from one month to the next.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

YEAR = 12
BACKTEST_HORIZON = 6
_CLEARLY_BETTER = 0.97
_AS_GOOD = 1.005
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


def all_months(series: np.ndarray, months: int) -> np.ndarray:
    """The mean of the whole history."""
    return np.full(months, series.mean())


def between_baselines(series: np.ndarray, months: int) -> np.ndarray:
    """The mean of the two baselines (combining forecasts: Bates & Granger, Oper. Res. Q. 1969;20:451, from memory)."""
    return (last_three(series, months) + same_month_last_year(series, months)) / 2


def smoothed(series: np.ndarray, months: int) -> np.ndarray:
    """Simple exponential smoothing: every month ahead at the last level."""
    return np.full(months, least_squares(series)[2])


def least_squares(series: np.ndarray) -> tuple[float, float, float]:
    """Weight, first and last level of the simple exponential smoothing with the least squared errors a month ahead.

    For a given weight the first level is plain least squares, so the weight alone is searched for, on finer and finer
    grids; to import a library for it would take longer than all the rest of the forecast.
    """
    low, high = 0.0, 1.0
    for _ in range(4):
        weights = np.linspace(low, high, 101)
        level, share, misses, shares = np.zeros(101), np.ones(101), [], []
        for value in series:
            misses.append(value - level)
            shares.append(share)
            level, share = level + weights * (value - level), share * (1 - weights)
        miss, of_first = np.array(misses), np.array(shares)
        first = (miss * of_first).sum(axis=0) / (of_first**2).sum(axis=0)
        best = int(((miss - first * of_first) ** 2).sum(axis=0).argmin())
        low, high = weights[max(best - 1, 0)], weights[min(best + 1, 100)]
    return float(weights[best]), float(first[best]), float(level[best] + first[best] * share[best])


def smoothed_with_season(series: np.ndarray, months: int, period: int = YEAR) -> np.ndarray:
    """Exponential smoothing of level and season (additive, no trend); period: values in one season."""
    from statsmodels.tsa.holtwinters import ExponentialSmoothing

    return _quietly(
        lambda: ExponentialSmoothing(
            series, seasonal="add", seasonal_periods=period, initialization_method="heuristic"
        ).fit(),
        months,
    )


def _quietly(fit: Callable[..., Any], months: int) -> np.ndarray:
    """Fit and forecast; warnings about convergence stay inside, a failure gives NaN and drops the method."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return np.asarray(fit().forecast(months), float)
        except (ValueError, np.linalg.LinAlgError, FloatingPointError):
            return np.full(months, np.nan)


METHODS = (
    Method("mean of the last three months", 3, True, last_three),
    Method("same month of last year", YEAR, True, same_month_last_year),
    Method("mean of all months", 3, False, all_months),
    Method("mean of both baselines", YEAR, False, between_baselines),
    Method("exponential smoothing", 8, False, smoothed),
    Method("smoothing with yearly season", 2 * YEAR, False, smoothed_with_season),
)


@dataclass(frozen=True)
class Outlook:
    """The chosen method, its forecast and how far it was off.

    ahead: ndarray (months,). sd: ndarray (months,), standard error of each month ahead; correlation: between the
    errors of different months of one forecast; freedom: degrees of freedom of sd. backtest: frame as `backtest`
    in config/columns.csv. errors: frame method, origin, horizon, actual, forecast. reason: why this method.
    """

    method: str
    ahead: np.ndarray
    sd: np.ndarray
    correlation: float
    freedom: float
    backtest: pd.DataFrame
    errors: pd.DataFrame
    reason: str

    def draw(self, n_draws: int, rng: np.random.Generator) -> np.ndarray:
        """Paths of the series, ndarray (n_draws, months): Student errors that move together.

        Not below 0; what that cuts off is made up for, so that the mean stays the forecast.
        """
        shared = rng.standard_normal((n_draws, 1))
        own = rng.standard_normal((n_draws, len(self.ahead)))
        normal = np.sqrt(self.correlation) * shared + np.sqrt(1 - self.correlation) * own
        student = normal / np.sqrt(rng.chisquare(self.freedom, (n_draws, 1)) / self.freedom)
        paths = np.maximum(self.ahead + self.sd * student, 0.0)
        return paths * np.divide(
            self.ahead, paths.mean(axis=0), out=np.ones_like(self.ahead), where=self.ahead > 0
        )


BACKTEST_COLUMNS = [
    "method",
    "baseline",
    "origins",
    "months_compared",
    "mase",
    "mean_absolute_error",
    "bias",
    "coverage_80",
    "coverage_95",
    "chosen",
]


def rolling_errors(series: np.ndarray, horizon: int = BACKTEST_HORIZON) -> pd.DataFrame:
    """Forecasts from every origin that a method allows: columns method, origin, horizon, actual, forecast.

    origin: months known at that time. Origins begin where half of the history, and at least three months, is
    known; the last 18 at most.
    """
    rows = []
    n = len(series)
    first = max(3, min(YEAR, n // 2), n - _MOST_ORIGINS)
    for method in METHODS:
        for origin in range(max(method.needs, first), n):
            steps = min(horizon, n - origin)
            ahead = method.ahead(series[:origin], steps)
            rows += [(method.name, origin, h + 1, series[origin + h], ahead[h]) for h in range(steps)]
    frame = pd.DataFrame(rows, columns=["method", "origin", "horizon", "actual", "forecast"])
    failed = frame.loc[frame["forecast"].isna(), "method"].unique()
    return frame[~frame["method"].isin(failed)].reset_index(drop=True)


def forecast_series(series: np.ndarray, months: int, floor_sd: float = 0.0) -> Outlook:
    """Choose a method by back-test and forecast.

    series: ndarray (n,), one value a complete month, n >= 1. floor_sd: error that no forecast can be without (chance
    in who arrives), standard deviation of one month; used while there are too few months to see it.
    A smoothing method must beat the better baseline by 3 %, because the best of several looks better than it is.
    """
    series = np.asarray(series, float)
    errors = rolling_errors(series) if len(series) >= 6 else rolling_errors(series[:0])
    table = _score(series, errors)
    if len(table) == 0:
        return _without_backtest(series, months, floor_sd, errors)
    name, reason = _choose(table)
    method = next(m for m in METHODS if m.name == name)
    table["chosen"] = table["method"] == name
    own = errors[errors["method"] == name]
    sd, freedom = _error_model(own, months, len(series))
    correlation = _shared(own)
    return Outlook(
        name, np.maximum(method.ahead(series, months), 0.0), sd, correlation, freedom, table, errors, reason
    )


def _without_backtest(series: np.ndarray, months: int, floor_sd: float, errors: pd.DataFrame) -> Outlook:
    n = len(series)
    spread = float(series.std(ddof=1)) if n > 1 else 0.25 * float(series.mean())
    sd = max(spread, floor_sd) * np.sqrt(1 + 1 / n) * np.sqrt(1 + 0.1 * np.arange(months))
    reason = (
        f"{n} complete month{'s' if n > 1 else ''} of census: too few to compare methods, so the mean is used"
    )
    return Outlook(
        "mean of all months",
        all_months(series, months),
        sd,
        0.5,
        max(n - 1, 3.0),
        pd.DataFrame(columns=BACKTEST_COLUMNS),
        errors,
        reason,
    )


def _score(series: np.ndarray, errors: pd.DataFrame) -> pd.DataFrame:
    """One row a method, over the origins and months that every compared method covers."""
    if not len(errors):
        return pd.DataFrame(columns=BACKTEST_COLUMNS)
    first = errors.groupby("method")["origin"].min()
    start = int(max(first[m.name] for m in METHODS if m.baseline and m.name in first))
    scale = max(float(np.abs(np.diff(series)).mean()), 1e-9)
    rows = []
    for method in METHODS:
        own = errors[(errors["method"] == method.name) & (errors["origin"] >= start)]
        if not len(own) or own["origin"].min() > start:
            continue
        miss = own["actual"] - own["forecast"]
        low80, low95 = (_left_out_coverage(own, share) for share in (0.80, 0.95))
        rows.append(
            (
                method.name,
                method.baseline,
                own["origin"].nunique(),
                len(own),
                float(miss.abs().mean()) / scale,
                float(miss.abs().mean()),
                float(-miss.mean()),
                low80,
                low95,
                False,
            )
        )
    return pd.DataFrame(rows, columns=BACKTEST_COLUMNS)


def _left_out_coverage(own: pd.DataFrame, share: float) -> float:
    """How often the band made of the other origins' errors holds an origin's months; NaN with under four origins."""
    from scipy.special import stdtrit

    origins = own["origin"].unique()
    if len(origins) < 4:
        return float("nan")
    hits = []
    for origin in origins:
        rest, here = own[own["origin"] != origin], own[own["origin"] == origin]
        sd, freedom = _error_model(rest, int(own["horizon"].max()), int(origin))
        reach = stdtrit(freedom, 0.5 + share / 2) * sd[here["horizon"].to_numpy() - 1]
        hits.append((here["actual"] - here["forecast"]).abs().to_numpy() <= reach)
    return float(np.concatenate(hits).mean())


def _choose(table: pd.DataFrame) -> tuple[str, str]:
    best = table[table["mase"] <= _AS_GOOD * table["mase"].min()].iloc[0]
    simple = table[table["baseline"]]
    baseline = simple.loc[simple["mase"].idxmin()]
    if best["baseline"] or best["mase"] > _CLEARLY_BETTER * baseline["mase"]:
        return str(baseline["method"]), (
            f"no other method beat '{baseline['method']}' clearly (scaled error {baseline['mase']:.2f}) over "
            f"{baseline['origins']} back-tests"
        )
    return str(best["method"]), (
        f"'{best['method']}' had the smallest scaled error, {best['mase']:.2f} against {baseline['mase']:.2f} of "
        f"the better baseline, over {best['origins']} back-tests"
    )


def _error_model(own: pd.DataFrame, months: int, n_months: int) -> tuple[np.ndarray, float]:
    """(sd by month ahead, degrees of freedom) from rolling errors of one method.

    Variance is a straight line in the horizon, fitted to squared errors and not falling; the degrees of freedom
    count the origins as a little more than half, because their errors overlap; the widening (1.5 / origins) pays for
    having chosen the method on the same errors, and was set on simulated series (tests/bench/bench_forecast.py).
    """
    horizon = own["horizon"].to_numpy(float)
    squared = (own["actual"] - own["forecast"]).to_numpy(float) ** 2
    level, slope = squared.mean(), 0.0
    if len(np.unique(horizon)) > 1 and own["origin"].nunique() >= 5:
        slope = float(np.polyfit(horizon, squared, 1)[0])
        slope = float(np.clip(slope, 0.0, 0.25 * level))
    start = max(level - slope * (horizon.mean() - 1), 0.3 * level)
    variance = start + slope * np.arange(months)
    origins = own["origin"].nunique()
    freedom = max(origins * 0.6, 3.0)
    widened = np.sqrt(1 + 1 / max(n_months, 1) + 1.5 / max(origins, 1))
    return np.sqrt(np.maximum(variance, 1e-12)) * widened, freedom


def _shared(own: pd.DataFrame) -> float:
    """Correlation between the errors of different months of the same forecast, kept within 0.1 and 0.9."""
    table = own.assign(miss=own["actual"] - own["forecast"]).pivot(
        index="origin", columns="horizon", values="miss"
    )
    whole = table.dropna()
    if len(whole) < 4 or whole.shape[1] < 2:
        return 0.5
    squares = float((whole**2).to_numpy().mean())
    sums = whole.to_numpy().sum(axis=1) ** 2 - (whole.to_numpy() ** 2).sum(axis=1)
    k = whole.shape[1]
    return float(np.clip(sums.mean() / (k * (k - 1)) / max(squares, 1e-12), 0.1, 0.9))
