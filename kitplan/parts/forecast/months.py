"""The census, the shelf and the money by calendar month. A month that is not wholly known is unknown, not small."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
import pandas as pd

from kitplan.demand.observed import airway_stays, census_days, daily_airways
from kitplan.demand.use import UseModel
from kitplan.parts.forecast.prices import price_book
from kitplan.read.days import MONTH_DAYS
from kitplan.read.issues import covered_months, months_said
from kitplan.read.values import Unit

YEAR = 12
MOST_AHEAD = 60
KNOWN_ENOUGH = 0.8
"""A month with fewer of its days known is unknown."""
_FEW_MISSING = 0.75
"""Months ahead are set against the year before when so much of it is known; the rest is left out on both sides."""


@dataclass(frozen=True)
class MonthlyCensus:
    """Airways by month. months: PeriodIndex of the months the census touches, in order; None for a snapshot.

    days, known_days: ndarray (n,). complete: ndarray bool (n,). mean_airways: ndarray (n, n_strata), airways in place
    on a mean known day, NaN in an unknown month. arrivals: ndarray (n, n_strata), or NaN where counts cannot tell.
    notes: sentences for a person.
    """

    months: pd.PeriodIndex | None
    days: np.ndarray
    known_days: np.ndarray
    complete: np.ndarray
    mean_airways: np.ndarray
    arrivals: np.ndarray
    notes: tuple[str, ...]

    def series(self) -> np.ndarray:
        """Total mean airways from the first to the last complete month; unknown months in between are drawn straight
        between their neighbours. With no complete month: one value, the mean of all known days."""
        total = self.mean_airways.sum(axis=1)
        whole = np.nonzero(self.complete)[0]
        if not len(whole):
            known = self.known_days > 0
            return (
                np.array([np.average(total[known], weights=self.known_days[known])])
                if known.any()
                else np.zeros(1)
            )
        span = np.arange(whole[0], whole[-1] + 1)
        return np.interp(span, whole, total[whole])


def monthly_census(unit: Unit) -> MonthlyCensus:
    """Census by month; a snapshot is one month of unknown name."""
    census = unit.census
    if census.shape == "snapshot" or census.first_day is None:
        mean = daily_airways(unit, 1)
        note = "The census is one day's count: every month ahead is that count, flat, with the error of one look."
        return MonthlyCensus(None, np.array([30.0]), np.ones(1), np.ones(1, bool), mean, mean * np.nan, (note,))
    daily = daily_airways(unit)
    dates = pd.date_range(census.first_day, periods=census_days(unit), freq="D")
    months = dates.to_period("M")
    names = months.unique()
    place = names.get_indexer(months)
    known = ~np.isnan(daily).any(axis=1)
    days = names.days_in_month.to_numpy().astype(float)
    known_days = np.bincount(place[known], minlength=len(names)).astype(float)
    total = np.zeros((len(names), unit.n_strata))
    np.add.at(total, place[known], daily[known])
    touched = np.bincount(place, minlength=len(names))
    complete = (touched == days) & (known_days >= KNOWN_ENOUGH * days)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(known_days[:, None] > 0, total / known_days[:, None], np.nan)
    return MonthlyCensus(
        names,
        days,
        known_days,
        complete,
        mean,
        _arrivals(unit, place, len(names)),
        tuple(_notes(names, touched, days, known_days, complete)),
    )


def _arrivals(unit: Unit, place: np.ndarray, n_months: int) -> np.ndarray:
    counts = np.full((n_months, unit.n_strata), np.nan)
    if unit.census.shape != "stays":
        return counts
    counts[:] = 0.0
    stays = airway_stays(unit)
    day = np.floor(stays.start).astype(int)
    inside = (day >= 0) & (day < len(place))
    np.add.at(counts, (place[day[inside]], stays.stratum[inside]), 1.0)
    return counts


def lived_between(unit: Unit, windows: Sequence[tuple[int, int]]) -> tuple[np.ndarray, np.ndarray]:
    """Airway-days and arrivals from the first to the last of days since 1970, ndarray (n, n_strata) each.

    Airway-days are NaN in a window of which the census knows no day; arrivals where it does not count them.
    """
    assert unit.census.first_day is not None
    first = (unit.census.first_day - date(1970, 1, 1)).days
    daily, counted = daily_airways(unit), unit.census.shape == "stays"
    lived, arrived = np.full((2, len(windows), unit.n_strata), np.nan)
    for k, (a, b) in enumerate(windows):
        part = daily[max(a - first, 0) : max(b - first + 1, 0)]
        known = ~np.isnan(part).any(axis=1)
        if known.any():
            lived[k] = part[known].mean(axis=0) * (b - a + 1)
        if counted:
            stays = airway_stays(unit)
            inside = (stays.start >= a - first) & (stays.start < b - first + 1)
            came = np.bincount(stays.stratum[inside], minlength=unit.n_strata)
            arrived[k] = came * (b - a + 1) / max(len(part), 1)
    return lived, arrived


def _notes(
    names: pd.PeriodIndex, touched: np.ndarray, days: np.ndarray, known_days: np.ndarray, complete: np.ndarray
) -> list[str]:
    partial = [str(m) for m, t, d in zip(names, touched, days) if t < d]
    thin = [str(m) for m, t, d, c in zip(names, touched, days, complete) if t == d and not c]
    notes = []
    if partial:
        notes.append(
            f"{', '.join(partial)}: not wholly inside the census, left out of the forecast's history."
        )
    if thin:
        notes.append(
            f"{', '.join(thin)}: under {100 * KNOWN_ENOUGH:.0f} % of the days are known; the month counts as unknown "
            "and is drawn straight between its neighbours."
        )
    gaps = int((touched - known_days)[complete].sum())
    if gaps:
        notes.append(
            f"{gaps} day{'s' if gaps > 1 else ''} without a count in other months: unknown, not empty; means are over "
            "known days."
        )
    return notes


def months_ahead(monthly: MonthlyCensus, n_months: int) -> tuple[list[str], np.ndarray, np.ndarray]:
    """(names, days, month of the year 1..12 or 0) of the months to forecast: from the first that is not complete.

    Without a calendar: "month 1" and so on, of a twelfth of a year.
    """
    if monthly.months is None:
        return ([f"month {k + 1}" for k in range(n_months)], np.full(n_months, MONTH_DAYS), np.zeros(n_months, int))
    whole = np.nonzero(monthly.complete)[0]
    first = monthly.months[whole[-1]] + 1 if len(whole) else monthly.months[-1]
    ahead = pd.period_range(first, periods=n_months, freq="M")
    return [str(m) for m in ahead], ahead.days_in_month.to_numpy().astype(float), ahead.month.to_numpy()


def months_to_draw(unit: Unit, monthly: MonthlyCensus, months: int) -> int:
    """Months to sample after the last whole one: those spent, those asked for, and on to the budget year's end."""
    months += months_spent(unit, monthly)
    if unit.budget is None:
        return months
    if monthly.months is None:
        return max(months, len(unit.budget.months))
    first = pd.Period(months_ahead(monthly, 1)[0][0], "M")
    return max(months, min((pd.Period(unit.budget.months[-1], "M") - first).n + 1, MOST_AHEAD))


def months_spent(unit: Unit, monthly: MonthlyCensus) -> int:
    """How many months after the census's last whole one issues or accounts know: they are behind, not ahead."""
    if monthly.months is None:
        return 0
    first, issues = pd.Period(months_ahead(monthly, 1)[0][0], "M"), monthly_issues(unit)
    known = set() if issues is None else set(issues["month"])
    if unit.budget is not None:
        known |= set(pd.PeriodIndex(unit.budget.lines.dropna(subset="spent")["month"], freq="M"))
    return min(max((0, *((month - first).n + 1 for month in known))), MOST_AHEAD)


def months_before(unit: Unit, monthly: MonthlyCensus) -> tuple[str, ...]:
    """Past months to sample, in order: the last year that census and issues cover, and those of the budget year."""
    if monthly.months is None:
        return ()
    first = pd.Period(months_ahead(monthly, 1)[0][0], "M")
    issues = monthly_issues(unit)
    wanted = set() if issues is None else set(issues["month"]) & set(monthly.months[monthly.complete])
    wanted = set(sorted(m for m in wanted if m < first)[-YEAR:])
    if unit.budget is not None:
        wanted |= {m for m in pd.PeriodIndex(unit.budget.months, freq="M") if m < first}
    return tuple(str(m) for m in sorted(wanted))


@lru_cache(maxsize=32)
def monthly_issues(unit: Unit, whole_only: bool = True) -> pd.DataFrame | None:
    """Stock issues by month and item: month (Period), item, units, value at catalogue price, paid.

    Paid: at the price noted with the issue, else as last paid (prices.py), else the catalogue's.

    whole_only: leave out months that the issues do not cover from their first to their last day. None without issues.
    Made once, not to be changed.
    """
    if unit.issues is None or not len(unit.issues):
        return None
    issues = unit.issues
    dates = pd.to_datetime(issues["date"])
    price = unit.items.set_index("item")["price"] / unit.items.set_index("item")["pack"]
    pack = unit.items.set_index("item")["pack"]
    frame = pd.DataFrame(
        {"month": dates.dt.to_period("M"), "item": issues["item"], "units": issues["units"].astype(float)}
    )
    frame["value"] = frame["units"] * frame["item"].map(price)
    noted = issues["price"].astype(float) if "price" in issues else pd.Series(np.nan, index=frame.index)
    places = pd.Index(unit.items["item"]).get_indexer(frame["item"])
    last = price_book(unit).on(places, dates.to_numpy().astype("datetime64[D]"))
    frame["paid"] = frame["units"] * noted.fillna(pd.Series(last, index=frame.index)) / frame["item"].map(pack)
    summed = frame.groupby(["month", "item"], as_index=False)[["units", "value", "paid"]].sum()
    if not whole_only:
        return summed
    return summed[summed["month"].isin(covered_months(issues))].reset_index(drop=True)


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
