"""The weekly round as it stands: the levels of the plan, the book, and what follows from both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace

import pandas as pd

from kitplan.brief import Brief
from kitplan.parts.orders.back_order import BackOrder, missing_items
from kitplan.parts.orders.build import Build, plan_builds
from kitplan.parts.orders.ledger import Standing, standing
from kitplan.parts.orders.ordering import Order, as_made, make_order, without_level
from kitplan.parts.orders.questions import Question, questions
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan, catalogue_of, make_round_plan
from kitplan.parts.orders.steps import first_count
from kitplan.parts.work import Work
from kitplan.read.money import exact
from kitplan.read.order_book import OrderBook, book_home, read_book
from kitplan.read.problems import counted, some_of
from kitplan.read.round_sheets import Names
from kitplan.read.values import Unit

NOT_COUNTED = "Nothing was counted yet: print the count sheet, or fill in the workbook."


@dataclass(frozen=True, repr=False)
class WeeklyRound(Brief):
    """What the round needs. plan: levels and kits. now: what the book adds up to. order: None before a count.

    An order with a number is in the book already. builds: kits to build now.
    questions: what contradicts the book. back_order: what to do about items that cannot be had. also: items off the par
    list that are counted all the same.
    """

    plan: RoundPlan
    now: Standing
    order: Order | None = None
    builds: tuple[Build, ...] = ()
    questions: tuple[Question, ...] = ()
    notes: tuple[str, ...] = ()
    back_order: BackOrder | None = None
    also: tuple[Level, ...] = ()
    book: OrderBook = field(default=OrderBook(), metadata={"kept": False})

    def tables(self) -> dict[str, pd.DataFrame]:
        tables = {"order_points": self.plan.table()} | (self.order.tables() if self.order else {})
        if self.questions:
            rows = [asdict(q) | {"no": q.no or None} for q in self.questions]
            tables["questions"] = pd.DataFrame(rows, dtype=object)
        return tables | (self.back_order.tables() if self.back_order else {})

    def sentences(self, currency: str) -> list[str]:
        """What to answer, what to order, what to hurry, what to use first."""
        told = self.back_order.sentences() if self.back_order else []
        if self.questions:
            first = self.questions[0]
            told.append(f"{len(self.questions)} question{'s' if len(self.questions) > 1 else ''} under "
                        f"Questions; first: {first.item}: {first.question}")
        if self.order is None:
            return [*told, NOT_COUNTED]
        return [*told, *self._order_sentences(self.order, currency), *self.notes]

    def beside(self, named: Mapping[str, str]) -> list[str]:
        """What else was ordered since this count and has not come, an order a sentence: its print may not have been
        sent, and the sheet and print of today are of the last alone. named: item -> its words.
        """
        order, told = self.order, dict[str, list[str]]()
        if order is None or not order.number:
            return []
        for o in self.now.open:
            if o.number not in ("0", order.number) and o.ordered >= order.counted:
                told.setdefault(o.number, []).append(f"{o.packs} x {named.get(o.item, o.item)}")
        return [f"Order {number} was made since the same count, beside order {order.number}. Send it too, if it was "
                f"not sent: {'; '.join(lines)}." for number, lines in told.items()]

    def _order_sentences(self, order: Order, currency: str) -> list[str]:
        packs, kinds = int(order.lines["order_packs"].sum()), len(order.wanted)
        made = f" This is order {order.number}, in the book." if order.number else ""
        of = f"{counted(packs, 'pack')} of {counted(kinds, 'item')}"
        told = [f"Order {of}, {exact(order.value, currency)}.{made}"] if packs else [
            "Nothing is left to order: what was counted stands at its level, or what it lacks is on its way."]
        if len(order.urgent):
            names = some_of(order.urgent["item"].tolist(), 6)
            told.insert(0, f"URGENT, may run out before the order arrives or was not counted: {names}.")
        spoiling = int((order.ledger["spoils_units"] > 0).sum())
        if spoiling:
            told.append(f"{spoiling} lot{'s' if spoiling > 1 else ''} will not be used by the date: "
                        "see the dates to watch.")
        return told


def planned_round(work: Work) -> WeeklyRound:
    """The round of a unit by its new plan and its book."""
    unit, plan = work.unit, make_round_plan(work)
    book = read_book(book_home(unit.path)).named(Names.of(unit.items).find)
    weekly = weekly_round(unit, plan, book, keep_order=True)
    if not unit.stock.unavailable:
        return weekly
    missing = missing_items(unit, work.seed, work.item_choice, weekly.now, plan)
    return weekly_round(unit, plan, weekly.book, missing, keep_order=True)


def weekly_round(unit: Unit, plan: RoundPlan, book: OrderBook, back_order: BackOrder | None = None, *,
                 keep_order: bool = False) -> WeeklyRound:
    """The round of a unit. A unit without a book begins with its table on_hand, where it has one.

    keep_order: show the order made after this count although more is wanted since (kits left, another plan): its print
    may not have been sent.
    """
    catalogue = catalogue_of(unit)
    if not book.lines and unit.on_hand is not None:
        book = book.grown(first_count(unit, plan, catalogue), "")
    now = standing(book)
    asked = questions(book, now, plan, catalogue)
    also = also_counted(plan, now, unit.stock.unavailable, catalogue)
    if now.last_count is None:
        return WeeklyRound(plan, now, questions=asked, back_order=back_order, also=also, book=book)
    order = _order(unit, plan, now, catalogue, back_order)
    counted_last = max((x.entry for x in book.of("counts")), default=0)
    made = {x.number for x in book.of("orders") if x.entry > counted_last and x.event == "ordered" and x.number != "0"}
    meant = (*unit.stock.unavailable, *(() if back_order is None else back_order.instead["instead"]))
    notes, more = shelf_notes(plan, now, meant, catalogue), order.wanted
    if made and (keep_order or not more):  # the last made after this count; "0" was there when the book began
        last = max(made, key=int)
        lines = [x for x in book.of("orders") if x.number == last and (x.event == "ordered" or x.note)]
        before = standing(replace(book, lines=tuple(x for x in book.lines if x.entry < lines[0].entry)))
        order = as_made(_order(unit, plan, before, catalogue, back_order), lines, catalogue)
        if more:
            notes = (f"More is wanted since order {last} was made: {counted(sum(more.values()), 'pack')} of "
                     f"{some_of(list(more), 6, ', ')}. kitplan order UNIT orders it.", *notes)
    return WeeklyRound(plan, now, order, plan_builds(plan, now, book, now.last_count,
                                                             unit.stock.unavailable), asked,
                       notes, back_order, also, book)


def _order(unit: Unit, plan: RoundPlan, now: Standing, catalogue: Catalogue, back_order: BackOrder | None) -> Order:
    """The order of the last count, with the packs that a back order asks for."""
    wanted = {} if back_order is None else dict(zip(back_order.buy["item"], back_order.buy["packs"].astype(int)))
    return make_order(plan, now, catalogue, unit.stock.unavailable, wanted)


def also_counted(plan: RoundPlan, now: Standing, unavailable: Sequence[str], catalogue: Catalogue) -> tuple[Level, ...]:
    """What has no level and is counted all the same: what still lies there, and what cannot be had for a while."""
    there = [item for item, lots in now.shelf.items() if lots]
    return tuple(without_level(i, catalogue) for i in dict.fromkeys([*there, *unavailable]) if i not in plan.level)


def shelf_notes(plan: RoundPlan, now: Standing, meant: Sequence[str], catalogue: Catalogue) -> tuple[str, ...]:
    """What the last count did not look at, and what lies on the shelf, is on no list and not meant to be there."""
    blank = [x.item for x in plan.levels if not now.is_counted(x.item, plan.review_days)]
    notes = []
    if blank:
        notes.append(f"Not counted on {now.last_count}, or in doubt, and so not ordered: {some_of(blank, 6, ', ')} "
                     f"({len(blank)} of {len(plan.levels)} lines).")
    off = [i for i, lots in now.shelf.items()
           if lots and i in catalogue.pack and i not in plan.level and i not in meant]
    if off:
        notes.append(f"On the shelf but not on the par list: {some_of(off, 6, ', ')}. Use it up; it has a line on "
                     "Count. What is bought no more: delete its row in items.csv, or a later plan may choose it.")
    return tuple(notes)
