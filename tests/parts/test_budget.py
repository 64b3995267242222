"""The budget year: accounting identities, prices, months that are missing, and what is left to chance.

Identities of cost accounting (flexed budgets: volume, mix and price variances add up to the whole): textbook practice,
no single source.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.forecast.budget import (
    AHEAD,
    GIVEN,
    ISSUED,
    MISSING,
    NOT_BY_ITEM,
    PART,
    budget_year,
    odds_said,
)
from kitplan.parts.forecast.months_ahead import forecast_and_sampled
from kitplan.parts.forecast.prices import price_book
from kitplan.parts.forecast.prints import not_known
from kitplan.parts.forecast.sheets import _budget_items
from kitplan.read.values import Budget
from kitplan.write.book import Book

spec = spec_from_file_location("forecast_units", Path(__file__).parent / "test_forecast.py")
SHARED = module_from_spec(spec)
spec.loader.exec_module(SHARED)
unit = SHARED.unit
LINES = pd.DataFrame({"month": pd.Series(dtype=object), "item": pd.Series(dtype=object),
                      "amount": pd.Series(dtype=float), "spent": pd.Series(dtype=float)})
CENT = 0.0049


def lines(**spent):
    return pd.DataFrame([(m.replace("_", "-")[1:], "", np.nan, v) for m, v in spent.items()],
                        columns=["month", "item", "amount", "spent"])


def issued(unit, first, last, skip=(), share=1.0, price=None):
    """A line a week of every item used, as much as the recipe takes on the mean."""
    forecast, _ = forecast_and_sampled(replace(unit, issues=None, budget=None), draws=200)
    weekly = forecast.item_year.set_index("item")["expected_units"] / 52.18 * share
    days = [d for d in pd.date_range(first, last, freq="7D") if str(d)[:7] not in skip]
    rows = [(d, item, round(units + 0.3, 1)) for d in days for item, units in weekly.items()]
    frame = pd.DataFrame(rows, columns=["date", "item", "units"])
    return frame.assign(price=np.nan if price is None else price)


def year_of(unit, budget, **changes):
    made = replace(unit, budget=budget, **changes)
    return budget_year(made, forecast_and_sampled(made, draws=800)[1])


@pytest.fixture(scope="module")
def half_year(unit):
    """Issues of two years but for November, a budget of the calendar year 2026 that begins after them, and one that
    holds half of them."""
    issues = issued(unit, "2024-01-01", "2025-12-31", skip=("2025-11",), share=1.2)
    return replace(unit, issues=issues), year_of(unit, Budget("2025-07", 20_000.0, LINES), issues=issues)


def test_months_add_up_to_quarters_and_the_year_to_the_cent(half_year):
    periods = half_year[1].periods.set_index("kind")
    for column in ("budget", "landing", "over_budget"):
        cents = (periods[column] * 100).round().astype(int)
        assert cents["month"].sum() == cents["quarter"].sum() == cents["year"]
        quarters = cents["month"].to_numpy().reshape(4, 3).sum(axis=1)
        assert quarters.tolist() == cents["quarter"].tolist()


def test_volume_mix_and_price_are_the_whole_difference_to_the_cent(half_year):
    items, year = half_year[1].items, half_year[1]
    parts = items[["volume", "mix", "price"]].sum(axis=1)
    assert ((parts - items["over_budget"]).abs() < CENT).all()
    assert ((items["budget"] + parts - items["landing"]).abs() < CENT).all()
    assert items["budget"].sum() == pytest.approx(year.budget, abs=CENT)
    assert items["landing"].sum() == pytest.approx(year.landing[0], abs=CENT)


def test_mix_alone_moves_no_money_in_all(half_year):
    """A flexed budget: what all items do alike is volume, so the mix of all items is nothing but rounding."""
    assert abs(half_year[1].items["mix"].sum()) <= 0.01 * len(half_year[1].items)


def test_nothing_in_all_is_written_as_nothing(half_year, monkeypatch):
    """Cents that cancel left -2e-13, which a spreadsheet shows as -0.00."""
    said, year = [], half_year[1]
    monkeypatch.setattr("kitplan.write.book.Page.total", lambda page, values, kinds=(): said.extend(values))
    mix = np.linspace(-1e-13, -2e-13, len(year.items))
    _budget_items(Book("Invented", "USD", "0000-0000"), replace(year, items=year.items.assign(mix=mix)))
    assert str(said[4]) == "0.0"
    assert said[6] == round(year.items["landing"].sum(), 2)


def test_a_month_without_issues_is_filled_in_and_named(half_year):
    months = half_year[1].periods.query("kind == 'month'").set_index("period")
    assert months.loc["2025-11", "source"] == MISSING
    assert months.loc["2025-11", "landing"] > 0.5 * months.loc["2025-10", "landing"]
    assert half_year[1].missing == ("2025-11",)
    assert any("2025-11" in s and "not taken as nothing" in s for s in half_year[1].sentences)
    assert set(months["source"]) == {ISSUED, MISSING, AHEAD}


def test_issued_months_are_certain_and_the_rest_is_not(half_year):
    months = half_year[1].periods.query("kind == 'month'").set_index("period")
    known = months["source"] == ISSUED
    assert (months.loc[known, "low_landing"] - months.loc[known, "high_landing"]).abs().max() < CENT
    assert (months.loc[~known, "low_landing"] < months.loc[~known, "high_landing"]).all()


def test_the_band_of_the_year_is_not_the_sum_of_the_months_bands(half_year):
    """Errors of months partly cancel: the band of a sum is no wider than the sum of bands (Minkowski)."""
    months, year = half_year[1].periods.query("kind == 'month'"), half_year[1]
    assert year.landing[2] - year.landing[1] < (months["high_landing"] - months["low_landing"]).sum()


def test_the_months_ahead_go_on_at_the_units_own_level_of_use(half_year, unit):
    made, _ = half_year
    own = forecast_and_sampled(made, draws=800)[0]
    recipe = forecast_and_sampled(unit, draws=800)[0]
    assert own.year_value[0] == pytest.approx(1.2 * recipe.year_value[0], rel=0.05)
    assert any("12 past months come to" in note for note in own.notes)


def test_a_month_that_the_budget_year_calls_spent_is_not_ahead(unit):
    """The census ends a day before October does, its issues do not: one October stood at two sums on two papers. So
    did one that the accounts know; one issued in part is ahead.
    """
    made = replace(unit, census=SHARED.counts_census(date(2024, 1, 1), 669), budget=Budget("2025-07", 20_000.0, LINES))
    whole, part = (issued(unit, "2024-01-01", last) for last in ("2025-10-31", "2025-10-15"))
    told = Budget("2025-07", 20_000.0, lines(_2025_09=1000.0, _2025_10=900.0))
    for changes, first, source in (({"issues": whole}, "2025-11", ISSUED), ({"budget": told}, "2025-11", GIVEN),
                                   ({"issues": part}, "2025-10", PART), ({}, "2025-10", AHEAD)):
        forecast, sampled = forecast_and_sampled(replace(made, **changes), draws=200)
        year = budget_year(replace(made, **changes), sampled).periods.set_index("period")
        assert (forecast.total["month"].iloc[0], len(forecast.total)) == (first, 12)
        assert year.loc["2025-10", "source"] == source
        assert set(year["source"][:12][year.index[:12] >= first]) <= {AHEAD, PART}


def test_a_return_reduces_what_was_spent(unit):
    issues = issued(unit, "2025-07-01", "2025-12-31")
    item = issues["item"].iloc[0]
    back = pd.DataFrame({"date": [pd.Timestamp("2025-12-09")], "item": [item], "units": [-10.0], "price": [np.nan]})
    one = unit.items.set_index("item").loc[item]
    budget = Budget("2025-07", 20_000.0, LINES)
    before, after = (year_of(unit, budget, issues=i) for i in (issues, pd.concat([issues, back])))
    assert before.spent - after.spent == pytest.approx(10 * one["price"] / one["pack"], abs=CENT)


def test_money_from_the_accounts_is_taken_before_the_issues(unit):
    year = year_of(unit, Budget("2026-01", 20_000.0, lines(m2026_01=1234.56)))
    january = year.periods.set_index("period").loc["2026-01"]
    assert (january["source"], january["landing"], january["spent"]) == (GIVEN, 1234.56, 1234.56)
    assert year.spent == 1234.56
    assert NOT_BY_ITEM in set(year.items["item"])
    assert year.items["landing"].sum() == pytest.approx(year.landing[0], abs=CENT)


def test_a_month_begun_is_spent_in_part_and_forecast_for_the_days_left(unit):
    issues = issued(unit, "2025-07-01", "2026-01-14")
    year = year_of(unit, Budget("2026-01", 20_000.0, LINES), issues=issues)
    january = year.periods.set_index("period").loc["2026-01"]
    assert january["source"] == PART
    assert 0 < january["spent"] < january["landing"]


def test_a_rise_is_carried_from_its_day_and_a_price_paid_replaces_it(unit):
    item = unit.items["item"].iloc[0]
    prices = pd.DataFrame([("2026-04-01", "", np.nan, 10.0), ("2026-07-01", item, 50.0, np.nan)],
                          columns=["date", "item", "price", "percent"]).assign(date=lambda f: pd.to_datetime(f["date"]))
    book = price_book(replace(unit, prices=prices))
    months = book.in_months(pd.PeriodIndex(["2026-03", "2026-04", "2026-07"], freq="M"))
    listed = unit.items["price"].to_numpy(float)
    np.testing.assert_allclose(months[0], listed)
    np.testing.assert_allclose(months[1], 1.1 * listed)
    assert months[2][0] == 50
    np.testing.assert_allclose(months[2][1:], 1.1 * listed[1:])
    half = pd.PeriodIndex(["2026-04"], freq="M")
    prices["date"] = pd.to_datetime(["2026-04-16", "2026-07-01"])
    np.testing.assert_allclose(price_book(replace(unit, prices=prices)).in_months(half)[0], 1.05 * listed)


def test_a_rise_of_all_prices_raises_what_is_ahead_by_as_much(unit):
    prices = pd.DataFrame({"date": [pd.Timestamp("2026-01-01")], "item": [""], "price": [np.nan], "percent": [4.0]})
    budget = Budget("2026-01", 20_000.0, LINES)
    before, after = year_of(unit, budget), year_of(unit, budget, prices=prices)
    assert after.landing[0] == pytest.approx(1.04 * before.landing[0], rel=1e-4)
    assert after.items["price"].sum() == pytest.approx(after.landing[0] - before.landing[0], abs=0.5)


def test_prices_as_last_paid_value_issues_that_note_none(unit):
    issues = issued(unit, "2025-07-01", "2025-12-31")
    dear = issues.assign(price=np.where(issues["date"] < "2025-08-01",
                                        2 * issues["item"].map(unit.items.set_index("item")["price"]), np.nan))
    budget = Budget("2025-07", 20_000.0, LINES)
    assert year_of(unit, budget, issues=dear).spent == pytest.approx(2 * year_of(unit, budget, issues=issues).spent,
                                                                     rel=1e-3)


def test_a_budget_by_item_is_split_by_item(unit):
    item = unit.items["item"].iloc[0]
    by_item = pd.DataFrame([(f"2026-{m:02d}", item, 100.0, np.nan) for m in range(1, 13)], columns=LINES.columns)
    year = year_of(unit, Budget("2026-01", None, by_item))
    assert year.budget == 1200
    assert year.items.set_index("item")["budget"][item] == 1200
    assert year.items["budget"].sum() == 1200


def test_what_a_years_amount_leaves_goes_to_the_months_that_no_line_names(unit):
    april = pd.DataFrame([("2026-04", "", 4000.0, np.nan)], columns=LINES.columns)
    months = year_of(unit, Budget("2026-01", 15_000.0, april)).periods.query("kind == 'month'").set_index("period")
    assert months.loc["2026-04", "budget"] == 4000
    assert months["budget"].sum() == pytest.approx(15_000)
    assert months.loc["2026-02", "budget"] == pytest.approx(11_000 * 28 / (365 - 30), abs=0.02)


def test_accounts_and_issues_of_one_month_give_the_sum_and_its_items(unit):
    issues = issued(unit, "2025-07-01", "2025-12-31")
    alone = year_of(unit, Budget("2025-07", 20_000.0, LINES), issues=issues)
    both = year_of(unit, Budget("2025-07", 20_000.0, lines(m2025_07=500.0)), issues=issues)
    items = [y.items.set_index("item")["landing_units"].drop(NOT_BY_ITEM, errors="ignore") for y in (alone, both)]
    pd.testing.assert_series_equal(items[0].sort_index(), items[1].sort_index(), check_names=False)
    assert both.periods.set_index("period").loc["2025-07", "landing"] == 500


def test_without_a_budget_year_there_is_none_and_without_an_amount_it_still_lands(unit):
    assert year_of(unit, None) is None
    year = year_of(unit, Budget("2026-01", None, LINES))
    assert np.isnan(year.budget)
    assert np.isnan(year.over)
    assert year.landing[0] > 0


def test_a_chance_is_said_no_finer_than_it_is_known():
    assert [odds_said(p) for p in (0.0, 0.01, 0.07, 0.31, 0.5, 0.97, 1.0)] == [
        "under 5 in 100", "under 5 in 100", "about 5 in 100", "about 30 in 100", "about 50 in 100", "over 95 in 100",
        "over 95 in 100"]


def test_a_year_that_has_not_begun_is_told_so_and_nothing_is_called_spent_of_it(half_year):
    unit, _ = half_year
    said = year_of(unit, Budget("2026-02", 20_000.0, LINES)).sentences
    assert any(line.startswith("The year has not begun: what was spent is known to 2025-12-") for line in said)
    assert not any(line.startswith("Spent to") for line in said)


def test_the_directors_page_says_whose_prices_are_invented_until_they_were_paid_or_agreed(half_year):
    unit, year = half_year
    unit = replace(unit, items=unit.items.assign(provenance="price invented"))
    view = SimpleNamespace(budget=year, forecast=SimpleNamespace(notes=(), history=range(36)))
    wanted = f"Prices: those of {len(year.items)} of {len(year.items)} items are INVENTED"
    assert any(line.startswith(wanted) for line in not_known(view, unit))
    agreed = pd.DataFrame([(pd.Timestamp("2025-01-01"), item, 9.0, np.nan) for item in year.items["item"]],
                          columns=["date", "item", "price", "percent"])
    assert not any("INVENTED" in line for line in not_known(view, replace(unit, prices=agreed)))
