"""How busy weeks and the year's swing are weighed, against plain normal and uniform laws."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from kitplan.demand import arrivals
from kitplan.demand.arrivals import (
    BURST_GRID,
    DRIFT_GRID,
    LASTING_GRID,
    Season,
    _alike,
    _draw,
    _draw_burst,
    _filtered,
    _Fit,
    _laplace,
    _least_squares,
    _neighbours,
    _summed,
    _walk,
    correlation,
    correlation_of_arrivals,
    learn_counts,
    learn_days,
    mean_season,
    season,
    swing_precision,
    turned,
    waves,
)
from kitplan.demand.busy_weeks import linked_bursts, mean_variance
from kitplan.demand.posterior import said_of_bursts, said_of_level
from kitplan.demand.stays import StayLaw


def exponential(mean):
    return StayLaw(np.array([0.0]), np.full((1, 1), 1.0 / mean))


# -- least squares and their evidence -------------------------------------------------------------------------------


def test_a_fit_with_correlated_errors_is_the_normal_posterior_with_its_evidence():
    """y = D b + e: posterior of b by the normal equations, and the law of y with b integrated out (scipy), up to the
    terms in the determinants that are added where fits are compared.
    """
    rng = np.random.default_rng(1)
    design, prior = rng.normal(size=(6, 2)), np.diag([2.0, 0.5])
    root = rng.normal(size=(6, 6))
    cover, y = root @ root.T + np.eye(6), rng.normal(size=6)
    fit = _least_squares(y, design, cover, prior)
    inverse = np.linalg.inv(cover)
    bend = design.T @ inverse @ design + prior
    assert fit.precision == pytest.approx(bend, rel=1e-6)
    assert fit.middle == pytest.approx(np.linalg.solve(bend, design.T @ inverse @ y), rel=1e-6)
    whole = stats.multivariate_normal(np.zeros(6), cover + design @ np.linalg.inv(prior) @ design.T).logpdf(y)
    told = fit.evidence + 0.5 * np.log(np.linalg.det(prior)) - 0.5 * np.log(np.linalg.det(bend)) - 3 * np.log(2 * np.pi)
    assert told == pytest.approx(whole, rel=1e-6)


@pytest.mark.parametrize("noise", [0.1, 1.0])
def test_a_narrower_prior_of_the_swing_is_weighed_without_fitting_again(noise):
    """Thirty values that follow a slight swing, and thirty that hardly tell of it: under each prior of the swing
    posterior and evidence are those of a fit of its own (scipy); draws are their mixture by evidence and chance.
    """
    rng = np.random.default_rng(2)
    design = np.column_stack([np.ones(30), waves(np.arange(30) * 365.25 / 30)])
    y = design @ np.array([0.1, 0.12, -0.05, 0.0, 0.0]) + noise * rng.normal(size=30)
    widest = np.diag([1.0, *swing_precision(arrivals.SWING_GRID[-1])])
    fit = _least_squares(y, design, noise**2 * np.eye(30), widest)
    told = Season(0.0, True)
    drawn, (middle, spread), _, _ = _draw([fit] * len(BURST_GRID), np.zeros(1), np.ones(1), told, 4000, 1)
    weights, means, covers = [], [], []
    for sd, chance in told.parts:
        prior = np.diag([1.0, *swing_precision(sd)])
        cover = noise**2 * np.eye(30) + design @ np.linalg.inv(prior) @ design.T
        weights.append(np.log(chance) + stats.multivariate_normal(np.zeros(30), cover).logpdf(y))
        bend = design.T @ design / noise**2 + prior
        means.append(np.linalg.solve(bend, design.T @ y / noise**2))
        covers.append(np.linalg.inv(bend))
    share = np.exp(np.array(weights) - max(weights))
    share /= share.sum()
    assert drawn.mean(axis=0) == pytest.approx(share @ np.array(means), abs=2e-3)
    second = sum(s * (c + np.outer(m, m)) for s, m, c in zip(share, means, covers))
    variance = np.diag(second) - (share @ np.array(means)) ** 2
    assert drawn.var(axis=0) == pytest.approx(variance, rel=0.12)
    assert middle.mean() == pytest.approx(drawn[:, 0].mean(), abs=2e-3)
    assert spread.mean() == pytest.approx(np.sqrt(share @ [c[0, 0] for c in covers]), rel=0.05)


def test_the_evidence_of_counts_is_their_chance_and_that_of_the_middle_under_the_prior():
    """Of two sizes of bursts, one none, the evidence differs as log chances do (scipy: Poisson and negative binomial of
    shape 1 / v) with those of the middles under the prior.
    """
    days, counts = np.full(6, 7.0), np.array([9.0, 3, 14, 6, 11, 2])
    design, prior, centre = np.ones((6, 1)), np.array([[4.0]]), np.array([-0.6])
    plain, wide = _laplace(counts[None], days[None], design[None], np.array([0.0, 0.25]), centre, prior)
    means = [7 * np.exp(centre + fit.middle) for fit in (plain, wide)]
    chances = [stats.poisson(means[0]).logpmf(counts).sum(), stats.nbinom(4, 4 / (4 + means[1])).logpmf(counts).sum()]
    chances = [c + stats.norm(0, 0.5).logpdf(fit.middle[0]) for c, fit in zip(chances, (plain, wide))]
    assert wide.evidence - plain.evidence == pytest.approx(chances[1] - chances[0], rel=1e-9)


# -- bursts ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cell", [1, 5, 9])
def test_a_size_of_bursts_that_the_weeks_tell_of_is_drawn_evenly_about_its_point(cell):
    """Evidence for one point of the grid alone: between the middles to the points beside it."""
    evidence = np.full((1, len(BURST_GRID)), -1e3)
    evidence[0, cell] = 0.0
    which, v = _draw_burst(evidence, 4000, 1)
    low = (BURST_GRID[cell - 1] + BURST_GRID[cell]) / 2 if cell > 1 else 0.0
    high = (BURST_GRID[cell] + BURST_GRID[cell + 1]) / 2
    assert (which == cell).all()
    assert np.quantile(v, [0.0, 0.25, 0.5, 1.0]) == pytest.approx(
        [low, low + (high - low) / 4, (low + high) / 2, high], abs=0.01 * (high - low))


def test_of_the_ways_to_cut_weeks_the_likely_ones_are_drawn():
    """Two ways, the second with odds of e: three times out of four and a bit less; numbers tell way and size."""
    evidence = np.full((2, len(BURST_GRID)), -1e3)
    evidence[0, 3], evidence[1, 3] = 0.0, 1.0
    which, _ = _draw_burst(evidence, 4000, 1)
    assert set(which.tolist()) == {3, 3 + len(BURST_GRID)}
    assert (which > 3).mean() == pytest.approx(np.e / (1 + np.e), abs=0.01)


def test_no_evidence_of_any_leaves_no_bursts_in_three_draws_of_ten():
    evidence = np.zeros((1, len(BURST_GRID)))
    evidence[0, 1:] = -1e3
    assert (_draw_burst(evidence, 1000, 1)[1] == 0).all()


# -- the year -------------------------------------------------------------------------------------------------------


def test_a_spring_peak_is_learnt_whatever_the_day_on_which_a_history_begins():
    """Two years whose arrivals lie by sin of the year: highest at the end of March."""
    for first in (0.0, 100.0):
        days = np.arange(730) + first
        counts = np.random.default_rng(1).poisson(8 * np.exp(0.4 * np.sin(2 * np.pi * days / 365.25))).astype(float)
        level = learn_days(counts, np.ones(730), Season(first, True), 1000, 1)
        assert level.swing[:, 1].mean() == pytest.approx(0.4, abs=0.06)
        assert level.swing[:, 0].mean() == pytest.approx(0.0, abs=0.06)


def test_a_swing_turned_to_another_day_is_the_swing_of_that_day():
    """Arrivals k days after a day of the year are those of the swing so turned, on that day."""
    swing = np.array([[0.3, -0.2, 0.1, 0.05]])
    day, later = 40.0, 25.0
    shifted = turned(swing, np.array([[later]]))[:, 0]
    direct = (swing @ waves(np.array([day + later])).T)[0, 0]
    assert (shifted @ waves(np.array([day])).T)[0, 0] == pytest.approx(direct)
    assert season(swing, np.array([day + later]))[0, 0] == pytest.approx(np.exp(direct) / mean_season(swing)[0])


def test_weeks_of_which_nothing_is_on_record_are_no_weeks():
    """Ten weeks of 21, of which every second is unknown: the level of the others, as sure as five weeks make it."""
    known = np.repeat(np.arange(10) % 2 == 0, 7).astype(float)
    calm = Season(0.0, True, np.zeros(4))
    level = learn_days(3.0 * known, known, calm, 2000, 1).level
    assert level.mean() == pytest.approx(3.0, rel=0.02)
    assert level.std() / level.mean() == pytest.approx(1 / np.sqrt(105), rel=0.6)


# -- airways in place -----------------------------------------------------------------------------------------------


def test_what_bursts_leave_unsure_of_a_level_is_told_without_what_counting_does(monkeypatch):
    """Draws of the level 0.8 and 1.2 about 1 with a spread of 0.2; counting alone, 12 airways as good as so many
    independent days, has 1 / (12 days) of that variance: the rest is the factor's.
    """
    calm = Season(0.0, True, np.zeros(4))
    counts, days = np.full(60, 12.0), np.arange(60)
    alone = learn_counts(counts, days, exponential(5.0), calm, 10, 1).independent_days
    drawn = np.zeros((2, 5))
    drawn[:, 0] = 0.8, 1.2
    monkeypatch.setattr(arrivals, "_draw", lambda *given: (
        drawn, np.array([[1.0, 1.0], [0.2, 0.2]]), np.zeros(2), np.zeros(2)))
    told = learn_counts(counts, days, exponential(5.0), calm, 2, 1)
    share = np.sqrt(0.04 - 1 / (12 * alone)) / 0.2
    assert told.level == pytest.approx([1 - 0.2 * share, 1 + 0.2 * share])
    assert told.swing.tolist() == [[0.0] * 4] * 2


def test_of_an_empty_ward_the_counts_say_that_few_come():
    told = learn_counts(np.zeros(30), np.arange(30), exponential(5.0), Season(0.0, True, np.zeros(4)), 500, 1)
    assert np.isfinite(told.level).all()
    assert told.independent_days == pytest.approx((30 - 28 * np.exp(-0.2)) / (1 + np.exp(-0.2)), rel=1e-6)


def test_counts_of_a_part_of_the_year_are_set_against_a_swing_that_the_unit_states():
    """The half of the year about its peak, of a unit of 20 airways with a stated swing that stays hardly dampen: the
    level planned for is that of the whole year.
    """
    stated = np.array([0.0, 0.3, 0.0, 0.0])
    there = 20 * (1 + waves(np.arange(180.0)) @ stated)
    told = learn_counts(there, np.arange(180), exponential(1.0), Season(0.0, False, stated), 500, 1)
    assert told.level.mean() * there.mean() == pytest.approx(20, rel=0.05)
    assert told.swing.mean(axis=0) == pytest.approx(stated, abs=0.01)


def test_counts_of_years_are_looked_at_every_few_days(monkeypatch):
    """1,300 days are every third of them, in means of three, and say no less than their mean."""
    seen = []
    monkeypatch.setattr(arrivals, "_least_squares", lambda y, design, cover, prior: seen.append(len(y)) or _Fit(
        np.zeros(5), np.eye(5), 0.0))
    monkeypatch.setattr(arrivals, "_draw", lambda *given: (
        np.zeros((1, 5)), np.ones((2, 1)), np.zeros(1), np.zeros(1)))
    learn_counts(np.full(1300, 5.0), np.arange(1300), exponential(3.0), Season(0.0, True), 1, 1)
    assert set(seen) == {145}
    assert len(seen) == len(BURST_GRID) * len(LASTING_GRID) * len(DRIFT_GRID)


def test_bursts_that_last_are_told_from_those_of_one_week_by_how_neighbours_go_together():
    """Three years of arrivals of two a day and bursts of variance 0.15: gamma factors of a week each, or of five weeks,
    whose correlation from week to week is 0.8 (blocks of n weeks, begun at any moment: 1 - 1 / n).
    """
    for weeks, low, high in ((1, 0.0, 0.1), (5, 0.7, 0.86)):
        rng = np.random.default_rng(5)
        factor = np.repeat(rng.gamma(1 / 0.15, 0.15, 160 // weeks + 1), 7 * weeks)[:1092]
        found = learn_days(rng.poisson(2.0 * factor).astype(float), np.ones(1092), Season(0.0, True), 1000, 1)
        assert low <= found.lasting.mean() <= high
        assert np.median(found.burst) == pytest.approx(0.15, abs=0.08)


def test_the_level_that_is_planned_for_is_that_of_the_end_of_a_history():
    """A year and a half of two arrivals a day, of which the last four months had three: nearly three, and not the mean
    of 2.2; a steady history keeps its mean, and one that fell is planned for less."""
    days = np.arange(546)
    for late, low, high in ((3.0, 2.6, 3.0), (2.0, 1.95, 2.05), (1.2, 1.2, 1.45)):
        rate = np.where(days < 426, 2.0, late)
        found = [learn_days(np.random.default_rng(seed).poisson(rate).astype(float), np.ones(546),
                            Season(0.0, True), 1000, 1).level for seed in range(6)]
        assert low < np.mean(found) < high
        assert np.quantile(found, 0.02) < late < np.quantile(found, 0.98)


def test_counts_that_grew_are_planned_for_where_they_stand():
    """Airways that stay five days on the mean, 10 of them for fourteen months and 20 in the last four: 12 in all."""
    factor = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        start = np.repeat(np.arange(576.0), rng.poisson(np.where(np.arange(576) < 456, 2.0, 4.0)))
        start += rng.random(len(start))
        stop = start + rng.exponential(5.0, len(start))
        days = np.arange(30, 576)
        there = np.searchsorted(np.sort(start), days + 0.5) - np.searchsorted(np.sort(stop), days + 0.5)
        told = learn_counts(there, days - 30, exponential(5.0), Season(0.0, True), 1000, 1)
        factor.append(told.level * there.mean())
    assert 16.0 < np.mean(factor) < 20.0
    assert np.quantile(factor, 0.98) > 20.0


def test_series_of_any_length_are_taken_in_runs_of_neighbours():
    assert _neighbours(200).tolist() == list(range(200))
    assert _neighbours(548).tolist() == list(range(0, 548, 3))
    assert _summed(np.arange(9.0).reshape(3, 3), np.array([0, 2])).tolist() == [[8.0, 7.0], [13.0, 8.0]]
    assert (_walk(np.array([60.875, 30.4375, 0.0])) == [[2, 1, 0], [1, 1, 0], [0, 0, 0]]).all()


def test_a_person_is_told_where_the_level_is_not_the_mean_of_the_history():
    (words,) = said_of_level(np.linspace(1.2, 1.4, 101))
    assert words.startswith("Arrivals planned for lie 30 % above the mean of the history (+21 to +39 % in 9 of 10)")
    assert said_of_level(np.linspace(0.6, 0.8, 101))[0].startswith("Arrivals planned for lie 30 % below")
    assert said_of_level(np.linspace(0.9, 1.1, 101)) == ()


def test_the_mean_of_linked_weeks_varies_as_the_sum_of_their_correlations():
    """Two weeks at 0.5: (1 + 1 + 2 x 0.5) / 4; four at 0: a quarter; a week by itself: all."""
    found = mean_variance(np.array([1.0, 2.0, 4.0]), np.array([[0.0], [0.5]]))
    assert found == pytest.approx(np.array([[1.0, 0.5, 0.25], [1.0, 0.75, (4 + 6 * 0.5 + 4 * 0.25 + 2 * 0.125) / 16]]))


def test_linked_bursts_have_their_mean_variance_and_correlation_back_and_ahead():
    """Normal scores: correlation lasting ** weeks between the current week and those either side of it."""
    z = np.random.default_rng(1).standard_normal((60_000, 5))
    found = linked_bursts(z, np.ones(5), 3, np.array([0.1]), np.array([0.7]), np.zeros(60_000, dtype=int))
    assert found.mean(axis=0) == pytest.approx(np.ones(5), abs=0.01)
    assert found.var(axis=0) == pytest.approx(np.full(5, 0.1), rel=0.05)
    beside = np.corrcoef(found.T)[0]
    assert beside[1:] == pytest.approx([0.7, 0.49, 0.7, 0.49], abs=0.03)
    assert np.corrcoef(found.T)[2, 4] == pytest.approx(0.7**4, abs=0.03)
    weeks = np.array([1.0, 1, 2, 4, 1])
    long = linked_bursts(z, weeks, 4, np.array([0.1]), np.array([0.7]), np.zeros(60_000, dtype=int))
    whole = mean_variance(weeks, np.array([[0.7]])).ravel()
    assert long.var(axis=0) == pytest.approx(0.1 * whole, rel=0.05)
    alone = linked_bursts(z, np.ones(5), 3, np.array([0.1]), np.array([0.0]), np.zeros(60_000, dtype=int))
    assert alone == pytest.approx(np.maximum(1 - 0.1 / 9 + z * np.sqrt(0.1 / 9), 0) ** 3)


def test_a_person_is_told_how_much_weeks_differ_and_whether_busy_ones_last():
    """Variance 0.09 is 30 %; under 10 % nothing is said."""
    wide = np.full(10, 0.09)
    said = [said_of_bursts(wide, np.full(10, lasting))[0] for lasting in (0.1, 0.5, 0.8)]
    assert all(words.startswith("Weeks differ by about 30 % beyond chance") for words in said)
    assert [words.split("busy ones ")[1] for words in said] == [
        "come alone.", "may come alone or last for some weeks.", "last for some weeks."]
    assert said_of_bursts(np.full(10, 0.009), wide) == ()


def test_counts_of_airways_too_tell_whether_bursts_last():
    """Five years of counts of 20 airways that stay two days on the mean, from the same two kinds of bursts."""
    lasting = []
    for weeks in (1, 5):
        rng = np.random.default_rng(7)
        factor = np.repeat(rng.gamma(1 / 0.15, 0.15, 300 // weeks + 1), 7 * weeks)[:1850]
        start = np.repeat(np.arange(1850), rng.poisson(10 * factor)) + 0.0
        start += rng.random(len(start))
        stop = start + rng.exponential(2.0, len(start))
        days = np.arange(25, 1850)
        there = np.searchsorted(np.sort(start), days + 0.5) - np.searchsorted(np.sort(stop), days + 0.5)
        told = learn_counts(there, days, exponential(2.0), Season(0.0, True), 1000, 1)
        lasting.append(told.lasting.mean())
    assert lasting[0] < 0.2
    assert lasting[1] > 0.6


def test_two_moments_share_a_week_the_less_the_further_they_lie_apart():
    assert _alike(np.array([0.0, 3.5, -3.5, 7.0, 9.0])).tolist() == [1.0, 0.5, 0.5, 0.0, 0.0]
    assert _alike(np.array([0.0, 3.5, 7.0, -10.5, 14.0]), 0.5).tolist() == [1.0, 0.75, 0.5, 0.375, 0.25]


def test_who_came_on_a_day_is_there_later_with_the_chance_of_staying():
    """Exponential stays of 5 days: one who came at any time of a day is there k days after its middle with the mean of
    exp(-t / 5) over t from k - 1/2 to k + 1/2, and nobody before; by that over the mean stay. Two days share a burst by
    their distance; arrivals of one day vary by themselves.
    """
    there, shared, own, week = correlation_of_arrivals(exponential(5.0), 10)
    assert [len(part) for part in (there, shared, own, week)] == [19] * 4
    k = np.arange(1, 10)
    by_hand = 5 * (np.exp(-(k - 0.5) / 5) - np.exp(-(k + 0.5) / 5))
    assert there[10:] == pytest.approx(by_hand)
    assert there[9] == pytest.approx(5 * (1 - np.exp(-0.1)))
    assert (there[:9] == 0).all()
    assert own.tolist() == [0.0] * 9 + [5.0] + [0.0] * 9
    assert week == pytest.approx(np.maximum(1 - np.abs(np.arange(-9, 10)) / 7, 0))
    ages = np.arange(0, 200, 0.05) + 0.025
    for lag in (-3, 0, 4):
        by_hand = (np.maximum(1 - np.abs(lag - ages) / 7, 0) * np.exp(-ages / 5)).sum() * 0.05 / 5
        assert shared[lag + 9] == pytest.approx(by_hand, abs=2e-3)


def test_a_burst_shows_in_the_airways_by_who_of_it_is_still_there():
    """By sums over both arrivals: stays of 5 days, weeks that lie anywhere."""
    _, shared = correlation(exponential(5.0), 12)
    ages = np.arange(0, 60, 0.25) + 0.125
    alive = np.exp(-ages / 5)
    for lag in (0, 3, 11):
        apart = lag - ages[:, None] + ages[None, :]
        weight = np.maximum(1 - np.abs(apart) / 7, 0)
        assert shared[lag] == pytest.approx((alive[:, None] * alive[None, :] * weight).sum() * 0.0625 / 25, abs=2e-3)


def test_waves_are_lowered_and_delayed_each_by_its_own_gain():
    day = np.array([0.0, 90.0])
    shown = _filtered(waves(day), np.array([0.5, 2.0j]))
    c, s, cc, ss = waves(day).T
    assert shown == pytest.approx(np.column_stack([0.5 * c, 0.5 * s, -2 * ss, 2 * cc]))


def test_what_is_said_of_the_year_is_what_is_known_of_it():
    assert Season(0.0, False).said[0].startswith("The history is shorter than a year")
    assert Season(0.0, True, np.zeros(4)).said == ("Yearly swing of arrivals: as the unit states it.",)
    assert Season(0.0, False, np.zeros(4)).sure
    assert SimpleNamespace(said=Season(0.0, True).said).said == ()
