"""Which days of use a month's issues make good: the calendar of deliveries, against counting on a calendar by hand."""

from __future__ import annotations

from dataclasses import replace
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.forecast.issue_days import issue_days, window
from kitplan.parts.forecast.months_ahead import forecast_and_sampled

spec = spec_from_file_location("forecast_units", Path(__file__).parent / "test_forecast.py")
SHARED = module_from_spec(spec)
spec.loader.exec_module(SHARED)
unit = SHARED.unit
JANUARY = pd.Period("2026-01", "M")


def issued_on(unit, days, units=20.0):
    item = unit.items.loc[unit.items["price"] > 0, "item"].iloc[0]
    return replace(unit, issues=pd.DataFrame({"date": days, "item": item, "units": units, "price": np.nan}))


def wednesdays(first="2025-01-01", last="2025-12-31"):
    return pd.date_range(first, last, freq="7D")


def as_dates(days):
    return tuple(str(np.datetime64(int(d), "D")) for d in days)


def ahead(found, months, draws=500):
    return found.ahead(JANUARY.ordinal, months, draws, np.random.default_rng(1))


def test_a_month_makes_good_the_use_since_the_last_issue_of_the_month_before(unit):
    found = issue_days(issued_on(unit, wednesdays()))
    # Wednesdays: the last of March 2025 was the 26th, of April the 30th, of May the 28th.
    assert as_dates(window(pd.Period("2025-04", "M"), found)) == ("2025-03-27", "2025-04-30")
    assert as_dates(window(pd.Period("2025-05", "M"), found)) == ("2025-05-01", "2025-05-28")


def test_months_ahead_know_how_many_issues_fall_into_them(unit):
    share = ahead(issue_days(issued_on(unit, wednesdays())), 4)
    # Four Wednesdays in January, February and March 2026, five in April; whatever is drawn.
    assert (share == share[0]).all()
    assert (share[0] * [31, 28, 31, 30]).round().tolist() == [28, 28, 28, 35]


def test_uneven_gaps_leave_a_month_unsure_and_a_year_hardly(unit):
    rng = np.random.default_rng(3)
    days = pd.Timestamp("2024-01-01") + pd.to_timedelta(np.cumsum(rng.integers(2, 14, 95)), unit="D")
    found = issue_days(issued_on(unit, days[days < "2026-01-01"]))
    made_good = ahead(found, 12) * pd.period_range(JANUARY, periods=12, freq="M").days_in_month.to_numpy()
    assert made_good[:, 5].std() > 3
    assert made_good.sum(axis=1).std() < 2 * made_good[:, 5].std()
    assert made_good.sum(axis=1).mean() == pytest.approx(365, abs=10)


def test_a_month_without_issues_moves_nothing_into_the_next(unit):
    days = wednesdays()
    found = issue_days(issued_on(unit, days[days.month != 11]))
    assert as_dates(window(pd.Period("2025-12", "M"), found)) == ("2025-12-01", "2025-12-31")
    assert (ahead(found, 3) == ahead(issue_days(issued_on(unit, days)), 3)).all()


def test_a_single_line_between_two_issues_is_no_day_of_issue(unit):
    days = wednesdays()
    urgent = pd.Timestamp("2025-03-31")
    made = issued_on(unit, [*days, urgent], [*np.full(len(days), 20.0), 1.0])
    assert as_dates(window(pd.Period("2025-04", "M"), issue_days(made)))[0] == "2025-03-27"


@pytest.mark.parametrize("days", [pd.date_range("2024-01-01", periods=24, freq="MS"), wednesdays(last="2025-02-15")])
def test_issues_by_the_month_or_hardly_any_are_those_of_the_calendar(unit, days):
    made = issued_on(unit, days)
    assert issue_days(made) is None
    assert as_dates(window(pd.Period("2025-04", "M"), issue_days(made))) == ("2025-04-01", "2025-04-30")


def test_a_part_of_a_month_that_is_spent_takes_nothing_from_the_months_after(unit):
    found = issue_days(issued_on(unit, wednesdays(last="2026-01-14")))
    assert (ahead(found, 4)[0] * [31, 28, 31, 30]).round().tolist() == [31, 25, 28, 35]


def test_five_issues_in_a_month_are_no_chance_that_widens_the_band(unit):
    """Issues that follow the census exactly, by the week, leave no more unsure than issues by the day do."""
    recipe, _ = forecast_and_sampled(replace(unit, issues=None, budget=None), draws=200)
    weekly = recipe.item_year.set_index("item")["expected_units"] / 52.18

    def year(freq, share):
        days = pd.date_range("2024-01-01", "2025-12-31", freq=freq)
        rows = [(d, item, 10 * units * share) for d in days for item, units in weekly.items()]
        frame = pd.DataFrame(rows, columns=["date", "item", "units"]).assign(price=np.nan)
        return forecast_and_sampled(replace(unit, issues=frame), draws=2000)[0].paths

    by_week, by_day = year("7D", 1.0), year("1D", 1 / 7)
    for first, months in ((0, 12), (0, 3), (1, 1)):
        bands = [paths.band(first, months) for paths in (by_week, by_day)]
        wide = [(high - low) / mean for mean, _, low, high, _ in bands]
        assert wide[0] == pytest.approx(wide[1], rel=0.12)


def test_between_two_months_that_have_issues_the_last_issue_decides_and_beside_them_the_calendar(unit):
    """Issues of March and April alone: April is between two, March and May are not."""
    found = replace(issue_days(issued_on(unit, wednesdays())), whole=frozenset({
        pd.Period("2025-03", "M").ordinal, pd.Period("2025-04", "M").ordinal}))
    assert as_dates(window(pd.Period("2025-04", "M"), found)) == ("2025-03-27", "2025-04-30")
    assert as_dates(window(pd.Period("2025-03", "M"), found)) == ("2025-03-01", "2025-03-31")
    assert as_dates(window(pd.Period("2025-05", "M"), found)) == ("2025-05-01", "2025-05-31")


def test_days_are_weighed_by_the_money_of_a_single_item(unit):
    """On Wednesdays ten of an item at 1 USD; on some Mondays ten from packs of a thousand at 10, which is no issue of
    the week.
    """
    first, second = unit.items["item"].iloc[:2]
    items = unit.items.copy()
    items.loc[items["item"] == first, ["price", "pack"]] = [1.0, 1.0]
    items.loc[items["item"] == second, ["price", "pack"]] = [10.0, 1000.0]
    odd = pd.date_range("2025-01-06", "2025-12-29", freq="21D")
    lines = pd.concat([pd.DataFrame({"date": days, "item": item, "units": 10.0, "price": np.nan})
                       for days, item in ((wednesdays(), first), (odd, second))])
    found = issue_days(replace(unit, items=items, issues=lines))
    assert {pd.Timestamp(day).day_name() for day in as_dates(found.days)} == {"Wednesday"}
