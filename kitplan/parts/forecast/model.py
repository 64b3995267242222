"""What a manager asks each month: how much next, how sure, and why the last months cost what they did."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from kitplan.brief import Brief
from kitplan.demand.best_knowledge import what_the_log_says
from kitplan.parts.forecast.budget import BudgetYear, budget_year
from kitplan.parts.forecast.months_ahead import Forecast, forecast_and_sampled
from kitplan.parts.forecast.variance import Variance, explain_past
from kitplan.parts.work import Work


@dataclass(frozen=True, repr=False)
class ManagerView(Brief):
    """The months ahead, the past months explained (None where the unit keeps no stock issues), and the budget year
    (None where the unit gives none).
    """

    forecast: Forecast
    variance: Variance | None
    budget: BudgetYear | None

    def tables(self) -> dict[str, pd.DataFrame]:
        others = [part.tables() for part in (self.variance, self.budget) if part is not None]
        return {name: frame for tables in (self.forecast.tables(), *others) for name, frame in tables.items()}

    def sentences(self) -> list[str]:
        """What to say first: the budget year, the money, the change, what drives it, what is unexplained."""
        return [*(self.budget.sentences if self.budget else ()), *self.forecast.sentences,
                *(self.variance.sentences if self.variance else ())]

    def notes(self) -> list[str]:
        """What was left out or assumed."""
        return [*self.forecast.notes, *(self.variance.notes if self.variance else ())]


def look_ahead(work: Work) -> ManagerView:
    """Forecast, and explain the past where issues are there."""
    unit, learnt = work.unit, what_the_log_says(work.unit)
    forecast, sampled = forecast_and_sampled(unit, work.seed, learnt, item_choice=work.item_choice)
    variance = (
        explain_past(unit, learnt, forecast.model) if unit.issues is not None and len(unit.issues) else None
    )
    year = budget_year(unit, sampled)
    if year is None and unit.budget:
        said = (f"Budget year from {unit.budget.start}: its months are neither known nor near enough to be forecast. "
                "Correct start under [budget].")
        forecast = replace(forecast, notes=(said, *forecast.notes))
    return ManagerView(forecast, variance, year)
