"""The values the demand room hands on."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache, wraps
from typing import Any, TypeVar, cast

import numpy as np
import pandas as pd

from kitplan.brief import Brief
from kitplan.read.values import Unit

Looks = Callable[[Unit], tuple[tuple[object, ...], tuple[object, ...]]]
"""What a computation looks at of a unit: parts, and numbers."""
F = TypeVar("F", bound=Callable[..., Any])


class _Seen:
    """A unit as one computation sees it."""

    def __init__(self, unit: Unit, looks: Looks) -> None:
        self.unit, (self.parts, self.numbers) = unit, looks(unit)

    def __hash__(self) -> int:
        return hash((*map(id, self.parts), *self.numbers))

    def __eq__(self, other: Any) -> bool:
        return bool(self.numbers == other.numbers) and all(a is b for a, b in zip(self.parts, other.parts))


def kept(most: int, looks: Looks) -> Callable[[F], F]:
    """Keep what a function gives of the last units, `most` of them: with the very same parts and equal numbers two
    units are one to it. What is kept is not to be changed.
    """
    def keeping(of: F) -> F:
        @lru_cache(maxsize=most)
        @wraps(of)
        def made(seen: _Seen, *given: object) -> Any:
            return of(seen.unit, *given)

        @wraps(made)
        def asked(unit: Unit, *given: object) -> Any:
            return made(_Seen(unit, looks), *given)

        return cast(F, asked)
    return keeping


def paced(unit: Unit) -> tuple[tuple[object, ...], tuple[object, ...]]:
    """What re-secures hang on, whoever was counted in the unit."""
    return (unit.frequency,), (unit.checks_per_day, unit.planning.frailty_nodes)


@dataclass(frozen=True)
class Episodes:
    """Airways seen in some scenarios of one interval, as flat arrays of equal length (one entry an airway).

    scenario: int32, 0..n_scenarios-1, counted from the first of these. stratum: int16 index into Unit.strata.
    checks: int16, checks that fall into the interval while the airway is in place.
    prior_checks: int32, checks it had before the interval began (0 for a fresh one).
    fresh: bool, the airway arrived inside the interval (its securement starts at wear age 0).
    name: uint64, of airway and scenario, so that its random numbers do not depend on who else is there.
    start, stop: float32, days since the interval began (start below 0 for one already there; stop may lie beyond).
    draw, day_of_year: shape (n_scenarios,), the parameter draw behind each scenario, and when in the year it begins.
    """

    n_scenarios: int
    scenario: np.ndarray
    stratum: np.ndarray
    checks: np.ndarray
    prior_checks: np.ndarray
    fresh: np.ndarray
    name: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    draw: np.ndarray
    day_of_year: np.ndarray

    def cell(self, n_strata: int) -> np.ndarray:
        """Place of each airway's scenario and stratum in a flat (n_scenarios, n_strata)."""
        return self.scenario * np.int64(n_strata) + self.stratum

    def by_stratum(
        self, n_strata: int, mine: np.ndarray | None = None, weights: np.ndarray | None = None
    ) -> np.ndarray:
        """Airways (all, or those of bool `mine`), or the sum of their weights: shape (n_scenarios, n_strata)."""
        cell = self.cell(n_strata)
        if mine is not None:
            cell, weights = cell[mine], None if weights is None else weights[mine]
        return np.bincount(cell, weights, self.n_scenarios * n_strata).reshape(self.n_scenarios, n_strata)


@dataclass(frozen=True, eq=False)
class ItemChoice:
    """Which catalogue item serves which role of which stratum. Equal only to itself.

    frame columns: stratum, role, item, scope, need (use units per re-secure, or per airway for patient-scope
    roles that a recipe does not use up such as mask and bag), items_per_use (whole items one re-secure takes;
    event scope), uses_per_item (re-secures one item serves; patient and unit scope, NaN = one item an airway),
    share (part of the role's use, 1 for alternatives), cost_per_stay (money one stay costs in this item), because
    (one clause).
    opened: (stratum, item) -> int ndarray: items opened for one patient after 0, 1, 2, ... re-secures; only for
    patient-scope items that a recipe uses up (tape rolls, dressing sheets).
    """

    frame: pd.DataFrame
    opened: Mapping[tuple[int, str], np.ndarray] = field(default_factory=dict)

    @cached_property
    def serving(self) -> dict[tuple[int, str], list[str]]:
        """(stratum, role) -> names of its items. Not to be changed."""
        found: dict[tuple[int, str], list[str]] = {}
        for stratum, role, item in zip(*(self.frame[c].tolist() for c in ("stratum", "role", "item"))):
            found.setdefault((stratum, role), []).append(item)
        return found


@dataclass(frozen=True)
class DemandPath:
    """The interval day by day; the last entry is its end.

    units: int32, (n_scenarios, n_days, n_items), items used since the interval began. kits: int16, (n_scenarios,
    n_days, n_strata), airways in place at the end of the day less those at the beginning of the interval.
    """

    units: np.ndarray
    kits: np.ndarray


@dataclass(frozen=True, repr=False)
class Demand(Brief):
    """Units of each item that leave the stock room in one protection interval.

    items: item names, the columns of `units`, in catalogue order (items that no stratum uses are included with 0).
    units: ndarray int32, shape (n_scenarios, n_items), whole items (not packs).
    re_secures: ndarray int32, shape (n_scenarios, n_strata), attempts including redos and admission secures.
    days: length of the interval. seed, stream: where the draws came from.
    draw: int32, shape (n_scenarios,), the parameter draw behind each scenario (what is not known is drawn first).
    day_of_year: float32, shape (n_scenarios,), when in the year each interval begins (0 on 1 January).
    mean_by_draw: shape (n_draws, n_items), mean units under each parameter draw, by rates; beds left out.
    path: how units and kits in circulation move within the interval, where that was asked for.
    """

    items: tuple[str, ...]
    units: np.ndarray
    re_secures: np.ndarray
    days: float
    seed: int
    stream: str
    draw: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.int32))
    day_of_year: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.float32))
    mean_by_draw: np.ndarray = field(default_factory=lambda: np.zeros((0, 0)))
    path: DemandPath | None = None

    @property
    def n_scenarios(self) -> int:
        return self.units.shape[0]

    def part(self, rows: np.ndarray) -> Demand:
        return replace(
            self, units=self.units[rows], re_secures=self.re_secures[rows], draw=self.draw[rows],
            day_of_year=self.day_of_year[rows], path=None,
        )
