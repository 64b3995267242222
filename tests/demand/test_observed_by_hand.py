"""What census and log have watched together, on lists of a few rows reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from kitplan.demand import wear
from kitplan.demand.observed import (
    AirwayStays,
    Observation,
    _between,
    _elapsed,
    _follow_airways,
    _inside,
    _inside_census,
    _match_stays,
    _share_observed,
    _tidy_log,
    _windows,
    airway_stays,
    census_days,
    daily_airways,
    observe,
    observed_spells,
)
from kitplan.demand.resecure import cumulative_hazards
from kitplan.read.values import Census

NOBODY = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})


def stay_unit(unit_maker, rows, days=10, unknown=(), log=None):
    frame = pd.DataFrame(rows, columns=["airway", "stratum", "start", "end"])
    census = Census("stays", frame, date(2026, 3, 1), date(2026, 3, days), None, 1.0, NOBODY)
    return unit_maker(replace(census, unknown_days=np.array(unknown, dtype=int)), log=log)


def logged(*rows):
    """rows: airway, day, reason, stratum."""
    return pd.DataFrame(rows, columns=["airway", "day", "reason", "stratum"])


# -- airway-days ----------------------------------------------------------------------------------------------------


def test_airway_days_of_a_list_are_parts_of_days_and_nothing_is_known_of_unknown_ones(unit_maker):
    """One from noon of day 1 to the end of day 2, one of another kind from day 0 on, and to the end of ten days."""
    unit = stay_unit(unit_maker, [("a", 0, 1.5, 3.0), ("b", 2, 0.0, np.nan)], unknown=[5, 99])
    daily = daily_airways(unit)
    assert daily.shape == (10, 3)
    assert daily[:4, 0].tolist() == [0.0, 0.5, 1.0, 0.0]
    assert daily[[0, 9], 2].tolist() == [1.0, 1.0]
    assert np.isnan(daily[5]).all()
    assert np.isnan(daily).sum() == 3
    assert census_days(unit) == 10
    stays = airway_stays(unit)
    assert stays.end.tolist() == [3.0, 10.0]
    assert stays.airway.tolist() == [0, 1]


def test_counts_stand_for_their_whole_day_and_a_snapshot_for_every_day(unit_maker):
    rows = pd.DataFrame({"day": [0, 0, 2], "stratum": [0, 0, 1], "airways": [2, 1, 4]})
    census = Census("counts", rows, date(2026, 3, 1), date(2026, 3, 3), 6.0, 1.0, NOBODY)
    assert daily_airways(unit_maker(census)).tolist() == [[3, 0, 0], [0, 0, 0], [0, 4, 0]]
    assert daily_airways(unit_maker(), 2).tolist() == [[4, 2, 3]] * 2
    assert daily_airways(unit_maker()).tolist() == [[4, 2, 3]]


def test_days_that_have_gone_by_since_several_moments_add_up():
    assert _elapsed(np.array([2.0, 0.5]), np.array([0.0, 1.0, 3.0])).tolist() == [0.0, 0.5, 3.5]


# -- what is left out -----------------------------------------------------------------------------------------------


def test_double_entries_count_once_and_dates_without_times_are_told(unit_maker):
    notes = []
    rows = [("a", 1.25, "loose", 0), ("a", 1.25, "loose", 0), ("", 1.25, "loose", 0), ("", 1.25, "loose", 0)]
    found = _tidy_log(unit_maker(log=logged(*rows)), notes)
    assert len(found) == 3, "two of nobody are no double"
    assert notes == ["1 log rows are double entries (same airway, time and reason) and count once."]
    assert found["timed"].all()
    notes = []
    noon = [("a", d + 0.5, "loose", 0) for d in (4, 1, 2, 3)] + [("a", 1.5, "loose", 0)]
    found = _tidy_log(unit_maker(log=logged(*noon)), notes)
    assert len(found) == 5, "a day has several checks"
    assert found["day"].tolist() == [1.5, 1.5, 2.5, 3.5, 4.5]
    assert not found["timed"].any()
    assert len(notes) == 1, "the reader has told the row that says the same again"
    assert notes[0].startswith("The log gives dates without times")
    few = _tidy_log(unit_maker(log=logged(*noon[:4])), [])
    assert few["timed"].all(), "four noons say nothing"


def test_rows_beside_the_census_are_left_out_and_counted(unit_maker):
    unit = stay_unit(unit_maker, [("a", 0, 0.0, 9.0)], unknown=[3])
    rows = logged(("a", -0.5, "loose", 0), ("a", 10.0, "loose", 0), ("a", 11.0, "loose", 0), ("a", 3.5, "loose", 0),
                  ("a", 9.9, "loose", 0), ("a", 0.0, "loose", 0))
    notes = []
    found = _inside_census(unit, rows, daily_airways(unit), notes)
    assert found["day"].tolist() == [9.9, 0.0]
    assert notes == ["1 log rows lie before the first day of the census and are left out.",
                     "2 log rows lie after its last day and are left out.",
                     "1 log rows lie on days that the census does not cover and are left out."]
    counts = unit_maker()
    notes = []
    kept = _inside_census(counts, logged(("", 0.5, "loose", -1), ("", 0.5, "loose", 1)), np.ones((1, 3)), notes)
    assert kept["stratum"].tolist() == [1]
    assert notes == ["1 log rows belong to no kind in the census and are left out."]


def test_an_event_belongs_to_the_stay_that_it_lies_in_or_nearest_to_within_a_check():
    """Two stays of one airway and one of another; four checks a day."""
    rows = pd.DataFrame({"airway": ["a", "a", "b"]})
    stays = AirwayStays(np.array([0, 0, 1]), np.array([0, 0, 2]), np.array([0.0, 5.0, 1.0]), np.array([2.0, 8.0, 9.0]))
    unit = SimpleNamespace(census=SimpleNamespace(rows=rows), checks_per_day=4)
    log = logged(("a", 1.0, "loose", 9), ("a", 6.0, "loose", 9), ("a", 2.2, "loose", 9), ("a", 3.0, "loose", 9),
                 ("c", 1.0, "loose", 9), ("", 1.0, "loose", 1), ("", 1.0, "loose", -1), ("b", 0.9, "loose", 9),
                 ("a", 4.0, "loose", 9)).assign(timed=True, stay=-1)
    notes = []
    found = _match_stays(unit, log, stays, notes)
    assert found[["airway", "stay", "stratum", "day"]].to_numpy().tolist() == [
        ["a", 0, 0, 1.0], ["a", 1, 0, 6.0], ["a", 0, 0, 2.0], ["", -1, 1, 1.0], ["b", 2, 2, 1.0]]
    assert notes == ["1 log rows name an airway that the census does not have and are left out.",
                     "2 log rows lie outside their airway's stay and are left out.",
                     "1 log rows belong to no kind in the census and are left out."]
    dates = _match_stays(unit, log.assign(timed=False), stays, [])
    assert len(dates) == 7, "known to the day alone, a day of slack"


def test_redos_follow_within_half_a_check_and_removals_end_the_stay(unit_maker):
    """Checks six hours apart. 0.1 of a day after another is done again, 0.2 is a renewal; a removal within a check of
    the end is the end, earlier it is a change.
    """
    unit = stay_unit(unit_maker, [("a", 0, 0.0, 6.0)])
    log = logged(("a", 1.0, "loose", 0), ("a", 1.1, "loose", 0), ("a", 1.3, "soiled", 0),
                 ("a", 3.0, "unplanned_removal", 0), ("a", 5.8, "unplanned_removal", 0)).assign(timed=True)
    notes = []
    found, redos, removals = _follow_airways(unit, log, airway_stays(unit), notes)
    assert found["day"].tolist() == [1.0, 1.3, 3.0]
    assert found["reason"].tolist() == [wear.LOOSE, wear.SOILED, wear.CHANGED]
    assert (redos, removals) == (1, 2)
    assert notes == ["1 log rows follow another of the same airway within half a check interval: taken as attempts "
                     "done again."]
    nobody, redos, removals = _follow_airways(unit, log, None, [])
    assert (len(nobody), redos, removals) == (3, 0, 2)
    assert (nobody["stay"] == -1).all()
    odd, _, _ = _follow_airways(unit, log.assign(reason="who knows"), None, [])
    assert (odd["reason"] == wear.OTHER).all()


def test_first_securements_that_are_logged_are_no_renewals(unit_maker):
    """Of two stays one is logged within an hour of its start: a fifth of the stays or more."""
    unit = stay_unit(unit_maker, [("a", 0, 0.0, 6.0), ("b", 0, 2.0, 9.0)])
    log = logged(("a", 0.02, "loose", 0), ("a", 3.0, "loose", 0), ("b", 2.2, "loose", 0)).assign(timed=True)
    notes = []
    found, redos, _ = _follow_airways(unit, log, airway_stays(unit), notes)
    assert found["day"].tolist() == [3.0, 2.2]
    assert redos == 0
    assert notes == ["1 log rows are the first securement of an airway and are not counted as renewals."]
    many = stay_unit(unit_maker, [("a", 0, 0.0, 6.0), *((f"n{k}", 0, 2.0, 9.0) for k in range(9))])
    found, _, _ = _follow_airways(many, log[log["airway"] == "a"], airway_stays(many), [])
    assert len(found) == 2, "one of ten is none of the rule"


@pytest.mark.parametrize(("checks", "slack"), [(4, 1 / 24), (1, 1 / 24), (12, 1 / 48)])
def test_a_first_securement_is_logged_within_an_hour_or_a_quarter_of_a_check_interval(unit_maker, checks, slack):
    """The shorter of both: checks two hours apart leave half an hour."""
    unit = replace(stay_unit(unit_maker, [("a", 0, 1.0, 6.0)]), checks_per_day=checks)
    for after, renewals in ((0.99 * slack, 0), (1.01 * slack, 1)):
        log = logged(("a", 1.0 + after, "loose", 0)).assign(timed=True)
        assert len(_follow_airways(unit, log, airway_stays(unit), [])[0]) == renewals


# -- windows --------------------------------------------------------------------------------------------------------


def test_a_silent_stretch_is_no_quiet_one(unit_maker):
    """One airway for a hundred days, an event a day but from day 40 to 60: twenty are missing."""
    unit = stay_unit(unit_maker, [("a", 0, 0.0, 100.0)], days=10)
    days = np.array([d + 0.5 for d in range(100) if not 40 <= d < 60])
    log = pd.DataFrame({"day": days})
    notes = []
    found = _windows(log, np.ones((100, 1)), unit, notes)
    assert found.tolist() == [[0.0, 39.5], [60.5, 100.0]]
    (note,) = notes
    assert note.startswith("The log is silent in between, from 2026-04-09 to 2026-04-30, although about 21 events")
    early = _windows(log[log["day"] > 60], np.ones((100, 1)), unit, notes)
    assert early.tolist() == [[60.5, 100.0]]
    assert "before its first event" in notes[-1]
    late = _windows(log[log["day"] < 40], np.ones((100, 1)), unit, notes)
    assert late.tolist() == [[0.0, 39.5]]
    assert "after its last event" in notes[-1]
    assert _windows(log[:0], np.ones((100, 1)), unit, []).shape == (0, 2)
    nobody = np.ones((100, 1))
    nobody[40:60] = 0.0
    assert _windows(log, nobody, unit, []).tolist() == [[0.0, 100.0]], "nobody was there"


def test_what_lies_between_gaps_is_watched():
    assert _between([(3.5, 4.5), (0.0, 1.0), (4.0, 5.0)], 10.0).tolist() == [[1.0, 3.5], [5.0, 10.0]]
    assert _between([(0.0, 10.0)], 10.0).shape == (0, 2)


def test_unknown_days_are_not_watched(unit_maker):
    daily = np.ones((10, 2))
    daily[[0, 4], 1] = np.nan
    log = pd.DataFrame({"day": np.arange(1.0, 10.0)})
    assert _windows(log, daily, unit_maker(), []).tolist() == [[1.0, 4.0], [5.0, 10.0]]


def test_an_event_that_opens_a_window_is_no_event_in_it():
    windows = np.array([[0.0, 2.0], [5.0, 7.0]])
    assert _inside(np.array([0.0, 2.0, 3.0, 5.0, 5.1, 7.0, 7.1]), windows).tolist() == [
        True, True, False, False, True, True, False]
    assert _share_observed(np.array([[0.25, 2.5], [2.75, 3.0]]), 4).tolist() == [0.75, 1.0, 0.75, 0.0]


def test_what_was_watched_is_counted_by_kind():
    events = pd.DataFrame({"stratum": [0, 2, 2], "stay": -1, "day": 0.5, "reason": 0})
    daily = np.array([[1.0, 0.0, 2.0], [np.nan] * 3, [3.0, 0.0, 1.0]])
    seen = Observation(events, 0, np.zeros((1, 2)), daily, np.array([1.0, 1.0, 0.5]), None, 0, ())
    assert seen.event_counts(3).tolist() == [1.0, 0.0, 2.0]
    assert seen.airway_days.tolist() == [2.5, 0.0, 2.5]


def test_a_log_is_laid_over_its_census(unit_maker):
    """Two stays of three days with an event each; a third event names nobody known."""
    rows = logged(("a", 1.2, "loose", 0), ("b", 3.4, "soiled", 0), ("z", 2.0, "loose", 0))
    unit = stay_unit(unit_maker, [("a", 0, 0.0, 3.0), ("b", 2, 2.0, 5.0)], days=5, log=rows)
    seen = observe(unit)
    assert seen.events[["stratum", "stay", "day", "reason"]].to_numpy().tolist() == [
        [0, 0, 1.2, wear.LOOSE], [2, 1, 3.4, wear.SOILED]]
    assert seen.windows.tolist() == [[0.0, 5.0]]
    assert seen.airway_days.tolist() == [3.0, 0.0, 3.0]
    spells = observed_spells(unit, seen)
    assert spells.reason.tolist() == [wear.LOOSE, wear.STILL_SECURE, wear.SOILED, wear.STILL_SECURE]
    assert spells.after[0] == pytest.approx(1.2)
    assert spells.stratum.tolist() == [0, 0, 2, 2]
    unsecured = replace(unit, frequency=unit.frequency.assign(admission_secures=0.0))
    assert observed_spells(unsecured, observe(unsecured)).reason.tolist() == [wear.STILL_SECURE] * 2
    with pytest.raises(ValueError, match="no re-secure log"):
        observe(stay_unit(unit_maker, [("a", 0, 0.0, 3.0)]))


def test_a_snapshot_stands_for_every_day_of_the_log(unit_maker):
    unit = unit_maker(log=logged(("", 7.2, "loose", 0), ("", 9.8, "loose", 1)))
    seen = observe(unit)
    assert seen.events["day"].tolist() == pytest.approx([0.2, 2.8])
    assert seen.daily.tolist() == [[4, 2, 3]] * 3
    assert seen.stays is None
    assert "one day's count" in seen.notes[0]


def test_a_scale_of_none_or_without_end_never_loosens(frequency_maker):
    for scale in (0.0, np.inf):
        loosening, constant = cumulative_hazards(frequency_maker(1, loosening_scale_hours=scale).iloc[0], 4, 5)
        assert (loosening == 0).all()
        assert constant == pytest.approx(0.2 / 4)


def test_where_airways_are_followed_the_fitted_wear_makes_the_events_that_are_expected(unit_maker, monkeypatch):
    """Else the pooled rate times the days watched: 0.2 a day for 30 days; if all were alike 9 events in 60 days."""
    from kitplan.demand import estimate

    pooled = SimpleNamespace(mean=np.array([0.2, 0.1, 0.3]), low=np.zeros(3), high=np.ones(3),
                             own_share=np.full(3, 0.5), common_mean=0.15)
    counts, days = np.array([6.0, 3.0, 0.0]), np.array([30.0, 30.0, 0.0])
    # Of the six events of the first kind the curve speaks of two; it makes three of what these wore.
    monkeypatch.setattr(estimate.wear, "expected_events", lambda *given: np.array([3.0, 0.0, 0.0]))
    spells = SimpleNamespace(stratum=np.array([0, 0, 1, 1]), caused=np.array([True, True, True, False]))
    unit = unit_maker()
    rates = estimate._rates_frame(unit, counts, days, pooled, None, None)
    assert rates["expected_events"].tolist() == pytest.approx([6.0, 3.0, 0.0])
    assert rates["expected_if_alike"].tolist() == [4.5, 4.5, 0.0]
    assert rates["unpooled_rate"].tolist()[:2] == [0.2, 0.1]
    assert np.isnan(rates["unpooled_rate"].iloc[2])
    assert rates["because"].iloc[2].startswith("no airway of this kind was watched: the unit's average 0.15 a day")
    followed = estimate._rates_frame(unit, counts, days, pooled, spells, "curve")
    assert followed["expected_events"].tolist() == [7.0, 2.0, 0.0]
    assert estimate._rates_frame(unit, counts, days, pooled, None, "curve")["expected_events"].iloc[0] == 6.0
