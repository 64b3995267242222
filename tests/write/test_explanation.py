"""The story of one item, from census to pack, in the plan's own numbers."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.values import Demand
from kitplan.parts.par.explanation import explain, explain_item
from kitplan.planning import plan_unit
from kitplan.read.problems import InputError
from tests.millimetres import fits_in_millimetres


@pytest.fixture
def told_plan(small_unit, par_maker):
    """A plan computed for the small unit, with par levels made by hand so that no program is solved."""
    plan = plan_unit(replace(small_unit, items=small_unit.items.assign(gtin="", alias="")), parts=())
    levels = par_maker().levels.head(len(small_unit.items)).assign(
        item=small_unit.items["item"], description=small_unit.items["description"],
        because="the sentence that the sheet shows.", floor_packs=[0] * 8 + [2, 2, 1, 0])
    units = np.tile(np.arange(1, 101)[:, None], (1, len(small_unit.items)))
    demand = Demand(tuple(small_unit.items["item"]), units, np.zeros((100, 3), dtype=int), 9.0, 1, "plan")
    return replace(plan, results={"par": par_maker(levels=levels)}, drawn=lambda _: demand)


def test_the_story_goes_from_the_census_to_the_pack(told_plan):
    story = explain_item(told_plan, "wipe-prep")
    steps = ["Census", "How often", "What one re-secure takes", "Why this item", "Expected use", "How much that varies",
             "Par level"]
    places = [story.index(step) for step in steps]
    assert places == sorted(places)
    assert "oral 3.5 mm: 4.00 airways on a mean day planned for, 36.0 airway-days" in story
    assert "2 wipes: all 3 kinds of airway; 2 items each time" in story
    assert "half of them need at most 50, 95 % at most 95, 99 % at most 99, the worst 100" in story


def test_the_story_ends_with_the_because_of_the_sheet(told_plan):
    for item in told_plan.unit.items["item"]:
        assert explain_item(told_plan, item).endswith("Because: the sentence that the sheet shows.")


def test_expected_use_in_the_story_is_the_plans_own(told_plan):
    expected = told_plan.expected.set_index("item")["expected_units"]
    for item in ("wipe-prep", "saline-5", "gloves-small"):
        assert f"= {expected[item]:.1f} units" in explain_item(told_plan, item)


def test_an_item_shared_with_others_tells_its_share(told_plan):
    assert "50 % of the uses fall to it" in explain_item(told_plan, "gloves-small")


def test_an_emergency_item_tells_its_floor_and_that_it_is_one_for_each_airway(told_plan):
    story = explain_item(told_plan, "mask-42")
    assert "one for each airway, however often it is re-secured" in story
    assert "It has a floor: no budget and no shelf limit goes below that." in story


def test_an_item_that_no_airway_uses_says_what_is_used_instead(told_plan):
    story = explain_item(told_plan, "saline-10")
    assert "Another item fills its role" in story
    assert "saline-5: cheapest of 2 that fit" in story


def test_an_item_that_cannot_be_had_says_so_and_names_no_number_to_order_under(told_plan):
    unit = replace(told_plan.unit, stock=replace(told_plan.unit.stock, unavailable=("saline-10",), unavailable_weeks=6))
    levels = told_plan.par.levels
    levels.loc[levels["item"] == "saline-10", "par_units"] = 0
    plan = replace(told_plan, unit=unit, results={"par": replace(told_plan.par, levels=levels)})
    story = explain_item(plan, "saline-10")
    assert "CANNOT BE HAD for 6 weeks" in story.splitlines()[0]
    assert "None is held and none is ordered." in story
    assert "UNDER" not in story


def test_an_item_that_fits_no_tube_of_the_census_says_so(told_plan):
    items = told_plan.unit.items.copy()
    items.loc[items["item"] == "saline-10", ["fits_from_mm", "fits_to_mm"]] = (7.0, 9.0)
    plan = replace(told_plan, unit=replace(told_plan.unit, items=fits_in_millimetres(items)))
    assert "No tube of the census has a size that it fits." in explain_item(plan, "saline-10")


@pytest.mark.parametrize("wanted", ["wipe-prep", "WIPE_prep", " wipe prep ", "barrier-film wipe", "09506000134352"])
def test_an_item_is_found_by_name_description_or_trade_number_in_any_case(told_plan, wanted):
    told_plan.unit.items["gtin"] = ["09506000134352" if i == "wipe-prep" else "" for i in told_plan.unit.items["item"]]
    assert explain(told_plan, wanted) == explain_item(told_plan, "wipe-prep")


def test_an_unknown_item_is_not_found(told_plan):
    with pytest.raises(InputError):
        explain(told_plan, "crowbar")


def test_an_emergency_item_of_the_next_size_says_what_it_is_held_for(told_plan):
    items = told_plan.unit.items.copy()
    items.loc[items["item"] == "mask-42", ["fits_from_mm", "fits_to_mm"]] = 9.5, 10.0
    items = fits_in_millimetres(items)
    story = explain_item(replace(told_plan, unit=replace(told_plan.unit, items=items),
                                 item_choice=replace(told_plan.item_choice, frame=told_plan.item_choice.frame[
                                     told_plan.item_choice.frame["item"] != "mask-42"])), "mask-42")
    assert "It is held for a change to the next size." in story


def test_the_census_is_told_in_airways_airway_days_and_arrivals_of_one_interval(told_plan):
    """Four airways for nine days, who stay six days each: 36 airway-days, six arrivals; and all kinds together."""
    story = explain_item(told_plan, "wipe-prep")
    assert ("oral 3.5 mm: 4.00 airways on a mean day planned for, 36.0 airway-days and 6.0 new airways in 9 days"
            in story)
    assert "Together 81.0 airway-days in one interval of 9 days (count every 7 + delivery 2)." in story
    dressing = explain_item(told_plan, "dressing-10")
    assert "Together 18.0 airway-days in one interval" in dressing, "of the kinds that use it"
    assert "oral 3.5 mm, barrier: 2.00 airways" in dressing
    assert "oral 4.0 mm:" not in dressing


def test_kinds_of_one_rate_are_told_together_and_kinds_of_another_by_name(told_plan):
    assert "0.491 a day for each airway, 0.523 with redos: all of them" in explain_item(told_plan, "wipe-prep")
    faster = told_plan.airways.copy()
    faster.loc[2, ["re_secures_per_day", "attempts_per_day"]] = 0.75, 0.8
    story = explain_item(replace(told_plan, airways=faster), "wipe-prep")
    assert "0.491 a day for each airway, 0.523 with redos: oral 3.5 mm; oral 3.5 mm, barrier" in story
    assert "0.750 a day for each airway, 0.800 with redos: oral 4.0 mm" in story


@pytest.mark.parametrize(("item", "said"), [
    ("saline-5", "5 mL: all 3 kinds of airway; 1 item each time\n"),
    ("wipe-prep", "2 wipes: all 3 kinds of airway; 2 items each time\n"),
    ("dressing-10", "2 pieces: 1 kind of airway; one serves 4 re-secures\n"),
    ("tape-25-short", "one set of tape pieces: all 3 kinds of airway; one serves 2 re-secures\n"),
    ("gloves-medium", "2 pairs: all 3 kinds of airway; 2 items each time, 50 % of the uses fall to it\n"),
])
def test_what_one_re_secure_takes_is_told_in_use_units_and_in_items(told_plan, item, said):
    assert f"   {said}" in explain_item(told_plan, item)


def test_one_use_unit_is_one(told_plan):
    frame = told_plan.item_choice.frame
    alone = frame.assign(need=frame["need"].where(frame["item"] != "wipe-prep", 1.0))
    story = explain_item(replace(told_plan, item_choice=replace(told_plan.item_choice, frame=alone)), "wipe-prep")
    assert "   1 wipe: all 3 kinds" in story


def test_a_short_word_has_a_plural_and_a_measure_has_none(told_plan):
    """Two caps; 2 mL."""
    def told(word):
        items = told_plan.unit.items.copy()
        items.loc[items["item"] == "wipe-prep", "use_unit"] = word
        return explain_item(replace(told_plan, unit=replace(told_plan.unit, items=items)), "wipe-prep")

    assert "   2 caps: all 3 kinds" in told("cap")
    assert "   2 mL: all 3 kinds" in told("mL")


def test_the_reasons_of_a_choice_are_counted_by_kind_of_airway_and_a_lone_kind_is_named(told_plan):
    story = explain_item(told_plan, "tape-25-short")
    assert "cheapest of 2 that fit, 1.81 USD a stay (2 kinds of airway)" in story
    assert "cheapest of 2 that fit, 1.95 USD a stay (oral 4.0 mm)" in story


def test_expected_use_is_that_of_days_and_that_of_arrivals(told_plan):
    """A wipe pack: two a re-secure, 0.523 attempts a day, 81 airway-days; the rest comes with 13.5 arrivals."""
    line = next(x for x in explain_item(told_plan, "wipe-prep").splitlines() if "for airway-days" in x)
    days, arrivals, *more, together = (float(w) for w in line.split() if w.replace(".", "").isdigit())
    assert days == pytest.approx(2 * 0.5227 * 81, abs=0.1)
    assert days + arrivals == pytest.approx(together, rel=0.01)
    left_open = sum(more) * (-1 if " - " in line else 1)
    assert days + arrivals + left_open == pytest.approx(together, abs=1e-9), "what is printed adds up"


def test_the_level_is_told_with_what_ordering_brings_and_how_often_it_runs_short(told_plan):
    """That there is a floor is told where there is one; its number stands in the reason, in single items."""
    row = told_plan.par.levels.set_index("item").loc["wipe-prep"]
    story = explain_item(told_plan, "wipe-prep")
    level, pack, most = row[["par_units", "pack", "largest_units"]]
    assert f"UNDER {level}: order. Comes in {pack}s. After ordering up to {most} " in story
    assert "worth 85.25 USD on the mean; runs short in 0.24 % of intervals." in story
    assert "All items together: 98.1 % (target 98.0 %) is the chance that nothing runs short" in story
    floors = told_plan.par.levels.set_index("item")["floor_packs"]
    for item, packs in floors.items():
        assert ("It has a floor" in explain_item(told_plan, item)) is (packs > 0)
    assert set(floors) == {0, 1, 2}


def test_the_head_names_item_role_pack_price_and_who_uses_it_up(told_plan):
    assert explain_item(told_plan, "saline-5").startswith(
        "Saline ampoule, 5 mL (saline-5): saline, pack of 50, 11.00 USD, used up by each re-secure.\n")
    assert explain_item(told_plan, "mask-42").startswith(
        "Round mask, 42 mm (mask-42): mask, each, 7.00 USD, used up by one patient (the rest is thrown away).\n")


def test_what_is_used_instead_is_told_of_the_same_role_and_of_airways_that_it_fits_only(told_plan):
    """The larger ampoule fits tubes of 4.0 mm here: one kind of airway, and no word of wipes or gloves."""
    items = told_plan.unit.items.copy()
    items.loc[items["item"] == "saline-10", ["fits_from_mm", "fits_to_mm"]] = (4.0, 9.0)
    plan = replace(told_plan, unit=replace(told_plan.unit, items=fits_in_millimetres(items)))
    story = explain_item(plan, "saline-10")
    assert [x.split(":")[0].strip() for x in story.splitlines() if "USD a stay (" in x] == ["saline-5"]
    assert "saline-5: cheapest of 2 that fit, 0.89 USD a stay (oral 4.0 mm)" in story


def test_a_role_of_no_recipe_is_called_so(told_plan):
    items = told_plan.unit.items.copy()
    items.loc[items["item"] == "saline-10", "role"] = "drape"
    plan = replace(told_plan, unit=replace(told_plan.unit, items=items))
    assert "No recipe of the census uses the role drape." in explain_item(plan, "saline-10")


def test_an_unknown_item_is_refused_with_the_nearest_name(told_plan):
    with pytest.raises(InputError) as raised:
        explain(told_plan, "wipe-perp")
    (problem,) = raised.value.problems
    assert (problem.value, problem.fault) == ("wipe-perp", "no item has this name")
    assert "wipe-prep" in problem.mend
    assert explain(told_plan, "barrier-film WIPE") == explain_item(told_plan, "wipe-prep")


@pytest.mark.parametrize(("from_shelf", "said"), [(True, ["mask-42"]), (False, [])])
def test_of_an_item_in_kits_that_are_filled_from_the_shelf_it_is_said_that_its_level_covers_them(
        told_plan, from_shelf, said):
    """A mask that no airway opens may have a level all the same: it lies in every kit."""
    unit = replace(told_plan.unit, bedside=replace(told_plan.unit.bedside, kits_from_shelf=from_shelf))
    kits = SimpleNamespace(contents=pd.DataFrame({"item": ["mask-42"]}))
    plan = replace(told_plan, unit=unit, results=dict(told_plan.results) | {"kits": kits})
    assert [i for i in unit.items["item"] if "filled from this shelf" in explain_item(plan, i)] == said
