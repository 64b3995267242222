"""How often a securement is renewed: hazards, renewal counts, frailty, redos."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kitplan.demand import resecure
from tests.demand.attempts_of import attempts_pmf, settled_counts


def brute_force_counts(hazard, n_checks, first_age=0):
    """Enumerate every sequence of found/not found over n_checks and add up its chance by number of finds."""
    pmf = np.zeros(n_checks + 1)
    for found in product((0, 1), repeat=n_checks):
        age, chance = first_age, 1.0
        for hit in found:
            h = hazard[min(age, len(hazard) - 1)]
            chance *= h if hit else 1 - h
            age = 0 if hit else age + 1
        pmf[sum(found)] += chance
    return pmf


hazards = st.lists(st.floats(0.0, 1.0), min_size=1, max_size=6).map(np.array)


@given(hazards, st.integers(0, 8))
@settings(max_examples=60, deadline=None)
def test_a_fresh_count_agrees_with_enumerating_every_sequence(hazard, n_checks):
    got = resecure.renewal_count_pmf(hazard, n_checks)[n_checks]
    np.testing.assert_allclose(got, brute_force_counts(hazard, n_checks), atol=1e-12)


@given(hazards.filter(lambda h: h[-1] > 0.05), st.integers(1, 7))
@settings(max_examples=40, deadline=None)
def test_a_stationary_count_mixes_the_enumerations_over_the_wear_age(hazard, n_checks):
    long = np.concatenate([hazard, np.full(600, hazard[-1])])
    age = resecure.stationary_wear_age(long)
    assert age.sum() == pytest.approx(1.0)
    want = sum(p * brute_force_counts(long, n_checks, first_age=a) for a, p in enumerate(age[:40]))
    left_out = age[40:].sum()
    got = settled_counts(long, n_checks)[n_checks]
    np.testing.assert_allclose(got, want, atol=left_out + 1e-9)


def test_the_stationary_count_has_the_long_run_mean():
    hazard = np.array([0.05, 0.2, 0.5, 0.9, 1.0])
    pmf = settled_counts(hazard, 30)
    means = pmf @ np.arange(31)
    np.testing.assert_allclose(means, np.arange(31) / resecure.mean_wear_checks(hazard), atol=1e-9)


@given(hazards.filter(lambda h: h[-1] > 0.05), st.sampled_from([0, 1, 3, 7]), st.integers(1, 5))
@settings(max_examples=40, deadline=None)
def test_an_airway_seen_after_m_checks_counts_as_the_enumeration_from_its_start_says(hazard, m, n):
    long = np.concatenate([hazard, np.full(200, hazard[-1])])
    fresh = resecure.renewal_count_pmf(long, n)
    got = resecure.present_count_pmf(long, n, fresh)[m, n]
    want = np.zeros(n + 1)
    for found in product((0, 1), repeat=m + n):
        age, chance = 0, 1.0
        for hit in found:
            h = long[age]
            chance *= h if hit else 1 - h
            age = 0 if hit else age + 1
        want[sum(found[m:])] += chance
    assert len(got) <= n + 1
    np.testing.assert_allclose(got, want[: len(got)], atol=1e-10)
    assert want[len(got) :].sum() < 1e-10, "only counts without a chance may be left out"


def test_a_planned_maximum_wear_renews_at_that_check(frequency_maker):
    row = frequency_maker(
        1,
        planned_hours=24.0,
        soiled_per_day=0,
        skin_per_day=0,
        moved_per_day=0,
        loosening_scale_hours=1e9,
        airway_spread=0,
    ).loc[0]
    pmf = resecure.renewal_count_pmf(resecure.check_hazards(row, 4), 36)
    assert pmf[36, 9] == pytest.approx(1.0)


def test_hazards_follow_the_weibull_increment_and_the_constants(frequency_maker):
    row = frequency_maker(1).loc[0]
    hazard = resecure.check_hazards(row, 4, n_ages=12)
    hours = 6.0 * np.arange(13)
    loosening = np.diff((hours / 70.0) ** 1.5)
    np.testing.assert_allclose(hazard, 1 - np.exp(-(loosening + 0.20 / 4)))
    scipy_survival = stats.weibull_min(1.5, scale=70).sf(hours) * np.exp(-0.20 * hours / 24)
    np.testing.assert_allclose(resecure.survival(hazard), scipy_survival)


@pytest.mark.parametrize("spread", [0.1, 0.4, 1.0])
def test_frailty_points_have_the_moments_of_the_gamma(spread):
    nodes, weights = resecure.frailty_nodes(spread, 8)
    gamma = stats.gamma(1 / spread**2, scale=spread**2)
    for order in range(1, 9):
        assert weights @ nodes**order == pytest.approx(gamma.moment(order), rel=1e-8)


def test_frailty_spreads_counts_but_redos_only_raise_them(frequency_maker, unit_maker):
    def moments(**changes):
        unit = unit_maker(frequency=frequency_maker(3, **changes))
        pmf = attempts_pmf(unit, 0, 28, fresh=False)
        mean = pmf @ np.arange(len(pmf))
        return mean, pmf @ np.arange(len(pmf)) ** 2 - mean**2

    plain_mean, plain_var = moments(airway_spread=0.0, redo=0.0)
    _, frail_var = moments(airway_spread=0.8, redo=0.0)
    redo_mean, _ = moments(airway_spread=0.0, redo=0.2)
    assert frail_var > 1.3 * plain_var
    assert redo_mean == pytest.approx(plain_mean / 0.8, rel=1e-6)


def test_redos_are_negative_binomial():
    table = resecure.attempts_given_events(0.3, 4, 40)
    for k in range(1, 5):
        want = stats.nbinom(k, 0.7).pmf(np.arange(41 - k))
        np.testing.assert_allclose(table[k, k:40], want[:-1], atol=1e-12)


def test_admission_secures_are_certain(frequency_maker, unit_maker):
    unit = unit_maker(frequency=frequency_maker(3, admission_secures=2, redo=0.0))
    pmf = attempts_pmf(unit, 0, 4, fresh=True)
    assert pmf[:2].sum() == 0
    assert pmf[2:].sum() == pytest.approx(1.0)


def test_shares_of_reasons_add_up_and_name_the_flat_model(frequency_maker, unit_maker):
    rates = resecure.long_run_rates(unit_maker())
    shares = [c for c in rates if c.startswith("share_")]
    np.testing.assert_allclose(rates[shares].sum(axis=1), 1.0, atol=1e-9)
    flat = resecure.long_run_rates(
        unit_maker(frequency=frequency_maker(3, flat_per_check=0.1, airway_spread=0))
    )
    assert flat["share_any"].iloc[0] == pytest.approx(1.0)
    assert flat["re_secures_per_day"].iloc[0] == pytest.approx(0.4)


def test_a_unit_in_which_nothing_ever_fails_has_no_re_secures(frequency_maker, unit_maker):
    never = frequency_maker(
        3, loosening_scale_hours=np.inf, soiled_per_day=0, skin_per_day=0, moved_per_day=0
    )
    unit = unit_maker(frequency=never)
    assert attempts_pmf(unit, 0, 36, fresh=False)[0] == pytest.approx(1.0)
    assert resecure.long_run_rates(unit)["re_secures_per_day"].max() == 0
