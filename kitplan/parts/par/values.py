"""What the part of par levels hands on."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from kitplan.brief import Brief
from kitplan.solve.values import SolverReport


@dataclass(frozen=True)
class Readiness:
    """Chance that nothing runs short from one count until the order of the next count arrives.

    planned: on the scenarios that the plan was made on; verified: on others, with other draws of what is not known.
    low, high: 5 % and 95 % point of readiness over the units that the history could have come from.
    known: nothing is open but chance; low and high are then the 95 % interval of the scenarios counted.
    """

    target: float
    planned: float
    verified: float
    low: float
    high: float
    verify_scenarios: int
    known: bool = False

    def how_sure(self) -> str:
        """How far readiness may lie from `verified`, in the words that stand everywhere."""
        if self.known:
            return f"nothing is open but chance, counted on {self.verify_scenarios:,} scenarios not planned on"
        high = "nearly 100 %" if self.high >= 0.9995 else f"{100 * self.high:.1f} %"
        units = "in 9 of 10 of the units that this history could have come from"
        return f"between {100 * self.low:.1f} % and {high} {units}"


@dataclass(frozen=True)
class StandingPar:
    """The par levels that the unit holds today, judged on the same scenarios as the plan."""

    readiness: Readiness
    value: float
    mean_value: float
    litres: float


@dataclass(frozen=True, repr=False)
class ParPlan(Brief):
    """Par levels and how good they are.

    levels: one row an item in catalogue order; columns item, description, role, par_packs, par_units, pack,
        expected_units, shortage_chance, value, litres, floor_packs, largest_units, mean_value, because (see
        config/columns.csv par_levels). par_units is the level under which one orders and up to which one orders.
    value, litres: of the most that ordering in whole packs can bring, which the limits hold for. mean_value: money on
        the shelf and on order right after ordering, on the mean: what the program makes least.
    frontier: target, readiness (verified), mean_value, value, litres of each swept plan, cheapest first.
    frontier_levels: target, item, par_units of each swept plan.
    prices: what one more unit of a limit buys: columns limit, price, sentence.
    answer: "met"; "limited" when the target could not be reached or confirmed and the best found is shown; "unsafe"
        when emergency equipment alone exceeds a limit: levels then hold that equipment, whatever the limit says.
    present: where the unit's own par levels of today stand, None if it gave none.
    binding: sentences saying which limits bind and by how much ("needs 38 L more shelf, or readiness 96.1 %").
    """

    levels: pd.DataFrame
    readiness: Readiness
    value: float
    mean_value: float
    litres: float
    solver: SolverReport
    frontier: pd.DataFrame
    prices: pd.DataFrame
    answer: str = "met"
    binding: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default_factory=tuple)
    present: StandingPar | None = None
    frontier_levels: pd.DataFrame = field(default_factory=pd.DataFrame)

    def tables(self) -> dict[str, pd.DataFrame]:
        frames = {"par_levels": self.levels, "frontier": self.frontier, "limit_prices": self.prices}
        return frames | ({"frontier_levels": self.frontier_levels} if len(self.frontier_levels) else {})
