"""How often securements are renewed, learnt from the unit's log."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.demand.estimate import Learnt
    from kitplan.parts.work import Work
    from kitplan.read.values import Unit


def _run(work: Work) -> Learnt:
    from kitplan.demand.best_knowledge import what_the_log_says

    return what_the_log_says(work.unit)


def _lacks(unit: Unit) -> str | None:
    return None if unit.log is not None else "no resecure_log.csv"


PART = Part(
    "rates", "Rates learnt from the log", "kitplan.demand.estimate:Learnt", _run, lacks=_lacks,
    warns=lambda learnt: learnt.warnings,
)
