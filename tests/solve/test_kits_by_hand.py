"""Rules of the kits on arrays and frames of a few rows, each answer reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from kitplan.demand.fit import as_held
from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.parts.kits.accounts import Traffic, _through_place, kit_accounts, kit_traffic
from kitplan.parts.kits.contents import through_a_stay
from kitplan.parts.kits.groups import Part, Together, held_bundles, ways
from kitplan.parts.kits.model import KitPlan, _notes
from kitplan.parts.kits.partition import Pool
from kitplan.parts.kits.requirements import kit_needs
from kitplan.parts.kits.roll_choice import choose_opened
from kitplan.parts.kits.slots import NEVER, Slot, fewest_of_each
from kitplan.parts.kits.tables import _reason, _serves, kit_lookup, served_lines, size_list, sizes_of
from kitplan.solve.positions import Packing

TITLES = {"two_y": "Two Y", "h": "H piece"}


def strata(*rows):
    """rows: size, route, technique, skin, design, mean airways."""
    frame = pd.DataFrame(rows, columns=["size", "route", "technique", "skin", "design", "mean_airways"])
    return frame.assign(size_number=frame["size"].str.split().str[0].astype(float), scale="mm")


def lookup_of(frame):
    unit = SimpleNamespace(techniques={k: SimpleNamespace(title=t) for k, t in TITLES.items()},
                           words=SimpleNamespace(device="tube"))
    return kit_lookup(frame, unit)


def test_a_cell_is_the_one_design_of_its_size_and_route():
    found = lookup_of(strata(("3.5 mm", "oral", "two_y", "none", "B", 4),
                             ("3.5 mm", "oral", "two_y", "barrier", "B", 1)))
    assert found.cells == {("3.5", "oral"): ("B",)}
    assert (found.sizes, found.routes, found.heading) == (("3.5",), ("oral",), "Tube mm")


def test_where_skin_decides_the_design_of_most_comes_first_and_the_others_say_for_whom():
    found = lookup_of(strata(("3.5 mm", "oral", "two_y", "none", "B", 4),
                             ("3.5 mm", "oral", "two_y", "barrier", "A", 1)))
    assert found.cells["3.5", "oral"] == ("B", "A: with barrier")


def test_where_technique_decides_its_title_is_said():
    found = lookup_of(strata(("3.5 mm", "oral", "two_y", "none", "A", 1), ("3.5 mm", "oral", "h", "none", "B", 4)))
    assert found.cells["3.5", "oral"] == ("B", "A: Two Y")


def test_whom_a_design_serves_is_a_line_a_route_and_says_more_only_where_the_size_does_not_decide():
    frame = strata(("3.0 mm", "oral", "two_y", "none", "A", 2), ("3.5 mm", "oral", "two_y", "none", "A", 4),
                   ("3.5 mm", "oral", "two_y", "barrier", "B", 1), ("3.5 mm", "nasal", "two_y", "none", "A", 1))
    assert served_lines(frame, TITLES)["A"] == ["oral 3.0 mm, 3.5 mm (without barrier)", "nasal 3.5 mm"]
    assert served_lines(frame, TITLES)["B"] == ["oral 3.5 mm (with barrier)"]


def test_a_slot_in_which_each_takes_its_own_holds_the_most_that_a_member_takes_of_each_option():
    """Three airways; two of them use option 0 (two and three bundles), one option 1 (five); the third is no member."""
    slot = Slot.__new__(Slot)
    for name, value in {"own": np.array([0, 0, 1]), "bundles": np.array([[2, 9], [3, 9], [9, 5]]),
                        "options": ({0: 1}, {1: 1})}.items():
        object.__setattr__(slot, name, value)
    _, second, own = ways(slot)
    assert held_bundles(own, np.array([True, True, False])).tolist() == [3, 0]
    assert held_bundles(own, np.array([True, False, True])).tolist() == [2, 5]
    assert held_bundles(second, np.array([True, True, False])).tolist() == [0, 9]


def test_event_items_leave_for_all_attempts_of_a_stay_and_for_what_is_left_in_its_kit():
    """Ten kits a month, four attempts a stay; kits for three, and none, one or two used since the last restock at
    chances one half, three tenths, one fifth: 3 x 0.5 + 2 x 0.3 + 1 x 0.2 = 2.3 left over; 10 x (4 + 2.3) = 63.
    """
    use = SimpleNamespace(last_interval=np.array([[0.5, 0.3, 0.2]]), mean_stay_attempts=4.0)
    needs = SimpleNamespace(use=[use])
    used, left = through_a_stay(needs, 0, 7, 1.0, 3, np.array([3]))
    assert 10 * (used + left) == pytest.approx([63.0])


def test_who_is_apart_shares_no_kit_and_sizes_are_counted_by_kind():
    """Masks held by three airways: 0 and 1 alike, 2 another; 1 and 2 are kept apart; one size of mask a kit."""
    apart = np.array([[0, 0, 0], [0, 0, 1], [0, 1, 0]], dtype=bool)
    held = np.array([[1, 0], [1, 0], [0, 1]], dtype=bool)
    groups = np.array([[1, 1, 0], [0, 1, 1], [1, 0, 1], [0, 0, 1]], dtype=bool)
    assert Together(apart, (held,), 1).allows(groups).tolist() == [True, False, False, True]
    assert Together(apart, (held,), 2).allows(groups).tolist() == [True, False, True, True]
    two_sizes = np.array([[1, 1, 0], [1, 1, 0], [1, 0, 1]], dtype=bool)
    assert Together(apart, (two_sizes,), 1).allows(groups).tolist() == [True, False, False, True], "alike, however many"


@pytest.mark.parametrize(("pack", "mean", "largest"), [(1, 8.0, 8), (4, 9.5, 11), (25, 20.0, 32)])
def test_the_mean_position_is_that_of_the_places_from_the_level_to_a_pack_less_one_above_it(pack, mean, largest):
    packing = Packing(("x", "none"), np.array([pack, pack]), np.array([1, 1]))
    assert packing.mean(np.array([8, 0])).tolist() == [np.mean(np.arange(8, 8 + pack)), 0.0] == [mean, 0.0]
    assert packing.largest(np.array([8, 0])).tolist() == [largest, 0]


@pytest.mark.parametrize(("par", "absent"), [
    ({"saline-5": 1}, {"saline-10"}), ({"saline-5": 0, "saline-10": 2}, {"saline-5"}), ({"saline-5": 0}, set()),
    ({"saline-5": 2, "saline-10": 1}, set()),
])
def test_what_the_shelf_holds_of_a_role_stands_for_what_it_does_not(par, absent, small_unit):
    """A par of none holds nothing; where nothing of a role is held, nothing is taken away; nor of what is critical."""
    from dataclasses import replace

    present = pd.DataFrame({"item": [*par, "mask-42"], "par_packs": [*par.values(), 1]})
    found = as_held(replace(small_unit, present_par=present))
    role = small_unit.items.loc[small_unit.items["role"] == "saline", "item"]
    assert set(found.stock.unavailable) & {*role, "mask-60"} == absent


def told_of(*designs):
    """Sentences of a plan of two designs at 500 a month; with as many as there are kinds they cost 300."""
    curve = pd.DataFrame({"designs": [1, 2, 3], "monthly_cost": [np.nan, 500.0, 300.0], "note": ["", "chosen", ""]})
    return KitPlan.sentences(SimpleNamespace(
        curve=curve, contents=pd.DataFrame({"design": designs}), strata=[1, 2, 3], notes=(),
        builds=pd.DataFrame({"design": ["A", "B"], "build": [4, 2]})), "USD")


def test_what_the_kits_cost_and_how_many_to_have_ready_is_told():
    assert told_of("A")[0].startswith("1 kit design for 3 kinds")
    assert told_of("A", "B") == [
        "2 kit designs for 3 kinds of tube: 500 USD a month (one design each would cost 300, the fewest that fit 500).",
        "Have ready from one count to the next: 4 of A, 2 of B; the build list says what to restock."]


@pytest.mark.parametrize(("primary", "said"), [
    ({(0, "mask"): 7, (1, "mask"): 7, (2, "mask"): 7}, "fits nasal 3.5 mm; oral 3.5, 4.0 mm"),
    ({(0, "mask"): 7, (1, "mask"): 8, (2, "mask"): 8}, "fits oral 3.5 mm; next size for nasal 3.5 mm; oral 4.0 mm"),
    ({}, "next size for nasal 3.5 mm; oral 3.5, 4.0 mm"),
])
def test_emergency_equipment_says_whom_it_fits_and_for_whom_it_is_the_next_size(primary, said):
    frame = pd.DataFrame({"route": ["oral", "oral", "nasal"], "size": ["3.5 mm", "4.0 mm", "3.5 mm"],
                          "size_number": [3.5, 4.0, 3.5]})
    needs = SimpleNamespace(emergency=[{7: 1}] * 3, primary=primary)
    slot = SimpleNamespace(options=({7: 1},), role="mask")
    place = SimpleNamespace(slot=slot, takes=np.zeros(3, dtype=int), own=False)
    assert _reason(SimpleNamespace(strata=frame), needs, place, 0, np.ones(3, dtype=bool)) == said


@pytest.mark.parametrize(("sizes", "said"), [
    (("3.5 mm", "3.5 mm", "4.0 mm"), "3.5, 4.0 mm"), (("8 Fr", "10 Fr"), "8, 10 Fr"), (("M", "L"), "M, L"), (("",), ""),
])
def test_sizes_are_listed_with_their_unit_once(sizes, said):
    assert size_list(sizes) == said


@pytest.mark.parametrize(("sizes", "said"), [
    (("4.0 mm", "3.5 mm", "3.5 mm"), "oral 3.5, 4.0 mm"), (("10 Fr", "8 Fr"), "oral 8, 10 Fr"),
    (("L", "M"), "oral M, L"), (("",), "oral"),
])
def test_sizes_of_airways_are_listed_smallest_first(sizes, said):
    order = {"M": 1.0, "L": 2.0, "": 0.0}
    number = [order[s] if s in order else float(s.split()[0]) for s in sizes]
    frame = pd.DataFrame({"size": sizes, "size_number": number, "route": "oral"})
    assert sizes_of(SimpleNamespace(strata=frame), range(len(sizes))) == said


def test_what_a_place_gives_a_stay_and_what_it_leaves():
    """Six bundles held. Two a re-secure, four attempts a stay: eight are used; none, one or two used since the last
    restock with chances one half, three tenths and one fifth: 6 x 0.5 + 4 x 0.3 + 2 x 0.2 = 4.6 left. What is held once
    is used once by whom it fits best, and whoever takes another item leaves all.
    """
    use = SimpleNamespace(last_interval=np.array([[0.5, 0.3, 0.2]]), mean_stay_attempts=4.0)
    needs = SimpleNamespace(use=[use], opened={}, primary={(0, "mask"): 7})

    def through(per_use, takes=0, held=6, role="gauze", item=7):
        slot = SimpleNamespace(options=({item: 1},), per_use=np.array([[per_use]]), role=role, bundles=np.array([[6]]))
        return _through_place(needs, SimpleNamespace(slot=slot, held=np.array([held]), takes=np.array([takes])), 0, 0)

    assert through(2.0) == pytest.approx((8.0, 4.6))
    assert through(2.0, takes=1) == (0.0, 6.0)
    assert through(2.0, held=0) == (0.0, 0.0)
    assert through(0.0, held=2, role="mask") == (1.0, 1.0)
    assert through(0.0, held=2, role="mask", item=8) == (0.0, 2.0), "the next size is used by nobody"


def test_bundles_that_a_stratum_does_not_take_lie_idle_at_their_number():
    """The first stratum takes from it, at 5 and 9 money for one and two bundles; for the second each bundle idles at 3;
    a third cannot be served.
    """
    slot = SimpleNamespace(bundles=np.array([[1], [0], [NEVER]]), cost=np.array([[[0.0, 5.0, 9.0]]] * 3),
                           idle=np.array([[2.0], [3.0], [4.0]]))
    part = Part(slot, 0, np.array([True, False, True]))
    level = np.array([[1, 1, NEVER], [2, 2, 2]])
    assert part.costs(level).tolist() == [[5.0, 3.0, np.inf], [9.0, 6.0, 9.0]]
    assert part.levels.tolist() == [0, 1]
    assert part.most(np.array([[1.0, 1.0, 0.0], [0.0, 1.0, 0.0]])).tolist() == [1, 0]


def test_as_many_kits_go_out_a_month_as_airways_come(small_unit):
    """Four, two and three airways that stay six days: 30.4375 / 6 of each a month."""
    needs = kit_needs(small_unit, attempt_tables(small_unit))
    assert needs.turnover
    assert needs.kits_per_month == pytest.approx(np.array([4, 2, 3]) * 30.4375 / 6)


def test_of_hundreds_of_uses_each_size_holds_its_own_quantile():
    """A hundred attempts of two pairs for sure, small and large alike likely: each half may run out in half of 5 %, so
    the 97.5 % point of a binomial of 200 halves (scipy) for either.
    """
    attempts = tuple(np.eye(101)[100].tolist())
    assert fewest_of_each((0.5, 0.5), attempts, 2, 0.95) == (int(binom.ppf(0.975, 200, 0.5)),) * 2
    uneven = fewest_of_each((0.9, 0.1), attempts, 2, 0.95)
    assert uneven == (int(binom.ppf(0.975, 200, 0.9)), int(binom.ppf(0.975, 200, 0.1)))


def test_a_kit_that_often_needs_nothing_still_grows_to_what_one_attempt_takes():
    """No attempt in 3 of 10 stretches, else one that takes ten of either of two sizes: under ten items none helps.

    With six of each, ten fall 4, 5 or 6 on the first with 0.656 (binomial): 0.3 + 0.7 x 0.656 = 0.76.
    """
    assert fewest_of_each((0.5, 0.5), (0.3, 0.7), 10, 0.75) == (6, 6)


def test_a_group_enters_the_pool_once():
    """Two groups, then one of them and a new one; then both again."""
    groups = np.eye(3, dtype=bool)
    pool = Pool(3)
    assert pool.add(groups[:2], np.array([5.0, 6.0])) == 2
    assert pool.add(groups[1:], np.array([6.0, 7.0])) == 1
    assert pool.add(groups, np.array([5.0, 6.0, 7.0])) == 0
    assert (len(pool.groups), pool.costs.tolist()) == (3, [5.0, 6.0, 7.0])


def test_kits_account_for_what_is_used_left_held_and_built(small_unit):
    """Two kinds share a design that holds four of an item. Ten and twenty kits a month; one and two used, three and two
    left: 50 used, 70 left. Four, two and three airways lie there, the third without a kit; five kits are built.
    """
    n = len(small_unit.items)
    used, left, held = (np.zeros((3, n)) for _ in range(3))
    used[:2, 3], left[:2, 3], held[:2, 3] = (1, 2), (3, 2), 4
    kit = SimpleNamespace(members=np.array([True, True, False]))
    other = SimpleNamespace(members=np.array([False, False, True]))
    fresh = np.stack([np.arange(100), np.zeros(100), np.zeros(100)], axis=1)
    table = kit_accounts(small_unit, SimpleNamespace(kits_per_month=np.array([10.0, 20.0, 0.0])),
                         Traffic(used, left, held.astype(int)), pd.DataFrame({"build": [5, 7]}), [kit, other], fresh)
    (row,) = table.to_dict("records")
    assert row["item"] == "saline-5"
    assert (row["used_per_month"], row["left_per_month"], row["issued_per_month"]) == (50.0, 70.0, 120.0)
    assert (row["at_bedsides"], row["in_built_kits"]) == (24.0, 20)
    assert row["left_per_interval"] == pytest.approx(70 * 9 / 30.4375)
    assert row["add_to_par_units"] == 3 * 95, "in 95 % of intervals no more than so many airways of the first kind come"


def test_every_roll_is_weighed_for_every_airway_and_the_kits_own_is_marked(small_unit):
    """Three pieces of 160 mm a re-secure: a roll of 1,372 mm gives 8 pieces and two re-secures, one of 9,144 mm 57 and
    nineteen. The cheaper a stay is the kit's, and costs what the choice of items says.
    """
    tables = attempt_tables(small_unit)
    choice = fill_roles(small_unit, tables)
    found = choose_opened(small_unit, kit_needs(small_unit, tables), choice)
    tape = found.tape[found.tape["skin"] == "none"].iloc[:2].set_index("item")
    assert tape.loc["tape-25-short", ["pieces_per_roll", "uses_per_roll"]].tolist() == [8, 2]
    assert tape.loc["tape-25-long", ["pieces_per_roll", "uses_per_roll"]].tolist() == [57, 19]
    assert tape["choice"].to_dict() == {"tape-25-short": "best", "tape-25-long": "suits"}
    assert tape["in_kit"].to_dict() == {"tape-25-short": True, "tape-25-long": False}
    chosen = choice.frame[(choice.frame["item"] == "tape-25-short") & (choice.frame["stratum"] == 0)].iloc[0]
    assert tape.loc["tape-25-short", "cost_per_stay"] == pytest.approx(chosen["cost_per_stay"])
    assert tape.loc["tape-25-short", "rolls_per_stay"] == pytest.approx(chosen["cost_per_stay"] / 0.9)
    assert tape.loc["tape-25-short", "monthly_cost"] == pytest.approx(chosen["cost_per_stay"] * 4 * 30.4375 / 6)
    single = found.single[found.single["role"] == "tape"].set_index("item")
    short, long = single.loc["tape-25-short"], single.loc["tape-25-long"]
    assert (short["serves"], short["strata"], short["extra_monthly_cost"]) == (3, 3, pytest.approx(0.0))
    assert long["extra_monthly_cost"] == pytest.approx(long["monthly_cost"] - short["monthly_cost"])
    assert list(single.index).index("tape-25-short") < list(single.index).index("tape-25-long"), "least money first"


def test_what_an_airway_draws_from_a_place_is_told_in_uses_or_in_its_share(small_unit):
    """Two re-secures; two wipes each; of four pairs of gloves a share of half."""
    rows = list(small_unit.items["item"])
    needs = SimpleNamespace(re_secures=[2], needs=[{"gloves": 2.0, "prep_wipe": 2.0}])

    def told(item, per_use, role):
        slot = SimpleNamespace(options=({rows.index(item): 1},), per_use=np.array([[per_use]]), role=role)
        return _serves(small_unit, needs, slot, 0, 0)

    assert told("wipe-prep", 2.0, "prep_wipe") == "2 re-secures x 2"
    assert told("gloves-small", 1.0, "gloves") == "2 re-secures, 50 % of 4 pairs"
    assert told("gloves-small", 0.6, "gloves") == "2 re-secures, 30 % of 4 pairs"
    assert told("wipe-prep", 0.0, "prep_wipe") == "2 re-secures"
    needs.re_secures = [1]
    assert told("wipe-prep", 0.0, "prep_wipe") == "1 re-secure"


def test_an_item_in_two_places_of_a_kit_goes_through_both(small_unit):
    """Two bundles of one and three of two: 8 held; used one bundle an attempt: 4 and 2 x 4; left over 2 - 1
    and 2 x (3 - 1), where one attempt follows the last restock.
    """
    use = SimpleNamespace(last_interval=np.array([[0.0, 1.0]]), mean_stay_attempts=4.0)
    needs = SimpleNamespace(use=[use] * 3, opened={}, primary={})

    def place(held, count):
        slot = SimpleNamespace(options=({3: count},), per_use=np.ones((3, 1)), role="saline", bundles=np.ones((3, 1)))
        return SimpleNamespace(slot=slot, held=np.array([held]), takes=np.zeros(3, dtype=int))

    kit = SimpleNamespace(members=np.array([False, True, False]), places=(place(2, 1), place(3, 2)))
    found = kit_traffic(small_unit, needs, [kit])
    assert (found.held[1, 3], found.used[1, 3], found.left[1, 3]) == (8, 12.0, 5.0)
    assert found.held.sum() == 8


def test_airways_without_a_size_stand_under_any_size():
    frame = pd.DataFrame([("", "trach", "h", "none", "A", 2.0)],
                         columns=["size", "route", "technique", "skin", "design", "mean_airways"])
    found = lookup_of(frame.assign(size_number=np.nan, scale="none"))
    assert (found.sizes, found.cells, found.heading) == (("any size",), {("any size", "trach"): ("A",)}, "Tube")


@pytest.mark.parametrize(("wanted", "said"), [(1, "1 kit design was asked for; 3 are planned."),
                                              (2, "2 kit designs were asked for; 3 are planned.")])
def test_more_designs_than_were_asked_for_are_said(small_unit, wanted, said):
    unit = replace(small_unit, bedside=replace(small_unit.bedside, designs=wanted))
    made = SimpleNamespace(needs=SimpleNamespace(turnover=True, on_wall=[]), chosen=SimpleNamespace(gap=0.0, designs=3),
                           items=SimpleNamespace(once_open={}), item_choice=fill_roles(small_unit))
    assert [note for note in _notes(unit, made) if note.startswith(said)]
    made.chosen.designs = wanted
    assert not [note for note in _notes(unit, made) if "asked for" in note]


def test_what_the_whole_unit_shares_is_said_to_be_in_no_kit(small_unit):
    """Scissors are opened once for the unit, tape for each patient."""
    place = {item: i for i, item in enumerate(small_unit.items["item"])}
    made = SimpleNamespace(
        needs=SimpleNamespace(turnover=True, on_wall=[]), chosen=SimpleNamespace(gap=0.02, designs=3),
        items=SimpleNamespace(once_open={(0, "scissors"): place["scissors"], (0, "tape"): place["tape-25-long"]}),
        item_choice=fill_roles(small_unit))
    notes = _notes(small_unit, made)
    assert "Shared in the unit, and therefore in no kit: scissors." in notes
    assert "The best designs found are proven to be within 2.0 % of the least possible cost." in notes
    made.chosen.gap = 1e-7
    assert not [note for note in _notes(small_unit, made) if "proven" in note]
