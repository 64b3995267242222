"""The story of one item, from census to pack, in the plan's own numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kitplan.demand.values import Demand
from kitplan.parts.par.explanation import explain_item, find_item
from kitplan.planning import plan_unit
from kitplan.read.catalogue import fits_in_millimetres


@pytest.fixture
def told_plan(small_unit, par_maker):
    """A plan computed for the small unit, with par levels made by hand so that no program is solved."""
    plan = plan_unit(small_unit, parts=())
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
    assert "oral 3.5 mm: 4.00 airways on a mean day, 36.0 airway-days" in story
    assert "2 wipes: 3 of 3 kinds of airway; that is 2 of it" in story
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
    assert "Floor 2 packs: no budget and no shelf limit goes below it." in story


def test_an_item_that_no_airway_uses_says_what_is_used_instead(told_plan):
    story = explain_item(told_plan, "saline-10")
    assert "Another item fills its role" in story
    assert "saline-5: cheapest of 2 that fit" in story


def test_an_item_that_fits_no_tube_of_the_census_says_so(told_plan):
    items = told_plan.unit.items.copy()
    items.loc[items["item"] == "saline-10", ["fits_from_mm", "fits_to_mm"]] = (7.0, 9.0)
    plan = replace(told_plan, unit=replace(told_plan.unit, items=fits_in_millimetres(items)))
    assert "No tube of the census has a size that it fits." in explain_item(plan, "saline-10")


@pytest.mark.parametrize("wanted", ["wipe-prep", "WIPE_prep", " wipe prep ", "barrier-film wipe"])
def test_an_item_is_found_by_name_or_description_in_any_case(small_unit, wanted):
    assert find_item(small_unit.items, wanted) == "wipe-prep"


def test_an_unknown_item_is_not_found(small_unit):
    assert find_item(small_unit.items, "crowbar") is None


def test_an_emergency_item_of_the_next_size_says_what_it_is_held_for(told_plan):
    items = told_plan.unit.items.copy()
    items.loc[items["item"] == "mask-42", ["fits_from_mm", "fits_to_mm"]] = 9.5, 10.0
    items = fits_in_millimetres(items)
    story = explain_item(replace(told_plan, unit=replace(told_plan.unit, items=items),
                                 item_choice=replace(told_plan.item_choice, frame=told_plan.item_choice.frame[
                                     told_plan.item_choice.frame["item"] != "mask-42"])), "mask-42")
    assert "It is held for a change to the next size." in story
