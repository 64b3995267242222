"""Tables and sentences of seasons and of the play, from a few numbers put together by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.par.instance import present_units
from kitplan.parts.seasons.model import _levels
from kitplan.parts.simulate.model import PLAN, PRESENT, SimulationResult


def test_a_months_level_is_told_beside_that_of_its_period_in_items_and_packs(small_unit):
    """Ampoules in packs of fifty: 60 in winter and 10 else; two periods. What is held in no month is not listed."""
    levels = np.zeros((12, len(small_unit.items)), dtype=int)
    levels[:, 3] = 10
    levels[[10, 11, 0, 1], 3] = [60, 40, 30, 51]
    table = _levels(small_unit, levels, [list(range(2, 10)), [10, 11, 0, 1]])
    assert len(table) == 12
    assert set(table["item"]) == {"saline-5"}
    by_month = table.set_index("month")
    assert by_month.loc[1].tolist() == ["saline-5", 1, 2, 30, 60]
    assert by_month.loc[2].tolist() == ["saline-5", 2, 2, 51, 60]
    assert by_month.loc[6].tolist() == ["saline-5", 1, 1, 10, 10]


def played(*, agrees=True, measure="use", tuned=(False, False, True, True)):
    summary = pd.DataFrame({"plan": [PLAN, PRESENT, "k x mean", "mean + z sd"], "readiness": [0.962, 0.9, 0.96, 0.97],
                            "stockouts_per_year": [1.25, 9.0, 1.0, 1.0], "par_value": [1000.0, 900.0, 1400.0, 1100.0],
                            "tuned": tuned})
    agreement = pd.DataFrame({"planner": [0.955], "played": [0.948], "agrees": [agrees], "measure": [measure]})
    return SimulationResult(summary, pd.DataFrame(), agreement, 1, 256).sentences("USD")


def test_a_play_is_said_in_readiness_agreement_and_what_rules_of_thumb_would_need():
    assert played() == [
        "In new years that nobody has seen the plan was ready in 96.2 % of intervals and ran an item short 1.2 times a "
        "year.",
        "Use within what was on the shelf and on order, the planner's own measure: planned 95.5 %, played 94.8 %. They "
        "agree.",
        "For the same readiness the best rule of thumb needs 1,100 USD on the shelf and on order on the mean; the plan "
        "needs 1,000."]
    assert "They disagree: rest on neither until the cause is found." in played(agrees=False)[1]
    assert len(played(tuned=(False,) * 4)) == 2
    assert "what kits in use tie up" in played(measure="use, kits in use left out")[2]


@pytest.mark.parametrize(("packs", "units"), [(2.0, 100), (0.5, 25), (np.nan, 0)])
def test_todays_par_is_in_items_and_rows_of_an_item_add_up(small_unit, packs, units):
    """Packs of fifty."""
    table = pd.DataFrame({"item": ["saline-5", "saline-5", "mask-42"], "par_packs": [packs, 0.0, 2.0]})
    unit = SimpleNamespace(present_par=table, items=small_unit.items)
    found = dict(zip(small_unit.items["item"], present_units(unit)))
    assert (found["saline-5"], found["mask-42"], found["wipe-prep"]) == (units, 2, 0)
