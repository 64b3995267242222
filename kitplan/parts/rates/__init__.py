"""How often securements are renewed, learnt from the unit's log."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.demand.estimate import Learnt
    from kitplan.parts.work import Work


def learnt_rates(work: Work) -> Learnt:
    """What the unit's log teaches; where nothing, the rates that the plan rests on, and on what they rest."""
    from dataclasses import replace

    import numpy as np

    from kitplan.demand.best_knowledge import said_of_rate, what_the_log_says
    from kitplan.demand.resecure import long_run_rates

    learnt, unit = what_the_log_says(work.unit), work.unit
    if learnt.used:
        return learnt
    rate, said = long_run_rates(unit)["re_secures_per_day"].to_numpy(float), said_of_rate(unit)
    ratio = np.ones((1, 1)) if unit.doubt.rate_ratio is None else unit.doubt.rate_ratio
    low, high = np.quantile(ratio, [0.025, 0.975], axis=0) * rate
    rates = learnt.rates.assign(rate_per_day=rate, low=low, high=high, because=said.removeprefix("How often: "))
    return replace(learnt, rates=rates, notes=(*learnt.notes, said))


PART = Part(
    "rates", "Rates learnt from the log", "kitplan.demand.estimate:Learnt", "kitplan.parts.rates:learnt_rates",
    lacks=lambda unit: None if unit.log is not None else "no resecure_log.csv, and no sheet resecure_log",
    warns=lambda learnt: learnt.warnings,
)
