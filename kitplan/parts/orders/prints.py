"""Prints of the weekly round: labels, what to count, to order and to build, and dates to watch."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from kitplan.parts.orders.bin_labels import bin_labels_pdf
from kitplan.parts.orders.model import WeeklyRound
from kitplan.parts.orders.ordering import Order
from kitplan.planning import Plan
from kitplan.read.catalogue import in_words, spoken_names
from kitplan.read.money import exact, figure
from kitplan.write.listing import Column, Listing, listing_pdf
from kitplan.write.shelf import unit_of_issue


def prints(plan: Plan) -> dict[str, bytes]:
    """File name -> PDF, on the unit's paper."""
    weekly: WeeklyRound = plan.orders
    foot = f"{plan.unit.name}   Plan {plan.number}"
    named = spoken_names(plan.unit.items)
    lists = {"count-sheet": count_sheet(weekly, foot)}
    if weekly.order is not None:
        lists |= {"order": order_list(weekly, weekly.order, plan.unit.currency, foot, named),
                  "expiry-list": expiry_list(weekly.order, foot, named)}
    if weekly.builds:  # empty where none is to be built, or last week's would lie there still
        lists["kits-to-build"] = build_list(weekly, foot, named)
    paper = plan.unit.paper
    files = {f"{name}.pdf": listing_pdf(listing, paper) for name, listing in lists.items()}
    return files | {"bin-labels.pdf": bin_labels_pdf(weekly.plan.levels, paper)}


def count_sheet(weekly: WeeklyRound, foot: str) -> Listing:
    """Every item of the par list in shelf order, with what is expected and room to write what is there."""
    columns = (Column("Bin", 14, "strong"), Column("Item", 62), Column("Comes in", 23),
               Column("Order under", 16, "number"), Column("Expected", 19, "number"),
               Column("Packs", 15, "write"), Column("Loose", 15, "write"),
               Column("First date", 20, "write"), Column("Thrown away", 18, "write"))
    now = weekly.now
    rows: list[tuple[object, ...]] = [
            (r.bin, r.named, unit_of_issue(r.pack), r.level_units or None,
             now.expects(r.item), None, "–" if r.packs_only else None, None,
             None) for r in (*weekly.plan.levels, *weekly.also)]
    rows += [("", f"Kit {d}, built and closed (count kits)", "each", None, len(now.kits_at("shelf", d)), *[None] * 4)
             for d in weekly.plan.designs]
    return Listing("Count sheet", "Walk the shelf from the first bin to the last. Write the full packs and the loose "
                   "pieces; write 0 where there is none. A line left blank is not counted. Where a dash stands under "
                   "Loose, count unopened packs only. EM marks emergency equipment. "
                   "Counted on ______________   by ______________", columns, rows, foot)


def order_list(weekly: WeeklyRound, order: Order, currency: str, foot: str, named: Mapping[str, str]) -> Listing:
    """What to order, urgent lines first, with what has to be asked before anything is changed."""
    columns = (Column("Bin", 14, "strong"), Column("Item", 54), Column("Comes in", 20),
               Column("On shelf", 14, "number"), Column("Order packs", 15, "strong"),
               Column(f"Value ({currency})", 20, "money"), Column("Because", 70), Column("Done", 12, "write"))
    wanted = order.lines[order.lines["urgent"] | (order.lines["order_packs"] > 0)]
    rows = [(r.bin, f"{'URGENT  ' if r.urgent else ''}{named.get(r.item, r.item)}",
             unit_of_issue(r.pack), r.on_hand_units if r.item in weekly.now.counted else None, r.order_packs,
             figure(r.value, currency), r.because, None)
            for r in wanted.itertuples(index=False)]
    number = f" {order.number}" if order.number else ""
    ask = " ASK BEFORE YOU CHANGE what lies at the bedside." if weekly.back_order is not None else ""
    note = (f"Counted on {order.counted.isoformat()}. Value of the order {exact(order.value, currency)}. Urgent lines "
            f"first: do not wait for the order day. EM marks emergency equipment.{ask}")
    return Listing(f"Order{number}", note, columns, rows, foot, upright=False,
                   after=[*map(in_words(named), weekly.notes), *weekly.beside(named)])


def expiry_list(order: Order, foot: str, named: dict[str, str]) -> Listing:
    """Lots with something to do about their date, nearest date first."""
    columns = (Column("Use by", 22, "strong"), Column("Days left", 16, "number"), Column("Item", 45), Column("Lot", 28),
               Column("Units", 14, "number"), Column("Left over", 16, "number"), Column("What to do", 62),
               Column("Done", 12, "write"))
    rows = [(f"{pd.Timestamp(r.expires):%Y-%m-%d}", r.days_left, named.get(r.item, r.item), r.lot, r.units,
             r.spoils_units, r.advice, None) for r in order.to_watch.itertuples(index=False)]
    return Listing("Dates to watch", f"Counted on {order.counted.isoformat()}. First expired, first out: put the "
                   "oldest date in front. Stock past its date goes off the shelf.", columns, rows, foot, upright=False,
                   after=[in_words(named)(order.dates_without_work)])


def build_list(weekly: WeeklyRound, foot: str, named: dict[str, str]) -> Listing:
    """What goes into every kit to build, with lots and dates to write on its card; and how many, and why not more."""
    columns = (Column("Kit", 16, "strong"), Column("Take", 16, "number"), Column("Item", 66), Column("Bin", 16),
               Column("Lot", 30), Column("Use by", 24), Column("Done", 12, "write"))
    bins = {level.item: level.bin for level in weekly.plan.levels}
    rows = [(number, lot.units, named.get(item, item), bins.get(item, ""), lot.lot,
             lot.expires.isoformat() if lot.expires else "", None)
            for build in weekly.builds for number, item, lot in build.takes()]
    how = ("One kit after the other; write its number and its first date on its card. The lots last past the next "
           "count where there are such; where you take another one, write it here.") if rows else "None can be built."
    told = [*map(in_words(named), (build.told for build in weekly.builds)), how]
    return Listing("Kits to build", "\n".join(told), columns, rows, foot)
