"""The readiness-cost frontier: what each further point of readiness costs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from kitplan.demand.values import Demand
from kitplan.parts.par.instance import ParInstance
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.verify import joint_readiness


def trace_frontier(instance: ParInstance, verify: Demand) -> pd.DataFrame:
    """Return readiness, value and litres of nearly cheapest plans for the policy's targets, cheapest first.

    One descent from full cover passes all targets, so dearer plans hold at least as much of everything and
    verified readiness rises with value. Limits are left out: the curve also shows what lies beyond them.
    Readiness is verified, not planned; the plans are stepped down, not proven (see `descent`).
    """
    targets = sorted(instance.unit.planning.frontier)
    if not targets:
        return pd.DataFrame({"readiness": [], "value": [], "litres": []}, dtype=float)
    requirements = [instance.required(target) for target in targets]
    lower = np.maximum(own_quantiles(instance.packs, requirements[0]), instance.floor)
    path = descend(collapse(instance.packs, lower), instance.cost, requirements[0])
    units = instance.units_of(verify)
    rows = []
    for required in requirements:
        par = path.cheapest_with(required)
        assert par is not None
        ready = joint_readiness(units, par * instance.pack)
        rows.append((ready, float(instance.price @ par), float(instance.litres @ par)))
    return pd.DataFrame(rows, columns=["readiness", "value", "litres"]).drop_duplicates(ignore_index=True)
