"""What par levels say: prices of limits, changes since the last plan, what to look at first; numbers chosen by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.par.changes import compare_with
from kitplan.parts.par.frontier import trace_frontier
from kitplan.parts.par.model import ask
from kitplan.parts.par.summary import how_sure, look_first, three_sentences
from kitplan.parts.par.tables import (
    binding_sentences,
    floor_sentences,
    present_levels,
    price_table,
    room_words,
)
from kitplan.parts.par.values import Readiness
from kitplan.read.last_plan import Earlier
from kitplan.read.problems import Problem
from kitplan.solve.par_program import Limit

# -- what one more unit of a limit buys -----------------------------------------------------------------------------


def prices(answer, duals, shelf=50.0, budget=300.0, n=1000, verified=0.5):
    """Two items, one of each, the second in packs: 2 + 3 L and 20 + 40 money of what the limits have."""
    instance = SimpleNamespace(
        needs=np.zeros((n, 2)), unit=SimpleNamespace(currency="USD"), columns=lambda levels: levels,
        limits=(Limit("shelf", np.array([2.0, 3.0]), shelf), Limit("budget", np.array([20.0, 40.0]), budget)))
    candidate = SimpleNamespace(answer=answer, solved=SimpleNamespace(duals=duals), levels=np.array([1, 1]),
                                verified=verified)
    return price_table(instance, candidate).set_index("limit")


def test_a_point_of_readiness_costs_what_a_hundredth_of_the_scenarios_cost():
    """A scenario more at 6.1 money, of a thousand: ten of them are one point."""
    table = prices("met", {"ready": 6.1, "shelf": -0.25})
    assert table.loc["readiness", "price"] == pytest.approx(61.0)
    assert table.loc["readiness", "sentence"] == "one more point of readiness costs about 61.00 USD"
    assert table.loc["shelf", "price"] == 0.25
    assert table.loc["shelf", "sentence"] == "one more litre of shelf would save about 0.25 USD of stock"
    assert table.loc["budget", "sentence"] == "the budget has 240.00 USD to spare: more of it buys nothing"
    assert table.loc["budget", "price"] == 0


def test_where_the_target_is_not_met_room_buys_points_of_readiness():
    """Four scenarios of a thousand for a litre: 0.4 points; readiness itself has no price then."""
    table = prices("limited", {"ready": 6.1, "shelf": 4.0, "budget": 0.0})
    assert "readiness" not in table.index
    assert table.loc["shelf", "price"] == pytest.approx(0.4)
    assert table.loc["shelf", "sentence"] == "one more litre of shelf would buy about 0.4 points of readiness"
    assert table.loc["budget", "sentence"] == "240.00 USD of the budget is left: another limit binds"
    assert table.loc["budget", "price"] == 0.0
    money = prices("limited", {"budget": 4.0})
    assert money.loc["budget", "sentence"] == "one more USD of budget would buy about 0.4 points of readiness"
    assert money.loc["shelf", "sentence"] == "45.0 L of the shelf is left: another limit binds"
    whole = prices("limited", {"shelf": 0.0})
    assert whole.loc["shelf", "sentence"] == "45.0 L of the shelf is left: the next step needs more than that"
    for seldom in (0.0, 0.04):
        assert prices("limited", {"shelf": 4.0}, verified=seldom).empty, "a litre more lasts no better then"


def test_where_emergency_equipment_alone_is_too_much_no_limit_has_a_price():
    assert prices("unsafe", {"shelf": 4.0}).empty
    assert prices("met", {}).index.tolist() == ["shelf", "budget"]


def test_both_mends_of_a_target_out_of_reach_are_named_rounded_to_the_safe_side():
    """Room up, readiness down."""
    ready = Readiness(0.98, 0.97, 0.96199, 0.95, 0.97, 100)
    assert binding_sentences({"shelf": 37.2, "budget": 0.0}, ready, "USD") == [
        "needs 38 L more shelf, or readiness 96.1 %"]
    assert binding_sentences({"shelf": 37.2, "budget": 1200.5}, ready, "USD") == [
        "needs 38 L more shelf and 1,201 USD more budget, or readiness 96.1 %"]
    assert binding_sentences({"shelf": 0.0}, ready, "USD") == ["the limits allow no more than readiness 96.1 %"]
    assert room_words("shelf", 3.0, "USD") == "3 L more shelf"


def test_floors_beyond_a_limit_say_what_they_need_what_there_is_and_the_difference():
    over = [(Limit("shelf", np.ones(1), 30.0), 41.25), (Limit("budget", np.ones(1), 100.0), 120.4)]
    shelf, purse = floor_sentences(over, "USD")
    assert "alone need 41.2 L of shelf and there are 30.0 L: needs 12 L more shelf; no limit plans them away" in shelf
    assert "alone cost 120.40 USD and the budget is 100.00 USD: needs 21 USD more budget; no limit" in purse


def test_todays_par_in_parts_of_a_pack_is_whole_items_and_rows_of_one_item_add(make_stock, make_demand):
    """Half a pack of 10 twice, a third of a pack of 5 (one item, not two), and an item that is not listed."""
    unit = make_stock(3, pack=[10.0, 5.0, 4.0])
    names = unit.items["item"].tolist()
    unit = replace(unit, present_par=pd.DataFrame({"item": [names[0], names[0], names[1]],
                                                   "par_packs": [0.5, 0.5, 1 / 3]}))
    assert present_levels(ask(unit, make_demand(np.zeros((4, 3)), names))).tolist() == [10, 1, 0]


def test_a_frontier_keeps_one_plan_a_cost_from_cheap_to_ready(make_stock, make_demand):
    """A hundred scenarios of one item that need 1 to 100: each target's plan is its share; a target that asks for no
    more than another is served by the same plan and not listed twice.
    """
    unit = make_stock(1, pack=1.0, price=2.0, litres=0.5)
    unit = replace(unit, planning=replace(unit.planning, frontier=(0.9, 0.5, 0.9001, 0.9099, 0.99)))
    demand = make_demand(np.arange(1, 101)[:, None], unit.items["item"])
    instance = ask(unit, demand)
    candidate = SimpleNamespace(asked=0.9, levels=np.array([90]), checked=SimpleNamespace(needs=demand.units))
    rows, levels = trace_frontier(instance, candidate, True)
    assert rows["target"].tolist() == [0.5, 0.9, 0.9099, 0.99]
    assert levels["par_units"].tolist() == [50, 90, 91, 99]
    assert rows["readiness"].tolist() == [0.5, 0.9, 0.91, 0.99]
    assert rows["value"].tolist() == [100.0, 180.0, 182.0, 198.0]
    assert rows["litres"].tolist() == [25.0, 45.0, 45.5, 49.5]
    alone, _ = trace_frontier(instance, candidate, False)
    assert alone["target"].tolist() == [0.9]


def test_what_is_free_weighs_a_trifle_more_where_it_is_large(make_stock, make_demand):
    """A millionth of a usual price and a litre more: so that nothing is held for nothing."""
    unit = make_stock(3, pack=1.0, price=[0.0, 0.0, 6.0], litres=[1.0, 3.0, 1.0])
    cost = ask(unit, make_demand(np.zeros((4, 3)), unit.items["item"])).cost
    assert cost.tolist() == pytest.approx([2 * 6e-6, 4 * 6e-6, 6.0])


# -- since the last plan --------------------------------------------------------------------------------------------


def levels(**rows):
    """item -> (par_units, pack, expected_units, floor_packs), at 2 money an item."""
    return pd.DataFrame([(i, -(-u // p), u, p, e, f, 2.0 * u) for i, (u, p, e, f) in rows.items()],
                        columns=["item", "par_packs", "par_units", "pack", "expected_units", "floor_packs", "value"])


def since(before, after, old=None, new=None, target=0.95):
    head = {"plan_number": "P1", "version": "1", "seed": 7, "inputs": {"census.csv": "a"},
            "readiness": {"target": 0.95}}
    return compare_with(Earlier(head | (old or {}), before), after, head | (new or {}), target)


def test_changes_are_after_less_before_in_items_packs_and_money():
    found = since(levels(gauze=(20, 10, 8.0, 0), mask=(3, 1, 1.0, 1), tape=(9, 3, 4.0, 0)),
                  levels(gauze=(35, 10, 12.0, 0), mask=(3, 1, 1.0, 1), wipe=(5, 5, 2.0, 0)))
    table = found.items.set_index("item")
    assert table.index.tolist() == ["gauze", "wipe", "tape"], "catalogue order, then what is gone"
    assert table.loc["gauze", ["before_units", "after_units", "change_units"]].tolist() == [20, 35, 15]
    assert table.loc["gauze", ["before_packs", "after_packs", "change_packs", "change_value"]].tolist() == [2, 4, 2, 30]
    assert table.loc["tape", ["before_units", "after_units", "change_value"]].tolist() == [9, 0, -18]
    assert table.loc["wipe", ["before_units", "before_packs", "change_units", "change_packs"]].tolist() == [0, 0, 5, 1]
    assert table["because"].to_dict() == {
        "gauze": "expected use 12.0, was 8.0 (+50 %)", "wipe": "new in the catalogue",
        "tape": "no longer in the catalogue"}
    assert found.sentences() == ["Since plan P1: 3 par levels changed."]


@pytest.mark.parametrize(("now", "why"), [
    ((21, 10, 8.1, 0), "other scenarios"),
    ((21, 10, 8.17, 0), "expected use 8.2, was 8.0 (+2 %)"),
    ((21, 10, 7.8, 0), "expected use 7.8, was 8.0 (-3 %)"),
    ((21, 10, 8.0, 2), "floor 2 packs, was 0"),
    ((20, 5, 8.0, 0), "pack of 5, was 10"),
])
def test_a_change_is_put_down_to_what_moved_by_more_than_a_fiftieth(now, why):
    (said,) = since(levels(gauze=(20, 10, 8.0, 0)), levels(gauze=now)).items["because"]
    assert said == why


def test_one_level_or_none_is_said_as_such():
    same, one = levels(gauze=(20, 10, 8.0, 0)), levels(gauze=(21, 10, 8.0, 0))
    assert since(same, same).sentences() == ["Since plan P1: no par level changed."]
    assert since(same, one).sentences() == ["Since plan P1: 1 par level changed."]


def test_a_use_that_begins_from_nothing_has_no_share():
    (said,) = since(levels(gauze=(0, 10, 0.001, 0)), levels(gauze=(21, 10, 4.0, 0))).items["because"]
    assert said == "expected use 4.0, was 0.0"


def test_a_pack_of_another_size_is_a_change_only_of_what_is_held():
    none = since(levels(gauze=(0, 10, 8.0, 0)), levels(gauze=(0, 5, 8.0, 0)))
    assert none.items.empty


@pytest.mark.parametrize(("old", "new", "target", "causes"), [
    ({}, {}, 0.95, ()),
    ({}, {}, 0.97, ("The readiness target went from 0.95 to 0.97.",)),
    ({"readiness": None}, {}, 0.97, ()),
    ({}, {"seed": 8}, 0.95, ("The seed went from 7 to 8.",)),
    ({}, {"version": "2"}, 0.95, ("The program's version went from 1 to 2.",)),
    ({}, {"inputs": {"census.csv": "b", "log.csv": "c"}}, 0.95, ("log.csv is new.", "census.csv changed.")),
    ({"inputs": {"census.csv": "a", "log.csv": "c"}}, {}, 0.95, ("log.csv is gone.",)),
])
def test_what_went_in_differently_is_named(old, new, target, causes):
    gauze = levels(gauze=(20, 10, 8.0, 0))
    assert since(gauze, gauze, old, new, target).causes == causes


def test_where_inputs_changed_a_level_that_nothing_explains_is_of_what_may_vary_or_of_the_way_to_the_target():
    """A rate learnt from a log narrows the doubt at the same expected use: that was told as another cheapest way."""
    (said,) = since(levels(gauze=(20, 10, 8.0, 0)), levels(gauze=(21, 10, 8.0, 0)), target=0.97).items["because"]
    assert said == ("expected use about as before; how far it may vary, or the cheapest way to the target, is "
                    "another")


# -- what to look at first ------------------------------------------------------------------------------------------


class Made(SimpleNamespace):
    """One whose answers are kept by what it is."""

    __hash__ = object.__hash__


def small_plan(answer="met", warnings=(), present=None, verified=0.96, target=0.95, binding=()):
    table = pd.DataFrame({
        "item": ["mask", "gauze"], "description": ["Mask, infant", "Gauze"], "pack": [1, 10], "par_units": [4, 30],
        "par_packs": [4, 3], "floor_packs": [2, 0], "shortage_chance": [0.001, 0.0123]})
    items = table[["item", "description", "pack"]].assign(
        critical=[True, False], min_stock=[2.0, np.nan], sized_to="patient", fits_scale="", fits_from=np.nan,
        fits_to=np.nan, routes="")
    strata = pd.DataFrame({"route": ["oral"], "scale": ["mm"], "size_number": [3.5], "patient_number": [3.5]})
    par = SimpleNamespace(levels=table, answer=answer, binding=binding, mean_value=1234.0, value=2345.6, litres=78.4,
                          readiness=Readiness(target, 0.95, verified, 0.94, 0.97, 2000))
    census = SimpleNamespace(shape="stays", mean_stay_days=None)
    unit = Made(items=items, catalogue=items.to_dict("records"), airways=strata.to_dict("records"),
                planning=SimpleNamespace(face_size_step_mm=0.5),
                warnings=warnings, currency="USD", census=census, assumptions=(), words=SimpleNamespace(many="airways"),
                present_par=None if present is None else pd.DataFrame(present, columns=["item", "par_packs"]),
                stock=SimpleNamespace(protection_interval_days=9.0))
    return SimpleNamespace(par=par, unit=unit)


def test_first_the_limit_that_binds_then_emergency_equipment_then_warnings_then_the_largest_change():
    warned = tuple(Problem("census.csv", "is large", "Check it.", row=row, column="tube",
                           value="9") for row in (3, 4))
    low = [("mask", 1), ("gauze", 2)]
    every = small_plan("limited", warned, low, binding=("needs 38 L more shelf",))
    assert look_first(every) == "Look first at your limits: needs 38 L more shelf."
    assert look_first(small_plan("met", warned, low, binding=("x",))) == (
        "Look first at emergency equipment: Mask, infant has a present par of 1, under its floor of 2.")
    assert "(1 more warning on the sheet Input checks)" in look_first(small_plan("met", warned))
    assert "more warning" not in look_first(small_plan("met", warned[:1]))
    idle = tuple(replace(warning, moves=0) for warning in warned)
    assert look_first(small_plan("met", idle)) == look_first(small_plan("met")), "what moves nothing"
    assert look_first(small_plan(present=[("mask", 2), ("gauze", 2)])) == (
        "Look first at Mask, infant: your par of 2 is 2 under what the plan wants (4).")


def test_the_largest_change_is_the_largest_share_of_what_the_plan_wants():
    """Two of four masks are missing, ten of thirty gauzes: half is more than a third; then twenty of thirty are."""
    assert "Mask, infant: your par of 2 is 2 under" in look_first(small_plan(present=[("mask", 2), ("gauze", 2)]))
    assert "Gauze: your par of 10 is 20 under what the plan wants (30)" in look_first(
        small_plan(present=[("mask", 2), ("gauze", 1)]))


@pytest.mark.parametrize("present", [None, [("mask", 4), ("gauze", 3)], [("mask", 9), ("gauze", 5)]])
def test_where_nothing_is_missing_the_item_most_likely_to_run_short_is_named(present):
    assert look_first(small_plan(present=present)) == (
        "Look first at Gauze: ordered when under 30, it is the item most likely to run short (1.23 % of intervals).")


def test_an_emergency_item_that_is_not_held_today_at_all_is_under_its_floor():
    assert "Mask, infant has a present par of 0," in look_first(small_plan(present=[("gauze", 3)]))


@pytest.mark.parametrize(("answer", "verified", "said"), [
    ("met", 0.95, "this meets the target of 95.0 %"), ("met", 0.9499, "this misses the target of 95.0 %"),
    ("limited", 0.93, "this is the best within your limits against the target of 95.0 %"),
    ("limited", 0.01, "what your limits leave, every item but emergency equipment cut alike, against the target of 95"),
])
def test_readiness_says_whether_it_meets_the_target(answer, verified, said):
    cost, ready, _ = three_sentences(small_plan(answer, verified=verified, binding=("x",)))
    assert said in ready
    assert "(9 days)" in ready
    assert cost == ("Cost: after ordering, 2 items worth 1,234 USD on the mean are on the shelf and on order; never "
                    "more than 2,346 USD and 78 L.")


@pytest.mark.parametrize(("shape", "stay", "said"), [
    ("snapshot", 6.0, (True, False)), ("snapshot", None, (True, True)), ("counts", None, (False, True)),
    ("counts", 6.0, (False, False)), ("stays", None, (False, False)),
])
def test_what_the_census_cannot_tell_is_said_beside_readiness(shape, stay, said):
    plan = small_plan()
    plan.unit.census = SimpleNamespace(shape=shape, mean_stay_days=stay)
    ready = three_sentences(plan)[1]
    assert ("A single day's count knows only the airways" in ready, "No mean stay is known" in ready) == said


def test_how_sure_readiness_is_stands_as_a_sentence():
    open_ = Readiness(0.95, 0.95, 0.96, 0.94, 0.9995, 2000)
    assert how_sure(open_).startswith("It is between 94.0 % and nearly 100 % in 9 of 10")
    assert how_sure(replace(open_, high=0.9994)).startswith("It is between 94.0 % and 99.9 % in 9 of 10")
    assert how_sure(replace(open_, known=True)) == (
        "Nothing is open but chance, counted on 2,000 scenarios not planned on.")


def test_a_pack_of_another_size_is_a_change_only_of_what_is_stocked_before_and_after():
    for before, after, moved in ((20, 20, True), (0, 0, False)):
        found = since(levels(gauze=(before, 10, 8.0, 0)), levels(gauze=(after, 5, 8.0, 0)))
        assert len(found.items) == moved
