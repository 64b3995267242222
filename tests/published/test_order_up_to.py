"""The order-up-to rule and the GS1 check digit against their sources."""

from __future__ import annotations

import numpy as np

from kitplan.parts.orders.ordering import order_up_to_level
from kitplan.read.cells import Bad, read_gtins


def test_the_worked_order_of_the_scheduled_ordering_rule():
    """Management Sciences for Health, MDS-3 (2012), chapter 23, from memory; the figures are constructed:
    use 100 a month, lead time 1 month, review period 3 months, safety stock 100, on hand 150, on order 0.
    Order = use x (lead + review) + safety - on hand - on order = 400 + 100 - 150 - 0 = 350."""
    par = 100 * (1 + 3) + 100
    found = order_up_to_level(np.array([par]), np.array([150]), np.array([0]), np.array([1]))
    assert found.tolist() == [350]


def test_whole_units_of_issue_round_the_order_up():
    """Common practice, no source: an order is never short of par because packs do not divide it."""
    found = order_up_to_level(np.array([500, 500]), np.array([150, 150]), np.array([0, 100]), np.array([100, 100]))
    assert found.tolist() == [4, 3]


def test_the_check_digit_of_a_known_trade_item_number():
    """GS1 General Specifications, check digit calculation, from memory: 400638133393 takes the check digit 1."""
    accepted, *refused = read_gtins(["4006381333931", *[f"400638133393{d}" for d in "023456789"]])
    assert accepted == "4006381333931"
    assert all(isinstance(r, Bad) for r in refused)
