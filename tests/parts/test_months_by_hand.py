"""Months reckoned by hand: which are known, what they cost, how a way of forecasting is scored, what bands are of."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from kitplan.demand.posterior import GUESS_STAY_DAYS, fit_posterior
from kitplan.demand.stays import log_normal_stays
from kitplan.demand.use import UseModel, use_model
from kitplan.parts.forecast.fitted import _law_and_bursts, snapshot_paths
from kitplan.parts.forecast.months import (
    MonthlyCensus,
    lived_between,
    monthly_census,
    monthly_issues,
    months_ahead,
    months_before,
    months_to_draw,
    past_values,
    same_month_last_year,
    set_against,
    year_before,
)
from kitplan.parts.forecast.months_ahead import (
    _lived,
    by_period,
    draw_airway_days,
    draw_renewals,
    draw_shares,
)
from kitplan.parts.forecast.own_use import Sampled, on_own_level
from kitplan.parts.forecast.paths import Paths
from kitplan.parts.forecast.prices import price_book
from kitplan.parts.forecast.timeseries import METHODS, Method, _error_model, back_test, rolling_errors
from kitplan.read.values import Budget, Census

NOBODY = pd.DataFrame({"stratum": np.zeros(0, int), "mean_airways": np.zeros(0)})
LINES = pd.DataFrame({"month": pd.Series(dtype=object), "item": pd.Series(dtype=object),
                      "amount": pd.Series(dtype=float), "spent": pd.Series(dtype=float)})


def counted(unit_maker, first, n_days, level=lambda day: 6, unknown=(), **changes):
    rows = [(d, g, n) for d in range(n_days) if d not in unknown for g, n in ((0, level(d)), (2, 3))]
    frame = pd.DataFrame(rows, columns=["day", "stratum", "airways"])
    last = first + timedelta(days=n_days - 1)
    return unit_maker(Census("counts", frame, first, last, 6.0, 1.0, NOBODY, tuple(unknown)), **changes)


# -- which months are known -----------------------------------------------------------------------------------------


def test_a_month_is_complete_from_its_first_to_its_last_day(unit_maker):
    """From 2 January to 1 April: January lacks a day, February and March are whole, April has just begun."""
    monthly = monthly_census(counted(unit_maker, date(2026, 1, 2), 90))
    assert [str(m) for m in monthly.months] == ["2026-01", "2026-02", "2026-03", "2026-04"]
    assert monthly.complete.tolist() == [False, True, True, False]
    assert monthly.days.tolist() == [31, 28, 31, 30]
    assert monthly.known_days.tolist() == [30, 28, 31, 1]
    assert monthly.mean_airways.tolist() == [[6, 0, 3]] * 4
    assert monthly.notes == ("2026-01, 2026-04: not wholly inside the census, left out of the forecast's history.",)
    assert np.isnan(monthly.arrivals).all(), "counts do not tell who came"


def test_a_month_is_known_by_the_mean_of_its_known_days_where_four_fifths_are(unit_maker):
    """April has 30 days: 24 known are enough, 23 are not. Five airways on even days, seven on odd ones, three more."""
    def april(n_unknown):
        return monthly_census(counted(unit_maker, date(2026, 4, 1), 30, lambda d: 5 + 2 * (d % 2),
                                      tuple(range(n_unknown))))

    enough, few = april(6), april(7)
    assert (enough.complete.tolist(), few.complete.tolist()) == ([True], [False])
    assert enough.mean_airways.tolist() == [[6, 0, 3]]
    assert few.mean_airways[0, 0] == pytest.approx((12 * 7 + 11 * 5) / 23)
    assert enough.notes == ("6 days without a count in other months: unknown, not empty; means are over known days.",)
    assert few.notes[0].startswith("2026-04: under 80 % of the days are known; the month counts as unknown")
    assert april(1).notes[0].startswith("1 day without a count")
    one = monthly_census(counted(unit_maker, date(2026, 4, 1), 30, unknown=tuple(range(29))))
    assert one.mean_airways.tolist() == [[6, 0, 3]], "one known day is a mean of one day"
    none = monthly_census(counted(unit_maker, date(2026, 4, 1), 33, unknown=tuple(range(30))))
    assert np.isnan(none.mean_airways[0]).all()


def test_an_unknown_month_lies_straight_between_its_neighbours():
    def series(mean, complete, known=None):
        known = np.full(len(mean), 30.0) if known is None else np.array(known, float)
        return MonthlyCensus(pd.period_range("2026-01", periods=len(mean), freq="M"), known, known, np.array(complete),
                             np.array(mean, float)[:, None], np.zeros((len(mean), 1)), ()).series().tolist()

    assert series([9, 4, np.nan, np.nan, 10, 9], [False, True, False, False, True, False]) == [4, 6, 8, 10]
    assert series([9, 5, 3], [True, True, True]) == [9, 5, 3]
    assert series([4, 10], [False, False], [10, 20]) == [8], "no month whole: the mean of all known days"
    assert series([4, 10], [False, False], [10, 0]) == [4]
    assert series([4, 10], [False, False], [2, 1]) == [6], "one known day counts as one"
    assert series([np.nan], [False], [0]) == [0]


def test_arrivals_are_counted_in_the_month_they_come_in(unit_maker):
    """Two came in February and one in March, on the stroke of its first midnight; who was there before the first day,
    or comes after the last, came in neither.
    """
    rows = pd.DataFrame([("a", 0, -3.0, 5.0), ("b", 0, 0.0, 3.0), ("c", 0, 27.9, 40.0), ("d", 2, 28.0, 30.0),
                         ("e", 1, 59.0, 61.0)],
                        columns=["airway", "stratum", "start", "end"])
    unit = unit_maker(Census("stays", rows, date(2026, 2, 1), date(2026, 3, 31), None, 1.0, NOBODY))
    assert monthly_census(unit).arrivals.tolist() == [[2, 0, 0], [0, 0, 1]]
    february = (date(2026, 2, 1) - date(1970, 1, 1)).days, (date(2026, 2, 28) - date(1970, 1, 1)).days
    assert lived_between(unit, [february])[1].tolist() == [[2, 0, 0]]


def test_a_snapshot_is_one_month_of_unknown_name(small_unit):
    monthly = monthly_census(small_unit)
    assert (monthly.months, monthly.mean_airways.tolist(), monthly.complete.tolist()) == (None, [[4, 2, 3]], [True])
    names, days, of_year = months_ahead(monthly, 2)
    assert (names, days.tolist(), of_year.tolist()) == (["month 1", "month 2"], [30.4375, 30.4375], [0, 0])
    assert months_before(small_unit, monthly) == ()


def test_months_ahead_begin_after_the_last_complete_one_or_with_the_last_one_touched(unit_maker):
    names, days, of_year = months_ahead(monthly_census(counted(unit_maker, date(2026, 11, 1), 65)), 3)
    assert (names, days.tolist(), of_year.tolist()) == (["2027-01", "2027-02", "2027-03"], [31, 28, 31], [1, 2, 3])
    short = monthly_census(counted(unit_maker, date(2026, 11, 20), 20))
    assert months_ahead(short, 1)[0] == ["2026-12"]


def test_months_are_drawn_to_the_end_of_the_budget_year_but_not_for_ever(unit_maker):
    """Whole to December 2025. A year from April 2026 ends in March 2027: fifteen months; more asked for are drawn."""
    unit = counted(unit_maker, date(2025, 1, 1), 365)
    monthly = monthly_census(unit)
    year = replace(unit, budget=Budget("2026-04", 1000.0, LINES))
    assert [months_to_draw(unit, monthly, 6), months_to_draw(year, monthly, 6), months_to_draw(year, monthly, 18)] == [
        6, 15, 18]
    far = replace(unit, budget=Budget("2036-04", 1000.0, LINES))
    assert months_to_draw(far, monthly, 6) == 60
    snapshot = unit_maker(budget=Budget("2026-04", 1000.0, LINES))
    assert months_to_draw(snapshot, monthly_census(snapshot), 6) == 12


def issues(*rows):
    return pd.DataFrame(rows, columns=["date", "item", "units", "price"]).assign(
        date=lambda f: pd.to_datetime(f["date"]))


def weekly(first, weeks, item="saline-5", units=10.0):
    return issues(*[(str(d.date()), item, units, np.nan) for d in pd.date_range(first, periods=weeks, freq="7D")])


def test_past_months_sampled_are_the_last_twelve_that_census_and_issues_cover_and_the_budgets(unit_maker):
    """Census from July 2024 to December 2025, issues of every week of both years: January to December 2025. A budget
    year from October 2025 adds none; one from July 2024 adds its first half.
    """
    unit = counted(unit_maker, date(2024, 7, 1), 549, issues=weekly("2024-01-01", 105))
    monthly = monthly_census(unit)
    year = tuple(f"2025-{m:02d}" for m in range(1, 13))
    assert months_before(unit, monthly) == year
    assert months_before(replace(unit, budget=Budget("2025-10", 1.0, LINES)), monthly) == year
    early = replace(unit, budget=Budget("2024-07", 1.0, LINES))
    assert months_before(early, monthly) == tuple(f"2024-{m:02d}" for m in range(7, 13)) + year
    assert months_before(replace(unit, issues=None), monthly) == ()


def test_issues_of_a_month_are_worth_list_price_and_cost_what_was_paid(unit_maker):
    """Fifty ampoules are a pack of 11. Ten in March at no price noted: 2.20; after 12.50 was paid 2.50; forty at 12.50
    noted themselves: 10.
    """
    rows = issues(("2026-03-02", "saline-5", 10, np.nan), ("2026-04-01", "saline-5", 40, 12.5),
                  ("2026-04-30", "saline-5", 10, np.nan))
    found = monthly_issues(unit_maker(issues=rows), whole_only=False)
    assert [str(m) for m in found["month"]] == ["2026-03", "2026-04"]
    assert found["units"].tolist() == [10, 50]
    assert found["value"].tolist() == pytest.approx([2.2, 11.0])
    assert found["paid"].tolist() == pytest.approx([2.2, 10.0 + 2.5])
    assert monthly_issues(unit_maker()) is None
    assert monthly_issues(unit_maker(issues=rows.iloc[:0])) is None


def test_months_that_the_issues_cover_in_part_are_left_out(unit_maker):
    """Weekly from 10 February to 30 March: February begins too late, March is whole."""
    unit = unit_maker(issues=weekly("2026-02-10", 8))
    assert [str(m) for m in monthly_issues(unit)["month"]] == ["2026-03"]
    assert [str(m) for m in monthly_issues(unit, whole_only=False)["month"]] == ["2026-02", "2026-03"]


# -- prices ---------------------------------------------------------------------------------------------------------


def book(unit_maker, rows=None, agreed=()):
    prices = pd.DataFrame(agreed, columns=["date", "item", "price", "percent"]) if agreed else None
    if prices is not None:
        prices["date"] = pd.to_datetime(prices["date"])
    return price_book(unit_maker(issues=rows, prices=prices))


def on(prices, item, *days):
    place = prices.items.index(item)
    return prices.on(np.full(len(days), place), np.array(days, dtype="datetime64[D]")).tolist()


def test_a_price_holds_from_the_day_it_was_paid_and_a_rise_from_its_own(unit_maker):
    """List price 11; 12 paid on 10 March; everything 10 % dearer from 1 May; 11.50 agreed from 1 June."""
    prices = book(unit_maker, issues(("2026-03-10", "saline-5", 5, 12.0)),
                  [("2026-05-01", "", np.nan, 10.0), ("2026-06-01", "saline-5", 11.5, np.nan)])
    assert on(prices, "saline-5", "2026-03-09", "2026-03-10", "2026-04-30", "2026-05-01", "2026-06-01") == (
        pytest.approx([11.0, 12.0, 12.0, 13.2, 11.5]))
    assert on(prices, "saline-10", "2026-04-30", "2026-05-01", "2026-07-01") == pytest.approx([16.0, 17.6, 17.6])
    assert prices.last()[[3, 4]] == pytest.approx([11.5, 17.6])
    months = prices.in_months(pd.PeriodIndex(["2026-03", "2026-05"], freq="M"))
    assert months[0, 3] == pytest.approx((9 * 11 + 22 * 12) / 31), "nine days of March before the tenth"
    assert months[1, 4] == pytest.approx(17.6)


def test_a_return_and_a_price_of_nothing_say_nothing_of_todays_price(unit_maker):
    rows = issues(("2026-03-10", "saline-5", 5, 12.0), ("2026-04-01", "saline-5", -5, 9.0),
                  ("2026-04-02", "saline-5", 5, 0.0), ("2026-04-03", "saline-5", 5, np.nan))
    prices = book(unit_maker, rows)
    assert on(prices, "saline-5", "2026-05-01") == [12.0]
    assert len(prices.changes[3]) == 1


def test_of_two_prices_of_one_day_the_last_holds_and_a_rise_of_that_day_is_in_it(unit_maker):
    """What is paid or agreed from the day of a rise is what it costs."""
    rows = issues(("2026-03-10", "saline-5", 5, 12.0), ("2026-03-10", "saline-5", 5, 13.0))
    assert on(book(unit_maker, rows), "saline-5", "2026-03-10") == [13.0]
    both = book(unit_maker, rows, [("2026-03-10", "", np.nan, 100.0)])
    assert on(both, "saline-5", "2026-03-10") == [13.0]
    assert on(both, "saline-10", "2026-03-10") == [32.0]


def test_an_old_price_paid_again_takes_back_what_was_agreed_or_raised_in_between(unit_maker):
    rows = issues(*((f"2026-0{month}-10", "saline-5", 5, 12.0) for month in range(3, 9)))
    prices = book(unit_maker, rows, [("2026-05-01", "", np.nan, 10.0), ("2026-07-01", "saline-5", 11.5, np.nan)])
    days = "2026-05-09", "2026-05-10", "2026-07-09", "2026-07-10"
    assert on(prices, "saline-5", *days) == pytest.approx([13.2, 12.0, 11.5, 12.0])
    assert len(prices.changes[3]) == 5, "what was paid in April, June and August is no change"


def test_the_table_of_prices_tells_last_paid_and_what_is_expected_later(unit_maker):
    prices = book(unit_maker, issues(("2026-03-10", "saline-5", 5, 12.0)), [("2026-05-01", "", np.nan, 10.0)])
    named = pd.Series(prices.items)
    table = prices.table(named, np.datetime64("2026-04-01"), np.datetime64("2026-07-01")).set_index("item")
    prices_told = table.loc["saline-5", ["list_price", "last_paid", "expected_price"]].tolist()
    assert prices_told == pytest.approx([11, 12, 13.2])
    assert table.loc["saline-5", "over_list"] == pytest.approx(0.2)
    assert table.loc["saline-5", "paid_on"] == pd.Timestamp("2026-03-10")
    assert np.isnan(table.loc["saline-10", "last_paid"])
    early = prices.table(named, np.datetime64("2026-03-09"), np.datetime64("2026-03-10")).set_index("item")
    assert np.isnan(early.loc["saline-5", "last_paid"])
    assert early.loc["saline-5", "expected_price"] == 12


# -- how ways of forecasting did ------------------------------------------------------------------------------------


def test_the_back_test_begins_where_half_is_known_and_looks_six_months_ahead():
    """Ten months: from the fifth on; five origins, of at most six months and no more than there are."""
    errors = rolling_errors(np.arange(10.0))
    first = errors[errors["method"] == METHODS[0].name]
    assert first.groupby("origin")["horizon"].max().to_dict() == {5: 5, 6: 4, 7: 3, 8: 2, 9: 1}
    assert first["actual"].tolist()[:5] == [5, 6, 7, 8, 9]
    assert first["forecast"].tolist()[:5] == [3.0] * 5, "the mean of months 2, 3 and 4"
    long = rolling_errors(np.arange(40.0))
    assert long.groupby("method")["origin"].min().unique().tolist() == [22], "the last eighteen"
    assert long["horizon"].max() == 6
    assert rolling_errors(np.arange(24.0))["origin"].min() == 12
    assert rolling_errors(np.arange(6.0))["origin"].min() == 3


def line(**changes):
    return Method("line", 1, False, lambda series, months: series[-1] + 1.0 + np.arange(months, dtype=float))


def test_a_rising_series_is_scored_by_hand():
    """Ten months that rise by 1: the mean change is 1. From month 5 on the mean of the last three lags by 2 and one
    more a month ahead: errors 2..6, 2..5, 2..4, 2..3, 2, of mean 50 / 15. A straight line errs nowhere.
    """
    table = back_test(np.arange(10.0), line()).table.set_index("method")
    row = table.loc["mean of the last three months"]
    assert (row["origins"], row["months_compared"]) == (5, 15)
    assert (row["mase"], row["mean_absolute_error"], row["bias"]) == pytest.approx((50 / 15, 50 / 15, -50 / 15))
    exact = table.loc["line"]
    assert (exact["mase"], exact["bias"], exact["coverage_80"], exact["coverage_95"]) == (0, 0, 1, 1)
    assert table["chosen"].to_dict() == {"mean of the last three months": False, "mean of all months": False,
                                         "line": True}
    doubled = back_test(2 * np.arange(10.0), line()).table.set_index("method").loc["mean of the last three months"]
    assert (doubled["mase"], doubled["mean_absolute_error"]) == pytest.approx((50 / 15, 100 / 15))


def test_the_better_rule_of_thumb_is_named_with_its_error():
    found = back_test(np.arange(10.0), line())
    assert found.reason == ("line; scaled error 0.00 over 5 back-tests, that of the better rule of thumb, 'mean of the "
                            "last three months', 3.33")
    assert "too few to compare" in back_test(np.arange(5.0), line()).reason
    assert "1 complete month of census" in back_test(np.ones(1), line()).reason
    assert "2 complete months of census" in back_test(np.ones(2), line()).reason


def test_bands_of_other_origins_errors_hold_as_many_months_as_student_t_says():
    """A series of 24 months about 10 that errs by -1 and 1 in turn, forecast as 10: twelve origins, every error 1. The
    band is of standard deviation 1, widened for a mean of n months and for the choice among methods, with 0.6 degrees
    of freedom an origin; 1 lies in every such band.
    """
    series = 10 + np.tile([-1.0, 1.0], 12)
    flat = Method("flat", 1, False, lambda s, months: np.full(months, 10.0))
    row = back_test(series, flat).table.set_index("method").loc["flat"]
    assert (row["coverage_80"], row["coverage_95"]) == (1.0, 1.0)
    assert student.ppf(0.9, 11 * 0.6) > 1


def test_one_origin_that_errs_ten_times_as_much_falls_out_of_the_bands_of_the_others():
    """The others' bands do not hold it; its own errors widen theirs."""
    series = 10 + np.tile([-1.0, 1.0], 12)
    series[-1] = 40.0
    flat = Method("flat", 1, False, lambda s, months: np.full(months, 10.0))
    row = back_test(series, flat).table.set_index("method").loc["flat"]
    months = row["months_compared"]
    assert row["coverage_95"] == pytest.approx(1 - 1 / months * round((1 - row["coverage_95"]) * months))
    assert 0.85 < row["coverage_95"] < 1.0
    assert row["coverage_80"] <= row["coverage_95"]


def test_a_band_widens_with_the_months_ahead_and_with_few_origins():
    """Twelve origins, one month ahead, errors of one: sqrt(1 + 1/24 + 1.5/12), 7.2 degrees of freedom. Errors that grow
    with the months ahead (squares 1, 2, 3): variance 2 + (h - 2), at most a quarter of the mean a month.
    """
    def errors(n, horizon, size):
        return np.array([(o, h, size(h)) for o in range(n) for h in range(1, horizon + 1)]).T

    sd, freedom = _error_model(*errors(12, 1, lambda h: 1.0), 2, 24)
    wide = np.sqrt(1 + 1 / 24 + 1.5 / 12)
    assert (sd.tolist(), freedom) == (pytest.approx([wide, wide]), pytest.approx(7.2))
    assert _error_model(*errors(4, 1, lambda h: 1.0), 1, 24)[1] == 3.0
    grown, _ = _error_model(*errors(12, 3, lambda h: np.sqrt(h)), 4, 24)
    assert (grown / wide) ** 2 == pytest.approx([1.5, 2.0, 2.5, 3.0]), "half a unit a month is a quarter of the mean"
    slow, _ = _error_model(*errors(12, 3, lambda h: np.sqrt(2 + 0.1 * h)), 2, 24)
    assert (slow / wide) ** 2 == pytest.approx([2.1, 2.2])
    few, _ = _error_model(*errors(4, 3, lambda h: np.sqrt(h)), 2, 24)
    assert few[0] == few[1], "four origins tell no slope"
    shrinking, _ = _error_model(*errors(12, 3, lambda h: np.sqrt(4 - h)), 2, 24)
    assert shrinking[0] == shrinking[1]


def test_under_four_origins_nothing_is_said_of_bands():
    table = back_test(np.arange(6.0), line()).table.set_index("method")
    assert table.loc["line", "origins"] == 3
    assert np.isnan(table.loc["line", "coverage_80"])
    assert not np.isnan(back_test(np.arange(8.0), line()).table.set_index("method").loc["line", "coverage_80"])


# -- what is drawn --------------------------------------------------------------------------------------------------


def months_of(means, first="2025-01", complete=None):
    means = np.array(means, float)
    n = len(means)
    names = pd.period_range(first, periods=n, freq="M")
    days = names.days_in_month.to_numpy().astype(float)
    whole = np.ones(n, dtype=bool) if complete is None else np.array(complete)
    return MonthlyCensus(names, days, days, whole, means, np.full_like(means, np.nan), ())


def test_shares_of_kinds_lie_about_past_months_late_ones_and_the_same_season_weighing_more():
    """January all of one kind and July all of the other, half a year apart: January weighs 1/sqrt(2) for its age. Asked
    for January it weighs three times as much: 3 / sqrt(2) of 3 / sqrt(2) + 1; for July the other; for April neither.
    """
    means = [[9.0, 0.0] if k == 0 else [0.0, 9.0] for k in range(7)]
    monthly = months_of(means, complete=[k in (0, 6) for k in range(7)])
    old = 0.5 ** (1 / 12)
    shares = draw_shares(monthly, np.array([1, 2, 4, 6, 7, 8, 12]), 40_000, np.random.default_rng(1)).mean(axis=0)
    wanted = [3 * old / (3 * old + 1), 3 * old / (3 * old + 1), old / (old + 1), old / (old + 3), old / (old + 3),
              old / (old + 3), 3 * old / (3 * old + 1)]
    assert shares[:, 0] == pytest.approx(wanted, abs=0.01)
    assert shares.sum(axis=1) == pytest.approx(1.0)


def test_shares_vary_as_they_did_from_month_to_month():
    """Dirichlet: variance of a share s at concentration c is s (1 - s) / (c + 1). Months of 0.4 and 0.6 in turn: the
    variance of twelve is 0.12 / 11 for either kind, so c + 1 = 0.5 / (0.24 / 11).
    """
    monthly = months_of([[4.0, 6.0], [6.0, 4.0]] * 6)
    drawn = draw_shares(monthly, np.array([0]), 60_000, np.random.default_rng(2))[:, 0, 0]
    assert drawn.var() == pytest.approx(drawn.mean() * (1 - drawn.mean()) / (0.5 / (0.24 / 11)), rel=0.03)
    steady = draw_shares(months_of([[5.0, 5.0]] * 6), np.array([0]), 60_000, np.random.default_rng(2))[:, 0, 0]
    assert steady.var() == pytest.approx(0.25 / 2001, rel=0.03), "never steadier than that"
    few = draw_shares(months_of([[5.0, 5.0]] * 2), np.array([0]), 60_000, np.random.default_rng(2))[:, 0, 0]
    assert few.var() == pytest.approx(0.25 / 31, rel=0.03), "two months say nothing of it"


def test_airways_only_expected_come_on_top_in_spells_of_ten_days(unit_maker):
    """Two airways expected for 30 days: 60 airway-days, gamma of shape 6: variance 60^2 / 6. At one arrival in five
    days 12 come, as uneven as a count and as their days: variance 12 + 600 / 25.
    """
    expected = pd.DataFrame({"stratum": [1], "mean_airways": [2.0]})
    unit = unit_maker()
    unit = replace(unit, census=replace(unit.census, expected=expected))
    total, share = np.full((40_000, 1), 270.0), np.tile([1.0, 0.0, 0.0], (40_000, 1, 1))
    drawn, arrived = draw_airway_days(unit, total, total, share, np.full(3, 0.2), np.array([30.0]),
                                      np.random.default_rng(3))
    assert arrived[:, 0, 1].mean() == pytest.approx(12.0, rel=0.01)
    assert arrived[:, 0, 1].var() == pytest.approx(36.0, rel=0.05)
    assert drawn[:, 0, 1].mean() == pytest.approx(60.0, rel=0.01)
    assert drawn[:, 0, 1].var() == pytest.approx(600.0, rel=0.05)
    assert drawn[:, 0, 0].mean() == pytest.approx(270.0, rel=0.01)


def test_arrivals_are_shared_out_among_kinds_by_chance_and_their_sum_is_the_one_drawn(unit_maker):
    """100 airways' worth of arrivals for 30 days at one in ten days: 300 in all whatever the airways in place; a kind
    with a fifth of them has 60, variance of a binomial 300 x 0.2 x 0.8.
    """
    share = np.tile([0.2, 0.8, 0.0], (40_000, 1, 1))
    total, coming = np.full((40_000, 1), 900.0), np.full((40_000, 1), 3000.0)
    days, arrived = draw_airway_days(unit_maker(), total, coming, share, np.full(3, 0.1), np.array([30.0]),
                                     np.random.default_rng(3))
    assert days[0, 0].tolist() == pytest.approx([180, 720, 0])
    assert arrived.sum(axis=2) == pytest.approx(300.0)
    assert arrived[:, 0, 0].mean() == pytest.approx(60.0, rel=0.01)
    assert arrived[:, 0, 0].var() == pytest.approx(48.0, rel=0.05)


def simple_model(arrivals=0.2):
    one = np.ones((1, 1))
    return UseModel(("x",), np.array([0.5]), np.array([0.55]), one, one, np.array([arrivals]), np.ones(1), np.zeros(1))


def test_renewals_vary_as_counts_do_and_the_doubt_of_the_rate_is_common_to_all_months():
    """400 airway-days at half a renewal a day and dispersion 2: 200 renewals, variance 400; in airway-days 400 and
    1600. A rate of 0.8 or 1.2 moves both months of a draw alike.
    """
    days = np.full((40_000, 2, 1), 400.0)
    rng = np.random.default_rng(4)
    renewed = draw_renewals(days, simple_model(), np.array([2.0]), np.ones((10, 1)), rng)
    assert renewed.mean() == pytest.approx(400.0, rel=0.01)
    assert renewed.var() == pytest.approx(1600.0, rel=0.05)
    assert np.corrcoef(renewed[:, 0, 0], renewed[:, 1, 0])[0, 1] == pytest.approx(0.0, abs=0.02)
    doubtful = draw_renewals(days, simple_model(), np.array([2.0]), np.array([[0.8], [1.2]]), rng)
    assert np.corrcoef(doubtful[:, 0, 0], doubtful[:, 1, 0])[0, 1] == pytest.approx(6400 / (6400 + 1664), abs=0.02)


def test_quarters_are_the_calendars_and_their_bands_are_of_sums():
    """November to February: two months of the fourth quarter, two of the first. A thousand courses of 0..999 each."""
    draw = np.arange(1000.0)
    value = np.column_stack([draw, draw[::-1], draw, draw]).astype(np.float32)
    names = ("2025-11", "2025-12", "2026-01", "2026-02")
    table = by_period(Paths(names, value)).set_index("period")
    assert table.index.tolist() == ["2025Q4", "2026Q1", "2025-11 to 2026-02"]
    assert table["months"].tolist() == [2, 2, 4]
    assert table["kind"].tolist() == ["quarter", "quarter", "all"]
    columns = ["low_95_value", "low_value", "value", "high_value", "high_95_value"]
    assert table.loc["2025Q4", columns].tolist() == [999.0] * 5, "what one month has more the other has less"
    assert table.loc["2026Q1", columns].tolist() == pytest.approx(
        [2 * np.quantile(draw, q) for q in (0.025, 0.1, 0.5, 0.9, 0.975)])
    assert table.loc["2025-11 to 2026-02", "value"] == pytest.approx(1998.0)
    four = Paths(("month 1", "month 2", "month 3", "month 4"), value)
    assert by_period(four)["period"].tolist() == ["months 1 to 3", "months 4 to 6", "month 1 to month 4"]


# -- what it is set against -----------------------------------------------------------------------------------------


def monthly_money(**by_month):
    return pd.Series({pd.Period(k.replace("_", "-")[1:], "M"): float(v) for k, v in by_month.items()})


def test_a_year_is_set_against_the_same_months_where_three_quarters_are_known():
    names = ["2026-01", "2026-02", "2026-03", "2026-04"]
    past = monthly_money(m2025_01=1, m2025_02=2, m2025_03=4, m2025_12=50)
    then = pd.Series(same_month_last_year(past, names, True))
    assert then.tolist()[:3] == [1, 2, 4]
    assert np.isnan(then.iloc[3])
    assert set_against(then).tolist() == [True, True, True, False]
    assert year_before(past, then, names, True) == (7.0, "the same months a year before, without 2025-04")
    fewer = past.drop(pd.Period("2025-03", "M"))
    then = pd.Series(same_month_last_year(fewer, names, True))
    assert set_against(then).tolist() == [True] * 4
    spent, said = year_before(fewer, then, names, True)
    assert np.isnan(spent)
    assert said == "the last 4 known months"


def test_else_against_as_many_known_months_before_the_first_one_ahead():
    names = ["2026-01", "2026-02"]
    past = monthly_money(m2025_09=8, m2025_10=16, m2025_12=32, m2026_01=64)
    none = pd.Series(same_month_last_year(past, names, True))
    assert year_before(past, none, names, True) == (48.0, "the last 2 known months, without 2025-11")
    assert year_before(past, none, ["month 1"], False)[1] == ""
    assert all(np.isnan(same_month_last_year(past, names, False)))


def test_without_issues_the_past_is_what_census_and_recipe_explain(unit_maker):
    """March 2026 whole, April just begun: airway-days and arrivals of March at list prices."""
    unit = counted(unit_maker, date(2026, 3, 1), 33)
    model = use_model(unit)
    past, source = past_values(unit, model, monthly_census(unit))
    assert (source, [str(m) for m in past.index]) == ("worked out from the census", ["2026-03"])
    a_day = sum(n * (model.per_day[g] + n_in * model.per_arrival[g]) @ model.price
                for g, n, n_in in ((0, 6, model.arrivals[0]), (2, 3, model.arrivals[2])))
    assert past.iloc[0] == pytest.approx(31 * a_day)
    paid, source = past_values(replace(unit, issues=weekly("2026-02-02", 10)), model, monthly_census(unit))
    assert (source, paid[pd.Period("2026-03", "M")]) == ("issued", pytest.approx(5 * 2.2))


def test_where_arrivals_are_counted_the_past_takes_those_that_came(unit_maker):
    """Ten arrivals more in March cost ten times what an arrival takes, whatever the days."""
    unit = counted(unit_maker, date(2026, 3, 1), 33)
    model, monthly = use_model(unit), monthly_census(unit)
    few, many = (past_values(unit, model, replace(monthly, arrivals=np.full_like(monthly.arrivals, n)))[0].iloc[0]
                 for n in (0.0, 10.0))
    assert many - few == pytest.approx(10 * (model.per_arrival @ model.price).sum())


# -- on the unit's own level ----------------------------------------------------------------------------------------


def sampled(items, months=4, first=3, draws=400, use=100.0, noise=0.0):
    rng = np.random.default_rng(5)
    drawn = use * np.exp(noise * rng.standard_normal((draws, 1, 1))) * np.ones((draws, months, items))
    names = tuple(f"2026-{m:02d}" for m in range(1, months + 1))
    days = np.full((draws, months, 1), 200.0)
    return Sampled(names, first, np.full(months, 30.0), days, days, days, drawn.astype(np.float32),
                   np.ones((months, items)))


def issued(unit, by_item, months=("2026-01", "2026-02", "2026-03")):
    return pd.DataFrame([(pd.Period(m, "M"), i, float(u)) for m in months for i, u in by_item.items()],
                        columns=["month", "item", "units"])


def level_unit():
    items = pd.DataFrame({"item": ["a", "b", "c"], "role": ["r", "s", "t"], "description": ["A", "B", "C"]})
    return SimpleNamespace(items=items, currency="USD", n_strata=1)


def test_months_ahead_go_on_as_issued_and_the_doubt_that_past_and_future_share_cancels():
    """Twice as much issued as explained, at a doubt of 30 %: 200 a month ahead, hardly any doubt left."""
    unit, known = level_unit(), frozenset(("2026-01", "2026-02", "2026-03"))
    moved, said = on_own_level(unit, sampled(3, noise=0.3, use=10_000.0),
                               issued(unit, dict.fromkeys("abc", 20_000)), known, np.random.default_rng(1))
    ahead = moved.use[:, 3]
    assert ahead.mean() == pytest.approx(20_000, rel=0.02)
    assert ahead.std() < 0.02 * ahead.mean()
    assert said[0].startswith("Issues of 3 past months come to ")
    share = int(said[0].split(" come to ")[1].split("%")[0])
    assert share == pytest.approx(200 / np.exp(0.045), abs=8)


def test_a_count_of_one_day_without_turnover_is_as_unsure_as_a_poisson_number(unit_maker):
    """Nine airways, and one: gamma of that mean and that variance, the same in every month."""
    for airways in (9, 1):
        rows = pd.DataFrame({"stratum": [0], "airways": [airways]})
        unit = unit_maker(Census("snapshot", rows, date(2026, 3, 2), date(2026, 3, 2), None, 1.0, NOBODY))
        paths, _ = snapshot_paths(unit, 3, 40_000, np.random.default_rng(1))
        assert paths.mean() == pytest.approx(airways, rel=0.02)
        assert paths[:, 0].var() == pytest.approx(airways, rel=0.05)
        assert (paths == paths[:, :1]).all()


def test_a_role_of_which_nothing_was_issued_keeps_its_recipe_and_is_named_with_its_money():
    unit, known = level_unit(), frozenset(("2026-01", "2026-02", "2026-03"))
    moved, said = on_own_level(unit, sampled(3), issued(unit, {"a": 100, "b": 100}), known, np.random.default_rng(1))
    assert moved.use[:, 3, 2].mean() == pytest.approx(100, rel=0.02)
    assert said[-1].startswith("Never issued, and taken as the recipe says: C: 100 USD of what is expected for "
                               "2026-04 to 2026-04.")


def test_few_units_say_little_of_an_item():
    """50 units of the unit's level are added to both: of 300 explained 30 issued of one item, 300 of the others."""
    unit, known = level_unit(), frozenset(("2026-01", "2026-02", "2026-03"))
    moved, _ = on_own_level(unit, sampled(3), issued(unit, {"a": 10, "b": 100, "c": 100}), known,
                            np.random.default_rng(1))
    level = 630 / 900
    mean = moved.use[:, 3].mean(axis=0)
    assert mean[0] / mean[1] == pytest.approx((30 + 50 * level) / (300 + 50 * level), rel=1e-3)


@pytest.mark.parametrize("months", [("2026-01", "2026-02"), ()])
def test_issues_of_fewer_than_three_known_months_change_nothing(months):
    unit, known = level_unit(), frozenset(("2026-01", "2026-02", "2026-03"))
    before = sampled(3)
    moved, said = on_own_level(unit, before, issued(unit, {"a": 200}, months or ("2025-01",)), known,
                               np.random.default_rng(1))
    assert (moved is before, said) == (True, ())
    assert on_own_level(unit, before, None, known, np.random.default_rng(1)) == (before, ())


def test_items_issued_that_no_recipe_takes_go_on_by_the_airway_day():
    """30 a month at 200 airway-days of one item beside the recipe."""
    unit, known = level_unit(), frozenset(("2026-01", "2026-02", "2026-03"))
    before = sampled(3)
    before.use[:, :, 2] = 0.0
    moved, _ = on_own_level(unit, before, issued(unit, {"a": 100, "b": 100, "c": 30}), known, np.random.default_rng(1))
    assert moved.use[:, 3, 2].mean() == pytest.approx(30.0, rel=0.02)


@pytest.mark.parametrize(("units", "off"), [(49, True), (51, False), (199, False), (202, True)])
def test_issues_of_under_half_or_over_twice_of_what_is_explained_are_called_far_off(units, off):
    unit, known = level_unit(), frozenset(("2026-01", "2026-02", "2026-03"))
    _, said = on_own_level(unit, sampled(3), issued(unit, dict.fromkeys("abc", units)), known, np.random.default_rng(1))
    assert any(s.startswith("That is far off") for s in said) is off


def test_a_line_of_no_units_says_nothing_of_a_price(unit_maker):
    """12 USD paid for five; a credit and a line of none follow at 99."""
    issues = pd.DataFrame({"date": pd.to_datetime(["2026-03-02", "2026-03-03", "2026-03-04"]), "item": "saline-5",
                           "units": [5.0, 0.0, -1.0], "price": [12.0, 99.0, 99.0]})
    unit = unit_maker(issues=issues)
    book = price_book(unit)
    assert book.last()[unit.items["item"].tolist().index("saline-5")] == 12.0


def test_past_months_that_the_census_does_not_know_are_lived_as_the_first_month_ahead(unit_maker):
    """4, 2 and 3 airways and one arrival a day ahead: 31 days of January and 28 of February of it."""
    ahead = np.full((5, 2, 3), [4.0, 2.0, 3.0]), np.ones((5, 2, 3))
    monthly = monthly_census(unit_maker())
    days, came = _lived(unit_maker(), monthly, ("2026-01", "2026-02"), ahead, None, np.zeros(3),
                        np.random.default_rng(1))
    assert days[0].tolist() == [[124.0, 62.0, 93.0], [112.0, 56.0, 84.0]]
    assert came[4].tolist() == [[31.0] * 3, [28.0] * 3]


def test_a_snapshot_is_a_month_of_thirty_days_of_which_one_is_known(unit_maker):
    monthly = monthly_census(unit_maker())
    assert (monthly.days.tolist(), monthly.known_days.tolist(), monthly.complete.tolist()) == ([30.0], [1.0], [True])
    assert monthly.months is None
    assert monthly.mean_airways.tolist() == [[4.0, 2.0, 3.0]]
    assert np.isnan(monthly.arrivals).all()


def test_a_unit_to_which_few_come_rests_on_its_own_stays_and_one_to_which_nobody_does_on_usual_ones(unit_maker):
    """One in ten days in all: its stays of six days, and its own bursts, low, middle and high."""
    fitted = fit_posterior(unit_maker())
    few = replace(fitted, arrivals=np.full_like(fitted.arrivals, 0.1 / 3), burst=np.linspace(0.0, 0.6, fitted.n_draws))
    law, bursts = _law_and_bursts(few)
    assert law.mean[0] == pytest.approx(fitted.stays.known().mean[0])
    assert bursts == pytest.approx([0.1, 0.3, 0.5])
    nobody, usual = _law_and_bursts(replace(few, arrivals=0 * few.arrivals))
    assert not np.allclose(usual, bursts)
    assert nobody.mean[0] == pytest.approx(log_normal_stays(np.array([GUESS_STAY_DAYS]), np.ones(1)).mean[0])
