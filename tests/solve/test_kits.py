"""Bedside kits read as a specification: contents, designs, limits, accounts."""

from __future__ import annotations

import dataclasses
import importlib.util
import re
from pathlib import Path

import numpy as np
import pytest

from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.occupancy import stay_checks_pmf
from kitplan.demand.use import use_rates
from kitplan.parts.kits.model import design_names
from kitplan.parts.kits.requirements import unservable
from kitplan.planning import plan_unit
from kitplan.read.days import MONTH_DAYS
from kitplan.read.problems import InputError, UnsafePlan
from kitplan.read.values import Piece

_SPEC = importlib.util.spec_from_file_location("kit_units", Path(__file__).with_name("kit_units.py"))
kit_units = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(kit_units)


def bedside(unit, **changes):
    return dataclasses.replace(unit, bedside=dataclasses.replace(unit.bedside, **changes))


@pytest.fixture(scope="module")
def mixed(request):
    conftest = importlib.util.spec_from_file_location("unit_values", Path(__file__).parents[1] / "conftest.py")
    module = importlib.util.module_from_spec(conftest)
    conftest.loader.exec_module(module)
    return bedside(kit_units.with_strata(module.make_unit(), kit_units.MIXED), designs=3)


@pytest.fixture(scope="module")
def tables(mixed):
    return attempt_tables(mixed)


@pytest.fixture(scope="module")
def solve(tables):
    """Plan the kits of a unit whose airways renew as those of `mixed` do, so that the exact counts are made once."""
    return lambda unit: kit_units.solve_kits(unit, tables)


def faults(unit):
    return str(InputError(unservable(unit), "asking whether it can be planned"))


@pytest.fixture(scope="module")
def plan(mixed, solve):
    return solve(mixed)


def test_every_kind_of_airway_has_exactly_one_design_and_no_more_than_were_asked_for(plan, mixed):
    assert len(plan.strata) == mixed.n_strata
    assert plan.strata["design"].notna().all()
    assert plan.contents["design"].nunique() == 5, "as few as emergency sizes allow, though three were asked for"
    assert set(plan.strata["design"]) == set(plan.contents["design"])


def test_a_kit_holds_every_role_of_each_airway_it_serves_for_all_its_re_secures(plan, mixed):
    items = mixed.items.set_index("item")
    for g, row in plan.strata.iterrows():
        technique = mixed.techniques[row.technique]
        uses = dict(technique.uses)
        if row.skin == "barrier":
            for role, need in technique.uses_with_barrier.items():
                uses[role] = uses.get(role, 0) + need
        held = plan.contents[plan.contents["design"] == row.design].set_index("item")["quantity"]
        for role, need in uses.items():
            own = [i for i in held.index if items.at[i, "role"] == role]
            if role in ("surface_wipe", "barrier", "scissors"):
                continue
            fits = [i for i in own if not items.at[i, "fits_from_mm"] > row.tube_mm
                    and not items.at[i, "fits_to_mm"] < row.tube_mm]
            assert sum(held[i] * items.at[i, "contains"] for i in fits) >= need * row.re_secures, (g, role)


def test_every_kit_holds_a_mask_and_a_bag_that_fit_each_airway_it_serves_and_the_adjacent_size(plan, mixed):
    items = mixed.items.set_index("item")
    for row in plan.strata.itertuples():
        held = plan.contents.loc[plan.contents["design"] == row.design, "item"]
        for role in ("mask", "bag"):
            able = items[(items["role"] == role) & (items["fits_from_mm"] <= row.tube_mm)
                         & (items["fits_to_mm"] >= row.tube_mm)].index
            assert len(set(held) & set(able)) >= min(2, len(able))


def test_the_adjacent_size_is_policy(mixed, solve):
    only = solve(bedside(mixed, adjacent_size=False, designs=6))
    both = solve(bedside(mixed, designs=6))
    assert (only.contents["role"] == "mask").sum() < (both.contents["role"] == "mask").sum()
    assert set(only.contents.loc[only.contents["role"] == "mask", "design"]) == set(only.contents["design"])


def test_more_designs_never_cost_more_and_the_bound_never_exceeds_the_cost(plan):
    known = plan.curve[plan.curve["monthly_cost"].notna()]
    assert (np.diff(known["monthly_cost"]) <= 1e-6).all()
    assert (known["bound"] <= known["monthly_cost"] + 1e-6).all()
    assert (known["gap"] <= 1e-9).all()
    assert len(plan.curve) == 6
    assert set(plan.curve.loc[plan.curve["monthly_cost"].isna(), "note"]) == {"mixes sizes"}


def test_the_cost_of_the_chosen_designs_is_what_the_accounts_say_is_issued(plan, mixed):
    price = (mixed.items["price"] / mixed.items["pack"]).set_axis(mixed.items["item"])
    issued = (plan.accounts["issued_per_month"] * plan.accounts["item"].map(price)).sum()
    chosen = plan.curve.loc[plan.curve["note"] == "chosen", "monthly_cost"].iloc[0]
    assert issued == pytest.approx(chosen, rel=1e-9)


def test_what_kits_issue_is_what_is_used_plus_what_is_left(plan):
    accounts = plan.accounts
    issued = accounts["used_per_month"] + accounts["left_per_month"]
    assert np.allclose(accounts["issued_per_month"], issued)
    assert (accounts[["used_per_month", "left_per_month"]] >= -1e-9).all().all()


def test_what_kits_count_as_used_is_what_the_stock_rooms_demand_counts_stay_by_stay(plan, mixed, tables):
    rates = use_rates(mixed, plan.item_choice, tables)
    stays = [stay_checks_pmf(mixed, g) for g in range(mixed.n_strata)]
    days = np.array([stay @ np.arange(len(stay)) / mixed.checks_per_day for stay in stays])
    g = rates["stratum"].to_numpy(int)
    per_stay = rates["per_arrival"] + rates["per_airway_day"] * days[g]
    demand = (per_stay * plan.strata["kits_per_month"].to_numpy()[g]).groupby(rates["item"]).sum()
    used = plan.accounts.set_index("item")["used_per_month"]
    assert np.allclose(used, demand.reindex(used.index, fill_value=0.0), rtol=1e-6, atol=1e-6)


def test_par_levels_that_supply_the_kits_are_planned_on_what_kits_take_no_more_and_no_less(mixed):
    few = dataclasses.replace(mixed.planning, scenarios=3000, verify_scenarios=3000, max_scenarios=3000)
    without = plan_unit(dataclasses.replace(mixed, planning=few), parts=("kits", "par"))
    unit = dataclasses.replace(bedside(mixed, kits_in_par=True), planning=few)
    supplied = plan_unit(unit, parts=("kits", "par"))
    accounts = supplied.kits.accounts.set_index("item")
    column = {item: i for i, item in enumerate(supplied.demand().items)}
    added = (supplied.demand().units - without.demand().units).mean(axis=0)
    for item, row in accounts.iterrows():
        assert added[column[item]] == pytest.approx(row["left_per_interval"], rel=0.05, abs=0.05), item
    outside = [i for item, i in column.items() if item not in accounts.index]
    assert not added[outside].any()
    assert (accounts["add_to_par_units"] == 0).all()
    assert supplied.par.mean_value >= without.par.mean_value  # item by item a joint plan may trade one for another
    more = supplied.expected["expected_units"] - without.expected["expected_units"]
    told = more.set_axis(supplied.expected["item"]).reindex(accounts.index)
    assert np.allclose(told, accounts["left_per_interval"])


def test_kits_at_bedsides_hold_their_contents_for_every_airway_in_place(plan):
    held = plan.contents.merge(plan.strata.groupby("design")["mean_airways"].sum(), on="design")
    standing = (held["quantity"] * held["mean_airways"]).groupby(held["item"]).sum()
    assert np.allclose(plan.accounts.set_index("item")["at_bedsides"], standing.reindex(plan.accounts["item"]))


def test_adding_to_par_covers_what_is_left_over_on_average(plan):
    assert (plan.accounts["add_to_par_units"] >= np.floor(plan.accounts["left_per_interval"])).all()


@pytest.mark.parametrize("days", [1, 7, 14])
def test_the_build_list_covers_mean_arrivals_and_mean_use_from_one_count_to_the_next(days, mixed, solve):
    plan = solve(dataclasses.replace(mixed, stock=dataclasses.replace(mixed.stock, review_days=days)))
    assert (plan.builds["build"] >= plan.builds["mean_arrivals"] - 1).all()
    assert (plan.builds["top_up_sets"] >= plan.builds["mean_top_up_sets"] - 1).all()
    arriving = plan.strata["kits_per_month"].sum() * days / MONTH_DAYS
    assert plan.builds["mean_arrivals"].sum() == pytest.approx(arriving, rel=0.05)


def test_more_readiness_at_the_bedside_never_puts_less_into_a_kit(mixed, solve):
    needed = [solve(bedside(mixed, readiness=r)).strata["re_secures"].to_numpy() for r in (0.8, 0.95, 0.999)]
    assert (needed[0] <= needed[1]).all()
    assert (needed[1] <= needed[2]).all()
    assert needed[2].sum() > needed[0].sum()


def test_the_filling_of_the_kits_is_the_filling_of_the_stock_room(plan, mixed):
    in_kits = set(plan.contents["item"])
    frame = plan.item_choice.frame
    shared = set(mixed.items.loc[mixed.items["scope"] == "unit", "item"])
    assert set(frame["item"]) - shared <= in_kits
    assert set(frame.columns) == set(fill_roles(mixed).frame.columns)


def test_the_stock_room_carries_no_more_different_items_than_the_limit(mixed, solve):
    short = dataclasses.replace(mixed, census=dataclasses.replace(mixed.census, mean_stay_days=4.0))
    free = solve(short)  # stays of four days want one roll more than a single kind of roll can serve at least cost
    carried = len(set(free.item_choice.frame["item"]) | set(free.contents["item"]))
    tight = solve(bedside(short, items_carried=carried - 1))
    assert len(set(tight.item_choice.frame["item"]) | set(tight.contents["item"])) <= carried - 1
    assert tight.curve["monthly_cost"].iloc[-1] >= free.curve["monthly_cost"].iloc[-1] - 1e-6
    emergency = lambda p: set(p.contents.loc[p.contents["emergency"] == "yes", "item"])  # noqa: E731
    assert emergency(tight) == emergency(free)


def test_a_limit_on_items_below_what_safety_needs_is_refused_with_the_limit_that_works(mixed, solve):
    with pytest.raises(UnsafePlan, match=r"Raise items_carried to (\d+)") as refused:
        solve(bedside(mixed, items_carried=3))
    least = int(str(refused.value).split("Raise items_carried to ")[1].split()[0])
    assert solve(bedside(mixed, items_carried=least)).contents["item"].nunique() <= least
    with pytest.raises(UnsafePlan):
        solve(bedside(mixed, items_carried=least - 1))


def test_a_container_too_small_for_one_kit_is_refused_with_the_size_that_works(mixed, solve):
    with pytest.raises(UnsafePlan, match=r"too small for the kit of .* give ([\d.]+) L or more") as refused:
        solve(bedside(mixed, container_litres=3.0))
    room = float(str(refused.value).split("give ")[1].split(" L")[0])
    assert solve(bedside(mixed, container_litres=room, designs=6)).contents is not None


def test_too_few_designs_for_a_container_is_refused_with_both_ways_out(mixed, solve):
    alike = dataclasses.replace(mixed, items=mixed.items.assign(critical=False))
    largest = solve(bedside(alike, designs=6)).contents.groupby("design")["litres"].sum().max()
    tight = bedside(alike, container_litres=float(largest) + 0.05, designs=1)
    with pytest.raises(UnsafePlan, match=r"allow (\d+) designs, or a container of ([\d.]+) L") as refused:
        solve(tight)
    enough = int(str(refused.value).split("allow ")[1].split()[0])
    roomy = float(str(refused.value).split("a container of ")[2].split(" L")[0])
    fitted = solve(bedside(tight, designs=enough))
    assert fitted.contents.groupby("design")["litres"].sum().max() <= largest + 0.05 + 1e-9
    assert fitted.curve["note"].iloc[0] == "mixes sizes, or does not fit the container"
    assert solve(bedside(tight, container_litres=roomy)).contents["design"].nunique() == 1


@pytest.mark.parametrize("role", ["mask", "bag"])
def test_an_airway_that_no_mask_or_bag_fits_is_named_with_the_mend(mixed, role):
    items = mixed.items[~((mixed.items["role"] == role) & (mixed.items["fits_to_mm"] >= 7.5))].reset_index(drop=True)
    assert re.search(f"no {role} fits oral 7.5 mm.*Add an item with role {role}",
                     faults(dataclasses.replace(mixed, items=items)))


def test_a_recipe_that_names_an_unknown_role_is_named_with_the_mend(mixed):
    odd = dataclasses.replace(mixed.techniques["oral_two_y"], uses={"gloves": 2, "gluves": 1})
    unit = dataclasses.replace(mixed, techniques={**mixed.techniques, "oral_two_y": odd})
    assert re.search(r"no item of this role serves.*'gluves'.*correct the recipe", faults(unit))


def test_a_piece_longer_than_every_roll_is_named_with_the_mend(mixed):
    long = dataclasses.replace(mixed.techniques["oral_two_y"], pieces=(Piece("strip", 1, length_mm=20_000),))
    unit = dataclasses.replace(mixed, techniques={**mixed.techniques, "oral_two_y": long})
    assert re.search(r"a piece of 20000 mm for oral 2.5 mm.* is longer than every roll", faults(unit))


def test_every_fault_is_told_at_once(mixed):
    items = mixed.items[~mixed.items["role"].isin(["mask", "saline"])].reset_index(drop=True)
    assert len(unservable(dataclasses.replace(mixed, items=items))) >= mixed.n_strata + 1


def test_spare_tubes_are_off_by_default_and_named_when_asked_for_but_not_stocked(mixed, solve):
    assert "spare_tube" not in set(solve(mixed).contents["role"])
    assert re.search(r"no spare tube of .*set spare_tube = false", faults(bedside(mixed, spare_tube=True)))


def test_without_known_arrivals_one_kit_a_month_stands_in_and_the_plan_says_so(mixed, solve):
    plan = solve(kit_units.without_turnover(mixed))
    assert any("mean_stay_days" in note for note in plan.notes)
    assert np.isfinite(plan.curve["monthly_cost"].iloc[-1])
    assert plan.builds["build"].sum() == plan.strata["mean_airways"].sum()


def test_a_leg_too_short_for_its_tube_is_told_with_the_airway_and_by_how_much(mixed, plan, solve):
    assert not any("mm too short" in note for note in plan.notes)
    pieces = (Piece("Y", 2, span=1.0, uncut_mm=40, turns=5),)
    winding = dataclasses.replace(mixed.techniques["oral_two_y"], pieces=pieces)
    wound = solve(dataclasses.replace(mixed, techniques={**mixed.techniques, "oral_two_y": winding}))
    assert any(n.startswith("oral 2.5 mm") and "go 5 turns round" in n for n in wound.notes)


def test_kits_do_not_depend_on_the_order_of_the_catalogue(mixed, plan, solve):
    turned = dataclasses.replace(mixed, items=mixed.items.iloc[::-1].reset_index(drop=True))
    other = solve(turned)
    assert np.allclose(other.curve["monthly_cost"], plan.curve["monthly_cost"], equal_nan=True)


def test_doubling_every_price_doubles_every_cost_and_changes_no_kit(mixed, plan, solve):
    dear = dataclasses.replace(mixed, items=mixed.items.assign(price=mixed.items["price"] * 2))
    other = solve(dear)
    assert np.allclose(other.curve["monthly_cost"], 2 * plan.curve["monthly_cost"], equal_nan=True)
    assert other.contents[["design", "item", "quantity"]].equals(plan.contents[["design", "item", "quantity"]])


def test_the_same_unit_and_seed_give_the_same_tables(mixed, plan, solve):
    again = solve(mixed)
    for name, frame in plan.tables().items():
        assert frame.equals(again.tables()[name]), name


def test_a_restock_longer_than_the_stock_rooms_interval_is_planned_too(mixed, solve):
    short = dataclasses.replace(mixed, stock=dataclasses.replace(mixed.stock, review_days=1, lead_days=0))
    long = kit_units.solve_kits(bedside(short, restock_hours=96), attempt_tables(short))
    assert (long.strata["re_secures"] > solve(short).strata["re_secures"]).all()


def test_design_names_go_on_after_z():
    assert design_names(28)[25:] == ["Z", "AA", "AB"]


def test_tables_are_described_column_by_column(plan):
    from kitplan.write.tables import table_bytes

    for name, frame in plan.tables().items():
        assert table_bytes(name, frame).count(b"\n") == len(frame) + 1
