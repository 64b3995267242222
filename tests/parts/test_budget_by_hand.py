"""A budget year of two items, reckoned by hand: months given, issued and ahead, and what moves the landing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.forecast import own_use
from kitplan.parts.forecast.budget import AHEAD, GIVEN, ISSUED, MISSING, PART, budget_year, odds_said
from kitplan.parts.forecast.own_use import Sampled
from kitplan.read.values import Budget

MONTHS = tuple(str(m) for m in pd.period_range("2026-01", periods=12, freq="M"))
DAYS = pd.PeriodIndex(MONTHS, freq="M").days_in_month.to_numpy().astype(float)
NONE = pd.DataFrame({"month": pd.Series(dtype=object), "item": pd.Series(dtype=object),
                     "amount": pd.Series(dtype=float), "spent": pd.Series(dtype=float)})


def lines(*rows):
    """rows: month, item, amount, spent."""
    return pd.DataFrame(rows, columns=["month", "item", "amount", "spent"]).astype({"amount": float, "spent": float})


def sampled(unit, saline=500.0, wipes=200.0, spread=0.0, first=0):
    """A thousand draws of a year: ampoules and wipes each month, a draw of 1 - spread to 1 + spread times as much."""
    use = np.zeros((1000, 12, len(unit.items)))
    items = list(unit.items["item"])
    factor = np.linspace(1 - spread, 1 + spread, 1000)[:, None]
    use[:, :, items.index("saline-5")] = saline * factor
    use[:, :, items.index("wipe-prep")] = wipes * factor
    price = np.tile((unit.items["price"] / unit.items["pack"]).to_numpy(float), (12, 1))
    days = np.ones((1000, 12, 1))
    return Sampled(MONTHS, first, DAYS, days, days, days, use, price)


def year(unit_maker, amount=2000.0, budget=NONE, issues=None, **changes):
    """Ampoules at 11 / 50 and wipes at 12.50 / 50: 110 and 50 money a month, 1,920 a year."""
    unit = unit_maker(budget=Budget("2026-01", amount, budget), issues=issues)
    return budget_year(unit, sampled(unit, **changes))


def issued(*rows):
    return pd.DataFrame(rows, columns=["date", "item", "units", "price"]).assign(
        date=lambda f: pd.to_datetime(f["date"]))


def weekly(until, units=70.0, price=np.nan):
    return issued(*[(str(d.date()), "saline-5", units, price) for d in pd.date_range("2025-12-29", until, freq="7D")])


def test_a_year_of_which_nothing_is_known_lands_where_it_is_forecast(unit_maker):
    found = year(unit_maker, spread=0.5)
    assert found.landing == pytest.approx((1920.0, 1920 * 0.6, 1920 * 1.4), rel=1e-3)
    assert found.band_95 == pytest.approx((1920 * 0.525, 1920 * 1.475), rel=1e-3)
    assert (found.budget, found.spent, found.known_to, found.missing) == (2000.0, 0.0, "", ())
    assert found.over == pytest.approx((1.5 - 2000 / 1920) / 1.0, abs=0.002)
    table = found.periods.set_index("period")
    assert len(found.periods) == 12 + 4 + 1
    assert table.loc["2026-03", ["landing", "source"]].tolist() == [160.0, AHEAD]
    assert table.loc["2026-01 to 2026-03", "landing"] == 480.0
    assert table.loc["2026-01 to 2026-12", ["landing", "budget", "over_budget"]].tolist() == [1920.0, 2000.0, -80.0]
    assert table.loc["2026-03", "budget"] == pytest.approx(2000 * 31 / 365, abs=0.01), "by days"
    assert "Nothing spent is known" in found.sentences[2]


def test_what_the_accounts_say_was_spent_is_spent_and_the_rest_is_ahead(unit_maker):
    """January 100, February 250: 350 spent, and ten months of 160."""
    found = year(unit_maker, budget=lines(("2026-01", "", np.nan, 100.0), ("2026-02", "", np.nan, 250.0)))
    assert (found.spent, found.landing[0], found.known_to) == (350.0, 1950.0, "2026-02-28")
    table = found.periods.set_index("period")
    assert table.loc["2026-02", ["source", "spent", "landing"]].tolist() == [GIVEN, 250.0, 250.0]
    quarter = table.loc["2026-01 to 2026-03", ["source", "spent", "landing"]]
    assert quarter.tolist() == ["accounts, ahead", 350.0, 510.0]
    assert np.isnan(table.loc["2026-03", "spent"])
    assert found.sentences[2] == "Spent to 2026-02-28: 350 USD; 1,650 of the budget is left."
    assert found.sentences[1] == ("Budget 2,000 USD: the landing is 50 under it; chance of going over: under 5 in 100.")
    rest = found.items.set_index("item").loc["(spent, not told by item)"]
    assert rest["landing"] == pytest.approx((100 - 160) + (250 - 160)), "beyond what the items explain"


@pytest.mark.parametrize(("months", "spent", "said"), [
    (3, 100.0, "That is 180 less than the items come to in the same time"), (3, 210.0, "That is 150 more"),
    (3, 150.0, "Against"), (2, 100.0, "Against")])
def test_accounts_far_from_what_the_items_come_to_are_told_as_the_months_ahead_do_not_follow_them(
        unit_maker, months, spent, said):
    """Three months of 160 each are forecast."""
    found = year(unit_maker, budget=lines(*[(f"2026-0{k + 1}", "", np.nan, spent) for k in range(months)]))
    assert found.sentences[3].startswith(said)


def test_an_overspent_year_is_said_so(unit_maker):
    found = year(unit_maker, amount=300.0, budget=lines(("2026-01", "", np.nan, 400.0)))
    assert found.sentences[2] == "Spent to 2026-01-31: 400 USD; the year's budget is overspent by 100 already."
    assert found.sentences[1].startswith("Budget 300 USD: the landing is 1,860 over it")
    assert found.over == 1.0


def test_issued_months_cost_what_was_paid_and_a_begun_one_is_forecast_for_the_days_left(unit_maker):
    """Seventy ampoules a week at 22 a pack, 30.80 a week: January to March whole, April to the 13th: 17 days left."""
    found = year(unit_maker, issues=weekly("2026-04-13", price=22.0))
    table = found.periods.set_index("period")
    assert table.loc["2026-01", ["source", "spent", "landing"]].tolist() == [ISSUED, 123.2, 123.2]
    assert table.loc["2026-04", "source"] == PART
    left = 17 / 30
    dear = 500 * 22 / 50 + 200 * 12.5 / 50
    assert table.loc["2026-04", "spent"] == 61.6
    assert table.loc["2026-04", "landing"] == pytest.approx(61.6 + left * dear, abs=0.02)
    assert table.loc["2026-05", ["source", "landing"]].tolist() == [AHEAD, pytest.approx(dear)]
    assert (found.known_to, found.spent) == ("2026-04-13", pytest.approx(123.2 + 123.2 + 154.0 + 61.6))
    units = found.items.set_index("item")["landing_units"]
    assert units["saline-5"] == pytest.approx(15 * 70 + left * 500 + 8 * 500), "fifteen Mondays, then as forecast"


def test_a_past_month_without_issues_is_filled_in_and_named(unit_maker):
    issues = weekly("2026-04-27")
    issues = issues[issues["date"].dt.month != 2]
    found = year(unit_maker, issues=issues)
    table = found.periods.set_index("period")
    assert (found.missing, found.known_to) == (("2026-02",), "2026-04-30")
    assert table.loc["2026-02", ["source", "landing"]].tolist() == [MISSING, 160.0]
    assert np.isnan(table.loc["2026-02", "spent"])
    assert any(s.startswith("What 2026-02 cost is not known: filled in by forecast") for s in found.sentences)


def test_a_month_before_one_of_which_the_cost_is_given_is_past(unit_maker):
    """April alone is given: January to March are gone by and named, May is ahead."""
    found = year(unit_maker, budget=lines(("2026-04", "", np.nan, 170.0)))
    table = found.periods.set_index("period")
    assert table.loc[["2026-01", "2026-02", "2026-03", "2026-04", "2026-05"], "source"].tolist() == [
        MISSING, MISSING, MISSING, GIVEN, AHEAD]
    assert found.missing == ("2026-01", "2026-02", "2026-03")


def test_the_difference_of_an_item_is_volume_mix_and_price(unit_maker):
    """Budget by item: 1,000 ampoules' money and 1,000 of wipes'. Landing at list prices 1,320 and 600: in all 1,920, so
    each 960 if all moved alike (-40); mix +360 and -360; no price.
    """
    budget = lines(*[(m, i, 1000 / 12, np.nan) for m in MONTHS for i in ("saline-5", "wipe-prep")])
    table = year(unit_maker, amount=None, budget=budget).items.set_index("item")
    assert table.loc["saline-5", ["budget", "landing"]].tolist() == pytest.approx([1000.0, 1320.0])
    assert table.loc["saline-5", ["volume", "mix", "price"]].tolist() == pytest.approx([-40.0, 360.0, 0.0])
    assert table.loc["wipe-prep", ["volume", "mix", "price", "over_budget"]].tolist() == pytest.approx(
        [-40.0, -360.0, 0.0, -400.0])
    assert table.loc["saline-5", ["budget_units", "landing_units"]].tolist() == pytest.approx([1000 * 50 / 11, 6000.0])
    assert table.index[0] == "wipe-prep", "the largest difference first"


def test_a_price_above_the_list_is_price_and_no_volume(unit_maker):
    """Paid twice the list once in December: the year ahead costs it; a budget without items follows the use."""
    found = year(unit_maker, issues=issued(("2025-12-30", "saline-5", 50, 22.0)))
    table = found.items.set_index("item")
    assert table.loc["saline-5", "price"] == pytest.approx(1320.0)
    assert table["mix"].abs().max() <= 0.02
    assert table.loc["saline-5", "budget"] == pytest.approx(2000 * 110 / 160, abs=0.02)
    assert found.sentences[-2].endswith("+1,320 because prices differ from the list.")


def test_what_a_years_amount_leaves_goes_by_days_to_the_months_that_no_line_names(unit_maker):
    """300 for January named; 1,700 over 334 days."""
    table = year(unit_maker, budget=lines(("2026-01", "", 300.0, np.nan))).periods.set_index("period")
    assert table.loc["2026-01", "budget"] == pytest.approx(300.0, abs=0.01)
    assert table.loc["2026-02", "budget"] == pytest.approx(1700 * 28 / 334, abs=0.01)
    assert table.loc["2026-01 to 2026-12", "budget"] == pytest.approx(2000.0)


def test_without_an_amount_the_year_still_lands(unit_maker):
    found = year(unit_maker, amount=None)
    assert np.isnan(found.budget)
    assert np.isnan(found.over)
    assert len(found.sentences) == 2
    assert budget_year(unit_maker(), sampled(unit_maker())) is None
    late = unit_maker(budget=Budget("2026-02", 100.0, NONE))
    assert budget_year(late, sampled(late)) is None, "January after next is not sampled"


@pytest.mark.parametrize(("chance", "said"), [
    (0.04, "under 5 in 100"), (0.05, "about 5 in 100"), (0.52, "about 50 in 100"), (0.53, "about 55 in 100"),
    (0.95, "about 95 in 100"), (0.96, "over 95 in 100"),
])
def test_a_chance_is_said_to_a_twentieth(chance, said):
    assert odds_said(chance) == said


def test_what_was_never_issued_is_named_however_little_money_it_is(small_unit):
    """Half a dollar and none: the first is named, by its description."""
    names = small_unit.items["description"]
    silent = np.zeros(len(names))
    silent[0] = 0.5
    said = own_use._said(small_unit, 1.0, 12, None, silent, "2026-04 to 2027-03")
    assert f"Never issued, and taken as the recipe says: {names.iloc[0]}: " in said[-1]
    none = own_use._said(small_unit, 1.0, 12, None, np.zeros(len(names)), "2026-04 to 2027-03")
    assert not any("Never issued" in line for line in none)


def test_months_gone_by_of_which_nothing_was_told_are_from_the_census_and_not_ahead(unit_maker):
    source = year(unit_maker, first=3).periods.set_index("period")["source"]
    assert source[["2026-03", "2026-04"]].tolist() == ["from the census", AHEAD]
    assert source["2026-01 to 2026-12"] == "from the census, ahead"
