"""Published values for counts: renewal sequences, compound sums, tables, log-normal from quartiles.

Sources beside each value; check numbers as recomputed from the cited recursion where a table is not at hand.
"""

import numpy as np
import pytest
from scipy import stats

from kitplan.demand import resecure
from kitplan.demand.streams import _mix
from tests.demand.attempts_of import settled_counts


def renewal_density(pmf):
    """u_n from count PMFs: P(a renewal at check n) is the growth of the expected count."""
    means = pmf @ np.arange(pmf.shape[-1])
    return np.diff(means)


def test_constant_hazard_gives_the_binomial():
    """A flat chance p at each check: N ~ Binomial(n, p). Reference: scipy.stats.binom."""
    for counts in (resecure.renewal_count_pmf, settled_counts):
        pmf = counts(np.full(5000, 0.1), 36)
        for n in (0, 1, 4, 36):
            np.testing.assert_allclose(pmf[n, : n + 1], stats.binom(n, 0.1).pmf(np.arange(n + 1)), atol=1e-10)


def test_four_checks_at_one_tenth_need_two_re_secures_at_95_percent():
    """Binomial(4, 0.1): P(at most 1) = 0.9477, so the 95 % point is 2. Binomial table, recomputed."""
    cdf = np.cumsum(resecure.renewal_count_pmf(np.full(10, 0.1), 4)[4])
    assert cdf[1] == pytest.approx(0.9477, abs=5e-5)
    assert np.searchsorted(cdf, 0.95) == 2


def test_gaps_of_a_die():
    """Feller, An Introduction to Probability Theory and Its Applications, vol. I, ch. XIII: gaps uniform on 1..6,
    u_n = (1/6)(7/6)^(n-1) for n <= 6; u_6 = .360232, u_7 = .253604, limit 1/3.5 = 2/7."""
    hazard = 1 / np.arange(6, 0, -1)
    u = renewal_density(resecure.renewal_count_pmf(hazard, 60))
    np.testing.assert_allclose(u[:6], (1 / 6) * (7 / 6) ** np.arange(6), atol=1e-12)
    assert u[5] == pytest.approx(0.360232, abs=5e-7)
    assert u[6] == pytest.approx(0.253604, abs=5e-7)
    assert u[-1] == pytest.approx(2 / 7, abs=1e-6)


def test_gaps_of_one_two_three():
    """Renewal recursion (Feller, as above) with gaps 1, 2, 3 of chance .2, .3, .5; recomputed values."""
    hazard = np.array([0.2, 0.3 / 0.8, 1.0])
    pmf = resecure.renewal_count_pmf(hazard, 30)
    u = renewal_density(pmf)
    want = [0.2, 0.34, 0.628, 0.3276, 0.42392, 0.497064, 0.390389, 0.439157, 0.453480, 0.417637]
    np.testing.assert_allclose(u[:10], want, atol=5e-7)
    assert u.sum() == pytest.approx(12.818524, abs=5e-7)
    stationary = renewal_density(settled_counts(hazard, 30))
    np.testing.assert_allclose(stationary, 1 / 2.3, atol=1e-12)


def panjer_poisson(mean, severity, n):
    """Panjer's recursion for a compound Poisson (ASTIN Bulletin 1981;12:22), severities from 0."""
    f = np.zeros(n + 1)
    f[0] = np.exp(-mean * (1 - severity[0]))
    for s in range(1, n + 1):
        j = np.arange(1, min(s, len(severity) - 1) + 1)
        f[s] = mean / s * (j * severity[j] * f[s - j]).sum()
    return f


def test_redos_compound_as_panjers_recursion_says():
    """Attempts = Poisson events, each geometric: Polya-Aeppli with mean 2 and p = 1/2 (recomputed values); our
    redo table mixed over Poisson counts must give the same as the published recursion."""
    want = [0.135335, 0.135335, 0.135335, 0.124057, 0.107140, 0.088532, 0.070675, 0.054866]
    redo = resecure.attempts_given_events(0.5, 40, 80)
    got = stats.poisson(2).pmf(np.arange(41)) @ redo
    geometric = np.concatenate([[0.0], 0.5 ** np.arange(1, 61)])
    recursion = panjer_poisson(2, geometric, 20)
    np.testing.assert_allclose(got[:20], recursion[:20], atol=1e-9)
    np.testing.assert_allclose(got[:8], want, atol=6e-7)


def test_panjer_itself_gives_the_textbook_example():
    """Kaas et al., Modern Actuarial Risk Theory (from memory, recomputed): Poisson(4), claims 1, 2, 3 with
    1/4, 1/2, 1/4; mean 8, variance 18, 95 % point 16, 99 % point 20. Guards the reference used above."""
    f = panjer_poisson(4, np.array([0, 0.25, 0.5, 0.25]), 80)
    want = [
        0.018316,
        0.018316,
        0.045789,
        0.058000,
        0.074026,
        0.088678,
        0.093130,
        0.095703,
        0.091782,
        0.083776,
        0.073801,
    ]
    np.testing.assert_allclose(f[:11], want, atol=6e-7)
    x = np.arange(81)
    assert f @ x == pytest.approx(8)
    assert f @ x**2 - (f @ x) ** 2 == pytest.approx(18)
    assert np.searchsorted(np.cumsum(f), 0.95) == 16
    assert np.searchsorted(np.cumsum(f), 0.99) == 20


def test_gamma_frailty_on_rare_events_is_the_negative_binomial():
    """A gamma-mixed Poisson is negative binomial (Greenwood & Yule 1920): k = 2, mean 4 has pmf .111111 .148148
    .148148 .131687 .109739 and quantiles 9, 11, 15 (recomputed). With many checks of a tiny flat hazard the
    count of one airway must approach it."""
    n, mean = 4000, 4.0
    nodes, weights = resecure.frailty_nodes(np.sqrt(0.5), 12)
    mixed = weights @ np.stack(
        [stats.binom(n, -np.expm1(-node * mean / n)).pmf(np.arange(40)) for node in nodes]
    )
    np.testing.assert_allclose(mixed[:5], [0.111111, 0.148148, 0.148148, 0.131687, 0.109739], atol=2e-3)
    short = np.stack(
        [
            resecure.renewal_count_pmf(np.full(64, -np.expm1(-node * mean / 64)), 64)[64]
            for node in nodes
        ]
    )
    exact = weights @ np.stack(
        [stats.binom(64, -np.expm1(-node * mean / 64)).pmf(np.arange(65)) for node in nodes]
    )
    np.testing.assert_allclose(weights @ short, exact, atol=1e-10)
    cdf = np.cumsum(mixed)
    assert [int(np.searchsorted(cdf, q)) for q in (0.9, 0.95, 0.99)] == [9, 11, 15]


def test_splitmix64_gives_its_published_first_outputs():
    """First outputs of SplitMix64 from seed 0 (Steele, Lea & Flood 2014; values from memory, recomputed by a
    plain integer implementation in this test)."""
    mask = (1 << 64) - 1

    def plain(z):
        z = (z + 0x9E3779B97F4A7C15) & mask
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & mask
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & mask
        return z ^ (z >> 31)

    assert plain(0) == 0xE220A8397B1DCDAF
    states = [0, 1, 12345, mask]
    with np.errstate(over="ignore"):
        assert [int(v) for v in _mix(np.array(states, dtype=np.uint64))] == [plain(s) for s in states]
