"""Prints of the weekly round: bin labels, the count sheet, the order, and the dates to watch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from kitplan.parts.orders.bin_labels import bin_labels_pdf
from kitplan.write.listing import Column, Listing, listing_pdf

if TYPE_CHECKING:
    from kitplan.parts.orders.model import WeeklyRound
    from kitplan.parts.orders.ordering import Order
    from kitplan.planning import Plan


def prints(plan: Plan) -> dict[str, bytes]:
    """File name -> PDF, on the unit's paper."""
    weekly: WeeklyRound = plan.orders
    foot = f"{plan.unit.name}   Plan {plan.number}"
    lists = {"count-sheet": count_sheet(weekly, foot)}
    if weekly.order is not None:
        lists |= {"order": order_list(weekly.order, plan.unit.currency, foot),
                  "expiry-list": expiry_list(weekly.order, foot)}
    paper = plan.unit.paper
    files = {f"{name}.pdf": listing_pdf(listing, paper) for name, listing in lists.items()}
    return files | {"bin-labels.pdf": bin_labels_pdf(weekly.points.levels, paper)}


def count_sheet(weekly: WeeklyRound, foot: str) -> Listing:
    """Every item of the par list in shelf order, with room to write what is there."""
    columns = (Column("Bin", 15, "strong"), Column("Item", 62), Column("Comes in", 22), Column("Par", 14, "number"),
               Column("Packs", 18, "write"), Column("Loose", 18, "write"), Column("On order", 18, "write"),
               Column("First date", 24, "write"))
    rows = [(r.bin, f"{'EM  ' if r.critical else ''}{r.description or r.item}",
             "each" if r.pack == 1 else f"pack of {r.pack}", r.par_packs, None, None, None, None)
            for r in weekly.points.levels.itertuples(index=False)]
    return Listing("Count sheet", "Walk the shelf from the first bin to the last. Write the full packs and the loose "
                   "pieces; write 0 where there is none. EM marks emergency equipment. "
                   "Counted on ______________   by ______________", columns, rows, foot)


def order_list(order: Order, currency: str, foot: str) -> Listing:
    """What to order, urgent lines first."""
    columns = (Column("Bin", 14, "strong"), Column("Item", 54), Column("Comes in", 20),
               Column("On shelf", 14, "number"), Column("Order packs", 15, "strong"),
               Column(f"Value ({currency})", 20, "money"), Column("Because", 70), Column("Done", 12, "write"))
    wanted = order.lines[order.lines["urgent"] | (order.lines["order_packs"] > 0)]
    rows = [(r.bin, f"{'URGENT  ' if r.urgent else ''}{r.description or r.item}",
             "each" if r.pack == 1 else f"pack of {r.pack}", r.on_hand_units, r.order_packs, r.value, r.because, None)
            for r in wanted.itertuples(index=False)]
    note = f"Value of the order {order.value:,.2f} {currency}. Urgent lines first: do not wait for the order day."
    return Listing("Order", note, columns, rows, foot, upright=False)


def expiry_list(order: Order, foot: str) -> Listing:
    """Dated lots, nearest date first."""
    dated = order.ledger[order.ledger["expires"].notna()].sort_values(["days_left", "item"], kind="stable")
    columns = (Column("Use by", 22, "strong"), Column("Days left", 16, "number"), Column("Item", 45), Column("Lot", 28),
               Column("Units", 14, "number"), Column("Left over", 16, "number"), Column("What to do", 62),
               Column("Done", 12, "write"))
    rows = [(f"{pd.Timestamp(r.expires):%Y-%m-%d}", r.days_left, r.item, r.lot, r.units, r.spoils_units, r.advice, None)
            for r in dated.itertuples(index=False)]
    day = f"Counted on {order.horizon.counted.isoformat()}. " if order.horizon.counted else ""
    return Listing("Dates to watch", f"{day}First expired, first out: put the oldest date in front. Stock past its "
                   "date goes off the shelf.", columns, rows, foot, upright=False)
