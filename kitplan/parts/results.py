"""The results of the parts under their own names and types, for a plan and for a plan in the making."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any, Generic, TypeVar, cast, overload

if TYPE_CHECKING:
    from pandas import DataFrame

    from kitplan.demand.estimate import Learnt
    from kitplan.parts.audit.model import Audit
    from kitplan.parts.compare.model import Comparison
    from kitplan.parts.doubt.model import Doubts
    from kitplan.parts.forecast.model import ManagerView
    from kitplan.parts.kits.model import KitPlan
    from kitplan.parts.orders.model import WeeklyRound
    from kitplan.parts.par.changes import Changes
    from kitplan.parts.par.values import ParPlan
    from kitplan.parts.seasons.model import Seasons
    from kitplan.parts.simulate.model import SimulationResult
    from kitplan.parts.training.model import TrainingPlan


R = TypeVar("R")
V = TypeVar("V")


class NotPlanned(LookupError):
    """A result was asked for that this plan does not have; the text says why."""


class Planned(Generic[R]):
    """A part's result as an attribute. Reading it raises NotPlanned where the part did not run."""

    def __init__(self, part: str) -> None:
        self.part = part

    @overload
    def __get__(self, holder: None, owner: type) -> Planned[R]: ...
    @overload
    def __get__(self, holder: Results, owner: type) -> R: ...
    def __get__(self, holder: Results | None, owner: type) -> Planned[R] | R:
        return self if holder is None else cast("R", holder.result(self.part))


class Results:
    """Results of parts by name. Each is handed out as a copy of its own: editing a frame edits nothing of the plan.

    results: name of a part -> its result. skipped: name -> why the part did not run.
    """

    results: Mapping[str, object]
    skipped: Mapping[str, str]

    par: Planned[ParPlan] = Planned("par")
    kits: Planned[KitPlan] = Planned("kits")
    audit: Planned[Audit] = Planned("audit")
    orders: Planned[WeeklyRound] = Planned("order")
    seasons: Planned[Seasons] = Planned("seasons")
    doubt: Planned[Doubts] = Planned("doubt")
    rates: Planned[Learnt] = Planned("rates")
    forecast: Planned[ManagerView] = Planned("forecast")
    training: Planned[TrainingPlan] = Planned("training")
    simulation: Planned[SimulationResult] = Planned("simulate")
    comparison: Planned[Comparison] = Planned("compare")
    changes: Planned[Changes] = Planned("changes")

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the parts that have a result."""
        return tuple(self.results)

    def result(self, part: str) -> object:
        """The result of a part by its name. Raises NotPlanned."""
        if part not in self.results:
            because = f": {self.skipped[part]}" if part in self.skipped else ""
            raise NotPlanned(f"the part {part!r} is not in this plan{because}")
        return own_copy(self.results[part])

    def tables_of(self, part: str) -> dict[str, DataFrame]:
        """The tables that a part writes, by file stem. Raises NotPlanned."""
        tables: dict[str, DataFrame] = cast("Any", self.result(part)).tables()
        return tables


def own_copy(value: V) -> V:
    """A value whose frames may be edited without editing the original's; arrays come write-locked."""
    import numpy as np
    import pandas as pd

    if isinstance(value, pd.DataFrame | pd.Series):
        return cast("V", value.copy(deep=False))  # pandas copies what is written to
    if isinstance(value, np.ndarray):
        view = value.view()
        view.flags.writeable = False
        return cast("V", view)
    if is_dataclass(value) and not isinstance(value, type):
        twin = copy(value)
        for field in fields(value):
            object.__setattr__(twin, field.name, own_copy(getattr(value, field.name)))
        return cast("V", twin)
    held: object = value
    if type(held) is tuple or type(held) is list:
        return cast("V", type(held)(own_copy(v) for v in held))
    if type(held) is dict:
        return cast("V", {k: own_copy(v) for k, v in held.items()})
    return value
