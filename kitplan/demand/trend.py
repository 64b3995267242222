"""Events by week against what was to be expected: how unevenly they come, and whether the rate has moved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from kitplan.demand.observed import Observation

TREND_DAYS = 56


@dataclass(frozen=True)
class Trend:
    """Rate of the last eight weeks over the rate before, like strata with like; ratio NaN when the history is short."""

    ratio: float
    low: float
    high: float
    sentence: str
    warns: bool


def _block_counts(observation: Observation, rate: np.ndarray, days: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Observed and expected events of whole blocks, counted back from the last day watched (0 is the last), by stratum:
    (block numbers, (n, G), (n, G)).
    """
    n_days, n_strata = observation.daily.shape
    number = np.maximum((int(np.ceil(observation.windows[-1, 1])) - 1 - np.arange(n_days)) // days, -1)
    use = number >= 0
    blocks = np.nonzero(np.bincount(number[use], minlength=1) == days)[0]
    expected = np.zeros((int(number.max(initial=0)) + 1, n_strata))
    np.add.at(expected, number[use], (np.nan_to_num(observation.daily) * observation.share[:, None] * rate)[use])
    observed = np.zeros_like(expected)
    day = np.minimum(observation.events["day"].to_numpy(int), len(number) - 1)
    inside = number[day] >= 0
    np.add.at(observed, (number[day][inside], observation.events["stratum"].to_numpy(int)[inside]), 1)
    return blocks, observed[blocks], expected[blocks]


def fortnightly_dispersion(observation: Observation, rate: np.ndarray) -> float:
    """Variance over mean of fortnightly counts by stratum: Pearson's statistic over its degrees of freedom."""
    _, observed, expected = _block_counts(observation, rate, 14)
    use = expected > 0.5
    if use.sum() < 8:
        return 1.3
    freedom = max(use.sum() - use.any(axis=0).sum(), 1)
    return float(np.clip(((observed - expected)[use] ** 2 / expected[use]).sum() / freedom, 0.7, 6.0))


def find_trend(observation: Observation, rate: np.ndarray) -> Trend:
    """Has the rate moved in the last eight weeks? Negative binomial regression of weekly counts.

    Each week's expectation is its airway-days by stratum at the pooled rates, so that more airways or another mix
    are no trend. Warns where the 99 % interval of the ratio leaves out 1 and the change is at least a tenth.
    """
    from kitplan.demand.counts import fit_negative_binomial

    blocks, observed, expected = _block_counts(observation, rate, 7)
    weeks = TREND_DAYS // 7
    total, mean = observed.sum(axis=1), expected.sum(axis=1)
    use = mean > 0
    recent = (blocks < weeks)[use]
    if recent.sum() < weeks - 2 or (~recent).sum() < weeks or total[use].sum() < 40:
        return Trend(np.nan, np.nan, np.nan, "The history is too short to look for a trend.", False)
    design = np.column_stack([np.ones(use.sum()), recent.astype(float)])
    fit = fit_negative_binomial(total[use], design, mean[use])
    step, error = float(fit.coefficients[1]), float(fit.standard_errors[1])
    ratio, low, high = (float(np.exp(step + z * error)) for z in (0, -1.96, 1.96))
    moved = abs(step) > 2.576 * error and abs(ratio - 1) >= 0.1
    change = f"{100 * abs(ratio - 1):.0f} % {'above' if ratio > 1 else 'below'}"
    sentence = (
        f"The re-secure rate of the last eight weeks is {change} the rate before (95 % interval of the "
        f"ratio {low:.2f} to {high:.2f})"
        + (": find out why before planning on the whole history." if moved else ", no clear change.")
    )
    return Trend(ratio, low, high, sentence, moved)
