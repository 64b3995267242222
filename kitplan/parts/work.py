"""What the parts of one plan share while it is being made."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from kitplan.demand.item_choice import AttemptTables
from kitplan.demand.scenarios import draw_demand
from kitplan.demand.values import Demand, ItemChoice
from kitplan.parts.results import Results
from kitplan.read.values import Unit

if TYPE_CHECKING:
    from kitplan.parts.kits.model import KitDesigns

Progress = Callable[[str], None]


@dataclass(frozen=True)
class Work(Results):
    """What a part is given: the unit, the seed that is used everywhere, and the results of the parts it needs.

    tables: chances of re-secures. item_choice: item that serves each role. designs: kits, None where the unit has none.
    drawn: demand drawn so far, shared by the parts.
    """

    unit: Unit
    seed: int
    tables: AttemptTables
    item_choice: ItemChoice
    tell: Progress
    designs: KitDesigns | None = None
    drawn: dict[tuple[int, str, float], Demand] = field(default_factory=dict)
    results: Mapping[str, object] = field(default_factory=dict)
    skipped: Mapping[str, str] = field(default_factory=dict)

    def draw(self, n_scenarios: int, stream: str, days: float | None = None) -> Demand:
        """Demand of one interval (default: the protection interval) from a named stream; drawn once, then kept."""
        days = self.unit.stock.protection_interval_days if days is None else days
        key = n_scenarios, stream, days
        if key not in self.drawn:
            demand = draw_demand(self.unit, self.item_choice, days, n_scenarios, self.seed, stream, self.tables)
            self.drawn[key] = self._with_kits(demand)
        return self.drawn[key]

    def demand(self, stream: str) -> Demand:
        """Demand of one protection interval that par levels are planned on ("plan") or verified on ("verify")."""
        policy = self.unit.planning
        return self.draw(policy.verify_scenarios if stream == "verify" else policy.scenarios, stream)

    def only(self, parts: Iterable[str]) -> Work:
        """The same work with the results of these parts and no others."""
        return replace(self, results={name: self.results[name] for name in parts if name in self.results})

    def with_items(self, unit: Unit, item_choice: ItemChoice) -> Work:
        """The same work with another choice of items; its demand is drawn anew."""
        return replace(self, unit=unit, item_choice=item_choice, drawn={})

    def _with_kits(self, demand: Demand) -> Demand:
        """What is left in ended kits added, where the unit's par levels are to supply it (bedside.kits_in_par)."""
        if self.designs is None or not self.unit.bedside.kits_in_par:
            return demand
        from kitplan.parts.kits.accounts import with_leftovers

        return with_leftovers(self.unit, self.designs.traffic(self.unit), demand)
