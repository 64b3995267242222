"""The steps of a week by hand: what is received, counted, answered and really ordered, and what is asked about it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from openpyxl import Workbook

from kitplan.parts.orders.build import built, plan_builds
from kitplan.parts.orders.ledger import standing
from kitplan.parts.orders.model import WeeklyRound, also_counted, shelf_notes
from kitplan.parts.orders.ordering import make_order, overdue
from kitplan.parts.orders.prints import count_sheet
from kitplan.parts.orders.questions import questions
from kitplan.parts.orders.recall import find_recall, recall_lines
from kitplan.parts.orders.round_command import find_unit
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan, round_plan_of
from kitplan.parts.orders.steps import (
    aliases,
    amend_orders,
    answer,
    count,
    first_count,
    order_lines,
    receive,
    to_class,
)
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.problems import InputError
from kitplan.read.round_sheets import RoundSheets, Row
from tests.parts.typed_rows import answered, bought, came, kit_row, kits_seen, seen

DAY = date(2026, 7, 1)
GAUZE = Level("gauze", "Gauze", "A1", 10, 2.0, 40, 4, 2.0, False)
MASK = Level("mask", "Mask", "A2", 1, 9.0, 6, 1, 0.1, True)
PLAN = RoundPlan("USD", 7, 2, (GAUZE, MASK), {"A": {"gauze": 3, "mask": 1}}, {"A": 4})
CATALOGUE = Catalogue({"gauze": 10, "mask": 1, "ties": 5}, {"gauze": 2.0, "mask": 9.0, "ties": 1.0},
                      dict.fromkeys(("gauze", "mask", "ties"), "x"), dict.fromkeys(("gauze", "mask", "ties"), "A1"),
                      frozenset({"mask"}))
OTHER_PACK = replace(CATALOGUE, pack={"gauze": 12, "mask": 1, "ties": 5})


def on(days):
    return DAY + timedelta(days=days)


def counted(item, units, day=0, lot="", expires=None):
    return Line("counts", on(day), "counted", item, 1, 0, units, expires, lot, on(day).isoformat())


def ordered(item, packs, day=0, number="1", event="ordered"):
    return Line("orders", on(day), event, item, CATALOGUE.pack[item], packs, number=number, price=2.0)


def kit(number, day=0, event="built", lot="", expires=None):
    if event != "built":
        return [Line("kits", on(day), event, number=number, design="A")]
    return [Line("kits", on(day), "built", item, 1, 0, units, expires if item == "mask" else None,
                 lot if item == "mask" else "", number, "A") for item, units in (("gauze", 3), ("mask", 1))]


def book(*lines):
    return OrderBook().grown(lines, "P")


FULL = (counted("gauze", 40), counted("mask", 6))


def asked(*lines, plan=PLAN, catalogue=CATALOGUE):
    made = book(*lines)
    return questions(made, standing(made), plan, catalogue)


def said(found):
    return [q.question for q in found]


# -- questions ------------------------------------------------------------------------------------------------------


def test_where_everything_fits_nothing_is_asked():
    assert asked(*FULL) == ()
    assert asked() == ()


def test_emergency_equipment_that_the_last_count_left_out_is_asked_for():
    """Of what the list holds none, or what is no emergency equipment, nothing is asked."""
    (one,) = asked(*FULL, counted("gauze", 30, 7))
    assert (one.no, one.emergency, one.item) == (0, True, "mask")
    assert one.question == "Emergency equipment was not counted on 2026-07-08."
    none = replace(PLAN, levels=(GAUZE, replace(MASK, level_units=0)))
    assert asked(*FULL, counted("gauze", 30, 7), plan=none) == ()
    assert asked(*FULL, counted("mask", 6, 7)) == ()


def test_an_item_counted_less_than_a_review_ago_is_counted_and_several_left_out_are_one_question():
    """A line counted again the next day asks for no second count of all the others, and holds back no order."""
    assert asked(*FULL, counted("gauze", 30, 6)) == ()
    made = book(counted("gauze", 12), counted("mask", 6), counted("mask", 6, 1))
    assert make_order(PLAN, standing(made), CATALOGUE).wanted == {"gauze": 3}
    assert shelf_notes(PLAN, standing(made), (), CATALOGUE) == ()
    two = replace(PLAN, levels=(MASK, replace(MASK, item="bag"), GAUZE))
    (one,) = asked(*FULL, counted("gauze", 30, 7), plan=two)
    assert (one.item, one.question) == (
        "emergency equipment", "Emergency equipment was not counted on 2026-07-08: mask; bag.")


def test_emergency_equipment_whose_count_is_in_question_is_not_asked_for_a_second_time():
    doubted = replace(counted("mask", 60, 7), event="asked", note="60 of mask were counted where 6 were expected")
    (one,) = asked(*FULL, counted("gauze", 30, 7), doubted)
    assert (one.item, one.question) == ("mask", "2026-07-08: 60 of mask were counted where 6 were expected.")


def test_an_order_more_than_a_review_late_is_asked_about_from_the_next_day_on():
    """Seven days of review and two of delivery: on the ninth day it is not late yet, on the tenth it is."""
    def late(day):
        return asked(*FULL, ordered("gauze", 3), counted("gauze", 20, day), counted("mask", 6, day))

    assert late(9) == ()
    (one,) = late(10)
    assert (one.no, one.emergency, one.item) == (0, False, "gauze")
    assert one.question == "Order 1 of 2026-07-01 still waits for 3 packs. The order does not count on them."
    now = standing(book(ordered("gauze", 3), ordered("mask", 1, 1, "2")))
    assert [o.item for o in overdue(now, PLAN, on(10))] == ["gauze"]


def test_the_late_lines_of_one_order_are_one_question_and_emergency_equipment_among_them_shows():
    lines = ordered("gauze", 3), ordered("mask", 1), ordered("gauze", 2, 0, "2")
    first, second = asked(*FULL, *lines, counted("gauze", 20, 10), counted("mask", 6, 10))
    assert (first.item, first.emergency, second.item, second.emergency) == ("order 1", True, "gauze", False)
    assert first.question == ("Order 1 of 2026-07-01 still waits for gauze 3 packs; mask 1 pack. "
                              "The order does not count on them.")


def test_more_than_there_could_be_while_a_pack_is_on_order_may_be_a_delivery():
    """A pack of ten more than the last count: it may have come; nine more are no pack."""
    def more(units):
        return asked(counted("gauze", 20), counted("mask", 6), ordered("gauze", 2), counted("gauze", units, 7),
                     counted("mask", 6, 7))

    assert said(more(30)) == ["10 more than there could be, and order 1 is still open."]
    assert more(29) == ()
    assert asked(counted("gauze", 20), counted("mask", 6), counted("gauze", 30, 7), counted("mask", 6, 7)) == ()


def test_much_more_gone_than_the_plan_expects_is_asked_about():
    """Two a day, seven days: three times fourteen and a pack beyond are 52. 53 gone is a question, 52 is none."""
    def gone(units):
        return said(asked(counted("gauze", 100), counted("mask", 6), counted("gauze", 100 - units, 7),
                          counted("mask", 6, 7)))

    assert gone(53) == ["53 left the shelf since 2026-07-01, where the plan expects about 14."]
    assert gone(52) == []
    old = asked(counted("gauze", 100), counted("mask", 6), counted("gauze", 1, 7), counted("mask", 6, 7),
                counted("gauze", 1, 14), counted("mask", 6, 14))
    assert old == (), "what an older count found is past"
    later = asked(counted("gauze", 100), counted("mask", 6), counted("gauze", 90, 7), counted("mask", 6, 7),
                  counted("gauze", 30, 14), counted("mask", 6, 14))
    assert said(later) == ["60 left the shelf since 2026-07-08, where the plan expects about 14."]


def test_what_came_on_the_day_of_a_count_and_was_typed_after_it_is_asked_about():
    came = replace(counted("gauze", 10, 7), table="deliveries", event="received", number="1")
    count_of_day = (counted("gauze", 30, 7), counted("mask", 6, 7))
    (one,) = asked(*FULL, ordered("gauze", 1), *count_of_day, came)
    assert (one.no, one.emergency, one.item) == (0, False, "delivery")
    assert one.question == ("Typed in after the count of the same day, 2026-07-08, and so taken to have come after it: "
                            "gauze.")
    assert standing(book(*FULL, ordered("gauze", 1), *count_of_day, came)).expected["gauze"] == 40
    assert asked(*FULL, ordered("gauze", 1), came, *count_of_day) == (), "typed before: it was counted"
    again = counted("gauze", 30, 7)
    assert asked(*FULL, ordered("gauze", 1), *count_of_day, came, again) == (), "counted again: no doubt is left"
    assert asked(*FULL, *count_of_day, replace(came, item="mask"))[0].emergency
    found = (counted("gauze", 48, 7), counted("mask", 6, 7))
    assert asked(*FULL, ordered("gauze", 1), *found, came) == (), "the count held it: no doubt either"


def test_what_is_out_of_date_is_asked_off_the_shelf_and_kits_a_review_before():
    found = asked(counted("gauze", 40, lot="G", expires=on(-1)), counted("mask", 5, lot="M", expires=on(0)))
    assert said(found) == ["40 on the shelf are out of date."]
    assert (found[0].no, found[0].emergency) == (0, False)
    masks = asked(counted("gauze", 40), counted("mask", 6, lot="M", expires=on(-1)))
    assert (masks[0].emergency, masks[0].item) == (True, "mask")
    soon = asked(*FULL, *kit("A-1", lot="L", expires=on(7)), *kit("A-2", lot="L", expires=on(8)))
    assert [q.item for q in soon] == ["kit A-1"]
    assert soon[0].question == "Its first date is 2026-07-08 (it is on the shelf)."
    bedside = asked(*FULL, *kit("A-1", lot="L", expires=on(7)), *kit("A-1", 0, "to_bedside"))
    assert bedside[0].question == "Its first date is 2026-07-08 (it is on the ward, at a bedside)."
    assert asked(*FULL, *kit("A-1")) == (), "a kit without a date"


def test_a_kit_out_of_date_is_neither_stock_nor_ready():
    """Of three kits one is over since yesterday: its mask is no cover, and a kit is built in its place."""
    kits = [*kit("A-1", -9, lot="L", expires=on(-1)), *kit("A-2", -9, lot="M", expires=on(99)), *kit("A-3", -9)]
    made = book(counted("gauze", 49, -9), counted("mask", 5, -9), *kits, counted("gauze", 40), counted("mask", 2))
    now = standing(made)
    row = make_order(PLAN, now, CATALOGUE).lines.set_index("item").loc["mask"]
    assert (row["in_kits_units"], row["cover_units"], row["order_packs"]) == (3, 4, 2)
    assert "in kits 3, of which 1 out of date before use, 4 is under 6, so 2" in row["because"]
    (build,) = plan_builds(PLAN, now, made, DAY)
    assert (build.wanted, build.ready, build.build) == (4, 2, 2)
    assert said(questions(made, now, PLAN, CATALOGUE)) == ["It is OUT OF DATE since 2026-06-30 (it is on the shelf)."]


def test_more_kits_counted_than_the_book_has_are_asked_about():
    def kits_found(number):
        return Line("counts", DAY, "kits", "A", 1, number, number="k")

    assert said(asked(*FULL, *kit("A-1"), kits_found(2))) == ["2 kits A stood on the shelf where the book has 1."]
    (before,) = asked(*FULL, kits_found(1))
    assert before.question == "1 kit A stood on the shelf where the book has 0."
    assert "under Built, how many were built and never noted, with a day before this count" in before.mend
    noted = book(*FULL, kits_found(1), *kit("A-1", -1))
    assert questions(noted, standing(noted), PLAN, CATALOGUE) == ()
    assert standing(noted).expected == {"gauze": 40, "mask": 6}, "the shelf was counted without it"
    assert asked(*FULL, *kit("A-1"), kits_found(1)) == ()
    assert asked(*FULL, *kit("A-1"), kits_found(2), counted("gauze", 37, 7), counted("mask", 5, 7)) == ()


def test_a_kit_that_went_to_a_bedside_after_the_count_was_there_when_it_was_counted():
    """The sheet of the week is filled in once: kits are counted, and then carried to bedsides, on the same day."""
    found = Line("counts", DAY, "kits", "A", 1, 2, number="k")
    both = (*FULL, *kit("A-1"), *kit("A-2"), found)
    assert asked(*both, *kit("A-1", 0, "to_bedside")) == ()
    three = replace(found, packs=3)
    assert said(asked(*FULL, *kit("A-1"), *kit("A-2"), three, *kit("A-1", 0, "to_bedside"))) == [
        "3 kits A stood on the shelf where the book has 2."]
    assert asked(*FULL, *kit("A-1"), *kit("A-2"), three, *kit("A-3")) == (), "built, and noted after the count"


def test_an_item_that_the_catalogue_has_no_more_is_asked_about_while_it_lies_there():
    assert said(asked(*FULL, counted("caps", 7))) == [
        "7 are on the shelf, but items.csv has no such item any more."]
    assert asked(*FULL, counted("caps", 0)) == ()
    assert asked(*FULL, counted("ties", 7)) == ()


def test_lines_not_believed_carry_their_number_and_emergency_equipment_comes_first():
    """Of one count of an item one question; deliveries one each; those to answer before those to act on."""
    doubted = [replace(counted("gauze", 900, 7), event="asked", note="900 of gauze"),
               replace(counted("gauze", 1, 7), event="asked", note="again"),
               replace(counted("mask", 90, 7), event="asked", note="90 of mask")]
    found = asked(*FULL, *doubted)
    assert (found[0].item, found[0].emergency, found[0].no > 0) == ("mask", True, True)
    assert [q.item for q in found if q.no] == ["mask", "gauze"]
    assert found[0].question == "2026-07-08: 90 of mask."
    table = WeeklyRound(PLAN, standing(OrderBook()), questions=found).tables()["questions"]
    assert table["item"].tolist() == [q.item for q in found]
    assert table["no"].tolist() == [q.no or None for q in found]


# -- receive --------------------------------------------------------------------------------------------------------


FIVE = (counted("gauze", 5),)


def delivered(*rows, lines=FIVE, catalogue=CATALOGUE, day=2):
    return receive(RoundSheets("receive", {"receive": rows}), book(*lines), PLAN, catalogue, on(day))


def test_a_delivery_comes_off_the_oldest_order_that_waits_for_it():
    step = delivered(came(2, "", "gauze", 2, 3), lines=(ordered("gauze", 4, 1, "2"), ordered("gauze", 5)))
    (line,) = step.lines
    assert (line.event, line.number, line.pack, line.packs, line.loose, line.units) == ("received", "1", 10, 2, 3, 23)
    assert step.told == ("1 line of 2026-07-03 received.",)
    named = delivered(came(2, "2", "gauze", 2, 0), lines=(ordered("gauze", 4, 1, "2"), ordered("gauze", 5)))
    assert named.lines[0].number == "2"


@pytest.mark.parametrize(("days", "rows", "again"), [
    (2, [("gauze", 2, "G7"), ("mask", 1, "")], True), (2, [("gauze", 2, "G7")], True), (2, [("mask", 1, "")], False),
    (2, [("gauze", 2, "G8")], False), (2, [("gauze", 1, "G7")], False), (40, [("gauze", 2, "G7")], False),
    (2, [("gauze", 2, "G7"), ("mask", 2, "")], False),
])
def test_a_paper_typed_again_under_another_date_is_asked_about(days, rows, again):
    """It would stand on the shelf twice, and take an open order away with it."""
    def paper(lines):
        typed = tuple(came(k, "", i, n, 0, lot=lot) for k, (i, n, lot) in enumerate(lines))
        return RoundSheets("r", {"receive": typed})

    made = book(ordered("gauze", 9), ordered("mask", 9))
    first = receive(paper([("gauze", 2, "G7"), ("mask", 1, "")]), made, PLAN, CATALOGUE, DAY)
    assert {x.event for x in first.lines} == {"received"}
    second = receive(paper(rows), made.grown(first.lines, "P"), PLAN, CATALOGUE, on(days))
    assert {x.event for x in second.lines} == {"asked" if again else "received"}
    if again:
        assert second.lines[0].note == ("20 of gauze came; this looks like the paper of 2026-07-01 typed again, with "
                                        "the same items, numbers and lots")


def test_two_deliveries_alike_are_two_where_they_come_of_two_orders():
    """Two packs of each order on one day: the second is new, the same again of the first is not."""
    lines = (ordered("gauze", 2, number="1"), ordered("gauze", 2, number="2"))
    first = delivered(came(2, "1", "gauze", 2, 0), lines=lines)
    made = book(*lines).grown(first.lines, "P")
    for number, new in (("2", 1), ("1", 0)):
        sheet = RoundSheets("receive", {"receive": [came(2, number, "gauze", 2, 0)]})
        assert len(receive(sheet, made, PLAN, CATALOGUE, on(2)).lines) == new


@pytest.mark.parametrize(("row", "lines", "catalogue", "note"), [
    (came(2, "", "gauze", 2, 0), (), CATALOGUE, "20 of gauze came, but none is on order"),
    (came(2, "", "gauze", 4, 1), (ordered("gauze", 4),), CATALOGUE,
     "41 of gauze came where order 1 waits for 40"),
    (came(2, "", "gauze", 2, 0), (ordered("gauze", 4),), OTHER_PACK,
     "gauze was ordered in packs of 10, and items.csv now says 12; it was taken as 2 x 10 = 20"),
    (came(2, "", "gauze", 2, 0, expires=on(1)), (ordered("gauze", 4),), CATALOGUE,
     "gauze came with the date 2026-07-02, which is over"),
])
def test_a_delivery_that_contradicts_the_book_is_asked_about(row, lines, catalogue, note):
    (line,) = delivered(row, lines=lines, catalogue=catalogue).lines
    assert (line.event, line.note) == ("asked", note)


@pytest.mark.parametrize("row", [came(2, "", "gauze", 4, 0), came(2, "", "gauze", 2, 0, expires=on(2)),
                                 came(2, "", "gauze", 2, 0, pack=10)])
def test_a_delivery_that_fits_is_believed(row):
    assert delivered(row, lines=(ordered("gauze", 4),)).lines[0].event == "received"


@pytest.mark.parametrize(("loose", "event"), [(0, "received"), (1, "asked")])
def test_where_half_a_pack_waits_the_pack_that_the_sheet_asks_for_is_believed(loose, event):
    half = Line("deliveries", on(1), "received", "gauze", 10, 0, 5, number="1")
    assert delivered(came(2, "1", "gauze", 1, loose), lines=(ordered("gauze", 1), half)).lines[0].event == event


def test_a_pack_is_that_of_the_row_else_of_the_order_else_of_the_catalogue():
    assert delivered(came(2, "", "gauze", 2, 0, pack=8), lines=(ordered("gauze", 4),)).lines[0].pack == 8
    assert delivered(came(2, "", "ties", 2, 0)).lines[0].pack == 5
    assert delivered(came(2, "", "gauze", 2, 0), lines=(), catalogue=OTHER_PACK).lines[0].pack == 12


def test_a_trade_number_is_asked_about_once_and_remembered():
    with pytest.raises(InputError, match="is not known here"):
        delivered(came(2, "", "", 1, 0, trade_number="4006381333931"))
    with pytest.raises(InputError, match="is missing"):
        delivered(came(2, "", "", 1, 0))
    taught = delivered(came(2, "", "ties", 1, 0, trade_number="4006381333931"))
    without = delivered(came(3, "", "gauze", 1, 0))
    assert aliases(book(*taught.lines, *without.lines)) == {"04006381333931": "ties"}


# -- count ----------------------------------------------------------------------------------------------------------


def counting(*rows, lines=FULL, catalogue=CATALOGUE, day=7):
    return count(RoundSheets("count", {"count": rows}), book(*lines), PLAN, catalogue, on(day))


def test_a_count_is_a_line_a_lot_in_packs_and_loose():
    step = counting(seen(2, "gauze", 3, 4, lot="G", expires=on(90)), seen(3, "gauze", 0, 2),
                    seen(4, "mask", 6, None), seen(5, "ties", None, None))
    assert [(x.event, x.item, x.units, x.lot, x.number) for x in step.lines] == [
        ("counted", "gauze", 34, "G", "2026-07-08"), ("counted", "gauze", 2, "", "2026-07-08"),
        ("counted", "mask", 6, "", "2026-07-08")]
    assert step.told == ("3 lines counted on 2026-07-08.",)


@pytest.mark.parametrize(("units", "event"), [(49, "counted"), (61, "counted"), (62, "asked")])
def test_a_count_above_the_most_there_should_be_and_a_pack_more_than_expected_is_not_believed(units, event):
    """Level 40 and packs of ten: at most 49; a quarter of the 49 expected, 12, is more than a pack: 61 are believed."""
    (line,) = counting(seen(2, "gauze", 0, units), lines=(counted("gauze", 49), counted("mask", 6))).lines
    assert line.event == event


def test_too_few_is_believed_at_once_and_too_many_is_asked_with_what_was_expected():
    assert counting(seen(2, "gauze", 0, 0)).lines[0].event == "counted"
    (line,) = counting(seen(2, "gauze", 0, 60)).lines
    assert (line.event, line.note) == (
        "asked", "60 of gauze were counted where 40 were expected and 49 is the most there should be")


@pytest.mark.parametrize("typed_first", [True, False])
def test_more_than_should_be_may_be_an_order_that_came_and_was_not_typed(typed_first):
    """Four masks and two on order make the level of six. A kit taken apart brings a fifth, and the two are put away
    untyped: seven lie there. It is asked, and the question names the order; yes, and the delivery: nothing was used."""
    made = book(counted("gauze", 40), counted("mask", 5), *kit("A-1"), *kit("A-1", 2, "to_bedside"),
                counted("mask", 4, 3), ordered("mask", 2, 3), *kit("A-1", 4, "taken_apart"))
    step = count(RoundSheets("count", {"count": (seen(2, "mask", 7, 0),)}), made, PLAN, CATALOGUE, on(7))
    assert [(x.event, x.note) for x in step.lines] == [(
        "asked", "7 of mask were counted where 5 were expected and 6 is the most there should be; order 1 still waits "
        "for 2: if they came, type them on Receive with the day they came")]
    made = made.grown(step.lines, "P")
    (asked,) = standing(made).asked
    assert standing(made).expected["mask"] == 5, "not believed until it is answered"
    late = receive(RoundSheets("", {"receive": (came(2, "1", "mask", 2, 0),)}), made, PLAN, CATALOGUE, on(5)).lines
    yes = answer([answered(2, asked.entry, True, None, None)], made, "answers").lines
    for lines in (late, yes) if typed_first else (yes, late):
        made = made.grown(lines, "P")
    now = standing(made)
    assert (now.expected["mask"], now.to_come("mask"), now.asked) == (7, 0, ())
    assert [s.used for s in now.spells if s.item == "mask"] == [0, 0]


@pytest.mark.parametrize(("units", "event"), [(147, "counted"), (148, "asked")])
def test_a_first_count_may_be_three_times_the_most_that_the_plan_would_hold(units, event):
    (line,) = counting(seen(2, "gauze", 0, units), lines=()).lines
    assert line.event == event
    assert line.note == ("" if event == "counted" else "148 of gauze is more than three times what the plan would ever "
                         "hold, 49")


def test_packs_of_a_size_that_has_changed_are_asked_about_where_the_sheet_tells_none():
    (line,) = counting(seen(2, "gauze", 1, 0), catalogue=OTHER_PACK).lines
    assert line.note == "gauze was counted in packs of 10, and items.csv now says 12; it was taken as 10 single items"
    assert counting(seen(2, "gauze", 0, 9), catalogue=OTHER_PACK).lines[0].event == "counted"
    assert counting(seen(2, "gauze", 1, 0, pack=10), catalogue=OTHER_PACK).lines[0].event == "counted"


def test_what_was_thrown_away_is_taken_off_before_the_count():
    step = counting(seen(2, "gauze", 3, 0, thrown_away=4), seen(3, "gauze", 0, 1, thrown_away=2))
    assert [(x.event, x.units) for x in step.lines] == [("thrown_away", 6), ("counted", 30), ("counted", 1)]
    now = standing(book(*FULL).grown(step.lines, "P"))
    assert now.spells[0].used == 40 - 6 - 31
    assert step.told[:2] == ("2 lines counted on 2026-07-08.", "Thrown away on 2026-07-08: 6 of gauze.")
    assert counting(seen(2, "gauze", None, None, thrown_away=1)).told[0] == "Thrown away on 2026-07-08: 1 of gauze."


def test_kits_missing_at_a_count_went_to_bedsides_the_earliest_date_first():
    lines = (*FULL, *kit("A-1", expires=on(300), lot="L"), *kit("A-2", expires=on(200), lot="M"), *kit("A-3"))
    step = counting(kits_seen("A", 1), lines=lines)
    assert [(x.event, x.number) for x in step.lines] == [
        ("kits", "2026-07-08"), ("to_bedside", "A-2"), ("to_bedside", "A-1")]
    more = counting(kits_seen("A", 5), lines=lines)
    assert [x.event for x in more.lines] == ["kits"]


def test_a_count_older_than_the_last_is_refused_unless_it_is_meant():
    made, sheets = book(counted("gauze", 40, 7)), RoundSheets("count", {"count": (seen(2, "gauze", 3, 0),)})
    with pytest.raises(InputError, match="is older than the last count, of 2026-07-08"):
        count(sheets, made, PLAN, CATALOGUE, on(6))
    assert count(sheets, made, PLAN, CATALOGUE, on(6), older=True).lines
    assert count(sheets, made, PLAN, CATALOGUE, on(7)).lines[0].number == "2026-07-08/2", "a second one of that day"


def test_the_same_count_again_is_told_and_not_written():
    step = counting(seen(2, "gauze", 3, 4))
    made = book(*FULL).grown(step.lines, "P")
    again = count(RoundSheets("count", {"count": (seen(2, "gauze", 3, 4),)}), made, PLAN, CATALOGUE, on(7))
    assert (again.lines, again.told) == ((), ("This count is in the book already: nothing was changed.",))


def test_what_came_on_the_day_of_a_count_is_said_to_be_in_it():
    lines = (*FULL, Line("deliveries", on(7), "received", "gauze", 10, 1, number="1"), *kit("A-1", 7))
    step = counting(seen(2, "gauze", 3, 4), lines=lines)
    there = "taken to have been there already when the shelf was counted."
    assert step.told[1:] == (f"The delivery of 2026-07-08, entered before, is {there}",
                             f"The kits built of 2026-07-08, entered before, are {there}")


def on_hand(unit_maker, *rows, columns=("item", "packs", "loose_units", "expires", "lot", "on_order_packs", "date")):
    return unit_maker(on_hand=pd.DataFrame(rows, columns=columns))


def test_a_table_on_hand_is_the_first_count_with_what_is_on_order(unit_maker):
    unit = on_hand(unit_maker, ("gauze", 3, 2, "2027-01-31", "G", 2, "2026-06-30"),
                   ("mask", 4, np.nan, np.nan, np.nan, np.nan, "2026-06-29"))
    lines = first_count(unit, PLAN, CATALOGUE)
    assert [(x.event, x.item, x.units, x.lot, x.expires) for x in lines] == [
        ("counted", "gauze", 32, "G", date(2027, 1, 31)), ("counted", "mask", 4, "", None),
        ("ordered", "gauze", 20, "", None)]
    assert {x.day for x in lines} == {date(2026, 6, 30)}, "the latest of its dates"
    assert {x.day for x in first_count(unit, PLAN, CATALOGUE, DAY)} == {DAY}
    columns = ("item", "packs", "loose_units", "expires", "lot")
    bare = on_hand(unit_maker, ("gauze", 3, 2, np.nan, np.nan), columns=columns)
    (line,) = first_count(bare, PLAN, CATALOGUE)
    assert line.day == bare.census.last_day


# -- what a class took ----------------------------------------------------------------------------------------------


def test_what_a_class_takes_is_no_use_and_too_much_of_it_is_said():
    rows = (Row(2, "gauze", taken=41), Row(3, "mask", taken=6), Row(4, "ties", taken=3))
    step = to_class(RoundSheets("to_class", {"to_class": rows}), book(*FULL), PLAN, CATALOGUE, on(1))
    assert [(x.event, x.item, x.units) for x in step.lines] == [
        ("to_class", "gauze", 41), ("to_class", "mask", 6), ("to_class", "ties", 3)]
    assert step.told == ("What the class took on 2026-07-02 is out of stock and counts as no use (items: 3).",
                         "Look at: the class took 41 of gauze where the book expects 40 on the shelf. Count it.",
                         "Look at: mask is emergency equipment: 0 left on the shelf and in kits that stand ready, "
                         f"where {MASK.level_units} should be. Bring some back, or order it now.")
    assert standing(book(*FULL).grown(step.lines, "P")).expected["mask"] == 0


def test_two_lots_that_a_class_takes_of_one_item_are_held_together_against_the_shelf():
    rows = (Row(2, "gauze", taken=25, lot="A"), Row(3, "gauze", taken=16, lot="B"))
    step = to_class(RoundSheets("to_class", {"to_class": rows}), book(*FULL), PLAN, CATALOGUE, on(1))
    assert "took 41 of gauze" in step.told[1]
    assert "(items: 1)" in step.told[0]


# -- answers --------------------------------------------------------------------------------------------------------


def doubted():
    lines = [replace(counted("gauze", 900, 7, "G"), event="asked", note="?"),
             replace(counted("gauze", 5, 7), event="asked", note="?"),
             replace(Line("deliveries", on(7), "received", "mask", 1, 9, number=""), event="asked", note="?")]
    made = book(*FULL, *lines)
    return made, {x.item: x.entry for x in reversed(made.lines) if x.event == "asked"}


@pytest.mark.parametrize(("given", "told"), [
    ({"right": True}, [("counted", 900), ("counted", 5)]), ({"right": False}, [("withdrawn", 900), ("withdrawn", 5)]),
    ({"right": False, "packs": 9, "loose": None}, [("counted", 9), ("withdrawn", 5)]),
    ({"right": False, "packs": None, "loose": 33}, [("counted", 33), ("withdrawn", 5)]),
])
def test_an_answer_settles_all_lines_of_its_item_in_that_count(given, told):
    made, no = doubted()
    values = {"packs": None, "loose": None} | given
    step = answer([answered(2, no["gauze"], **values)], made, "questions")
    assert [(x.event, x.units) for x in step.lines] == told
    assert step.told == ("2 questions answered.",)
    assert [x.item for x in standing(made.grown(step.lines, "P")).asked] == ["mask"]


def test_an_answered_delivery_is_received_and_one_answered_before_is_said():
    made, no = doubted()
    yes = answered(2, no["mask"], True, None, None)
    step = answer([yes], made, "questions")
    assert [(x.event, x.units) for x in step.lines] == [("received", 9)]
    again = answer([yes], made.grown(step.lines, "P"), "questions")
    assert (again.lines, again.told) == ((), ("1 had been answered already.",))
    with pytest.raises(InputError, match="is no question of this book"):
        answer([answered(2, 999, True, None, None)], made, "questions")


# -- orders and what was really ordered -----------------------------------------------------------------------------


def test_an_order_is_written_under_the_next_number_at_todays_packs_and_prices():
    made = book(counted("gauze", 15), counted("mask", 6), ordered("mask", 1, 0, "7"))
    order = make_order(PLAN, standing(made), CATALOGUE)
    lines = order_lines(order, made, CATALOGUE, on(1))
    assert [(x.number, x.item, x.packs, x.pack, x.price) for x in lines] == [("8", "gauze", 3, 10, 2.0)]
    assert order.wanted == {"gauze": 3}
    assert order_lines(order, book(), CATALOGUE, on(1))[0].number == "1"


@pytest.mark.parametrize(("packs", "line"), [(5, ("ordered", 2)), (1, ("will_not_come", 2)), (3, None)])
def test_what_was_really_ordered_is_more_or_fewer_than_the_program_said(packs, line):
    made = book(ordered("gauze", 4), ordered("gauze", 1, 1, event="will_not_come"))
    step = amend_orders([bought(2, "1", "gauze", packs)], made, "order")
    assert [(x.event, x.packs) for x in step.lines] == ([line] if line else [])
    assert step.told == (("1 order lines changed to what was really ordered.",) if line else ())


def test_without_a_number_it_is_the_last_order_of_the_item_and_of_no_order_it_is_refused():
    made = book(ordered("gauze", 4, 0, "1"), ordered("gauze", 2, 0, "2"))
    (line,) = amend_orders([bought(2, "", "gauze", 3)], made, "order").lines
    assert (line.number, line.event, line.packs) == ("2", "ordered", 1)
    with pytest.raises(InputError, match="is in no order of this book"):
        amend_orders([bought(2, "", "ties", 3)], made, "order")


# -- recall ---------------------------------------------------------------------------------------------------------


def recalled(*lines, item=None, lot="L 1"):
    made = book(*lines)
    return find_recall(lot, made, standing(made), PLAN, item), made


def test_a_recall_lists_shelf_kits_and_classes_with_the_most_that_could_be_there():
    """Four of the lot and three without a lot on the shelf: at most seven. Kits at bedsides first."""
    lines = (counted("mask", 6, lot="l1"), counted("mask", 3), counted("gauze", 40), *kit("A-2", lot="l1"),
             *kit("A-1", lot="l1"), *kit("A-1", 0, "to_bedside"),
             Line("deliveries", on(1), "to_class", "gauze", 1, 0, 2, None, "L1"),
             Line("deliveries", on(1), "to_class", "gauze", 1, 0, 2, None, "L2"),
             Line("deliveries", on(1), "received", "mask", 1, 0, 5, None, "L9"))
    found, _ = recalled(*lines)
    assert found.places[["item", "where", "kit", "units", "at_most"]].to_numpy().tolist() == [
        ["mask", "shelf", "", 4, 7], ["mask", "bedside", "A-1", 1, 1], ["mask", "shelf", "A-2", 1, 1],
        ["gauze", "class", "", 2, 2]]
    masks, _ = recalled(*lines, item="mask")
    assert set(masks.places["item"]) == {"mask"}
    assert recalled(*lines, item="gauze")[0].places["where"].tolist() == ["class"]


def test_a_lot_that_was_counted_once_is_not_said_to_be_in_no_count():
    """A later count names another lot; whoever asks is told when the first was seen, and to look at every pack."""
    (told,) = recalled(counted("mask", 6, lot="L1"), counted("mask", 1, 7, lot="L2"))[0].sentences()
    assert told.startswith("Lot L 1 was here (mask, last on 2026-07-01).")
    assert "Look at every pack" in told
    (never,) = recalled(counted("mask", 6, lot="L2"))[0].sentences()
    assert never.startswith("Lot L 1 is in no delivery, count or kit of this book.")


def test_a_recall_finds_a_lot_however_it_is_spaced_or_hyphened_and_names_those_written_much_like_it():
    """A notice says "m115x9" of packs that were typed in as M115-X9: none of it was found, and kits stayed in use."""
    lines = (counted("mask", 6, lot="M115-X9"), *kit("A-1", lot="m115 x9"), *kit("A-1", 0, "to_bedside"),
             counted("gauze", 40, lot="7"))
    found, _ = recalled(*lines, lot="m115x9")
    assert found.places[["where", "kit"]].to_numpy().tolist() == [["shelf", ""], ["bedside", "A-1"]]
    unlike, _ = recalled(*lines, lot="M115-X8")
    assert len(unlike.places) == 0
    assert unlike.sentences()[-1] == "Written much like it: m115 x9. Is it one of these?"
    assert len(recalled(*lines, lot="Q4")[0].sentences()) == 1


def test_after_a_recall_what_is_left_is_set_against_level_and_urgent_level():
    """Six masks, five of the lot; two on order: one here and two to come of six, four packs; one here is not under the
    urgent level of one. Of seven of the lot none is left.
    """
    found, _ = recalled(counted("mask", 5, lot="L1"), counted("mask", 1, lot="OK"), ordered("mask", 2),
                        counted("gauze", 40))
    assert found.after == {"mask": (1, 2, 6, 3, False)}
    assert found.sentences()[0] == ("mask: 1 left without the lot and 2 on order, against a level of 6; what is "
                                    "left lasts until then. Order now: 3 packs.")
    none, _ = recalled(counted("mask", 7, lot="L1"))
    assert none.after == {"mask": (0, 0, 6, 6, True)}
    assert none.sentences() == [
        "mask: 0 left without the lot, against a level of 6; what is left may not last until an order arrives. "
        "Order now: 6 packs.",
        "Look at every pack of these items: a pack whose lot nobody typed in is not listed."]
    one, _ = recalled(counted("mask", 1, lot="L1"), counted("mask", 5, lot="OK"))
    assert one.sentences()[0].endswith("what is left lasts until then. Order now: 1 pack.")


def test_what_is_on_order_is_no_stock_and_no_more_is_ordered_of_it():
    found, _ = recalled(counted("mask", 1, lot="OK"), counted("mask", 5, lot="L1"), ordered("mask", 9))
    assert found.sentences()[0] == ("mask: 1 left without the lot and 9 on order, against a level of 6; what is "
                                    "left lasts until then. Order now: no more.")


def test_after_a_recall_an_item_of_which_none_was_expected_has_none_left():
    """The last masks lie in a kit of the lot; none is on the shelf and none to come."""
    found, _ = recalled(counted("mask", 1), *kit("A-1", lot="L1"), counted("mask", 0, 1))
    assert found.after["mask"] == (0, 0, 6, 6, True)


def test_kits_at_bedsides_are_said_first_and_a_lot_that_is_nowhere_is_said_so():
    found, made = recalled(*FULL, *kit("A-1", lot="L1"), *kit("A-1", 0, "to_bedside"), *kit("A-2", lot="L1"))
    assert found.sentences()[0] == "At bedsides, change these kits now: A-1."
    lines = recall_lines(found, standing(made), on(1))
    assert [(x.event, x.number, x.units) for x in lines] == [
        ("thrown_away", "A-1", 0), ("taken_apart", "A-2", 0), ("recalled", "", 1)], "what comes out of a kit goes too"
    nowhere, _ = recalled(*FULL, lot="X")
    assert nowhere.sentences()[0].startswith("Lot X is in no delivery, count or kit of this book.")


def test_what_came_out_of_a_kit_that_was_taken_apart_is_on_the_shelf_and_nowhere_else():
    found, _ = recalled(counted("mask", 5, lot="L1"), *kit("A-1", 1, lot="L1"), *kit("A-1", 2, "taken_apart"))
    assert found.places[["where", "kit", "units"]].to_numpy().tolist() == [["shelf", "", 5]]


# -- kits -----------------------------------------------------------------------------------------------------------


def test_a_design_of_which_none_stands_is_built_before_another_of_one_that_has_some():
    plan = replace(PLAN, designs={"A": {"gauze": 3}, "B": {"gauze": 3}, "C": {"gauze": 3}},
                   builds={"A": 3, "B": 2, "C": 1})
    made = book(counted("gauze", 4 + 9), *kit("A-1"))
    assert [b.build for b in plan_builds(plan, standing(made), made, DAY)] == [0, 1, 1], "A-1 took three of nine"


def test_kits_are_built_first_expired_first_out_and_never_of_what_is_out_of_date():
    made = book(counted("gauze", 2, lot="OLD", expires=on(-1)), counted("gauze", 4, lot="G1", expires=on(30)),
                counted("gauze", 9, lot="G2", expires=on(60)), counted("mask", 6))
    (found,) = plan_builds(PLAN, standing(made), made, DAY)
    assert (found.wanted, found.ready, found.build) == (4, 0, 3), "thirteen in date, less four for the lead time: nine"
    lots = [[(x.units, x.lot) for x in content["gauze"]] for content in found.kits.values()]
    assert lots == [[(3, "G1")], [(1, "G1"), (2, "G2")], [(3, "G2")]]
    assert found.held_back == "gauze is short: what is left on the shelf is needed until the order arrives"
    (gone,) = plan_builds(PLAN, standing(made), made, DAY, ("gauze",))
    assert gone.held_back.startswith("gauze cannot be had, and what is left on the shelf is needed; where another item")


def test_emergency_equipment_goes_into_kits_to_the_last_and_nothing_is_said_to_be_left_of_it():
    made = book(counted("gauze", 40), counted("mask", 2))
    (found,) = plan_builds(PLAN, standing(made), made, DAY)
    assert (found.build, found.held_back) == (2, "mask is short: the shelf has too few in date for another kit")


def test_kits_take_what_lasts_past_the_next_count_and_say_where_no_such_lot_is_left():
    """Counts are seven days apart. A mask of the third day and one of the seventh, two of the eighth: two kits last;
    the third and fourth do not, which is said. The list and what the book writes down name the same lots."""
    made = book(counted("gauze", 40), *(counted("mask", n, lot=f"M{d}", expires=on(d)) for n, d in
                                        ((1, 3), (1, 7), (2, 8))))
    (found,) = plan_builds(PLAN, standing(made), made, DAY)
    assert [lot.lot for _, item, lot in found.takes() if item == "mask"] == ["M8", "M8", "M3", "M7"]
    assert found.soon == ("kit A-3 has mask of 2026-07-04, and no later lot is left; "
                          "kit A-4 has mask of 2026-07-08, and no later lot is left")
    for day in (DAY, on(1)):
        step = built([kit_row(2, "A", 4, "", "")], made, standing(made), PLAN, day, "kits")
        assert [x.lot for x in step.lines if x.item == "mask"] == ["M8", "M8", "M3", "M7"]
    lasting = built([kit_row(2, "A", 2, "", "")], made, standing(made), PLAN, DAY, "kits").lines
    kits = standing(made.grown(lasting, "P")).kits_at("shelf")
    assert [(k.number, k.first_expiry) for k in kits] == [("A-1", on(8)), ("A-2", on(8))]
    assert not [q for q in asked(*made.lines, *lasting) if q.item.startswith("kit")], "none need be taken apart at once"


def test_what_has_no_date_goes_into_kits_last_as_the_book_takes_it():
    made = book(counted("gauze", 40), counted("mask", 1, lot="M3", expires=on(3)), counted("mask", 3))
    (found,) = plan_builds(PLAN, standing(made), made, DAY)
    assert [lot.lot for _, item, lot in found.takes() if item == "mask"] == ["M3", "", "", ""]
    step = built([kit_row(2, "A", 2, "", "")], made, standing(made), PLAN, DAY, "kits")
    kits = standing(made.grown(step.lines, "P")).kits
    assert [k.first_expiry for k in kits.values()] == [on(3), None]


def test_a_kit_noted_late_holds_no_lot_that_came_after_it_was_built():
    """Built on the day of the count of L1, noted when L2 had come; a kit from before the first count is of unknown
    lots.
    """
    came_later = Line("deliveries", on(3), "received", "mask", 1, 9, 0, on(900), "L2")
    made = book(counted("gauze", 40), counted("mask", 1, lot="L1", expires=on(90)), came_later)
    for day, lots in ((0, ["L1", ""]), (-1, ["", ""]), (3, ["L1", "L2"])):
        step = built([kit_row(2, "A", 2, "", "")], made, standing(made), PLAN, on(day), "kits")
        assert [line.lot for line in step.lines if line.item == "mask"] == lots


def test_a_lot_that_is_out_of_date_is_named_for_no_kit():
    made = book(counted("gauze", 40), counted("mask", 1, lot="OLD", expires=on(-1)))
    step = built([kit_row(2, "A", 1, "", "")], made, standing(made), PLAN, DAY, "kits")
    assert step.told[0].startswith("Kit A-1: the book knew of too few mask.")
    assert "OLD" not in {x.lot for x in step.lines}


def test_kits_that_a_person_built_are_taken_from_the_lots_and_numbered_on():
    made = book(*FULL, *kit("A-4"))
    step = built([kit_row(2, "A", 2, "", "")], made, standing(made), PLAN, DAY + timedelta(days=1), "kits")
    assert {x.number for x in step.lines} == {"A-5", "A-6"}
    assert [(x.item, x.units) for x in step.lines] == [("gauze", 3), ("mask", 1)] * 2
    assert step.told == ("Kits built: A-5, A-6.",)
    moves = [kit_row(2, "", 0, "A-4", "to_bedside"), kit_row(3, "A", 1, "", "")]
    assert built(moves, made, standing(made), PLAN, on(1), "kits").told == (
        "Kits built: A-5.", "Kits now at bedsides: A-4.")
    again = built([kit_row(2, "A", 2, "", "")], made.grown(step.lines, "P"), standing(made), PLAN,
                  DAY + timedelta(days=1), "kits")
    assert (again.lines, again.told[-1]) == ((), "These kits are in the book already: nothing was changed.")


def test_a_kit_built_of_more_than_the_book_knows_is_built_as_said_and_counted_again():
    made = book(counted("gauze", 2), counted("mask", 6))
    step = built([kit_row(2, "A", 1, "", "")], made, standing(made), PLAN, DAY, "kits")
    assert [(x.item, x.units) for x in step.lines] == [("gauze", 2), ("gauze", 1), ("mask", 1)]
    assert step.told[0].startswith("Kit A-1: the book knew of too few gauze.")
    with pytest.raises(InputError, match="is no kit design of the plan"):
        built([kit_row(2, "B", 1, "", "")], made, standing(made), PLAN, DAY, "kits")


def test_more_kits_than_are_to_stand_ready_are_not_believed_of_parts_that_the_book_does_not_know():
    """A slip of the finger would put masks into kits that are not there, and take them off the order."""
    made = book(counted("gauze", 12), counted("mask", 6))
    with pytest.raises(InputError, match=r"more than the 4 that are to stand ready.*got '44'.*count these items first"):
        built([kit_row(2, "A", 44, "", "")], made, standing(made), PLAN, DAY, "kits")
    known = book(counted("gauze", 60), counted("mask", 6))
    step = built([kit_row(2, "A", 5, "", "")], known, standing(known), PLAN, DAY, "kits")
    assert len({line.number for line in step.lines}) == 5


# -- notes, levels and files ----------------------------------------------------------------------------------------


def test_what_was_not_counted_and_what_lies_on_no_list_is_noted():
    made = book(*FULL, counted("ties", 5), counted("caps", 3), counted("gauze", 30, 7))
    notes = shelf_notes(PLAN, standing(made), (), CATALOGUE)
    assert notes == (
        "Not counted on 2026-07-08, or in doubt, and so not ordered: mask (1 of 2 lines).",
        "On the shelf but not on the par list: ties. Use it up; it has a line on Count. What is bought no more: "
        "delete its row in items.csv, or a later plan may choose it."), "of no catalogue: a question"
    assert shelf_notes(PLAN, standing(made), ("ties",), CATALOGUE) == notes[:1], "nor is one that cannot be had"
    assert shelf_notes(PLAN, standing(book(*FULL)), (), CATALOGUE) == ()
    caps = replace(CATALOGUE, pack=CATALOGUE.pack | {f"c{k}": 1 for k in range(8)})
    many = standing(book(*FULL, *[counted(f"c{k}", 1) for k in range(8)]))
    (note,) = shelf_notes(PLAN, many, (), caps)
    assert note.startswith("On the shelf but not on the par list: c0, c1, c2, c3, c4, c5 and 2 more. ")


def round_of(*lines, plan=PLAN):
    made = book(*lines)
    now = standing(made)
    order = make_order(plan, now, CATALOGUE) if now.last_count else None
    return WeeklyRound(plan, now, order, (), questions(made, now, plan, CATALOGUE))


def test_what_is_off_the_par_list_and_lies_there_or_cannot_be_had_has_a_line_on_the_count_sheet(tmp_path):
    made = book(*FULL, counted("ties", 7), counted("old_tape", 3))
    also = also_counted(PLAN, standing(made), ("bag",), replace(CATALOGUE, critical=frozenset({"mask", "bag"})))
    assert [(x.item, x.pack, x.level_units, x.critical) for x in also] == [
        ("ties", 5, 0, False), ("old_tape", 1, 0, False), ("bag", 1, 0, True)]
    sheet = count_sheet(WeeklyRound(PLAN, standing(made), also=also), "foot")
    assert [row[1:5] for row in sheet.rows][2:5] == [
        ("x", "pack of 5", None, 7), ("old_tape", "each", None, 3), ("EM  bag", "each", None, None)]
    assert also_counted(PLAN, standing(book(*FULL, counted("ties", 0))), (), CATALOGUE) == (), "used up: gone"


def test_a_round_is_summed_up_in_what_to_answer_to_order_and_to_hurry():
    """Fifteen gauzes where forty are the level: three packs. Three where four may be needed: urgent, four packs."""
    calm = round_of(counted("gauze", 15), counted("mask", 6)).sentences("USD")
    assert calm == ["Order 3 packs of 1 item, 6.00 USD."]
    assert round_of(counted("gauze", 3), counted("mask", 6)).sentences("USD") == [
        "URGENT, may run out before the order arrives or was not counted: gauze.",
        "Order 4 packs of 1 item, 8.00 USD."]
    asked_about = round_of(*FULL, counted("gauze", 30, 7)).sentences("USD")
    assert asked_about[0] == ("1 question under Questions; first: mask: Emergency equipment was not counted on "
                              "2026-07-08.")
    assert round_of().sentences("USD") == ["Nothing was counted yet: print the count sheet, or fill in the workbook."]
    spoils = round_of(counted("gauze", 40, lot="G", expires=on(4)), counted("mask", 6)).sentences("USD")
    assert spoils[-1] == "1 lot will not be used by the date: see the dates to watch."
    full = round_of(*FULL).sentences("USD")
    assert full == ["Nothing is left to order: what was counted stands at its level, or what it lacks is on its way."]


def test_a_unit_kept_in_one_workbook_is_its_own_file(tmp_path):
    book_of = Workbook()
    book_of.active.title = "census"
    book_of.active.append(["route", "tube_mm", "airways"])
    book_of.save(tmp_path / "ward.xlsx")
    assert find_unit(tmp_path / "ward.xlsx") == tmp_path / "ward.xlsx"
    book_of.active.title = "other"
    book_of.save(tmp_path / "other.xlsx")
    with pytest.raises(InputError, match="lies in no unit's folder"):
        find_unit(tmp_path / "other.xlsx")


def test_a_level_carries_what_its_catalogue_row_says(small_unit):
    items = small_unit.items.assign(gtin="", counted_as="")
    items.loc[items["item"] == "saline-5", ["gtin", "counted_as", "counted"]] = "00012345678905", "ampoule", "packs"
    levels = pd.DataFrame({"item": ["saline-5", "wipe-prep", "mask-42"], "description": "x", "pack": [50, 50, 1],
                           "par_units": [120, 0, 3], "expected_units": [45.0, 9.0, 0.9]})
    found = round_plan_of(replace(small_unit, items=items), levels, np.full(len(items), 7), None)
    saline = found.level["saline-5"]
    assert (saline.gtin, saline.counted_as, saline.packs_only) == ("00012345678905", "ampoule", True)
    assert (saline.pack, saline.price, saline.level_units, saline.urgent_units) == (50, 11.0, 120, 7)
    assert saline.use_per_day == pytest.approx(5.0)
    mask = found.level["mask-42"]
    assert (mask.gtin, mask.counted_as, mask.packs_only, mask.critical) == ("", "piece", False, True)
    assert mask.urgent_units == 3, "never above its level"
    assert "wipe-prep" not in found.level


def test_a_filled_in_file_belongs_to_the_unit_that_it_lies_in_or_whose_plan_it_lies_in(tmp_path):
    unit, plan = tmp_path / "ward", tmp_path / "other-plan"
    for folder in (unit / "plan", plan, tmp_path / "third"):
        folder.mkdir(parents=True)
    (unit / "unit.toml").touch()
    for book_of in ("other.xlsx", "third.xlsx"):
        (tmp_path / book_of).touch()
    for filled, belongs in ((unit, unit), (unit / "unit.toml", unit / "unit.toml"), (unit / "count.csv", unit),
                            (unit / "plan" / "count.csv", unit),
                            (plan / "count.csv", tmp_path / "other.xlsx")):
        assert find_unit(filled) == belongs
    stray = tmp_path / "third" / "count.csv"
    stray.touch()
    with pytest.raises(InputError, match="lies in no unit's folder"):
        find_unit(stray)


# -- everything that is wrong, at once ------------------------------------------------------------------------------


def faults(step):
    with pytest.raises(InputError) as told:
        step()
    return [problem.row for problem in told.value.problems]


def test_every_row_that_cannot_be_read_is_told_at_once():
    """Rows 2 and 4 are wrong, row 3 is right: of a delivery, of answers, of what was ordered and of kits built."""
    made = book(*FULL, ordered("gauze", 4))
    assert faults(lambda: delivered(*(came(k, "", "" if k != 3 else "gauze", 1, 0) for k in (2, 3, 4)),
                                    lines=(*FULL, ordered("gauze", 4)))) == [2, 4]
    unknown = [answered(row, no, True, None, None) for row, no in ((2, 998), (4, 999))]
    assert faults(lambda: answer(unknown, made, "q")) == [2, 4]
    really = [bought(2, "", "ties", 3), bought(3, "", "gauze", 3), bought(4, "9", "mask", 3)]
    assert faults(lambda: amend_orders(really, made, "order")) == [2, 4]
    kits = [kit_row(2, "B", 1, "", ""), kit_row(3, "A", 1, "", ""), kit_row(4, "C", 1, "", "")]
    assert faults(lambda: built(kits, made, standing(made), PLAN, DAY, "kits")) == [2, 4]


def test_a_row_without_a_kit_built_is_passed_over_and_the_next_is_read():
    made = book(*FULL)
    step = built([kit_row(2, "A", 0, "", ""), kit_row(3, "A", 1, "", "")], made, standing(made), PLAN, DAY, "kits")
    assert {x.number for x in step.lines} == {"A-1"}


def test_an_answer_to_what_was_answered_before_does_not_hide_the_next():
    made = book(counted("gauze", 40), counted("mask", 6), replace(counted("gauze", 400, 7), event="asked", note="x"),
                replace(counted("mask", 90, 7), event="asked", note="x"))
    first, second = (q.no for q in questions(made, standing(made), PLAN, CATALOGUE) if q.no)
    done = made.grown(answer([answered(2, first, True, None, None)], made, "q").lines, "P")
    again = answer([answered(2, first, True, None, None), answered(3, second, True, None, None)], done, "q")
    assert len(again.lines) == 1
    assert again.told == ("1 question answered.", "1 had been answered already.")
