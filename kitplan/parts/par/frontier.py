"""The readiness-cost frontier: what each further point of readiness costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from kitplan.parts.par.instance import Candidate, ParInstance
from kitplan.solve.collapse import own_quantiles
from kitplan.solve.par_program import cheapest
from kitplan.solve.verify import joint_readiness

FRONTIER_GAP = 0.01
"""How far above the least mean value a plan of the frontier may lie, as a share: a curve is read by the eye."""

MOST_NEEDS = 3_000
"""Needs above the lower bound in the program of one point, about. Its readiness is verified, so part of the scenarios
does: at the same verified readiness such points cost at most 0.8 % more (two units, tests/bench/README.md)."""
LEAST_SCENARIOS = 500
"""Scenarios that a point is planned on at least, where there are as many."""

_LOOKED_AT = 10
"""One in so many scenarios tells how many needs there are."""

COLUMNS = ["target", "readiness", "mean_value", "value", "litres"]


def trace_frontier(instance: ParInstance, candidate: Candidate, swept: bool) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Plans for the policy's targets, cheapest first, or for the candidate alone where nothing is swept: COLUMNS, and
    target, item, par_units of every plan.

    Each plan is within FRONTIER_GAP of the least mean value that reaches its target on the scenarios it is planned on
    (`few`), or as near as steps down from the relaxation come (2.5 % at most in 24 generated units, 1 % and less in 19
    of them); readiness is verified on others. Limits are left out: the curve also shows what lies beyond them.
    """
    if not swept:
        return _frontier(instance, candidate, [(candidate.asked, candidate.levels)])
    plans, least = [], np.inf
    for target in sorted(instance.unit.planning.frontier, reverse=True):
        part = few(instance, target)
        found = cheapest(
            part.needs, part.cost, part.required(target), part.floor, FRONTIER_GAP, part.time_limit, search=False
        )
        # A plan for more readiness that costs no more, within the gap, serves the lower target as well.
        if found.par is not None and float(instance.cost @ found.par) < least:
            least = float(instance.cost @ found.par)
            plans.append((target, instance.levels(found.par)))
    return _frontier(instance, candidate, plans[::-1])


def few(instance: ParInstance, target: float) -> ParInstance:
    """What one point of the curve is planned on: every n-th scenario where all would ask for a large program."""
    some = instance.needs[::_LOOKED_AT]
    low = np.maximum(own_quantiles(some, max(int(target * len(some)), 1)), instance.floor)
    step = _LOOKED_AT * int(np.count_nonzero(some > low)) // MOST_NEEDS + 1
    return replace(instance, needs=instance.needs[:: min(step, max(len(instance.needs) // LEAST_SCENARIOS, 1))])


def _frontier(instance: ParInstance, candidate: Candidate, plans: list[tuple[float, np.ndarray]]
              ) -> tuple[pd.DataFrame, pd.DataFrame]:
    rows = [(target, joint_readiness(candidate.checked.needs, levels), instance.mean_value(levels),
             instance.largest_value(levels), instance.largest_litres(levels)) for target, levels in plans]
    items = instance.unit.items["item"].to_numpy()[instance.order]
    held = [(target, item, int(level)) for target, levels in plans for item, level in zip(items, levels)]
    return pd.DataFrame(rows, columns=COLUMNS), pd.DataFrame(held, columns=["target", "item", "par_units"])
