"""What to order: least whole packs to the level, dated lots first expired first, nothing counted that will spoil."""

from dataclasses import replace
from datetime import date, timedelta
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from kitplan.parts.orders.build import plan_builds
from kitplan.parts.orders.ledger import Lot, standing
from kitplan.parts.orders.ordering import (
    days_of_cover,
    first_expired_first_out,
    make_order,
    packs_to_level,
    urgent_under,
)
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan, order_point, round_plan_of
from kitplan.read.order_book import Line, OrderBook

DAY = date(2026, 7, 1)
SALINE = Level("saline", "Saline", "A1", 10, 5.0, 95, 15, 5.0, False)


def plan(**changes):
    return RoundPlan("USD", 7, 2, (replace(SALINE, **changes),))


def catalogue(pack=10):
    return Catalogue({"saline": pack}, {"saline": 5.0}, {"saline": "Saline"}, {"saline": "A1"}, frozenset())


def book(*rows, on_order=0, since=DAY):
    """rows: (packs, loose units, days until the date or None)."""
    lines = [Line("counts", DAY, "counted", "saline", 10, p, u, None if d is None else DAY + timedelta(days=d), f"L{k}",
                  "2026-07-01") for k, (p, u, d) in enumerate(rows)]
    if on_order:
        lines.append(Line("orders", since, "ordered", "saline", 10, on_order, number="1", price=5.0))
    return OrderBook().grown(lines, "P")


def line(*rows, on_order=0, since=DAY, pack=10, **level):
    now = standing(book(*rows, on_order=on_order, since=since))
    return make_order(plan(**level), now, catalogue(pack)).lines.iloc[0]


def test_a_position_at_its_level_orders_nothing_and_one_under_it_orders():
    assert line((9, 5, None))["order_packs"] == 0
    assert line((9, 4, None))["order_packs"] == 1


def test_a_started_pack_is_rounded_up_to_a_whole_one():
    assert line((8, 4, None))["order_packs"] == 2, "11 missing, packs of 10"


def test_loose_units_and_packs_on_order_count():
    found = line((3, 5, None), on_order=2)
    assert (found["on_hand_units"], found["on_order_units"], found["position_units"]) == (35, 20, 55)
    assert found["order_packs"] == 4, "95 - 35 - 20 = 40"


def test_an_order_that_should_have_come_long_ago_is_not_counted_on():
    found = line((3, 5, None), on_order=2, since=DAY - timedelta(days=10))
    assert found["on_order_units"] == 0
    assert found["order_packs"] == 6


def test_packs_are_those_of_the_catalogue_today():
    found = line((3, 5, None), pack=36)
    assert (found["pack"], found["order_packs"], found["order_units"]) == (36, 2, 72)


@given(st.integers(0, 200), st.integers(0, 200), st.integers(1, 60))
def test_the_least_packs_that_reach_the_level(level, position, pack):
    found = packs_to_level(level, position, pack)
    assert position + found * pack >= level or position >= level
    assert found == 0 or position + (found - 1) * pack < level
    assert position + found * pack <= max(position, level + pack - 1)


def test_stock_out_of_date_is_not_cover():
    now = standing(book((4, 0, -1), (3, 0, None)))
    order = make_order(plan(), now, catalogue())
    assert order.lines.iloc[0]["cover_units"] == 30
    assert order.lines.iloc[0]["order_packs"] == 7
    assert order.ledger.iloc[0]["advice"].startswith("Out of date")


def test_stock_that_spoils_within_the_interval_is_cover_only_as_far_as_it_is_used():
    order = make_order(plan(), standing(book((3, 0, 4), (2, 0, 300))), catalogue())
    first = order.ledger.iloc[0]
    assert first["used_units"] == 20, "5 a day for 4 days"
    assert first["spoils_units"] == 10
    assert order.lines.iloc[0]["cover_units"] == 40


def test_days_of_cover_never_count_what_goes_out_of_date_before_it_is_used():
    assert line((3, 0, 4), (2, 0, 300))["lasts_days"] == 8.0, "20 + 20 of 50 are used, 5 a day"
    assert days_of_cover([Lot(500, DAY + timedelta(days=24))], DAY, 1.0) == 24.0


def test_what_may_run_out_before_the_order_comes_is_urgent():
    assert line((1, 4, None))["urgent"]
    assert not line((1, 5, None))["urgent"]


def test_emergency_equipment_stands_before_all_that_is_urgent_and_the_rest_in_the_order_of_the_shelf():
    """A list that names the first six of what may run out named tape and gloves, and no mask of which none was left."""
    stands = {"gauze": (0, False), "bag": (95, True), "mask": (0, True), "tape": (95, False), "spare": (1, True)}
    levels = tuple(replace(SALINE, item=item, critical=critical) for item, (_, critical) in stands.items())
    lines = [Line("counts", DAY, "counted", item, 1, units, 0, number="1") for item, (units, _) in stands.items()]
    found = make_order(RoundPlan("USD", 7, 2, levels), standing(OrderBook().grown(lines, "P")), catalogue()).lines
    assert list(found["item"]) == ["mask", "spare", "gauze", "bag", "tape"]
    assert list(found["urgent"]) == [True, True, True, False, False]


@pytest.mark.parametrize(("orders", "floor", "under", "of", "days"), [
    ([], 0, 100, "", 16), ([(-12, 50)], 0, 50, "", 16), ([(-12, 90)], 0, 42, "1", 4), ([(-12, 90)], 60, 60, "1", 4),
    ([(-15, 90)], 0, 19, "1", 1), ([(-16, 90)], 0, 100, "", 16), ([(-20, 90)], 0, 100, "", 16),
    ([(-12, 20), (-7, 90)], 0, 49, "2", 9), ([(0, 90)], 0, 100, "1", 16),
])
def test_what_is_on_order_and_comes_in_time_makes_no_line_urgent(orders, floor, under, of, days):
    """2 a day, 16 days from order to shelf, 32 on the mean and 100 with the chance asked for: 68 beyond the mean.

    4 days may need 8 + 68 / 2 = 42, one day 2 + 17 = 19, nine days 18 + 51 = 69, of which 20 have come by then. What
    should be here today and is not may be late: it is not waited for.
    """
    level = replace(SALINE, use_per_day=2.0, urgent_units=100, floor_units=floor)
    slow = RoundPlan("USD", 3, 16, (level,))
    lines = [Line("orders", DAY + timedelta(days=day), "ordered", "saline", 1, units, number=str(k))
             for k, (day, units) in enumerate(orders, 1)]
    now = standing(OrderBook().grown([*book((0, under - 1, None)).lines, *lines], "P"))
    assert urgent_under(level, slow, now, DAY) == (under, of, days)
    found = make_order(slow, now, catalogue()).lines.iloc[0]
    named, day = f"order {of}" if of else "the order", DAY + timedelta(days=days)
    assert found["urgent"]
    assert found["because"].startswith(
        f"URGENT: fewer than the {under} that may be needed before {named} arrives ({day.isoformat()}); ")


def test_an_item_that_the_catalogue_no_longer_has_is_not_ordered_by_a_plan_that_still_knows_it():
    now = standing(book((1, 0, None)))
    found = make_order(plan(), now, Catalogue({}, {}, {}, {}, frozenset()))
    assert found.wanted == {}
    assert found.lines.iloc[0]["because"].endswith(
        "on the shelf 10, items.csv has no such item any more, so none is ordered: plan again")
    assert found.lines.iloc[0]["urgent"], "it may run out all the same"


def test_kits_are_built_of_what_is_not_needed_before_the_next_delivery():
    """69 on the shelf, of which 42 may be needed in the 4 days until order 1 arrives: 27 for kits of 10."""
    level = replace(SALINE, use_per_day=2.0, urgent_units=100)
    slow = RoundPlan("USD", 3, 16, (level,), {"A": {"saline": 10}}, {"A": 5})
    coming = Line("orders", DAY - timedelta(days=12), "ordered", "saline", 10, 9, number="1")
    made = OrderBook().grown([*book((6, 9, None)).lines, coming], "P")
    assert [b.build for b in plan_builds(slow, standing(made), made, DAY)] == [2]


def test_a_line_that_the_last_count_left_blank_orders_nothing_and_emergency_equipment_is_urgent():
    lines = [Line("counts", DAY, "counted", "saline", 10, 0, 0, number="1"),
             Line("counts", DAY + timedelta(days=7), "counted", "other", 1, 1, number="2")]
    now = standing(OrderBook().grown(lines, "P"))
    for critical in (False, True):
        found = make_order(plan(critical=critical), now, catalogue()).lines.iloc[0]
        assert found["order_packs"] == 0
        assert found["urgent"] == critical
        assert "not counted" in found["because"]


def used_at_best(units, days_left, per_day):
    """Most that can be used before the dates, by trying every way of taking whole units day by day."""
    best = 0
    days = range(max(days_left) + 1)
    for order in product(range(len(units)), repeat=len(days) * per_day):
        held, used = list(units), 0
        for k, lot in enumerate(order):
            if held[lot] and days_left[lot] > k // per_day:
                held[lot] -= 1
                used += 1
        best = max(best, used)
    return best


@pytest.mark.parametrize(("units", "days"), [((2, 2), (1, 3)), ((1, 3), (2, 2)), ((3, 1, 2), (1, 2, 3)),
                                             ((4, 1), (2, 1)),
                                             ((1, 1, 1), (3, 1, 2)), ((2, 3), (0, 3))])
def test_first_expired_first_out_uses_as_much_as_any_order_of_taking(units, days):
    """First expired first out loses least: checked against every possible order of taking (exhaustive)."""
    order = np.argsort(days, kind="stable")
    found = first_expired_first_out(np.array(units)[order], np.array(days, dtype=float)[order], 1.0)
    assert found.sum() == used_at_best(units, days, 1)


def test_the_order_point_is_the_quantile_of_the_lead_time():
    """Poisson quantiles at 0.95, 0.98 and 0.99 of mean 12.4: 18, 20, 21 (standard tables, by scipy here)."""
    u = (np.arange(20_000) + 0.5) / 20_000
    units = poisson.ppf(u, 12.4).astype(int)[:, None]
    assert [int(order_point(units, r)[0]) for r in (0.95, 0.98, 0.99)] == [18, 20, 21]


@given(st.lists(st.integers(0, 50), min_size=1, max_size=40), st.floats(0.01, 0.99))
def test_it_suffices_in_the_asked_share_of_lead_times_and_one_less_does_not(values, readiness):
    units = np.array(values)[:, None]
    found = int(order_point(units, readiness)[0])
    assert (units <= found).mean() >= readiness - 1e-9
    assert (units <= found - 1).mean() < readiness


def levels_of(unit, par_units):
    items = unit.items
    return pd.DataFrame({"item": items["item"], "description": items["description"], "pack": items["pack"].astype(int),
                         "par_units": par_units, "expected_units": 9.0})


@pytest.mark.parametrize(("lead", "level", "least"), [(0, 40, 2), (7, 40, 7), (90, 40, 40)])
def test_the_urgent_level_lies_between_the_minimum_stock_and_the_level(small_unit, lead, level, least):
    need = np.full(len(small_unit.items), lead)
    found = round_plan_of(small_unit, levels_of(small_unit, level), need, None).level
    assert found["mask-42"].urgent_units == least
    assert found["saline-5"].urgent_units == min(lead, level)
    assert [x.bin for x in found.values()] == sorted(x.bin for x in found.values())


# -- what an order line says ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rows", "changes", "said"), [
    (((9, 5, None),), {}, "on the shelf 95, 95 is not under 95: nothing to order"),
    (((8, 4, None),), {}, "on the shelf 84, 84 is under 95, so 2 x 10"),
    (((3, 5, None),), {"on_order": 2}, "on the shelf 35, on order 20, 55 is under 95, so 4 x 10"),
    (((4, 0, -1), (3, 0, None)), {}, "on the shelf 70, of which 40 out of date before use, 30 is under 95, so 7 x 10"),
    (((1, 4, None),), {}, "URGENT: fewer than the 15 that may be needed before the order arrives (2026-07-03); on the "
                          "shelf 14, 14 is under 95, so 9 x 10"),
])
def test_a_line_says_what_is_there_what_comes_and_why_so_many(rows, changes, said):
    assert line(*rows, **changes)["because"] == said


def test_single_items_are_ordered_as_such():
    found = line((9, 0, None), pack=1)
    assert found["because"] == "on the shelf 90, 90 is under 95, so 5"
    assert (found["order_packs"], found["order_units"], found["value"]) == (5, 5, 25.0)


def ordered(*rows, on_order=0, **changes):
    now = standing(book(*rows, on_order=on_order))
    return make_order(plan(), now, catalogue(), **changes).lines.iloc[0]


def test_what_cannot_be_had_is_not_ordered_and_a_back_order_asks_for_more():
    gone = ordered((3, 5, None), unavailable=("saline",))
    assert (gone["order_packs"], gone["because"]) == (0, "on the shelf 35, cannot be had now")
    asked = ordered((3, 5, None), in_place={"saline": 9})
    assert (asked["order_packs"], asked["value"]) == (9, 45.0)
    assert asked["because"] == "on the shelf 35, back order asks for 9 packs, 35 is under 95, so 9 x 10"
    coming = ordered((3, 5, None), on_order=5, in_place={"saline": 9})
    assert coming["order_packs"] == 4, "fifty are on order: forty more"
    fewer = ordered((3, 5, None), in_place={"saline": 1})
    assert fewer["order_packs"] == 6, "the level asks for more"
    assert "asks for 1 pack," in fewer["because"]


def test_a_line_not_counted_waits_but_for_what_a_back_order_asks():
    lines = [Line("counts", DAY, "counted", "saline", 10, 2, 0, number="1"),
             Line("counts", DAY + timedelta(days=7), "counted", "other", 1, 1, number="2")]
    now = standing(OrderBook().grown(lines, "P"))
    found = make_order(plan(), now, catalogue(), in_place={"saline": 3}).lines.iloc[0]
    assert (found["order_packs"], bool(found["urgent"])) == (3, True)
    assert found["because"] == "not counted: count it; a back order asks for 3 packs"
    with pytest.raises(ValueError, match="nothing was counted yet"):
        make_order(plan(), standing(OrderBook()), catalogue())


def test_what_came_is_expected_before_it_was_ever_counted():
    came = Line("deliveries", DAY, "received", "other", 10, 3)
    now = standing(book((2, 5, None)).grown([came], "P"))
    assert (now.expects("saline"), now.expects("other"), now.expects("third")) == (25, 30, None)


def test_kits_that_stand_ready_are_in_the_position():
    kits = [Line("kits", DAY, "built", "saline", 10, 0, 6, number="A-1", design="A")]
    now = standing(book((9, 5, None)).grown(kits, "P"))
    found = make_order(plan(), now, catalogue()).lines.iloc[0]
    assert (found["on_hand_units"], found["in_kits_units"], found["position_units"]) == (89, 6, 95)
    assert found["because"] == "on the shelf 89, in kits 6, 95 is not under 95: nothing to order"


def test_kits_that_stand_ready_last_too_until_an_order_comes():
    """Nine loose and six in a kit are fifteen, as many as one may need; nine alone would be urgent."""
    kits = [Line("kits", DAY, "built", "saline", 10, 0, 6, number="A-1", design="A")]
    count = OrderBook().grown([Line("counts", DAY, "counted", "saline", 10, 1, 5, None, "", DAY.isoformat())], "P")
    found = make_order(plan(), standing(count.grown(kits, "P")), catalogue()).lines.iloc[0]
    assert (found["on_hand_units"], found["in_kits_units"], bool(found["urgent"])) == (9, 6, False)
    assert found["lasts_days"] == 3.0, "fifteen, 5 a day"
    more = make_order(plan(urgent_units=16), standing(count.grown(kits, "P")), catalogue())
    assert bool(more.lines["urgent"].iloc[0])


@pytest.mark.parametrize(("units", "days", "advice"), [
    (20, None, ""), (20, 300, ""), (20, -1, "Out of date: take it off the shelf"), (20, 4, "Use first"),
    (1, -1, "Out of date: take it off the shelf"), (1, 4, "Use first"),
    (24, 4, "Use first: at the usual pace 4 of 24 will not be used by its date"),
    (30, 4, "Use first: at the usual pace 10 of 30 will not be used by its date (1 whole pack: offer to another "
            "unit)"),
    (45, 4, "Use first: at the usual pace 25 of 45 will not be used by its date (2 whole packs: offer to another "
            "unit)"),
])
def test_a_lot_is_told_to_be_used_first_offered_or_taken_off(units, days, advice):
    """Five a day; an interval of nine days."""
    ledger = make_order(plan(), standing(book((0, units, days))), catalogue()).ledger
    assert ledger["advice"].tolist() == [advice]


def test_of_a_lot_what_lasts_to_the_end_of_the_interval_or_of_the_lead_time_is_cover():
    """Dates in 1, 2, 8 and 9 days; lots of thirty at five a day: 5, 5, 30 and 5 of them are used, first dates first."""
    ledger = make_order(plan(), standing(book((3, 0, 1), (3, 0, 2), (3, 0, 8), (3, 0, 9))), catalogue()).ledger
    assert ledger["used_units"].tolist() == [5, 5, 30, 5]
    assert ledger["spoils_units"].tolist() == [25, 25, 0, 25]
    assert ledger["cover_units"].tolist() == [5, 5, 30, 30]
    assert ledger["lead_units"].tolist() == [5, 30, 30, 30]


@pytest.mark.parametrize(("days", "advice", "cover"), [
    (300, "", 20), (4, "Use first: at the usual pace 20 of 20 will not be used by its date (2 whole packs: offer to "
                       "another unit)", 0),
])
def test_what_is_held_and_never_used_is_cover_until_its_date_comes_near(days, advice, cover):
    ledger = make_order(plan(use_per_day=0.0), standing(book((0, 20, days))), catalogue()).ledger
    assert (ledger["advice"].tolist(), ledger["cover_units"].tolist()) == ([advice], [cover])
