"""The audit of today's par levels: honest about where they stand, cheapest way first, stoppable anywhere."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand.fit import as_held
from kitplan.parts.audit.model import FLOOR, LOWER, RAISE, audit_par
from kitplan.parts.par.model import ask, solve_par
from kitplan.solve.verify import joint_readiness

N_ITEMS = 9


@pytest.fixture
def room(make_stock, make_demand, invented_units):
    unit = make_stock(N_ITEMS)
    demand, verify = (make_demand(invented_units(4000, N_ITEMS, seed), unit.items["item"]) for seed in (1, 2))
    return unit, demand, verify, solve_par(unit, demand, verify)


def holding(unit, packs):
    return replace(unit, present_par=pd.DataFrame({"item": unit.items["item"], "par_packs": packs}))


def audit_of(room, packs, **changes):
    unit, demand, verify, plan = room
    return audit_par(holding(replace(unit, **changes), packs), demand, verify, plan)


def optimum(room):
    """The plan's levels in packs and parts of a pack, as a par list may hold them."""
    return room[3].levels["par_units"].to_numpy() / room[0].items["pack"].to_numpy()


def needs_of(unit, demand):
    return ask(unit, demand).needed(demand)


def largest(units, unit):
    return np.where(units > 0, units + unit.items["pack"].to_numpy() - 1, 0) / unit.items["pack"].to_numpy()


def test_the_audit_of_the_optimal_plan_changes_nothing(room):
    audit = audit_of(room, optimum(room))
    assert len(audit.steps) == 0
    assert audit.idle_value == audit.idle_litres == 0
    assert audit.present == audit.proposed
    assert "Nothing needs to change." in audit.sentences("USD")


def test_the_optimal_plan_needs_no_change_even_where_these_scenarios_find_it_a_little_short(
    room, make_demand, invented_units
):
    """A plan may have been confirmed on fresh scenarios while the audit looks at the first ones."""
    unit, demand, _, plan = room
    harsher = make_demand(invented_units(4000, N_ITEMS, 7, mean_airways=4.1), unit.items["item"])
    assert joint_readiness(needs_of(unit, harsher), plan.levels["par_units"].to_numpy()) < plan.readiness.target
    assert len(audit_par(holding(unit, optimum(room)), demand, harsher, plan).steps) == 0


def test_todays_readiness_is_joint_and_verified(room):
    packs = np.maximum(optimum(room).round() - 1, 0)
    audit = audit_of(room, packs)
    units = packs * room[0].items["pack"].to_numpy()
    assert audit.present.readiness.verified == joint_readiness(needs_of(room[0], room[2]), units)
    assert audit.present.readiness.low <= audit.present.readiness.verified <= audit.present.readiness.high


def test_the_steps_end_at_the_target(room):
    audit = audit_of(room, (optimum(room) * 0.7).astype(int))
    assert audit.proposed.readiness.verified >= room[3].readiness.target
    assert audit.steps["readiness_after"].iloc[-1] == audit.proposed.readiness.verified
    assert audit.steps["value_after"].iloc[-1] == pytest.approx(audit.proposed.value)
    assert audit.steps["step"].tolist() == list(range(1, len(audit.steps) + 1))


def test_each_step_tells_what_she_has_if_she_stops_there(room):
    unit, _, verify, _ = room
    present = (optimum(room) * 0.8).astype(int)
    audit = audit_of(room, present)
    at = pd.Series(present * unit.items["pack"].to_numpy(), index=unit.items["item"])
    for row in audit.steps.itertuples():
        at[row.item] = row.proposed_units
        assert row.readiness_after == joint_readiness(needs_of(unit, verify), at.to_numpy())
        assert row.value_after == pytest.approx(float(largest(at.to_numpy(), unit) @ unit.items["price"].to_numpy()))


def test_additions_come_before_what_is_taken_away_and_never_lower_readiness(room):
    present = optimum(room).copy()
    present[:4] = (present[:4] * 0.8).astype(int)
    present[4:] = present[4:] + 3
    audit = audit_of(room, present)
    kinds = audit.steps["kind"].tolist()
    assert set(kinds) == {RAISE, LOWER}
    assert kinds == sorted(kinds, key=[FLOOR, RAISE, LOWER].index)
    raised = audit.steps[audit.steps["kind"] == RAISE]
    assert raised["readiness_after"].is_monotonic_increasing
    assert (raised["change_value"] > 0).all()
    assert audit.idle_value == pytest.approx(-audit.steps.loc[audit.steps["kind"] == LOWER, "change_value"].sum())


def test_missing_emergency_equipment_comes_first_whatever_it_costs(room, make_demand):
    unit, demand, verify, _ = room
    unit = replace(unit, items=unit.items.assign(critical=[False] * 8 + [True], min_stock=[0.0] * 8 + [4.0],
                                                 price=[*unit.items["price"][:8], 900.0]))
    plan = solve_par(unit, demand, verify)
    present = (plan.levels["par_packs"].to_numpy() * 0.8).astype(int)
    present[8] = 0
    audit = audit_par(holding(unit, present), demand, verify, plan)
    assert audit.steps["item"].iloc[0] == "item 08"
    assert audit.steps["kind"].iloc[0] == FLOOR


def test_the_cheapest_additions_are_found(make_stock, make_demand):
    """Both items cover the same scenario; the audit raises the cheap one by what is missing and leaves the rest."""
    unit = make_stock(3, pack=1.0, price=[10.0, 1.0, 5.0], readiness=0.9)
    units = np.zeros((100, 3))
    units[:20, 1] = 3
    units[20:25, 0] = 2
    demand = make_demand(units)
    plan = solve_par(unit, demand, demand)
    audit = audit_par(holding(unit, [0, 1, 0]), demand, demand, plan)
    assert audit.steps["item"].tolist() == ["item 01"]
    assert audit.steps["change_packs"].tolist() == [2]


def test_two_items_short_together_are_both_raised_early(make_stock, make_demand):
    """Alone neither helps: together they mend most scenarios, so they come before an item that mends few."""
    unit = make_stock(3, pack=1.0, price=[4.0, 4.0, 40.0], readiness=1.0)
    units = np.zeros((100, 3))
    units[:90, :2] = 1
    units[90:, 2] = 1
    demand = make_demand(units)
    audit = audit_par(holding(unit, [0, 0, 0]), demand, demand, solve_par(unit, demand, demand))
    assert audit.steps["item"].tolist()[-1] == "item 02"
    assert audit.steps["readiness_after"].tolist() == pytest.approx([0.0, 0.9, 1.0])


def test_the_item_most_often_missing_is_named(room):
    present = optimum(room).copy()
    present[3] = 0
    audit = audit_of(room, present)
    assert audit.table.loc[audit.table["missing_share"].idxmax(), "item"] == "item 03"
    assert any("item 03" in sentence for sentence in audit.sentences("USD"))


def test_every_item_is_in_the_table_once(room):
    audit = audit_of(room, optimum(room) + 1)
    assert sorted(audit.table["item"]) == sorted(room[0].items["item"])
    assert list(audit.tables()) == ["audit"]


def test_without_present_par_there_is_nothing_to_audit(room):
    unit, demand, verify, plan = room
    with pytest.raises(ValueError, match="no present par"):
        audit_par(unit, demand, verify, plan)


def test_a_plan_held_by_a_limit_is_the_way_to_go(room):
    unit, demand, verify, plan = room
    tight = replace(unit, stock=replace(unit.stock, budget=plan.value * 0.9))
    limited = solve_par(tight, demand, verify)
    audit = audit_par(holding(tight, optimum(room)), demand, verify, limited)
    assert audit.proposed.value <= plan.value * 0.9
    assert any("limit" in sentence for sentence in audit.notes)


def test_a_shelf_is_judged_with_the_items_that_stand_on_it(make_stock):
    unit = make_stock(3, role=["wipe", "wipe", "mask"], critical=[False, False, True], present=[0, 4, 0])
    assert as_held(unit).stock.unavailable == ("item 00",)


def test_a_role_of_which_nothing_is_held_keeps_its_choice(make_stock):
    unit = make_stock(3, role=["wipe", "wipe", "tape"], present=[0, 0, 4])
    assert as_held(unit).stock.unavailable == ()
