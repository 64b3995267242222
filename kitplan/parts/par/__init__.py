"""Par levels: the cheapest stock whose joint readiness holds."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.parts.par.values import ParPlan
    from kitplan.parts.work import Work


def solved(work: Work, frontier: bool = True) -> ParPlan:
    """Par levels of a unit by its scenarios. frontier: with the curve of readiness and cost."""
    from kitplan.demand.fit import holds_other_items
    from kitplan.parts.par.model import solve_par

    par = solve_par(work.unit, work.demand("plan"), work.demand("verify"), frontier=frontier,
                    resample=work.draw)
    if holds_other_items(work.unit, work.item_choice):
        return replace(par, present=None)  # judged with the items held today, by the audit
    return par


PART = Part(
    "par", "Par levels: scenarios and program", "kitplan.parts.par.values:ParPlan",
    "kitplan.parts.par:solved", warns=lambda par: par.binding,
)
