"""What is said where a log teaches little or nothing, and the tail of a short stay: by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from kitplan.demand import occupancy
from kitplan.demand.estimate import _because, learn
from kitplan.demand.item_choice import fill_roles
from kitplan.demand.stay_use import restock_checks


def test_without_a_log_nothing_is_counted_and_nothing_claimed(unit_maker):
    found = learn(replace(unit_maker(), log=None))
    assert (found.used, found.events, found.airway_days) == (False, 0, 0.0)
    assert found.reasons["events"].tolist() == [0] * len(found.reasons)
    assert found.warnings == ()


def test_a_rate_says_how_much_of_it_is_the_kinds_own():
    row = SimpleNamespace(airway_days=40.0, events=30, own_share=0.5)
    assert _because(row, 0.7) == ("30 events in 40 airway-days are 50 % of this estimate, the unit's average 0.70 a "
                                  "day the rest")


@pytest.mark.parametrize(("days", "tail"), [(0.05, [1.0, 0.2, 0.0]), (0.5, [1.0, 1.0, 1.0, 0.0]),
                                            (0.3, [1.0, 1.0, 0.2, 0.0])])
def test_a_stay_of_a_part_of_a_check_holds_none_or_one(unit_maker, monkeypatch, days, tail):
    """All stays last so long, at four checks a day: 0.2, 2 and 1.2 checks. A stay of x checks holds floor(x) of them,
    or one more with the chance of what is left over."""
    monkeypatch.setattr(occupancy, "fit_posterior", lambda unit: SimpleNamespace(
        stay_factor=np.ones((2, 1)), stays=SimpleNamespace(known=lambda: SimpleNamespace(hazard=np.ones((1, 1))))))
    unit = SimpleNamespace(checks_per_day=4)
    found = occupancy._own_tail(unit, 0, np.array([days]), np.ones(1))
    assert found[:len(tail)].tolist() == pytest.approx(tail)


def test_a_restock_interval_is_told_in_hours_and_holds_its_checks(unit_maker):
    """Fifty hours at four checks a day: 8.3 checks, so 8; ten days are 40."""
    unit = unit_maker()
    for hours, checks in ((50.0, 8), (240.0, 40), (1.0, 1)):
        asked = replace(unit, checks_per_day=4, bedside=replace(unit.bedside, restock_hours=hours))
        assert restock_checks(asked) == checks


def test_what_an_airway_is_given_once_costs_one_item_of_its_pack(unit_maker):
    """Masks of 42 mm in packs of four at 7 money: 1.75 each."""
    unit = unit_maker()
    items = unit.items.copy()
    items.loc[items["item"] == "mask-42", "pack"] = 4
    chosen = fill_roles(replace(unit, items=items)).frame
    assert set(chosen.loc[chosen["item"] == "mask-42", "cost_per_stay"]) == {7.0 / 4}
