"""What is said where a log teaches little or nothing, and the tail of a short stay: by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand import intervals, occupancy
from kitplan.demand.best_knowledge import what_the_log_says
from kitplan.demand.counts import fit_negative_binomial
from kitplan.demand.estimate import Learnt, _because, learn
from kitplan.demand.item_choice import fill_roles
from kitplan.demand.learnt_block import _scale_for, rate_of
from kitplan.demand.resecure import cumulative_hazards
from kitplan.demand.stay_use import restock_checks


def test_without_a_log_nothing_is_counted_and_nothing_claimed(unit_maker):
    found = learn(replace(unit_maker(), log=None))
    assert (found.used, found.events, found.airway_days) == (False, 0, 0.0)
    assert found.reasons["events"].tolist() == [0] * len(found.reasons)
    assert found.warnings == ()
    assert found.sentences() == ["The unit has no re-secure log."]
    assert (found.dispersion.tolist(), found.trend.warns) == ([1.0] * len(found.rates), False)
    rate = found.rates["rate_per_day"]
    assert found.rates["low"].tolist() == (rate / 2).tolist()
    assert found.rates["high"].tolist() == (rate * 2).tolist()
    assert set(found.rates["own_share"]) == {0.0}, "nothing of it is the unit's own"
    assert found.reasons["share"].sum() == pytest.approx(1.0)
    each = found.reasons["per_100_airway_days"] / found.reasons["share"].where(found.reasons["share"] > 0)
    assert each.dropna().tolist() == pytest.approx([100 * rate.mean()] * int(each.notna().sum()))


def told(own, **changes):
    rates = pd.DataFrame({"own_share": own})
    reasons = pd.DataFrame({"reason": ["soiled", "loose", "skin"], "share": [0.3, 0.6, 0.1]})
    values = {"used": True, "events": 30, "airway_days": 40.0, "first_day": "2026-01-01", "last_day": "2026-03-31",
              "rates": rates, "reasons": reasons, "trend": SimpleNamespace(sentence="No trend."), "notes": ("a", "b")}
    return Learnt.sentences(SimpleNamespace(**(values | changes)))


def test_what_a_log_taught_is_said_with_its_days_its_two_commonest_reasons_and_who_leans_on_the_average():
    """Thirty events in forty days; a kind whose own events are half of its estimate does not lean on the average."""
    assert told([0.4, 0.5, 0.9]) == [
        "0.75 re-secures an airway-day (75 per 100), from 30 events in 40 airway-days, 2026-01-01 to 2026-03-31.",
        "Most often: loose 60 %, soiled 30 %.",
        "1 of 3 kinds lean more on the unit's average than on their own events (own_share).", "No trend."]
    assert len(told([0.5, 0.9])) == 3
    assert len(told([0.4])) == 3, "a kind alone is the average"
    assert told([0.4], used=False) == ["b"]


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


def test_counts_that_vary_more_than_poisson_tell_their_mean_less_well():
    """One column: the mean m of n counts is known to 1 / sqrt(n m / (1 + m / theta)) on the log scale (by hand, from
    the variance m + m^2 / theta of each). Sixty counts of 2 and 18 in turn: 10 on the mean."""
    fit = fit_negative_binomial(np.tile([2.0, 18.0], 30), np.ones((60, 1)))
    assert np.exp(fit.coefficients[0]) == pytest.approx(10.0)
    assert fit.theta < 5.0
    assert fit.standard_errors[0] == pytest.approx(1 / np.sqrt(60 * 10 / (1 + 10 / fit.theta)))


def test_a_scale_to_be_found_lies_between_two_hours_and_ten_thousand(unit_maker):
    row = unit_maker().frequency.iloc[0].to_dict()
    assert _scale_for(row, 8, 1e6) == pytest.approx(2.0)
    assert _scale_for(row, 8, 0.0) == pytest.approx(10_000.0)
    between = rate_of({**row, "loosening_scale_hours": 30.0}, 8)
    assert _scale_for(row, 8, between) == pytest.approx(30.0, rel=1e-6)


@pytest.mark.parametrize(("scale", "loosening"), [(1.0, 3.0), (0.5, 6.0), (6.0, 0.5), (np.inf, 0.0), (0.0, 0.0)])
def test_steady_loosening_is_the_hours_between_checks_over_the_scale(unit_maker, scale, loosening):
    """Eight checks a day are three hours apart; a scale that is none, or without end, loosens nothing."""
    row = {**unit_maker().frequency.iloc[0].to_dict(), "flat_per_check": np.nan, "loosening_scale_hours": scale,
           "loosening_shape": 1.0}
    found, _ = cumulative_hazards(row, 8, 4)
    assert found.tolist() == pytest.approx([loosening] * 4)


def test_what_a_log_teaches_is_worked_out_once_for_all_units_with_that_log_and_census(unit_maker):
    unit = unit_maker()
    found = what_the_log_says(unit)
    assert what_the_log_says(replace(unit, name="planned with it")) is found
    assert what_the_log_says(replace(unit, census=replace(unit.census))) is not found


def test_a_season_moves_arrivals_about_within_the_year_and_makes_them_no_more(monkeypatch):
    """A swing of 0.4, seen on each day of a year: busy months and slack ones, on the mean as many as without."""
    swing, days = np.array([[0.4, 0.0, 0.0, 0.0]]), np.arange(0.0, 365.25, 0.25)
    turn = swing[:, None, :]
    monkeypatch.setattr(intervals, "_bursts", lambda play, n: (np.ones((len(days), 1)), np.ones((len(days), 1))))
    play = SimpleNamespace(
        posterior=SimpleNamespace(swing=swing), day_of_year=days, draw=np.zeros(len(days), int),
        of=SimpleNamespace(stretches=SimpleNamespace(coming=np.ones((1, 1, 1)), turn_past=turn, turn_ahead=turn)))
    for part in intervals._busy(play):
        assert part.mean() == pytest.approx(1.0, abs=1e-3)
        assert part.max() / part.min() == pytest.approx(np.exp(0.8), rel=1e-3)
