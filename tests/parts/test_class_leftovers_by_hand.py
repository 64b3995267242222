"""What a class leaves, takes from its box and buys, from a few rows that are put together by hand."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.training.cuts import (
    BOUGHT,
    CARRIED,
    OWN,
    PAST_DATE,
    _cheapest_greedy,
    _cut_course,
    _Trade,
    compare_with_rules,
)
from kitplan.parts.training.left import _of_all, _of_stock, _scrap, left_over
from kitplan.parts.training.lists import (
    _fill_in_order,
    _rounds,
    class_things,
    items_taken,
    piece_text,
    shopping_list,
    station_supplies,
)
from kitplan.parts.training.model import TrainingPlan, plan_training
from kitplan.parts.training.sessions import COLUMNS, _kept, _roll_ends, _used_up
from kitplan.parts.training.timetable import Thing, _moves, plan_timetable, things_of
from tests.conftest import make_unit
from tests.parts.test_training import lesson, practice

BOX = "Practice box, marked 'practice only, not for patients'"


@pytest.fixture(scope="module")
def unit():
    return make_unit()


def taking(*rows):
    """What classes take: (lesson, item, past its date, of the box, to buy)."""
    return pd.DataFrame(rows, columns=["lesson", "item", "practice_only", "own", "buy"])


# -- what is left ---------------------------------------------------------------------------------------------------


def left_of(sets=None, tape=()):
    """What the two sessions of a course leave, of sets and cuts of tape."""
    unit = SimpleNamespace(items=pd.DataFrame({"item": [], "scope": [], "description": [], "counted_as": []}))
    lessons = [SimpleNamespace(file="c", session=n, have={}, expired={}) for n in (1, 2)]
    sets = pd.DataFrame({"lesson": [], "sets": [], "goes": []}) if sets is None else sets
    shopping = pd.DataFrame({"item": [], "kind": [], "packs": []})
    frame = left_over(unit, lessons, SimpleNamespace(sets=sets), taking(), shopping, tape)
    return list(frame.itertuples(index=False, name=None))


def test_of_packs_bought_the_rest_is_left_and_of_what_is_there_none():
    """Of d, ten bought to be used up, three are; two more stand as durable things and needed no pack of their own."""
    shopping = pd.DataFrame({"item": [*"abcddm"], "description": [*"abcddm"], "kind": "used up",
                             "packs": [2.0, 0.0, 1.0, 1.0, 0.0, np.nan],
                             "pack": [10, 5, 4, 10, 10, 1], "buy_units": [13, 0, 4, 3, 2, 2],
                             "unit": ["piece", "roll", "mask", "pair", "pair", "piece"]})
    assert list(_of_all(shopping)) == [
        (name, rest, unit, "rest of an opened pack", "Class box, for the next class; not for patients")
        for name, rest, unit in (("a", 7, "piece"), ("d", 5, "pair"))]


def test_spare_sets_are_those_beyond_the_goes_of_their_own_class():
    sets = pd.DataFrame({"lesson": [0, 0, 1], "sets": [12, 7, 9], "goes": [10, 6, 9]})
    (row,) = left_of(sets)
    assert row[2:] == (3, "set", "cut or opened", "The next session, as more spare sets")


def cut_of(*waste, keep=160.0, ends=(), halves=0):
    """waste: (mm of one roll, rolls)."""
    plan = pd.DataFrame(waste, columns=["waste_mm", "count"])
    return SimpleNamespace(plan=SimpleNamespace(plan=plan), width_mm=25.0, keep_mm=keep, lesson=1, covers=(1,),
                           ends=ends, halves=halves)


def test_ends_shorter_than_any_piece_are_waste_and_longer_ones_are_kept():
    """Ends of 92 mm three times and 12.5 once; 160 mm still gives a piece, none is no end."""
    (row,) = _scrap(cut_of((92.0, 3), (12.5, 1), (160.0, 2), (0.0, 9)))
    assert row == ("Tape 25 mm, ends shorter than any piece, 288 mm in all", 4, "roll end", "opened", "Waste")
    assert not list(_scrap(cut_of((160.0, 2), (0.0, 1))))
    half, = _scrap(cut_of((0.0, 1), halves=5))
    assert half == ("Tape 25 mm, other halves of half-width strips", 5, "strip", "cut", "Waste")
    assert left_of(tape=[cut_of(ends=((1212.0, 1), (300.0, 2)))]) == [
        (1, "Tape 25 mm, rest of a roll, 1,212 mm", 1, "roll end", "opened", BOX),
        (1, "Tape 25 mm, rest of a roll, 300 mm", 2, "roll end", "opened", BOX)]


def test_what_is_shared_until_empty_is_left_begun_and_other_things_are_not(unit):
    taken = taking((0, "scissors", 1, 0, 1), (1, "scissors", 0, 1, 0), (0, "wipe-prep", 5, 5, 5))
    (row,) = _of_stock(unit, SimpleNamespace(expired={}, have={}), taken, set())
    assert row[:2] == ("Scissors, blunt", 3)
    assert row[3:] == ("opened, perhaps not empty", BOX)


def test_stock_that_a_class_did_not_use_goes_back_to_its_box_old_stock_apart(unit):
    made = SimpleNamespace(expired={"saline-5": 9, "wipe-prep": 2}, have={"saline-5": 10, "mask-42": 1, "scissors": 3})
    taken = taking((0, "saline-5", 4, 10, 3), (1, "saline-5", 1, 0, 0), (0, "wipe-prep", 2, 0, 0))
    rows = _of_stock(unit, made, taken, {"scissors"})
    assert [(r[0], r[1], r[3], r[4]) for r in rows] == [
        ("Saline ampoule, 5 mL", 4, "past its date", BOX), ("Round mask, 42 mm", 1, "not opened",
                                                            "Class box, unopened")]


# -- what is taken --------------------------------------------------------------------------------------------------


def test_stock_past_its_date_goes_first_then_the_box_and_a_course_shares_both():
    """Two sessions of one course take five and six; three old ones and four in the box are there for both."""
    both = [SimpleNamespace(file="c", session=n, expired={"x": 3}, have={"x": 4}) for n in (1, 2)]
    frame = pd.DataFrame({"lesson": [0, 0, 1], "item": ["x", "x", "x"], "taken": [2, 3, 6]})
    assert items_taken(both, frame, [], []).equals(taking((0, "x", 3, 2, 0), (1, "x", 0, 2, 4)))
    apart = [SimpleNamespace(file="c", session=0, expired={"x": 3}, have={"x": 4}) for _ in (1, 2)]
    assert items_taken(apart, frame, [], []).equals(taking((0, "x", 3, 2, 0), (1, "x", 3, 3, 0)))


def test_rolls_are_taken_by_where_they_come_from_and_carried_ones_are_no_taking():
    cut = SimpleNamespace(lesson=1, plan=SimpleNamespace(opened={"p": 1, "o": 2, "b": 3, "c": 4, "z": 5}), source={
        "p": ("roll", PAST_DATE), "o": ("roll", OWN), "b": ("roll", BOUGHT), "c": ("roll", CARRIED),
        "z": ("other", CARRIED)})
    none = pd.DataFrame({"lesson": pd.Series(dtype=int), "item": pd.Series(dtype=str), "taken": pd.Series(dtype=int)})
    lessons = [SimpleNamespace(file="c", session=0)] * 2
    assert items_taken(lessons, none, [cut], []).equals(taking((1, "roll", 1, 2, 3)))


def test_sets_are_dealt_to_stations_in_order():
    """Three, four and two wait; five sets of the first item, then four of the second."""
    left = np.array([3, 4, 2])
    first = _fill_in_order(left, 5)
    assert first.tolist() == [3, 2, 0]
    assert _fill_in_order(left - first, 4).tolist() == [0, 2, 2]


# -- what is bought -------------------------------------------------------------------------------------------------


def test_a_list_buys_whole_packs_of_what_is_lacking_and_says_for_whom(unit):
    """Fifty-one ampoules are two packs of fifty at 11; of wipes nothing is bought."""
    one = [lesson(learners=6, stations=1)]
    table = plan_timetable(one[0], class_things(unit, one[0]))
    needs = SimpleNamespace(sets=pd.DataFrame({"goes": [12], "sets": [14]}))
    taken = taking((0, "wipe-prep", 2, 3, 0), (0, "saline-5", 0, 0, 51))
    rows = shopping_list(unit, one, needs, taken, [table])
    used = rows[rows["kind"] == "used up"].set_index("item")
    assert used.index.tolist() == ["saline-5", "wipe-prep"], "in the catalogue's order"
    assert used.loc["saline-5", ["units", "buy_units", "pack", "packs", "value"]].tolist() == [51, 51, 50, 2.0, 22.0]
    assert used.loc["wipe-prep", ["units", "practice_only_units", "own_units", "packs", "value"]].tolist() == [
        5, 2, 3, 0.0, 0.0]
    assert used.loc["saline-5", "because"] == "6 learners, 12 tries in all, 2 spare"
    exact = shopping_list(unit, one, needs, taking((0, "saline-5", 0, 0, 100)), [table])
    assert exact.loc[0, "packs"] == 2.0


@pytest.mark.parametrize(("piece", "said"), [
    ({"shape": "strip", "length_mm": 80.0}, "strip, 80 mm"),
    ({"shape": "strip", "length_mm": 80.0, "width_share": 0.5}, "half-width strip, 80 mm"),
    ({"shape": "Y", "length_mm": 110.0, "uncut_mm": 50.0, "tab_mm": 8.0, "use": "lip"},
     "Y, 110 mm, slit to 50 mm from the end, 8 mm tabs, lip"),
    ({"shape": "H", "length_mm": 90.5, "bridge_mm": 20.0}, "H, 90.5 mm, slit from both ends to 20 mm in the middle"),
])
def test_a_piece_is_told_as_it_is_cut(piece, said):
    plain = {"width_share": 1.0, "uncut_mm": 0.0, "bridge_mm": 0.0, "tab_mm": 0.0, "use": ""}
    assert piece_text(plain | piece) == said


def test_rounds_are_told_in_words():
    assert _rounds(np.array([2])) == "round 2"
    assert _rounds(np.array([1, 3])) == "rounds 1 and 3"
    assert _rounds(np.array([1, 2, 4])) == "rounds 1, 2 and 4"


# -- the whole ------------------------------------------------------------------------------------------------------


def test_rounds_of_a_class_are_told_with_stations_times_and_sets(unit):
    """Five learners at two stations: three and two; two practices of one go and a spare set of a tenth each."""
    made = plan_training(unit, [lesson(learners=5, stations=2, spare_share=0.1, start_minute=600, practices=(
        practice(attempts=1), practice(tube_mm=4.0, attempts=1)))])
    table = made.setup
    assert table[["round", "station"]].to_numpy().tolist() == [[1, 1], [1, 2], [2, 1], [2, 2]]
    assert table["learners"].tolist() == [3, 2, 3, 2]
    assert table["goes"].tolist() == [3, 2, 3, 2]
    assert table["starts"].iloc[0] == "10:00"
    assert table.groupby("practice")["sets"].sum().tolist() == [6, 6]
    by_class = made.classes.iloc[0]
    assert by_class[["learners", "stations", "goes", "sets"]].tolist() == [5, 2, 10, 12]
    assert by_class["value"] == pytest.approx(made.value)
    assert by_class["value_per_learner"] == pytest.approx(made.value / 5)
    assert made.learners == 5
    assert made.tables()["training_pieces"]["practice"].nunique() == 2


def test_money_for_rolls_is_of_whole_packs_over_all_that_are_cut():
    """Eleven rolls of ten a pack at 9 and one of another at 30 a dozen; those of the box cost nothing."""
    from kitplan.parts.training.cuts import _money

    def cut(**opened):
        source = {"b": ("short", BOUGHT), "c": ("long", BOUGHT), "o": ("short", OWN)}
        return SimpleNamespace(source=source, plan=SimpleNamespace(opened=opened))

    kinds = pd.DataFrame({"item": ["short", "long"], "pack": [10, 12], "price": [9.0, 30.0]})
    trade = SimpleNamespace(kinds=kinds)
    assert _money([cut(b=6, o=7), cut(b=5), cut(c=1)], trade) == 18.0 + 30.0
    assert _money([cut(b=10)], trade) == 9.0
    assert _money([cut(b=0, o=3)], trade) == 0.0


def test_what_is_left_of_one_class_is_its_own_and_of_several_their_packs_are_of_all(unit):
    alone = plan_training(unit, [lesson(learners=1, stations=1)]).left
    assert set(alone["lesson"]) == {0}
    both = plan_training(unit, [lesson(learners=1, stations=1), lesson(learners=1, stations=1, title="Two")]).left
    assert set(both.loc[both["state"] == "rest of an opened pack", "lesson"]) == {-1}
    assert {0, 1} <= set(both["lesson"])


def test_a_warning_is_what_to_look_at_first(unit):
    from dataclasses import replace

    made = plan_training(unit, [lesson(learners=1, stations=1)])
    assert replace(made, warnings=("Mind the roll.", "And this.")).sentences()[2] == "Look first at: Mind the roll."


def test_where_two_items_serve_one_practice_the_first_stations_take_the_first():
    """Three, four and two sets; five take an ampoule of one kind, four two of another. Side by side all take both."""
    sets = pd.DataFrame({"lesson": 0, "practice": 0, "station": [0, 1, 2], "sets": [3, 4, 2]})
    needs = SimpleNamespace(sets=sets)
    lessons = [SimpleNamespace(file="c", session=0)]

    def dealt(*rows):
        frame = pd.DataFrame(rows, columns=["item", "sets", "units"]).assign(lesson=0, practice=0, role="saline")
        found = station_supplies(lessons, needs, frame)
        return {(r.station, r.item): r.units for r in found.itertuples()}

    assert dealt(("small", 5, 5.0), ("large", 4, 8.0)) == {(0, "small"): 3, (1, "small"): 2, (1, "large"): 4,
                                                           (2, "large"): 4}
    both = dealt(("small", 9, 9.0), ("large", 9, 18.0))
    assert [both[station, "small"] for station in range(3)] == [3, 4, 2]
    assert [both[station, "large"] for station in range(3)] == [6, 8, 4]


def test_things_of_a_station_are_listed_as_the_class_takes_them():
    """Wipes before the ampoule, though it comes first by name."""
    sets = pd.DataFrame({"lesson": 0, "practice": [0, 0], "station": [0, 1], "sets": [1, 1]})
    frame = pd.DataFrame([("wipe", "prep", 2, 4.0), ("ampoule", "saline", 2, 2.0)],
                         columns=["item", "role", "sets", "units"]).assign(lesson=0, practice=0)
    found = station_supplies([SimpleNamespace(file="c", session=0)], SimpleNamespace(sets=sets), frame)
    assert found["item"].tolist() == ["wipe", "wipe", "ampoule", "ampoule"]
    assert found["units"].tolist() == [2, 2, 1, 1]


def test_an_end_that_a_session_uses_up_does_not_go_on_and_one_that_is_left_does():
    """Of three sessions the second cuts the end of 300 mm that was left to it and leaves two of 500; after the last
    nothing goes on.
    """
    lessons = [SimpleNamespace(file="c", session=k + 1) for k in range(3)]
    for session, goes_on in ((1, {300.0: 0, 500.0: 2}), (2, {300.0: 0})):
        cut = SimpleNamespace(lesson=session, covers=(session,), width_mm=25.0, ends=((500.0, 2),),
                              source={"end": ("tape", CARRIED), "new": ("tape", BOUGHT)},
                              plan=SimpleNamespace(stock=[SimpleNamespace(name="end", length_mm=300.0),
                                                          SimpleNamespace(name="new", length_mm=1372.0)],
                                                   opened={"end": 1, "new": 1}))
        rows = {r[3]: dict(zip(COLUMNS, r)) for r in _roll_ends(lessons, [cut])}
        found = {mm: rows[f"Tape 25 mm, end of a roll, {mm:,.0f} mm"] for mm in goes_on}
        assert {mm: row["goes_on_units"] for mm, row in found.items()} == goes_on
        assert len(rows) == len(goes_on)
        assert (found[300.0]["units"], found[300.0]["from_before_units"]) == (1, 1)


def test_every_learner_her_own_roll_takes_the_kind_of_roll_that_costs_least_and_holds_the_longest_piece():
    """Three pieces of 400 mm for each of five: from 1 m rolls two each at 1 USD, from 2 m rolls one each at 3 USD. One
    piece of 1.5 m takes the long rolls.
    """
    short, long = (pd.Series({"length_mm": mm, "price": price, "pack": 10})
                   for mm, price in ((1000.0, 10.0), (2000.0, 30.0)))
    plain, mixed = pd.Series({4000: 3}), pd.Series({25_000: 0, 4000: 1})
    assert _cheapest_greedy([short, long], [(plain, 5)]).tolist() == [10.0, 10_000.0, 10.0]
    assert _cheapest_greedy([short, long], [(pd.Series({15_000: 1}), 2), (mixed, 1)]).tolist() == [3.0, 6000.0, 9.0]


def test_rules_of_thumb_are_reckoned_from_the_rolls_that_the_plan_opens(unit):
    """Six of 400 mm and four of 200 for two learners. Together: two rolls of 1,372 mm at 0.90 and one of 9,144 at 2.50,
    beside an end of 500 that costs nothing more. Longest first: one piece from the end, all others from the long roll.
    Each her own: three and two pieces take two short rolls.
    """
    plan = SimpleNamespace(opened={"short": 2, "long": 1, "end": 1, "other": 0}, stock=[
        SimpleNamespace(name=name, length_mm=mm) for name, mm in (("short", 1372.0), ("long", 9144.0), ("end", 500.0),
                                                                  ("other", 9144.0))])
    source = {"short": ("tape-25-short", BOUGHT), "long": ("tape-25-long", OWN), "end": ("tape-25-short", CARRIED),
              "other": ("tape-25-long", BOUGHT)}
    pieces = pd.DataFrame([(25.0, 400.0, 6), (25.0, 200.0, 4), (12.0, 99.0, 50)],
                          columns=["width_mm", "length_mm", "count"]).assign(lesson=0, practice=0)
    sets = pd.DataFrame({"lesson": [0, 0], "practice": 0, "goes": [1, 1], "sets": [1, 1]})
    one = lesson(learners=2, stations=2, practices=(practice(attempts=1),))
    table = compare_with_rules(unit, [one], pieces, sets, [
        SimpleNamespace(covers=(0,), width_mm=25.0, plan=plan, source=source)]).set_index("method")
    assert table.loc["cut together", ["rolls", "opened_mm"]].tolist() == [3, 2 * 1372 + 9144]
    assert table.loc["longest piece first", ["rolls", "opened_mm"]].tolist() == [1, 9144]
    assert table.loc["every learner her own roll", ["rolls", "opened_mm"]].tolist() == [4, 4 * 1372]
    assert table["value"].tolist() == pytest.approx([2 * 0.9 + 2.5, 2.5, 3.6])
    assert table["waste_share"].tolist() == pytest.approx([1 - 3200 / mm for mm in (11888, 9144, 5488)])
    twice = pd.concat([pieces, pieces.assign(lesson=1)], ignore_index=True)
    both = compare_with_rules(unit, [one, one], twice, pd.concat([sets, sets.assign(lesson=1)]), [
        SimpleNamespace(covers=(0, 1), width_mm=25.0, plan=plan, source=source)]).set_index("method")
    assert both.loc["every learner her own roll", "rolls"] == 8, "of a course, each learner of each session"


def test_rolls_left_of_a_pack_are_cut_before_others_are_bought():
    """A piece of 1,500 mm opens one of a dozen long rolls. Two of 900 the week after come from one of the eleven left,
    though two short rolls would cost next to nothing.
    """
    kinds = pd.DataFrame([("long", 2000.0, 30.0, 12, 25.0), ("short", 1000.0, 1.0, 1, 25.0)],
                         columns=["item", "length_mm", "price", "pack", "width_mm"])
    pieces = pd.DataFrame([(0, 1500.0, 1), (1, 900.0, 2)], columns=["lesson", "length_mm", "count"]).assign(
        width_mm=25.0, width_share=1.0)
    week = lesson(cut="before each session")
    first, second = _cut_course([week, week], [0, 1], pieces, _Trade(kinds, kinds, True), kinds, False)
    assert [name for name, count in first.plan.opened.items() if count] == ["long"]
    assert [(second.source[name], count) for name, count in second.plan.opened.items() if count] == [
        (("long", BOUGHT), 1)]
    assert second.plan.cost == 0


def test_a_session_buys_whole_packs_of_what_an_earlier_one_left_and_says_by_when_to_order(unit):
    """Ampoules in packs of fifty. Thirty, thirty and five bought: the second takes the twenty left of the first and one
    that was begun, the third (another class) takes five of the forty left then. Two days of lead time, one to cut.
    """
    day = date(2026, 5, 20)
    lessons = [SimpleNamespace(file="c", session=1, day=day), SimpleNamespace(file="c", session=2, day=None),
               SimpleNamespace(file="d", session=0, day=None)]
    at_stations = pd.DataFrame([(1, "saline-5", 1), (1, "wipe-prep", 2)], columns=["lesson", "item", "begun"])
    taken = taking((2, "saline-5", 1, 2, 5), (1, "saline-5", 0, 0, 30), (0, "wipe-prep", 0, 4, 0),
                   (0, "saline-5", 0, 0, 30), (1, "wipe-prep", 0, 0, 0))
    rows = pd.DataFrame(_used_up(unit, lessons, at_stations, taken), columns=COLUMNS)
    assert list(zip(rows["lesson"], rows["item"])) == [(0, "saline-5"), (0, "wipe-prep"), (1, "saline-5"),
                                                       (1, "wipe-prep"), (2, "saline-5")]
    numbers = rows[["units", "from_before_units", "practice_only_units", "own_units", "new_units", "packs",
                    "goes_on_units"]]
    assert numbers.to_numpy().tolist() == [[30, 0, 0, 0, 30, 1, 21], [4, 0, 0, 4, 0, 0, 2], [31, 21, 0, 0, 10, 1, 40],
                                           [2, 2, 0, 0, 0, 0, 0], [8, 5, 1, 2, 0, 0, 0]]
    assert rows["order_by"].tolist() == [date(2026, 5, 17), None, None, None, None]
    assert (rows["kind"] == "used up").all()


def test_a_durable_thing_is_there_once_for_all_sessions(unit):
    """Two dolls are needed, then three, and one is owned: one more is bought for each session, two go on."""
    tables = [SimpleNamespace(things=pd.DataFrame([("doll", "", n, 1), ("shears", "scissors", 1, 4)],
                                                  columns=["thing", "item", "needed", "have"])) for n in (2, 3)]
    rows = pd.DataFrame(_kept(unit, [0, 1], tables), columns=COLUMNS)
    numbers = rows[["lesson", "units", "from_before_units", "own_units", "new_units", "goes_on_units"]]
    assert numbers.to_numpy().tolist() == [[0, 2, 0, 1, 1, 2], [0, 1, 0, 1, 0, 1], [1, 3, 2, 0, 1, 0],
                                           [1, 1, 1, 0, 0, 0]]
    assert rows["item"].tolist() == ["doll", "scissors"] * 2
    assert rows["unit"].iloc[0] == "piece"


def summed_up(lessons=1, rolls=3, past=0, warnings=(), called="sessions"):
    comparison = pd.DataFrame([("cut together", rolls, 0.125), ("every learner her own roll", 9, 0.5)],
                              columns=["method", "rolls", "waste_share"])
    plan = SimpleNamespace(
        value=80.0, learners=16, currency="USD", lessons=["x"] * lessons, called=called, comparison=comparison,
        shopping=pd.DataFrame({"practice_only_units": [past, 0]}), warnings=warnings)
    plan.places = TrainingPlan.places.fget(plan)
    return TrainingPlan.sentences(plan)


def test_a_class_is_summed_up_in_money_tape_and_what_to_look_at():
    assert summed_up() == (
        "Cost: 80.00 USD, 5.00 for each of 16 learners.",
        "Tape: 3 rolls cut for the whole class, 12.5 % waste; a roll of her own for every learner would waste 50.0 %.",
        "Look first at: the station lists, then cut the tape the day before.")
    assert summed_up(2)[0] == (
        "Cost: 80.00 USD, 5.00 for each of 16 places in 2 sessions."), "who comes twice is counted twice"
    assert "16 learners in 2 classes" in summed_up(2, called="classes")[0]
    assert "whole course" in summed_up(2)[1]
    assert "whole season" in summed_up(2, called="classes")[1]
    assert summed_up(rolls=0)[1] == "Tape: none is used."
    assert summed_up(rolls=1)[1].startswith("Tape: 1 roll cut")
    assert summed_up(past=1)[2] == "Look first at: 1 item past the date; keep them apart, for practice only."
    assert summed_up(past=1, warnings=("Mind it.", "x"))[2] == "Look first at: Mind it."


def thing_for(items, role="mask", price=np.nan, have=3):
    """Things of a durable of which two stand at each station; the third of four practices does without it."""
    durable = SimpleNamespace(name="Doll", role=role, per_station=2, shared=True, have=have, price=price,
                              serves=lambda practice: practice != "without")
    one = SimpleNamespace(practices=["a", "b", "without", "c"], have={"mask-42": 1})
    catalogue = {"mask-42": ("Mask 42", 4.5), "mask-60": ("Mask 60", 6.0)}
    return [(t.name, t.item, t.have, t.by_pack, sorted(t.practices), t.price)
            for t in things_of(one, durable, items, catalogue)]


def test_a_durable_thing_is_one_thing_for_each_item_that_serves_a_practice():
    """What the class has of it counts only where one item serves all; a practice that no item serves does without."""
    assert thing_for(["mask-42", "mask-60", "mask-42", ""]) == [
        ("Mask 42", "mask-42", 1, True, [0], 4.5), ("Mask 60", "mask-60", 0, True, [1], 6.0)]
    assert thing_for(["mask-42"] * 4) == [("Mask 42", "mask-42", 4, True, [0, 1, 3], 4.5)]
    assert thing_for(["mask-42"] * 4, price=9.0)[0][3:] == (False, [0, 1, 3], 9.0), "its own price is for one"
    (free,) = thing_for([""] * 4, role="")
    assert free[:5] == ("Doll", "", 3, False, [0, 1, 3])
    assert np.isnan(free[5])


def test_what_is_left_is_listed_for_the_season_and_course_by_course(unit):
    """Two sessions of a course with three and two spare sets; shears and two dolls are not used up."""
    lessons = [SimpleNamespace(file="c", session=k, have={}, expired={}) for k in (1, 2)]
    needs = SimpleNamespace(sets=pd.DataFrame({"lesson": [0, 1], "sets": [13, 12], "goes": [10, 10]}))
    shopping = pd.DataFrame([("shears", "durable", 1, 1.0, 1, 1, "pair"), ("doll", "durable", 2, np.nan, 1, 0, "doll")],
                            columns=["item", "kind", "units", "packs", "pack", "buy_units", "unit"])
    rows = left_over(unit, lessons, needs, taking(), shopping.assign(description=shopping["item"]), [])
    assert rows[["lesson", "quantity"]].to_numpy().tolist() == [[-1, 3], [0, 3], [1, 2]]
    assert rows["thing"].iloc[0] == "Things that are not used up (2 kinds)"
    assert rows["goes_to"].iloc[1:].tolist() == ["The next session, as more spare sets", BOX]
    alone = left_over(unit, [SimpleNamespace(file="c", session=0, have={}, expired={})], needs, taking(),
                      shopping.assign(description="x").iloc[:1], [])
    assert alone["lesson"].tolist() == [0, 0]
    assert alone["thing"].iloc[0] == "Things that are not used up (1 kind)"


def test_a_thing_that_moves_is_told_beside_one_that_stays():
    """Shears stand at both stations from the first round on; one pump goes from the box to the first, then on."""
    stays = Thing("shears", "", 1, False, 0, np.nan, False, frozenset({0, 1}))
    goes = Thing("pump", "", 1, True, 0, np.nan, False, frozenset({0}))
    moves = _moves(lesson(), [stays, goes], np.array([[0, 1], [1, 0]]))
    assert sorted(moves[["before_round", "thing", "count", "from_station", "to_station"]].to_numpy().tolist()) == [
        [1, "pump", 1, 0, 1], [1, "shears", 1, 0, 1], [1, "shears", 1, 0, 2], [2, "pump", 1, 1, 2]]


def test_what_all_classes_cost_is_what_is_bought_though_the_first_items_are_owned(unit):
    owned = {unit.items["item"].iloc[0]: 500, unit.items["item"].iloc[1]: 500}
    plan = plan_training(unit, [lesson(learners=4, have=owned), lesson(learners=6, title="Two")])
    assert plan.shopping.set_index("item")["buy_units"].eq(0).any()
    assert plan.classes["value"].sum() == pytest.approx(plan.shopping["value"].sum())
    assert plan.classes["value_per_learner"].tolist() == pytest.approx((plan.classes["value"] / [4, 6]).tolist())
