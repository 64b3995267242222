"""A practice class reckoned by hand, line by line: what it takes, buys, sets out, moves and leaves over."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.values import ItemChoice
from kitplan.parts.training.cuts import _by_length
from kitplan.parts.training.lists import held_together, piece_text, short_title, station_supplies
from kitplan.parts.training.model import plan_training
from kitplan.parts.training.practice_page import PrintSet
from kitplan.parts.training.requirements import (
    SUPPLY_COLUMNS,
    as_at_bedsides,
    choose_items,
    class_needs,
    durable_roles,
    practice_name,
    rolls_of_width,
    tape_width,
    to_be_had,
)
from kitplan.parts.training.timetable import Thing, largest_remainder, plan_timetable
from kitplan.read.class_values import Durable
from kitplan.read.problems import InputError
from tests.parts.test_training import lesson, practice

NAN = float("nan")
TWO = (practice(), practice(tube_mm=4.0, skin="barrier", attempts=3))


def thing(name, item="", role="", per_station=1, have=0, price=NAN, techniques=(), fits=(NAN, NAN)):
    return Durable(name, item, role, per_station, True, have, price, *fits, techniques)


@pytest.fixture(scope="module")
def unit():
    from tests.conftest import make_unit

    return make_unit()


@pytest.fixture(scope="module")
def plan(unit):
    """Twelve learners at two stations, two goes at 3.5 mm and three at 4.0 mm over fragile skin; 10 % spare.

    24 and 36 goes, 27 and 40 sets. The class has 8 ampoules and 200 wipes, and 5 ampoules past their date.
    """
    return plan_training(unit, [lesson(practices=TWO, have={"saline-5": 8, "wipe-prep": 200}, expired={"saline-5": 5})])


# -- what it takes --------------------------------------------------------------------------------------------------


def test_goes_are_learners_times_tries_and_sets_a_tenth_more_rounded_up(plan):
    sets = plan.needs.sets
    assert sets[["practice", "station", "learners", "goes"]].to_numpy().tolist() == [
        [0, 0, 6, 12], [0, 1, 6, 12], [1, 0, 6, 18], [1, 1, 6, 18]]
    assert sets["sets"].tolist() == [14, 13, 20, 20]


def test_tape_is_three_pieces_a_set_and_dressings_two_where_the_skin_is_fragile(plan):
    """The recipe: two Y and a strip; two pieces of barrier of 25 x 40 mm."""
    assert plan.needs.pieces[["practice", "shape", "length_mm", "count"]].to_numpy().tolist() == [
        [0, "Y", 160, 54], [0, "strip", 160, 27], [1, "Y", 160, 80], [1, "strip", 160, 40]]
    assert plan.needs.dressings.to_numpy().tolist() == [[0, 1, 25.0, 40.0, 80]]


def test_pieces_are_dealt_to_stations_by_their_sets(plan):
    """Of 80 dressing pieces each of two stations with twenty sets gets forty; of 160 mm Y tape 2 a set, 14 and 13."""
    pieces = plan.stations[plan.stations["kind"] == "dressing piece"]
    assert pieces[["lesson", "station", "description", "quantity"]].to_numpy().tolist() == [
        [0, 1, "25 x 40 mm", 40], [0, 2, "25 x 40 mm", 40]]
    first = plan.stations[(plan.stations["station"] == 1) & plan.stations["kind"].str.endswith("piece")]
    assert list(dict.fromkeys(first["kind"])) == ["tape piece", "dressing piece"], "tape first"
    tape = plan.stations[plan.stations["kind"] == "tape piece"].groupby("station")["quantity"].sum()
    assert tape.to_dict() == {1: 3 * 34, 2: 3 * 33}


def test_roles_are_counted_in_use_units_a_set_and_what_lasts_is_not_counted(plan, unit):
    """Two pairs of gloves, two wipes, 5 mL and one use of scissors a set."""
    assert plan.needs.roles[["practice", "role", "need", "sets"]].to_numpy().tolist() == [
        [0, "gloves", 2, 27], [0, "prep_wipe", 2, 27], [0, "saline", 5, 27], [0, "scissors", 1, 27],
        [1, "gloves", 2, 40], [1, "prep_wipe", 2, 40], [1, "saline", 5, 40], [1, "scissors", 1, 40]]
    kept = class_needs(unit, [lesson(durables=(thing("Scissors"),))])
    assert "scissors" not in set(kept.roles["role"])


@pytest.mark.parametrize(("durable", "roles"), [
    (thing("shears", item="scissors"), {"scissors"}), (thing("mask", role="mask"), {"mask"}),
    (thing("SCISSORS"), {"scissors"}), (thing("manikin"), set()),
])
def test_a_thing_that_lasts_serves_the_role_that_it_names_or_is(unit, durable, roles):
    assert durable_roles(unit, lesson(durables=(durable,))) == roles


def test_a_role_used_with_a_barrier_only_adds_to_what_the_recipe_takes_anyway(unit):
    more = replace(unit.techniques["oral_two_y"], uses_with_barrier={"barrier": 2, "prep_wipe": 1}, uses={
        "gloves": 2, "prep_wipe": 2, "saline": 0})
    needs = class_needs(replace(unit, techniques={"oral_two_y": more}), [lesson(practices=TWO)])
    wipes = needs.roles[needs.roles["role"] == "prep_wipe"]
    assert wipes[["practice", "need"]].to_numpy().tolist() == [[0, 2], [1, 3]]
    assert "saline" not in set(needs.roles["role"]), "none of it is none"


def test_a_dressing_without_measures_is_counted_in_pieces_as_any_item_is(unit):
    items = unit.items.copy()
    items.loc[items["role"] == "barrier", ["width_mm", "length_mm"]] = np.nan
    needs = class_needs(replace(unit, items=items), [lesson(practices=TWO)])
    assert needs.dressings.empty
    barrier = needs.roles[needs.roles["role"] == "barrier"]
    assert barrier[["practice", "need", "sets"]].to_numpy().tolist() == [[1, 2, 40]]


@pytest.mark.parametrize(("routes", "skin", "name"), [
    (("oral",), "none", "Oral, two Y pieces, 3.5 mm"), (("oral",), "barrier", "Oral, two Y pieces, 3.5 mm, barrier"),
    (("oral", "nasal"), "none", "Oral, two Y pieces, oral, 3.5 mm"),
])
def test_a_practice_is_called_by_its_technique_size_and_skin_and_its_route_where_there_are_several(unit, routes, skin,
                                                                                                    name):
    technique = replace(unit.techniques["oral_two_y"], routes=routes)
    assert practice_name(replace(unit, techniques={"oral_two_y": technique}), practice(skin=skin)) == name


# -- which tape, which item -----------------------------------------------------------------------------------------


def with_wide_tape(unit, **changes):
    """A roll of 40 mm beside the two of 25 mm, long and cheap by the metre."""
    wide = unit.items.iloc[[1]].assign(item="tape-40", width_mm=40.0, price=12.0, **changes)
    return replace(unit, items=pd.concat([unit.items, wide], ignore_index=True))


def test_tape_is_as_wide_as_at_the_bedside_of_the_nearest_size(unit):
    """Bedsides of 3.5 mm cut 25 mm tape, that of 4.0 mm cuts 40 mm: 3.6 follows the first, 5.0 the second."""
    wide = with_wide_tape(unit)
    choice = ItemChoice(pd.DataFrame({"stratum": [0, 1, 2], "role": "tape", "share": 1.0,
                                      "item": ["tape-25-long", "tape-25-short", "tape-40"]}), {})
    widths = [tape_width(wide, practice(tube_mm=mm), choice) for mm in (3.0, 3.6, 4.0, 5.0)]
    assert widths == [25.0, 25.0, 40.0, 40.0]


def test_a_practice_between_two_sizes_never_cuts_a_tape_that_is_too_narrow_for_it(unit):
    """Tape of 25 mm is for tubes to 3.5 mm: 3.6 is nearest to a bedside that cuts it, and cuts the next, 40 mm."""
    wide = with_wide_tape(unit)
    narrow = wide.items["width_mm"].eq(25.0)
    items = wide.items.assign(fits_to=wide.items["fits_to"].mask(narrow, 3.5),
                              fits_from=wide.items["fits_from"].mask(narrow, 0.0),
                              fits_scale=wide.items["fits_scale"].mask(narrow, "mm"))
    choice = ItemChoice(pd.DataFrame({"stratum": [0, 1, 2], "role": "tape", "share": 1.0,
                                      "item": ["tape-25-long", "tape-25-short", "tape-40"]}), {})
    widths = [tape_width(replace(wide, items=items), practice(tube_mm=mm), choice) for mm in (3.5, 3.6)]
    assert widths == [25.0, 40.0]


def test_tape_that_no_bedside_cuts_is_the_recipes_width_or_the_next_wider_and_of_no_width_the_cheapest(unit):
    """Asked for 25, 26 and 41 mm; without a width the roll of 40 mm is 12 / 12 packs, the least a metre."""
    wide = with_wide_tape(unit)
    technique = unit.techniques["oral_two_y"]
    found = {mm: tape_width(replace(wide, techniques={"oral_two_y": replace(technique, tape_width_mm=mm)}), practice(),
                            None) for mm in (25.0, 26.0, 40.0, 41.0, None)}
    assert found == {25.0: 25.0, 26.0: 40.0, 40.0: 40.0, 41.0: None, None: 40.0}


def test_the_cheapest_tape_is_the_cheapest_by_length_not_by_the_pack(unit):
    """A pack of 12 rolls of 9.1 m at 300 is dearer by the metre than 10 of 1.4 m at 9: 2.7 and 0.66 a metre."""
    wide = with_wide_tape(unit)
    wide.items.loc[wide.items["item"] == "tape-40", "price"] = 300.0
    technique = replace(unit.techniques["oral_two_y"], tape_width_mm=None)
    assert tape_width(replace(wide, techniques={"oral_two_y": technique}), practice(), None) == 25.0


def rolls_to_cut(unit):
    return to_be_had(unit, rolls_of_width(unit, 25.0))["item"]


def test_rolls_of_one_width_are_those_that_are_to_be_had_or_all_where_none_is(unit):
    gone = replace(unit, stock=replace(unit.stock, unavailable=("tape-25-long",)))
    none = replace(unit, stock=replace(unit.stock, unavailable=("tape-25-long", "tape-25-short")))
    assert rolls_to_cut(with_wide_tape(unit)).tolist() == ["tape-25-short", "tape-25-long"]
    assert rolls_to_cut(gone).tolist() == ["tape-25-short"]
    assert len(rolls_to_cut(none)) == 2


def test_a_size_that_no_tape_serves_and_a_piece_as_long_as_the_roll_are_told_apart(unit):
    """160 mm from rolls of 160 mm is cut; from 159 mm it is refused."""
    def of_length(mm):
        items = unit.items.copy()
        items.loc[items["role"] == "tape", "length_mm"] = mm
        return class_needs(replace(unit, items=items), [lesson()]).problems

    assert of_length(160.0) == ()
    long = "a Y piece of 160 mm is longer than every roll of 25 mm tape (the longest is 159 mm)"
    assert of_length(159.0)[0].fault == long
    items = unit.items[unit.items["role"] != "tape"].reset_index(drop=True)
    (problem,) = class_needs(replace(unit, items=items), [lesson()]).problems
    assert problem.fault == "no tape in the catalogue serves Oral, two Y pieces, 3.5 mm"


def roles(*rows):
    return pd.DataFrame(rows, columns=["lesson", "practice", "role", "need", "sets"])


def test_an_item_is_taken_whole_a_set_and_a_shared_one_in_parts(unit):
    """5 mL from an ampoule of 5 is one, 6 mL two; one of a hundred uses of scissors is a hundredth."""
    for need, each in ((5.0, 1), (6.0, 2)):
        taken = choose_items(unit, [lesson()], roles((0, 0, "saline", need, 27)))
        if each == 1:
            assert taken[["item", "sets", "units"]].to_numpy().tolist() == [["saline-5", 27, 27]]
    scissors = choose_items(unit, [lesson()], roles((0, 0, "scissors", 1.0, 27)))
    assert scissors["units"].tolist() == pytest.approx([0.27])


def test_the_least_money_is_that_of_whole_packs(unit):
    """10 mL: two small ampoules at 11 a pack of 50, or one large at 16. 25 sets: one pack of either, small is less; 26
    sets: two packs of small are 22, one of large 16.
    """
    for sets, item, units in ((25, "saline-5", 50), (26, "saline-10", 26), (50, "saline-10", 50)):
        taken = choose_items(unit, [lesson()], roles((0, 0, "saline", 10.0, sets)))
        assert taken[["item", "sets", "units"]].to_numpy().tolist() == [[item, sets, units]]


def test_what_the_class_has_is_used_before_anything_is_bought_of_each_item(unit):
    """Thirty large ampoules in the box: they serve 30 of 40 sets, the rest is one pack of small ones."""
    own = lesson(have={"saline-10": 20}, expired={"saline-10": 10})
    taken = choose_items(unit, [own], roles((0, 0, "saline", 5.0, 40))).set_index("item")
    assert taken.loc["saline-10", "sets"] == 30
    assert taken.loc["saline-5", "sets"] == 10


def test_each_class_has_its_own_box_and_packs_are_bought_together(unit):
    """Two classes of 30: 60 ampoules are two packs; a box of 10 in the first helps the first and saves a pack."""
    for have, first in (({}, 30), ({"saline-10": 10}, 20)):
        both = [lesson(title="One", have=have), lesson(title="Two")]
        taken = choose_items(unit, both, roles((0, 0, "saline", 5.0, 30), (1, 0, "saline", 5.0, 30)))
        small = taken[taken["item"] == "saline-5"]
        assert small.groupby("lesson")["sets"].sum().tolist() == [first, 30]


def test_sizes_side_by_side_share_the_use_by_their_shares_and_only_those_worn(unit):
    """Three quarters small, one quarter medium: of 2 pairs a set and 20 sets, 30 and 10; in boxes of 2 pairs, half."""
    items = unit.items.copy()
    items.loc[items["item"] == "gloves-small", "share"] = 1.5
    items.loc[items["item"] == "gloves-medium", ["share", "contains"]] = 0.5, 2.0
    mixed = replace(unit, items=items)
    wanted = roles((0, 0, "gloves", 2.0, 20))
    taken = choose_items(mixed, [lesson()], wanted)
    assert taken[["item", "sets", "units"]].to_numpy().tolist() == [["gloves-small", 20, 30], ["gloves-medium", 20, 5]]
    worn = choose_items(mixed, [lesson(sizes_worn=("gloves-medium",))], wanted)
    assert worn[["item", "units"]].to_numpy().tolist() == [["gloves-medium", 20]]
    assert len(choose_items(mixed, [lesson(sizes_worn=("gloves-large",))], wanted)) == 2, "none known is worn: all"


def test_where_the_unit_prefers_an_item_only_that_and_what_the_class_has_or_may_use_loose_serve(unit):
    wanted = roles((0, 0, "saline", 5.0, 40))
    prefers = replace(unit, prefer={"saline": "saline-10"})
    assert choose_items(prefers, [lesson()], wanted)["item"].tolist() == ["saline-10"]
    has = choose_items(prefers, [lesson(have={"saline-5": 4})], wanted).set_index("item")["sets"]
    assert has["saline-5"] >= 4
    assert choose_items(prefers, [lesson(loose=("saline",))], wanted)["item"].tolist() == ["saline-5"]
    sterile = replace(prefers, items=prefers.items.assign(sterile=True))
    assert choose_items(sterile, [lesson(loose=("saline",))], wanted)["item"].tolist() == ["saline-10"]
    other = replace(unit, prefer={"saline": "nothing known"})
    assert choose_items(other, [lesson()], wanted)["item"].tolist() == ["saline-5"]


def bedside_choice(*names):
    return ItemChoice(pd.DataFrame({"item": list(names)}), {})


def test_a_class_practises_with_what_its_bedsides_hold(unit):
    """The small ampoule and the short roll are held: the large ampoule goes, the long roll of that width stays; roles
    of which nothing is held keep all.
    """
    held = bedside_choice("saline-5", "tape-25-short", "mask-42")
    kept = set(as_at_bedsides(unit, [lesson(practices=(practice(tube_mm=3.0),))], held).items["item"])
    assert "saline-10" not in kept
    assert {"saline-5", "tape-25-long", "gloves-small", "wipe-prep", "dressing-10", "mask-42"} <= kept
    assert "mask-60" not in kept, "the small mask fits the practice"
    large = set(as_at_bedsides(unit, [lesson(practices=(practice(tube_mm=5.0),))], held).items["item"])
    assert "mask-60" in large, "and does not fit a larger one"


def test_a_class_keeps_what_it_has_itself_and_what_it_may_practise_loose(unit):
    held = bedside_choice("saline-5", "gloves-small")
    def kept(**changes):
        return set(as_at_bedsides(unit, [lesson(**changes)], held).items["item"])

    assert "saline-10" not in kept()
    assert "saline-10" in kept(have={"saline-10": 1})
    assert "saline-10" in kept(expired={"saline-10": 1})
    assert "saline-10" in kept(loose=("saline",))
    assert "gloves-medium" in kept(sizes_worn=("gloves-medium",))
    assert "gloves-medium" not in kept()
    assert "saline-10" in kept(bedside_items=False)
    wide = with_wide_tape(unit)
    narrow = as_at_bedsides(wide, [lesson()], bedside_choice("tape-25-short"))
    assert "tape-40" not in set(narrow.items["item"]), "rolls of a width that is not cut at bedsides go"


# -- what is bought, set out and left -------------------------------------------------------------------------------


def test_the_shopping_list_is_what_is_used_less_what_is_there_in_whole_packs(plan):
    """67 ampoules, 13 of them there: 54 are two packs of 50. 134 wipes are there. Scissors: one a station."""
    table = plan.shopping.set_index("item")
    columns = ["units", "practice_only_units", "own_units", "buy_units", "packs", "value"]
    assert table.loc["saline-5", columns].tolist() == [67, 5, 8, 54, 2, 22]
    assert table.loc["wipe-prep", columns].tolist() == [134, 0, 134, 0, 0, 0]
    assert table.loc["gloves-small", columns].tolist() == [67, 0, 0, 67, 2, 12]
    assert table.loc["scissors", columns].tolist() == [2, 0, 0, 2, 2, 8]
    assert table.loc["saline-5", "because"] == "12 learners, 60 tries in all, 7 spare"
    assert plan.value == pytest.approx(27 + 22 + 22 + 0 + 12 + 12 + 8)


def test_each_station_gets_the_pieces_and_items_of_its_own_sets(plan):
    """34 sets at the first station, 33 at the second."""
    table = plan.stations.pivot_table(index=["kind", "item", "description"], columns="station", values="quantity")
    at = {(kind, item): row.tolist() for (kind, item, _), row in table.iterrows() if kind != "tape piece"}
    assert at["supplies", "saline-5"] == [34, 33]
    assert at["supplies", "wipe-prep"] == [68, 66]
    assert at["supplies", "gloves-small"] == [34, 33]
    assert at["supplies", "scissors"] == [1, 1]
    assert at["dressing piece", "barrier dressing"] == [40, 40]
    y = "Y, 160 mm, slit to 50 mm from the end, 8 mm tabs"
    assert table.loc[("tape piece", "tape 25 mm", y)].tolist() == [68, 66]
    assert table.loc[("tape piece", "tape 25 mm", "strip, 160 mm, clean surface")].tolist() == [34, 33]


def test_what_is_left_over_is_all_that_was_opened_and_not_used_and_each_has_its_place(plan):
    """Rests of packs: 4 of 30 rolls, 46 of 100 ampoules, 33 pairs of each size. 7 spare sets. Of 26 rolls of 1,372 mm
    25 leave 92 mm each, too short; one leaves 1,212 mm. 66 wipes of 200.
    """
    rows = [tuple(r) for r in plan.left[["thing", "quantity", "state", "goes_to"]].to_numpy()]
    box = "Practice box, marked 'practice only, not for patients'"
    for_next = "Class box, for the next class; not for patients"
    assert rows == [
        ("Cloth tape, 25 mm x 1.37 m, single patient", 4, "rest of an opened pack", for_next),
        ("Saline ampoule, 5 mL", 46, "rest of an opened pack", for_next),
        ("Gloves, small", 33, "rest of an opened pack", for_next),
        ("Gloves, medium", 33, "rest of an opened pack", for_next),
        ("Spare sets of pieces and supplies, if no go is spoiled", 7, "cut or opened", box),
        ("Tape 25 mm, ends shorter than any piece, 2,300 mm in all", 25, "opened", "Waste"),
        ("Tape 25 mm, rest of a roll, 1,212 mm", 1, "opened", box),
        ("Scissors, blunt", 2, "opened, perhaps not empty", box),
        ("Barrier-film wipe", 66, "not opened", "Class box, unopened"),
    ]


def test_the_bound_on_tape_is_the_least_that_whole_rolls_give(plan):
    """201 pieces of 160 mm, eight a roll: 26 rolls of 1,372 mm."""
    (row,) = plan.bounds.to_dict("records")
    assert (row["pieces"], row["rolls"], row["least_rolls"]) == (201, 26, 26)
    assert (row["opened_mm"], row["least_mm"], row["gap"]) == (26 * 1372, 26 * 1372, 0)
    assert row["lp_mm"] == pytest.approx(201 / 8 * 1372)
    assert row["waste_share"] == pytest.approx(1 - 201 * 160 / (26 * 1372))


def test_two_rounds_swap_the_stations_and_last_as_long_as_the_longer_practice(plan):
    """18 goes at three places are six turns of six minutes; five minutes to change."""
    setup = plan.setup[["round", "station", "starts", "minutes", "learners", "goes", "sets"]].to_numpy().tolist()
    assert setup == [[1, 1, "+0 min", 36, 6, 12, 14], [1, 2, "+0 min", 36, 6, 18, 20],
                     [2, 1, "+41 min", 36, 6, 18, 20], [2, 2, "+41 min", 36, 6, 12, 13]]
    assert plan.classes["minutes"].tolist() == [77]
    assert plan.classes[["learners", "stations", "goes", "sets"]].to_numpy().tolist() == [[12, 2, 60, 67]]


def test_both_cutters_cut_whole_rolls_as_evenly_as_they_go(plan):
    assert plan.cut_work.groupby("cutter")["pieces"].sum().tolist() == [104, 97]
    assert plan.cut_work.groupby("cutter")["count"].sum().tolist() == [13, 13]


def test_money_of_a_season_goes_to_classes_by_what_each_takes_and_things_by_learners(unit):
    """Twelve and four learners: three quarters of the wipes' packs and of the manikins' money go to the first."""
    kept = (thing("manikin", price=100.0), thing("scissors", item="scissors", have=2))
    few = {"durables": kept, "spare_share": 0.0}
    season = plan_training(unit, [lesson(title="One", **few), lesson(title="Two", learners=4, **few)])
    manikins = 2 * 100.0
    used = season.classes["value"] - manikins * np.array([0.75, 0.25])
    assert used[0] / used.sum() == pytest.approx(0.75)
    assert season.classes["value"].sum() == pytest.approx(season.value)
    assert season.shopping.set_index("item").loc["wipe-prep", "because"] == "48 for One; 16 for Two"


def test_things_that_last_are_what_stands_at_one_time_less_what_is_there(unit):
    """Two manikins a station, two stations: four, of which one is there. Scissors are the catalogue's, by the pack."""
    kept = (thing("manikin", per_station=2, have=1, price=100.0), thing("Scissors", item="scissors", per_station=3),
            thing("lamp"))
    table = plan_training(unit, [lesson(durables=kept)]).shopping.set_index("item")
    columns = ["kind", "units", "own_units", "buy_units", "packs", "value"]
    assert table.loc["manikin", columns].tolist() == ["durable", 4, 1, 3, 3, 300]
    assert table.loc["scissors", columns].tolist() == ["durable", 6, 0, 6, 6, 24]
    assert table.loc["lamp", columns[:4]].tolist() == ["durable", 2, 0, 2]
    assert table.loc["lamp", ["packs", "value"]].isna().all()
    assert table.loc["lamp", "because"] == "most in use at one time; every station keeps its own; no price: borrow it"
    left = plan_training(unit, [lesson(durables=kept)]).left
    (row,) = left[left["state"] == "used in the class"].to_dict("records")
    assert (row["thing"], row["quantity"]) == ("Things that are not used up (3 kinds)", 4 + 6 + 2)
    assert row["goes_to"] == "Class box, or back to the lender"


def test_a_thing_sized_to_practices_is_asked_for_where_it_serves(unit):
    """A mask for tubes to 3.5 mm only, and one for another technique not at all."""
    masks = (thing("mask", role="mask"), thing("stand", price=1.0, fits=(NAN, 3.5)),
             thing("frame", price=1.0, techniques=("nasal",)))
    found = plan_training(unit, [lesson(practices=TWO, durables=masks)])
    assert {"mask-42", "mask-60"} & set(found.shopping["item"])
    assert "frame" not in set(found.shopping["item"])
    assert found.shopping.set_index("item").loc["stand", "units"] == 1, "it goes round with its practice"
    table = found.stations[found.stations["item"] == "stand"]
    assert sorted(table["description"]) == ["stand (round 1)", "stand (round 2)"]


@pytest.mark.parametrize(("first", "second", "numbers"), [
    ((date(2027, 3, 9), 540), (date(2027, 3, 9), 600), [0, 0]),
    ((date(2027, 3, 9), 540), (date(2027, 3, 9), 601), [0, 1]),
    ((date(2027, 3, 9), 601), (date(2027, 3, 9), 540), [1, 0]),
    ((date(2027, 3, 9), None), (date(2027, 3, 9), 1200), [0, 0]),
    ((date(2027, 3, 9), 540), (date(2027, 3, 10), 540), [0, 1]),
    ((None, None), (None, None), [0, 1]),
])
def test_classes_are_held_together_that_overlap_or_touch(first, second, numbers):
    """Sixty minutes each; a class without a start lasts all day, without a day it has a day of its own."""
    both = [lesson(day=day, start_minute=start) for day, start in (first, second)]
    assert held_together(both, [60.0, 60.0]) == numbers


def test_classes_are_called_by_title_and_sessions_of_the_only_course_by_number():
    alone, season = [lesson(title="One")], [lesson(title="One"), lesson(title="Two")]
    course = [lesson(title=f"C, session {k}", course="C", session=k) for k in (1, 2)]
    assert short_title(alone, 0) == "One"
    assert [short_title(season, k) for k in (0, 1)] == ["One", "Two"]
    dated = [lesson(title=f"A practice afternoon of {k}", day=date(2027, 3, k)) for k in (1, 2)]
    assert [short_title(dated, k) for k in (0, 1)] == ["2027-03-01", "2027-03-02"]
    assert [short_title(course, k) for k in (0, 1)] == ["session 1", "session 2"]


@pytest.mark.parametrize(("piece", "words"), [
    ({"shape": "Y", "uncut_mm": 38.0, "tab_mm": 8.0}, "Y, 110 mm, slit to 38 mm from the end, 8 mm tabs"),
    ({"shape": "H", "bridge_mm": 20.0}, "H, 110 mm, slit from both ends to 20 mm in the middle"),
    ({"shape": "strip", "width_share": 0.5, "use": "clean surface"}, "half-width strip, 110 mm, clean surface"),
    ({"shape": "strip"}, "strip, 110 mm"),
])
def test_a_piece_is_told_by_shape_length_slits_and_tabs(piece, words):
    plain = {"length_mm": 110.0, "width_share": 1.0, "uncut_mm": 0.0, "bridge_mm": 0.0, "tab_mm": 0.0, "use": ""}
    assert piece_text(plain | piece) == words


# -- rounds and things ----------------------------------------------------------------------------------------------


def test_the_largest_remainder_takes_the_next_set():
    """Ten sets over 5, 3 and 1 learners: 5.56, 3.33, 1.11; of one left over the largest remainder takes it."""
    assert largest_remainder(10, np.array([5, 3, 1])).tolist() == [6, 3, 1]
    assert largest_remainder(9, np.array([5, 3, 1])).tolist() == [5, 3, 1]
    assert largest_remainder(11, np.array([5, 3, 1])).tolist() == [6, 4, 1], "of 6.11, 3.67 and 1.22 the second"
    assert largest_remainder(11, np.array([1, 1, 1])).tolist() == [4, 4, 3], "equals in order"


def test_practices_are_ordered_so_that_the_dearest_things_are_fewest():
    """Four practices at two stations; 0 and 1 need a dear thing: in the order 0, 2, 1, 3 one is enough at a time."""
    four = tuple(practice(tube_mm=s) for s in (3.0, 3.5, 4.0, 4.5))
    dear = Thing("dear", "", 1, True, 0, 100.0, False, frozenset({0, 1}))
    table = plan_timetable(lesson(practices=four, stations=2), [dear])
    assert table.things[["needed", "have"]].to_numpy().tolist() == [[1, 0]]
    here = replace(dear, have=1, price=math.nan)
    assert plan_timetable(lesson(practices=four, stations=2), [here]).things[["needed", "have"]].to_numpy(
        ).tolist() == [[1, 1]]
    given = plan_timetable(lesson(practices=four, stations=2, rotation="together"), [dear])
    assert given.practice.tolist() == [[0, 0], [1, 1], [2, 2], [3, 3]]
    assert given.things["needed"].tolist() == [2]


def test_one_station_keeps_its_things_and_two_without_time_to_change_too():
    stand = Thing("stand", "", 2, True, 0, 1.0, False, frozenset({0}))
    two = (practice(), practice(tube_mm=4.0))
    alone = plan_timetable(lesson(practices=two, stations=1), [stand])
    assert (alone.things["needed"].tolist(), alone.things["shared"].tolist()) == ([2], [False])
    moved = plan_timetable(lesson(practices=two, stations=2), [stand])
    assert (moved.things["needed"].tolist(), moved.things["shared"].tolist()) == ([2], [True])
    assert moved.moves.to_numpy().tolist() == [[1, "stand", 2, 0, 1], [2, "stand", 2, 1, 2]]
    own = plan_timetable(lesson(practices=two, stations=2), [replace(stand, shared=False)])
    assert own.moves.to_numpy().tolist() == [[1, "stand", 2, 0, 1], [1, "stand", 2, 0, 2]]


def test_rounds_begin_after_the_change():
    """Twelve goes at three places are four turns of six minutes, then five to change; 77 minutes of two such rounds."""
    table = plan_timetable(lesson(practices=(practice(), practice(tube_mm=4.0, attempts=3))), [])
    assert table.rounds.to_numpy().tolist() == [[1, 0, 36], [2, 41, 36]]
    together = plan_timetable(lesson(practices=TWO, rotation="together"), [])
    assert together.rounds.to_numpy().tolist() == [[1, 0, 24], [2, 29, 36]]
    assert (table.minutes, together.minutes) == (77, 65)


def test_problems_of_a_class_are_told_with_the_practice(unit):
    items = unit.items[unit.items["role"] != "saline"].reset_index(drop=True)
    with pytest.raises(InputError) as raised:
        plan_training(replace(unit, items=items), [lesson()])
    assert "no item in the catalogue fills the role saline for 3.5 mm" in str(raised.value)


def test_the_rest_of_a_single_pack_is_left_too(unit):
    """One learner, two goes and a spare set: 6 wipes of a box of 50."""
    left = plan_training(unit, [lesson(learners=1, stations=1)]).left.set_index("thing")
    assert left.loc["Barrier-film wipe", "quantity"] == 44


def test_a_roll_that_is_cut_up_to_its_end_leaves_none(unit):
    """Rolls of 1,280 mm are eight pieces of 160 mm: eight sets of three pieces are three rolls."""
    items = unit.items.copy()
    items.loc[items["item"] == "tape-25-short", "length_mm"] = 1280.0
    items = items[items["item"] != "tape-25-long"].reset_index(drop=True)
    plan = plan_training(replace(unit, items=items), [lesson(learners=4, stations=1, spare_share=0.0)])
    assert plan.tape[0].plan.n_rolls == 3
    assert not plan.left["thing"].str.contains("Tape 25").any()


def test_a_thing_comes_from_the_store_while_there_is_one_and_is_not_carried_for_nothing():
    """Two stations, practices 0, 1, 2; two need it. It stands at 1, then at 2 as well, and stays at both."""
    three = tuple(practice(tube_mm=s) for s in (3.0, 3.5, 4.0))
    table = plan_timetable(lesson(practices=three, stations=2), [Thing("a", "", 2, True, 0, 1.0, False,
                                                                       frozenset({0, 2}))])
    assert table.practice.tolist() == [[0, 1], [1, 2], [2, 0]]
    assert table.moves.to_numpy().tolist() == [[1, "a", 2, 0, 1], [2, "a", 2, 0, 2]]


def test_tables_of_a_season_name_each_class_and_what_is_of_all_of_them(unit):
    season = plan_training(unit, [lesson(title="One"), lesson(title="Two")])
    tables = season.tables()
    assert tables["training_classes"]["class"].tolist() == ["One", "Two"]
    left = tables["training_left"].set_index("thing")
    assert left.loc["Barrier-film wipe", "class"] == "season"
    assert sorted(left.loc["Spare sets of pieces and supplies, if no go is spoiled", "class"]) == ["One", "Two"]
    assert (season.learners, season.called, season.whole) == (24, "classes", "season")
    assert {"One", "Two"} == set(tables["cut_plan"]["class"])


def test_a_class_is_summed_up_in_cost_tape_and_what_to_look_at(plan, unit):
    cost, tape, first = plan.sentences()
    assert cost == "Cost: 103.00 USD, 8.58 for each of 12 learners."
    assert tape == ("Tape: 26 rolls cut for the whole class, 9.8 % waste; a roll of her own for every learner would "
                    "waste 13.2 %.")
    assert first == "Look first at: 5 items past the date; keep them apart, for practice only."
    season = plan_training(unit, [lesson(title="One", learners=1, stations=1), lesson(title="Two")]).sentences()
    assert "for each of 13 learners in 2 classes." in season[0]
    assert "cut for the whole season" in season[1]
    assert season[2] == "Look first at: the station lists, then cut the tape the day before."
    alone = plan_training(unit, [lesson(learners=1, stations=1, expired={"saline-5": 1})]).sentences()
    assert "for each of 1 learner." in alone[0]
    assert "1 item past the date" in alone[2]


# -- a course of three sessions -------------------------------------------------------------------------------------


def sessions_of(*days, **common):
    return [lesson(**{"session": n, "course": "Course", "title": f"Course, session {n}", "day": day, **common})
            for n, day in enumerate(days, 1)]


def prints(classes):
    return PrintSet(SimpleNamespace(lessons=tuple(classes)), tuple(range(len(classes))), "A4", "foot")


@pytest.mark.parametrize(("days", "said"), [
    ([date(2026, 11, 18)], "18 Nov 2026"),
    ([date(2026, 11, 20), date(2026, 11, 18), date(2026, 11, 18)], "18 and 20 Nov 2026"),
    ([date(2026, 11, 18), date(2026, 11, 19), date(2026, 12, 1)], "18, 19 Nov and 1 Dec 2026"),
    ([date(2026, 12, 31), date(2027, 1, 1)], "31 Dec 2026 and 1 Jan 2027"),
    ([date(2026, 11, d) for d in (2, 3, 4, 5)], "2, 3, 4 and 5 Nov 2026"),
    ([date(2026, 11, d) for d in (2, 3, 4, 5, 6)], "5 days, 2 to 6 Nov 2026"),
    ([None], "Date ______________"),
])
def test_days_of_a_print_are_short_with_each_month_and_year_once(days, said):
    classes = sessions_of(*days)
    assert prints(classes).days(range(len(classes))) == said


def test_a_course_is_printed_once_where_its_sessions_are_alike():
    classes = sessions_of(date(2026, 11, 18), date(2026, 11, 19), date(2026, 11, 20), trainer="Trainer")
    made = prints(classes)
    assert (made.title, made.first) == ("Course", classes[0])
    assert made.alike((0, 1, 2), lambda i: "odd" if i % 2 else "even") == [((0, 2), "even"), ((1,), "odd")]
    assert made.alike((0, 1), lambda i: None if i else "only") == [((0,), "only")]
    told = made.meetings((0, 2))
    assert [t.split(": ")[0] for t in told] == ["Session 1", "Session 3"]
    assert told[0].endswith("Trainer: Trainer")
    alone = PrintSet(SimpleNamespace(lessons=(lesson(),)), (0,), "A4", "foot")
    assert alone.title == "Class"
    assert alone.meetings((0,)) == [f"Date and place {'_' * 20}. Trainer: {'_' * 20}"]


def test_a_session_says_where_each_item_comes_from_what_to_buy_by_when_and_what_goes_on(unit):
    """Three sessions of 27 sets: 54 wipes each in packs of 50: two packs, of which 46 go on; then 8 are lacking: one
    pack, 42 go on; then 12 are. Two days of delivery and the day before: ordered three days ahead.
    """
    days = [date(2026, 11, 18), date(2026, 11, 25), date(2026, 12, 2)]
    plan = plan_training(unit, sessions_of(*days))
    wipes = plan.sessions[plan.sessions["item"] == "wipe-prep"]
    columns = ["units", "from_before_units", "new_units", "packs", "goes_on_units"]
    assert wipes[columns].to_numpy().tolist() == [[54, 0, 54, 2, 46], [54, 46, 8, 1, 42], [54, 42, 12, 1, 0]]
    assert wipes["order_by"].tolist() == [day - timedelta(days=3) for day in days]


def test_sessions_keep_their_things_and_buy_what_the_largest_lacks(unit):
    """Two stations, then four: two manikins of which one is there, then four, of which two come from the first."""
    few = {"durables": (thing("manikin", have=1, price=100.0),)}
    classes = sessions_of(date(2026, 11, 18), date(2026, 11, 25), **few)
    classes[1] = replace(classes[1], stations=4)
    plan = plan_training(unit, classes)
    kept = plan.sessions[plan.sessions["item"] == "manikin"]
    assert kept[["units", "from_before_units", "own_units", "new_units", "goes_on_units"]].to_numpy().tolist() == [
        [2, 0, 1, 1, 2], [4, 2, 0, 2, 0]]


def test_what_a_roll_has_left_goes_on_to_the_next_session(unit):
    """One learner, 3 sets of 3 pieces: 9 of 160 mm; rolls of 8: the second leaves 1,212 mm, which gives 7 of the next
    nine. The third session has what is left of its own second roll.
    """
    items = unit.items[unit.items["item"] != "tape-25-long"].reset_index(drop=True)
    classes = sessions_of(date(2026, 11, 18), date(2026, 11, 25), learners=1, stations=1)
    plan = plan_training(replace(unit, items=items), classes)
    ends = plan.sessions[plan.sessions["kind"] == "roll end"]
    first = ends[(ends["lesson"] == 0) & (ends["goes_on_units"] > 0)]
    assert first["description"].tolist() == ["Tape 25 mm, end of a roll, 1,212 mm"]
    second = ends[(ends["lesson"] == 1) & (ends["from_before_units"] > 0)]
    assert second["description"].tolist() == ["Tape 25 mm, end of a roll, 1,212 mm"]
    assert second[["units", "own_units", "practice_only_units", "new_units", "packs"]].to_numpy().tolist() == [
        [1, 0, 0, 0, 0]]
    assert plan.cut_plan().groupby("lesson")["count"].sum().tolist() == [2, 2]
    tape = plan.sessions[plan.sessions["item"] == "tape-25-short"]
    assert tape["new_units"].tolist() == [2, 0], "one of the pack of ten that was opened is no new one"
    assert tape["from_before_units"].tolist() == [0, 1]


def test_two_sessions_of_a_course_at_one_time_are_refused(unit):
    with pytest.raises(InputError, match="is held at the same time as session 1"):
        plan_training(unit, sessions_of(date(2026, 11, 18), date(2026, 11, 18)))


def test_lengths_to_compare_are_rounded_up_to_a_tenth_and_pooled():
    assert list(_by_length(pd.Series([160.0, 95.04, 160.0]), pd.Series([2, 3, 4])).items()) == [(1600, 6), (951, 3)]


def test_a_shared_item_opened_in_one_session_serves_the_next_at_its_station(unit):
    """Scissors of a hundred uses: 27 sets a session at one station; the pair bought first serves three sessions, and of
    thirty uses two more pairs are begun while the first is not at its end.
    """
    days = [date(2026, 11, 18), date(2026, 11, 25), date(2026, 12, 2)]
    columns = ["units", "from_before_units", "new_units", "goes_on_units"]

    def scissors(uses):
        items = unit.items.copy()
        items.loc[items["item"] == "scissors", "contains"] = uses
        plan = plan_training(replace(unit, items=items), sessions_of(*days, stations=1))
        found = plan.sessions[plan.sessions["item"] == "scissors"]
        cards = plan.stations[plan.stations["item"] == "scissors"]
        assert cards["quantity"].tolist() == found["units"].tolist(), "the station's card says what its session does"
        return found[columns].to_numpy().tolist()

    assert scissors(100.0) == [[1, 0, 1, 1], [1, 1, 0, 1], [1, 1, 0, 0]]
    assert scissors(30.0) == [[1, 0, 1, 1], [2, 1, 1, 1], [2, 1, 1, 0]]
    assert scissors(27.0) == [[1, 0, 1, 0], [1, 0, 1, 0], [1, 0, 1, 0]], "used up with the session"


def test_what_stations_share_is_rounded_up_at_each_and_what_is_left_goes_on_to_the_next_session():
    """Three sets and two at two stations. 5 pairs of gloves are 3 and 2. A bottle does for two sets: 1.5 and 1 of
    them are 2 and 1 bottles; in the second session of a course the half bottle at the first station is begun already.
    """
    sets = pd.DataFrame([(number, 0, station, n) for number in (0, 1) for station, n in ((0, 3), (1, 2))],
                        columns=["lesson", "practice", "station", "sets"])
    supplies = pd.DataFrame([(number, 0, role, role, 5, units) for number in (0, 1)
                             for role, units in (("gloves", 5.0), ("bottle", 2.5))], columns=SUPPLY_COLUMNS)
    course = [replace(lesson(), course="spring", session=session) for session in (1, 2)]
    found = station_supplies(course, SimpleNamespace(sets=sets), supplies).set_index(["item", "lesson", "station"])
    assert found["units"].to_dict() == {
        **{("gloves", number, station): n for number in (0, 1) for station, n in ((0, 3), (1, 2))},
        **{("bottle", number, station): n for number in (0, 1) for station, n in ((0, 2), (1, 1))}}
    assert found["taken"]["bottle"].to_dict() == {(0, 0): 2, (0, 1): 1, (1, 0): 1, (1, 1): 1}
    assert found["begun"]["bottle"].to_dict() == {(0, 0): 0, (0, 1): 0, (1, 0): 1, (1, 1): 0}
