"""The round of one unit from its plan, its book and its catalogue, on two items reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.orders import round_plan
from kitplan.parts.orders.model import planned_round, weekly_round
from kitplan.parts.orders.prints import order_list
from kitplan.parts.orders.round_command import find_unit, without_items
from kitplan.parts.orders.round_plan import Level, RoundPlan, catalogue_of, make_round_plan, order_point
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.problems import InputError

DAY = date(2026, 7, 1)
SALINE = Level("saline-5", "Saline", "A1", 50, 11.0, 120, 7, 5.0, False)
MASK = Level("mask-42", "Mask", "A2", 1, 7.0, 3, 3, 0.1, True)
PLAN = RoundPlan("USD", 7, 2, (SALINE, MASK))


def counted(item, units, day=DAY):
    return Line("counts", day, "counted", item, 1, 0, units, number=day.isoformat())


def ordered(item, pack, packs, number, event="ordered"):
    return Line("orders", DAY, event, item, pack, packs, number=number, price=11.0)


@pytest.fixture
def unit(small_unit):
    return replace(small_unit, items=small_unit.items.assign(counted_as="", alias=""), on_hand=None)


COUNT = OrderBook().grown([counted("saline-5", 30), counted("mask-42", 3)], "P")
"""30 of 120 ampoules in packs of 50: two packs are wanted. All three masks are there."""


def test_an_order_that_is_made_is_shown_again_as_made_until_the_next_count(unit):
    before = weekly_round(unit, PLAN, COUNT)
    assert before.sentences("USD") == ["Order 2 packs of 1 item, 22.00 USD."]
    made = COUNT.grown([ordered("saline-5", 50, 2, "9")], "P")
    after = weekly_round(unit, PLAN, made)
    assert after.order.number == "9"
    assert after.order.wanted == before.order.wanted == {"saline-5": 2}
    assert after.sentences("USD") == ["Order 2 packs of 1 item, 22.00 USD. This is order 9, in the book."]
    two = COUNT.grown([ordered("saline-5", 50, 1, "9")], "P").grown([ordered("saline-5", 50, 1, "10")], "P")
    later = weekly_round(unit, PLAN, two)
    assert later.order.number == "10", "the later of two by number, not by letter"
    assert later.sentences("USD") == ["Order 1 pack of 1 item, 11.00 USD. This is order 10, in the book."], (
        "what order 9 asked for is ordered: read again under 10, it would be ordered twice")
    spoken = {"saline-5": "Saline"}
    assert later.beside(spoken) == order_list(later, later.order, "USD", "", spoken).after == [
        "Order 9 was made since the same count, beside order 10. Send it too, if it was not sent: 1 x Saline."]
    assert after.beside(spoken) == before.beside(spoken) == []
    counted_again = made.grown([counted("saline-5", 30), counted("mask-42", 3)], "P")
    again = weekly_round(unit, PLAN, counted_again).order
    assert (again.number, again.wanted) == ("", {}), "an order of before the count is no order of this one"


def test_an_order_is_shown_again_after_a_new_plan_and_a_delivery_as_it_stands_in_the_book(unit):
    """By the new plan one pack would do; by telephone a third was ordered, and all three have come."""
    made = COUNT.grown([ordered("saline-5", 50, 2, "9")], "P")
    lower = replace(PLAN, levels=(replace(SALINE, level_units=60), MASK))
    found = weekly_round(unit, lower, made)
    assert found.sentences("USD") == ["Order 2 packs of 1 item, 22.00 USD. This is order 9, in the book."]
    row = found.order.lines.set_index("item").loc["saline-5"]
    assert (row["par_units"], row["order_packs"], row["order_units"]) == (60, 2, 100)
    assert row["because"] == "order 9 stands as it was made: 2 x 50"
    off_the_list = weekly_round(unit, replace(PLAN, levels=(MASK,)), made).order
    assert (off_the_list.wanted, off_the_list.value) == ({"saline-5": 2}, 22.0)
    really = made.grown([replace(ordered("saline-5", 50, 1, "9"), note="as really ordered")], "P")
    came = really.grown([Line("deliveries", DAY, "received", "saline-5", 50, 3, number="9")], "P")
    order = weekly_round(unit, PLAN, came).order
    assert (order.number, order.wanted, order.value) == ("9", {"saline-5": 3}, 33.0)


def test_the_order_of_this_count_stays_on_its_sheet_when_more_is_wanted_since(unit):
    """Its print may not have been sent; what is wanted more is said, and ordered when an order is asked for."""
    made = COUNT.grown([ordered("saline-5", 50, 2, "9")], "P")
    gone = made.grown([Line("deliveries", DAY, "recalled", "saline-5", 1, 0, 30)], "P")
    kept = weekly_round(unit, PLAN, gone, keep_order=True)
    assert (kept.order.number, kept.order.wanted) == ("9", {"saline-5": 2})
    assert kept.notes == ("More is wanted since order 9 was made: 1 pack of saline-5. kitplan order UNIT orders it.",)
    left = weekly_round(unit, PLAN, gone)
    assert (left.order.number, left.order.wanted, left.notes) == ("", {"saline-5": 1}, ())


def test_an_order_made_in_part_leaves_the_rest_to_order(unit):
    half = weekly_round(unit, PLAN, COUNT.grown([ordered("saline-5", 50, 1, "1")], "P"))
    assert (half.order.number, half.order.wanted) == ("", {"saline-5": 1})


def test_what_was_on_order_when_the_book_began_is_no_part_of_the_order_shown_again(unit):
    begun = COUNT.grown([ordered("saline-5", 50, 1, "0")], "P")
    assert weekly_round(unit, PLAN, begun).order.wanted == {"saline-5": 1}
    found = weekly_round(unit, PLAN, begun.grown([ordered("saline-5", 50, 1, "1")], "P")).order
    assert (found.number, found.wanted) == ("1", {"saline-5": 1})


def test_what_a_supplier_would_not_send_is_no_order_made(unit):
    gone = COUNT.grown([ordered("saline-5", 50, 2, "1"), ordered("saline-5", 50, 2, "1", "will_not_come")], "P")
    found = weekly_round(unit, PLAN, gone).order
    assert (found.number, found.wanted) == ("", {"saline-5": 2})


def test_a_unit_without_a_book_begins_with_what_its_table_says_is_on_hand(unit):
    rows = pd.DataFrame({"item": ["saline-5"], "packs": [0.0], "loose_units": [20.0], "expires": [pd.NaT],
                         "lot": [np.nan], "date": [pd.Timestamp(DAY)]})
    stocked = replace(unit, on_hand=rows)
    assert weekly_round(unit, PLAN, OrderBook()).order is None
    first = weekly_round(stocked, PLAN, OrderBook()).order
    assert (first.counted, first.wanted) == (DAY, {"saline-5": 2})
    held = first.lines.set_index("item")["on_hand_units"]
    assert held["saline-5"] == 20
    later = weekly_round(stocked, PLAN, COUNT).order.lines.set_index("item")["on_hand_units"]
    assert later["saline-5"] == 30, "a book is believed before the table"


def test_two_items_under_their_urgent_level_are_named_with_two_lots_that_spoil(unit):
    """Forty ampoules end today and five tomorrow, at five a day: the forty spoil. Two masks of three are there."""
    book = OrderBook().grown([
        Line("counts", DAY, "counted", "saline-5", 1, 0, 40, DAY, "L1", DAY.isoformat()),
        Line("counts", DAY, "counted", "saline-5", 1, 0, 5, date(2026, 7, 2), "L2", DAY.isoformat()),
        counted("mask-42", 2)], "P")
    told = weekly_round(unit, PLAN, book).sentences("USD")
    assert told[0] == "URGENT, may run out before the order arrives or was not counted: mask-42; saline-5."
    assert "1 lot will not be used by the date: see the dates to watch." in told, "five of L2 are used tomorrow"


def test_several_questions_are_counted_and_the_first_is_said(unit):
    """The second count left out the mask, which is emergency equipment, and holds an item of no catalogue."""
    book = COUNT.grown([counted("wipe-prep", 5, date(2026, 7, 8)), counted("gone", 1, date(2026, 7, 8))], "P")
    told = weekly_round(unit, PLAN, book).sentences("USD")
    assert told[0].startswith("2 questions under Questions; first: ")


def test_items_that_cannot_be_had_are_left_out_for_the_weeks_that_are_said(unit):
    away = replace(unit, stock=replace(unit.stock, unavailable=("mask-42",), unavailable_weeks=3))
    found = without_items(away, ("saline-5", "mask-42", "saline-5"), None).stock
    assert (found.unavailable, found.unavailable_weeks) == (("mask-42", "saline-5"), 3)
    assert without_items(away, ("saline-5",), 6).stock.unavailable_weeks == 6
    with pytest.raises(InputError) as caught:
        without_items(away, ("saline-5", "saline5", "nothing"), 6)
    first, second = caught.value.problems
    assert (first.file, first.value, first.fault) == ("--without", "saline5", "is not in the catalogue")
    assert "saline-5" in first.mend
    assert second.value == "nothing", "all at once"


def test_a_file_that_is_not_there_and_one_that_is_no_workbook_are_told_apart(tmp_path):
    with pytest.raises(InputError, match="is not there"):
        find_unit(tmp_path / "ward.xlsx")
    (tmp_path / "ward.xlsx").write_bytes(b"no workbook")
    with pytest.raises(InputError, match="lies in no unit's folder"):
        find_unit(tmp_path / "ward.xlsx")
    (tmp_path / "ward.xlsx.txt").write_text("x")
    with pytest.raises(InputError, match="lies in no unit's folder"):
        find_unit(tmp_path / "ward.xlsx.txt")


def test_a_file_two_folders_below_a_unit_is_its_own_and_one_three_below_is_not(tmp_path):
    deep = tmp_path / "ward" / "plan" / "prints"
    deep.mkdir(parents=True)
    (tmp_path / "ward" / "unit.toml").touch()
    assert find_unit(tmp_path / "ward" / "plan" / "sheets.xlsx") == tmp_path / "ward"
    (deep / "count.csv").touch()
    with pytest.raises(InputError, match="lies in no unit's folder"):
        find_unit(deep / "count.csv")


# -- what one lead time may need ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("readiness", "units"), [(0.95, 95), (0.951, 96), (0.0, 1), (1.0, 100)])
def test_the_urgent_level_is_the_quantile_of_the_lead_times_use(readiness, units):
    """A hundred lead times that need 1 to 100, in any order."""
    drawn = np.random.default_rng(1).permutation(np.arange(1, 101))[:, None]
    assert order_point(drawn, readiness).tolist() == [units]


@pytest.mark.parametrize("lead", [0.0, 0.5, 2.0])
def test_the_need_of_a_lead_time_is_drawn_where_there_is_one(unit, monkeypatch, lead):
    """Every scenario needs 9 of each: that is urgent, and never above the level. Without a lead time nothing is."""
    asked = []

    def drawn(_unit, _choice, seed):
        return SimpleNamespace(units=lambda _choice, until: (
            asked.append((until, seed)) or np.full((1, 50, len(unit.items)), 9)))

    monkeypatch.setattr(round_plan, "draw_days", drawn)
    levels = pd.DataFrame({"item": ["saline-5"], "description": "x", "pack": [50], "par_units": [120],
                           "expected_units": [45.0]})
    stocked = replace(unit, stock=replace(unit.stock, lead_days=lead), items=unit.items.assign(gtin=""))
    work = SimpleNamespace(unit=stocked, item_choice=None, tables=None, seed=7, results={}, par=SimpleNamespace(
        levels=levels))
    found = make_round_plan(work)
    assert [level.urgent_units for level in found.levels] == [9 if lead else 0]
    assert asked == ([([lead], 7)] if lead else [])
    assert (found.review_days, found.lead_days, found.protection_days) == (7, lead, 7 + lead)
    assert (found.designs, found.builds) == ({}, {})


def test_a_level_in_packs_may_be_passed_by_a_pack_less_one():
    """Ordered at 119 of 120 in packs of 50: 169."""
    assert (SALINE.top_units, MASK.top_units) == (169, 3)


def test_levels_lie_in_shelf_order_with_kits_and_what_to_have_ready(unit):
    items = unit.items.assign(gtin="")
    items.loc[items["item"] == "saline-5", "bin"] = "B10"
    items.loc[items["item"] == "wipe-prep", "bin"] = "B9"
    levels = pd.DataFrame({"item": ["saline-5", "wipe-prep", "bag-450", "mask-42"], "description": "x",
                           "pack": [50, 50, 1, 1], "par_units": [120, 60, 1, 4], "expected_units": [45.0, 9.0, 1, 1]})
    kits = SimpleNamespace(
        contents=pd.DataFrame({"design": ["A", "A", "B"], "item": ["wipe-prep", "mask-42", "mask-42"],
                               "quantity": [4, 1, 2]}),
        builds=pd.DataFrame({"design": ["A", "B"], "build": [3, 2]}))
    low = np.zeros(len(items))
    found = round_plan.round_plan_of(replace(unit, items=items), levels, low, kits)
    assert [level.item for level in found.levels] == ["mask-42", "bag-450", "wipe-prep", "saline-5"]
    assert found.designs == {"A": {"wipe-prep": 4, "mask-42": 1}, "B": {"mask-42": 2}}
    assert found.builds == {"A": 3, "B": 2}
    assert found.level["mask-42"].urgent_units == 2, "emergency equipment is urgent under its minimum stock"
    assert found.level["saline-5"].urgent_units == 0
    assert list(found.table().columns) == ["item", "description", "bin", "pack", "par_units", "order_point_units",
                                           "use_per_day", "counted_as", "gtin"]
    assert found.table().loc[0, ["par_units", "order_point_units"]].tolist() == [4, 2]


def test_emergency_equipment_without_a_minimum_is_urgent_at_its_last(unit):
    items = unit.items.assign(gtin="", min_stock=0.0)
    levels = pd.DataFrame({"item": ["mask-42"], "description": "x", "pack": [1], "par_units": [4],
                           "expected_units": [1.0]})
    found = round_plan.round_plan_of(replace(unit, items=items), levels, np.zeros(len(items)), None)
    assert found.level["mask-42"].urgent_units == 1


def test_the_catalogue_of_a_round_is_that_of_today(unit):
    found = catalogue_of(unit)
    assert (found.pack["saline-5"], found.price["saline-5"], found.bin["saline-5"]) == (50, 11.0, "A03")
    assert found.description["saline-5"] == "Saline ampoule, 5 mL"
    assert found.critical == {"mask-42", "mask-60", "bag-450"}


def test_a_planned_round_asks_for_more_only_where_something_cannot_be_had(unit, monkeypatch, tmp_path):
    from kitplan.parts.orders import model

    monkeypatch.setattr(model, "make_round_plan", lambda work: PLAN)
    monkeypatch.setattr(model, "read_book", lambda home: COUNT)
    monkeypatch.setattr(model, "missing_items", lambda *_: pytest.fail("nothing is missing"))
    work = SimpleNamespace(unit=replace(unit, path=tmp_path), seed=1, item_choice=None)
    assert planned_round(work).order.wanted == {"saline-5": 2}
