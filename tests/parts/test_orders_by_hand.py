"""The round on a stock room of three items, reckoned by hand: what to build, what to order, what a recall finds."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest

from kitplan.parts.orders.build import built as take_in
from kitplan.parts.orders.build import plan_builds
from kitplan.parts.orders.ledger import standing
from kitplan.parts.orders.model import shelf_notes
from kitplan.parts.orders.ordering import make_order
from kitplan.parts.orders.questions import questions
from kitplan.parts.orders.recall import find_recall, recall_lines
from kitplan.parts.orders.round_command import find_unit
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan
from kitplan.parts.orders.steps import receive
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.problems import InputError
from kitplan.read.round_sheets import RoundSheets
from tests.parts.typed_rows import came, kit_row

DAY = date(2026, 7, 1)
GAUZE = Level("gauze", "Gauze", "A1", 10, 2.0, 40, 4, 2.0, False)
MASK = Level("mask", "Mask", "A2", 1, 9.0, 6, 1, 0.1, True)
PLAN = RoundPlan("USD", 7, 2, (GAUZE, MASK), {"A": {"gauze": 3, "mask": 1}}, {"A": 4})
CATALOGUE = Catalogue(dict.fromkeys(("gauze", "mask", "ties"), 1) | {"gauze": 10},
                      dict.fromkeys(("gauze", "mask", "ties"), 1.0), dict.fromkeys(("gauze", "mask", "ties"), "x"),
                      dict.fromkeys(("gauze", "mask", "ties"), "A1"), frozenset({"mask"}))


def counted(item, units, lot="", day=DAY):
    return Line("counts", day, "counted", item, 1, 0, units, None, lot, day.isoformat())


def kit(number, event="built", lot=""):
    """A kit A with its three gauzes and its mask, or what became of it."""
    if event != "built":
        return [Line("kits", DAY, event, number=number, design="A")]
    return [Line("kits", DAY, "built", item, 1, 0, units, None, lot if item == "mask" else "", number, "A")
            for item, units in (("gauze", 3), ("mask", 1))]


def book(*lines):
    return OrderBook().grown(lines, "P")


def built(*lines, plan=PLAN):
    made = book(*lines)
    (found,) = plan_builds(plan, standing(made), made, DAY)
    return found


def test_each_kit_built_leaves_less_for_the_next():
    """Ten gauzes, four of them kept until the order arrives: two kits of three and no third."""
    found = built(counted("gauze", 10), counted("mask", 6))
    assert (found.build, found.ready) == (2, 0)
    assert "gauze is short" in found.held_back
    assert [lot.units for content in found.kits.values() for lot in content["gauze"]] == [3, 3]


def test_emergency_equipment_goes_into_kits_up_to_its_level_and_no_further():
    """Level six, five in kits already: one more, though many lie on the shelf."""
    ready = [line for number in range(1, 6) for line in kit(f"A-{number}")]
    plan = RoundPlan("USD", 7, 2, (GAUZE, MASK), PLAN.designs, {"A": 9})
    found = built(counted("gauze", 100), counted("mask", 30), *ready, plan=plan)
    assert (found.ready, found.build) == (5, 1)
    assert found.held_back.startswith("more would put more of mask into kits than its level of 6")


def test_emergency_equipment_just_at_its_level_is_not_called_short():
    """Level six, six counted and five of them put into kits: the last one goes into a kit, and the level ends it."""
    ready = [line for number in range(1, 6) for line in kit(f"A-{number}")]
    plan = RoundPlan("USD", 7, 2, (GAUZE, MASK), PLAN.designs, {"A": 9})
    found = built(counted("gauze", 100), counted("mask", 6), *ready, plan=plan)
    assert found.build == 1
    assert found.held_back.startswith("more would put more of mask into kits than its level of 6")


def test_a_kit_of_another_plan_is_ready_only_where_it_holds_what_its_card_lists_now():
    """The new card asks for two masks where the kits hold one; apart, their things make one kit by that card."""
    plan = replace(PLAN, designs={"A": {"gauze": 2, "mask": 2}})
    lines = [counted("gauze", 100), counted("mask", 4), *kit("A-1"), *kit("A-2")]
    assert built(*lines, plan=plan).ready == 0
    (asked,) = [q for q in questions(book(*lines), standing(book(*lines)), plan, CATALOGUE) if "card" in q.question]
    assert (asked.item, asked.emergency) == ("kit A-1, A-2", True)
    assert asked.question.startswith("Lacks what the card of kit A lists: 1 x mask.")
    apart = [*lines, *kit("A-1", "taken_apart"), *kit("A-2", "taken_apart")]
    assert not [q for q in questions(book(*apart), standing(book(*apart)), plan, CATALOGUE) if "card" in q.question]
    assert (built(*apart, plan=plan).ready, built(*apart, plan=plan).build) == (0, 2)
    assert built(*lines, *kit("A-3"), *kit("A-3")[1:], plan=plan).ready == 1, "two gauzes or more, two masks"
    other = replace(PLAN, designs={"B": PLAN.designs["A"]}, builds={"B": 4})
    told = [q.question for q in questions(book(*lines), standing(book(*lines)), other, CATALOGUE)]
    assert any(text.startswith("The plan has no such kit.") for text in told)


def test_a_thing_put_back_into_a_kit_is_one_where_no_number_is_typed():
    made = book(counted("gauze", 10), *kit("A-1"))
    step = take_in([kit_row(3, "", 0, "A-1", "refilled", "gauze")], made, standing(made), PLAN, DAY, "Build kits")
    assert [(x.event, x.item, x.units, x.number) for x in step.lines] == [("refilled", "gauze", 1, "A-1")]


def test_kits_are_numbered_on_and_those_of_another_design_change_no_number():
    """So the numbers that the sheet gives for the cards hold, though fewer of another design are built."""
    for others in ((), kit("B-20")):
        found = built(counted("gauze", 100), counted("mask", 30), *kit("A-7"), *others)
        assert list(found.kits)[:2] == ["A-8", "A-9"]


def test_no_more_is_built_than_is_to_stand_ready():
    assert built(counted("gauze", 400), counted("mask", 30)).build == 4


def test_what_lies_on_the_shelf_and_on_no_list_is_told_and_what_is_on_it_is_not():
    now = standing(book(counted("gauze", 40), counted("mask", 6), counted("ties", 7)))
    (note,) = shelf_notes(PLAN, now, (), CATALOGUE)
    assert note.startswith("On the shelf but not on the par list: ties. Use it up")
    assert shelf_notes(PLAN, now, ("ties",), CATALOGUE) == ()
    assert make_order(PLAN, now, CATALOGUE).number == ""


def test_of_lines_left_blank_six_are_named():
    levels = [replace(GAUZE, item=f"i{k}") for k in range(8)]
    (note,) = shelf_notes(RoundPlan("USD", 7, 2, (*levels, MASK)), standing(book(counted("mask", 6))), (), CATALOGUE)
    assert note == ("Not counted on 2026-07-01, or in doubt, and so not ordered: i0, i1, i2, i3, i4, i5 and 2 more "
                    "(8 of 9 lines).")


def test_a_back_order_adds_a_line_for_what_has_no_level_and_none_twice():
    now = standing(book(counted("gauze", 40), counted("mask", 6)))
    order = make_order(PLAN, now, CATALOGUE, in_place={"ties": 5, "gauze": 2})
    lines = order.lines.set_index("item")
    assert sorted(lines.index) == ["gauze", "mask", "ties"]
    assert lines.loc["ties", "order_packs"] == 5


RECALLED = [counted("gauze", 40), counted("mask", 3, "OLD 1"), counted("mask", 4, "NEW"),
            *kit("A-1", lot="old1"), *kit("A-2", lot="NEW"), *kit("A-3", lot="OLD1"), *kit("A-3", "to_bedside")]


def test_a_recall_finds_the_lot_on_the_shelf_and_in_kits_however_it_is_written_and_no_other_lot():
    made = book(*RECALLED)
    found = find_recall("OLD1", made, standing(made), PLAN)
    assert {(row.where, row.kit) for row in found.places.itertuples()} == {
        ("shelf", ""), ("shelf", "A-1"), ("bedside", "A-3")}


def test_a_kit_that_the_recall_itself_took_apart_is_still_named_and_one_taken_apart_before_is_not():
    before = book(*RECALLED, *kit("A-1", "taken_apart"))
    assert "A-1" not in set(find_recall("OLD1", before, standing(before), PLAN).places["kit"])
    made = book(*RECALLED)
    done = book(*RECALLED, *recall_lines(find_recall("OLD1", made, standing(made), PLAN), standing(made), DAY))
    assert {(row.where, row.kit) for row in find_recall("OLD1", done, standing(done), PLAN).places.itertuples()} == {
        ("gone", "A-1"), ("gone", "A-3")}


def test_after_a_recall_the_position_is_what_is_left_and_the_order_brings_it_to_its_level():
    """Counted seven masks; three were built into kits, first the old lot; of what is left on the shelf and in kits that
    stand ready, the recalled lot does not count."""
    made = book(*RECALLED)
    now = standing(made)
    found = find_recall("OLD1", made, now, PLAN)
    old = sum(lot.units for lot in now.shelf["mask"] if lot.lot == "OLD 1")
    position, coming, level, packs, urgent = found.after["mask"]
    assert coming == 0
    assert position == now.expected["mask"] + 2 - old - 1
    assert (level, packs, urgent) == (6, max(6 - position, 0), False)


def test_taking_a_lot_away_takes_kits_on_the_shelf_apart_and_kits_at_bedsides_whole():
    made = book(*RECALLED)
    now = standing(made)
    lines = recall_lines(find_recall("OLD1", made, now, PLAN), now, DAY)
    assert {(x.event, x.number) for x in lines if x.table == "kits"} == {("taken_apart", "A-1"), ("thrown_away", "A-3")}
    assert {x.lot for x in lines if x.event == "recalled"} == {"OLD 1", "old1"}


def ordered(item, packs, number="1", day=DAY):
    return Line("orders", day, "ordered", item, CATALOGUE.pack[item], packs, number=number, price=1.0)


def test_what_will_not_come_leaves_the_order_and_never_more_than_was_ordered():
    made = book(counted("gauze", 5), ordered("gauze", 3))
    sheets = RoundSheets("receive", {"receive": (came(2, "1", "gauze", 1, 0, will_not_come=9),)})
    step = receive(sheets, made, PLAN, CATALOGUE, DAY + timedelta(days=2))
    assert [(x.event, x.packs) for x in step.lines] == [("will_not_come", 3), ("received", 1)]


def test_what_will_not_come_of_no_order_is_no_line():
    sheets = RoundSheets("receive", {"receive": (came(2, "", "gauze", 1, 0, will_not_come=2),)})
    step = receive(sheets, book(counted("gauze", 5)), PLAN, CATALOGUE, DAY)
    assert "will_not_come" not in {x.event for x in step.lines}


def test_what_was_typed_before_is_taken_in_once_and_said():
    first, second = came(2, "", "gauze", 1, 0), came(3, "", "mask", 2, 0)
    made = book(counted("gauze", 5))
    once = receive(RoundSheets("receive", {"receive": (first,)}), made, PLAN, CATALOGUE, DAY)
    made = made.grown(once.lines, "P")
    again = receive(RoundSheets("receive", {"receive": (first,)}), made, PLAN, CATALOGUE, DAY)
    assert (again.lines, again.told) == ((), ("This delivery is in the book already: nothing was changed.",))
    more = receive(RoundSheets("receive", {"receive": (first, second)}), made, PLAN, CATALOGUE, DAY)
    assert [x.item for x in more.lines] == ["mask"]
    assert more.told[-1] == "1 line was in the book already and not written again."


def test_an_order_that_is_long_due_is_a_question_that_has_no_number_to_answer():
    """Questions about a line carry its number; this one is answered on the sheet Receive."""
    late = DAY + timedelta(days=30)
    made = book(counted("gauze", 5), ordered("gauze", 3), counted("gauze", 5, day=late), counted("mask", 6, day=late))
    (asked,) = [q for q in questions(made, standing(made), PLAN, CATALOGUE) if "still waits" in q.question]
    assert (asked.no, asked.item) == (0, "gauze")


def test_a_sheet_that_is_not_there_is_told_so_and_one_that_lies_elsewhere_is_asked_for_its_unit(tmp_path):
    with pytest.raises(InputError, match="is not there"):
        find_unit(tmp_path / "gone.xlsx")
    (tmp_path / "stray.xlsx").write_bytes(b"PK\x03\x04 and no workbook")
    with pytest.raises(InputError, match="lies in no unit's folder"):
        find_unit(tmp_path / "stray.xlsx")
