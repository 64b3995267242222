"""Demand reckoned by hand on tiny records: what a census shows, what a log teaches, what memory and beds bound."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import binom, gamma, norm

from kitplan.demand import estimate, occupancy, wear
from kitplan.demand.beds import bedded, may_fill, overfull
from kitplan.demand.best_knowledge import said_of_rate, with_best_knowledge
from kitplan.demand.fit import as_held, holds_other_items, nearest_size
from kitplan.demand.item_choice import attempt_tables, fill_roles, items_opened
from kitplan.demand.learnt_block import block_text
from kitplan.demand.observed import Observation
from kitplan.demand.occupancy import interval_checks, stay_checks_pmf
from kitplan.demand.partial_pooling import count_dispersion, pool_rates
from kitplan.demand.posterior import census_means, fit_posterior
from kitplan.demand.rate_from_use import _weeks
from kitplan.demand.rate_grid import alike_models, factor_grid
from kitplan.demand.resecure import CONSTANT_REASONS, long_run_rates
from kitplan.demand.stay_use import StayUse, stay_use
from kitplan.demand.streams import even_normals, even_uniforms
from kitplan.demand.trend import find_trend, fortnightly_dispersion
from kitplan.demand.use import use_model
from kitplan.demand.values import ItemChoice
from kitplan.read.values import Assumption, Census, Doubt, UseRate

# -- how often: what is said of it --------------------------------------------------------------------------------


def test_a_rate_learnt_from_counts_is_said_with_the_nine_tenths_that_it_lies_in(unit_maker):
    """0.7 times e to the 0.3 x 1.645, up and down: 0.427 and 1.147; its mean, which explain says, is 0.7 e^0.045."""
    unit = unit_maker(doubt=Doubt(rate_range=(0.3, 1.0), rate_from="counts", use_rate=UseRate(np.log(0.7), 0.3, 90)))
    assert said_of_rate(unit) == ("How often: learnt from 90 days of counts, 0.73 re-secures for each airway a day "
                                  "(0.43 to 1.15).")


def test_a_rate_learnt_from_the_log_is_said_with_what_it_may_be_off_by(unit_maker):
    """Draws evenly from 0.8 to 1.2 of the rate: one in twenty is under 0.82 and one over 1.18."""
    ratio = np.linspace(0.8, 1.2, 101)[:, None] * np.ones((1, 3))
    unit = unit_maker(doubt=Doubt(rate_ratio=ratio, rate_from="log"))
    assert said_of_rate(unit) == "How often: learnt from the unit's own log, sure to -18 % and +18 %."
    wide = Doubt(rate_ratio=np.linspace(2.0, 4.0, 101)[:, None], rate_from="log")
    assert said_of_rate(unit_maker(doubt=wide)).endswith("sure to +110 % and +290 %.")


@pytest.mark.parametrize(("name", "source", "whose"), [
    ("rate_range", "common practice, no source", "the shipped guess"),
    ("rate_range", "this unit's unit.toml", "the range that the unit gives"),
    ("mean_stay_range", "common practice, no source", "the range that the unit gives"),
])
def test_a_guess_is_called_the_units_only_where_the_unit_gave_it(unit_maker, name, source, whose):
    line = Assumption("How often", name, "0.3 to 1.0", "a day", source)
    unit = unit_maker(doubt=Doubt(rate_range=(0.3, 1.0)), assumptions=(line,))
    assert said_of_rate(unit).startswith(f"How often: {whose}, 0.3 to 1 re-secures")


def test_a_rate_with_nothing_open_is_called_known(unit_maker):
    assert said_of_rate(unit_maker()) == "How often: the unit's own numbers, taken as known."


@pytest.fixture(scope="module")
def logged(invented):
    """A unit of one kind of airway with a log of 250 days."""
    truth = invented.Truth(80.0, 1.6, (0.15, 0.02, 0.06, 0.03), 0.4, (1.0,))
    rng = np.random.default_rng(3)
    stays = invented.invent_stays(rng, 250, 10.0, 6.0, np.ones(1))
    return invented.unit_of(1, 250, *stays, *invented.invent_events(rng, truth, *stays, until=250.0))


def test_draws_of_a_logged_rate_lie_about_the_rate_that_was_learnt(logged):
    """A ratio to it: about one on the mean, and never far off after thousands of events."""
    best = with_best_knowledge(replace(logged, doubt=Doubt(learn=True)))
    assert best.doubt.rate_from == "log"
    assert best.doubt.rate_ratio.mean() == pytest.approx(1.0, abs=0.01)
    assert 0.02 < best.doubt.rate_ratio.std() < 0.15


# -- what a log teaches ---------------------------------------------------------------------------------------------


def watched(daily, events, windows=None):
    """An observation without stays: airways of one kind by day, and (day, how many) events."""
    day = [d for d, n in events for _ in range(n)]
    frame = pd.DataFrame({"stratum": 0, "stay": -1, "day": np.array(day, float), "reason": wear.LOOSE})
    n = len(daily)
    return Observation(frame, 0, np.array([[0.0, n]]) if windows is None else windows, np.array(daily, float)[:, None],
                       np.ones(n), None, 0, ())


def test_fortnights_of_none_and_two_vary_as_much_as_their_mean():
    """An airway at one event a fortnight; sixteen fortnights of 0 and 2 in turn: each misses 1 by 1, so Pearson's
    statistic is 16, over 15 degrees of freedom.
    """
    uneven = watched([1.0] * 224, [(14 * k + 3, 2) for k in range(0, 16, 2)])
    assert fortnightly_dispersion(uneven, np.array([1 / 14])) == pytest.approx(16 / 15)


def test_fewer_than_eight_fortnights_say_nothing_of_how_unevenly_events_come():
    assert fortnightly_dispersion(watched([1.0] * 98, [(3, 20)]), np.array([1 / 14])) == 1.3
    assert fortnightly_dispersion(watched([1.0] * 112, [(3, 20)]), np.array([1 / 14])) == 6.0, "and six is the most"


@pytest.mark.parametrize(("recent", "warns", "words"), [(4, True, "100 % above the rate before"),
                                                        (2, False, "0 % below the rate before")])
def test_a_rate_that_doubled_eight_weeks_ago_is_told_and_one_that_stayed_is_not(recent, warns, words):
    """Twenty weeks of two events, then eight of four or of two."""
    trend = find_trend(watched([1.0] * 196, [(7 * k + 2, 2 if k < 20 else recent) for k in range(28)]),
                       np.array([2 / 7]))
    assert trend.ratio == pytest.approx(recent / 2, rel=1e-3)
    assert trend.low < trend.ratio < trend.high
    assert trend.warns is warns
    assert words in trend.sentence or not warns


def test_a_change_that_is_sure_and_small_is_no_reason_to_ask_why():
    """5,000 events a week, then 5,250: eight standard errors (0.0058 each, by hand) above, but only a twentieth."""
    trend = find_trend(watched([1.0] * 196, [(7 * k + 2, 5000 if k < 20 else 5250) for k in range(28)]),
                       np.array([5000 / 7]))
    assert (trend.ratio, trend.low) == pytest.approx((1.05, 1.05 * np.exp(-1.96 * np.sqrt(1 / 42000 + 1 / 100000))))
    assert not trend.warns


def test_more_airways_are_no_trend():
    """Three times the airways and three times the events in the last eight weeks: the rate is the same."""
    daily = [1.0] * 140 + [3.0] * 56
    trend = find_trend(watched(daily, [(7 * k + 2, 2 if k < 20 else 6) for k in range(28)]), np.array([2 / 7]))
    assert trend.ratio == pytest.approx(1.0, abs=1e-3)
    assert not trend.warns


@pytest.mark.parametrize(("weeks", "each"), [(15, 5), (16, 2)])
def test_a_history_of_less_than_sixteen_weeks_or_forty_events_is_too_short_for_a_trend(weeks, each):
    events = [(7 * k + 2, each) for k in range(weeks)]
    assert "too short" in find_trend(watched([1.0] * 7 * weeks, events), np.array([0.5])).sentence
    enough = [(7 * k + 2, 3) for k in range(16)]
    assert "too short" not in find_trend(watched([1.0] * 112, enough), np.array([0.5])).sentence


@pytest.mark.parametrize(("unwatched", "short"), [(2, False), (3, True)])
def test_of_the_last_eight_weeks_six_must_have_been_watched(unwatched, short):
    daily = [1.0] * 140 + [0.0] * 7 * unwatched + [1.0] * 7 * (8 - unwatched)
    events = [(7 * k + 2, 3) for k in range(28) if not 20 <= k < 20 + unwatched]
    assert ("too short" in find_trend(watched(daily, events), np.array([0.5])).sentence) is short


def test_airways_that_differ_spread_the_counts_of_long_watching_most(unit_maker, monkeypatch):
    """Variance a mean + v mean^2: airways watched for 10 days and for 2, at half an event a day, expect 5 and 1; so the
    counts of their kind vary by a + v (25 + 1) / (5 + 1). Kinds never watched take the same.
    """
    stays = SimpleNamespace(airway=np.array([0, 1]), stratum=np.array([0, 0]), start=np.array([-3.0, 8.0]),
                            end=np.array([30.0, 10.0]))
    seen = SimpleNamespace(stays=stays, windows=np.array([[0.0, 10.0]]),
                           events=pd.DataFrame({"stay": [0, 0, 1, -1]}))
    asked = []
    monkeypatch.setattr(estimate, "count_dispersion", lambda o, e: asked.append((o.tolist(), e.tolist())) or (0.9, 0.2))
    found = estimate._dispersion(unit_maker(), seen, np.full(3, 0.5))
    assert asked == [([2, 1], [5.0, 1.0])]
    assert found == pytest.approx(np.full(3, 0.9 + 0.2 * 26 / 6))


def test_what_was_watched_is_dated_from_its_first_to_its_last_day(unit_maker):
    """From noon of the third day to noon of the eighth, and to the midnight that ends it."""
    census = Census("counts", pd.DataFrame(), date(2026, 3, 1), date(2026, 3, 31), 6.0, 1.0, pd.DataFrame())
    unit = unit_maker(census)
    for end, last in ((7.5, "2026-03-08"), (8.0, "2026-03-08"), (8.1, "2026-03-09")):
        seen = SimpleNamespace(windows=np.array([[2.5, 4.0], [5.0, end]]))
        assert estimate._span(unit, seen) == ("2026-03-03", last)
    assert estimate._span(unit, SimpleNamespace(windows=np.zeros((0, 2)))) == ("", "")


def test_an_airways_own_events_tell_its_pace_as_far_as_airways_differ():
    """Gamma frailty with spread s seen through n events where h were expected: (n + 1/s^2) / (h + 1/s^2) (Clayton &
    Kaldor, Biometrics 1987;43:671, from memory). Nothing differs: h events are expected; all differs: those that came.
    """
    spells = wear.cut_spells(np.array([0.0]), np.array([6.0]), np.array([True]), np.zeros(3, int),
                             np.array([1.5, 3.0, 4.25]), np.full(3, wear.LOOSE), np.array([0]), np.array([0]), 4)
    curve = wear.WearCurve(70.0, 1.5, {"soiled_per_day": 0.1}, 0.0, np.ones(1), {}, {})
    alike = wear.expected_events(spells, curve, 1)[0]
    for spread in (0.4, 0.5, 1.0):
        theta = 1 / spread**2
        told = wear.expected_events(spells, replace(curve, spread=spread), 1)[0]
        assert told == pytest.approx(alike * (3 + theta) / (alike + theta), rel=1e-6)
    assert 0 < alike < 3


def test_a_securement_outlasts_its_wear_by_the_curve_that_was_fitted():
    """Weibull of scale 48 h and shape 2 with 0.1 a day of other causes, after 2 days: exp(-(1 + 0.2))."""
    spells = wear.cut_spells(np.array([0.0]), np.array([6.0]), np.array([True]), np.zeros(0, int), np.zeros(0),
                             np.zeros(0, int), np.array([0]), np.array([0]), 4)
    curve = wear.WearCurve(48.0, 2.0, {"soiled_per_day": 0.1}, 0.0, np.ones(1), {}, {})
    assert wear.fitted_survival(spells, curve, np.array([2.0])) == pytest.approx([np.exp(-1.2)], rel=1e-4)
    fast = replace(curve, factor=np.array([2.0]))
    assert wear.fitted_survival(spells, fast, np.array([2.0])) == pytest.approx([np.exp(-2.4)], rel=1e-4)


def test_few_airways_say_nothing_of_how_they_differ_and_many_do():
    """Counts of 0 and 2 m in turn about m: variance m^2, so a + v m = m for every m; nine airways are too few."""
    assert count_dispersion(np.zeros(9), np.ones(9)) == (1.0, 0.0)
    mean = np.repeat([2.0, 4.0, 8.0, 16.0], 50)
    a, v = count_dispersion(np.where(np.arange(200) % 2, 2 * mean, 0), mean)
    assert v == pytest.approx(1.0, abs=0.08)
    assert a == pytest.approx(0.3)


def test_what_spreads_counts_is_the_least_squares_of_their_squares_weighed_by_what_it_says():
    """A fixed point: weighed by one over the square of the variance found, numpy's least squares find it again."""
    rng = np.random.default_rng(5)
    mean = rng.uniform(0.5, 12.0, 400)
    counts = rng.poisson(mean * rng.gamma(4.0, 0.25, 400))
    a, v = count_dispersion(counts, mean)
    weight = 1 / (a * mean + v * mean**2)
    again, *_ = np.linalg.lstsq(np.column_stack([mean, mean**2]) * weight[:, None], (counts - mean) ** 2 * weight,
                                rcond=None)
    assert (a, v) == pytest.approx(tuple(again), rel=0.01)
    assert (0.5 < a < 1.5, 0.1 < v < 0.5) == (True, True)


def test_one_kind_alone_is_believed_as_its_own_events_say():
    """Posterior of 8 events in 100 days with hardly any prior (a gamma of shape 1/25 about the same mean): mean 0.08,
    ends from the gamma quantiles of shape 8.04.
    """
    pooled = pool_rates(np.array([8.0]), np.array([100.0]))
    law = gamma(8 + 1 / 25, scale=0.08 / (8 + 1 / 25))
    assert pooled.mean[0] == pytest.approx(0.08)
    assert (pooled.low[0], pooled.high[0]) == pytest.approx((law.ppf(0.025), law.ppf(0.975)), rel=1e-6)
    assert pooled.own_share.tolist() == [1.0]


def test_twice_the_variance_halves_what_events_say():
    """Events and days over the dispersion: 20 events in 200 days that vary twice as much tell what 10 in 100 do."""
    plain, wide = pool_rates(np.array([10.0]), np.array([100.0])), pool_rates(np.array([20.0]), np.array([200.0]), 2.0)
    assert (wide.mean[0], wide.low[0], wide.high[0]) == pytest.approx((plain.mean[0], plain.low[0], plain.high[0]))


@pytest.mark.parametrize(("events", "days"), [([0.0, 0.0], [9.0, 9.0]), ([3.0], [0.0])])
def test_pooling_without_an_event_or_a_day_is_refused(events, days):
    with pytest.raises(ValueError, match="at least one event"):
        pool_rates(np.array(events), np.array(days))


# -- who is there ---------------------------------------------------------------------------------------------------


def stay_unit(unit_maker, rows, mean_stay=None, expected=(), days=10):
    frame = pd.DataFrame(rows, columns=["airway", "stratum", "start", "end"])
    more = pd.DataFrame(expected, columns=["stratum", "mean_airways"]).astype({"stratum": int, "mean_airways": float})
    return unit_maker(Census("stays", frame, date(2026, 3, 1), date(2026, 3, days), mean_stay, 1.0, more))


def test_expected_airways_come_as_often_as_those_seen_stay_long(unit_maker):
    """Two stays of 2 days and one of 5, all ended: 3 days each on the mean. Six airways expected: two a day."""
    rows = [("a", 0, 1.0, 3.0), ("b", 0, 2.0, 4.0), ("c", 1, 4.0, 9.0)]
    unit = stay_unit(unit_maker, rows, expected=[(2, 6.0)])
    mean, arrivals = census_means(unit)
    assert mean[2] == 6.0
    assert arrivals[2] == pytest.approx(2.0)
    stated = stay_unit(unit_maker, rows, mean_stay=4.0, expected=[(2, 6.0)])
    assert census_means(stated)[1][2] == pytest.approx(1.5), "unless the unit states how long"


def test_airways_on_top_of_a_kind_that_was_seen_come_as_often_as_that_kind_does(unit_maker):
    """Half of the stays are of a day on the mean, half of nine: nine more of the first kind are nine arrivals a day,
    and not nine in the five days of all together. Par levels took the one, months and what-ifs the other.
    """
    ends = np.arange(1200) / 40 + np.random.default_rng(4).exponential(1.0, 1200) * np.tile([1.0, 9.0], 600)
    rows = [(f"a{k}", k % 2, k / 40, end if end < 31 else None) for k, end in enumerate(ends)]
    more, none = (stay_unit(unit_maker, rows, expected=e, days=31) for e in ([(0, 9.0)], []))
    extra = census_means(more)[1] - census_means(none)[1]
    assert extra == pytest.approx([9.0, 0.0, 0.0], rel=0.1)
    planned = fit_posterior(more).arrivals.mean(axis=0) - fit_posterior(none).arrivals.mean(axis=0)
    assert planned == pytest.approx(extra, rel=0.15)


def test_airways_in_place_are_their_days_over_the_days_on_record(unit_maker):
    """Little's law on the list itself: 4 airway-days and two arrivals of one kind, 5 and one of another, one span."""
    unit = stay_unit(unit_maker, [("a", 0, 1.0, 3.0), ("b", 0, 2.0, 4.0), ("c", 1, 4.0, 9.0)])
    mean, arrivals = census_means(unit)
    assert mean[:2] / arrivals[:2] == pytest.approx([2.0, 5.0])
    assert mean[0] / mean[1] == pytest.approx(4 / 5)
    assert (mean[2], arrivals[2]) == (0.0, 0.0)


def test_a_snapshots_arrivals_are_its_airways_over_their_stay(unit_maker):
    mean, arrivals = census_means(unit_maker())
    assert mean.tolist() == [4, 2, 3]
    assert arrivals == pytest.approx(np.array([4, 2, 3]) / 6)


def test_the_table_of_stays_holds_every_stay(unit_maker):
    unit = unit_maker()
    whole = stay_checks_pmf(unit, 0)
    assert whole.sum() == pytest.approx(1.0)
    checks = whole @ np.arange(len(whole))
    assert checks == pytest.approx(6.0 * unit.checks_per_day, rel=0.01), "six days of four checks on the mean"


def test_nobody_finds_a_bed_while_all_are_taken_and_the_next_does_when_one_leaves():
    """One bed: A lies there from before to day 2; B comes on day 1 and finds none; C on day 2 takes it to day 3."""
    scenario = np.zeros(3, dtype=np.int32)
    start, stop = np.array([-4.0, 1.0, 2.0]), np.array([2.0, 9.0, 3.0])
    assert bedded(scenario, start, stop, 1, 1).tolist() == [True, False, True]
    assert bedded(scenario, start, stop, 2, 1).tolist() == [True, True, True]


def test_a_day_is_overfull_when_more_lie_there_than_there_are_beds():
    """Two airways share day 1 (one leaves during it); a scenario of its own has one only."""
    scenario = np.array([0, 0, 1], dtype=np.int32)
    start, stop = np.array([0.2, 1.5, 0.0]), np.array([1.4, 3.0, 9.0])
    assert overfull(scenario, start, stop, 1, 4.0, 2).tolist() == [True, False]
    assert overfull(scenario, start, stop, 2, 4.0, 2).tolist() == [False, False]
    apart = np.array([0.2, 2.0, 0.0])
    assert overfull(scenario, apart, stop, 1, 4.0, 2).tolist() == [False, False]


def test_who_leaves_on_the_first_day_takes_a_bed_on_it():
    """Two that were there before, gone by half past the first day; a bed for one."""
    scenario, start, stop = np.zeros(2, dtype=np.int32), np.array([-3.0, -1.0]), np.array([0.5, 0.5])
    assert overfull(scenario, start, stop, 1, 4.0, 1).tolist() == [True]
    assert overfull(scenario, start, stop, 2, 4.0, 1).tolist() == [False]


@pytest.mark.parametrize(("beds", "may"), [(31, True), (32, False)])
def test_beds_may_fill_where_four_standard_deviations_reach(beds, may):
    """Sixteen airways, Poisson: 16 + 4 x 4 = 32 are no more than 32 beds."""
    law = SimpleNamespace(arrivals=np.array([[1.0, 1.0]]), mean_stays=np.array([[8.0, 8.0]]), swing=np.zeros((1, 2)),
                          burst=np.zeros(1))
    assert may_fill(law, beds) is may


# -- draws ----------------------------------------------------------------------------------------------------------


def test_each_half_of_the_even_draws_has_one_in_every_equal_part_of_the_range():
    drawn = even_uniforms(5, "any", 40, 3)
    for half in (0, 1):
        assert np.sort((drawn[half::2] * 20).astype(int), axis=0).tolist() == [[k] * 3 for k in range(20)]
    assert even_normals(5, "any", 40).tolist() == norm.ppf(even_uniforms(5, "any", 40)[:, 0]).tolist()


def test_factors_on_the_hazards_reach_past_all_but_one_in_five_hundred_a_sixth_apart():
    wanted = np.exp(np.random.default_rng(1).normal(0, 0.5, 20_000))
    grid = factor_grid(wanted)
    low, high = np.quantile(wanted, [0.002, 0.998])
    assert np.diff(np.log(grid)) == pytest.approx(0.16)
    assert grid[0] <= low < grid[2]
    assert grid[-3] < high <= grid[-1]
    assert 1.0 in grid.round(12)


# -- what the shelf holds -------------------------------------------------------------------------------------------


def shelf(unit_maker, **packs):
    unit = unit_maker()
    par = pd.DataFrame({"item": unit.items["item"], "par_packs": [packs.get(i, 0) for i in unit.items["item"]]})
    return replace(unit, present_par=par)


def test_of_items_that_can_stand_in_for_one_another_those_not_held_are_not_to_be_had(unit_maker):
    """One pack is held: its fellow of the role goes, roles of which nothing is held keep all they have."""
    unit = shelf(unit_maker, **{"saline-5": 1})
    assert as_held(unit).stock.unavailable == ("saline-10",)
    assert as_held(shelf(unit_maker)).stock.unavailable == ()
    plain = unit_maker()
    assert as_held(plain) is plain


def test_emergency_equipment_is_left_as_it_is(unit_maker):
    unit = unit_maker()
    critical = unit.items.loc[unit.items["critical"].astype(bool), "item"].iloc[0]
    assert as_held(shelf(unit_maker, **{critical: 3})).stock.unavailable == ()


@pytest.mark.parametrize(("item", "other"), [("saline-10", True), ("saline-5", False)])
def test_a_shelf_holds_other_items_where_it_lacks_one_that_would_be_chosen(unit_maker, item, other):
    choice = ItemChoice(pd.DataFrame({"item": [item]}), {})
    assert holds_other_items(shelf(unit_maker, **{"saline-5": 1}), choice) is other


def test_a_dressing_serves_as_many_re_secures_as_its_whole_pieces_give(small_unit):
    """10 x 10 cm give 4 x 2 pieces of 25 x 40 mm and two more across the 20 mm left over: none. Two a re-secure: four
    re-secures from one, and with the fifth a second is opened.
    """
    item = small_unit.items.set_index("item", drop=False).loc["dressing-10"].to_dict()
    assert items_opened(small_unit, 1, item, 2.0, 9).tolist() == [0, 1, 1, 1, 1, 2, 2, 2, 2, 3]


def test_the_choice_says_how_many_re_secures_one_item_serves(small_unit):
    frame = fill_roles(small_unit).frame
    barrier = frame[frame["item"] == "dressing-10"]
    assert barrier["uses_per_item"].tolist() == [4.0] * len(barrier)
    assert len(barrier)


def test_rates_learnt_from_counts_alone_are_planned_kind_by_kind(invented):
    """A log that names no airway: the learnt scale brings the unit's rate, the factors each kind's own."""
    truth = invented.Truth(80.0, 1.6, (0.15, 0.02, 0.06, 0.03), 0.4, (0.6, 1.0, 1.6))
    rng = np.random.default_rng(7)
    stays = invented.invent_stays(rng, 250, 18.0, 6.0, np.array([0.4, 0.3, 0.3]))
    unit = invented.unit_of(3, 250, *stays, *invented.invent_events(rng, truth, *stays, until=250.0))
    learnt = estimate.learn(replace(unit, log=unit.log.assign(airway="")))
    assert learnt.source == "counts"
    planned = long_run_rates(replace(unit, frequency=learnt.frequency(unit)))["re_secures_per_day"]
    assert planned.to_numpy() == pytest.approx(learnt.rates["rate_per_day"].to_numpy(), rel=0.03)
    assert planned.iloc[2] > 1.5 * planned.iloc[0]


def test_kinds_that_differ_by_a_factor_on_all_hazards_share_one_table(unit_maker):
    """Chances of one in ten and of one in five a check, alike at every age: hazards -ln 0.9 and -ln 0.8."""
    unit = unit_maker()
    frequency = unit.frequency.copy()
    frequency["flat_per_check"] = [0.1, 0.2, 0.1]
    rows, which, factor = alike_models(replace(unit, frequency=frequency))
    assert (len(rows), which.tolist()) == (1, [0, 0, 0])
    assert factor == pytest.approx([1.0, np.log(0.8) / np.log(0.9), 1.0])
    wear_out = unit.frequency.copy()
    wear_out.loc[1, list(CONSTANT_REASONS.values())] *= 2
    wear_out.loc[1, "loosening_scale_hours"] *= 2 ** (-1 / wear_out.loc[1, "loosening_shape"])
    rows, which, factor = alike_models(replace(unit, frequency=wear_out))
    assert (len(rows), factor.tolist()) == (1, pytest.approx([1.0, 2.0, 1.0]))
    redone = wear_out.copy()
    redone.loc[2, "redo"] = 0.3
    assert alike_models(replace(unit, frequency=redone))[1].tolist() == [0, 0, 1]


# -- what a stay takes ----------------------------------------------------------------------------------------------


def test_attempts_before_and_after_the_last_top_up_are_all_attempts_of_the_stay(small_unit):
    """Chances of all pairs add up to one, and their sums have the mean of the whole stay."""
    use = stay_use(small_unit, attempt_tables(small_unit), 0)
    joint = use.last_interval
    assert joint.sum() == pytest.approx(1.0)
    before, after = np.indices(joint.shape)
    # the wear age at a top-up is taken as stationary, so a little is lost of what a fresh securement holds
    assert ((before + after) * joint).sum() == pytest.approx(use.mean_stay_attempts, rel=0.03)
    last = (after * joint).sum()
    assert 0 < last < use.kit_attempts @ np.arange(len(use.kit_attempts)), "less than a whole interval follows"
    assert use.stay_attempts.sum() == pytest.approx(1.0)


def test_a_kit_holds_the_fewest_that_last_with_the_chance_asked_and_never_none():
    """Chances 0.5, 0.3, 0.15, 0.05 of 0 to 3 re-secures."""
    use = StayUse(np.array([0.5, 0.3, 0.15, 0.05]), np.array([0.2, 0.8]), np.ones((1, 1)))
    assert [use.kit_quantile(r) for r in (0.4, 0.5, 0.79, 0.8, 0.81, 0.95, 0.96)] == [1, 1, 1, 1, 2, 2, 3]
    assert use.mean_stay_attempts == pytest.approx(0.8)


def test_an_item_chosen_for_short_stays_takes_in_long_ones_what_it_would_if_chosen_for_them(unit_maker):
    def unit_of(mean_stay):
        rows = pd.DataFrame({"stratum": [0, 1, 2], "airways": [1, 1, 3]})
        nobody = pd.DataFrame({"stratum": np.array([], dtype=int), "mean_airways": np.array([], dtype=float)})
        items = unit_maker().items
        one_tape = items[items["item"] != "tape-25-long"].reset_index(drop=True)
        return unit_maker(Census("snapshot", rows, None, None, mean_stay, 0.5, nobody), items=one_tape)

    short, long = unit_of(2.0), unit_of(30.0)
    borrowed, own = use_model(long, fill_roles(short)), use_model(long)
    assert borrowed.per_arrival == pytest.approx(own.per_arrival, rel=0.05, abs=0.08)
    assert borrowed.per_day == pytest.approx(own.per_day, rel=0.05)


def test_the_bounds_of_a_fitted_curve_lie_alike_on_either_side(logged):
    """On the logarithm for scale, shape and constant hazard; as it is for the spread."""
    curve = estimate.learn(logged).curve
    for name, value in (("scale_hours", curve.scale_hours), ("shape", curve.shape),
                        ("constant_per_day", curve.constant_per_day)):
        assert curve.low[name] < value < curve.high[name]
        assert curve.low[name] * curve.high[name] == pytest.approx(value**2, rel=1e-6), name
    assert curve.low["spread"] + curve.high["spread"] == pytest.approx(2 * curve.spread)
    events = estimate.learn(logged).events
    error = np.log(curve.high["shape"] / curve.low["shape"]) / (2 * 1.96)
    assert 0.78 / np.sqrt(events) < error < 4 * 0.78 / np.sqrt(events), (
        "the log of a Weibull shape alone has the error 0.78 / sqrt(n) (Fisher information); other causes widen it")


def test_a_constant_cause_alone_is_sure_to_one_over_the_root_of_its_events():
    """Renewals at each check with one and the same chance: the log of the rate has the error 1 / sqrt(n)."""
    rng = np.random.default_rng(8)
    n = 600
    checks = rng.geometric(0.2, n)
    end = np.cumsum(checks) / 4
    spells = wear.cut_spells(np.zeros(1), end[-1:], np.ones(1, bool), np.zeros(n, int), end,
                             np.full(n, wear.SOILED), np.zeros(1, int), np.zeros(1, int), 4)
    default = {"scale_hours": 5000.0, "shape": 1.0, "spread": 0.0, "constant": 0.5, "soiled_per_day": 0.5,
               "skin_per_day": 0.0, "moved_per_day": 0.0, "changed_per_day": 0.0}
    curve = wear.fit_curve(spells, 1, default)
    rate = -4 * np.log(0.8)
    hours = curve.scale_hours
    together = curve.constant_per_day + curve.shape * (24 / hours) ** curve.shape * 1.25 ** (curve.shape - 1)
    assert together == pytest.approx(rate, rel=0.1)
    assert set(curve.per_day) == {"soiled_per_day", "skin_per_day", "moved_per_day", "changed_per_day"}
    assert curve.per_day["soiled_per_day"] == pytest.approx(curve.constant_per_day), "all were of one cause"


def test_counts_weigh_less_where_they_vary_more():
    """Variance m + m^2 / 4 of small and middling counts, four times that of a few large ones, which hardly move it."""
    mean = np.repeat([1.0, 5.0, 50.0], [500, 500, 20])
    sd = np.sqrt(mean + 0.25 * mean**2)
    sign = np.where(np.arange(len(mean)) % 2, 1, -1)
    assert count_dispersion(mean + sign * sd, mean) == pytest.approx((1.0, 0.25))
    a, v = count_dispersion(mean + sign * np.where(mean > 9, 2 * sd, sd), mean)
    assert a == pytest.approx(1.0, abs=0.2)
    assert v == pytest.approx(0.25, abs=0.1)


def test_the_likelihood_of_an_airway_is_that_of_its_spells_over_all_frailties():
    """The integral over a gamma frailty of exp(-z before) (1 - exp(-z H)) for each renewal and exp(-z H) for the rest,
    by quadrature (scipy); the share of loosening in a renewal's interval is its hazard over the whole.
    """
    spells = wear.cut_spells(np.array([0.0]), np.array([4.0]), np.array([True]), np.zeros(2, int),
                             np.array([1.5, 3.0]), np.full(2, wear.LOOSE), np.array([0]), np.array([0]), 1)
    scale, shape, constant = 60.0, 1.5, 0.1

    def gone(days):
        return (24 * days / scale) ** shape + constant * days

    def given(z):
        seen = 1.0
        for before, after, caused in zip(spells.before, spells.after, spells.caused):
            inside = gone(after) - gone(before)
            loose = inside - constant * (after - before)
            found = -np.expm1(-z * inside) * loose / inside if caused else np.exp(-z * inside)
            seen *= np.exp(-z * gone(before)) * found
        return seen

    for spread in (0.3, 0.5):
        law = gamma(1 / spread**2, scale=spread**2)
        exact = np.log(quad(lambda z, law=law: given(z) * law.pdf(z), 0, 12, limit=200)[0])
        found = wear.log_likelihood(spells, np.ones(1), scale, shape, constant, spread)
        assert found == pytest.approx(exact, abs=4e-3)


def test_what_a_stay_has_beyond_its_days_is_in_renewals_whatever_is_spoiled(unit_maker):
    """Redos multiply attempts and not the renewals that they belong to."""
    unit = unit_maker()
    graces = [use_model(replace(unit, frequency=unit.frequency.assign(redo=redo))).grace for redo in (0.0, 0.3)]
    assert graces[0] == pytest.approx(graces[1], abs=0.01)
    assert (graces[0] < 0).all(), "a fresh securement holds at first"


def test_of_items_that_fit_the_one_preferred_comes_first_then_the_nearest_in_size(unit_maker):
    """Ranges with their middles at 2.75, 4.25 and 3.5 mm for an airway of 3.5 mm; then money, then name."""
    def named(unit, *rows):
        found = [(k, {"item": i, "fits_from": low, "fits_to": high, "price": price, "pack": 1.0, "sized_to": "patient"})
                 for k, (i, low, high, price) in enumerate(rows)]
        return [r["item"] for _, r in nearest_size(unit, "mask", found, unit.strata.loc[0].to_dict())]

    unit = unit_maker()
    rows = (("small", 2.0, 3.5, 7.0), ("large", 3.5, 5.0, 7.0), ("fit", 3.0, 4.0, 9.0), ("any", np.nan, np.nan, 1.0))
    assert named(unit, *rows) == ["fit", "large", "small", "any"]
    assert named(replace(unit, prefer={"mask": "small"}), *rows) == ["small", "fit", "large", "any"]
    assert named(unit, ("b", 3.0, 4.0, 9.0), ("a", 3.0, 4.0, 9.0), ("c", 3.0, 4.0, 8.0)) == ["c", "a", "b"]


def test_of_two_that_fit_alike_the_cheaper_single_item_comes_first_whatever_its_pack(unit_maker):
    """20 USD for ten are 2 USD each, 5 USD for one are 5."""
    found = [(k, {"item": i, "fits_from": 3.0, "fits_to": 4.0, "price": price, "pack": pack, "sized_to": "patient"})
             for k, (i, price, pack) in enumerate([("one", 5.0, 1.0), ("ten", 20.0, 10.0)])]
    unit = unit_maker()
    assert [r["item"] for _, r in nearest_size(unit, "mask", found, unit.strata.loc[0].to_dict())] == ["ten", "one"]


@pytest.mark.parametrize("unit_of_days", [1.0, 1e-4, 1e4])
def test_pooled_rates_are_in_whatever_unit_the_days_are(unit_of_days):
    """Days or tens of thousands of them: mean and ends in proportion."""
    days, other = (pool_rates(np.array([8.0, 20.0]), np.array([100.0, 150.0]) * u) for u in (1.0, unit_of_days))
    for name in ("mean", "low", "high"):
        assert getattr(other, name) * unit_of_days == pytest.approx(getattr(days, name), rel=1e-6), name


def test_how_far_weeks_may_lie_from_the_mean_follows_from_stays_and_what_the_census_has_seen(unit_maker):
    """Stays of sigma 1: E[S^2] / E[S]^2 = e; airways of spread 0.4; two arrivals and four re-secures a day. A snapshot
    knows the mean as a Poisson count, 30 days of counts as 60 arrivals of such stays.
    """
    unit = unit_maker()
    seen = _weeks(unit, 2.0, 4.0, 9.0)
    assert (seen.stays_per_day, seen.stay_spread) == pytest.approx((2.0, np.e * 1.4 + 0.5))
    assert seen.mean_log_sd == pytest.approx(1 / 3)
    month = replace(unit, census=replace(unit.census, first_day=date(2026, 3, 1), last_day=date(2026, 3, 31)))
    assert _weeks(month, 2.0, 4.0, 9.0).mean_log_sd == pytest.approx(np.sqrt(np.e / 60))
    still = _weeks(unit, 0.0, 4.0, 9.0)
    assert (still.stays_per_day, still.mean_log_sd) == (0.0, pytest.approx(1 / 3))


def test_a_learnt_block_tells_its_data_and_the_hazards_it_stands_for(logged):
    learnt = estimate.learn(logged)
    text = block_text(logged, learnt)
    assert (f"# Data: {learnt.first_day} to {learnt.last_day}, {learnt.events:,} events in "
            f"{learnt.airway_days:,.0f} airway-days") in text
    block = tomllib.loads(text)["resecure"]
    assert block["loosening_scale_hours"] == pytest.approx(learnt.curve.scale_hours, rel=0.01)
    assert block["loosening_shape"] == pytest.approx(learnt.curve.shape, rel=0.01)
    for name, value in learnt.curve.per_day.items():
        assert block[name] == pytest.approx(value, abs=1e-3)
    low, high = learnt.curve.low["shape"], learnt.curve.high["shape"]
    assert f"# 95 % interval {low:.3g} to {high:.3g}\n" in text
    assert "loosening_shape, airway_spread" not in text, "both are in the log"


def test_the_curve_that_was_seen_is_told_check_by_check_in_hours(logged):
    """Four checks a day: six hours apart, from the first; nobody is secure longer than before."""
    curve = estimate.learn(logged).wear_curve
    assert curve["wear_hours"].iloc[0] == 6.0
    assert np.diff(curve["wear_hours"]) == pytest.approx(6.0)
    assert (np.diff(curve["still_secure"]) <= 1e-12).all()
    assert (np.diff(curve["watched"]) <= 0).all()
    assert curve["still_secure_fitted"].iloc[0] == pytest.approx(curve["still_secure"].iloc[0], abs=0.03)


def test_what_an_airway_is_given_once_says_of_how_many_it_was_chosen(small_unit):
    """Both masks fit 3.5 mm, one fits 4.0 mm."""
    frame = fill_roles(small_unit).frame
    masks = frame[frame["role"] == "mask"].set_index("stratum")
    assert masks["because"].tolist() == ["one an airway; nearest in size of 2 that fit"] * 2 + [
        "one an airway; the only one that fits"]
    assert masks.loc[2, "item"] == "mask-60"
    assert masks["cost_per_stay"].tolist()[2] == 7.5


def test_second_derivatives_of_a_quadratic_are_its_matrix():
    """Central differences are exact for what is quadratic, whichever way the mixed terms go."""
    matrix = np.array([[4.0, 1.0, -2.0, 0.5], [1.0, 3.0, 0.7, -1.0], [-2.0, 0.7, 5.0, 0.2], [0.5, -1.0, 0.2, 2.0]])
    slope = np.array([1.0, -2.0, 3.0, -4.0])
    found = wear._hessian(lambda p: float(p @ matrix @ p / 2 + slope @ p), np.ones(4))
    assert found == pytest.approx(matrix, abs=1e-6)


@pytest.mark.parametrize(("checks", "days", "fall"), [(1, 0.3, 1), (1, 1.0, 1), (4, 0.5, 2), (4, 9.0, 36)])
def test_into_an_interval_falls_at_least_one_check(unit_maker, checks, days, fall):
    assert interval_checks(unit_maker(checks_per_day=checks), days) == fall


def test_chances_that_are_kept_for_others_cannot_be_written_on(unit_maker):
    unit = unit_maker()
    chances = attempt_tables(unit).in_stay(unit, 0)
    with pytest.raises(ValueError, match="read-only"):
        chances[0] = 1.0


def test_between_restocks_and_after_the_last_one_uses_are_binomial_where_every_check_is_alike(
    unit_maker, frequency_maker, monkeypatch
):
    """A chance of 0.1 at each of four checks a day, restocked daily; stays of ten checks: eight before the last restock
    and two after it, whatever has been.
    """
    alike = frequency_maker(3, loosening_scale_hours=np.inf, soiled_per_day=-4 * np.log(0.9), skin_per_day=0,
                            moved_per_day=0, airway_spread=0, redo=0, admission_secures=0)
    unit = unit_maker(frequency=alike)
    for module in ("stay_use", "item_choice"):
        monkeypatch.setattr(f"kitplan.demand.{module}.stay_checks_pmf", lambda *_: np.eye(11)[10])
    use = stay_use(unit, attempt_tables(unit), 0)

    def chances(checks, width):
        return binom.pmf(np.arange(width), checks, 0.1)

    assert use.kit_attempts == pytest.approx(chances(4, len(use.kit_attempts)), abs=1e-6)
    assert use.stay_attempts == pytest.approx(chances(10, len(use.stay_attempts)), abs=1e-6)
    before, after = use.last_interval.shape
    assert use.last_interval == pytest.approx(np.outer(chances(8, before), chances(2, after)), abs=1e-6)
    assert use.mean_stay_attempts == pytest.approx(1.0)
    assert [use.kit_quantile(r) for r in (0.1, 0.9, 0.95, 0.999)] == [1, 1, 2, 3]


def test_the_tail_of_a_stay_goes_from_check_to_check_and_on_at_the_last_pace(unit_maker, monkeypatch):
    """Four checks a day. Half of the stays are 1.1 days, 4.4 checks: four, or five in two of five. Three tenths are ten
    checks; two tenths go on from there, half a day's hazard a day. Of a kind that stays twice as long all is twice so.
    """
    law = SimpleNamespace(known=lambda: SimpleNamespace(hazard=np.array([[0.1, 0.5]])))
    monkeypatch.setattr(occupancy, "fit_posterior",
                        lambda _: SimpleNamespace(stays=law, stay_factor=np.array([[1.0, 1.5], [1.0, 2.5]])))
    once, twice = (occupancy._own_tail(unit_maker(), kind, np.array([1.1, 2.5]), np.array([0.5, 0.3]))
                   for kind in (0, 1))
    assert once[[0, 4, 5, 6, 10]] == pytest.approx([1.0, 1.0, 0.2 + 0.3 + 0.2, 0.5, 0.5])
    assert once[[11, 15]] == pytest.approx([0.2 * np.exp(-0.5 * (k / 4 - 2.5)) for k in (10.5, 14.5)])
    assert twice[[8, 9, 10, 20]] == pytest.approx([1.0, 0.5 * 0.8 + 0.5, 0.5, 0.5])
    assert twice[30] == pytest.approx(0.2 * np.exp(-0.5 * (29.5 / 8 - 2.5)))
