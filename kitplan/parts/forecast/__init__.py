"""Months ahead, and why past months cost what they did."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.parts.forecast.model import ManagerView
    from kitplan.parts.work import Work


def _run(work: Work) -> ManagerView:
    from kitplan.demand.estimate import learn
    from kitplan.parts.forecast.model import look_ahead

    learnt = work.rates if "rates" in work.parts else learn(work.unit)
    return look_ahead(work.unit, work.seed, learnt, work.item_choice)


PART = Part(
    "forecast", "Months ahead, and why past months cost what they did", "kitplan.parts.forecast.model:ManagerView",
    _run, needs=("rates",),
)
