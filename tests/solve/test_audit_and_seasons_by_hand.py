"""Audits, seasons, and what use teaches, on a few items and months reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.rate_from_use import GRID, Exposure, Use, Weeks, issued, learn_from, learn_use, use_rate
from kitplan.parts.audit.model import FLOOR, LOWER, RAISE, Audit, _order_steps, audit_par, say_swaps
from kitplan.parts.par.model import solve_par
from kitplan.parts.par.values import Readiness, StandingPar
from kitplan.parts.seasons.model import (
    HALF_WIDTH_DAYS,
    Seasons,
    SeasonTest,
    _choices,
    _month_scenarios,
    _months,
    season_test,
)
from kitplan.planning import plan_unit
from kitplan.read.values import Doubt, SeasonPolicy
from kitplan.solve.positions import Packing

# -- audit ----------------------------------------------------------------------------------------------------------


def audited(make_stock, make_demand, units, present, *, readiness=0.9, **columns):
    """An audit of items that come singly; units: (n_scenarios, n_items)."""
    unit = make_stock(units.shape[1], pack=1.0, readiness=readiness, present=present, **columns)
    demand = make_demand(units)
    return audit_par(unit, demand, demand, solve_par(unit, demand, demand))


def test_missing_floors_come_critical_ones_first_then_by_money(make_stock, make_demand):
    """Floors of 2 of each, none held: the critical item for 90 before the others for 10 and 50."""
    audit = audited(make_stock, make_demand, np.zeros((50, 3), dtype=int), [0, 0, 0], price=[25.0, 5.0, 45.0],
                    min_stock=2.0, critical=[False, False, True])
    assert audit.steps["item"].tolist() == ["item 02", "item 01", "item 00"]
    assert (audit.steps["kind"] == FLOOR).all()
    assert audit.steps["change_value"].tolist() == [90.0, 10.0, 50.0]
    assert audit.steps["value_after"].tolist() == [90.0, 100.0, 150.0]


def test_what_stands_idle_goes_dearest_first_and_is_worth_its_money_and_litres(make_stock, make_demand):
    """Nothing is used: five for 3 each and two for 20 each stand idle; many cheap ones may be more money than one."""
    audit = audited(make_stock, make_demand, np.zeros((50, 3), dtype=int), [5, 2, 0], price=[3.0, 20.0, 1.0],
                    litres=[0.5, 2.0, 1.0])
    assert audit.steps["item"].tolist() == ["item 01", "item 00"]
    many = audited(make_stock, make_demand, np.zeros((50, 3), dtype=int), [1, 40, 20], price=[20.0, 1.0, 1.0])
    assert many.steps["change_value"].tolist() == [-40.0, -20.0, -20.0]
    assert many.steps["item"].tolist() == ["item 01", "item 00", "item 02"], "of the same money in catalogue order"
    assert (audit.steps["kind"] == LOWER).all()
    assert (audit.idle_value, audit.idle_litres) == (55.0, 6.5)
    assert audit.present.value == 55.0
    assert audit.proposed.value == 0.0
    assert audit.sentences("USD")[1] == "Beyond the proposal, 55.00 USD and 6.5 L stand idle."


def test_an_audit_raises_what_is_short_and_lowers_what_is_too_much_at_once(make_stock, make_demand):
    """Scenarios that need 1 to 100 of one item, each a hundred times, and 3 of another; 90 % is asked, and planned
    with its standard error of 0.3 points: 91.
    """
    units = np.repeat(np.column_stack([np.arange(1, 101), np.full(100, 3)]), 100, axis=0)
    audit = audited(make_stock, make_demand, units, [50, 10], price=1.0)
    table = audit.table.set_index("item")
    assert table.loc["item 00", ["present_units", "proposed_units", "change_units", "kind"]].tolist() == [
        50, 91, 41, RAISE]
    assert table.loc["item 01", ["present_units", "proposed_units", "change_units", "kind"]].tolist() == [
        10, 3, -7, LOWER]
    assert audit.steps["readiness_after"].tolist() == [0.91, 0.91]
    assert table.loc["item 00", ["shortage_chance_present", "shortage_chance_proposed", "missing_share"]].tolist() == (
        pytest.approx([0.5, 0.09, 1.0]))
    assert (audit.present.readiness.verified, audit.proposed.readiness.verified) == (0.5, 0.91)


def test_levels_that_hold_already_are_left_though_the_plan_would_hold_less_of_one_and_more_of_another(make_stock,
                                                                                                      make_demand):
    """Either item covers all but 9 %: who holds enough of the dear one is not told to buy the cheap one."""
    units = np.zeros((10_000, 2), dtype=int)
    units[:900, 0], units[900:1800, 1] = 2, 2
    audit = audited(make_stock, make_demand, units, [0, 2], price=[1.0, 5.0])
    assert audit.present.readiness.verified == 0.91
    assert audit.steps.empty
    assert audit.sentences("USD")[-1] == "Nothing needs to change."


def test_an_audit_is_said_in_readiness_what_is_missing_and_what_to_begin_with():
    def standing(verified, value):
        return StandingPar(Readiness(0.95, verified, verified, 0.9, 0.97, 9), value, value, 1.0)

    table = pd.DataFrame({"item": ["a", "b", "c", "d"], "missing_share": [0.5, 0.2, 0.0, 0.9], "step": [1, 2, 0, 0]})
    audit = Audit(table, standing(0.8, 100.0), standing(0.951, 130.0), 0.0, 0.0, ("note",))
    said = audit.sentences("USD")
    assert said[0].startswith("Today's par levels are ready in 80.0 % of intervals (")
    assert said[0].endswith("for 100.00 USD of stock.")
    assert said[1:] == ["When something runs short, most often it is d (90 %), a (50 %), b (20 %).",
                        "2 changes bring it to 95.1 % (+30.00 USD); begin with a.", "note"]
    one = Audit(table.assign(step=[0, 1, 0, 0]), standing(0.8, 100.0), standing(0.951, 90.0), 5.0, 2.0)
    assert "1 change brings it to 95.1 % (-10.00 USD); begin with b." in one.sentences("USD")
    assert "Beyond the proposal, 5.00 USD and 2.0 L stand idle." in one.sentences("USD")


@pytest.mark.parametrize(("held", "plan", "worth"), [(120.0, 100.0, "20.00 USD less"), (90.0, 100.0, "10.00 USD more"),
                                                     (100.0, 100.0, "0.00 USD less")])
def test_items_bought_in_place_of_others_are_worth_the_difference(small_unit, held, plan, worth):
    def choice(*names):
        return SimpleNamespace(frame=pd.DataFrame({"item": list(names)}))

    (said,) = say_swaps(small_unit, choice("saline-5", "wipe-prep"), choice("saline-10", "wipe-prep"),
                        SimpleNamespace(value=plan), SimpleNamespace(value=held))
    assert said == ("Judged with the items held today. The plan buys saline-5 in place of saline-10, because it costs "
                    f"less to use, for {worth} stock at par.")


# -- seasons --------------------------------------------------------------------------------------------------------


def policy(**changes):
    values = {"holding_share": 0.2, "change_cost": 1.0, "round_cost": 3.0, "chance": 0.01, "swing": 0.1} | changes
    return SeasonPolicy(**values)


def test_two_sets_a_year_hold_what_their_months_need_and_cost_their_changes():
    """One item at 10: 8 in winter (November to February), 2 else. All year 8: 80 held, 16 a year. Two sets: 80 for
    four months, 20 for eight: 40 on the mean, 8 a year; two changes of one label and two rounds: 2 + 6.
    """
    levels = np.full((12, 1), 2)
    levels[[10, 11, 0, 1]] = 8
    choice, cuts = _choices(levels, lambda units: units @ np.array([10.0]), policy())
    one, two, *_ = choice[["mean_value", "holding_cost", "change_cost", "total_cost"]].to_numpy().tolist()
    assert (one, cuts[0]) == ([80.0, 16.0, 0.0, 16.0], [list(range(12))])
    assert two == pytest.approx([40.0, 8.0, 8.0, 16.0])
    assert cuts[1] == [list(range(2, 10)), [10, 11, 0, 1]]
    assert choice["periods"].tolist() == [1, 2, 3, 4, 5, 6]
    assert choice["changes"].tolist() == [0, 2, 3, 4, 5, 6], "a year of one set has none"
    assert choice["chosen"].tolist() == [True, *[False] * 5], "of two that cost alike the first"
    assert choice["when"].tolist()[:2] == ["all year", "Mar to Oct, Nov to Feb"]


def test_a_set_is_worth_the_most_that_its_months_need_and_months_keep_their_own():
    levels = np.array([[m + 1, 12 - m] for m in range(12)])
    half = [[0, 1, 2, 3, 4, 5], [6, 7, 8, 9, 10, 11]]
    table = _months(levels, lambda units: units @ np.array([1.0, 10.0]), half, np.arange(12) / 100)
    assert table["period"].tolist() == [1] * 6 + [2] * 6
    assert table["own_value"].tolist() == [(m + 1) + 10 * (12 - m) for m in range(12)]
    assert table["period_value"].tolist() == [6 + 120] * 6 + [12 + 60] * 6
    assert table["year_round_readiness"].tolist() == pytest.approx(list(np.arange(12) / 100))


def test_each_month_has_the_scenarios_whose_middle_lies_within_23_days_of_its_own():
    """A scenario a tenth of a day, intervals of nine days: those from 23 days before to 23 after 15.2 January, over the
    turn of the year too.
    """
    day = np.arange(0, 365.25, 0.1)
    demand = SimpleNamespace(day_of_year=day, days=9.0, n_scenarios=len(day))
    found = _month_scenarios(demand)
    middle = 365.25 / 24
    assert [f.sum() for f in found] == pytest.approx([460] * 12, abs=2)
    begins = np.sort((day[found[0]] + 4.5 + 100) % 365.25)
    assert begins[[0, -1]] == pytest.approx([middle - HALF_WIDTH_DAYS + 100, middle + HALF_WIDTH_DAYS + 100], abs=0.11)
    thin = np.arange(0, 365.25, 0.2)
    assert _month_scenarios(SimpleNamespace(day_of_year=thin, days=9.0, n_scenarios=len(thin))) is None
    assert _month_scenarios(SimpleNamespace(day_of_year=day, days=9.0, n_scenarios=len(day) + 1)) is None


@pytest.mark.parametrize(("cos", "sin", "peak"), [(1, 0, 1), (0, 1, 4), (-1, 0, 7), (0, -1, 10), (1, -0.1, 12)])
def test_the_peak_of_a_swing_is_the_month_of_its_angle(small_unit, cos, sin, peak, monkeypatch):
    """Draws from 0.2 to 0.4 along one direction: swing 0.3, nine in ten from 0.21 to 0.39, none the other way."""
    along = np.linspace(0.2, 0.4, 101) / np.hypot(cos, sin)
    swing = np.column_stack([along * cos, along * sin, 0 * along, 0 * along])
    fitted = SimpleNamespace(swing=swing, swing_told=True)
    monkeypatch.setattr("kitplan.parts.seasons.model.fit_posterior", lambda unit: fitted)
    found = season_test(small_unit)
    assert found.peak == peak
    assert (found.swing, found.low, found.high) == pytest.approx((0.3, 0.21, 0.39))
    assert found.chance == pytest.approx(1 / 102)
    fitted.swing[:51] *= -0.1
    assert season_test(small_unit).chance == pytest.approx(52 / 102)


def test_sets_by_season_are_said_with_what_they_save():
    test = SeasonTest(0.3, 0.2, 0.4, 0.001, 2)
    months = pd.DataFrame({"month": [1, 2], "year_round_readiness": [0.97, 0.92]})
    choice = pd.DataFrame({"periods": [1, 2], "mean_value": [80.0, 40.0], "total_cost": [16.0, 12.5],
                           "chosen": [False, True], "when": ["all year", "Mar to Oct, Nov to Feb"]})
    said = Seasons(test, pd.DataFrame(), months, choice, 70.0).sentences("USD")
    assert "swing by 30 % about the mean over the year (90 % interval 20 % to 40 %), highest in February." in said[0]
    assert "ready in 92.0 % of intervals in February, the worst month." in said[1]
    assert said[2] == ("2 sets of par levels a year (Mar to Oct, Nov to Feb) cost 4 USD a year less than one set for "
                       "every month.")
    kept = Seasons(test, pd.DataFrame(), months, choice.assign(chosen=[True, False]), 70.0, True).sentences("USD")
    assert "only once" in kept[2]
    assert ("One set that suits every month is worth 80 USD on the mean; the par levels planned on the whole year 70."
            in kept[3])


# -- what use teaches -----------------------------------------------------------------------------------------------


def test_many_weeks_of_one_item_teach_the_rate_that_they_came_at():
    """100 weeks of 84 where 70 were expected: 1.2 times. A total of 8,400 is sure to 1 / sqrt(8400) at the best, and to
    5 % of counting error; one item alone may also go to other work, which widens it.
    """
    found = learn_use([Use("wipe", 84, 7)] * 100, {"wipe": Exposure(10.0)}, 0.366)
    sd = np.sqrt(2 / 8400 + 0.05**2)
    assert found.rate == pytest.approx(1.2, rel=0.03)
    assert sd < found.log_sd < 0.2
    assert (found.spells, found.days) == (100, 700)
    (item,) = found.items
    assert (item.used, item.days) == (8400, 700)
    assert item.expected == pytest.approx(8400, rel=0.04)
    assert item.factor == pytest.approx(1.0, rel=0.04)


def test_with_next_to_nothing_seen_the_prior_stands():
    """Three weeks of one item each: a deviation of 0.3 about the prior's own 0.1 and mean 0.2."""
    found = learn_use([Use("wipe", 1, 7)] * 3, {"wipe": Exposure(1 / 7)}, 0.1, 0.2, Weeks(0.5, 40.0, 0.5))
    assert found.log_mean == pytest.approx(0.2, abs=0.02)
    assert found.log_sd == pytest.approx(0.1, rel=0.05)
    assert np.log([found.low, found.rate, found.high]) == pytest.approx(
        [0.2 - 0.1645, 0.2, 0.2 + 0.1645], abs=0.025)
    assert GRID[0] < np.log(found.low) < np.log(found.high) < GRID[-1]


def test_what_does_not_hang_on_the_rate_is_taken_off_first():
    """Ten a day whatever the rate, ten a day at the plan's: 25 a day used are fifteen of ten."""
    found = learn_use([Use("wipe", 175, 7)] * 60, {"wipe": Exposure(10.0, 10.0)}, 1.0)
    assert found.rate == pytest.approx(1.5, rel=0.03)


@pytest.mark.parametrize(("spells", "days", "told"), [(3, 5, True), (2, 10, False), (3, 4, False)])
def test_less_than_three_spells_or_a_fortnight_teach_nothing(spells, days, told):
    found = learn_use([Use("wipe", 10, days)] * spells, {"wipe": Exposure(2.0)}, 0.366)
    assert (found is not None) is told


def test_weeks_lie_about_the_mean_as_a_compound_poisson_sum_does():
    """Two stays a day, E[N^2] / E[N]^2 = 3, thirty days: relative variance 3 / 60; beside it the doubt of the mean."""
    assert Weeks(2.0, 3.0, 0.0).variance(30) == pytest.approx(np.log1p(0.05))
    assert Weeks(2.0, 3.0, 0.2).variance(30) == pytest.approx(np.log1p(0.05) + 0.04)
    assert Weeks(0.0, 3.0, 0.2).variance(30) == pytest.approx(0.04)


def test_an_item_that_vanishes_is_said_with_how_many_more():
    spells = [Use(name, units, 7) for _ in range(30) for name, units in
              (("wipe", 70), ("gauze", 70), ("saline", 70), ("gloves", 140))]
    found = learn_use(spells, {n: Exposure(10.0) for n in ("wipe", "gauze", "saline", "gloves")}, 0.366)
    first, item = found.sentences()
    assert first.startswith("Counts over 210 days say that securements are renewed 1.0")
    assert first.endswith(f"(9 in 10: {found.low:.2f} to {found.high:.2f}).")
    assert found.items[0].item == "gloves"
    assert item.startswith(f"gloves: {4200 - found.items[0].expected:.0f} more than renewing explains in 210 days, ")
    assert found.items[0].factor == pytest.approx(2.0, rel=0.05)


def airways_frame(arrivals=0.5):
    return pd.DataFrame({"mean_airways": [4.0, 2.0, 3.0], "arrivals_per_day": [arrivals] * 3,
                         "re_secures_per_day": [0.5, 0.5, 0.5]})


def test_a_units_use_teaches_against_its_plan_less_what_admissions_take(unit_maker):
    """4.5 re-secures a day and 1.5 admissions of one each: three quarters of 12 a day of each item follow the rate.
    Used of each: 3 + 9 x 1.2 a day.
    """
    names = ["wipe-prep", "saline-5", "saline-10", "gloves-small", "gloves-medium"]
    unit = unit_maker(doubt=Doubt(rate_range=(0.05, 5.0)))
    unit.frequency["admission_secures"] = 1.0
    expected = pd.DataFrame({"item": names, "expected_units": 12.0 * 9})
    found = learn_from(unit, airways_frame(), expected, [Use(n, round(7 * 13.8), 7) for n in names] * 60)
    assert found.rate == pytest.approx(1.2, rel=0.04)
    told = use_rate(found, airways_frame())
    assert told.log_mean == pytest.approx(np.log(0.5) + found.log_mean)
    assert (told.log_sd, told.days) == (found.log_sd, 420)
    assert learn_from(unit, airways_frame(), expected, []) is None
    other = pd.DataFrame({"item": ["tape-25-short"], "expected_units": [9.0]})
    assert learn_from(unit, airways_frame(), other, [Use("tape-25-short", 7, 7)] * 60) is None, "not used at each"


def test_a_stated_rate_is_known_to_a_tenth_and_a_range_is_the_nine_tenths_of_the_prior(unit_maker):
    """Hardly any use: what is believed before stands. The plan's rate is 0.5 a day, the range 0.25 to 1 about it."""
    expected = pd.DataFrame({"item": ["wipe-prep"], "expected_units": [9 * 2 / 7]})
    few = [Use("wipe-prep", 2, 7)] * 3
    stated = learn_from(unit_maker(), airways_frame(0.0), expected, few)
    ranged = learn_from(replace(unit_maker(), doubt=Doubt(rate_range=(0.25, 1.0))), airways_frame(0.0), expected, few)
    assert stated.log_sd == pytest.approx(0.1, rel=0.1)
    assert ranged.log_sd < np.log(4) / (2 * 1.645)
    assert ranged.log_sd > 2 * stated.log_sd


def test_issues_are_use_of_the_months_that_they_cover_of_items_that_each_re_secure_takes(unit_maker):
    """Weekly from 10 February to 30 March 2026: March alone, 31 days, five weeks of ten; tape is a patient's."""
    days = pd.date_range("2026-02-10", periods=8, freq="7D")
    rows = pd.DataFrame([(d, i, 10.0, np.nan) for d in days for i in ("wipe-prep", "tape-25-short")],
                        columns=["date", "item", "units", "price"])
    assert issued(unit_maker(issues=rows)) == [Use("wipe-prep", 50, 31)]
    assert issued(unit_maker()) == []


def test_of_additions_the_one_that_gains_most_for_its_money_comes_first():
    """Ten intervals: five units of money end eight shortages of one item, one unit a single shortage of another. What
    is undone last of all is the better bargain: 5 / 8 against 1 / 1.
    """
    needs = np.zeros((10, 2), dtype=int)
    needs[:8, 0], needs[9, 1] = 1, 1
    instance = SimpleNamespace(floor=np.zeros(2), critical=np.zeros(2, dtype=bool), price=np.array([5.0, 1.0]),
                               packing=Packing(("a", "b"), np.ones(2, dtype=int), np.ones(2, dtype=int)))
    none, both = np.zeros(2, dtype=int), np.ones(2, dtype=int)
    assert _order_steps(instance, none, both, needs) == [(0, RAISE), (1, RAISE)]
    instance.price = np.array([9.0, 1.0])
    assert _order_steps(instance, none, both, needs) == [(1, RAISE), (0, RAISE)]


def test_an_item_not_stocked_before_costs_the_pack_that_comes(make_stock, make_demand):
    """Packs of ten at 20 USD; none held, one to be held: an order brings ten, and 20 USD lie there at most."""
    unit = make_stock(1, pack=10.0, price=20.0, min_stock=1.0, present=[0])
    demand = make_demand(np.zeros((50, 1), dtype=int))
    audit = audit_par(unit, demand, demand, solve_par(unit, demand, demand))
    (step,) = audit.steps.itertuples()
    assert (step.change_units, step.change_value, step.value_after) == (1, 20.0, 20.0)


def test_a_shelf_that_holds_other_items_is_judged_with_these(small_unit):
    """Large ampoules are held where the plan would buy small ones: they are what is judged, and the swap is said."""
    held = pd.DataFrame({"item": [i for i in small_unit.items["item"] if i != "saline-5"], "par_packs": 3.0})
    planning = replace(small_unit.planning, scenarios=300, verify_scenarios=300)
    audit = plan_unit(replace(small_unit, planning=planning, present_par=held), seed=1, parts={"audit"}).audit
    assert audit.notes[0].startswith("Judged with the items held today. The plan buys ")
    assert "saline-5 in place of saline-10, because it costs less to use, for " in audit.notes[0]
    table = audit.table.set_index("item")
    assert table.loc["saline-10", "present_units"] == 150
    assert table.loc["saline-10", "proposed_units"] > 0
    assert "saline-5" not in table.index or table.loc["saline-5", "proposed_units"] == 0


def test_a_table_of_changes_counts_packs_items_money_and_what_is_there_after_each_step(make_stock, make_demand):
    """Packs of four at 8 USD and 2 L; two packs of each of two items of which none is used. What may lie there is a
    level and a pack less one: 11 of each, then 11 of one, then none.
    """
    unit = make_stock(2, pack=4.0, price=8.0, litres=2.0, present=[2, 2])
    demand = make_demand(np.zeros((50, 2), dtype=int))
    table = audit_par(unit, demand, demand, solve_par(unit, demand, demand)).table
    assert table[["present_packs", "proposed_packs", "change_packs"]].to_numpy().tolist() == [[2, 0, -2]] * 2
    assert table[["present_units", "proposed_units", "change_units"]].to_numpy().tolist() == [[8, 0, -8]] * 2
    assert table["change_value"].tolist() == [-22.0] * 2, "the value after falls by just that"
    assert table["step"].tolist() == [1, 2]
    assert table["value_after"].tolist() == [22.0, 0.0]
    assert table["litres_after"].tolist() == [5.5, 0.0]
    assert table["readiness_after"].tolist() == [1.0, 1.0]
    assert table[["shortage_chance_present", "shortage_chance_proposed", "missing_share"]].to_numpy().sum() == 0.0
