"""Today's par levels on trial."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part
from kitplan.parts.par import solved

if TYPE_CHECKING:
    from kitplan.parts.audit.model import Audit
    from kitplan.parts.work import Work
    from kitplan.read.values import Unit


def _run(work: Work) -> Audit:
    from kitplan.demand.held import as_held, holds_other_items
    from kitplan.demand.item_choice import fill_roles
    from kitplan.parts.audit.model import audit_par, say_swaps

    shelf, planned, notes = work, work.par, list[str]()
    par = planned
    if holds_other_items(work.unit, work.item_choice):
        held = as_held(work.unit)
        shelf = work.with_items(held, fill_roles(held, work.tables))
        par = solved(shelf, frontier=False)
        notes = say_swaps(work.unit, work.item_choice, shelf.item_choice, planned, par)
    return audit_par(shelf.unit, shelf.demand("plan"), shelf.demand("verify"), par, planned.frontier, notes)


def _lacks(unit: Unit) -> str | None:
    return None if unit.present_par is not None else "no present_par.csv"


PART = Part(
    "audit", "Audit of today's par levels", "kitplan.parts.audit.model:Audit", _run, needs=("par",), lacks=_lacks,
)
