"""Where a recalled lot is, what leaves the shelf, and what to do now."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from typing import Any

import pandas as pd

from kitplan.brief import Result
from kitplan.parts.orders.ledger import Standing
from kitplan.parts.orders.ordering import packs_to_level, urgent_under
from kitplan.parts.orders.round_plan import RoundPlan
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.problems import counted, some_of

_ALIKE = 0.75
"""How like a lot of the book has to be to the one asked for to be named: one sign wrong in four, or none."""
RECALL_COLUMNS = ["item", "lot", "where", "kit", "units", "at_most", "expires", "what_to_do"]


@dataclass(frozen=True, repr=False)
class Recall(Result, writes={"recall": "places"}):
    """A recalled lot. places: RECALL_COLUMNS, one row a place.

    after: item -> (left without the lot, on order, level, packs to order now, True when what is left is under urgent).
    written: item -> last day on which a count or a delivery names the lot. like: lots of the book that are written
    much the same, where it holds none of this name.
    """

    lot: str
    places: pd.DataFrame
    after: Mapping[str, tuple[int, int, int, int, bool]]
    written: Mapping[str, date]
    like: Sequence[str] = ()

    def sentences(self) -> list[str]:
        """What to do, most urgent first."""
        if not len(self.places) and self.written:
            which = some_of([f"{item}, last on {day.isoformat()}" for item, day in self.written.items()], 6)
            return [f"Lot {self.lot} was here ({which}). By what was counted since, none of it is on the shelf, in a "
                    "kit or in a class. Look at every pack of these items all the same: a count names one lot, and "
                    "others may lie behind it."]
        if not len(self.places):
            alike = [f"Written much like it: {', '.join(self.like)}. Is it one of these?"] if self.like else []
            return [f"Lot {self.lot} is in no delivery, count or kit of this book. Look at every pack all the same: "
                    "packs that came before the book began, or without their lot typed in, are not known to it.",
                    *alike]
        at = self.places[self.places["where"] == "bedside"]["kit"]
        told = [f"At bedsides, change these kits now: {', '.join(dict.fromkeys(at))}."] if len(at) else []
        for item, (left, coming, level, packs, urgent) in self.after.items():
            ready = "what is left may not last until an order arrives" if urgent else "what is left lasts until then"
            more = counted(packs, "pack") if packs else "no more"
            told.append(f"{item}: {left:,} left without the lot{f' and {coming:,} on order' if coming else ''}, "
                        f"against a level of {level:,}; {ready}. Order now: {more}.")
        told.append("Look at every pack of these items: a pack whose lot nobody typed in is not listed.")
        return told


def find_recall(lot: str, book: OrderBook, now: Standing, plan: RoundPlan, item: str | None = None) -> Recall:
    """Find a lot of one item or of all; letters and digits tell, for a notice spaces and hyphens it otherwise."""
    wanted = _folded(lot)
    rows = [row for row in _everywhere(book, now) if _folded(row[1]) == wanted and item in (None, row[0])]
    came = [x.item for x in book.of("deliveries") if x.event == "received" and _folded(x.lot) == wanted
            and item in (None, x.item)]
    touched = [i for i in dict.fromkeys([*(row[0] for row in rows), *came]) if i in plan.level]
    named = {_folded(x.lot): x.lot for t in ("deliveries", "counts", "kits") for x in book.of(t) if x.lot}
    like = () if rows else [named[i] for i in get_close_matches(wanted, named, 3, _ALIKE) if i != wanted]
    lost = {i: sum(row[4] for row in rows if row[0] == i and row[2] == "shelf") for i in touched}
    return Recall(lot, pd.DataFrame(rows, columns=RECALL_COLUMNS),
                  {i: _after(i, lost[i], now, plan) for i in touched},
                  {x.item: x.day for table in ("counts", "deliveries") for x in book.of(table)
                   if _folded(x.lot) == wanted and item in (None, x.item)}, like)


def _folded(lot: str) -> str:
    return "".join(filter(str.isalnum, lot)).casefold() or lot.strip()


def _everywhere(book: OrderBook, now: Standing) -> Iterator[tuple[Any, ...]]:
    """RECALL_COLUMNS of every lot there is; on the shelf also the most that could be where counts name no lots."""
    for name, lots in now.shelf.items():
        bare = sum(x.units for x in lots if not x.lot)
        for lot in lots:
            yield (name, lot.lot, "shelf", "", lot.units, lot.units + bare, lot.expires,
                   "Take it off the shelf and keep it apart")
    advice = {"bedside": "At a bedside: bring another kit, then take this one away",
              "shelf": "Change the item, or take the kit apart", "gone": "Used or gone: tell whoever asks"}
    for kit in sorted(now.kits.values(), key=lambda k: (k.where != "bedside", k.number)):
        for name, lot in ((name, lot) for name, lots in kit.contents for lot in lots):
            yield name, lot.lot, kit.where, kit.number, lot.units, lot.units, lot.expires, advice[kit.where]
    for x in book.of("deliveries"):
        if x.event == "to_class":
            yield x.item, x.lot, "class", "", x.units, x.units, x.expires, "In the practice box: take it out"


def _after(item: str, lost: int, now: Standing, plan: RoundPlan) -> tuple[int, int, int, int, bool]:
    """What is left without so many, as in Recall.after."""
    level = plan.level[item]
    here = max(now.expected.get(item, 0), 0) + now.in_kits(item) - lost
    coming = now.to_come(item)
    return (here, coming, level.level_units, packs_to_level(level.level_units, here + coming, level.pack),
            here < urgent_under(level, plan, now, now.last_count or now.day or date.today())[0])


def recall_lines(recall: Recall, now: Standing, day: date) -> list[Line]:
    """Lines that take the lot away: kits on the shelf are taken apart first, kits at bedsides leave whole."""
    places = recall.places
    lines = []
    for number in dict.fromkeys(places[places["where"].isin(["shelf", "bedside"]) & (places["kit"] != "")]["kit"]):
        kit = now.kits[number]
        event = "taken_apart" if kit.where == "shelf" else "thrown_away"
        lines.append(Line("kits", day, event, number=number, design=kit.design, note=f"recall of {recall.lot}"))
    gone = places[places["where"] == "shelf"]
    return lines + [Line("deliveries", day, "recalled", r.item, 1, 0, int(r.units), r.expires, r.lot)
                    for r in gone.itertuples()]
