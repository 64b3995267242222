"""What past months cost, to set the months ahead against."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kitplan.demand.use import UseModel
from kitplan.parts.forecast.months import MonthlyCensus, monthly_issues
from kitplan.read.issues import months_said
from kitplan.read.values import Unit

_FEW_MISSING = 0.75
"""Months ahead are set against the year before when so much of it is known; the rest is left out on both sides."""


def past_values(unit: Unit, model: UseModel, monthly: MonthlyCensus) -> tuple[pd.Series, str]:
    """Money by past month (Series by Period) and where it comes from: the unit's issues, else census and recipe."""
    issues = monthly_issues(unit)
    if issues is not None and len(issues):
        return issues.groupby("month")["paid"].sum(), "issued"
    if monthly.months is None:
        return pd.Series(dtype=float), "unknown"
    days = np.nan_to_num(monthly.mean_airways) * monthly.days[:, None]
    came = np.where(np.isnan(monthly.arrivals), days * model.arrivals, monthly.arrivals)
    value = (days @ model.per_day + came @ model.per_arrival) @ model.price
    return pd.Series(value, index=monthly.months)[monthly.complete], "worked out from the census"


def same_month_last_year(past: pd.Series, names: list[str], dated: bool) -> list[float]:
    """Money of the same month a year before each, NaN where not known."""
    if not dated:
        return [np.nan] * len(names)
    wanted = pd.PeriodIndex(names, freq="M") - 12
    return [float(past.get(m, np.nan)) for m in wanted]


def year_before(past: pd.Series, then: pd.Series, names: list[str], dated: bool) -> tuple[float, str]:
    """Money of past months to set the forecast against, and what to call them.

    The same months a year earlier where all are known, so that a summer is not set against a winter and the figure is
    the sum of the table's column, or all but a few; else as many known months before the first one ahead; else NaN.
    """
    known_year = set_against(then)
    if then[known_year].notna().all():
        missing = [str(pd.Period(name, freq="M") - 12) for name, known in zip(names, known_year) if not known]
        without = f", without {months_said(missing)}" if missing else ""
        return float(then[known_year].sum()), f"the same months a year before{without}"
    if not dated:
        return float("nan"), ""
    last = past[past.index < pd.Period(names[0], freq="M")].sort_index().iloc[-len(names) :]
    if len(last) < len(names):
        return float("nan"), f"the last {len(names)} known months"
    missing = [str(m) for m in pd.period_range(last.index[0], last.index[-1], freq="M").difference(last.index)]
    return float(last.sum()), f"the last {len(names)} known months" + (
        f", without {months_said(missing)}" if missing else "")


def set_against(then: pd.Series) -> np.ndarray:
    """Which months ahead are set against the year before: those known then, where few are not; else all."""
    known = then.notna().to_numpy()
    return known if known.mean() >= _FEW_MISSING else np.ones(len(known), dtype=bool)
