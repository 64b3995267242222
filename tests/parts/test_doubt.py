"""The price of not knowing, and plans of the past judged on what came after."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from kitplan.parts.doubt.model import Doubts, _as_it_was, _block_interval, _until, look_at_doubt
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
    """A list of stays, so that the rate is what is known least: with one day's count chance would hide its price."""
    unit = stays_unit(unit_maker)
    known = looked(unit)
    assert known.prices.set_index("unknown").at["rate", "saved"] == 0.0
    guessed = looked(replace(unit, doubt=Doubt(rate_range=(0.3, 1.0))))
    assert guessed.prices.set_index("unknown").at["rate", "saved_share"] > 0.03
    assert guessed.value > known.value


def test_one_days_count_makes_the_arrivals_the_dearest_thing_not_to_know(unit_maker):
    prices = looked(unit_maker()).prices.set_index("unknown")["saved"]
    assert prices.idxmax() == "arrivals"
    assert prices["arrivals"] > 0


def test_plans_of_a_steady_past_hold_about_as_often_as_they_say(unit_maker):
    found = looked(stays_unit(unit_maker))
    assert len(found.backtest) == 4
    first, last = ([date.fromisoformat(d) for d in found.backtest[c]] for c in ("first_day", "last_day"))
    assert (first[0], last[-1]) == (date(2025, 1, 1) + timedelta(days=200), date(2025, 1, 1) + timedelta(days=399))
    assert [(b - a).days for a, b in zip(last, first[1:])] == [1, 1, 1], "the later half, day after day"
    assert found.backtest["ready"].mean() == pytest.approx(0.95, abs=0.06)
    assert found.low < 0.95 <= found.high


def test_plans_of_a_past_that_doubled_do_not_hold_and_it_is_said(unit_maker):
    found = looked(stays_unit(unit_maker, more_later=2.2))
    assert found.backtest["ready"].iloc[0] < 0.7
    assert any("On its own history" in line for line in found.sentences("USD"))


# -- reckoned by hand -----------------------------------------------------------------------------------------------


def listed(unit_maker, *rows, days=30):
    """rows: stratum, start, end."""
    frame = pd.DataFrame([(f"A{i}", *row) for i, row in enumerate(rows)], columns=["airway", "stratum", "start", "end"])
    first = date(2025, 1, 1)
    return unit_maker(census=Census("stays", frame, first, first + timedelta(days=days - 1), None, 1.0, NOBODY))


def test_a_past_knows_only_what_had_come_and_no_end_that_was_still_to_be(unit_maker):
    """At the beginning of day 10: who came on day 10 is not known yet, who leaves on it is still there."""
    unit = listed(unit_maker, (0, 1.0, 5.0), (1, 3.0, 10.0), (2, 9.9, 12.0), (0, 10.0, 11.0), (1, 2.0, np.nan))
    past = _until(unit, 10.0).census
    assert past.rows["airway"].tolist() == ["A0", "A1", "A2", "A4"]
    assert past.rows["end"].tolist()[0] == 5.0
    assert past.rows["end"].isna().tolist() == [False, True, True, True]
    assert past.last_day == date(2025, 1, 10)


def test_intervals_of_the_list_are_as_they_were_ten_times_over(unit_maker):
    """From day 7 on, nine days: who left on day 7 is gone, who comes on day 16 has not come. Four checks a day: one
    there since day 5 stays two days, eight checks more; one who came on day 9.5 stays to the end.
    """
    unit = listed(unit_maker, (0, 5.0, 9.0), (1, 9.5, np.nan), (2, 2.0, 7.0), (0, 16.0, 20.0))
    found = _as_it_was(unit, np.array([7.0, 14.0]), 9.0, 1000)
    assert found.n_scenarios == 20
    first = found.scenario == 0
    assert found.stratum[first].tolist() == [0, 1]
    assert found.checks[first].tolist() == [8, 4 * 9 - 10]
    assert found.fresh[first].tolist() == [False, True]
    assert found.start[first].tolist() == [-2.0, 2.5]
    second = found.scenario == 1
    assert found.stratum[second].tolist() == [1, 0]
    assert found.start[second].tolist() == [-4.5, 2.0]
    assert found.checks[second].tolist() == [36, 16]
    assert np.bincount(found.scenario).tolist() == [2] * 20
    assert np.unique(_as_it_was(unit, np.array([7.0, 14.0]), 9.0, 4).draw).tolist() == [0, 1, 2, 3]
    assert len(np.unique(found.draw)) == 20, "each is played with another draw of what is not known"


def test_blocks_are_as_sure_as_student_t_says_within_none_and_all():
    """0.9, 0.95, 0.85, 0.9: mean 0.9, deviation 0.0408 / 2, 3.182 of them (t table, 3 degrees of freedom)."""
    low, high = _block_interval(np.array([0.9, 0.95, 0.85, 0.9]), 400)
    half = 3.182 * np.sqrt(0.005 / 3) / 2
    assert (low, high) == pytest.approx((0.9 - half, 0.9 + half), abs=1e-4)
    assert _block_interval(np.array([0.2, 1.0]), 400) == (0.0, 1.0)
    assert _block_interval(np.array([0.9]), 400) == (0.0, 1.0)


def test_blocks_that_were_all_ready_are_no_certainty():
    """28 of 28: from 28 / (28 + 1.96 squared) on, as Wilson has it."""
    assert _block_interval(np.ones(4), 28) == (pytest.approx(28 / (28 + 1.96**2), abs=1e-4), 1.0)


def test_what_knowing_more_would_save_is_said_with_what_tells_it(unit_maker):
    """Three hundredths of the stock and more are said in money, less is within chance."""
    prices = pd.DataFrame({"unknown": ["rate", "arrivals", "stays"], "mean_value": [900.0, 970.0, 971.0],
                           "saved": [100.0, 30.0, 29.0], "saved_share": [0.1, 0.03, 0.029]})
    none = pd.DataFrame(columns=["first_day", "last_day", "intervals", "ready"])
    words = unit_maker().words
    said = Doubts(("known",), 1000.0, prices, none, 0.0, 1.0, words).sentences("USD")
    assert said[0] == "known"
    assert said[1].startswith("To know how many re-secures airways take would save 100 USD of stock (10 %): ")
    assert said[2].startswith("To know how many airways come and how bunched would save 30 USD of stock (3 %): ")
    assert said[3] == (
        "To know better how long airways stay would save little, if anything: under 3 % of the stock, which is within "
        "chance here.")
    past = pd.DataFrame({"ready": [0.9, 0.95]})
    last = Doubts((), 1000.0, prices, past, 0.61, 1.0, words).sentences("USD")[-1]
    assert last == ("On its own history: plans made on what came before were ready in 92.5 % of later intervals, over "
                    "2 blocks of time (95 % interval 61.0 % to 100.0 %).")
