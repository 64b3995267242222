"""The readiness-cost frontier: what each further point of readiness costs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kitplan.demand.values import Demand
from kitplan.parts.par.question import Question
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.verify import joint_readiness


def trace_frontier(question: Question, verify: Demand) -> pd.DataFrame:
    """Return readiness, value and litres of nearly cheapest plans for the policy's targets, cheapest first.

    One descent from full cover passes all targets, so dearer plans hold at least as much of everything and
    verified readiness rises with value. Limits are left out: the curve also shows what lies beyond them.
    Readiness is verified, not planned; the plans are stepped down, not proven (see `descent`).
    """
    targets = sorted(question.unit.planning.frontier)
    if not targets:
        return pd.DataFrame({"readiness": [], "value": [], "litres": []}, dtype=float)
    needs = [question.need(target) for target in targets]
    lower = np.maximum(own_quantiles(question.packs, needs[0]), question.floor)
    path = descend(collapse(question.packs, lower), question.cost, needs[0])
    units = question.units_of(verify)
    rows = []
    for need in needs:
        par = path.cheapest_with(need)
        assert par is not None
        ready = joint_readiness(units, par * question.pack)
        rows.append((ready, float(question.price @ par), float(question.litres @ par)))
    return pd.DataFrame(rows, columns=["readiness", "value", "litres"]).drop_duplicates(ignore_index=True)
