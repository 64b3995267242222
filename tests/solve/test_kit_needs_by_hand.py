"""What kits must hold and what fills them, on a unit of three kinds of airway and twelve items, reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.fit import catalogue_records
from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.parts.kits.accounts import kit_traffic
from kitplan.parts.kits.contents import (
    KitItemChoice,
    choose_kit_items,
    forced_items,
    opened_per_kit,
    role_costs,
    unit_litres,
    unit_prices,
)
from kitplan.parts.kits.groups import PriceList
from kitplan.parts.kits.model import _round_up
from kitplan.parts.kits.requirements import kit_needs, spare_tubes, unservable
from kitplan.parts.kits.slots import NEVER, build_slots
from kitplan.parts.kits.tables import contents_table, designs_item_choice
from kitplan.read.problems import UnsafePlan
from tests.millimetres import fits_in_millimetres

MONTH = 365.25 / 12
PLACE = {name: i for i, name in enumerate((
    "tape-25-short", "tape-25-long", "dressing-10", "saline-5", "saline-10", "wipe-prep", "gloves-small",
    "gloves-medium", "mask-42", "mask-60", "bag-450", "scissors"))}


def needs_of(unit):
    return kit_needs(unit, attempt_tables(unit))


def slots_of(unit, needs=None):
    needs = needs or needs_of(unit)
    return {slot.name: slot for slot in build_slots(unit, needs, choose_kit_items(unit, needs))}


def with_item(unit, **values):
    """The unit with one row of its catalogue changed: with_item(unit, item="mask-42", min_bedside=2)."""
    items = unit.items.copy()
    row = items["item"] == values.pop("item")
    for column, value in values.items():
        items.loc[row, column] = value
    return replace(unit, items=fits_in_millimetres(items))


def bedside(unit, **changes):
    return replace(unit, bedside=replace(unit.bedside, **changes))


def with_saline(unit, need):
    (name, technique), = unit.techniques.items()
    return replace(unit, techniques={name: replace(technique, uses={**technique.uses, "saline": need})})


# -- needs ----------------------------------------------------------------------------------------------------------


def test_each_airway_gets_the_emergency_sizes_that_fit_it_and_the_next_one(small_unit):
    """3.5 mm: the 42 mm mask (2.0 to 3.5), next the 60 mm one (3.5 to 5.0); 4.0 mm: the latter alone; one bag."""
    needs = needs_of(small_unit)
    small, large, bag = PLACE["mask-42"], PLACE["mask-60"], PLACE["bag-450"]
    assert needs.emergency == ({small: 1, large: 1, bag: 1}, {small: 1, large: 1, bag: 1}, {large: 1, bag: 1})
    assert needs.primary == {(0, "mask"): small, (1, "mask"): small, (2, "mask"): large,
                             **{(g, "bag"): bag for g in range(3)}}
    alone = needs_of(bedside(small_unit, adjacent_size=False))
    assert [set(held) for held in alone.emergency] == [{small, bag}, {small, bag}, {large, bag}]


@pytest.mark.parametrize(("least", "held"), [(2.0, 2), (1.5, 2), (0.0, 1), (np.nan, 1)])
def test_a_bedside_minimum_raises_what_is_held_of_the_size_that_fits(small_unit, least, held):
    needs = needs_of(with_item(small_unit, item="mask-42", min_bedside=least))
    assert [own.get(PLACE["mask-42"]) for own in needs.emergency] == [held, held, None]
    assert needs.emergency[0][PLACE["mask-60"]] == 1, "the next size is there once"


def test_what_hangs_on_the_wall_is_needed_and_lies_in_no_kit(small_unit):
    needs = needs_of(bedside(small_unit, on_wall=("gloves",)))
    assert [own == {"gloves": 2} for own in needs.on_wall] == [True] * 3
    assert all("gloves" not in own for own in needs.needs)
    assert all(role != "gloves" for _, role in needs.candidates)
    assert needs_of(small_unit).needs[1]["barrier"] == 2.0
    assert "barrier" not in needs_of(small_unit).needs[0]


def test_where_the_unit_prefers_an_item_that_serves_it_alone_may_fill_the_role(small_unit):
    liked = needs_of(replace(small_unit, prefer={"saline": "saline-10", "tape": "tape-25-long"}))
    assert liked.candidates[0, "saline"] == [PLACE["saline-10"]]
    assert liked.candidates[0, "tape"] == [PLACE["tape-25-long"]]
    assert set(needs_of(small_unit).candidates[0, "saline"]) == {PLACE["saline-5"], PLACE["saline-10"]}
    gone = needs_of(replace(small_unit, prefer={"saline": "nothing"}))
    assert len(gone.candidates[0, "saline"]) == 2


def test_items_opened_are_told_as_far_as_a_stay_and_a_full_kit_reach(small_unit):
    needs = needs_of(small_unit)
    table = needs.opened[0, PLACE["tape-25-short"]]
    assert len(table) >= len(needs.use[0].stay_attempts) + needs.re_secures[0]
    assert table[:8].tolist() == [0, 1, 1, 2, 2, 2, 3, 3], "eight pieces a roll, three a re-secure: sixteen serve five"


def test_without_known_arrivals_one_kit_a_month_for_each_in_place(small_unit):
    still = replace(small_unit, census=replace(small_unit.census, mean_stay_days=None))
    needs = needs_of(still)
    assert not needs.turnover
    assert needs.kits_per_month.tolist() == [4.0, 2.0, 3.0]


# -- what is missing ------------------------------------------------------------------------------------------------


def only(problems):
    (problem,) = problems
    return problem


def test_a_unit_that_lacks_nothing_has_no_problem(small_unit):
    assert unservable(small_unit) == []


def test_emergency_equipment_that_fits_nobody_of_a_size_is_named_with_the_airway(small_unit):
    found = only(unservable(with_item(small_unit, item="mask-60", fits_from_mm=4.5)))
    assert (found.file, found.column) == ("items.csv", "fits_from_mm")
    assert found.fault == "no mask fits oral 4.0 mm: its kit would lack emergency equipment"
    assert found.mend == "Add an item with role mask that fits 4.0 mm."


def test_all_emergency_equipment_that_is_missing_is_named_at_once(small_unit):
    bare = with_item(with_item(small_unit, item="mask-60", fits_from_mm=4.5), item="bag-450", fits_from_mm=5.0,
                     fits_to_mm=6.0)
    faults = [problem.fault for problem in unservable(bare)]
    assert [fault for fault in faults if "oral 4.0 mm" in fault and " mask " in fault]
    assert [fault for fault in faults if "oral 4.0 mm" in fault and " bag " in fault]


def test_a_role_that_nothing_serves_is_named_with_each_airway(small_unit):
    odd = with_item(small_unit, item="wipe-prep", fits_from_mm=3.8, fits_to_mm=6.0)
    found = unservable(odd)
    assert [(p.file, p.column, p.value, p.fault) for p in found] == [
        ("items.csv", "role", "prep_wipe", "no item of this role serves oral 3.5 mm"),
        ("items.csv", "role", "prep_wipe", "no item of this role serves oral 3.5 mm, barrier")]
    (name, technique), = small_unit.techniques.items()
    odd = replace(small_unit, techniques={name: replace(technique, uses={**technique.uses, "glue": 1})})
    assert {p.value for p in unservable(odd)} == {"glue"}


def test_a_piece_longer_than_every_roll_is_named_with_both_lengths(small_unit):
    """Pieces of 190 mm for 4.0 mm; rolls of 165 mm at most give those of 160 mm for 3.5 mm."""
    short = with_item(small_unit, item="tape-25-short", length_mm=100.0)
    short = with_item(short, item="tape-25-long", length_mm=165.0)
    found = only(unservable(short))
    assert (found.column, found.value) == ("length_mm", "165")
    assert found.fault == "a piece of 190 mm for oral 4.0 mm is longer than every roll"


def test_a_sheet_too_small_for_a_piece_serves_nobody(small_unit):
    found = only(unservable(with_item(small_unit, item="dressing-10", width_mm=20.0, length_mm=30.0)))
    assert (found.value, found.fault) == ("barrier", "no item of this role serves oral 3.5 mm, barrier")


def test_one_fault_of_many_kinds_is_told_once(small_unit):
    faults = [p.fault for p in unservable(with_item(small_unit, item="bag-450", fits_to_mm=2.5))]
    assert len(faults) == len(set(faults)) == 3


def with_spares(unit, *sizes):
    rows = [unit.items.iloc[PLACE["mask-42"]].to_dict() | {"item": f"tube-{mm}", "role": "spare_tube", "bin": "Z",
                                                           "fits_from_mm": mm, "fits_to_mm": mm} for mm in sizes]
    items = pd.concat([unit.items, pd.DataFrame(rows)], ignore_index=True) if rows else unit.items
    items = fits_in_millimetres(items)
    items.loc[items["role"] == "spare_tube", "sized_to"] = "tube"
    return bedside(replace(unit, items=items), spare_tube=True)


def test_spare_tubes_are_one_of_the_size_and_one_a_step_smaller(small_unit):
    unit = with_spares(small_unit, 3.0, 3.5, 4.0)
    records = catalogue_records(unit)

    def spare(g):
        return [(i, fault) for i, fault in spare_tubes(unit, unit.strata.loc[g].to_dict(), records)]

    assert spare(0) == [(13, None), (12, None)]
    assert spare(2) == [(14, None), (13, None)]
    needs = needs_of(unit)
    assert needs.primary[0, "spare_tube"] == 13
    assert [needs.emergency[2].get(i) for i in (12, 13, 14)] == [None, 1, 1]


def test_a_spare_tube_that_is_asked_for_and_missing_is_named_and_a_smaller_one_may_be(small_unit):
    unit = with_spares(small_unit, 3.5)
    (problem,) = unservable(unit)
    assert problem.fault == "no spare tube of 4.0 mm for oral 4.0 mm, which spare_tube asks for"
    assert problem.column == "role"
    assert list(spare_tubes(bedside(unit, spare_tube=False), unit.strata.loc[2].to_dict(), {})) == []


# -- places ---------------------------------------------------------------------------------------------------------


def test_places_hold_what_two_re_secures_take_and_the_emergency_set(small_unit):
    """Two re-secures at 95 %: an ampoule each, two wipes each, a roll for both, a dressing (eight pieces) for both."""
    needs = needs_of(small_unit)
    assert needs.re_secures.tolist() == [2, 2, 2]
    slots = slots_of(small_unit, needs)
    assert list(slots) == ["bag bag-450", "barrier", "gloves gloves-medium", "gloves gloves-small", "mask mask-42",
                           "mask mask-60", "saline", "tape", "prep_wipe"], "by the name of the first item"
    assert slots["saline"].options == ({PLACE["saline-5"]: 1},)
    assert slots["saline"].bundles.tolist() == [[2]] * 3
    assert slots["saline"].per_use.tolist() == [[1.0]] * 3
    assert slots["prep_wipe"].bundles.tolist() == [[4]] * 3
    assert slots["prep_wipe"].per_use.tolist() == [[2.0]] * 3
    assert slots["barrier"].bundles.tolist() == [[0], [1], [0]]
    assert slots["barrier"].own.tolist() == [-1, 0, -1]
    assert slots["tape"].options == ({PLACE["tape-25-long"]: 1}, {PLACE["tape-25-short"]: 1})
    assert slots["tape"].bundles.tolist() == [[1, 1]] * 3
    assert slots["mask mask-42"].bundles.tolist() == [[1], [1], [0]]
    assert slots["mask mask-60"].own.tolist() == [0, 0, 0]
    assert slots["tape"].litres == pytest.approx([2.0 / 12, 0.8 / 10])


def test_a_place_costs_by_the_month_what_is_used_and_thrown_away(small_unit):
    """A bag a kit at 19 and 4 airways of 6 days; bundles that lie idle at their price a kit."""
    needs = needs_of(small_unit)
    slots = slots_of(small_unit, needs)
    kits = np.array([4, 2, 3]) * MONTH / 6
    assert needs.kits_per_month == pytest.approx(kits)
    assert slots["bag bag-450"].cost[:, 0, 1] == pytest.approx(19 * kits)
    assert np.isinf(slots["bag bag-450"].cost[:, 0, 0]).all()
    assert slots["saline"].idle[:, 0] == pytest.approx(11 / 50 * kits)
    use = needs.use[0]
    after = use.last_interval.sum(axis=0)
    left = after @ np.maximum(2 - np.arange(len(after)), 0)
    assert slots["saline"].cost[0, 0, 2] == pytest.approx(11 / 50 * kits[0] * (use.mean_stay_attempts + left))
    opened, unopened = opened_per_kit(needs, 1, PLACE["dressing-10"])
    assert slots["barrier"].cost[1, 0, 1] == pytest.approx(2.2 * kits[1] * (opened + unopened))
    assert slots["barrier"].cost[0, 0].tolist() == pytest.approx([0.0, 2.2 * kits[0]]), "for others it lies idle"


def test_a_floor_at_the_bedside_raises_a_place_beyond_its_use(small_unit):
    slots = slots_of(with_item(small_unit, item="wipe-prep", min_bedside=7))
    assert slots["prep_wipe"].bundles.tolist() == [[7]] * 3
    tape = slots_of(with_item(with_item(small_unit, item="tape-25-short", min_bedside=3), item="tape-25-long",
                              length_mm=100.0))
    assert tape["tape"].bundles.tolist() == [[3]] * 3


def test_items_side_by_side_each_have_a_place_and_share_the_use(small_unit):
    """Two pairs an attempt, half small and half medium; the mix of a kit lasts as often as it promises: 2 and 3."""
    slots = slots_of(small_unit)
    assert slots["gloves gloves-small"].per_use.tolist() == [[1.0]] * 3
    assert slots["gloves gloves-small"].bundles[0, 0] + slots["gloves gloves-medium"].bundles[0, 0] == 5
    uneven = with_item(with_item(small_unit, item="gloves-small", share=0.25), item="gloves-medium", share=0.75)
    made = slots_of(uneven)
    assert made["gloves gloves-small"].per_use.tolist() == [[0.5]] * 3
    assert made["gloves gloves-medium"].per_use.tolist() == [[1.5]] * 3
    assert made["gloves gloves-medium"].bundles[0, 0] > made["gloves gloves-small"].bundles[0, 0]
    three = with_item(with_item(small_unit, item="gloves-small", share=1.0), item="gloves-medium", share=0.0)
    assert slots_of(three)["gloves gloves-small"].bundles.tolist() == [[4]] * 3, "nobody wears the other size"


def test_of_items_side_by_side_that_hold_several_uses_as_many_are_taken_as_hold_the_need(small_unit):
    """Two pairs an attempt from sleeves of two: one, half of it of each size."""
    sleeves = with_item(with_item(small_unit, item="gloves-small", contains=2.0), item="gloves-medium", contains=2.0)
    assert slots_of(sleeves)["gloves gloves-small"].per_use.tolist() == [[0.5]] * 3


def test_a_need_of_seven_millilitres_is_two_small_ampoules_or_one_large(small_unit):
    """22 cents each for 5 mL and 32 for 10: the large one is less than two small ones."""
    unit = with_saline(small_unit, 7)
    chosen = choose_kit_items(unit, needs_of(unit))
    assert chosen.per_use[0, "saline"] == {PLACE["saline-10"]: 1}
    slots = slots_of(unit)
    assert slots["saline"].options == ({PLACE["saline-10"]: 1},)
    dear = with_item(unit, item="saline-10", price=30.0)
    assert choose_kit_items(dear, needs_of(dear)).per_use[0, "saline"] == {PLACE["saline-5"]: 2}
    twice = slots_of(dear)["saline"]
    assert (twice.bundles.tolist(), twice.per_use.tolist()) == ([[4]] * 3, [[2.0]] * 3)
    both = with_saline(small_unit, 15)
    mixed = slots_of(both)["saline"]
    assert mixed.options == ({PLACE["saline-10"]: 1}, {PLACE["saline-5"]: 1},
                             {PLACE["saline-10"]: 1, PLACE["saline-5"]: 1})
    assert mixed.own.tolist() == [2, 2, 2]
    assert mixed.bundles.tolist() == [[4, 6, 2]] * 3


def test_an_option_that_cannot_serve_a_kind_is_never_its(small_unit):
    """The short roll is too short for 4.0 mm: its kit takes the long one."""
    unit = with_item(small_unit, item="tape-25-short", length_mm=185.0)
    slot = slots_of(unit)["tape"]
    short = [next(iter(o)) for o in slot.options].index(PLACE["tape-25-short"]) if len(slot.options) > 1 else None
    assert short is None or slot.bundles[2, short] == NEVER
    assert slot.own[2] == [next(iter(o)) for o in slot.options].index(PLACE["tape-25-long"])


# -- items of the kits ----------------------------------------------------------------------------------------------


def test_prices_and_litres_are_of_one_item(small_unit):
    assert unit_prices(small_unit)[PLACE["saline-5"]] == pytest.approx(0.22)
    assert unit_litres(small_unit)[PLACE["gloves-small"]] == pytest.approx(0.03)


def test_no_limit_leaves_out_emergency_equipment_or_one_of_several_sizes(small_unit):
    assert forced_items(small_unit, needs_of(small_unit)) == {
        PLACE[i] for i in ("mask-42", "mask-60", "bag-450", "gloves-small", "gloves-medium")}


def test_what_a_role_costs_a_month_by_the_event_the_patient_and_the_unit(small_unit):
    needs = needs_of(small_unit)
    kits, use = needs.kits_per_month[0], needs.use[0]
    after = use.last_interval.sum(axis=0)
    left = after @ np.maximum(2 - np.arange(len(after)), 0)
    assert role_costs(small_unit, needs, 0, "saline", [3, 4]) == pytest.approx(
        [price * kits * (use.mean_stay_attempts + left) for price in (0.22, 0.32)])
    assert role_costs(small_unit, needs, 0, "scissors", [11]) == pytest.approx(
        [4.0 * kits * use.mean_stay_attempts / 100])
    thrice = replace(needs, needs=[own | {"scissors": 3} for own in needs.needs])
    assert role_costs(small_unit, thrice, 0, "scissors", [11]) == pytest.approx(
        [3 * 4.0 * kits * use.mean_stay_attempts / 100])
    rolls = sum(opened_per_kit(needs, 0, 0))
    assert role_costs(small_unit, needs, 0, "tape", [0]) == pytest.approx([0.9 * kits * rolls])


def test_rolls_opened_and_left_are_told_by_attempts_before_and_after_the_last_restock():
    """A roll for two re-secures, a kit for two: none or two before the last restock, one after it. Opened by then: 0
    and 1 rolls, held for two more: 1 and 2; used after one more: 1 and 2. So nothing is left over; with a kit for four
    one roll is.
    """
    table = np.array([0, 1, 1, 2, 2, 3, 3, 4, 4])
    use = SimpleNamespace(stay_attempts=np.array([0.0, 0.5, 0.0, 0.5]),
                          last_interval=np.array([[0.0, 0.5], [0.0, 0.0], [0.0, 0.5]]))
    needs = SimpleNamespace(opened={(0, 7): table}, use=[use], re_secures=[2])
    assert opened_per_kit(needs, 0, 7) == pytest.approx((1.5, 0.0))
    needs.re_secures = [4]
    assert opened_per_kit(needs, 0, 7) == pytest.approx((1.5, 1.0))


def carried(unit, needs, chosen):
    """Items that the stock room has to carry for these kits."""
    taken = {i for items in chosen.per_use.values() for i in items}
    return taken | set(chosen.once_open.values()) | forced_items(unit, needs)


def test_a_limit_on_items_takes_the_kits_to_fewer_and_one_too_low_is_refused_with_the_least(small_unit):
    """Of tape one roll in place of two: ten items in place of eleven, and fewer are refused."""
    needs = needs_of(small_unit)
    free = choose_kit_items(small_unit, needs)
    assert len(carried(small_unit, needs, free)) == 11
    tight = choose_kit_items(bedside(small_unit, items_carried=10), needs)
    assert len(carried(small_unit, needs, tight)) == 10
    assert len({tight.once_open[g, "tape"] for g in range(3)}) == 1
    with pytest.raises(UnsafePlan, match=r"may carry 9 different items .* at least 10: .* Raise items_carried to 10"):
        choose_kit_items(bedside(small_unit, items_carried=9), needs)


# -- what kits tell -------------------------------------------------------------------------------------------------


@pytest.fixture
def one_kit(small_unit):
    """The unit, its needs, its items and one design for all three kinds."""
    needs = needs_of(small_unit)
    items = choose_kit_items(small_unit, needs)
    kit = PriceList(build_slots(small_unit, needs, items)).kit("A", np.ones(3, dtype=bool))
    return small_unit, needs, items, kit


def test_a_design_is_listed_emergency_set_first_with_quantity_value_and_litres(one_kit):
    unit, needs, _, kit = one_kit
    table = contents_table(unit, needs, [kit])
    assert table["item"].tolist()[:3] == ["mask-42", "mask-60", "bag-450"]
    assert table["emergency"].tolist()[:4] == ["yes", "yes", "yes", "no"]
    rest = [PLACE[i] for i in table["item"].tolist()[3:]]
    assert rest == sorted(rest), "then in the order of the shelf"
    rows = table.set_index("item")
    assert rows.loc["wipe-prep", ["quantity", "value", "litres"]].tolist() == pytest.approx([4, 1.0, 0.056])
    assert rows.loc["mask-42", "because"] == "fits oral 3.5 mm"
    assert rows.loc["wipe-prep", "because"] == "2 re-secures x 2"
    assert rows.loc["dressing-10", "because"] == "2 re-secures, for oral 3.5 mm, barrier"
    assert (table["design"] == "A").all()


def test_what_passes_through_a_kit_is_what_is_used_and_what_is_left(one_kit):
    """The mask that fits is used by each airway, the next size by none."""
    unit, needs, _, kit = one_kit
    found = kit_traffic(unit, needs, [kit])
    small, large = PLACE["mask-42"], PLACE["mask-60"]
    assert found.used[:, small].tolist() == [1.0, 1.0, 0.0]
    assert found.left[:, small].tolist() == [0.0, 0.0, 1.0]
    assert found.used[:, large].tolist() == [0.0, 0.0, 1.0]
    assert found.used[0, PLACE["wipe-prep"]] == pytest.approx(2 * needs.use[0].mean_stay_attempts)
    assert found.left[0, PLACE["dressing-10"]] == 1.0, "who needs no barrier leaves it"
    assert (found.held == found.held[0]).all(), "one design"


def test_airways_take_the_items_of_their_design_where_these_are_not_the_cheapest(one_kit):
    """The short roll alone is cheapest for 3.5 mm; a design that holds the long one for all is followed."""
    unit, needs, items, _ = one_kit
    base = fill_roles(unit)
    long = PLACE["tape-25-long"]
    opened = {key: long if key[1] == "tape" else i for key, i in items.once_open.items()}
    all_long = KitItemChoice(items.per_use, opened)
    kit = PriceList(build_slots(unit, needs, all_long)).kit("A", np.ones(3, dtype=bool))
    found = designs_item_choice(unit, needs, [kit], base, all_long).frame
    tape = found[found["role"] == "tape"]
    assert tape["item"].tolist() == ["tape-25-long"] * 3
    row = tape.iloc[0]
    table = needs.opened[0, long]
    cost = needs.use[0].stay_attempts @ table[: len(needs.use[0].stay_attempts)] * 30.0 / 12
    assert row["cost_per_stay"] == pytest.approx(cost)
    assert row["uses_per_item"] == 19.0, "57 pieces, three a re-secure"
    assert np.isnan(row["items_per_use"])
    assert row["because"] == f"the bedside kit holds it; {cost:.2f} USD a stay"
    others = found[found["role"] != "tape"].reset_index(drop=True)
    same = base.frame[base.frame["role"] != "tape"].reset_index(drop=True)
    assert others[["stratum", "role", "item"]].equals(same[["stratum", "role", "item"]])


def test_an_ampoule_of_a_design_is_counted_by_the_attempt(one_kit):
    unit, needs, items, _ = one_kit
    large = PLACE["saline-10"]
    swapped = KitItemChoice({key: {large: 1} if key[1] == "saline" else taken for key, taken in items.per_use.items()},
                            items.once_open)
    kit = PriceList(build_slots(unit, needs, swapped)).kit("A", np.ones(3, dtype=bool))
    found = designs_item_choice(unit, needs, [kit], fill_roles(unit), swapped).frame
    row = found[(found["role"] == "saline") & (found["stratum"] == 0)].iloc[0]
    assert (row["item"], row["items_per_use"]) == ("saline-10", 1.0)
    assert row["cost_per_stay"] == pytest.approx(needs.use[0].mean_stay_attempts * 0.32)
    assert np.isnan(row["uses_per_item"])


def test_what_is_shared_in_the_unit_is_taken_as_chosen_by_the_parts_of_it_that_a_re_secure_takes(small_unit):
    """5 mL from a bottle of 100: twenty re-secures each, shared until empty, in place of one of 50."""
    bottles = with_item(with_item(small_unit, item="saline-5", scope="unit", contains=50.0), item="saline-10",
                        scope="unit", contains=100.0, price=1000.0)
    needs, large = needs_of(bottles), PLACE["saline-10"]
    base = fill_roles(bottles)
    chosen = KitItemChoice({}, {(g, "saline"): large for g in range(3)})
    found = designs_item_choice(bottles, needs, [], base, chosen).frame
    saline = found[found["role"] == "saline"]
    assert saline["item"].tolist() == ["saline-10"] * 3
    assert saline["uses_per_item"].tolist() == [20.0] * 3
    assert saline["items_per_use"].isna().all()
    assert saline["because"].str.startswith("shared in the unit beside the kits; ").all()
    same = KitItemChoice({}, {(g, "saline"): PLACE["saline-5"] for g in range(3)})
    kept = designs_item_choice(bottles, needs, [], base, same).frame
    pd.testing.assert_frame_equal(kept, base.frame.reset_index(drop=True))


@pytest.mark.parametrize(("litres", "told"), [(1.2, 1.2), (1.21, 1.3), (0.04, 0.1)])
def test_a_container_is_asked_for_in_tenths_of_a_litre_rounded_up(litres, told):
    assert _round_up(litres) == told
