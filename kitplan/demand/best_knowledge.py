"""The best that a unit's folder knows about how often: its log before a learnt block, that before the shipped guess."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from kitplan.demand.estimate import Learnt, learn
from kitplan.demand.posterior import DRAWS
from kitplan.read.values import Unit


def with_best_knowledge(unit: Unit) -> Unit:
    """Return the unit with what its log teaches in place of the guess.

    The log is left alone where the unit states hazards of its own, or says learn = false.
    """
    if unit.log is None or not unit.doubt.learn or unit.doubt.rate_ratio is not None:
        return unit
    learnt = what_the_log_says(unit)
    if learnt.pooled is None:
        return unit
    rng = np.random.default_rng([unit.planning.seed, 41])
    ratio = learnt.pooled.draw(DRAWS, rng) / learnt.pooled.mean
    return replace(unit, frequency=learnt.frequency(unit), doubt=replace(unit.doubt, rate_ratio=ratio))


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
    doubt = unit.doubt
    if doubt.rate_ratio is not None:
        low, high = np.quantile(doubt.rate_ratio.mean(axis=1), [0.05, 0.95])
        return f"How often: learnt from the unit's own log, sure to {low - 1:+.0%} and {high - 1:+.0%}."
    if doubt.rate_range is None:
        return "How often: the unit's own numbers, taken as known."
    low, high = doubt.rate_range
    own = "the range that the unit gives" if not _shipped(unit) else "the shipped guess"
    return f"How often: {own}, {low:g} to {high:g} re-secures of an airway a day. A log of three months would tell."


def _shipped(unit: Unit) -> bool:
    return any(a.name == "rate_range" and not a.source.startswith("this unit") for a in unit.assumptions)
