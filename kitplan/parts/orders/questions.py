"""What contradicts what the book knows, each with its mend; emergency equipment first. None is silent."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

from kitplan.parts.orders.ledger import OpenOrder, Standing, standing
from kitplan.parts.orders.ordering import overdue
from kitplan.parts.orders.round_plan import Catalogue, RoundPlan
from kitplan.read.order_book import OrderBook
from kitplan.read.problems import counted, some_of

_ASKED = ("Type yes under Right if it is so, no to forget it, or the right number under Packs and Loose units. "
          "Until then it is not believed.")
_TIMES_USUAL = 3.0
"""Use of more than so many times the plan's pace, and more than a pack beyond, is asked about [a choice]."""


@dataclass(frozen=True)
class Question:
    """no: entry of the asked line it is about, 0 where there is nothing to answer but something to do."""

    no: int
    emergency: bool
    item: str
    question: str
    mend: str


def questions(book: OrderBook, now: Standing, plan: RoundPlan, catalogue: Catalogue) -> tuple[Question, ...]:
    """All open questions after the last count, emergency equipment first, then those that hold a line back."""
    day = now.last_count or now.day
    found = [*_asked(now, catalogue)]
    if day is not None:
        found += [*_not_counted(now, plan), *_late(now, plan, catalogue, day), *_found_or_gone(now, plan, day),
                  *_came_that_day(book, now, catalogue, day), *_out_of_date(now, plan, catalogue, day),
                  *_kits(book, now, day), *_other_kits(now, plan), *_unknown(now, catalogue)]
    return tuple(sorted(found, key=lambda q: (not q.emergency, q.no == 0)))


def _asked(now: Standing, catalogue: Catalogue) -> Iterator[Question]:
    told: set[tuple[str, str, str]] = set()
    for line in now.asked:
        if (line.table, line.item, line.number) in told and line.table == "counts":
            continue
        told.add((line.table, line.item, line.number))
        yield Question(line.entry, line.item in catalogue.critical, line.item,
                       f"{line.day.isoformat()}: {line.note}.", _ASKED)


def _not_counted(now: Standing, plan: RoundPlan) -> Iterator[Question]:
    if now.last_count is None:
        return
    asked = {x.item for x in now.asked if x.table == "counts"}
    blank = [level.item for level in plan.levels if level.critical and level.level_units and level.item not in asked
             and not now.is_counted(level.item, plan.review_days)]
    if blank:
        names = f": {'; '.join(blank)}" if len(blank) > 1 else ""
        yield Question(0, True, "emergency equipment" if names else blank[0],
                       f"Emergency equipment was not counted on {now.last_count.isoformat()}{names}.",
                       "Count it now, and type 0 if there is none. Nothing is ordered until then.")


def _late(now: Standing, plan: RoundPlan, catalogue: Catalogue, day: date) -> Iterator[Question]:
    late: dict[tuple[str, date], list[OpenOrder]] = {}
    for order in overdue(now, plan, day):
        late.setdefault((order.number, order.ordered), []).append(order)
    for (number, ordered), lines in late.items():
        packs = "; ".join(f"{x.item} {counted(x.packs, 'pack')}" for x in lines)
        one = len(lines) == 1
        yield Question(0, any(x.item in catalogue.critical for x in lines), lines[0].item if one else f"order {number}",
                       f"Order {number} of {ordered.isoformat()} still waits for "
                       f"{counted(lines[0].packs, 'pack') if one else packs}. The order does not count on them.",
                       "On Receive, type what came; or under Will not come, how many will not.")


def _found_or_gone(now: Standing, plan: RoundPlan, day: date) -> Iterator[Question]:
    for spell in now.spells:
        level = plan.level.get(spell.item)
        if spell.end != day or level is None:
            continue
        coming = [o for o in now.open if o.item == spell.item]
        if spell.used < 0 and coming and -spell.used >= min(o.pack for o in coming):
            yield Question(0, level.critical, spell.item,
                           f"{-spell.used} more than there could be, and order {coming[0].number} is still open.",
                           "If it came, type it on Receive with the day it came; else nothing.")
        if spell.used > _TIMES_USUAL * level.use_per_day * spell.days + level.pack:
            yield Question(0, level.critical, spell.item,
                           f"{spell.used} left the shelf since {spell.start.isoformat()}, where the plan expects about "
                           f"{level.use_per_day * spell.days:.0f}.",
                           "Count it again. If it is right, nothing need be typed: the order goes by the count.")


def _came_that_day(book: OrderBook, now: Standing, catalogue: Catalogue, day: date) -> Iterator[Question]:
    """What came on the day of the count and was typed in after it: nobody said which was first."""
    seen = {x.item: x.place for x in book.of("counts") if x.event == "counted" and x.day == day}
    came = [x.item for x in book.of("deliveries") if x.event == "received" and x.day == day
            and x.place > seen.get(x.item, x.place) and x.entry not in now.found]
    if came:
        names = some_of(list(dict.fromkeys(came)), 6)
        yield Question(0, not catalogue.critical.isdisjoint(came), "delivery",
                       f"Typed in after the count of the same day, {day.isoformat()}, and so taken to have come after "
                       f"it: {names}.",
                       "If it lay on the shelf already when you counted, count these items again; else nothing.")


def _out_of_date(now: Standing, plan: RoundPlan, catalogue: Catalogue, day: date) -> Iterator[Question]:
    for item, lots in now.shelf.items():
        units = sum(lot.units for lot in lots if lot.expires and lot.expires < day)
        if units:
            yield Question(0, item in catalogue.critical, item, f"{units} on the shelf are out of date.",
                           "Take them off, and type them under Thrown away on Count (or give them to the class).")
    soon = day + timedelta(days=round(plan.review_days))
    for kit in [*now.kits_at("bedside"), *now.kits_at("shelf")]:
        if kit.first_expiry and kit.first_expiry <= soon:
            over = "Its first date is" if kit.in_date(day) else "It is OUT OF DATE since"
            yield Question(0, True, f"kit {kit.number}", f"{over} {kit.first_expiry.isoformat()} (it is on the "
                           f"{'shelf' if kit.where == 'shelf' else 'ward, at a bedside'}).",
                           "Bring another kit, and type apart beside this one on Build kits.")


def _kits(book: OrderBook, now: Standing, day: date) -> Iterator[Question]:
    last = {x.item: x for x in book.of("counts") if x.event == "kits" and x.day == day}
    for design, line in last.items():
        found, ready = line.packs, {kit.number for kit in now.kits_at("shelf", design)}
        if found > len(ready):  # less those that left the shelf after the count
            before = standing(replace(book, lines=tuple(x for x in book.lines if x.entry < line.entry)))
            ready |= {kit.number for kit in before.kits_at("shelf", design)}
        if found > len(ready):
            yield Question(0, True, f"kit {design}", f"{found} kit{'s' if found > 1 else ''} {design} stood on the "
                           f"shelf where the book has {len(ready)}.", "On Build kits, type shelf beside the number of "
                           "each that came back; under Built, how many were built and never noted, with a day before "
                           "this count: of that day itself their parts would be taken out of what was counted.")


def _other_kits(now: Standing, plan: RoundPlan) -> Iterator[Question]:
    """Kits on the shelf that are not what the card of their letter lists: another plan made them."""
    alike: dict[str, list[str]] = {}
    for kit in now.kits_at("shelf") if plan.designs else ():
        lacks = "; ".join(f"{n} x {item}" for item, n in kit.lacks(plan.designs.get(kit.design, {})).items())
        if lacks or kit.design not in plan.designs:
            what = f"Lacks what the card of kit {kit.design} lists: {lacks}" if lacks else "The plan has no such kit"
            alike.setdefault(what, []).append(kit.number)
    for what, numbers in alike.items():
        yield Question(0, True, f"kit {', '.join(numbers)}", f"{what}. It does not count as ready.",
                       "On Build kits, type apart beside it: its things go back to the shelf, for a kit of today.")


def _unknown(now: Standing, catalogue: Catalogue) -> Iterator[Question]:
    for item, lots in now.shelf.items():
        if item not in catalogue.pack and lots:
            yield Question(0, False, item, f"{sum(x.units for x in lots)} are on the shelf, but items.csv has no such "
                           "item any more.", "Use them up: it keeps a line on Count, and this goes when that says 0. "
                           "Put its row back into items.csv only if you still buy it. Where another item took its "
                           "place, name it under that item's alias: what is left counts as that one.")
