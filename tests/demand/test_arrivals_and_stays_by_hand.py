"""The laws of arrivals and stays on cases with a known answer: Bessel functions, exponential stays, few numbers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import iv

from kitplan.demand import arrivals
from kitplan.demand.arrivals import (
    BURST_NONE,
    Season,
    _draw_burst,
    _filtered,
    _gain,
    _laplace,
    correlation,
    learn_counts,
    learn_days,
    mean_season,
    season,
    stated_swing,
    waves,
)
from kitplan.demand.stays import StayLaw, learn_stays, log_normal_stays, range_draws

ONE = np.zeros(1, dtype=np.int64)
CALM = Season(0.0, True, np.zeros(4))


def exponential(mean, draws=1):
    return StayLaw(np.array([0.0]), np.full((draws, 1), 1.0 / mean))


# -- the year -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("height", [0.0, 0.2, 0.7, 1.5])
def test_the_mean_of_a_wave_on_the_logarithm_is_the_modified_bessel_function(height):
    """Mean of exp(a cos x) over a turn is I0(a) (Abramowitz & Stegun, Handbook, 9.6.16), wherever the wave peaks."""
    for place in ([height, 0, 0, 0], [0, height, 0, 0], [0, 0, height, 0], [0, 0, 0, height]):
        assert mean_season(np.array([place])) == pytest.approx([iv(0, height)], rel=1e-9)


def test_arrivals_over_the_year_are_their_mean_on_the_mean():
    """A whole year of days, less than a quarter of a day astray; the peak stands where the wave says."""
    swing = np.array([[0.4, -0.3, 0.1, 0.05]])
    days = season(swing, np.arange(0, 365.25, 0.25))
    assert days.mean() == pytest.approx(1.0, rel=1e-6)
    first = season(np.array([[0.5, 0, 0, 0]]), np.array([0.0, 365.25 / 2, 365.25]))[0]
    assert first == pytest.approx([np.exp(0.5) / iv(0, 0.5), np.exp(-0.5) / iv(0, 0.5), np.exp(0.5) / iv(0, 0.5)])


@pytest.mark.parametrize(("share", "month"), [(0.3, 1), (0.5, 7), (0.0, 3), (1.0, 12)])
def test_a_stated_swing_peaks_so_far_above_the_mean_in_the_middle_of_its_month(share, month):
    swing = stated_swing(share, month)[None, :]
    middles = (np.arange(12) + 0.5) * 365.25 / 12
    by_month = season(swing, middles)[0]
    assert by_month[month - 1] == pytest.approx(1 + share, rel=1e-6)
    if share:
        assert np.argmax(by_month) == month - 1


def test_two_turns_a_year_are_twice_one():
    """cos and sin of one turn, then of two: at an eighth of a year 45 and 90 degrees."""
    half = np.sqrt(0.5)
    assert waves(np.array(365.25 / 8)) == pytest.approx([half, half, 0.0, 1.0], abs=1e-12)


def test_what_is_known_of_a_swing_before_the_history_is_looked_at():
    """Stated: no doubt of it. A year or more: the whole prior. Less: nothing very strong, and it is said."""
    stated = np.array([0.1, 0.2, 0.0, 0.0])
    known, told, untold = Season(0.0, False, stated), Season(0.0, True), Season(0.0, False)
    assert known.middle is stated
    assert (known.sure, told.sure, untold.sure) == (True, True, False)
    assert [chance for _, chance in known.parts] == [1.0]
    assert max(sd for sd, _ in told.parts) > max(sd for sd, _ in untold.parts)
    for way in (told, untold):
        assert sum(chance for _, chance in way.parts) == pytest.approx(1.0)
        assert (way.middle == 0).all()
    assert (told.said, len(known.said), len(untold.said)) == ((), 1, 1)


# -- arrivals -------------------------------------------------------------------------------------------------------


def test_a_flat_level_is_the_gamma_posterior_of_poisson_counts(monkeypatch):
    """600 arrivals in 300 days without swing or bursts: mean 2 a day, deviation 2 / sqrt(600) where drift is ruled out;
    the drift that is still believed widens it by a third, for the level of the last days is what is planned for."""
    level = learn_days(np.full(300, 2.0), np.ones(300), CALM, 4000, 1)
    assert level.level.mean() == pytest.approx(2.0, rel=0.005)
    assert level.level.std() == pytest.approx(1.33 * 2 / np.sqrt(600), rel=0.1)
    monkeypatch.setattr(arrivals, "_CHANCE", np.outer(arrivals.LASTING_WEIGHT, [1.0, 1e-12, 1e-12]).ravel())
    level = learn_days(np.full(300, 2.0), np.ones(300), CALM, 4000, 1)
    assert level.level.mean() == pytest.approx(2.0, rel=0.005)
    assert level.level.std() == pytest.approx(2 / np.sqrt(600), rel=0.25)
    assert np.abs(level.swing).max() < 0.01
    assert np.median(level.burst) < 0.01


def test_days_that_are_not_on_record_are_no_quiet_days():
    """Every second week is unknown, and one day is known by half."""
    known = np.repeat(np.arange(40) % 2 == 0, 7).astype(float)
    level = learn_days(3.0 * known, known, CALM, 2000, 1)
    assert level.level.mean() == pytest.approx(3.0, rel=0.01)
    part = np.full(70, 1.0)
    part[::2] = 0.5
    assert learn_days(4.0 * part, part, CALM, 2000, 1).level.mean() == pytest.approx(4.0, rel=0.01)


def test_a_winter_peak_in_the_history_is_learnt_with_its_month():
    """Two years that swing by 40 %, peak on the first of January; the history begins on 1 July."""
    days = np.arange(730) + 182.0
    counts = np.random.default_rng(1).poisson(8 * np.exp(0.4 * np.cos(2 * np.pi * days / 365.25)))
    level = learn_days(counts.astype(float), np.ones(730), Season(182.0, True), 2000, 1)
    assert level.swing[:, 0].mean() == pytest.approx(0.4, abs=0.06)
    assert level.swing[:, 1].mean() == pytest.approx(0.0, abs=0.06)
    assert level.level.mean() == pytest.approx(8 * iv(0, 0.4), rel=0.03)


def test_bursts_of_weeks_are_learnt_from_how_much_weeks_differ():
    """Weeks of negative binomial counts of variance m + 0.2 m^2, as they turned out."""
    rng = np.random.default_rng(2)
    factor = rng.gamma(1 / 0.2, 0.2, 150)
    counts = rng.poisson(3 * np.repeat(factor, 7)).astype(float)
    level = learn_days(counts, np.ones(1050), CALM, 2000, 1)
    week = counts.reshape(150, 7).sum(axis=1)
    assert np.median(level.burst) == pytest.approx((week.var() - week.mean()) / week.mean() ** 2, abs=0.04)


def test_where_nothing_tells_of_bursts_their_prior_stands():
    """Evidence alike for every size: three in ten none, else exponential with mean 0.1 up to 0.7."""
    _, v = _draw_burst(np.zeros((7, 11)), 40_000, 1)
    assert (v == 0).mean() == pytest.approx(BURST_NONE, abs=0.01)
    grid = np.linspace(0.0, 0.6, 7)[1:]
    found = [(v[v > 0] <= g).mean() for g in grid]
    assert found == pytest.approx(list(stats.expon(scale=0.1).cdf(grid)), abs=0.03)


def test_the_fit_of_weeks_is_that_of_a_negative_binomial_regression():
    """One level, a flat prior: the maximum is the mean; the evidence falls by the log-likelihood (scipy)."""
    counts, days = np.array([10.0, 20.0, 12.0, 18.0]), np.full(4, 7.0)
    design, prior = np.ones((4, 1)), np.array([[1e-9]])
    centre = np.array([np.log(2.0)])
    bursts = np.array([0.0, 0.1, 0.3])
    fits = _laplace(counts[None], days[None], design[None], bursts, centre, prior)
    for v, fit in zip(bursts[:2], fits):
        assert np.exp(centre[0] + fit.middle[0]) == pytest.approx(15 / 7, rel=1e-6)
        mean = 15.0
        assert fit.precision[0, 0] == pytest.approx(4 * mean / (1 + v * mean), rel=1e-6)
    def log_likelihood(v):
        law = stats.poisson(15.0) if v == 0 else stats.nbinom(1 / v, 1 / (1 + 15 * v))
        return law.logpmf(counts).sum()

    apart = [fit.evidence for fit in fits]
    told = [log_likelihood(v) for v in bursts]
    assert apart[1] - apart[2] == pytest.approx(told[1] - told[2], rel=1e-6)
    assert apart[0] - apart[1] == pytest.approx(told[0] - told[1], rel=1e-6)


# -- airways in place -----------------------------------------------------------------------------------------------


def test_numbers_in_place_are_correlated_as_in_a_unit_of_exponential_stays():
    """M/M/infinity: exp(-k / mean) (any text on queues). A busy week lifts the number by what is left of it."""
    alone, shared = correlation(exponential(5.0), 30)
    assert alone == pytest.approx(np.exp(-np.arange(30) / 5.0))
    assert shared.argmax() == 0
    # weeks of factor variance 1: the mean number moves by the factor filtered through the stays; by simulation
    rng = np.random.default_rng(3)
    weeks = rng.exponential(1.0, 120_000)
    days = np.repeat(weeks, 7)
    gone = np.exp(-1 / 5.0)
    from scipy.signal import lfilter

    there = lfilter([1 - gone], [1, -gone], days)[100:]
    there -= there.mean()
    lags = [0, 5, 12, 20]
    simulated = [float((there[: len(there) - k] * there[k:]).mean()) for k in lags]
    assert shared[lags] == pytest.approx(simulated, abs=0.02)


def test_a_swing_of_arrivals_shows_smaller_and_later_in_the_airways_in_place():
    """Exponential stays of m days: the gain is 1 / (1 + i w m) (Laplace transform of the law)."""
    w = 2 * np.pi / 365.25
    assert _gain(exponential(20.0)) == pytest.approx([1 / (1 + 20j * w), 1 / (1 + 40j * w)], rel=1e-3)
    day = np.arange(0, 365.25)
    shown = _filtered(waves(day), np.array([0.5 * np.exp(-1j * w * 30), 1.0]))
    assert shown[:, 0] == pytest.approx(0.5 * np.cos(w * (day - 30))), "half as high, thirty days later"
    assert shown[:, 1] == pytest.approx(0.5 * np.sin(w * (day - 30)))
    assert shown[:, 2:] == pytest.approx(waves(day)[:, 2:])


def test_daily_counts_say_as_much_as_so_many_independent_ones():
    """With correlation r^k n days of counts are worth (n - (n - 2) r) / (1 + r) (mean of an AR(1), any text)."""
    r = np.exp(-1 / 5.0)
    told = learn_counts(np.full(60, 12.0), np.arange(60), exponential(5.0), CALM, 500, 1)
    assert told.independent_days == pytest.approx((60 - 58 * r) / (1 + r), rel=1e-6)
    assert told.level.mean() == pytest.approx(1.0, abs=0.02)


def test_counts_that_swing_with_the_year_teach_the_swing_of_the_arrivals():
    day = np.arange(730)
    w = 2 * np.pi / 365.25
    gain = 1 / (1 + 10j * w)
    counts = 30 * (1 + 0.3 * np.real(gain * np.exp(1j * w * day)))
    told = learn_counts(counts, day, exponential(10.0), Season(0.0, True), 1000, 1)
    assert told.swing[:, 0].mean() == pytest.approx(0.3, abs=0.06)
    assert told.swing[:, 1].mean() == pytest.approx(0.0, abs=0.06)


# -- stays ----------------------------------------------------------------------------------------------------------

PIECES = StayLaw(np.array([0.0, 2.0, 5.0]), np.array([[0.5, 0.1, 0.25], [1.0, 1.0, 1.0]]))
"""Half a chance a day for two days, a tenth for three, then a quarter; and an exponential stay of one day."""


def test_the_law_of_the_stay_is_a_hazard_in_pieces():
    """Gone by day 2: 1.0, by day 5: 1.3, by day 9: 2.3."""
    days = np.array([0.0, 1.0, 2.0, 4.0, 5.0, 9.0])
    assert PIECES.survival(ONE, days) == pytest.approx(np.exp([0, -0.5, -1.0, -1.2, -1.3, -2.3]))
    assert PIECES.lengths(ONE, np.array([0.5, 1.0, 1.2, 2.3])) == pytest.approx([1.0, 2.0, 4.0, 9.0])
    assert PIECES.survival(np.array([1]), np.array([3.0])) == pytest.approx(np.exp(-3.0))


def test_the_area_under_the_survival_curve_is_the_mean_stay():
    """(1 - e^-1) / 0.5 + e^-1 (1 - e^-0.3) / 0.1 + e^-1.3 / 0.25; and 1."""
    first, second = (1 - np.exp(-1)) / 0.5, np.exp(-1) * (1 - np.exp(-0.3)) / 0.1
    assert PIECES.mean == pytest.approx([first + second + np.exp(-1.3) / 0.25, 1.0])
    assert PIECES.area(ONE, np.array([2.0, 5.0])) == pytest.approx([first, first + second])
    assert PIECES.area(np.array([1]), np.array([np.inf])) == pytest.approx(1.0)


def test_ages_undo_areas():
    rng = np.random.default_rng(4)
    draw = rng.integers(0, 2, 200)
    days = rng.exponential(3.0, 200)
    age, gone = PIECES.ages(draw, PIECES.area(draw, days))
    assert age == pytest.approx(days, rel=1e-9)
    assert np.exp(-gone) == pytest.approx(PIECES.survival(draw, days), rel=1e-9)


def test_the_known_law_survives_as_all_draws_do_on_the_mean():
    known = PIECES.known()
    for day in (2.0, 5.0):
        mean = PIECES.survival(np.arange(2), np.full(2, day)).mean()
        assert known.survival(ONE, np.array([day])) == pytest.approx([mean])
    assert known.hazard.shape == PIECES.hazard.shape
    assert PIECES.take(np.array([1])).mean == pytest.approx([1.0])


@pytest.mark.parametrize("sigma", [0.5, 1.0, 1.5])
def test_a_log_normal_stay_keeps_its_mean_median_and_tail(sigma):
    law = log_normal_stays(np.array([6.0]), np.array([sigma]))
    exact = stats.lognorm(sigma, scale=6.0 * np.exp(-(sigma**2) / 2))
    days = np.array([0.5, 2.0, float(exact.median()), 10.0, 30.0])
    assert law.mean == pytest.approx([6.0], rel=1e-3)
    assert law.survival(ONE, days) == pytest.approx(exact.sf(days), rel=0.02)


def test_a_range_is_the_middle_nine_tenths_of_a_log_normal():
    drawn = range_draws(4.0, 9.0, 4000, 1, "any")
    assert np.quantile(drawn, [0.05, 0.5, 0.95]) == pytest.approx([4.0, 6.0, 9.0], rel=0.02)


def test_the_stay_is_learnt_as_its_ends_over_its_days():
    """200 exponential stays of 5 days, cut off at 12: mean of the draws near it, and about sqrt(1 / ends) wide."""
    rng = np.random.default_rng(5)
    stays = rng.exponential(5.0, 200)
    days, ended = np.minimum(stays, 12.0), stays <= 12.0
    law = learn_stays(days, ended, 7.0, 2000, 1)
    assert law.mean.mean() == pytest.approx(days.sum() / ended.sum(), rel=0.1)
    assert law.mean.std() / law.mean.mean() == pytest.approx(1 / np.sqrt(ended.sum()), rel=0.6)
    alive = law.survival(np.arange(2000)[:, None], np.array([[2.0, 5.0, 10.0]])).mean(axis=0)
    assert alive == pytest.approx(np.exp(-np.array([2.0, 5.0, 10.0]) / 5), abs=0.07)


def test_a_few_stays_are_weighed_against_a_guess():
    """One stay of 3 days still going on, none ended: half an end in 3 + half of the guess's days; 14 days guessed:
    a pace of 0.5 / (3 + 7), and the draws of a gamma of shape 0.5 about it.
    """
    law = learn_stays(np.array([3.0]), np.array([False]), 14.0, 20_000, 1)
    assert law.edges.tolist() == [0.0]
    rate = 3.0 + 0.5 / (0.5 / (3 + 7))
    assert law.hazard[:, 0].mean() == pytest.approx(0.5 / rate, rel=0.03)
    assert law.hazard.min() == pytest.approx(1 / 1000.0), "nobody stays for ever"


def test_pieces_hold_eight_ends_each_and_the_last_is_open():
    """Forty ends on days 1 to 40 and one who stays on: edges between the days seen, eight ends apart."""
    days = np.append(np.arange(1.0, 41.0), 60.0)
    law = learn_stays(days, np.arange(41) < 40, 14.0, 10, 1)
    assert law.edges.tolist() == [0.0, 8.5, 16.5, 24.5, 32.5]


def test_a_long_tail_is_cut_in_halves_while_each_holds_sixteen_ends():
    """Of 1,600 ends forty pieces hold forty each; the last is halved once: 20 and 20."""
    days = np.arange(1.0, 1601.0)
    law = learn_stays(days, np.ones(1600, dtype=bool), 14.0, 10, 1)
    assert law.edges[-3:] == pytest.approx([38 * 40 + 0.5, 39 * 40 + 0.5, 39 * 40 + 20.5], abs=1.01)


def test_hazards_of_pieces_are_their_ends_over_their_days():
    """Sixteen ends on day 1, sixteen on day 3; pieces of eight cut at 2 alone: 16.5 ends in 32 + days of the prior."""
    days = np.repeat([1.0, 3.0], 16)
    law = learn_stays(days, np.ones(32, dtype=bool), 14.0, 4000, 1)
    assert law.edges.tolist() == [0.0, 2.0]
    pace = 32.5 / (64.0 + 7.0)
    assert law.hazard.mean(axis=0) == pytest.approx([16.5 / (16 + 32 + 0.5 / pace), 16.5 / (16 + 0.5 / pace)], rel=0.01)
