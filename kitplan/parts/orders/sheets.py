"""The sheets of the weekly round, in the order in which they are used: Receive, Count, Questions, Order, Build kits.

What is typed into the boxes is read back by the headings (read/round_sheets.py). Below the table of a sheet that is
read back nothing may stand under the headings of its boxes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from kitplan.parts.orders.back_order import BackOrder
from kitplan.parts.orders.model import NOT_COUNTED, WeeklyRound
from kitplan.parts.orders.ordering import Order, urgent_under
from kitplan.parts.orders.round_plan import Level
from kitplan.parts.par.summary import not_yet_own
from kitplan.planning import Plan
from kitplan.read.catalogue import in_words, spoken_names
from kitplan.read.round_sheets import DAY_LABELS, SHEETS
from kitplan.read.values import STRATUM_KEY
from kitplan.write.book import Book, Formula, Page

_BLANK_DELIVERIES = 12
_ROOM_TO_WRITE_POINTS = 18.0
_SHARE_TOLD = 0.005


def add_sheets(book: Book, plan: Plan) -> None:
    weekly: WeeklyRound = plan.orders
    named = spoken_names(plan.unit.items)
    _receive(book, weekly, named)
    _count(book, weekly, not_yet_own(plan.unit))
    _questions(book, weekly, named)
    _order(book, weekly, not_yet_own(plan.unit), named)
    if weekly.plan.designs:
        _build(book, weekly, named)


def _day_box(page: Page, sheet: str, column: int, who: str) -> None:
    """Boxes for the date that the sheet is about and for who did it."""
    row = page.next_row
    page.put(row, column, DAY_LABELS[sheet], "label", "free")
    page.put(row, column + 1, None, "input_text")
    page.put(row, column + 3, who, "label", "free")
    page.put(row, column + 4, None, "input_text")
    page.skip(2)


def _receive(book: Book, weekly: WeeklyRound, named: dict[str, str]) -> None:
    page = book.sheet(SHEETS["receive"])
    _day_box(page, "receive", 3, "Received by")
    page.header("receive", frozen_columns=2)
    first = page.next_row
    for waiting in sorted(weekly.now.open, key=lambda o: (o.ordered, o.number)):
        page.row((waiting.number, waiting.item, named.get(waiting.item, ""), waiting.pack, waiting.packs, None, None,
                  None, None, None, None), least_points=_ROOM_TO_WRITE_POINTS)
    page.group(("Not on order, or a second lot: type the item or read its code",))
    open_kinds = ("input_text", "input_text", "wrap", "input", "whole", *page.kinds[5:])
    for _ in range(_BLANK_DELIVERIES):
        page.row((None,) * len(page.kinds), open_kinds, _ROOM_TO_WRITE_POINTS)
    page.numbers_only(first, page.next_row - 1, 6, "Received", columns=2)
    page.protect()


def _count(book: Book, weekly: WeeklyRound, guessed: Sequence[str]) -> None:
    page = book.sheet(SHEETS["count"])
    for sentence in guessed:
        page.spread(sentence, "strong_wrap")
    _day_box(page, "count", 3, "Counted by")
    page.header("count", frozen_columns=3)
    first = page.next_row
    for level in (*weekly.plan.levels, *weekly.also):
        if weekly.also and level is weekly.also[0]:
            page.group(("Off the par list: count what is left. Nothing is ordered of it",))
        kinds = (*page.kinds[:8], "whole", *page.kinds[9:]) if level.packs_only else ()
        page.row(_count_line(level, weekly, page.next_row), kinds, _ROOM_TO_WRITE_POINTS)
    if weekly.plan.designs:
        page.group(("Built kits that stand ready: count them as kits, under Packs",))
        for design in weekly.plan.designs:
            ready = len(weekly.now.kits_at("shelf", design))
            page.row((None, f"kit {design}", f"Bedside kit {design}, built and closed", 1, None, None, ready,
                      *[None] * 9), least_points=_ROOM_TO_WRITE_POINTS)
    page.numbers_only(first, page.next_row - 1, 8, "On the shelf", columns=2)
    page.numbers_only(first, page.next_row - 1, 12, "Thrown away")
    page.protect()


def _count_line(level: Level, weekly: WeeklyRound, at: int) -> tuple[Any, ...]:
    now, item = weekly.now, level.item
    urgent, *_ = urgent_under(level, weekly.plan, now, now.day) if now.day else (level.urgent_units,)
    counts = f"H{at}:I{at}"
    look = (
        f'=IF(COUNTA({counts})<>COUNT({counts})+COUNTIF({counts},"<0"),"CHECK COUNT",IF(M{at}="","",'
        f'IF(M{at}+N{at}<{urgent},"{"EMERGENCY: LOW" if level.critical else "URGENT"}",'
        f'IF(M{at}>MAX({level.top_units},N(G{at})+D{at}),"SO MANY?",IF(M{at}+N{at}+O{at}<E{at},"order","")))))'
    )
    return (
        level.bin, item, level.named, level.pack,
        level.level_units or None, now.last.get(item), now.expects(item), None, None, None, None,
        None, Formula(f'=IF(COUNT({counts})=0,"",N(H{at})*D{at}+N(I{at}))'), now.in_kits(item), now.to_come(item),
        Formula(look),
    )


def _questions(book: Book, weekly: WeeklyRound, named: dict[str, str]) -> None:
    page = book.sheet(SHEETS["answers"])
    page.header("questions")
    for asked in weekly.questions:
        boxes = page.kinds if asked.no else (*page.kinds[:5], "text", "text", "text")
        page.row((asked.no or None, asked.item, named.get(asked.item, "EM" * asked.emergency), asked.question,
                  asked.mend, None, None, None), boxes)
    if not weekly.questions:
        page.spread("Nothing contradicts the book.", "note")
    page.protect()


def _order(book: Book, weekly: WeeklyRound, guessed: Sequence[str], named: dict[str, str]) -> None:
    page = book.sheet(SHEETS["ordered"])
    for sentence in (*weekly.sentences(book.currency), *weekly.beside(named)):
        page.spread(sentence, "wrap")
    for sentence in guessed:
        page.spread(sentence, "strong_wrap")
    page.skip()
    page.header("order lines", frozen_columns=3)
    if weekly.order is not None:
        _order_lines(page, weekly.order, named)
    if weekly.back_order is not None:
        _back_order(page, weekly.back_order, named)
    if weekly.order is not None:
        _dates(page, weekly.order, named)
    page.protect()


def _order_lines(page: Page, order: Order, named: dict[str, str]) -> None:
    lines = order.lines
    groups = (("URGENT", order.urgent), ("To order", lines[~lines["urgent"] & (lines["order_packs"] > 0)]),
              ("Nothing to order", lines[~lines["urgent"] & (lines["order_packs"] == 0)]))
    for name, group in groups:
        if len(group):
            page.group((name,))
        for row in group.itertuples(index=False):
            boxes = page.kinds if row.order_packs else (*page.kinds[:-1], "text")
            page.row((row.bin, row.item, named.get(row.item, row.item), row.pack, row.par_units, row.on_hand_units,
                      row.cover_units, row.on_order_units, row.order_packs, row.value, row.lasts_days, row.because,
                      order.number if row.order_packs else None, None), boxes)
    page.total(("Total", *[None] * 7, int(lines["order_packs"].sum()), order.value, None, None, None, None),
               (*page.kinds[:-1], "text"))


def _dates(page: Page, order: Order, named: dict[str, str]) -> None:
    dated = order.to_watch
    page.skip()
    if dated.empty:
        page.spread(in_words(named)(order.dates_without_work), "wrap")
        return
    page.another_table(len(dated))
    page.spread("Dates to watch: first expired, first out. Put the oldest date in front.", "strong")
    page.table(dated.assign(named=dated["item"].map(named).fillna(""), use_by=dated["expires"].dt.strftime("%Y-%m-%d")),
               "dates to watch")
    page.spread(in_words(named)(order.dates_without_work), "wrap")


def _build(book: Book, weekly: WeeklyRound, named: dict[str, str]) -> None:
    page = book.sheet(SHEETS["kits"])
    _day_box(page, "kits", 2, "Built by")
    page.header("build kits")
    if weekly.order is None:
        page.spread(NOT_COUNTED, "note")
    for build in weekly.builds:
        numbers = ", ".join(build.kits)
        told = f"Build {numbers}" if numbers else "Enough stand ready" if not build.held_back else "None"
        told += f". Not more: {build.held_back}" if build.held_back else ""
        told += f". Look at: {build.soon}" if build.soon else ""
        page.row((build.design, in_words(named)(told), build.wanted, build.ready, build.build, None, *[None] * 6),
                 (page.kinds[0], "wrap", *page.kinds[2:9], "text", "text", "text"))
    for kit in [*weekly.now.kits_at("shelf"), *weekly.now.kits_at("bedside")]:
        first = kit.first_expiry.isoformat() if kit.first_expiry else ""
        page.row((kit.design, f"Kit built on {kit.built.isoformat()}", None, None, None, None, kit.number, first,
                  "shelf" if kit.where == "shelf" else "bedside", None, None, None),
                 (*page.kinds[:5], "text", *page.kinds[6:]))
    _takes(page, weekly, named)
    page.protect()


def _takes(page: Page, weekly: WeeklyRound, named: dict[str, str]) -> None:
    if not any(build.kits for build in weekly.builds):
        return
    page.skip()
    page.header("kit takes", freeze=False)
    bins = {level.item: level.bin for level in weekly.plan.levels}
    for number, item, lot in (take for build in weekly.builds for take in build.takes()):
        day = lot.expires.isoformat() if lot.expires else ""
        page.row((number, named.get(item, item), lot.units, bins.get(item, ""), None, None, day, lot.lot, None))


def _back_order(page: Page, missing: BackOrder, named: dict[str, str]) -> None:
    page.skip()
    page.spread(f"Back order, for {missing.days:g} days", "strong")
    page.spread("ASK BEFORE YOU CHANGE what lies at the bedside: a substitute is a matter of local policy. What is "
                "sized to the patient, critical or sterile is never replaced here by anything else.", "caution")
    page.spread("Buy: packs for all these days, usual work included. The order above has them in it already, less what "
                "is on order.", "wrap")
    page.header("back order to buy", freeze=False)
    for row in missing.buy.itertuples(index=False):
        why = f"{row.extra_packs} of {row.packs} packs beyond its usual work; {row.because}"
        page.row((None, row.item, named.get(row.item, row.item), row.packs, *[None] * 5, row.value, None, why))
    page.skip()
    page.header("back order served", freeze=False)
    for item, role, airways, served in _served_alike(missing):
        page.row((None, item, f"{named.get(item, item)} ({role}): {airways}", *[None] * 8, served))


def _served_alike(missing: BackOrder) -> list[tuple[str, str, str, str]]:
    """(item, role, airways, what serves them): airways that are served alike stand together."""
    found: dict[tuple[str, str, str], list[str]] = {}
    keys = ["unavailable", "role", *STRATUM_KEY]
    for (item, role, route, size, technique, skin), rows in missing.instead.groupby(keys, sort=False):
        served = ", ".join(f"{r.instead or 'NOTHING'} {100 * r.share:.0f} %" for r in rows.itertuples(index=False)
                           if r.share >= _SHARE_TOLD)
        barrier = ", barrier" if skin == "barrier" else ""
        found.setdefault((item, role, served), []).append(f"{route} {size} {technique}{barrier}")
    return [(item, role, "; ".join(airways), served) for (item, role, served), airways in found.items()]
