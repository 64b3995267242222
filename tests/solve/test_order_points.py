"""Order points: what may be needed before a delivery ordered today, never under emergency minimum stock."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from kitplan.demand.values import Demand
from kitplan.parts.orders.order_points import find_order_points, order_point
from kitplan.read.shelf_order import shelf_key


def make_levels(unit, par_packs):
    items = unit.items
    return pd.DataFrame({"item": items["item"], "description": items["description"], "par_packs": par_packs,
                         "pack": items["pack"].astype(int), "par_units": par_packs * items["pack"].astype(int),
                         "expected_units": 9.0, "floor_packs": np.where(items["critical"], 2, 0)})


def lead_of(unit, units):
    names = tuple(unit.items["item"])
    drawn = np.full((100, len(names)), units, dtype=np.int32)
    return Demand(names, drawn, np.zeros((100, 3), np.int32), 2.0, 1, "lead")


def test_the_order_point_is_the_quantile_of_the_lead_time():
    """Poisson quantiles at 0.95, 0.98 and 0.99 of mean 12.4: 18, 20, 21 (standard tables, by scipy here)."""
    u = (np.arange(20_000) + 0.5) / 20_000
    units = poisson.ppf(u, 12.4).astype(int)[:, None]
    assert [int(order_point(units, r)[0]) for r in (0.95, 0.98, 0.99)] == [18, 20, 21]


@given(st.lists(st.integers(0, 50), min_size=1, max_size=40), st.floats(0.01, 0.99))
def test_it_suffices_in_the_asked_share_of_lead_times_and_one_less_does_not(values, readiness):
    units = np.array(values)[:, None]
    found = int(order_point(units, readiness)[0])
    assert (units <= found).mean() >= readiness - 1e-9
    assert (units <= found - 1).mean() < readiness


def test_emergency_equipment_never_has_an_order_point_under_its_minimum_stock(small_unit):
    found = find_order_points(small_unit, make_levels(small_unit, 5), lead_of(small_unit, 0)).levels
    critical = found[found["critical"]].set_index("item")["order_point_units"]
    assert critical["mask-42"] == 2
    assert (found.loc[~found["critical"], "order_point_units"] == 0).all()


def test_an_order_point_is_never_over_par(small_unit):
    found = find_order_points(small_unit, make_levels(small_unit, 1), lead_of(small_unit, 10_000)).levels
    assert (found["order_point_units"] == found["par_units"]).all()


def test_items_that_are_not_held_have_no_label(small_unit):
    levels = make_levels(small_unit, 2)
    levels.loc[3, ["par_packs", "par_units"]] = 0
    found = find_order_points(small_unit, levels, lead_of(small_unit, 1)).levels
    assert levels.loc[3, "item"] not in set(found["item"])


def test_orders_that_arrive_at_once_need_no_order_point(small_unit):
    found = find_order_points(small_unit, make_levels(small_unit, 2), None).levels
    assert (found.loc[~found["critical"], "order_point_units"] == 0).all()


def test_bins_are_walked_in_the_order_of_their_numbers():
    assert sorted(["A10", "", "B1", "A2", "a1-10", "a1-9"], key=shelf_key) == ["a1-9", "a1-10", "A2", "A10", "B1", ""]
