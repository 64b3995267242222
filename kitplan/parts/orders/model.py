"""The weekly round: order points for the labels, and the order of a count."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import pandas as pd

from kitplan.parts.orders.back_order import BackOrder
from kitplan.parts.orders.order_points import OrderPoints
from kitplan.parts.orders.ordering import Horizon, Order, make_order
from kitplan.read.counted import Count
from kitplan.read.values import Unit


@dataclass(frozen=True)
class WeeklyRound:
    """What the round needs. points: par and order point of every item held. order: None before a count.

    notes: sentences for whoever orders. back_order: what to do about items that cannot be had.
    """

    points: OrderPoints
    order: Order | None = None
    notes: tuple[str, ...] = ()
    back_order: BackOrder | None = None

    def tables(self) -> dict[str, pd.DataFrame]:
        """File stem -> tidy frame."""
        tables = self.points.tables() | (self.order.tables() if self.order else {})
        return tables | (self.back_order.tables() if self.back_order else {})

    def sentences(self, currency: str) -> list[str]:
        """What to order, what to hurry, what to use first."""
        missing = self.back_order.sentences() if self.back_order else []
        if self.order is None:
            return [*missing, "Nothing was counted yet: print the count sheet, or fill in the workbook."]
        lines, urgent = self.order.lines, self.order.urgent
        told = [f"Order {int(lines['order_packs'].sum()):,} packs of {int((lines['order_packs'] > 0).sum())} items, "
                f"{self.order.value:,.2f} {currency}."]
        if len(urgent):
            names = ", ".join(urgent["item"].head(6)) + (", ..." if len(urgent) > 6 else "")
            told.insert(0, f"URGENT, may run out before the order arrives or was not counted: {names}.")
        spoiling = self.order.ledger[self.order.ledger["spoils_units"] > 0]
        if len(spoiling):
            told.append(f"{len(spoiling)} lot{'s' if len(spoiling) > 1 else ''} will not be used by the date: "
                        "see the expiry list.")
        return [*missing, *told, *self.notes]


def held_units(unit: Unit, count: Count | None) -> dict[str, float]:
    """Single items on the shelf by item, dates not looked at; empty before a count."""
    if count is None:
        return {}
    pack = unit.items.set_index("item")["pack"]
    units = count.lots["packs"] * count.lots["item"].map(pack).to_numpy(float) + count.lots["loose_units"]
    return {str(i): float(u) for i, u in units.groupby(count.lots["item"]).sum().items()}


def weekly_round(unit: Unit, points: OrderPoints, count: Count | None, counted: date | None,
                 back_order: BackOrder | None = None) -> WeeklyRound:
    """Join the par list and a count. counted: the day that dates are measured from, None when it is not known."""
    if count is None:
        return WeeklyRound(points, back_order=back_order)
    horizon = Horizon(counted, unit.stock.lead_days, unit.stock.protection_interval_days)
    held = set(points.levels["item"])
    missing = [i for i in points.levels["item"] if i not in count.counted_items]
    in_place = {} if back_order is None else dict(zip(back_order.buy["item"], back_order.buy["packs"].astype(int)))
    levels = _with_substitutes(points.levels, unit, in_place)
    order = make_order(levels, unit.items, count.lots, count.on_order_packs, horizon,
                       missing if count.from_workbook else (), unit.stock.unavailable, in_place)
    blank = [i for i in missing if not in_place.get(i)]
    notes = []
    if blank and count.from_workbook:
        notes.append(f"{len(blank)} of {len(held)} lines were left blank and order nothing.")
    elif missing and not count.from_workbook:
        notes.append(f"{len(missing)} items of the par list are not in {count.source} and were taken as none on the "
                     f"shelf: {', '.join(missing[:6])}{', ...' if len(missing) > 6 else ''}.")
    off = [str(i) for i in order.off_list["item"] if i not in unit.stock.unavailable]
    if off:
        notes.append(f"Counted but not on the par list: {', '.join(off[:6])}.")
    if counted is None and count.lots["expires"].notna().any():
        notes.append("The count has no day, so dates on lots were not looked at: give it with --on.")
    return WeeklyRound(points, order, tuple(notes), back_order)


def _with_substitutes(levels: pd.DataFrame, unit: Unit, in_place: Mapping[str, int]) -> pd.DataFrame:
    """The par list, and under it the items that only a back order asks for, with a par of 0."""
    more = unit.items[unit.items["item"].isin(in_place) & ~unit.items["item"].isin(levels["item"])]
    if not len(more):
        return levels
    named = more[["item", "description", "bin", "gtin", "critical"]].assign(
        pack=more["pack"].astype(int), par_packs=0, par_units=0, order_point_units=0, use_per_day=0.0)
    return pd.concat([levels, named.reindex(columns=levels.columns)], ignore_index=True)
