"""Wear, rates, counts and bounds on memory, on a few numbers reckoned by hand or by another way."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from kitplan.demand import bounds, wear
from kitplan.demand.bounds import MOST_AIRWAYS, at_most, table_bytes, within_bounds
from kitplan.demand.counts import _log_likelihood, _score, fit_negative_binomial
from kitplan.demand.item_choice import attempt_tables, fill_roles
from kitplan.demand.rate_from_use import (
    Exposure,
    Use,
    Weeks,
    _common_scatter,
    _item_use,
    _prior,
    _weeks,
    _widened,
    dispersion,
    learn_use,
    rate_record,
    use_rate,
)
from kitplan.demand.rate_grid import factor_grid, rising_counts
from kitplan.demand.resecure import (
    attempts_given_events,
    check_hazards,
    frequency_models,
    hazard_factors,
    long_run_rates,
    mean_wear_checks,
    most_attempts,
    pace_of,
    rate_ratios,
    renewal_count_pmf,
    stationary_wear_age,
    survival,
    used_columns,
    with_redos,
)
from kitplan.demand.use import (
    _item_rates,
    expected_use,
    lengthen,
    mean_use,
    steady_pace,
    use_model,
    use_rates,
)
from kitplan.read.values import Doubt
from tests.demand.attempts_of import attempts_pmf, settled_counts

# -- spells of wear -------------------------------------------------------------------------------------------------


def spells_of(start, end, events, *, fresh=True, checks=4, by_date=False):
    """One stay and its (day, reason) events."""
    day, reason = (np.array(c) for c in zip(*events)) if events else (np.zeros(0), np.zeros(0, int))
    return wear.cut_spells(np.array([start]), np.array([end]), np.array([fresh]), np.zeros(len(day), int), day,
                           reason.astype(int), np.array([7]), np.array([2]), checks, by_date)


def test_a_stay_is_cut_into_spells_at_its_events():
    """Checks every quarter of a day. First event after 1.1 days: found at 1.1, sound a check before. Then 1.4 days:
    5.6 checks, so 6: found at 1.5, sound at 1.25. Watched for another 0.6: sound at the last whole check, 0.5.
    """
    found = spells_of(0.0, 3.1, [(1.1, wear.LOOSE), (2.5, wear.SOILED)])
    assert found.before == pytest.approx([0.85, 1.25, 0.5])
    assert found.after == pytest.approx([1.1, 1.5, 0.5])
    assert found.reason.tolist() == [wear.LOOSE, wear.SOILED, wear.STILL_SECURE]
    assert found.caused.tolist() == [True, True, False]
    assert (found.airway.tolist(), found.stratum.tolist()) == ([7] * 3, [2] * 3)


def test_what_comes_before_the_first_event_of_an_old_airway_is_left_out():
    found = spells_of(0.0, 3.1, [(1.1, wear.LOOSE)], fresh=False)
    assert found.reason.tolist() == [wear.STILL_SECURE]
    assert found.after == pytest.approx([2.0])
    assert len(spells_of(0.0, 3.1, [], fresh=False).reason) == 0


def test_a_stay_without_an_event_is_sound_until_half_a_check_before_its_end():
    found = spells_of(0.0, 2.0, [])
    assert (found.before[0], found.after[0]) == pytest.approx((1.875, 1.875))
    short = spells_of(0.0, 0.1, [])
    assert short.after[0] == 0.0
    at_once = spells_of(0.0, 2.0, [(0.0, wear.LOOSE)])
    assert (at_once.before[0], at_once.after[0]) == pytest.approx((0.0, 0.0125)), "a twentieth of a check at the least"
    twice = spells_of(0.0, 2.0, [(1.0, wear.LOOSE), (1.01, wear.LOOSE)])
    assert (twice.before[1], twice.after[1]) == pytest.approx((0.0, 0.25)), "never less than a check between two"


def test_a_planned_renewal_ends_a_spell_without_cause():
    found = spells_of(0.0, 3.0, [(1.0, wear.PLANNED)])
    assert found.caused.tolist() == [False, False]


def test_events_known_to_the_day_lie_within_a_day_of_hazard():
    """Four checks: what a check finds came an eighth of a day earlier. Two events two dates apart: 1.875 give or take a
    half. Two of one date: a third of 1.25 less an eighth, give or take 3/16. From the start 1.4: 1.275 and a half.
    Without an event: to the middle alone.
    """
    found = spells_of(0.0, 5.0, [(1.4, wear.LOOSE), (3.4, wear.LOOSE), (3.4, wear.LOOSE)], by_date=True)
    assert found.before == pytest.approx([0.775, 1.375, 1.25 / 3 - 0.125 - 0.1875, 1.475])
    assert found.after == pytest.approx([1.775, 2.375, 1.25 / 3 - 0.125 + 0.1875, 1.475])
    next_day = spells_of(0.0, 5.0, [(1.4, wear.LOOSE), (2.4, wear.LOOSE)], by_date=True)
    assert (next_day.before[1], next_day.after[1]) == pytest.approx((0.375, 1.375))
    near = spells_of(0.0, 5.0, [(0.3, wear.LOOSE)], by_date=True)
    assert near.before[0] == 0.0
    assert near.after[0] == pytest.approx(0.675)


def test_the_share_still_secure_is_kaplan_meiers():
    """Found at 1, 2 and 2 days; watched to 1.5 and 3: 4/5, then 4/5 x 1/3."""
    spells = wear.WearSpells(np.arange(5), np.zeros(5, int), np.zeros(5), np.array([1.0, 2.0, 2.0, 1.5, 3.0]),
                             np.array([wear.LOOSE, wear.SOILED, wear.LOOSE, wear.STILL_SECURE, wear.PLANNED]))
    alive, watched = wear.still_secure(spells, np.array([0.5, 1.0, 1.7, 2.0, 4.0]))
    assert alive == pytest.approx([1.0, 0.8, 0.8, 0.8 / 3, 0.8 / 3])
    assert watched.tolist() == [5, 5, 3, 3, 0]


def test_without_spread_the_likelihood_is_that_of_each_interval(monkeypatch):
    """Constant 0.1 a day, hardly any loosening: two renewals in a day's interval and one securement watched two days:
    2 log(1 - exp(-0.1)) and what was lived through before.
    """
    spells = wear.WearSpells(np.zeros(3, int), np.zeros(3, int), np.array([1.0, 0.0, 2.0]), np.array([2.0, 1.0, 2.0]),
                             np.array([wear.SOILED, wear.SOILED, wear.STILL_SECURE]))
    found = wear.log_likelihood(spells, np.ones(1), 1e9, 1.0, 0.1, 0.0)
    assert found == pytest.approx(2 * np.log(-np.expm1(-0.1)) - 0.1 - 0.2, abs=1e-5)
    twice = wear.log_likelihood(spells, np.full(1, 2.0), 1e9, 1.0, 0.1, 0.0)
    assert twice == pytest.approx(2 * np.log(-np.expm1(-0.2)) - 0.2 - 0.4, abs=1e-4), "a kind of twice the hazards"


def test_causes_share_the_constant_hazard_as_they_were_counted():
    """Three soiled and one moved; where no cause was noted, as the defaults have it."""
    default = {"scale_hours": 70.0, "shape": 1.5, "spread": 0.4, "constant": 0.2, "soiled_per_day": 0.3,
               "skin_per_day": 0.1, "moved_per_day": 0.0, "changed_per_day": 0.0}
    place = np.array([np.log(80.0), np.log(2.0), np.log(0.4), 0.5])

    def report(reasons):
        spells = SimpleNamespace(reason=np.array(reasons))
        return wear._report(spells, place, np.diag([100.0, 25.0, 4.0, 16.0]), np.ones(1), default)

    told = report([wear.SOILED] * 3 + [wear.MOVED, wear.LOOSE, wear.STILL_SECURE])
    assert told.per_day == pytest.approx({"soiled_per_day": 0.3, "skin_per_day": 0.0, "moved_per_day": 0.1,
                                          "changed_per_day": 0.0})
    assert report([wear.LOOSE]).per_day == pytest.approx({"soiled_per_day": 0.3, "skin_per_day": 0.1,
                                                          "moved_per_day": 0.0, "changed_per_day": 0.0})
    assert (told.scale_hours, told.shape, told.spread) == pytest.approx((80.0, 2.0, 0.5))
    assert told.low["scale_hours"] == pytest.approx(80 * np.exp(-0.196))
    assert told.high["shape"] == pytest.approx(2 * np.exp(1.96 / 5))
    assert told.low["shape"] == pytest.approx(2 * np.exp(-1.96 / 5))
    assert (told.low["spread"], told.high["spread"]) == pytest.approx((0.01, 0.99))
    assert told.low["constant_per_day"] == pytest.approx(0.4 * np.exp(-0.98))


def test_kinds_are_pooled_by_their_events_over_what_their_airways_went_through(monkeypatch):
    """Two airways, spread 0.5 (shape 4): two events through a hazard of 1 make the first 6 / 5 as prone as usual, one
    through 0.8 the second 5 / 4.8. Counts of airways vary by 1 + a quarter of the hazard of each.
    """
    from kitplan.demand import partial_pooling

    asked = []

    def pooled(*given):
        asked.append([np.asarray(part).tolist() for part in given])
        return SimpleNamespace(mean=np.array([1.5, 3.0]))

    monkeypatch.setattr(partial_pooling, "pool_rates", pooled)
    spells = wear.WearSpells(np.array([0, 0, 1, 1]), np.array([0, 0, 1, 1]), np.zeros(4), np.ones(4),
                             np.array([wear.LOOSE, wear.SOILED, wear.LOOSE, wear.STILL_SECURE]))
    factor = wear._fit_factors(spells, np.array([0.5, 0.5, 0.5, 0.3]), np.ones(2), 0.5, 2)
    ((events, exposure, dispersion),) = asked
    assert events == [2.0, 1.0]
    assert exposure == pytest.approx([1.0 * 6 / 5, 0.8 * 5 / 4.8])
    assert dispersion == pytest.approx([1.25, 1.2])
    assert factor == pytest.approx([1.5 / 2.0, 3.0 / 2.0]), "over the mean of events"
    assert wear._fit_factors(spells, np.ones(4), np.ones(1), 0.5, 1).tolist() == [1.0]


# -- hazards and counts ---------------------------------------------------------------------------------------------


def test_mean_wear_goes_on_at_the_last_hazard():
    """Chances 0.5 and then 0.25 for ever: 1 + 0.5 + ... = 1 + 0.5 / 0.25 = 3 checks."""
    hazard = np.array([0.5, 0.25])
    assert mean_wear_checks(hazard) == pytest.approx(3.0)
    assert survival(hazard).tolist() == [1.0, 0.5, 0.375]
    assert stationary_wear_age(hazard) == pytest.approx([1 / 3, 1 / 6])
    assert np.isinf(mean_wear_checks(np.zeros(3)))
    assert mean_wear_checks(np.array([0.5, 1.0])) == pytest.approx(1.5)


@pytest.mark.parametrize(("hours", "first_sure"), [(0.0, None), (12.0, 2), (12.1, 3), (1.0, 1)])
def test_a_planned_change_is_sure_from_its_check_on(frequency_maker, hours, first_sure):
    row = frequency_maker(1, planned_hours=hours).iloc[0]
    hazard = check_hazards(row, 4, np.array([0.5, 2.0]), 6)
    assert hazard.shape == (2, 6)
    assert (hazard[1, : (first_sure or 7) - 1] > hazard[0, : (first_sure or 7) - 1]).all()
    sure = (hazard == 1).all(axis=0)
    assert sure.tolist() == [first_sure is not None and k + 1 >= first_sure for k in range(6)]


def test_no_check_no_renewal_and_a_last_hazard_that_goes_on():
    assert renewal_count_pmf(np.array([0.3]), 0).tolist() == [[1.0]]
    pmf = renewal_count_pmf(np.array([0.3]), 5)
    for n in range(6):
        assert pmf[n, : n + 1] == pytest.approx(stats.binom.pmf(np.arange(n + 1), n, 0.3))
    assert settled_counts(np.array([0.3]), 5) == pytest.approx(pmf)


def test_attempts_of_so_many_events_are_negative_binomial_and_the_rest_lies_in_the_last():
    table = attempts_given_events(0.2, 3, 6)
    for k in (1, 2, 3):
        assert table[k, :6] == pytest.approx(stats.nbinom.pmf(np.arange(6) - k, k, 0.8))
    assert table.sum(axis=1) == pytest.approx(np.ones(4))
    assert table[0].tolist() == [1, 0, 0, 0, 0, 0, 0]


def test_admission_secures_are_events_of_their_own():
    """None or one re-secure, each as likely, no redo: one or two attempts with one secure on admission."""
    plain = with_redos(np.array([[0.5, 0.5]]), 0.0, 0)
    assert plain[0] == pytest.approx([0.5, 0.5])
    admitted = with_redos(np.array([[0.5, 0.5]]), 0.0, 1)
    assert admitted[0] == pytest.approx([0.0, 0.5, 0.5])
    redone = with_redos(np.array([[0.5, 0.5]]), 0.1, 1)[0]
    assert redone @ np.arange(len(redone)) == pytest.approx(1.5 / 0.9)
    assert redone[1] == pytest.approx(0.5 * 0.9)


def test_attempts_are_tabulated_as_far_as_they_may_come():
    """Without redos as many as events; else to where one in a thousand million lies, and four times the mean beyond."""
    assert most_attempts(3.0, 0.0) == 3
    assert most_attempts(10.0, 0.1) == int(np.ceil(10 + 9 + 4))
    assert stats.nbinom.sf(most_attempts(30, 0.4) - 30, 30, 0.6) < 1e-7


def test_counts_that_never_come_are_left_out():
    assert used_columns(np.array([[0.5, 0.5, 0.0], [1.0, 0.0, 0.0]])) == 1
    assert used_columns(np.array([[1.0, 0.0, 1e-12]])) == 1
    assert used_columns(np.array([[0.5, 0.0, 0.5]])) == 2
    assert used_columns(np.array([[1.0, 0.0, 1e-12]]), least=1e-13) == 2


def test_the_pace_is_that_of_the_second_half_of_the_longest_stay():
    """Counts of 0, 1, 3, 6, 8 after 0 to 4 checks: five in the last two."""
    fresh = np.eye(9)[[0, 1, 3, 6, 8]]
    assert pace_of(fresh) == pytest.approx(2.5)
    assert pace_of(np.eye(2)[[0]]) == 0.0


def test_chances_to_draw_from_rise_to_one_count_by_count(frequency_maker):
    row = frequency_maker(1, flat_per_check=0.1, redo=0.0, admission_secures=1.0).iloc[0]
    counts = rising_counts(row, 4, 8, 20, 1.0)
    assert counts.fresh.shape[1] == 21
    assert counts.fresh[0, 0] == 0.0, "an admission is secured for sure"
    assert counts.fresh[:, 20] == pytest.approx(stats.binom.cdf(np.arange(len(counts.fresh)) - 1, 20, 0.1), abs=1e-7)
    assert counts.present[:, -1, 8] == pytest.approx(stats.binom.cdf(np.arange(len(counts.present)), 8, 0.1), abs=1e-7)
    assert (counts.fresh[-1] == 1).all()
    assert counts.pace == pytest.approx(0.1)
    double = rising_counts(row, 4, 8, 20, 2.0)
    assert double.pace == pytest.approx(1 - 0.81), "twice the hazard"


def test_an_airway_mixes_its_frailty_points(unit_maker, frequency_maker):
    unit = unit_maker(frequency=frequency_maker(3, flat_per_check=0.1, redo=0.0, airway_spread=0.0))
    assert attempts_pmf(unit, 0, 6, fresh=True)[1:] == pytest.approx(stats.binom.pmf(np.arange(7), 6, 0.1), abs=1e-8)
    assert attempts_pmf(unit, 0, 6, fresh=False) == pytest.approx(stats.binom.pmf(np.arange(7), 6, 0.1), abs=1e-8)


def test_kinds_of_one_frequency_share_a_table(unit_maker, frequency_maker):
    frequency = frequency_maker(3)
    frequency.loc[1, "redo"] = 0.2
    rows, which = frequency_models(unit_maker(frequency=frequency))
    assert (len(rows), which.tolist()) == (2, [0, 1, 0])
    assert rows["redo"].tolist() == [0.06, 0.2]
    assert rows["flat_per_check"].isna().all()


def test_rates_a_day_a_hundred_days_and_with_redos(unit_maker, frequency_maker):
    """One in ten at each of four checks: 0.4 a day; a fifth spoiled: 0.5 attempts."""
    table = long_run_rates(unit_maker(frequency=frequency_maker(3, flat_per_check=0.1, redo=0.2, airway_spread=0.0)))
    assert table["re_secures_per_day"].tolist() == pytest.approx([0.4] * 3)
    assert table["per_100_airway_days"].tolist() == pytest.approx([40.0] * 3)
    assert table["attempts_per_day"].tolist() == pytest.approx([0.5] * 3)
    assert table["share_any"].tolist() == pytest.approx([1.0] * 3)
    planned = long_run_rates(unit_maker(frequency=frequency_maker(3, flat_per_check=0.0, planned_hours=24.0)))
    assert planned["re_secures_per_day"].tolist() == pytest.approx([1.0] * 3)
    assert planned["share_planned"].tolist() == pytest.approx([1.0] * 3)
    causes = long_run_rates(unit_maker(frequency=frequency_maker(
        3, loosening_scale_hours=np.inf, soiled_per_day=0.3, skin_per_day=0.1, moved_per_day=0.0, changed_per_day=0.0,
        airway_spread=0.0))).iloc[0]
    assert (causes["share_soiled"], causes["share_skin"], causes["share_loose"]) == pytest.approx((0.75, 0.25, 0.0))
    assert causes["re_secures_per_day"] == pytest.approx(-4 * np.expm1(-0.1))


def test_hazards_are_brought_to_where_the_rate_is_so_many_times_as_high(unit_maker, frequency_maker):
    unit = unit_maker(frequency=frequency_maker(3))
    factor = hazard_factors(unit, np.array([[0.5, 1.0, 2.0]]))[0]
    row = unit.frequency.iloc[0]
    base = long_run_rates(unit)["re_secures_per_day"][0]
    for f, wanted in zip(factor, (0.5, 1.0, 2.0)):
        scaled = row.copy()
        scaled["loosening_scale_hours"] *= f ** (-1 / scaled["loosening_shape"])
        scaled[["soiled_per_day", "skin_per_day", "moved_per_day", "changed_per_day"]] *= f
        other = unit_maker(frequency=pd.DataFrame([scaled] * 3).reset_index(drop=True))
        assert long_run_rates(other)["re_secures_per_day"][0] == pytest.approx(wanted * base, rel=2e-3)
    ones = np.ones((4, 3))
    assert hazard_factors(unit, ones) is ones


def test_a_range_of_the_rate_moves_the_causes_that_are_guessed_by_their_share(unit_maker, frequency_maker):
    """Half of the rate is guessed: where the draw is twice the typical rate, a kind has 1.5 times its own."""
    causes = {"loosening_scale_hours": np.inf, "soiled_per_day": 0.2, "skin_per_day": 0.2, "moved_per_day": 0.0,
              "airway_spread": 0.0}
    unit = unit_maker(frequency=frequency_maker(3, **causes), doubt=Doubt(rate_range=(0.2, 0.8), guessed=("soiled",)))
    found = rate_ratios(unit, 1000)
    typical = long_run_rates(unit)["re_secures_per_day"].mean()
    whole = rate_ratios(replace(unit, doubt=Doubt(rate_range=(0.2, 0.8))), 1000)
    assert found - 1 == pytest.approx((whole - 1) / 2)
    assert np.quantile(whole[:, 0] * typical, [0.05, 0.95]) == pytest.approx([0.2, 0.8], rel=0.02)
    assert (rate_ratios(replace(unit, doubt=Doubt()), 5) == 1).all()
    given = np.full((9, 3), 1.2)
    assert rate_ratios(replace(unit, doubt=Doubt(rate_ratio=given)), 5).shape == (5, 3)


# -- counts by a law ------------------------------------------------------------------------------------------------


def test_the_likelihood_of_counts_is_scipys_and_its_slope_that_of_differences():
    counts, mean = np.array([0.0, 3.0, 7.0, 1.0]), np.array([1.0, 2.0, 4.0, 3.0])
    for theta in (0.7, 3.0):
        law = stats.nbinom(theta, theta / (theta + mean))
        assert _log_likelihood(counts, mean, theta) == pytest.approx(law.logpmf(counts).sum())
        step = 1e-4
        up, down = (_log_likelihood(counts, mean, theta + s) for s in (step, -step))
        assert _score(counts, mean, theta) == pytest.approx((up - down) / (2 * step), rel=1e-5)
    assert _log_likelihood(counts, mean, np.inf) == pytest.approx(stats.poisson(mean).logpmf(counts).sum())


def test_errors_of_a_fit_without_over_dispersion_are_poissons():
    """Forty weeks of 8 to 12 at a mean of 10: the log of the mean is sure to 1 / sqrt(400)."""
    fit = fit_negative_binomial(np.tile([8, 10, 12, 10], 10), np.ones((40, 1)))
    assert np.isinf(fit.theta)
    assert fit.standard_errors == pytest.approx([1 / np.sqrt(400)])
    assert fit.coefficients == pytest.approx([np.log(10)])


# -- memory ---------------------------------------------------------------------------------------------------------


def test_so_many_scenarios_fit_as_airways_pass_through_them(small_unit, monkeypatch):
    monkeypatch.setattr(bounds, "_airways", lambda unit, days: 1000.0 * days)
    assert at_most(10**9, small_unit, 2.0) == MOST_AIRWAYS // 2000
    assert at_most(5, small_unit, 2.0) == 5
    assert at_most(5, small_unit, 1e9) == 1, "never none"


def test_as_many_scenarios_are_planned_as_airways_may_be_drawn(small_unit, monkeypatch):
    """Where just the 4,000 asked for may be drawn they are, and no more in search of a plan; fewer for more
    airways, and it is said.
    """
    monkeypatch.setattr(bounds, "_airways", lambda unit, days: MOST_AIRWAYS / 4000)
    unit, told = within_bounds(small_unit)
    assert told is None
    assert (unit.planning.scenarios, unit.planning.verify_scenarios, unit.planning.max_scenarios) == (4000,) * 3
    monkeypatch.setattr(bounds, "_airways", lambda unit, days: MOST_AIRWAYS / 3750)
    unit, told = within_bounds(small_unit)
    assert (unit.planning.scenarios, unit.planning.verify_scenarios, unit.planning.max_scenarios) == (3750,) * 3
    assert told.startswith(f"Planned on 3,750 scenarios instead of 4,000: {MOST_AIRWAYS / 3750:,.0f} airways pass")


def test_airways_of_an_interval_are_those_there_and_those_that_come(small_unit):
    """Nine, and nine every six days: twelve in eight days; of a day or an empty unit at least one."""
    assert bounds._airways(small_unit, 8.0) == pytest.approx(9 + 12, rel=0.02)
    nobody = replace(small_unit, census=replace(small_unit.census, rows=small_unit.census.rows.assign(airways=0)))
    assert bounds._airways(nobody, 8.0) == 1.0


def test_a_table_is_as_large_as_its_checks_ages_and_counts(frequency_maker):
    """Wear of ten checks (one chance in ten), no redo: 100 checks are ten events, at most 10 + 6 sqrt(10) + 20, and an
    admission; from 50 ages over the short and from one over the long interval, eight bytes each.
    """
    row = frequency_maker(1, flat_per_check=0.1, redo=0.0).iloc[0]
    short, long = 10 + 6 * np.sqrt(10) + 21, 40 + 6 * np.sqrt(40) + 21
    cells = 50 * 101 * (np.ceil(short) + 1) + 401 * (np.ceil(long) + 1)
    assert table_bytes(row, 4, 100, 400, 1.0) == pytest.approx(8 * cells, rel=1e-6)
    few = 50 * 6 * 7 + 6 * 7
    assert table_bytes(row, 4, 5, 5, 1.0) == pytest.approx(8 * few), "never more events than checks, and the admission"


# -- use by rates ---------------------------------------------------------------------------------------------------


def test_a_table_of_openings_goes_on_at_its_pace():
    """Openings after 0, 1, ... re-secures: a roll for two. From the first opening to the last: two in four."""
    table = np.array([0, 1, 1, 2, 2, 3])
    assert steady_pace(table) == 0.5
    assert lengthen(table, 4).tolist() == [0, 1, 1, 2]
    assert lengthen(table, 9).tolist() == [0, 1, 1, 2, 2, 3, 4, 4, 5]
    assert steady_pace(np.array([0, 1, 1, 1, 1])) == 0.25, "one opening alone: one for all that it serves"
    assert steady_pace(np.array([0])) == 0.0


def row(**values):
    return SimpleNamespace(**({"stratum": 0, "item": "x", "share": 1.0, "need": 2.5, "items_per_use": 3.0,
                               "uses_per_item": 4.0} | values))


def test_what_a_day_and_a_stay_take_of_an_item_by_its_scope():
    """Half an attempt a day; a stay of one or three attempts, each as likely."""
    uses = np.array([0.0, 0.5, 0.0, 0.5])
    choice = SimpleNamespace(opened={(0, "roll"): np.array([0, 1, 1, 2])})
    assert _item_rates(row(scope="event"), choice, 0.5, uses) == (1.5, 6.0)
    assert _item_rates(row(scope="event", share=0.4), choice, 0.5, uses) == (1.5, 6.0), "a need of 2.5 is three pairs"
    assert _item_rates(row(scope="unit"), choice, 0.5, uses) == (0.125, 0.5)
    assert _item_rates(row(scope="patient", item="roll"), choice, 0.5, uses) == (0.25, 1.5)
    assert _item_rates(row(scope="patient"), choice, 0.5, uses) == (0.0, 2.5), "once an airway"


def test_expected_use_is_days_of_airways_and_arrivals(small_unit):
    """Nine airways for six days each on the mean, by the rates of their kinds; twice as long takes twice as much."""
    tables = attempt_tables(small_unit)
    choice = fill_roles(small_unit, tables)
    model = use_model(small_unit, choice, tables)
    airways, arrivals = np.array([4, 2, 3]), np.array([4, 2, 3]) / 6
    by_rates = 9 * (airways @ model.per_day + arrivals @ model.per_arrival)
    found = expected_use(small_unit, choice, 9.0, tables)
    assert found == pytest.approx(by_rates, rel=0.02, abs=1e-6)
    assert expected_use(small_unit, choice, 18.0) == pytest.approx(2 * found)
    from kitplan.demand.posterior import fit_posterior

    posterior = fit_posterior(small_unit)
    assert mean_use(small_unit, choice, 9.0, posterior, tables).mean(axis=0) == pytest.approx(found)
    assert model.arrivals == pytest.approx(np.full(3, 1 / 6))
    masks = [model.items.index(m) for m in ("mask-42", "mask-60")]
    assert model.per_arrival[:, masks].tolist() == [[1, 0], [1, 0], [0, 1]]
    assert (model.per_day[:, masks] == 0).all()
    gloves = [model.items.index(g) for g in ("gloves-small", "gloves-medium")]
    assert model.per_day[:, gloves] == pytest.approx(np.repeat(model.attempts[:, None], 2, axis=1)), "half of two pairs"
    assert model.per_event()[0, model.items.index("wipe-prep")] == pytest.approx(2 * model.attempts[0] / model.rate[0])
    assert model.counted() == pytest.approx(
        model.attempts + model.arrivals * model.grace * model.attempts / model.rate)
    saline = model.items.index("saline-5")
    assert model.per_admission()[:, saline] == pytest.approx(
        model.per_arrival[:, saline] - model.grace * model.per_event()[:, saline])
    rates = use_rates(small_unit, choice, tables)
    assert set(rates.columns) == {"stratum", "item", "per_airway_day", "per_arrival"}


def test_where_nothing_is_ever_re_secured_nothing_is_taken_by_the_event(unit_maker, frequency_maker):
    unit = unit_maker(frequency=frequency_maker(3, flat_per_check=0.0, admission_secures=0.0))
    model = use_model(unit)
    assert (model.per_event() == 0).all()
    assert (model.counted() == 0).all()


# -- the rate from use ----------------------------------------------------------------------------------------------


def test_an_item_alone_teaches_by_the_law_that_is_stated():
    """Items used n over d days where m were expected: log n about log(m r), variance 1 / n + 0.05^2 [a choice]; one in
    seven goes to other work too [a choice: 0.15, by a factor e^0.35 about which it lies by 0.4]; the weeks' own
    scatter on top. By plain sums over a grid of its own.
    """
    spells = [Use("x", n, 7) for n in (40, 44, 36, 40)]
    found = learn_use(spells, {"x": Exposure(4.0)}, 0.3, 0.1, Weeks(2.0, 3.0, 0.05))
    used, expected = 160, 28 * 4.0
    own = 1 / used + 0.05**2
    scatter = np.log1p(3.0 / (2.0 * 28)) + 0.05**2
    r = np.linspace(-1.5, 1.5, 3001)
    apart = np.log(used) - np.log(expected) - r
    plain = stats.norm.pdf(apart, 0, np.sqrt(own + scatter)) * 0.85
    other = stats.norm.pdf(apart, 0.35, np.sqrt(own + 0.16 + scatter)) * 0.15
    weight = (plain + other) * stats.norm.pdf(r, 0.1, 0.3)
    weight /= weight.sum()
    mean = weight @ r
    assert found.log_mean == pytest.approx(mean, abs=2e-3)
    assert found.log_sd == pytest.approx(np.sqrt(weight @ (r - mean) ** 2), rel=0.01)
    ends = np.exp(np.interp([0.05, 0.5, 0.95], np.cumsum(weight), r))
    assert (found.low, found.rate, found.high) == pytest.approx(tuple(ends), rel=5e-3)
    assert (found.spells, found.days) == (4, 28)


def test_items_off_by_a_pack_say_less():
    """A hundred in all, off by a pack of fifty: variance a quarter on top."""
    spells = [Use("x", 25, 7)] * 4
    sure, rough = (learn_use(spells, {"x": Exposure(100 / 28, rough=r)}, 1.0) for r in (0.0, 50.0))
    assert rough.log_sd > 2 * sure.log_sd
    assert rough.log_sd == pytest.approx(1 / np.sqrt(1 + 1 / 0.2725), rel=0.15), "with a prior of one"


def test_only_items_that_follow_the_rate_and_were_used_teach():
    ten = [Use(i, u, 7) for i, u in (("x", 28), ("once", 9), ("none", 0)) for _ in range(10)]
    exposures = {"x": Exposure(4.0), "once": Exposure(0.0, 1.0), "none": Exposure(2.0)}
    found = learn_use(ten, exposures, 0.3)
    assert [i.item for i in found.items] == ["x"]
    assert found.days == 70
    assert found.spells == 30
    assert learn_use([Use("x", 28, 0)] * 9, {"x": Exposure(4.0)}, 0.3) is None, "spells of no days"
    assert learn_use([Use("x", 28, 5)] * 3, {"x": Exposure(4.0)}, 0.3) is not None
    assert learn_use([Use("x", 28, 7)] * 2, {"x": Exposure(4.0)}, 0.3) is None
    assert learn_use([Use("x", 14, 14), Use("x", 0, 0)], {"x": Exposure(4.0)}, 0.3) is None


def test_widening_adds_the_variance_of_the_weeks():
    from kitplan.demand.rate_from_use import GRID

    likelihood = stats.norm.pdf(GRID, 0.2, 0.1)
    wide = _widened(likelihood / likelihood.sum(), 0.04)
    mean = wide @ GRID / wide.sum()
    assert mean == pytest.approx(0.2, abs=1e-6)
    assert wide @ (GRID - mean) ** 2 / wide.sum() == pytest.approx(0.01 + 0.04, rel=1e-3)
    assert len(wide) == len(GRID)


def test_an_item_is_told_by_how_much_more_was_used_than_the_rate_explains():
    """The rate known to be the plan's: 200 used where 100 were expected, sure to sqrt(1/200 + 0.05^2) = 8.7 %."""
    from kitplan.demand.rate_from_use import GRID

    sure = (np.abs(GRID) < 1e-9).astype(float)
    found = _item_use("x", [Use("x", 120, 10), Use("x", 80, 10)], Exposure(4.0, 1.0), sure)
    assert (found.item, found.used, found.days, found.expected) == ("x", 200, 20, pytest.approx(100.0))
    spread = np.sqrt(1 / 200 + 0.0025)
    assert found.factor == pytest.approx(2.0, rel=0.01)
    assert (found.low, found.high) == pytest.approx((2 * np.exp(-1.645 * spread), 2 * np.exp(1.645 * spread)), rel=0.01)
    assert found.vanishes == pytest.approx(1.0)
    even = _item_use("x", [Use("x", 110, 20)], Exposure(5.0), sure)
    assert even.vanishes == pytest.approx(0.5, abs=0.04), "a tenth more than expected is on the edge"


def test_what_was_believed_before_is_the_range_over_the_plans_rate(unit_maker):
    assert _prior(unit_maker(), 0.5) == (0.0, 0.1)
    mean, sd = _prior(unit_maker(doubt=Doubt(rate_range=(0.25, 1.0))), 0.4)
    assert mean == pytest.approx(np.log(0.5 / 0.4))
    assert sd == pytest.approx(np.log(4) / 2 / 1.645)


def test_what_was_believed_before_has_the_routine_in_it_that_the_guess_leaves_out(unit_maker, frequency_maker):
    """One check a day and a change a day: one renewal a day, whatever causes add, and as sure as a number that is
    stated. A change every second day at four checks a day: half a renewal a day and more, by less than the causes.
    """
    causes = Doubt(rate_range=(0.3, 1.0), guessed=("loose", "soiled", "skin", "moved", "changed"), for_cause=True)
    daily = unit_maker(doubt=causes, frequency=frequency_maker(3, planned_hours=24.0), checks_per_day=1)
    assert _prior(daily, 1.0) == (pytest.approx(0.0, abs=1e-6), 0.1)
    often = replace(daily, checks_per_day=4, frequency=frequency_maker(3, planned_hours=48.0))
    mean, sd = _prior(often, 1.0)
    low, high = np.exp([mean - 1.645 * sd, mean + 1.645 * sd])
    assert 0.5 < low < 0.8
    assert 1.0 < high < 1.5


def test_of_one_airway_the_mean_is_as_unsure_as_a_count_of_one(unit_maker):
    assert _weeks(unit_maker(), 0.0, 4.0, 1.0).mean_log_sd == 1.0
    assert _weeks(unit_maker(), 0.0, 4.0, 0.2).mean_log_sd == 1.0, "never less sure than that"


def test_a_rate_that_was_learnt_is_kept_in_re_secures_of_an_airway_a_day():
    """Four airways at 0.5 and one at 1.0 a day are 0.6; learnt 1.2 times that, on the logarithm."""
    airways = pd.DataFrame({"mean_airways": [4.0, 1.0], "re_secures_per_day": [0.5, 1.0]})
    found = SimpleNamespace(log_mean=np.log(1.2), log_sd=0.123456789, days=91)
    kept = use_rate(found, airways)
    assert (kept.log_mean, kept.log_sd, kept.days) == (pytest.approx(np.log(0.72)), 0.123456789, 91)
    assert rate_record(found, airways) == b'{"log_mean": -0.328504, "log_sd": 0.123457, "days": 91}\n'


def test_the_scatter_of_few_counts_is_pearsons():
    """10, 20 and 30 where 1, 1 and 1 were expected: 20 each; (100 + 0 + 100) / 20 over two."""
    assert dispersion(np.array([10.0, 20.0, 30.0]), np.ones(3)) == pytest.approx(5.0)
    assert dispersion(np.array([10.0]), np.ones(1)) == 0.0


def test_a_grid_reaches_beyond_what_is_wanted_on_either_side():
    grid = factor_grid(np.full(100, 1.0))
    assert grid[0] < 1 < grid[-1]
    assert np.diff(np.log(grid)) == pytest.approx(0.16)
    assert len(grid) <= 4


def test_curvature_by_differences_is_that_of_the_function():
    """Of exp(a . p) it is a a' exp(a . p), to the square of the step; a shape or spread near its bound of none is
    looked at one step inside.
    """
    along = np.array([1.0, -0.5, 0.7, 0.3])
    for place in (np.array([0.2, 0.4, -0.1, 0.5]), np.array([0.2, 0.0, -0.1, 0.0])):
        inside = np.maximum(place, [-np.inf, 0.01, -np.inf, 0.02])
        found = wear._hessian(lambda p: float(np.exp(along @ p)), place)
        assert found == pytest.approx(np.outer(along, along) * np.exp(along @ inside), rel=1e-4)


def test_a_return_is_no_use_when_the_scatter_of_weeks_is_looked_at():
    """Two a week were expected and 0, 4, 0 and 4 came, or -3 for a 0: (4 + 4 + 4 + 4) / 2 over three, over 8 in all."""
    exposures = {"wipe": Exposure(per_rate=2.0 / 7, fixed=0.0)}
    for first in (0, -3):
        seen = {"wipe": [Use("wipe", units, 7.0) for units in (first, 4, 0, 4)]}
        assert _common_scatter(seen, exposures, ["wipe"]) == pytest.approx(8 / 3 / 8)
