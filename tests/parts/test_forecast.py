"""Months ahead: what is known of the census, how the bands come about, and what is told."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.forecast.months import (
    monthly_census,
    monthly_issues,
    same_month_last_year,
    set_against,
    year_before,
)
from kitplan.read.values import Census
from tests.parts.forecasts import forecast_unit

NOBODY = pd.DataFrame({"stratum": np.zeros(0, int), "mean_airways": np.zeros(0)})


def counts_census(first, n_days, level=lambda day: 6, unknown=(), dropped=()):
    rows = [(d, g, n) for d in range(n_days) if d not in unknown for g, n in ((0, level(d)), (2, 3))]
    frame = pd.DataFrame(rows, columns=["day", "stratum", "airways"])
    return Census(
        "counts", frame, first, first + timedelta(days=n_days - 1), 6.0, 1.0, NOBODY, tuple(unknown)
    )


@pytest.fixture(scope="module")
def unit(request):
    from importlib.util import module_from_spec, spec_from_file_location
    from pathlib import Path

    spec = spec_from_file_location("shared_units", Path(__file__).parents[1] / "conftest.py")
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    winter = counts_census(date(2024, 1, 1), 731, lambda day: 6 + round(3 * np.cos(2 * np.pi * day / 365)))
    made = module.make_unit(winter)
    return replace(made, planning=replace(made.planning, frailty_nodes=3))


@pytest.fixture(scope="module")
def forecast(unit):
    return forecast_unit(unit)


def test_the_forecast_begins_after_the_last_complete_month_and_runs_twelve(forecast):
    assert forecast.total["month"].tolist()[0] == "2026-01"
    assert forecast.total["month"].tolist()[-1] == "2026-12"


def test_winter_is_dearer_than_summer(forecast):
    value = forecast.total.set_index("month")["value"]
    assert value["2026-01"] > 1.2 * value["2026-07"]


def test_bands_hold_the_expected_and_the_wide_band_holds_the_narrow(forecast):
    total = forecast.total
    for name in ("airway_days", "re_secures", "value"):
        low95, low, mean, high, high95 = (
            total[c + name] for c in ("low_95_", "low_", "", "high_", "high_95_")
        )
        assert ((low95 <= low) & (low < mean) & (mean < high) & (high <= high95)).all()


def test_packs_of_an_item_are_its_units_over_the_pack(unit, forecast):
    pack = unit.items.set_index("item")["pack"]
    for table in (forecast.use, forecast.item_year):
        assert (table["expected_packs"] * table["item"].map(pack)).to_numpy() == pytest.approx(
            table["expected_units"].to_numpy())


def test_items_add_up_to_the_months_and_to_the_year(forecast):
    by_month = forecast.use.groupby("month")["value"].sum()
    np.testing.assert_allclose(by_month, forecast.total.set_index("month")["value"], rtol=1e-9)
    assert forecast.item_year["value"].sum() == pytest.approx(forecast.year_value[0])
    mean, low95, low, high, high95 = forecast.paths.band()
    assert forecast.year_value == (mean, low, high)
    assert low95 < low < mean < high < high95
    assert "80 % band" in forecast.sentences[0]
    assert "95 % band" in forecast.sentences[0]
    assert forecast.item_year["share"].sum() == pytest.approx(1)


def test_a_mean_month_agrees_with_expected_use(unit, forecast):
    from kitplan.demand.item_choice import fill_roles
    from kitplan.demand.use import expected_use

    year = expected_use(unit, fill_roles(unit), 365.0)
    mine = forecast.item_year.set_index("item")["expected_units"].reindex(unit.items["item"]).fillna(0)
    used = year > 5
    np.testing.assert_allclose(mine[used], year[used], rtol=0.12)


def test_the_same_seed_gives_the_same_forecast_and_another_seed_hardly_another(unit, forecast):
    again = forecast_unit(unit)
    pd.testing.assert_frame_equal(again.use, forecast.use)
    other = forecast_unit(unit, seed=99)
    assert other.year_value[0] == pytest.approx(forecast.year_value[0], rel=0.05)
    assert other.year_value[0] != forecast.year_value[0]


def test_twice_the_price_is_twice_the_money(unit, forecast):
    dear = forecast_unit(replace(unit, items=unit.items.assign(price=unit.items["price"] * 2)))
    assert dear.year_value[0] == pytest.approx(2 * forecast.year_value[0])


def test_without_a_log_the_band_is_wider_and_it_is_said(forecast):
    assert not forecast.learnt
    assert any(note.startswith("How often: ") for note in forecast.notes)
    total = forecast.total
    wide = (total["high_re_secures"] - total["low_re_secures"]) / total["re_secures"]
    narrow = (total["high_airway_days"] - total["low_airway_days"]) / total["airway_days"]
    assert (wide > narrow).all()


def test_months_that_are_not_whole_are_left_out_and_named(unit):
    census = counts_census(date(2025, 1, 11), 120)
    monthly = monthly_census(replace(unit, census=census))
    assert [str(m) for m in monthly.months[monthly.complete]] == ["2025-02", "2025-03", "2025-04"]
    assert "2025-01" in monthly.notes[0]
    assert "2025-05" in monthly.notes[0]


def test_days_without_a_count_are_unknown_and_not_empty(unit):
    hole = tuple(range(35, 40))
    monthly = monthly_census(replace(unit, census=counts_census(date(2025, 1, 1), 90, unknown=hole)))
    assert monthly.complete[:3].all()
    assert monthly.mean_airways[1].sum() == pytest.approx(9)
    assert any("unknown, not empty" in note for note in monthly.notes)


def test_a_month_with_too_few_known_days_is_unknown_and_bridged(unit):
    hole = tuple(range(32, 50))
    census = counts_census(date(2025, 1, 1), 120, lambda day: 6 if day < 59 else 10, unknown=hole)
    monthly = monthly_census(replace(unit, census=census))
    assert not monthly.complete[1]
    assert monthly.series()[1] == pytest.approx(11)
    assert any("drawn straight between its neighbours" in note for note in monthly.notes)


def test_a_snapshot_is_forecast_flat_and_says_so(small_unit):
    forecast = forecast_unit(small_unit, months=3)
    assert len(forecast.total) == 3
    assert forecast.total["airway_days"].to_numpy() == pytest.approx(
        9 * forecast.total["airway_days"].iloc[0] / 9, rel=0.05
    )
    assert any("one day's count" in note for note in forecast.notes)
    assert forecast.total["high_airway_days"].iloc[0] > 1.2 * forecast.total["airway_days"].iloc[0]


def test_airways_that_are_only_expected_are_in_the_forecast(small_unit):
    expected = pd.DataFrame({"stratum": [2], "mean_airways": [3.0]})
    more = forecast_unit(replace(small_unit, census=replace(small_unit.census, expected=expected)), months=2)
    less = forecast_unit(small_unit, months=2)
    assert more.total["airway_days"].iloc[0] - less.total["airway_days"].iloc[0] == pytest.approx(
        3 * 30.4, rel=0.2
    )


def test_a_census_shorter_than_a_month_is_still_forecast(unit):
    forecast = forecast_unit(replace(unit, census=counts_census(date(2025, 3, 5), 12)), months=2)
    assert forecast.total["airway_days"].iloc[0] == pytest.approx(9 * 31, rel=0.1)
    assert "too few" in forecast.reason


def test_months_that_the_issues_do_not_cover_are_left_out(unit):
    days = pd.date_range("2025-01-15", "2025-04-10", freq="7D")
    issues = pd.DataFrame({"date": days, "item": "wipe-prep", "units": 10.0, "price": np.nan})
    months = monthly_issues(replace(unit, issues=issues))["month"].astype(str).unique().tolist()
    assert months == ["2025-02", "2025-03"]


def months_of(values, first):
    return pd.Series(values, index=pd.period_range(first, periods=len(values), freq="M"), dtype=float)


def test_the_money_before_is_the_sum_of_the_same_months_a_year_before():
    past = months_of(range(1, 19), "2025-01")
    ahead = [f"2026-{m:02d}" for m in range(4, 7)]
    column = pd.Series(same_month_last_year(past, ahead, dated=True))
    assert column.tolist() == [4.0, 5.0, 6.0]
    assert year_before(past, column, ahead, dated=True) == (15.0, "the same months a year before")


def test_a_month_that_is_forecast_is_never_among_the_months_before():
    """Issues of a month under way, census cut in it: that month is ahead, not behind."""
    past = months_of([10, 20, 30, 1], "2026-03")
    ahead = ["2026-06", "2026-07"]
    column = pd.Series(same_month_last_year(past, ahead, dated=True))
    assert year_before(past, column, ahead, dated=True) == (50.0, "the last 2 known months")
    assert np.isnan(year_before(past, column, [*ahead, "2026-08", "2026-09"], dated=True)[0])


def test_a_month_missing_a_year_before_is_left_out_of_the_comparison_which_says_so():
    past = months_of(range(1, 13), "2025-01").drop(pd.Period("2025-11", freq="M"))
    ahead = [f"2026-{m:02d}" for m in range(1, 13)]
    column = pd.Series(same_month_last_year(past, ahead, dated=True))
    assert year_before(past, column, ahead, dated=True) == (78.0 - 11, "the same months a year before, without 2025-11")
    assert set_against(column).tolist() == [m != 11 for m in range(1, 13)]


def test_a_month_missing_among_the_last_known_ones_is_named():
    past = months_of([1, 2, 3, 4], "2026-01").drop(pd.Period("2026-03", freq="M"))
    ahead = ["2026-05", "2026-06", "2026-07"]
    column = pd.Series(same_month_last_year(past, ahead, dated=True))
    assert year_before(past, column, ahead, dated=True) == (7.0, "the last 3 known months, without 2026-03")


def test_months_of_stays_of_ten_years_are_nearly_one_month_and_still_have_a_root():
    """Rounding leaves such a matrix an eigenvalue a little below 0, of which Cholesky's root does not exist."""
    from kitplan.parts.forecast.fitted import _root

    vectors = np.linalg.qr(np.random.default_rng(1).standard_normal((24, 24)))[0]
    alike = (vectors * np.array([24.0, *np.full(23, -1e-6)])) @ vectors.T
    root = _root(alike)
    assert np.allclose(root @ root.T, alike, atol=1e-5)
    assert np.allclose(root, np.tril(root))
