"""The order book added up by hand, line by line: where every single item went, of which lot, and what is to come."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from kitplan.demand.rate_from_use import Use
from kitplan.parts.orders.ledger import Kit, Lot, OpenOrder, Spell, merged, standing, uses_of
from kitplan.read.order_book import Line, OrderBook

DAY = date(2026, 7, 1)
SOON, LATE = date(2026, 9, 1), date(2027, 3, 1)


def on(day):
    return DAY + timedelta(days=day)


def counted(units, day=0, item="gauze", lot="", expires=None, number=None):
    return Line("counts", on(day), "counted", item, 1, 0, units, expires, lot, number or f"c{day}")


def received(units, day, order="O1", item="gauze", lot="", expires=None):
    return Line("deliveries", on(day), "received", item, 1, 0, units, expires, lot, order)


def out(units, day, event="discarded", item="gauze", lot="", expires=None):
    return Line("deliveries", on(day), event, item, 1, 0, units, expires, lot)


def ordered(units, day, order="O1", item="gauze", pack=10, event="ordered"):
    return Line("orders", on(day), event, item, pack, 0, units, None, "", order)


def built(number, units, day, item="gauze", lot="", expires=None):
    return Line("kits", on(day), "built", item, 1, 0, units, expires, lot, number, "A")


def kit(number, event, day, units=0, item=""):
    return Line("kits", on(day), event, item, 1, 0, units, None, "", number, "A")


def added(*lines, until=None):
    return standing(OrderBook().grown(lines, "P"), until)


def shelf(now, item="gauze"):
    return [(x.units, x.expires, x.lot) for x in now.shelf[item]]


# -- counts ---------------------------------------------------------------------------------------------------------


def test_what_a_count_misses_was_used():
    """Twenty counted, ten received, three thrown away, a week later 21 are there: six were used."""
    now = added(counted(20), received(10, 2), out(3, 5), counted(21, 7))
    assert now.spells == (Spell("gauze", on(0), on(7), 20, 10, 0, 3, 21, 0),)
    assert (now.spells[0].used, now.spells[0].days) == (6, 7)
    assert now.expected["gauze"] == 21
    assert now.expected["gauze"] == 21
    assert (now.counted, now.last_count, now.day) == ({"gauze": on(7)}, on(7), on(7))
    assert uses_of(now) == [Use("gauze", 6, 7)]


def test_an_answer_stands_where_its_question_stood_among_the_lines_of_the_day():
    """A delivery that was asked about came before the count of that day, as one that was believed at once: answered
    later, it was on the shelf beside what was counted. A count that was asked about was made before three went into
    a kit that day: answered later, they never left.
    """
    asked = replace(received(40, 7), event="asked")
    there = added(counted(50), asked, counted(48, 7), replace(received(40, 7), answers=2))
    assert there.expected == added(counted(50), received(40, 7), counted(48, 7)).expected == {"gauze": 48}
    doubted = replace(counted(90, 7), event="asked")
    left = added(counted(20), doubted, built("A-1", 3, 7), replace(counted(90, 7), answers=2))
    assert (left.expected["gauze"], left.in_kits("gauze")) == (87, 3)


def test_what_came_before_the_first_count_is_no_part_of_it():
    """Five received and two thrown away, then ten counted: use is reckoned from the ten."""
    now = added(received(5, 0), out(2, 1), counted(10, 3))
    assert (now.last["gauze"], now.expected["gauze"]) == (10, 10)
    assert now.spells == ()


def test_more_than_could_be_there_is_negative_use():
    now = added(counted(20), counted(23, 7))
    assert now.spells[0].used == -3
    assert now.expected["gauze"] == 23


def test_a_second_count_of_a_day_takes_the_place_of_the_first():
    """Fourteen, no, fifteen after a week; the same on the first day."""
    now = added(counted(20), counted(14, 7, number="c7"), counted(15, 7, number="c7b"))
    assert [s.used for s in now.spells] == [5]
    assert now.expected["gauze"] == 15
    first = added(counted(20, number="c0"), counted(18, 0, number="c0b"), counted(10, 7))
    assert [s.used for s in first.spells] == [8]
    between = added(counted(20), received(4, 7), counted(14, 7, number="c"), received(5, 7), counted(20, 7, number="d"))
    assert between.spells == (Spell("gauze", on(0), on(7), 20, 9, 0, 0, 20, 0),)
    assert between.expected["gauze"] == 20


def test_lines_of_one_count_are_one_fact_and_days_decide_not_the_order_of_writing():
    """Two lots of one count; a delivery typed in late falls into its day."""
    now = added(counted(20), counted(6, 7, lot="L1", expires=SOON), counted(8, 7, lot="L2", expires=LATE),
                received(10, 3))
    assert shelf(now) == [(6, SOON, "L1"), (8, LATE, "L2")]
    assert now.spells[0].used == 16
    assert added(counted(20), counted(14, 7), until=on(6)).expected == {"gauze": 20}


def test_each_item_is_counted_by_itself():
    now = added(counted(20), counted(5, item="mask"), received(3, 2, item="mask"), counted(8, 7), counted(6, 8, "mask"))
    assert {s.item: (s.used, s.days) for s in now.spells} == {"gauze": (12, 7), "mask": (2, 8)}


# -- lots -----------------------------------------------------------------------------------------------------------


def test_lots_stand_first_expired_first_one_entry_each_and_undated_last():
    found = merged([Lot(2, LATE, "B"), Lot(1, None, ""), Lot(3, SOON, "A"), Lot(4, LATE, "B"), Lot(0, SOON, "C"),
                    Lot(1, SOON, "0")])
    assert found == [Lot(1, SOON, "0"), Lot(3, SOON, "A"), Lot(6, LATE, "B"), Lot(1, None, "")]


def test_what_is_taken_out_is_of_the_lot_named_else_of_the_first_to_expire():
    stock = (counted(5, lot="L1", expires=SOON), counted(7, lot="L2", expires=LATE))
    assert shelf(added(*stock, out(6, 1))) == [(6, LATE, "L2")]
    assert shelf(added(*stock, out(6, 1, lot="L2"))) == [(5, SOON, "L1"), (1, LATE, "L2")]
    assert shelf(added(*stock, out(2, 1, expires=LATE))) == [(5, SOON, "L1"), (5, LATE, "L2")]
    assert shelf(added(*stock, out(8, 1, lot="L2"))) == [(4, SOON, "L1")], "what the lot lacks is of the next"
    assert added(*stock, out(8, 1, lot="L2")).expected["gauze"] == 4


def test_a_kit_that_names_no_lot_is_of_the_first_that_is_in_date_what_is_thrown_away_of_the_first_to_expire():
    there = [counted(4, 0, lot="OLD", expires=on(3)), counted(5, 0, lot="NEXT", expires=SOON),
             counted(5, 0, lot="LAST", expires=LATE)]
    now = added(*there, built("A-1", 6, 5))
    assert [(x.lot, x.units) for x in now.kits["A-1"].contents[0][1]] == [("NEXT", 5), ("LAST", 1)]
    assert shelf(now) == [(4, on(3), "OLD"), (4, LATE, "LAST")]
    assert shelf(added(*there, out(4, 5, "thrown_away"))) == [(5, SOON, "NEXT"), (5, LATE, "LAST")]
    assert shelf(added(*there, built("A-1", 3, 3)))[0] == (1, on(3), "OLD"), "on the day itself it is in date"


def test_more_taken_out_than_is_known_is_owed_and_the_next_delivery_pays_it():
    now = added(counted(3), out(5, 1), received(10, 2, lot="L1", expires=SOON))
    assert now.expected["gauze"] == 8
    assert shelf(now) == [(8, SOON, "L1")]
    none = added(counted(3), out(5, 1), received(1, 2))
    assert (none.expected["gauze"], shelf(none)) == (-1, [])


def test_a_count_without_lots_is_of_those_that_would_be_left_last():
    """Five of a lot that expires soon and seven of a later one: of eight left seven are the later and one the first."""
    now = added(counted(5, lot="L1", expires=SOON), counted(7, lot="L2", expires=LATE), counted(8, 7))
    assert shelf(now) == [(1, SOON, "L1"), (7, LATE, "L2")]
    more = added(counted(5, lot="L1", expires=SOON), counted(7, lot="L2", expires=LATE), counted(14, 7))
    assert shelf(more) == [(5, SOON, "L1"), (7, LATE, "L2"), (2, None, "")]


def test_a_count_that_names_a_lot_is_believed_and_the_rest_is_of_the_others():
    """Six of the later lot named and four without: they are of the first lot, as many as it has."""
    now = added(counted(5, lot="L1", expires=SOON), counted(7, lot="L2", expires=LATE),
                counted(6, 7, lot="L2", expires=LATE), counted(4, 7))
    assert shelf(now) == [(4, SOON, "L1"), (6, LATE, "L2")]


def test_a_delivery_typed_after_the_count_that_found_it_stands_on_the_shelf_once():
    """Thirty counted, a week later 36, and then it is typed that ten came that day: four were used, 36 are there."""
    late = received(10, 7, lot="L2", expires=LATE)
    now = added(counted(30, lot="L1", expires=SOON), ordered(10, 2), counted(36, 7), late)
    assert (now.expected["gauze"], shelf(now)) == (36, [(26, SOON, "L1"), (10, LATE, "L2")])
    assert ([s.used for s in now.spells], now.open, now.found) == ([4], (), (4,))
    after = added(counted(30, lot="L1", expires=SOON), counted(28, 7), late)
    assert (after.expected["gauze"], after.spells[0].used, after.found) == (38, 2, ()), "it may have come after"
    both = added(counted(30), counted(36, 7), received(10, 7), received(10, 7))
    assert (both.expected["gauze"], both.found) == (46, (3,)), "one of two explains the count"


@pytest.mark.parametrize(("units", "lot", "there"), [
    (11, "", [(4, SOON, "L1"), (7, LATE, "L2")]), (11, "L1", [(4, SOON, "L1"), (7, LATE, "L2")]),
    (14, "", [(7, SOON, "L1"), (7, LATE, "L2")]), (3, "", [(1, SOON, "L1"), (2, LATE, "L2")]),
    (8, "L9", [(1, SOON, "L9"), (7, LATE, "L2")]), (0, "", []),
])
def test_the_first_date_beside_a_count_keeps_the_later_lots_that_are_known(units, lot, there):
    """Count asks for the first date on the shelf: dated so altogether, a recall would not find the later lot."""
    now = added(counted(5, lot="L1", expires=SOON), counted(7, lot="L2", expires=LATE),
                counted(units, 7, lot=lot, expires=SOON))
    assert shelf(now) == there
    assert now.expected["gauze"] == units


# -- orders ---------------------------------------------------------------------------------------------------------


def test_what_is_to_come_is_what_was_ordered_less_what_came_and_what_will_not():
    now = added(counted(0), ordered(50, 0), received(20, 3), ordered(10, 4, event="cancelled"))
    assert now.open == (OpenOrder("O1", "gauze", on(0), 10, 20),)
    assert now.open[0].packs == 2
    assert added(counted(0), ordered(50, 0), received(25, 3)).open[0].packs == 3, "a begun pack is whole"
    assert added(counted(0), ordered(50, 0), received(60, 3)).open == ()
    assert added(counted(0), ordered(50, 0), ordered(60, 4, event="cancelled")).open == ()


def test_a_delivery_of_no_order_comes_off_none_and_of_another_item_neither():
    now = added(counted(0), ordered(50, 0), received(20, 3, order=""), received(20, 3, item="mask"))
    assert now.to_come("gauze") == 50
    assert now.expected == {"gauze": 20, "mask": 20}


def test_orders_add_up_by_item():
    now = added(ordered(50, 0), ordered(30, 7, order="O2"), ordered(9, 7, order="O2", item="mask"))
    assert [now.to_come("gauze"), now.to_come("mask")] == [80, 9]


# -- kits -----------------------------------------------------------------------------------------------------------


def test_a_kit_takes_its_items_off_the_shelf_with_their_lots():
    now = added(counted(20, lot="L1", expires=SOON), counted(4, item="mask"), built("A-1", 3, 1),
                built("A-1", 1, 1, item="mask"))
    assert now.kits["A-1"] == Kit("A-1", "A", on(1), "shelf", (("gauze", (Lot(3, SOON, "L1"),)), ("mask", (Lot(1),))))
    assert now.kits["A-1"].first_expiry == SOON
    assert (now.kits["A-1"].units("gauze"), now.kits["A-1"].units("mask")) == (3, 1)
    assert now.expected == {"gauze": 17, "mask": 3}
    assert now.expected["gauze"] == 17
    assert now.in_kits("gauze") == 3


def test_what_goes_into_kits_is_no_use_and_what_goes_to_bedsides_is_issued():
    """Two kits of three built, one goes to a bedside; ten of twenty are counted: four were used loose, three issued."""
    now = added(counted(20), built("A-1", 3, 1), built("A-2", 3, 1), kit("A-1", "to_bedside", 2), counted(10, 7))
    (spell,) = now.spells
    assert (spell.to_kits, spell.issued, spell.used) == (6, 3, 4)
    assert uses_of(now) == [Use("gauze", 7, 7)]
    assert now.expected["gauze"] == 10


def test_a_kit_that_comes_back_is_issued_no_more_and_told_twice_it_goes_once():
    there = (counted(20), built("A-1", 3, 1), kit("A-1", "to_bedside", 2))
    assert added(*there, kit("A-1", "to_bedside", 3), counted(17, 7)).spells[0].issued == 3
    back = added(*there, kit("A-1", "back", 3), counted(17, 7))
    assert (back.spells[0].issued, back.kits["A-1"].where) == (0, "shelf")


@pytest.mark.parametrize(("event", "on_shelf"), [("used_up", 17), ("thrown_away", 17), ("taken_apart", 20)])
@pytest.mark.parametrize("where", ["shelf", "bedside"])
def test_the_end_of_a_kit_is_use_loss_or_the_shelf(event, on_shelf, where):
    there = [kit("A-1", "to_bedside", 2)] if where == "bedside" else []
    now = added(counted(20), built("A-1", 3, 1), *there, kit("A-1", event, 3), counted(on_shelf, 7))
    assert now.expected["gauze"] == now.last["gauze"] == on_shelf
    assert now.kits["A-1"].where == "gone"
    assert now.kits_at("shelf") == now.kits_at("bedside") == []
    (spell,) = now.spells
    assert spell.used == 0
    assert spell.to_kits == (0 if event == "taken_apart" else 3)
    issued = {"used_up": 3, "thrown_away": 3 if where == "bedside" else 0, "taken_apart": 0}
    assert spell.issued == issued[event]


def test_a_kit_that_is_gone_does_nothing_more():
    now = added(counted(20), built("A-1", 3, 1), kit("A-1", "used_up", 2), kit("A-1", "taken_apart", 3))
    assert now.expected["gauze"] == 17
    assert added(counted(20), kit("A-9", "used_up", 2)).kits == {}


def test_a_refill_puts_fresh_items_in_place_of_the_oldest_used():
    """Three in the kit of a lot; two refilled of another: one of the first and two fresh ones, two used, two issued."""
    now = added(counted(3, lot="L1", expires=SOON), counted(17, lot="L2", expires=LATE), built("A-1", 3, 1),
                kit("A-1", "to_bedside", 2), kit("A-1", "refilled", 3, 2, "gauze"), counted(15, 7))
    assert now.kits["A-1"].contents == (("gauze", (Lot(1, SOON, "L1"),)), ("gauze", (Lot(2, LATE, "L2"),)))
    assert now.kits["A-1"].units("gauze") == 3
    assert now.expected["gauze"] == 15
    (spell,) = now.spells
    assert (spell.to_kits, spell.issued, spell.used) == (5, 5, 0)


def test_a_refill_touches_the_other_items_of_a_kit_not_at_all_and_more_than_it_had_is_added():
    now = added(counted(20), counted(4, item="mask"), built("A-1", 1, 1), built("A-1", 2, 1, item="mask"),
                kit("A-1", "refilled", 3, 2, "gauze"))
    assert now.kits["A-1"].units("mask") == 2
    assert now.kits["A-1"].units("gauze") == 2
    assert now.expected["gauze"] == 17


def test_kits_stand_by_their_first_date_then_the_day_they_were_built():
    now = added(counted(9, lot="L1", expires=LATE), counted(9, item="mask", lot="M", expires=SOON),
                counted(9, item="tie"), built("A-3", 1, 1), built("A-2", 1, 2, item="mask"),
                built("A-1", 1, 1, item="tie"), built("A-0", 1, 2, item="tie"))
    assert [k.number for k in now.kits_at("shelf")] == ["A-2", "A-3", "A-1", "A-0"]
    assert now.kits_at("shelf", "B") == []
    assert len(now.kits_at("shelf", "A")) == 4
    assert now.kits["A-1"].first_expiry is None


def test_a_question_is_open_until_it_is_answered():
    asked = Line("counts", on(1), "asked", "gauze", 1, 0, 90)
    now = added(counted(20), asked)
    assert [line.event for line in now.asked] == ["asked"]
    assert now.expected["gauze"] == 20, "and counts for nothing"
    book = OrderBook().grown([counted(20), asked], "P")
    entry = next(line.entry for line in book.lines if line.event == "asked")
    answer = replace(Line("counts", on(2), "withdrawn", "gauze", 1, 0, 0), answers=entry)
    assert standing(book.grown([answer], "P")).asked == ()
    assert added().last_count is None
    assert added().day is None


def test_a_later_count_of_the_item_closes_the_question_of_an_earlier_one():
    asked = Line("counts", on(1), "asked", "gauze", 1, 0, 90)
    assert added(asked, counted(20, 2)).asked == ()
    assert added(asked, counted(20, 1)).asked == (), "counted again on the same day"
    assert len(added(asked, counted(20, 2, item="mask")).asked) == 1, "a count of another item says nothing of it"
    came = replace(asked, table="deliveries")
    assert len(added(came, counted(20, 2)).asked) == 1, "whether it came is not settled by what lies there"


def test_two_deliveries_between_counts_add_up():
    now = added(counted(20), received(4, 2), received(5, 3), out(1, 4), out(2, 5), counted(20, 7))
    (spell,) = now.spells
    assert (spell.received, spell.out, spell.used) == (9, 3, 6)
