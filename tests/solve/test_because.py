"""The sentence beside each par level tells the case that decided it."""

from __future__ import annotations

import pytest

from kitplan.parts.par.because import Reasons, because

USUAL = {
    "scope": "event", "days": 9.0, "expected_units": 83.4, "most_units": 167, "pack": 50, "par_packs": 4,
    "own_packs": 4, "floor_packs": 0, "critical": False, "fits": True, "target": 0.98, "shortage": 0.004,
}


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Used at each re-secure: 83 expected in 9 days, 167 in the busiest interval played. "
             "4 packs of 50 last in 98 % of intervals, and no fewer would."),
        ({"own_packs": 3}, "all items must be there at once"),
        ({"own_packs": 3, "tight": True}, "more within the limit"),
        ({"own_packs": 5}, "cut by a limit; 5 packs would last in 98 % of intervals"),
        ({"par_packs": 0, "own_packs": 0, "shortage": 0.01}, "None is held: it would be short in 1 % of intervals"),
        ({"par_packs": 2, "own_packs": 1, "floor_packs": 2, "critical": True}, "its floor as emergency equipment"),
        ({"par_packs": 2, "own_packs": 1, "floor_packs": 2}, "2 packs of 50: its floor; use alone would ask for"),
        ({"most_units": 0, "par_packs": 1, "floor_packs": 1, "critical": True}, "floor of 1 pack as emergency"),
        ({"most_units": 0, "par_packs": 1, "floor_packs": 1}, "the unit's minimum stock"),
        ({"most_units": 0, "par_packs": 0}, "no airway of this unit uses it"),
        ({"most_units": 0, "par_packs": 0, "fits": False}, "it fits no airway of this unit"),
        ({"scope": "patient"}, "Opened for one patient"),
        ({"scope": "unit", "pack": 1, "par_packs": 1, "own_packs": 1}, "1 pack lasts in"),
        ({"expected_units": 0.76}, "0.76 expected"),
    ],
)
def test_the_sentence_names_what_decided(changes, said):
    assert said in because(Reasons(**(USUAL | changes)))
