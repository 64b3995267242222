"""What the parts of one plan share while it is being made."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

from kitplan.demand.item_choice import AttemptTables, attempt_tables, fill_roles
from kitplan.demand.scenarios import draw_demand, with_other_items
from kitplan.demand.values import Demand, ItemChoice
from kitplan.parts.results import Results
from kitplan.read.values import Unit

if TYPE_CHECKING:
    from kitplan.parts.kits.model import KitDesigns

Progress = Callable[[str], None]


class Basis:
    """What a unit's plan rests on before any part runs, each worked out when it is first asked for.

    kits_trouble: why the unit has no kit designs, "" where it has.
    """

    def __init__(self, unit: Unit, tell: Progress) -> None:
        self.unit, self.tell = unit, tell
        self.kits_trouble = ""

    @cached_property
    def tables(self) -> AttemptTables:
        """Exact chances of the number of re-secures."""
        self.tell("How often: exact re-secure counts")
        return attempt_tables(self.unit)

    @cached_property
    def designs(self) -> KitDesigns | None:
        """The kit designs: what lies in the kits is what the stock room has to carry."""
        from kitplan.parts.kits.model import design_kits
        from kitplan.read.problems import UnsafePlan

        self.tell("Bedside kits: items and designs")
        try:
            return design_kits(self.unit, self.tables, self.cheapest)
        except UnsafePlan as error:
            self.kits_trouble = str(error)
            return None

    @cached_property
    def cheapest(self) -> ItemChoice:
        """The cheapest item for each role, kits not looked at."""
        return fill_roles(self.unit, self.tables)

    @cached_property
    def item_choice(self) -> ItemChoice:
        """The item that serves each role: the kits' where there are designs."""
        return self.designs.item_choice if self.designs else self.cheapest


@dataclass(frozen=True)
class Work(Results):
    """What a part is given: the unit, the seed that is used everywhere, and the results of the parts it needs.

    item_choice: item that serves each role. drawn: demand drawn so far, shared by the parts. kept: gives the scenarios
    that were kept with a saved plan. like: the work of the same unit with other items.
    """

    unit: Unit
    seed: int
    basis: Basis
    item_choice: ItemChoice
    kept: Callable[[str], Demand] | None = None
    drawn: dict[tuple[int, str, float], Demand] = field(default_factory=dict)
    results: Mapping[str, object] = field(default_factory=dict)
    skipped: Mapping[str, str] = field(default_factory=dict)
    like: Work | None = None

    @property
    def tables(self) -> AttemptTables:
        """Exact chances of the number of re-secures."""
        return self.basis.tables

    @property
    def designs(self) -> KitDesigns | None:
        """The kit designs, None where the unit has none."""
        return self.basis.designs

    def draw(self, n_scenarios: int, stream: str, days: float | None = None) -> Demand:
        """Demand of one interval (default: the protection interval) from a named stream; drawn once, then kept."""
        days = self.unit.stock.protection_interval_days if days is None else days
        key = n_scenarios, stream, days
        if key not in self.drawn:
            demand = draw_demand(self.unit, self.item_choice, days, n_scenarios, self.seed, stream, self.tables,
                                 by_day=self.unit.bedside.kits_from_shelf)
            self.drawn[key] = self._with_kits(demand)
        return self.drawn[key]

    def _as_like(self, stream: str) -> Demand | None:
        """The demand of the work with other items, with these in their place; None where it has to be drawn anew."""
        bedside = self.unit.bedside
        if self.like is None or bedside.kits_in_par or bedside.kits_from_shelf:
            return None
        demand, before = self.like.demand(stream), self.like.item_choice
        return with_other_items(self.unit, demand, before, self.item_choice, self.tables)

    def demand(self, stream: str) -> Demand:
        """Demand of one protection interval that par levels are planned on ("plan") or verified on ("verify")."""
        if self.kept is not None:
            return self.kept(stream)
        n_scenarios, days = self.unit.planning.scenarios_of(stream), self.unit.stock.protection_interval_days
        key = n_scenarios, stream, days
        if key not in self.drawn and (found := self._as_like(stream)) is not None:
            self.drawn[key] = found
        return self.draw(n_scenarios, stream)

    def only(self, parts: Iterable[str]) -> Work:
        """The same work with the results of these parts and no others."""
        return replace(self, results={name: self.results[name] for name in parts if name in self.results})

    def with_items(self, unit: Unit, item_choice: ItemChoice) -> Work:
        """The same work with another choice of items."""
        return replace(self, unit=unit, item_choice=item_choice, kept=None, drawn={}, like=self)

    def _with_kits(self, demand: Demand) -> Demand:
        """What kits take beside use, where the unit's par levels are to supply it: all that is left in ended kits
        (bedside.kits_in_par), or the highest draw while kits in use come and go (bedside.kits_from_shelf).
        """
        bedside = self.unit.bedside
        if not (bedside.kits_in_par or bedside.kits_from_shelf) or self.designs is None:
            return demand
        from kitplan.parts.kits.accounts import with_kits_in_use, with_leftovers

        traffic = self.designs.traffic(self.unit)
        if bedside.kits_in_par:
            return with_leftovers(self.unit, traffic, demand)
        return with_kits_in_use(traffic, demand)
