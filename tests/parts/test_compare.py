"""Two versions of a unit: each single change is blamed for all that moved, and causes always add up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.best_knowledge import what_the_log_says
from kitplan.demand.item_choice import fill_roles
from kitplan.demand.occupancy import mean_airways
from kitplan.demand.use import use_model
from kitplan.parts.compare import bands
from kitplan.parts.compare.model import Planned, compare_units, mean_month
from kitplan.read.problems import InputError
from kitplan.read.values import StockPolicy


def no_par(unit):
    return Planned(fill_roles(unit))


def causes(a, b):
    comparison = compare_units(a, b, no_par)
    money = comparison.money.set_index("measure").loc["money used a month"]
    frame = comparison.causes.set_index("cause")
    assert frame["monthly_value"].sum() == pytest.approx(money["difference"], abs=1e-6)
    return frame["monthly_value"]


def test_a_unit_is_like_itself(small_unit):
    comparison = compare_units(small_unit, small_unit, no_par)
    assert (comparison.money["difference"] == 0).all()
    assert (comparison.causes["monthly_value"] == 0).all()


def beds(unit):
    rows = unit.census.rows.assign(airways=unit.census.rows["airways"] + 1)
    return replace(unit, census=replace(unit.census, rows=rows))


def test_beds_without_airways_are_told_what_to_write(small_unit):
    """Nobody should read "no change" and believe that beds are free."""
    a = replace(small_unit, bedside=replace(small_unit.bedside, beds=24))
    b = replace(small_unit, bedside=replace(small_unit.bedside, beds=27))
    comparison = compare_units(a, b, no_par)
    airways = comparison.money.set_index("measure").loc["airways in place", "a"]
    assert f"mean_airways that add up to {airways * 3 / 24:.1f}" in comparison.sentences()[-1]
    assert "beyond_census = true" in comparison.sentences()[-1]
    assert not compare_units(a, beds(b), no_par).notes
    assert "no change" in comparison.sentences()[0]


def longer_wear(unit):
    return replace(unit, frequency=unit.frequency.assign(loosening_scale_hours=110.0))


def thirstier_recipe(unit):
    old = unit.techniques["oral_two_y"]
    return replace(unit, techniques={"oral_two_y": replace(old, uses={**old.uses, "saline": 10})})


def dearer(unit):
    return replace(unit, items=unit.items.assign(price=unit.items["price"] * 1.1))


def without_short_rolls(unit):
    return replace(unit, items=unit.items[unit.items["item"] != "tape-25-short"].reset_index(drop=True))


def barrier_for_everyone(unit):
    strata = unit.strata.assign(skin="barrier").drop_duplicates(["route", "tube_mm"]).reset_index(drop=True)
    strata.index.name = "stratum"
    rows = pd.DataFrame({"stratum": [0, 1], "airways": [6, 3]})
    return replace(
        unit, strata=strata, census=replace(unit.census, rows=rows), frequency=unit.frequency.iloc[:2]
    )


@pytest.fixture
def small_unit(unit_maker):
    """Two frailty points are enough here: the arithmetic of causes does not rest on their number."""
    unit = unit_maker()
    return replace(unit, planning=replace(unit.planning, frailty_nodes=2))


@pytest.mark.parametrize(
    ("change", "blamed"),
    [
        (beds, "number, sizes and stays of airways"),
        (barrier_for_everyone, "technique and skin protection"),
        (longer_wear, "how often they are renewed"),
        (thirstier_recipe, "recipes"),
        (without_short_rolls, "catalogue: items, packs, roll lengths, preferences"),
        (dearer, "prices"),
    ],
)
def test_a_single_change_is_blamed_for_all_that_moved(small_unit, change, blamed):
    moved = causes(small_unit, change(small_unit))
    assert abs(moved[blamed]) > 0.5
    assert moved.drop(blamed).abs().max() < 1e-6


def three_plain_more(unit):
    """More airways of one kind in a size that is secured in more than one way."""
    plain = int(np.flatnonzero(unit.strata["skin"] == "none")[0])
    rows = unit.census.rows
    rows = rows.assign(airways=rows["airways"] + 3 * (rows["stratum"] == plain))
    return replace(unit, census=replace(unit.census, rows=rows))


def test_three_plain_airways_more_are_no_change_of_technique(small_unit):
    mixed = small_unit.strata.groupby(["route", "size"])["skin"].nunique()
    assert mixed.max() > 1, "a size with and without a barrier"
    moved = causes(small_unit, three_plain_more(small_unit))
    assert moved["number, sizes and stays of airways"] > 1
    assert moved["technique and skin protection"] == 0


def test_more_airways_and_another_securing_are_told_apart(small_unit):
    technique, number = "technique and skin protection", "number, sizes and stays of airways"
    alone = causes(small_unit, barrier_for_everyone(small_unit))
    both = causes(small_unit, beds(barrier_for_everyone(small_unit)))
    assert abs(alone[technique]) > 0.5
    assert both[technique] == pytest.approx(alone[technique]), "those there before are secured anew, no others"
    assert both[number] > 1


def year(a, b):
    return compare_units(a, b, no_par).money.set_index("measure").loc["money used a year"]


def test_what_is_not_known_of_both_cancels_in_the_difference(small_unit):
    """Common random numbers: a tenth on every price is a tenth of the year, whatever the year brings."""
    row = year(small_unit, dearer(small_unit))
    assert row["difference"] == pytest.approx(0.1 * row["a"])
    assert row["low_difference"] == pytest.approx(0.1 * row["low_a"])
    assert row["high_difference"] == pytest.approx(0.1 * row["high_a"])
    same = year(small_unit, small_unit)
    assert (same["low_difference"], same["high_difference"]) == pytest.approx((0, 0), abs=1e-9)


def test_who_comes_loose_is_chance_that_each_side_has_of_its_own_where_it_is_renewed_otherwise(small_unit, monkeypatch):
    """A count's standard deviation is the root of its mean times its dispersion (Poisson: 1)."""
    model, dispersion = use_model(small_unit), what_the_log_says(small_unit).dispersion
    events = 365.25 * mean_airways(small_unit) * model.rate
    drawn = bands._chance(small_unit, model, 4)
    assert drawn.mean(axis=0) == pytest.approx(1, abs=0.05)
    assert drawn.std(axis=0) == pytest.approx(np.sqrt(dispersion / events), rel=0.1)
    whole = year(small_unit, longer_wear(small_unit))
    monkeypatch.setattr(bands, "_chance", lambda unit, *_: np.ones((bands.DRAWS, unit.n_strata)))
    row = year(small_unit, longer_wear(small_unit))
    assert whole["high_difference"] - whole["low_difference"] > 1.02 * (row["high_difference"] - row["low_difference"])


def test_units_of_other_files_err_each_on_their_own(small_unit):
    other = replace(small_unit, checksums={"census.csv": "another"})
    row = year(small_unit, other)
    assert row["low_difference"] < 0 < row["high_difference"]


def test_a_year_is_twelve_months_and_items_say_what_they_are(small_unit):
    comparison = compare_units(small_unit, thirstier_recipe(small_unit), no_par)
    money = comparison.money.set_index("measure")["difference"]
    assert money["money used a year"] == pytest.approx(12 * money["money used a month"])
    assert comparison.causes["yearly_value"].sum() == pytest.approx(money["money used a year"])
    assert comparison.items["year_difference"].sum() == pytest.approx(money["money used a year"])
    assert comparison.items["description"].notna().all()


def test_rates_learnt_on_one_side_only_are_named(small_unit):
    learnt = replace(small_unit, doubt=replace(small_unit.doubt, rate_ratio=np.ones((4, small_unit.n_strata))))
    assert any("learnt in A" in note for note in compare_units(learnt, small_unit, no_par).notes)
    assert not compare_units(learnt, learnt, no_par).notes


def test_all_changes_at_once_add_up(small_unit):
    b = dearer(thirstier_recipe(longer_wear(barrier_for_everyone(small_unit))))
    moved = causes(small_unit, b)
    assert (moved.abs() > 0.1).sum() >= 4


def test_a_tenth_on_every_price_is_a_tenth_on_the_money(small_unit):
    assert causes(small_unit, dearer(small_unit))["prices"] == pytest.approx(
        0.1 * mean_month(small_unit).value
    )


def test_the_par_level_is_solved_again_only_where_something_it_rests_on_changed(small_unit):
    asked = []

    def asking(unit):
        asked.append(unit)
        return no_par(unit)

    compare_units(small_unit, replace(small_unit, stock=StockPolicy(14, 2, 0.95)), asking)
    assert len(asked) == 2
    assert [u.stock.review_days for u in asked] == [7, 14]


def test_money_in_different_currencies_is_not_compared(small_unit):
    with pytest.raises(InputError, match="same currency"):
        compare_units(small_unit, replace(small_unit, currency="EUR"), no_par)


def test_items_of_both_units_stand_side_by_side_dearest_change_first(small_unit):
    items = compare_units(small_unit, thirstier_recipe(small_unit), no_par).items
    assert items["item"].iloc[0].startswith("saline")
    change = (items["b_value"] - items["a_value"]).abs().to_numpy()
    assert (np.diff(change) <= 1e-9).all()
