"""The order rule and the GS1 element strings against their sources."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from kitplan.parts.orders.ordering import packs_to_level
from kitplan.read.cells import Bad, read_gtin
from kitplan.read.pack_code import PackCode, read_pack_code


def test_the_worked_order_of_the_scheduled_ordering_rule():
    """Management Sciences for Health, MDS-3 (2012), chapter 23, from memory; the figures are constructed:
    use 100 a month, lead time 1 month, review period 3 months, safety stock 100, on hand 150, on order 0.
    Order = use x (lead + review) + safety - on hand - on order = 400 + 100 - 150 - 0 = 350."""
    assert packs_to_level(100 * (1 + 3) + 100, 150, 1) == 350


def test_whole_units_of_issue_round_the_order_up():
    """Common practice, no source: an order is never short of its level because packs do not divide it."""
    assert [packs_to_level(500, position, 100) for position in (150, 250)] == [4, 3]


def test_after_ordering_every_position_from_the_level_up_is_equally_frequent():
    """The (nQ, r) system: in the long run the position just after ordering is uniform on s, ..., s + Q - 1, whatever
    the demand, as long as it can be one (Hadley & Whitin 1963, chapter 5, from memory)."""
    level, pack, rng = 39, 12, np.random.default_rng(7)
    position, seen = level, np.zeros(pack)
    for demand in rng.poisson(5.0, 60_000):
        position -= demand
        position += packs_to_level(level, position, pack) * pack
        seen[position - level] += 1
    assert abs(seen / seen.sum() - 1 / pack).max() < 0.004


def test_the_check_digit_of_a_known_trade_item_number():
    """GS1 General Specifications, check digit calculation, from memory: 400638133393 takes the check digit 1."""
    accepted, *refused = map(read_gtin, ["4006381333931", *[f"400638133393{d}" for d in "023456789"]])
    assert accepted == "4006381333931"
    assert all(isinstance(r, Bad) for r in refused)


NUMBER, DAY = "09501101530003", date(2028, 2, 29)
"""9501101530003 is an example number of the GS1 General Specifications (from memory); its check digit is recomputed."""


@pytest.mark.parametrize("typed", [
    "(01)09501101530003(17)280229(10)AB-123", "(01) 09501101530003 (17) 280229 (10) AB-123",
    "010950110153000317280229" + "10AB-123", "]C1010950110153000317280229" + "10AB-123",
    "]d2010950110153000310AB-123\x1d17280229", "010950110153000310AB-123|17280229", "010950110153000310AB-123~17280229",
    "(01)09501101530003(10)AB-123(17)280200",
])
def test_a_pack_code_is_read_as_a_reader_types_it(typed):
    """Application identifiers 01, 17, 10; day 00 is the last day of the month; FNC1 or what stands for it ends a lot
    (GS1 General Specifications, sections 3 and 7.8, from memory)."""
    assert read_pack_code(typed) == PackCode(NUMBER, DAY, "AB-123")


def test_a_trade_item_number_alone_is_read_in_its_long_form():
    assert read_pack_code("9501101530003") == PackCode(NUMBER, None, "")


@pytest.mark.parametrize(("typed", "fault"), [
    ("(01)09501101530004(17)280229", "check digit"), ("9501101530004", "check digit"),
    ("0109501101530004", "check digit"),
    ("(01)09501101530003(17)281399", "not a pack code"), ("hello", "not a pack code"), ("(99", "not a pack code"),
    ("010950110153000310AB12317280229", "no separator"),
])
def test_a_code_that_cannot_be_right_is_refused(typed, fault):
    found = read_pack_code(typed)
    assert isinstance(found, Bad)
    assert fault in found.fault
