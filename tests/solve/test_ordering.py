"""What to order after a count: whole packs, dated lots first expired first, nothing counted that will spoil."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitplan.parts.orders.ordering import (
    Horizon,
    first_expired_first_out,
    lot_ledger,
    make_order,
    order_up_to_level,
)

DAY = date(2026, 7, 1)
HORIZON = Horizon(DAY, lead_days=2, protection_days=9)


def items(**changes):
    row = {"item": "saline", "description": "Saline", "pack": 10, "price": 5.0, "critical": False, "bin": "A1"}
    return pd.DataFrame([row | changes])


def levels(par_units=100, use_per_day=5.0, order_point_units=15):
    return pd.DataFrame([{"item": "saline", "par_units": par_units, "use_per_day": use_per_day,
                          "order_point_units": order_point_units}])


def lots(*rows):
    """rows: (packs, loose units, days until the date or None)."""
    return pd.DataFrame([{"item": "saline", "packs": p, "loose_units": u, "lot": f"L{k}",
                          "expires": pd.NaT if d is None else pd.Timestamp(DAY + timedelta(days=d))}
                         for k, (p, u, d) in enumerate(rows)],
                        columns=["item", "packs", "loose_units", "expires", "lot"])


def order(*rows, on_order=0.0, horizon=HORIZON, **level):
    return make_order(levels(**level), items(), lots(*rows), {"saline": on_order} if on_order else {}, horizon)


def line(*rows, **kwargs):
    return order(*rows, **kwargs).lines.iloc[0]


def test_a_full_shelf_orders_nothing():
    assert line((10, 0, None))["order_packs"] == 0


def test_a_started_pack_is_rounded_up_to_a_whole_one():
    assert line((8, 9, None))["order_packs"] == 2, "11 missing, packs of 10"


def test_loose_units_and_packs_on_order_count():
    found = line((3, 5, None), on_order=2)
    assert found["on_hand_units"] == 35
    assert found["on_order_units"] == 20
    assert found["order_packs"] == 5, "100 - 35 - 20 = 45"


def test_more_than_par_orders_nothing():
    assert line((50, 0, None))["order_packs"] == 0


def test_stock_out_of_date_is_not_cover():
    found = order((4, 0, -1), (3, 0, None))
    assert found.lines.iloc[0]["cover_units"] == 30
    assert found.lines.iloc[0]["order_packs"] == 7
    assert found.ledger.iloc[0]["advice"].startswith("Out of date")


def test_stock_that_spoils_within_the_interval_is_cover_only_as_far_as_it_is_used():
    found = order((3, 0, 4), (2, 0, 300))
    first = found.ledger.iloc[0]
    assert first["used_units"] == 20, "5 a day for 4 days"
    assert first["spoils_units"] == 10
    assert found.lines.iloc[0]["cover_units"] == 40
    assert "of which 10 out of date before use" in found.lines.iloc[0]["because"]


def test_stock_that_keeps_beyond_the_interval_is_cover_even_if_some_will_spoil_later():
    found = order((20, 0, 12))
    assert found.lines.iloc[0]["cover_units"] == 200
    assert found.ledger.iloc[0]["spoils_units"] == 140
    assert "140 of 200" in found.ledger.iloc[0]["advice"]


def test_first_expired_first_out_follows_a_hand_worked_ledger():
    """Four lots, 2 a day. By day 3: 6 taken of lot A (5) and lot B (1); lot B's date is day 6, 12 in all less 5
    before it: 7 of its 9; lot C by day 7: 14 - 12 = 2 of its 4; lot D has no date."""
    used = first_expired_first_out(np.array([5, 9, 4, 6]), np.array([3.0, 6.0, 7.0, np.inf]), 2.0)
    assert used.tolist() == [5, 7, 2, 6]


def test_the_expiry_list_is_in_the_order_of_the_dates_whatever_the_count_said():
    ledger = order((1, 0, 200), (1, 0, 20), (1, 0, None), (1, 0, 90)).ledger
    assert ledger["days_left"].tolist()[:3] == [20, 90, 200]
    assert np.isnan(ledger["days_left"].iloc[3])


def test_an_item_below_its_order_point_is_urgent_and_comes_first():
    two = pd.concat([levels(), levels(order_point_units=15).assign(item="tape")], ignore_index=True)
    catalogue = pd.concat([items(), items(item="tape", bin="A2")], ignore_index=True)
    shelf = pd.concat([lots((9, 0, None)), lots((1, 4, None)).assign(item="tape")], ignore_index=True)
    found = make_order(two, catalogue, shelf, {}, HORIZON)
    assert found.lines["item"].tolist() == ["tape", "saline"]
    assert found.urgent["item"].tolist() == ["tape"]
    assert "2026-07-03" in found.urgent.iloc[0]["because"]


def test_stock_that_spoils_before_the_delivery_does_not_calm_an_urgent_line():
    assert not line((2, 0, None))["urgent"]
    assert line((2, 0, 1))["urgent"], "only 5 of 20 can be used by then"


def test_an_item_that_was_not_found_is_ordered_up_to_par():
    found = line()
    assert found["on_hand_units"] == 0
    assert found["order_packs"] == 10
    assert found["urgent"]


def test_a_dated_item_off_the_par_list_is_not_called_waste():
    shelf = lots((1, 0, 30), (1, 0, -1)).assign(item="tape")
    found = make_order(levels(), pd.concat([items(), items(item="tape")], ignore_index=True), shelf, {}, HORIZON)
    assert found.ledger["spoils_units"].tolist() == [10, 0]
    assert found.ledger["advice"].tolist() == ["Out of date: take it off the shelf", ""]


def test_items_off_the_par_list_are_told_apart():
    shelf = pd.concat([lots((9, 0, None)), lots((1, 0, None)).assign(item="tape")], ignore_index=True)
    catalogue = pd.concat([items(), items(item="tape")], ignore_index=True)
    found = make_order(levels(), catalogue, shelf, {}, HORIZON)
    assert found.off_list.to_dict("records") == [{"item": "tape", "units": 10}]


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(-5, 60)), max_size=6), st.floats(0, 20),
       st.integers(0, 300), st.integers(1, 50))
def test_no_unit_is_lost_or_invented(held, rate, par, pack):
    held = sorted(held, key=lambda lot: lot[1])
    frame = pd.DataFrame({"item": "saline", "packs": 0.0, "loose_units": [float(u) for u, _ in held],
                          "expires": [pd.Timestamp(DAY + timedelta(days=d)) for _, d in held], "lot": ""})
    ledger = lot_ledger(frame, {"saline": pack}, {"saline": rate}, HORIZON)
    assert (ledger["used_units"] + ledger["spoils_units"] == ledger["units"]).all()
    assert (ledger["used_units"] <= ledger["cover_units"]).all()
    assert (ledger["cover_units"] <= ledger["units"]).all()
    assert ledger.loc[ledger["days_left"] < 0, "cover_units"].sum() == 0
    cover = int(ledger["cover_units"].sum())
    packs = int(order_up_to_level(np.array([par]), np.array([cover]), np.array([0]), np.array([pack]))[0])
    assert packs == 0 or par <= cover + packs * pack < par + pack


def play_a_year(seed, pack, par, life_days):
    """Count, order, deliver, use and discard day by day for a year; returns the units at each end of the ledger."""
    rng = np.random.default_rng(seed)
    shelf, coming = [[int(par), DAY + timedelta(days=life_days)]], []
    bought, used, thrown = int(par), 0, 0
    for day in range(364):
        today = DAY + timedelta(days=day)
        shelf += [[units, today + timedelta(days=life_days)] for due, units in coming if due == day]
        coming = [c for c in coming if c[0] > day]
        thrown += sum(u for u, d in shelf if d < today)
        shelf = [lot for lot in shelf if lot[1] >= today and lot[0] > 0]
        if day % 7 == 0:
            frame = pd.DataFrame([{"item": "saline", "packs": u // pack, "loose_units": u % pack, "lot": "",
                                   "expires": pd.Timestamp(d)} for u, d in shelf],
                                 columns=["item", "packs", "loose_units", "expires", "lot"])
            on_order = sum(u for _, u in coming) / pack
            made = make_order(levels(par, 5.0, 10), items(pack=pack), frame, {"saline": on_order},
                              Horizon(today, 2, 9))
            found = made.lines.iloc[0]
            assert found["on_hand_units"] == sum(u for u, _ in shelf)
            if found["order_packs"]:
                coming.append((day + 2, int(found["order_units"])))
                bought += int(found["order_units"])
        wanted = int(rng.poisson(5))
        for lot in sorted(shelf, key=lambda s: s[1]):
            taken = min(wanted, lot[0])
            lot[0] -= taken
            wanted -= taken
            used += taken
    return bought, used + thrown + sum(u for u, _ in shelf) + sum(u for _, u in coming)


@pytest.mark.parametrize(("pack", "life_days"), [(10, 400), (25, 20), (1, 9)])
def test_a_year_of_rounds_never_loses_or_invents_a_unit(pack, life_days):
    bought, accounted = play_a_year(3, pack, 70, life_days)
    assert bought == accounted


def test_what_fills_in_for_a_back_order_is_ordered_counted_or_not():
    catalogue = pd.concat([items(), items(item="other")], ignore_index=True)
    two = pd.concat([levels(), levels().assign(item="other")], ignore_index=True)
    made = make_order(two, catalogue, lots(), {"other": 2.0}, HORIZON, ["saline", "other"], ["saline"], {"other": 5})
    found = made.lines.set_index("item")
    assert found["order_packs"].to_dict() == {"other": 3, "saline": 0}, "5 asked for, 2 on order"
    assert found["urgent"].to_dict() == {"other": True, "saline": False}
    assert "back order" in found.loc["other", "because"].lower()


def test_the_order_up_to_par_stands_where_it_is_more_than_a_back_order_asks_for():
    made = make_order(levels(), items(), lots((1, 0, None)), {}, HORIZON, in_place={"saline": 4})
    assert made.lines["order_packs"].tolist() == [9]
    assert "back order asks for 4 packs" in made.lines.loc[0, "because"]


def test_a_substitute_that_the_par_list_never_had_is_ordered_as_well(small_unit):
    from kitplan.parts.orders.model import _with_substitutes

    item = small_unit.items["item"].iloc[0]
    found = _with_substitutes(levels(), small_unit, {item: 2, "saline": 1})
    assert found["item"].tolist() == ["saline", item]
    assert found["par_units"].tolist() == [100, 0]
