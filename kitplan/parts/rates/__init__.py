"""How often securements are renewed, learnt from the unit's log."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.demand.estimate import Learnt
    from kitplan.parts.work import Work


def learnt_rates(work: Work) -> Learnt:
    """What the unit's log teaches."""
    from kitplan.demand.best_knowledge import what_the_log_says

    return what_the_log_says(work.unit)


PART = Part(
    "rates", "Rates learnt from the log", "kitplan.demand.estimate:Learnt", "kitplan.parts.rates:learnt_rates",
    lacks=lambda unit: None if unit.log is not None else "no resecure_log.csv", warns=lambda learnt: learnt.warnings,
)
