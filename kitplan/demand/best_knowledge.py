"""The best that a unit's folder knows about how often: its log before a learnt block, that before the shipped guess."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from kitplan.demand.estimate import Learnt, learn
from kitplan.demand.posterior import DRAWS
from kitplan.demand.resecure import hazard_factors, long_run_rates
from kitplan.read.values import Unit


def with_best_knowledge(unit: Unit) -> Unit:
    """Return the unit with what its log teaches in place of the guess.

    The log is left alone where the unit states hazards of its own, or says learn = false.
    """
    if not unit.doubt.learn or unit.doubt.rate_ratio is not None:
        return unit
    if unit.log is None or (learnt := what_the_log_says(unit)).pooled is None:
        return _with_use(unit)
    rng = np.random.default_rng([unit.planning.seed, 41])
    ratio = learnt.pooled.draw(DRAWS, rng) / learnt.pooled.mean
    return replace(unit, frequency=learnt.frequency(unit), doubt=replace(unit.doubt, rate_ratio=ratio))


def _with_use(unit: Unit) -> Unit:
    """The unit with the rate that the counts of its order book teach, where nothing better is known."""
    use = unit.doubt.use_rate
    if use is None or unit.doubt.rate_range is None:
        return unit
    rates = long_run_rates(unit)["re_secures_per_day"].to_numpy(float)
    ratio = np.full((1, unit.n_strata), np.exp(use.log_mean) / rates.mean())
    factor = hazard_factors(unit, ratio)[0]
    hazards = ["soiled_per_day", "skin_per_day", "moved_per_day", "changed_per_day"]
    frequency = unit.frequency.copy()
    frequency[hazards] = frequency[hazards].mul(factor, axis=0)
    frequency["loosening_scale_hours"] *= factor ** (-1.0 / frequency["loosening_shape"].to_numpy(float))
    draws = np.exp(use.log_sd * np.random.default_rng([unit.planning.seed, 43]).standard_normal((DRAWS, 1)))
    doubt = replace(unit.doubt, rate_ratio=draws * np.ones((1, unit.n_strata)))
    return replace(unit, frequency=frequency, doubt=doubt)


def what_the_log_says(unit: Unit) -> Learnt:
    """What the log teaches, worked out once: the same for a unit as read and as planned with what was learnt."""
    return _learn(_Log(unit))


class _Log:
    """A unit as what is learnt from its log sees it: the first one asked about stands for all with that log."""

    def __init__(self, unit: Unit) -> None:
        self.unit = unit

    def __hash__(self) -> int:
        return hash((id(self.unit.log), id(self.unit.census)))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Log) and self.unit.log is other.unit.log and self.unit.census is other.unit.census


@lru_cache(maxsize=4)
def _learn(log: _Log) -> Learnt:
    return learn(log.unit)


def said_of_rate(unit: Unit) -> str:
    """One sentence: where the re-secure rate comes from, and how sure it is."""
    doubt, one, acts = unit.doubt, unit.words.one, unit.words.acts
    if doubt.rate_ratio is not None and unit.log is None and doubt.use_rate is not None:
        low, middle, high = np.exp(doubt.use_rate.log_mean + doubt.use_rate.log_sd * np.array([-1.645, 0.0, 1.645]))
        return (f"How often: learnt from {doubt.use_rate.days} days of counts, {middle:.2f} {acts} for each {one} a "
                f"day ({low:.2f} to {high:.2f}).")
    if doubt.rate_ratio is not None:
        low, high = np.quantile(doubt.rate_ratio.mean(axis=1), [0.05, 0.95])
        return f"How often: learnt from the unit's own log, sure to {low - 1:+.0%} and {high - 1:+.0%}."
    if doubt.rate_range is None:
        return "How often: the unit's own numbers, taken as known."
    low, high = doubt.rate_range
    own = "the range that the unit gives" if not _shipped(unit) else "the shipped guess"
    return f"How often: {own}, {low:g} to {high:g} {acts} for each {one} a day. A log of three months would tell."


def _shipped(unit: Unit) -> bool:
    return any(a.name == "rate_range" and not a.source.startswith("this unit") for a in unit.assumptions)
