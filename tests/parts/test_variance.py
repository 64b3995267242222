"""Past months explained: the parts add up to the cent, whatever the numbers."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from io import BytesIO
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from kitplan.parts.forecast import variance
from kitplan.parts.forecast.months import monthly_census
from kitplan.parts.forecast.sheets import _past_months
from kitplan.parts.forecast.variance import (
    EFFECTS,
    Variance,
    _named,
    _rates_then,
    _sentences,
    explain_past,
    split_to_the_cent,
)
from kitplan.read.values import Census
from kitplan.write.book import Book

MONEY = st.floats(-1e7, 1e7, allow_nan=False)


@settings(max_examples=200, deadline=None)
@given(st.lists(MONEY, min_size=2, max_size=8))
def test_the_parts_of_any_split_add_up_exactly(levels):
    parts = split_to_the_cent(np.array(levels))
    assert parts.sum() == round(levels[-1] * 100) - round(levels[0] * 100)


@pytest.fixture
def unit(unit_maker):
    """Eight months of daily counts (5 airways, then 8 from July) and monthly issues."""
    nobody = pd.DataFrame({"stratum": np.zeros(0, int), "mean_airways": np.zeros(0)})
    rows = pd.DataFrame(
        {"day": np.arange(243), "stratum": 0, "airways": np.where(np.arange(243) < 181, 5, 8)}
    )
    census = Census("counts", rows, date(2025, 1, 1), date(2025, 8, 31), 6.0, 1.0, nobody)
    unit = unit_maker(census)
    return replace(unit, planning=replace(unit.planning, frailty_nodes=2))


def with_issues(unit, factor=1.0, price=np.nan, item="saline-5"):
    from kitplan.demand.use import use_model

    model = use_model(unit)
    per_day = (model.per_day + model.arrivals[:, None] * model.per_arrival)[0]
    rows = []
    for month in pd.period_range("2025-01", "2025-08", freq="M"):
        airways = 5 if month.month < 7 else 8
        for name, use in zip(model.items, per_day):
            if use > 0:
                units = use * airways * month.days_in_month * (factor if name == item else 1.0)
                rows.append((month.start_time, name, units, price if name == item else np.nan))
    return replace(unit, issues=pd.DataFrame(rows, columns=["date", "item", "units", "price"]))


def adds_up(frame):
    cents = lambda column: np.round(frame[column].astype(float) * 100).astype(int)  # noqa: E731
    return (cents("forecast_value") + sum(cents(e) for e in EFFECTS) == cents("actual_value")).all()


def test_forecast_and_effects_are_what_was_spent_by_item_and_by_month(unit):
    variance = explain_past(with_issues(unit, 1.37, 13.13))
    assert len(variance.by_item) > 20
    assert adds_up(variance.by_item)
    assert adds_up(variance.by_month)


def test_three_beds_more_are_a_census_effect_and_nothing_else(unit):
    july = explain_past(with_issues(unit)).by_month.set_index("month").loc["2025-07"]
    assert july["census"] == pytest.approx(0.6 * july["forecast_value"], rel=0.02)
    for effect in ("frequency", "use_per_event", "price"):
        assert july[effect] == 0
    assert abs(july["unexplained"]) < 0.01 * july["actual_value"]


def test_what_walks_off_is_unexplained_and_its_item_is_named(unit):
    variance = explain_past(with_issues(unit, factor=2.5))
    assert variance.named["item"].tolist() == ["saline-5"]
    assert variance.named["unexplained_share"].iloc[0] == pytest.approx(1.5, rel=0.02)
    assert "walked off" in variance.sentences[1]


def test_what_is_not_booked_is_named_too(unit):
    variance = explain_past(with_issues(unit, factor=0.2))
    assert "not booked" in variance.named["say"].iloc[0]


def test_an_item_issued_for_another_of_its_role_is_no_leak_and_the_other_is_not_skipped(unit):
    """Ampoules of 10 mL for all that the plan counts in 5 mL: one question, answered in unit.toml. What
    nobody took, with nothing in its place, is asked about as before.
    """
    plain = with_issues(unit)
    (five,) = {i for i in plain.issues["item"] if unit.items.set_index("item").at[i, "role"] == "saline"}
    other = unit.items[unit.items["item"] == five].assign(item="saline-other")
    issues = plain.issues.assign(item=plain.issues["item"].replace(five, "saline-other"))
    variance = explain_past(replace(plain, items=pd.concat([unit.items, other], ignore_index=True), issues=issues))
    said = variance.named.set_index("item")["say"]
    assert said["saline-other"].endswith('saline = "saline-other" under [prefer] in unit.toml?')
    assert said[five].startswith("another is issued for the same")
    gone = explain_past(replace(plain, issues=plain.issues[plain.issues["item"] != five])).named
    assert gone["say"].tolist() == ["less went out than the recipe needs: skipped, kept elsewhere or not booked?"]


def test_a_price_paid_above_the_catalogue_is_a_price_effect(unit):
    plain = explain_past(with_issues(unit)).by_month
    dear = explain_past(with_issues(unit, price=22.0)).by_month
    saline = (
        explain_past(with_issues(unit)).by_item.query("item == 'saline-5'").set_index("month")["actual_value"]
    )
    np.testing.assert_allclose(dear["price"], saline.to_numpy(), atol=0.02)
    np.testing.assert_allclose(dear["unexplained"], plain["unexplained"], atol=0.011)


def test_without_a_log_frequency_is_said_to_be_unknown(unit):
    assert any("how often airways were renewed" in n for n in explain_past(with_issues(unit)).notes)


def test_months_without_three_months_before_them_are_not_explained(unit):
    assert explain_past(with_issues(unit)).by_month["month"].tolist() == [
        f"2025-{m:02d}" for m in range(4, 9)
    ]


def test_a_unit_without_issues_is_refused(unit):
    with pytest.raises(ValueError, match="no stock issues"):
        explain_past(unit)


def test_more_events_than_usual_are_a_frequency_effect(unit):
    rng = np.random.default_rng(2)
    n = np.where(np.arange(243) < 181, 2, np.where(np.arange(243) < 212, 3, 8))
    day = np.repeat(np.arange(243), n) + rng.random(n.sum())
    log = pd.DataFrame({"stratum": 0, "airway": "", "day": day, "reason": "loose"})
    log["date"] = pd.Timestamp("2025-01-01") + pd.to_timedelta(np.floor(day), unit="D")
    by_month = explain_past(replace(with_issues(unit), log=log)).by_month.set_index("month")
    assert by_month.loc["2025-08", "frequency"] > 100
    assert abs(by_month.loc["2025-05", "frequency"]) < 20
    assert adds_up(by_month)


def test_a_leak_that_began_lately_is_named_although_the_year_was_good(unit):
    """Two fifths more in the last three months only: a tenth over the year, well over the limit lately."""
    plain = with_issues(unit)
    months = pd.to_datetime(plain.issues["date"]).dt.to_period("M")
    leak = (plain.issues["item"] == "saline-5") & (months > months.max() - 3)
    issues = plain.issues.assign(units=plain.issues["units"].astype(float) * np.where(leak, 1.6, 1.0))
    named = explain_past(replace(plain, issues=issues)).named.set_index("item")
    assert named.loc["saline-5", "months"] == "last 3 months"
    assert named.loc["saline-5", "unexplained_share"] == pytest.approx(0.6, abs=0.05)


def test_the_first_sentence_says_over_or_under_and_its_parts_add_up(unit):
    """The sentence of the last month: its signed parts are the amount over or under, to the cent."""
    variance = explain_past(with_issues(unit, 1.37, 13.13))
    last = variance.by_month.iloc[-1]
    gap = round(last["actual_value"] - last["forecast_value"], 2)
    sentence = variance.sentences[0]
    assert f"{abs(gap):,.2f} {'over' if gap > 0 else 'under'} what would have been forecast" in sentence
    parts = [float(p.replace(",", "")) for p in re.findall(r"[+-][\d,]+\.\d\d", sentence)]
    assert sum(parts) == pytest.approx(gap, abs=0.005)


def with_returns(unit, share=0.25):
    """The issues of `with_issues`, with a part of every line given back in the same month at another price."""
    plain = with_issues(unit, 1.37, 13.13).issues
    back = plain.assign(units=-np.floor(plain["units"] * share), price=plain["price"] * 1.1)
    return replace(unit, issues=pd.concat([plain, back], ignore_index=True))


def test_returns_reduce_use_and_money_and_the_parts_still_add_up_to_the_cent(unit):
    """Accounting identity: by item and month, spent is the exact sum of issues less returns at the prices noted."""
    unit = with_returns(unit)
    variance = explain_past(unit)
    assert adds_up(variance.by_item)
    assert adds_up(variance.by_month)
    lines = unit.issues.assign(month=unit.issues["date"].dt.to_period("M").astype(str))
    catalogue = unit.items.set_index("item")
    for row in variance.by_item.itertuples():
        own = lines[(lines["month"] == row.month) & (lines["item"] == row.item)]
        each = own["price"].fillna(catalogue.loc[row.item, "price"]) / catalogue.loc[row.item, "pack"]
        assert row.actual_units == pytest.approx(own["units"].sum())
        assert row.actual_value == pytest.approx((own["units"] * each).sum(), abs=0.005 + 1e-9)


def test_a_month_of_nothing_but_returns_is_money_back(unit):
    plain = with_issues(unit)
    july = plain.issues["date"].dt.month == 7
    back = plain.issues.assign(units=np.where(july, -plain.issues["units"], plain.issues["units"]))
    variance = explain_past(replace(unit, issues=back))
    assert variance.by_month.set_index("month").loc["2025-07", "actual_value"] < 0
    assert adds_up(variance.by_item)


def test_a_missing_month_is_named_left_out_and_said_beside_every_sum(unit):
    plain = with_issues(unit, factor=2.5)
    issues = plain.issues[plain.issues["date"].dt.month != 7]
    variance = explain_past(replace(unit, issues=issues))
    assert "2025-07" not in variance.by_month["month"].tolist()
    assert any("No stock issues in 2025-07" in note for note in variance.notes)
    assert variance.named["months"].tolist() == ["last 3 months without 2025-07"]


def test_a_month_of_a_closed_ward_without_issues_says_nothing_of_the_month_after(unit):
    """Five airways to June, none in July, five again in August: August is no surprise."""
    plain, rows = with_issues(unit), unit.census.rows
    closed = rows["day"].between(181, 211)
    rows = rows.assign(airways=np.where(closed, 0, 5))
    shut = replace(unit, census=replace(unit.census, rows=rows),
                   issues=plain.issues[plain.issues["date"].dt.month != 7])
    august = explain_past(shut).by_month.set_index("month").loc["2025-08"]
    assert abs(august["census"]) < 0.01 * august["forecast_value"]


def test_an_item_booked_by_the_pack_is_asked_about_as_that(unit):
    pack = unit.items.set_index("item").loc["saline-5", "pack"]
    assert pack >= 8
    assert "packs booked as units?" in explain_past(with_issues(unit, factor=1 / pack)).named["say"].iloc[0]
    assert "units booked as packs?" in explain_past(with_issues(unit, factor=pack)).named["say"].iloc[0]


# -- reckoned by hand -----------------------------------------------------------------------------------------------


def test_a_month_of_eight_airways_after_months_of_five_is_three_fifths_more_by_the_census(unit):
    """July: forecast five airways for 31 days; there were eight; everything else as the recipe has it."""
    from kitplan.demand.use import use_model

    model = use_model(unit)
    a_day = (model.per_day + model.arrivals[:, None] * model.per_arrival)[0]
    found = explain_past(with_issues(unit)).by_item
    july = found[found["month"] == "2025-07"].set_index("item")
    for item in ("saline-5", "wipe-prep", "tape-25-short"):
        units = a_day[model.items.index(item)] * 31
        assert july.loc[item, "forecast_units"] == pytest.approx(5 * units)
        assert july.loc[item, "expected_units"] == pytest.approx(8 * units)
        assert july.loc[item, "actual_units"] == pytest.approx(8 * units)
        price = model.price[model.items.index(item)]
        assert july.loc[item, "census"] == pytest.approx(3 * units * price, abs=0.011)
        assert july.loc[item, ["frequency", "use_per_event", "unexplained", "price"]].abs().max() <= 0.011
    august = found[found["month"] == "2025-08"].set_index("item")
    assert august.loc["saline-5", "forecast_units"] == pytest.approx(
        6 * 31 * a_day[model.items.index("saline-5")]), "of five, five and eight the mean is six"
    assert found["month"].unique().tolist() == [f"2025-{m:02d}" for m in range(4, 9)], "three months come first"


def test_half_as_much_again_is_unexplained_and_a_price_above_the_list_is_price(unit):
    """Ampoules at 22 a pack of 50, where the list says 11."""
    more = explain_past(with_issues(unit, 1.5)).by_item
    june = more[(more["month"] == "2025-06") & (more["item"] == "saline-5")].iloc[0]
    assert june["unexplained"] == pytest.approx(0.5 * june["forecast_value"], abs=0.02)
    dear = explain_past(with_issues(unit, price=22.0)).by_item
    june = dear[(dear["month"] == "2025-06") & (dear["item"] == "saline-5")].iloc[0]
    assert june["price"] == pytest.approx(june["forecast_value"], abs=0.02)
    assert june["unexplained"] == pytest.approx(0.0, abs=0.011)


def months_of(unit, units, expected=100.0, value=1.0, item="saline-5"):
    """Item by month as `explain_past` has it: units issued where so many were expected."""
    rows = [(f"2025-{m + 1:02d}", item, expected, u, (u - expected) * value) for m, u in enumerate(units)]
    return pd.DataFrame(rows, columns=["month", "item", "expected_units", "actual_units", "unexplained"])


def test_an_item_over_the_limit_is_named_over_all_months_or_the_last_three(unit):
    """Limit and worth are the policy's; at 10 a unit a fifth more of a hundred is 200 money a month."""
    share, worth = unit.forecast.unexplained_limit, unit.forecast.unexplained_worth
    over = 100 * (1 + share) + 30
    always = _named(months_of(unit, [over] * 6, value=worth), unit)
    (row,) = always.to_dict("records")
    assert row["months"] == "last 3 months"
    assert row["unexplained_share"] == pytest.approx(over / 100 - 1)
    assert row["unexplained_value"] == pytest.approx(3 * (over - 100) * worth)
    early = _named(months_of(unit, [3 * over] * 3 + [100.0] * 3, value=worth), unit)
    assert early["months"].tolist() == ["all 6 months"]
    assert _named(months_of(unit, [100.0] * 6, value=worth), unit).empty
    assert _named(months_of(unit, [100 * (1 + share) * 0.999] * 6, value=worth), unit).empty, "within the limit"
    assert _named(months_of(unit, [over] * 6, value=worth / 1e4), unit).empty, "worth next to nothing"
    few = months_of(unit, [3.0] * 3, expected=1.5, value=1000 * worth)
    assert _named(few, unit).empty, "nine where four and a half were expected may be chance"


@pytest.mark.parametrize(("times", "say"), [
    (1.5, "more went out"), (0.2, "less went out"), (1 / 50, "about one for each pack"),
    (50.0, "about a pack for each"),
])
def test_what_an_odd_number_is_about_is_said(unit, times, say):
    """Ampoules come in fifties: a fiftieth or fifty times as many is a slip of booking."""
    worth = unit.forecast.unexplained_worth
    (said,) = _named(months_of(unit, [1000 * times] * 6, expected=1000.0, value=worth), unit)["say"]
    assert said.startswith(say)


@pytest.mark.parametrize(("pack", "slip"), [(8, True), (7, False)])
def test_only_packs_of_eight_and_more_are_taken_for_a_slip_of_booking(unit, pack, slip):
    items = unit.items.assign(pack=float(pack))
    found = months_of(unit, [1000 * pack] * 6, expected=1000.0, value=unit.forecast.unexplained_worth)
    (said,) = _named(found, replace(unit, items=items))["say"]
    assert said.startswith("about a pack for each") is slip


def test_the_sentence_of_a_month_names_its_parts_largest_first(unit):
    money = pd.DataFrame([("2025-06", 100.0, 5.0, -20.0, 0.0, 0.004, 1.0, 86.0)],
                         columns=["month", "forecast_value", *EFFECTS, "actual_value"])
    (said,) = _sentences(unit, money, _named(months_of(unit, [100.0] * 6), unit))
    assert said == ("2025-06: 86.00 USD spent, 14.00 under what would have been forecast: how often -20.00, census "
                    "+5.00, price +1.00.")
    flat = money.assign(census=0.0, frequency=0.0, price=0.0, actual_value=100.0)
    assert _sentences(unit, flat, _named(months_of(unit, [100.0] * 6), unit))[0].endswith("nothing moved.")
    over = _sentences(unit, money.assign(actual_value=100.5), _named(months_of(unit, [100.0] * 6), unit))[0]
    assert "0.50 over what would have been forecast" in over


def test_an_item_over_its_limit_is_said_in_percent_of_what_was_expected(unit):
    """130 a month where 100 were to be expected."""
    named = _named(months_of(unit, [130.0] * 6, expected=100.0), unit)
    month = pd.DataFrame([("2025-06", 100.0, 0.0, 0.0, 0.0, 0.0, 0.0, 100.0)],
                         columns=["month", "forecast_value", *EFFECTS, "actual_value"])
    said = _sentences(unit, month, named)[1:]
    assert len(said) == len(named) > 0
    assert all(": +30 % against what was to be expected (+" in line for line in said)


def test_rates_known_before_a_month_are_the_plans_until_a_log_has_enough(unit):
    """Without a log, and with one that begins with the month; then 60 events over 100 airway-days teach a rate."""
    monthly = monthly_census(unit)
    model = SimpleNamespace(rate=np.array([0.5, 0.6, 0.7]))
    assert _rates_then(unit, model, monthly, None, 2) == (model.rate, None)
    day = np.concatenate([np.linspace(0, 19, 60), np.linspace(59, 80, 11), [90.0]])
    events = pd.DataFrame({"day": day, "stratum": 0})
    daily = np.tile([5.0, 0.0, 0.0], (243, 1))

    def seen(share):
        return SimpleNamespace(events=events, daily=daily, share=share)

    early = np.zeros(243)
    early[:20] = 1.0
    rate, of_month = _rates_then(unit, model, monthly, seen(early), 2)
    assert of_month is None, "the log does not cover March"
    assert rate[0] == pytest.approx(60 / 100, rel=0.01), "without the event at the first hour of March"
    late = np.zeros(243)
    late[59:] = 1.0
    rate, of_month = _rates_then(unit, model, monthly, seen(late), 2)
    assert of_month[0] == 11.0, "from the first of March on, and not that of the first of April"
    begun = replace_events(seen(late), events[events["day"] >= 59.0])
    assert _rates_then(unit, model, monthly, begun, 2)[0] is model.rate


def replace_events(observation, events):
    return SimpleNamespace(events=events, daily=observation.daily, share=observation.share)


def test_levels_of_a_month_replace_what_was_forecast_by_what_was_step_by_step(monkeypatch):
    """Two airways, then four, then six, months of thirty days; a rate of 0.5, two items a re-secure, one arrival to ten
    days and five items each. Forecast for the third: three airways. Then 45 re-secures where 90 were expected.
    """
    monthly = SimpleNamespace(complete=np.ones(3, dtype=bool), mean_airways=np.array([[2.0], [4.0], [6.0]]),
                              days=np.full(3, 30.0), arrivals=np.full((3, 1), np.nan))
    model = SimpleNamespace(items=["gauze"], rate=np.array([0.5]), arrivals=np.array([0.1]),
                            per_arrival=np.array([[5.0]]), per_event=lambda: np.array([[2.0]]),
                            per_admission=lambda: np.array([[4.0]]))
    own = pd.DataFrame({"units": [300.0]}, index=["gauze"])
    found = variance._levels(None, model, monthly, None, 2, own)
    assert found.ravel().tolist() == pytest.approx([90 * 1.0 + 9 * 5, 90 * 2 + 18 * 5, 270.0, 270.0, 300.0])
    monkeypatch.setattr(variance, "_rates_then", lambda *_: (np.array([0.5]), np.array([45.0])))
    counted = replace_arrivals(monthly, 20.0)
    found = variance._levels(None, model, counted, "a log", 2, own)
    assert found.ravel().tolist() == pytest.approx([90 + 9 * 4, 180 + 20 * 4, 90 + 80, 90 + 80, 300.0])


def replace_arrivals(monthly, arrivals):
    return SimpleNamespace(**{**vars(monthly), "arrivals": np.full((3, 1), arrivals)})


def test_neither_many_months_nor_many_items_to_ask_about_go_on_over_a_page_without_their_heading():
    """A sheet repeats one heading: forty months and forty items on one left the months on their second page without."""
    months = pd.DataFrame(1.0, index=range(40), columns=["month", "forecast_value", *EFFECTS, "actual_value"])
    named = pd.DataFrame(1.0, index=range(40), columns=["item", "months", "expected_units", "actual_units",
                                                        "unexplained_share", "unexplained_value", "say"])
    words = {name: named[name].map(str) for name in ("item", "months", "say")}
    book = Book("Invented", "USD", "0000-0000")
    _past_months(book, Variance(months, months.assign(month="2026-01"), named.assign(**words), (), ()), {})
    for sheet in load_workbook(BytesIO(book.content())).worksheets:
        heads = [row for row in range(1, sheet.max_row) if sheet.cell(row, 2).value in ("Forecast (USD)", "Months")]
        assert [sheet.print_title_rows] == [f"${row}:${row}" for row in heads]
        assert sheet.row_breaks.brk
