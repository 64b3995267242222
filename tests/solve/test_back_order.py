"""Doing without an item: the recourse program against the newsvendor, against enumeration, and with emergency stock."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.scenarios import draw_demand
from kitplan.parts.orders.back_order import missing_items, plan_back_order
from kitplan.parts.orders.ledger import standing
from kitplan.parts.orders.round_plan import Level, RoundPlan
from kitplan.read.order_book import Line, OrderBook

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
    return plan_back_order(unit, item_choice, tables, demand, held or {}), demand, unit


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


def test_nothing_is_ever_proposed_in_the_place_of_what_is_sized_to_the_patient(small_unit):
    unit = replace(small_unit, prefer={"mask": "mask-60"})
    found, _, _ = without(unit, "mask-60", held={"mask-60": 4.0})
    assert found.unfilled_critical
    assert set(found.instead["instead"]) <= {"mask-60", ""}
    assert found.buy.empty
    assert any("mask-60" in s and "in charge of airways" in s for s in found.unfilled)


def test_nothing_is_proposed_in_the_place_of_what_is_marked_critical(small_unit):
    items = small_unit.items.assign(critical=small_unit.items["critical"] | (small_unit.items["item"] == "saline-5"))
    found, _, _ = without(replace(small_unit, items=items), "saline-5")
    assert found.buy.empty
    assert found.unfilled_critical


def test_a_sterile_item_is_never_replaced_by_one_that_is_not(small_unit):
    def with_sterile(*names):
        items = small_unit.items.assign(sterile=small_unit.items["item"].isin(names))
        return without(replace(small_unit, items=items), "saline-5")[0]

    assert with_sterile("saline-5").buy.empty
    assert with_sterile("saline-5", "saline-10").buy["item"].tolist() == ["saline-10"]
    assert with_sterile("saline-10").buy["item"].tolist() == ["saline-10"]


def test_the_shelf_lasts_by_the_plans_own_pace_and_never_beyond_its_dates(small_unit):
    """24 days of a tape that goes out of date in 24 days, however much lies there."""
    day = date(2026, 7, 1)
    lines = [Line("counts", day, "counted", "saline-5", 10, 0, 400, day + timedelta(days=24), "L", "1"),
             Line("counts", day, "counted", "saline-5", 10, 0, 30, None, "", "1")]
    now = standing(OrderBook().grown(lines, ""))
    level = Level("saline-5", "", "A", 10, 5.0, 40, 5, 2.0, False)
    unit = replace(small_unit, stock=replace(small_unit.stock, unavailable=("saline-5",)))
    tables = attempt_tables(small_unit)
    found = missing_items(unit, 7, fill_roles(small_unit, tables), now, RoundPlan("USD", 7, 2, (level,)))
    row = found.shelf.iloc[0]
    assert row["units"] == 430
    assert row["lasts_days"] == pytest.approx((2 * 24 + 30) / 2.0)
    assert row["lasts_days_busy"] != row["lasts_days"]


def test_an_item_that_nobody_uses_needs_nothing(small_unit):
    found, _, _ = without(small_unit, "saline-10")
    assert found.buy.empty
    assert found.instead.empty
    assert found.solver is None


def test_shares_of_every_airway_add_up_to_one(small_unit):
    found, _, _ = without(small_unit, "saline-5", "tape-25-short", held={"saline-5": 12.0})
    sums = found.instead.groupby(["unavailable", "route", "tube_mm", "skin"])["share"].sum()
    assert sums.to_numpy() == pytest.approx(1.0, abs=2e-3)


def test_a_roll_that_cannot_be_had_is_done_without_by_a_longer_one(small_unit):
    """Used up patient by patient: what a stay opens of the long roll takes the place of what it opens of the short."""
    now = standing(OrderBook().grown([Line("counts", date(2026, 7, 1), "counted", "tape-25-short", 10, 0, 3)], "P"))
    unit = replace(small_unit, stock=replace(small_unit.stock, unavailable=("tape-25-short",)))
    tables = attempt_tables(small_unit)
    found = missing_items(unit, 7, fill_roles(small_unit, tables), now, RoundPlan("USD", 7, 2, ()))
    assert found.buy["item"].tolist() == ["tape-25-long"]
    assert set(found.instead["instead"]) <= {"tape-25-short", "tape-25-long", ""}, "the rest nothing serves"
    assert found.shelf["units"].tolist() == [3.0]
    told = found.sentences()
    assert any(t.startswith("Buy instead: ") and "x tape-25-long" in t for t in told)
    assert told[0].startswith("Cannot be had for 9 days. tape-25-short: 3 left, about ")
