"""Months ahead, and why past months cost what they did."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.parts.forecast.model import ManagerView
    from kitplan.parts.work import Work


def _run(work: Work) -> ManagerView:
    from kitplan.demand.best_knowledge import what_the_log_says
    from kitplan.parts.forecast.model import look_ahead

    return look_ahead(work.unit, work.seed, what_the_log_says(work.unit), work.item_choice)


PART = Part(
    "forecast", "Months ahead, and why past months cost what they did", "kitplan.parts.forecast.model:ManagerView",
    _run, alone=True,
)
