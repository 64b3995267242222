"""Floors of the stock room: emergency equipment for every tube in the unit and for the next size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kitplan.parts.par.instance import fits_unit, floor_units
from tests.millimetres import fits_in_millimetres


def with_range(unit, low, high, **changes):
    items = unit.items.assign(fits_from_mm=low, fits_to_mm=high, critical=True, min_stock=0.0, pack=1.0, **changes)
    return replace(unit, items=fits_in_millimetres(items))


@pytest.mark.parametrize(
    ("low", "high", "fits"),
    [(2.0, 2.5, False), (2.0, 3.0, True), (2.0, 3.5, True), (4.5, 6.0, True), (5.0, 6.0, False), (np.nan, np.nan, True),
     (np.nan, 2.5, False), (5.0, np.nan, False), (3.6, 3.9, True)],
)
def test_an_item_counts_for_the_units_tubes_and_the_next_size(small_unit, low, high, fits):
    """The unit has tubes of 3.5 and 4.0 mm; sizes go up by 0.5 mm."""
    assert fits_unit(with_range(small_unit, low, high)).all() == fits


def test_what_fits_nobody_has_no_floor(small_unit):
    assert (floor_units(with_range(small_unit, 8.0, 9.0)) == 0).all()


def test_a_critical_item_has_at_least_one(small_unit):
    assert (floor_units(with_range(small_unit, 3.0, 4.0)) == 1).all()


@pytest.mark.parametrize(("least", "units"), [(0, 0), (1, 1), (10, 10), (10.5, 11), (np.nan, 0)])
def test_minimum_stock_is_in_single_items(small_unit, least, units):
    items = small_unit.items.assign(critical=False, min_stock=float(least), pack=10.0, fits_from_mm=np.nan,
                                    fits_to_mm=np.nan)
    assert (floor_units(replace(small_unit, items=items)) == units).all()
