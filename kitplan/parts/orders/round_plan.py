"""What the weekly round takes from a plan: one level an item, and the kits to have ready."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from kitplan.demand.scenarios import draw_days
from kitplan.demand.whole import whole_up
from kitplan.parts.kits.model import KitPlan
from kitplan.parts.work import Work
from kitplan.read.catalogue import marked, shelf_key
from kitplan.read.values import Unit


@dataclass(frozen=True)
class Level:
    """One item of the par list, in single items.

    level_units: s; a position under it is ordered for. urgent_units: what one lead time may need: with less and none on
    order, the item may run out before an order of today arrives. pack, price: of one pack, as in the plan. counted_as:
    the word for one of it. packs_only: only unopened packs are counted. floor_units: emergency equipment never fewer.
    """

    item: str
    description: str
    bin: str
    pack: int
    price: float
    level_units: int
    urgent_units: int
    use_per_day: float
    critical: bool
    gtin: str = ""
    counted_as: str = "piece"
    packs_only: bool = False
    floor_units: int = 0

    @property
    def named(self) -> str:
        """Its words on sheets and prints, EM before emergency equipment."""
        return marked(self.description or self.item, self.critical)

    @property
    def top_units(self) -> int:
        """The largest position that ordering can bring."""
        return self.level_units + self.pack - 1


@dataclass(frozen=True)
class RoundPlan:
    """The plan of a round. levels: in shelf order. designs: kit design -> item -> single items in one kit.

    builds: design -> kits to have ready. review_days, lead_days: between counts, and from order to shelf.
    """

    currency: str
    review_days: float
    lead_days: float
    levels: tuple[Level, ...]
    designs: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    builds: Mapping[str, int] = field(default_factory=dict)

    @cached_property
    def level(self) -> Mapping[str, Level]:
        return {level.item: level for level in self.levels}

    @property
    def protection_days(self) -> float:
        """Review plus lead time."""
        return self.review_days + self.lead_days

    def table(self) -> pd.DataFrame:
        """One row a level, as tables/order_points.csv has it."""
        names = {"level_units": "par_units", "urgent_units": "order_point_units"}
        columns = ("item", "description", "bin", "pack", *names, "use_per_day", "counted_as", "gtin")
        rows = [[getattr(level, c) for c in columns] for level in self.levels]
        return pd.DataFrame(rows, columns=[names.get(c, c) for c in columns])


@dataclass(frozen=True)
class Catalogue:
    """What the round must know of every item there is, as items.csv has it today."""

    pack: Mapping[str, int]
    price: Mapping[str, float]
    description: Mapping[str, str]
    bin: Mapping[str, str]
    critical: frozenset[str]


def catalogue_of(unit: Unit) -> Catalogue:
    items = unit.items
    names = [str(i) for i in items["item"]]
    return Catalogue(
        dict(zip(names, items["pack"].astype(int).tolist())), dict(zip(names, items["price"].astype(float).tolist())),
        dict(zip(names, items["description"].astype(str))), dict(zip(names, items["bin"].astype(str))),
        frozenset(n for n, c in zip(names, items["critical"]) if c),
    )


def order_point(units: np.ndarray, readiness: float) -> np.ndarray:
    """Smallest q with P(D <= q) >= readiness, item by item.

    units: int, shape (n_scenarios, n_items), units that leave the shelf in one lead time.
    """
    rank = whole_up(readiness * len(units)) - 1
    return np.sort(units, axis=0)[max(rank, 0)]


def make_round_plan(work: Work) -> RoundPlan:
    """The levels of a plan with what one lead time may need, and its kits."""
    unit, lead = work.unit, work.unit.stock.lead_days
    need = np.zeros(len(unit.items))
    if lead > 0:
        days = draw_days(unit, work.item_choice, work.seed)
        need = order_point(days.units(work.item_choice, [lead])[0], unit.stock.readiness)
    kits = work.kits if "kits" in work.results else None
    return round_plan_of(unit, work.par.levels, need, kits)


def round_plan_of(unit: Unit, levels: pd.DataFrame, lead_units: np.ndarray, kits: KitPlan | None) -> RoundPlan:
    """Join the levels of a plan with the catalogue. lead_units: shape (n_items,), what one lead time may need.

    Emergency equipment never has an urgent level below its minimum stock, nor above its level.
    """
    catalogue, need = {row["item"]: row for row in unit.catalogue}, dict(zip(unit.items["item"], lead_units))
    found = []
    for row in levels[levels["par_units"] > 0].itertuples():
        item = catalogue[row.item]
        floor = max(float(np.nan_to_num(item["min_stock"])), 1.0) if item["critical"] else 0.0
        found.append(Level(
            str(row.item), str(row.description), str(item["bin"]), int(row.pack), float(item["price"]),
            int(row.par_units), int(min(max(need[row.item], floor), row.par_units)),
            float(row.expected_units) / unit.stock.protection_interval_days, bool(item["critical"]),
            str(item["gtin"] or ""), str(item["counted_as"] or "piece"),
            str(item["counted"]) == "packs", int(min(floor, row.par_units)),
        ))
    order = sorted(range(len(found)), key=lambda k: (shelf_key(found[k].bin), k))
    designs: dict[str, dict[str, int]] = {}
    for design, item, quantity in ([] if kits is None else
                                   kits.contents[["design", "item", "quantity"]].itertuples(index=False)):
        designs.setdefault(str(design), {})[str(item)] = int(quantity)
    builds = {} if kits is None else dict(zip(kits.builds["design"], kits.builds["build"].astype(int)))
    return RoundPlan(unit.currency, unit.stock.review_days, unit.stock.lead_days,
                     tuple(found[k] for k in order), designs, {str(d): int(n) for d, n in builds.items()})
