"""Two versions of a unit: each single change is blamed for all that moved, and causes always add up."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.best_knowledge import what_the_log_says
from kitplan.demand.item_choice import fill_roles
from kitplan.demand.occupancy import mean_airways
from kitplan.demand.use import use_model
from kitplan.parts.compare import bands
from kitplan.parts.compare.model import (
    _converted,
    _items,
    asked_of,
    compare_units,
    expected,
    mean_month,
    most_like,
)
from kitplan.parts.compare.notes import beds_without_airways
from kitplan.parts.compare.sheets import add_sheets
from kitplan.parts.par.values import Readiness
from kitplan.read.problems import InputError
from kitplan.read.values import STRATUM_KEY, Route, StockPolicy
from kitplan.write.book import Book


def planned(unit, par):
    """A plan as compare looks at it, without kits."""
    return SimpleNamespace(parts=("par",), item_choice=fill_roles(unit), par=par)


def no_par(unit):
    """A plan whose par levels are not looked at."""
    return planned(unit, stock_worth(0.0, 0.0))


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


@pytest.mark.parametrize(("times", "common"), [(1.01, True), (1.2, False)])
def test_chance_is_common_to_rates_that_hardly_differ(small_unit, times, common):
    """Another item lets issues teach a rate a hundredth off: the same patients come loose all the same."""
    rates = [c for c in small_unit.frequency if c.endswith("_per_day")]
    scales = small_unit.frequency[rates].mul(times).assign(
        loosening_scale_hours=small_unit.frequency["loosening_scale_hours"] / times)
    row = year(small_unit, replace(small_unit, frequency=small_unit.frequency.assign(**scales)))
    width = (row["high_difference"] - row["low_difference"]) / (row["high_a"] - row["low_a"])
    assert (width < 0.03) == common


def test_a_rate_is_as_unsure_in_the_band_as_the_plan_takes_it(small_unit):
    """What the unit states is known; what a log, issues or a guess leave open is drawn as for par levels."""
    known = replace(small_unit, doubt=replace(small_unit.doubt, rate_ratio=None))
    assert (bands._rates(known, 2) == 1.0).all()
    ratio = np.exp(0.1 * np.random.default_rng(1).standard_normal((1000, 1)))
    drawn = bands._rates(replace(known, doubt=replace(known.doubt, rate_ratio=ratio, rate_from="issues")), 2)
    assert drawn.shape == (bands.DRAWS, known.n_strata)
    assert np.quantile(drawn[:, 0], [0.1, 0.5, 0.9]) == pytest.approx(np.quantile(ratio, [0.1, 0.5, 0.9]), rel=0.02)
    assert (drawn == drawn[:, :1]).all(), "one draw is common to all kinds of airway"


def issued(unit):
    """Stock issues of a year, three tenths more than the recipe takes of what each re-secure uses."""
    model = use_model(unit)
    a_day = 1.3 * mean_airways(unit) @ model.per_day
    items = [(name, units) for name, units, scope in zip(unit.items["item"], a_day, unit.items["scope"])
             if scope == "event" and units > 0]
    days = pd.date_range("2025-01-06", "2025-12-29", freq="7D")
    rows = [(day, name, round(7 * units), np.nan) for day in days for name, units in items]
    frame = pd.DataFrame(rows, columns=["date", "item", "units", "price"])
    doubt = replace(unit.doubt, rate_range=(0.3, 1.0), guessed=("loose",), learn=True, rate_ratio=None, rate_from="")
    return replace(unit, issues=frame, doubt=doubt)


def test_a_copy_run_otherwise_is_asked_about_from_what_past_use_taught_of_the_first(small_unit):
    """More is done again: read anew from the same issues it would be renewed less often, and cost the same."""
    now = issued(small_unit)
    other = replace(now, frequency=now.frequency.assign(redo=now.frequency["redo"] + 0.3))
    asked = asked_of(now, other)
    difference = {
        name: compare_units(now, b, no_par, held).money.set_index("measure")["difference"]["money used a year"]
        for name, b, held in (("anew", other, False), ("asked", asked, True))}
    assert difference["asked"] > 2 * abs(difference["anew"])
    assert compare_units(now, asked, no_par, True).notes[0].startswith("How often is learnt from past use of A; B goes")


def test_a_copy_that_past_use_teaches_the_same_is_itself(small_unit):
    now = issued(small_unit)
    assert asked_of(now, replace(now, stock=replace(now.stock, lead_days=5.0))) is None
    assert asked_of(now, replace(now, issues=now.issues.assign(units=now.issues["units"] * 2))) is None
    assert asked_of(small_unit, longer_wear(small_unit)) is None


def test_units_of_other_files_err_each_on_their_own(small_unit):
    other = replace(small_unit, checksums={"census.csv": "another"})
    row = year(small_unit, other)
    assert row["low_difference"] < 0 < row["high_difference"]


@pytest.mark.parametrize(("shape", "same"), [("counts", True), ("snapshot", False)])
def test_a_census_copied_with_another_securing_holds_the_same_airways(shape, same, small_unit):
    """Airways without a barrier get one: what comes and stays is in both sides, and cancels. A snapshot may be alike by
    chance.
    """
    days = pd.DataFrame({"day": np.arange(120).repeat(2), "stratum": [0, 2] * 60 * 2, "airways": [4, 3] * 120})
    census = replace(small_unit.census, shape=shape, rows=days, first_day=date(2026, 1, 1), last_day=date(2026, 4, 30))
    a = replace(small_unit, census=census, checksums={"census.csv": "one"})
    assert a.strata["skin"].tolist() == ["none", "barrier", "none"]
    copied = replace(census, rows=days.assign(stratum=days["stratum"].replace(0, 1)))
    assert bands._same_airways(a, replace(a, census=copied)) is same
    fewer = replace(copied, rows=copied.rows.assign(airways=2))
    assert not bands._same_airways(a, replace(a, census=fewer))
    other_size = replace(census, rows=days.assign(stratum=days["stratum"].replace(0, 2)))
    assert not bands._same_airways(a, replace(a, census=other_size))


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


# -- reckoned by hand -----------------------------------------------------------------------------------------------


@pytest.fixture
def no_bands(monkeypatch):
    """Years without a band, which takes a forecast of either side: here it is not looked at."""
    none = pd.DataFrame({"side": ["a", "b", "difference"], "low": [-1.0, -1.0, -9.0], "high": 9.0})
    monkeypatch.setattr("kitplan.parts.compare.model.year_bands", lambda *_: none)


def stock_worth(value, litres, ready=0.96):
    """A par plan of so much money and so many litres, of one item."""
    readiness = Readiness(0.95, ready, ready, 0.9, 0.97, 9)
    return SimpleNamespace(value=value, litres=litres, readiness=readiness, answer="met", binding=(),
                           levels=pd.DataFrame({"item": ["saline-5"], "par_packs": [value / 10]}))


def held_by_airways(unit):
    """Stock of ten money and one litre an airway."""
    airways = float(unit.census.rows["airways"].sum())
    return planned(unit, stock_worth(10 * airways, airways))


def test_par_levels_stand_at_the_cause_that_changed_them(small_unit, no_bands):
    """Three airways more of nine: 30 money and 3 L more, at the number of airways; prices later change none."""
    comparison = compare_units(small_unit, dearer(three_plain_more(small_unit)), held_by_airways)
    frame = comparison.causes.set_index("cause")
    assert frame.loc["number, sizes and stays of airways", ["par_value", "par_litres"]].tolist() == [30.0, 3.0]
    assert frame["par_value"].sum() == 30.0
    assert frame.loc["technique and skin protection", ["par_value", "par_litres"]].tolist() == [0.0, 0.0]
    money = comparison.money.set_index("measure")
    assert money.loc["value of the stock at par", ["a", "b", "difference"]].tolist() == [90.0, 120.0, 30.0]
    assert money.loc["litres at par", ["a", "b"]].tolist() == [9.0, 12.0]
    assert money.loc["readiness target", "a"] == small_unit.stock.readiness
    assert money.loc["airways in place", ["a", "b"]].tolist() == [9.0, 12.0]
    assert "Stock at par: 120 USD against 90 (+30)." in comparison.sentences()
    packs = comparison.items.set_index("item").loc["saline-5", ["a_par_packs", "b_par_packs"]]
    assert packs.tolist() == [9.0, 12.0]


def test_a_stock_that_is_cheap_because_a_limit_leaves_it_unready_is_said_to_be(small_unit, no_bands):
    """A shelf of B's that not even emergency equipment fits: its stock was told as 60 money saved, and no more."""
    def held(unit):
        par = stock_worth(90.0, 9.0)
        if unit.stock.shelf_litres:
            par = stock_worth(30.0, 3.0, ready=0.2)
            par.answer, par.binding = "unsafe", ("no L",)
        return planned(unit, par)

    tight = replace(small_unit, stock=replace(small_unit.stock, shelf_litres=1.0))
    told = compare_units(small_unit, tight, held).sentences()
    assert "Stock at par: 30 USD against 90 (-60), readiness 20.0 % against 96.0 %." in told
    assert "B is not as ready as asked: no L." in told


def test_where_securing_moves_more_money_than_numbers_the_par_levels_stand_there(small_unit, no_bands):
    def by_skin(unit):
        barrier = (unit.strata["skin"] == "barrier").all()
        return planned(unit, stock_worth(200.0 if barrier else 100.0, 5.0))

    frame = compare_units(small_unit, barrier_for_everyone(small_unit), by_skin).causes.set_index("cause")
    assert frame.loc["technique and skin protection", "par_value"] == 100.0
    assert frame.loc["number, sizes and stays of airways", "par_value"] == 0.0


def test_a_mean_month_is_airways_times_what_days_and_arrivals_take(small_unit):
    """30.4375 days; wipes at two a re-secure, and what arrivals take of them on top."""
    model = use_model(small_unit)
    month = mean_month(small_unit)
    airways = np.array([4.0, 2.0, 3.0])
    wipes = model.items.index("wipe-prep")
    use = model.per_day[:, wipes] + model.arrivals * model.per_arrival[:, wipes]
    assert month.units["wipe-prep"] == pytest.approx(30.4375 * airways @ use)
    assert month.value == pytest.approx(month.units.to_numpy() @ model.price)
    assert month.re_secures == pytest.approx(30.4375 * airways @ model.counted())
    assert month.airways == 9.0
    assert month.by_kind["airways"].tolist() == airways.tolist()
    assert (month.by_kind["airways"] * month.by_kind["value"]).sum() == pytest.approx(month.value)
    assert (month.by_kind["airways"] * month.by_kind["attempts"]).sum() == pytest.approx(month.re_secures)


def kinds(*rows):
    """rows: size, skin, airways, money of one, attempts of one; all oral."""
    frame = pd.DataFrame([("oral", size, "two_y", skin, n, value, tries) for size, skin, n, value, tries in rows],
                         columns=[*STRATUM_KEY, "airways", "value", "attempts"])
    return frame.set_index(STRATUM_KEY)


def test_airways_that_change_their_securing_within_a_size_are_as_many_as_both_sides_have():
    """Of 3.5 mm four go from plain to barrier (10 and 16 money, 5 and 6 attempts) and two come on top; of 4.0 mm three
    come and none goes.
    """
    a = kinds(("3.5", "none", 6.0, 10.0, 5.0), ("3.5", "barrier", 1.0, 16.0, 6.0), ("4.0", "none", 2.0, 12.0, 5.0))
    b = kinds(("3.5", "none", 2.0, 10.0, 5.0), ("3.5", "barrier", 7.0, 16.0, 6.0), ("4.0", "none", 5.0, 12.0, 5.0))
    assert _converted(a, b).tolist() == [4 * 6.0, 4 * 1.0]
    assert _converted(b, a).tolist() == [-4 * 6.0, -4 * 1.0]
    assert _converted(a, a).tolist() == [0.0, 0.0]
    gone = kinds(("3.5", "barrier", 7.0, 16.0, 6.0))
    assert _converted(a, gone).tolist() == [6 * 6.0, 6 * 1.0], "a kind that is gone is worth what it was"


def test_a_kind_takes_the_rate_of_the_most_like_one(small_unit):
    """The same; else the same size and technique, the commonest of them; else the route."""
    assert most_like(small_unit, small_unit).tolist() == [0, 1, 2]
    strata = small_unit.strata.copy()
    strata.loc[2, "skin"] = "barrier"
    assert most_like(small_unit, replace(small_unit, strata=strata)).tolist() == [0, 1, 2], "4.0 mm, other skin"
    strata.loc[2, ["size", "size_number"]] = ["5.0 mm", 5.0]
    strata.loc[1, "skin"] = "other"
    assert most_like(small_unit, replace(small_unit, strata=strata)).tolist() == [0, 0, 0], "the commonest of its size"
    strata.loc[0, "route"] = "nasal"
    assert most_like(small_unit, replace(small_unit, strata=strata)).tolist() == [0, 0, 0]


def test_prices_are_by_the_piece_where_packs_differ(small_unit, no_bands):
    """The same price a piece in packs twice as large is no change of prices."""
    doubled = small_unit.items.assign(pack=small_unit.items["pack"] * 2, price=small_unit.items["price"] * 2)
    moved = causes(small_unit, replace(small_unit, items=doubled))
    assert moved.abs().max() < 1e-6


def test_the_difference_is_said_with_its_sign_and_its_largest_cause(small_unit, no_bands):
    said = compare_units(small_unit, dearer(small_unit), no_par).sentences()
    year = 12 * mean_month(small_unit).value
    assert said[0].startswith(f"Invented test unit (invented) uses {1.1 * year:,.0f} USD of supplies a year against "
                              f"{year:,.0f} in Invented test unit (invented): {0.1 * year:+,.0f}; in the next twelve "
                              "months, 8 times in 10, between -9 and +9, by chance and what is not known of")
    assert said[1] == f"Most of it: prices ({0.1 * year:+,.0f} USD a year)."
    same = compare_units(small_unit, small_unit, no_par).sentences()[0]
    assert f"{year:,.0f} in Invented test unit (invented): no change; in the next" in same


def test_beds_alone_are_no_use_and_what_to_write_is_said():
    """Nine airways in 24 beds: three more beds as full as now hold 1.1 airways more."""
    def unit(beds):
        return SimpleNamespace(bedside=SimpleNamespace(beds=beds))

    head = "Beds go from 24 to 27, the airways stay: use follows airways, not beds."
    (more,) = beds_without_airways(unit(24), unit(27), 9.0, 9.0)
    assert more.startswith(f"{head} As full as now, 3 more beds hold 1.1 airways more: add [[expect]] lines")
    assert more.endswith("mean_airways that add up to 1.1.")
    (fewer,) = beds_without_airways(unit(24), unit(20), 9.0, 9.0)
    assert fewer == (f"{head.replace('27', '20')} Shorten the census of the second unit to match.")
    for a, b, airways in ((24, 24, 9.0), (24, 27, 10.0), (0, 27, 9.0), (24, 0, 9.0)):
        assert beds_without_airways(unit(a), unit(b), 9.0, airways) == ()


def test_prices_paid_that_differ_are_said_to_move_no_sum_here(small_unit):
    """Nobody should write a rise into a copy, read "no change" and believe that it costs nothing."""
    rise = pd.DataFrame({"date": [pd.Timestamp("2026-10-01")], "item": [None], "price": [np.nan], "percent": [4.0]})
    plain, dearer, same = (replace(small_unit, prices=p) for p in (None, rise, rise.copy()))
    (note,) = compare_units(plain, dearer, no_par).notes
    assert "items.csv" in note
    assert "kitplan forecast" in note
    assert not compare_units(plain, plain, no_par).notes
    assert not compare_units(dearer, same, no_par).notes


def test_what_the_months_ahead_expect_stands_beside_a_year_at_recipe_and_list_price(small_unit):
    """Twelve months of 100 and six of 900: the year ahead is 1,200, and six months alone are none."""
    months = [100.0] * 12 + [900.0] * 6
    views = [SimpleNamespace(forecast=SimpleNamespace(total=pd.DataFrame({"value": v}))) for v in (months, months[12:])]
    assert expected({"forecast": views[0]}) == 1200.0
    assert np.isnan(expected({"forecast": views[1]}))
    assert np.isnan(expected({}))
    issued = replace(small_unit, issues=pd.DataFrame({"item": ["saline"], "units": [3.0]}))
    year = 12 * mean_month(issued).value
    (note,) = compare_units(issued, issued, no_par, ahead=year / 2).notes
    assert f"come to {year / 2:,.0f} USD in twelve months" in note
    assert not compare_units(issued, issued, no_par).notes


def test_par_levels_of_items_are_those_of_the_first_and_the_last_step():
    """Between the first and the last lies a step of other levels; an item that one side alone knows has none there."""
    month = [SimpleNamespace(units=pd.Series(u)) for u in ({"gauze": 2.0}, {"gauze": 9.0}, {"gauze": 3.0, "wipe": 4.0})]
    par = [SimpleNamespace(levels=pd.DataFrame(list(p.items()), columns=["item", "par_packs"]))
           for p in ({"gauze": 1}, {"gauze": 8}, {"gauze": 5, "wipe": 6})]
    unit = SimpleNamespace(items=pd.DataFrame({"item": ["gauze", "wipe"], "description": "", "price": 9.0, "pack": 3}))
    table = _items(month, par, unit, unit).set_index("item")
    columns = ["a_units", "b_units", "a_value", "b_value", "a_par_packs", "b_par_packs"]
    assert table.loc["gauze", columns].tolist() == [2.0, 3.0, 6.0, 9.0, 1.0, 5.0]
    assert table.loc["wipe", ["a_units", "b_units", "b_par_packs"]].tolist() == [0.0, 4.0, 6.0]
    assert np.isnan(table.loc["wipe", "a_par_packs"])


def test_the_chance_of_a_year_is_as_uneven_as_the_events_that_are_expected(small_unit):
    """4, 2 and 3 airways for 365.25 days at the plan's rate, a gamma number of mean 1: variance one in as many."""
    model = use_model(small_unit)
    drawn = bands._chance(small_unit, model, 4)
    events = 365.25 * np.array([4.0, 2.0, 3.0]) * model.rate
    assert drawn.mean(axis=0) == pytest.approx(1.0, abs=0.01)
    assert drawn.var(axis=0) == pytest.approx(what_the_log_says(small_unit).dispersion / events, rel=0.12)
    assert bands._rates(small_unit, 2).mean(axis=0) == pytest.approx(1.0)


def test_a_year_in_which_all_is_as_expected_is_twelve_mean_months(small_unit):
    """Half as many airway-days cost half of what days take, as many arrivals what arrivals take."""
    choice = fill_roles(small_unit)
    model, one = use_model(small_unit, choice), np.ones(3)
    whole, of_days, of_arrivals = (bands._year(small_unit, model, (np.array([d]), np.array([c])), np.ones((1, 3)))[0]
                                   for d, c in ((1.0, 1.0), (1.0, 0.0), (0.0, 1.0)))
    assert whole == pytest.approx(12 * mean_month(small_unit, choice).value, rel=1e-3)
    assert whole == pytest.approx(of_days + of_arrivals)
    assert bands._year(small_unit, model, (np.array([1.0]), np.array([0.0])), 2 * one[None])[0] == pytest.approx(
        2 * of_days)
    days, came = bands._levels(small_unit, model.arrivals, 0)
    assert (len(days), len(came)) == (bands.DRAWS, bands.DRAWS)
    assert (np.median(days), np.median(came)) == pytest.approx((1.0, 1.0), abs=0.12)


@pytest.mark.parametrize(("one", "two", "same"), [
    ({"census.csv": "x", "unit.toml": "1"}, {"census.csv": "x", "unit.toml": "2"}, True),
    ({"census.csv": "x"}, {"census.csv": "y"}, False), ({"census.csv": "x"}, {}, False), ({}, {}, True),
    ({"unit.xlsx": "x"}, {"unit.xlsx": "y"}, False), ({"census.csv": "x"}, {"census.txt": "x"}, True),
])
def test_two_units_rest_on_one_census_where_its_files_are_the_same(one, two, same):
    assert bands._same(SimpleNamespace(checksums=one), SimpleNamespace(checksums=two), ("census.",)) is same


@pytest.mark.parametrize(("change", "charts"), [(lambda unit: unit, 0), (dearer, 1)])
def test_a_chart_is_drawn_only_where_money_differs(small_unit, monkeypatch, change, charts):
    drawn, book = [], Book("Invented", "USD", "0000-0000")
    monkeypatch.setattr("kitplan.parts.compare.sheets.place", lambda *a, **k: drawn.append(a))
    comparison = compare_units(small_unit, change(small_unit), no_par)
    add_sheets(book, SimpleNamespace(comparison=comparison, unit=small_unit))
    assert len(drawn) == charts


def test_what_is_said_first_is_said_in_the_units_own_words(small_unit):
    own = replace(small_unit, routes={name: Route(name, one="line", many="lines", acts="renewals")
                                      for name in small_unit.strata["route"].unique()})
    said = " ".join(compare_units(own, beds(own), no_par).sentences())
    assert "number, sizes and stays of lines" in said
    assert "how many lines come" in said
    assert "airway" not in said
