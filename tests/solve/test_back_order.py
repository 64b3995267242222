"""Doing without an item: the recourse program against the newsvendor, against enumeration, and with emergency stock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.scenarios import draw_demand
from kitplan.parts.orders.back_order import plan_back_order

DAYS = 9.0
SCENARIOS = 101
"""So many that no two amounts are equally good: 0.95 x 101 is not a whole number."""


def without(unit, *gone, held=None, packs=None, scenarios=SCENARIOS):
    """(back order, demand as if everything could be had). packs: item -> pack size and price of one such pack."""
    items = unit.items.copy()
    for item, (pack, price) in (packs or {}).items():
        items.loc[items["item"] == item, ["pack", "price"]] = (float(pack), price)
    unit = replace(unit, items=items)
    tables = attempt_tables(unit)
    item_choice = fill_roles(unit, tables)
    demand = draw_demand(unit, item_choice, DAYS, scenarios, 7, "back order", tables)
    unit = replace(unit, stock=replace(unit.stock, unavailable=gone))
    return plan_back_order(unit, item_choice, tables, demand, "back order", held or {}), demand, unit


def quantile(values, chance):
    return np.sort(values)[int(np.ceil(chance * len(values) - 1e-9)) - 1]


def test_one_substitute_is_bought_to_the_newsvendor_quantile(small_unit):
    """Single-period newsvendor: buy the smallest amount whose chance of sufficing is at least the critical ratio,
    1 - cost / penalty = readiness (Snyder & Shen, Fundamentals of Supply Chain Theory 2e, section 4.3)."""
    found, demand, unit = without(small_unit, "saline-5", packs={"saline-10": (1, 0.32)})
    uses = demand.re_secures.sum(axis=1)
    assert found.buy.set_index("item").loc["saline-10", "packs"] == quantile(uses, unit.stock.readiness)
    assert found.solver.status == "optimal"


def test_what_is_left_of_the_item_is_used_before_a_substitute_is_bought(small_unit):
    nothing, _, _ = without(small_unit, "saline-5", packs={"saline-10": (1, 0.32)})
    some, _, _ = without(small_unit, "saline-5", packs={"saline-10": (1, 0.32)}, held={"saline-5": 5.0})
    plenty, _, _ = without(small_unit, "saline-5", packs={"saline-10": (1, 0.32)}, held={"saline-5": 1e4})
    full = nothing.buy["packs"].sum()
    assert some.buy["packs"].sum() == full - 5
    assert plenty.buy.empty
    assert plenty.instead["instead"].unique().tolist() == ["saline-5"]


def test_whole_packs_agree_with_trying_every_number_of_packs(small_unit):
    found, demand, unit = without(small_unit, "saline-5")
    uses = demand.re_secures.sum(axis=1)
    pack, price = 50, 16.0
    penalty = (price / pack) / (1 - unit.stock.readiness)
    cost = [price * n + penalty * np.maximum(uses - n * pack, 0).mean() for n in range(12)]
    assert found.buy["packs"].sum() == int(np.argmin(cost))
    assert found.solver.objective == pytest.approx(min(cost))


def test_the_cheaper_of_two_substitutes_is_bought(small_unit):
    found, _, _ = without(small_unit, "tape-25-short")
    assert set(found.instead["instead"]) <= {"tape-25-long", ""}
    assert found.buy["item"].tolist() == ["tape-25-long"]


def test_glove_sizes_stand_in_for_each_other_beside_their_own_use(small_unit):
    found, demand, unit = without(small_unit, "gloves-small", packs={"gloves-medium": (1, 0.12)})
    columns = [demand.items.index(i) for i in ("gloves-small", "gloves-medium")]
    both = 2 * demand.re_secures.sum(axis=1) * 0.5 + demand.units[:, columns[1]]
    assert found.buy.set_index("item").loc["gloves-medium", "packs"] == quantile(both, unit.stock.readiness)


def test_emergency_stock_is_kept_for_airways_that_nothing_else_fits(small_unit):
    """Tube 4.0 takes only the 60 mm mask, 3.5 takes either: what is left of the 60 mm masks goes to 4.0 first."""
    items = small_unit.items
    assert {"mask-42", "mask-60"} <= set(items["item"])
    unit = replace(small_unit, prefer={"mask": "mask-60"})
    found, _, _ = without(unit, "mask-60", held={"mask-60": 4.0})
    assert found.unfilled_critical
    assert any("mask-60" in s for s in found.unfilled)
    small = found.instead[found.instead["tube_mm"] == 3.5].groupby("instead")["share"].sum()
    large = found.instead[found.instead["tube_mm"] == 4.0].groupby("instead")["share"].sum()
    assert small["mask-42"] > 0.9 * small.sum()
    assert large["mask-60"] > 0


def test_the_shelf_lasts_as_long_as_units_over_use(small_unit):
    found, demand, _ = without(small_unit, "saline-5", held={"saline-5": 30.0})
    row = found.shelf.iloc[0]
    use = demand.units[:, demand.items.index("saline-5")].mean() / DAYS
    assert row["lasts_days"] == pytest.approx(30 / use)
    assert row["lasts_days_busy"] < row["lasts_days"]


def test_an_item_that_nobody_uses_needs_nothing(small_unit):
    found, _, _ = without(small_unit, "saline-10")
    assert found.buy.empty
    assert found.instead.empty
    assert found.solver is None


def test_shares_of_every_airway_add_up_to_one(small_unit):
    found, _, _ = without(small_unit, "saline-5", "tape-25-short", held={"saline-5": 12.0})
    sums = found.instead.groupby(["unavailable", "route", "tube_mm", "skin"])["share"].sum()
    assert sums.to_numpy() == pytest.approx(1.0, abs=2e-3)
