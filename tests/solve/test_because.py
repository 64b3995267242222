"""The sentence beside each par level tells the case that decided it."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from kitplan.parts.par.tables import because
from kitplan.read.values import Route

USUAL = {
    "scope": "event", "expected_units": 83.4, "most_units": 167, "pack": 50, "par_units": 139,
    "own_level": 139, "floor": 0, "critical": False, "fits": True, "shortage_chance": 0.004,
}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Used at each re-secure: 83 expected in 9 days, 167 in the busiest interval played. "
             "Ordered when under 139, in 50s: that lasts in 98 % of intervals, and no less would."),
        ({"own_level": 121}, "all items must be there at once"),
        ({"own_level": 121, "tight": True}, "more within the limit"),
        ({"own_level": 150}, "cut by a limit; 150 would last in 98 % of intervals"),
        ({"par_units": 0, "own_level": 0, "shortage_chance": 0.01},
         "None is held: it would be short in 1 % of intervals"),
        ({"par_units": 2, "own_level": 1, "floor": 2, "critical": True}, "its floor as emergency equipment"),
        ({"par_units": 2, "own_level": 1, "floor": 2}, "under 2, in 50s: its floor; use alone would ask for 1"),
        ({"most_units": 0, "par_units": 1, "floor": 1, "critical": True}, "floor of 1 as emergency"),
        ({"most_units": 0, "par_units": 1, "floor": 1}, "the unit's minimum stock"),
        ({"most_units": 0, "par_units": 0}, "this plan gives it to no airway of this unit"),
        ({"most_units": 0, "par_units": 0, "fits": False}, "it fits no airway of this unit"),
        ({"scope": "patient"}, "Opened for one patient"),
        ({"scope": "unit", "pack": 1, "par_units": 1, "own_level": 1}, "Ordered when under 1: that lasts in"),
        ({"expected_units": 0.76}, "0.76 expected"),
    ],
)
def test_the_sentence_names_what_decided(changes, said):
    row = USUAL | changes
    tight = row.pop("tight", False)
    assert said in because(SimpleNamespace(**row), Route(""), 9.0, 0.98, tight)
