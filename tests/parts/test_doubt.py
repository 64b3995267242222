"""The price of not knowing, and plans of the past judged on what came after."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.doubt.model import look_at_doubt
from kitplan.parts.work import Basis, Work
from kitplan.read.values import Census, Doubt

NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})


def stays_unit(unit_maker, days=400, per_day=1.5, more_later=1.0):
    rng = np.random.default_rng(2)
    start = np.sort(rng.uniform(0, days, rng.poisson(per_day * days)))
    extra = np.sort(rng.uniform(days / 2, days, rng.poisson((more_later - 1) * per_day * days / 2)))
    start = np.sort(np.concatenate([start, extra]))
    end = start + rng.exponential(5.0, len(start))
    rows = pd.DataFrame({"airway": [f"A{i}" for i in range(len(start))], "stratum": rng.integers(0, 3, len(start)),
                         "start": start, "end": np.where(end < days, end, np.nan)})
    first = date(2025, 1, 1)
    return unit_maker(census=Census("stays", rows, first, first + timedelta(days=days - 1), None, 1.0, NOBODY))


def looked(unit):
    basis = Basis(unit, lambda _: None)
    return look_at_doubt(Work(unit, 1, basis, basis.cheapest))


def test_what_is_known_costs_nothing_and_what_is_not_known_costs_stock(unit_maker):
    known = looked(unit_maker())
    assert known.prices.set_index("unknown").at["rate", "saved"] == 0.0
    guessed = looked(replace(unit_maker(), doubt=Doubt(rate_range=(0.3, 1.0))))
    assert guessed.prices.set_index("unknown").at["rate", "saved_share"] > 0.03
    assert guessed.value > known.value


def test_one_days_count_makes_the_arrivals_the_dearest_thing_not_to_know(unit_maker):
    prices = looked(unit_maker()).prices.set_index("unknown")["saved"]
    assert prices.idxmax() == "arrivals"
    assert prices["arrivals"] > 0


def test_plans_of_a_steady_past_hold_about_as_often_as_they_say(unit_maker):
    found = looked(stays_unit(unit_maker))
    assert len(found.backtest) == 4
    assert found.backtest["ready"].mean() == pytest.approx(0.95, abs=0.06)
    assert found.low < 0.95 <= found.high


def test_plans_of_a_past_that_doubled_do_not_hold_and_it_is_said(unit_maker):
    found = looked(stays_unit(unit_maker, more_later=2.2))
    assert found.backtest["ready"].iloc[0] < 0.7
    assert any("On its own history" in line for line in found.sentences("USD"))
