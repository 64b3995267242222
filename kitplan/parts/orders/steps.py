"""Receive, count and answer: what was typed in becomes lines of the book, or a question.

A line that contradicts what the book knows is written as asked and not believed until it is answered. What is
in the book already is not written again, so that reading a sheet twice changes nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date

import pandas as pd

from kitplan.parts.orders.ledger import OpenOrder, Standing, standing
from kitplan.parts.orders.ordering import Order
from kitplan.parts.orders.round_plan import Catalogue, RoundPlan
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.pack_code import same_trade_number
from kitplan.read.problems import InputError, Problem, counted, some_of
from kitplan.read.round_sheets import RoundSheets, Row
from kitplan.read.values import Unit

_A_MONTH = 31
"""Days within which a paper typed again is looked for [a choice]."""


@dataclass(frozen=True)
class Step:
    """What a step adds to the book. lines: in order. told: sentences for a person."""

    lines: tuple[Line, ...] = ()
    told: tuple[str, ...] = ()


@dataclass
class _Draft:
    """Lines of one step in the making, each once."""

    book: OrderBook
    lines: list[Line] = field(default_factory=list)
    repeated: int = 0

    def __post_init__(self) -> None:
        self._there = Counter(_fact(line) for line in self.book.lines if not line.answers)

    def add(self, line: Line) -> None:
        """Take a line in, unless the book holds it: as many equal ones as were typed, and no more."""
        fact = _fact(line)
        if self._there[fact]:
            self._there[fact] -= 1
            self.repeated += 1
        else:
            self.lines.append(line)

    def add_new(self, lines: Sequence[Line], before: set[Line]) -> bool:
        """Take lines in unless they say what was said before; True when they were taken in."""
        if {_fact(x) for x in lines} == before:
            self.repeated += len(lines)
            return False
        self.lines.extend(lines)
        return True

    def step(self, told: list[str], what: str, further: Sequence[str] = ()) -> Step:
        """What came of it. told: said where a line is new; what: the word for what was typed in."""
        if self.repeated and self.lines:
            were = "1 line was" if self.repeated == 1 else f"{self.repeated} lines were"
            further = [*further, f"{were} in the book already and not written again."]
        elif self.repeated:
            further = [*further, f"This {what} is in the book already: nothing was changed."]
        return Step(tuple(self.lines), (*(told if self.lines else ()), *further))


def _fact(line: Line) -> Line:
    """What a line said when it was typed: whether it was asked about, and when it was written, does not matter."""
    event = {"deliveries": "received", "counts": "counted"}.get(line.table, "") if line.event == "asked" else line.event
    number = "" if line.table == "counts" else line.number
    return replace(line, entry=0, plan_number="", note="", answers=0, event=event, number=number, was="")


def receive(sheets: RoundSheets, book: OrderBook, plan: RoundPlan, catalogue: Catalogue, day: date) -> Step:
    """Lines of the deliveries typed in. Raises InputError for a row that names no item and no known pack."""
    now, draft, problems = standing(book), _Draft(book), []
    for row in sheets.of("receive"):
        if not (item := row.item):
            fault, mend = ("is not known here", "Type the item beside it, once; the number is remembered with it.") if (
                row.trade_number) else ("is missing", "Say which item came, or clear the line.")
            problems.append(Problem(sheets.source, fault, mend, row=row.row, column="item",
                                    value=row.trade_number or None))
            continue
        waiting = [o for o in now.open if o.item == item and row.order in ("", o.number)]
        order = min(waiting, key=lambda o: (o.ordered, o.number), default=None)  # the oldest, where the row names none
        if row.will_not_come and order is not None:
            draft.add(Line("orders", day, "will_not_come", item, order.pack, min(row.will_not_come, order.packs),
                           number=order.number))
        if row.packs or row.loose_units:
            draft.add(_received(row, item, order, catalogue, day))
    if problems:
        raise InputError(problems, "reading the delivery")
    if before := _typed_again(draft.lines, book, day):
        draft.lines = [x if x.event != "received" else replace(x, event="asked", note=(
            f"{x.units:,} of {x.item} came; this looks like the paper of {before.isoformat()} typed again, with the "
            "same items, numbers and lots")) for x in draft.lines]
    return draft.step([f"{counted(len(draft.lines), 'line')} of {day.isoformat()} received."], "delivery")


def _typed_again(lines: Sequence[Line], book: OrderBook, day: date) -> date | None:
    """Another day, at most a month away, on which all that came today came, one lot at least among it."""
    came: dict[date, set[object]] = {}
    for x in book.of("deliveries"):
        if x.event == "received" and 0 < abs((day - x.day).days) <= _A_MONTH:
            came.setdefault(x.day, set()).add((x.item, x.units, x.lot, x.expires))
    new = {(x.item, x.units, x.lot, x.expires) for x in lines if x.table == "deliveries"}
    lots = any(x.lot for x in lines)
    return next((before for before, facts in came.items() if lots and new <= facts), None)


def to_class(sheets: RoundSheets, book: OrderBook, plan: RoundPlan, catalogue: Catalogue, day: date) -> Step:
    """Lines of what a practice class took: out of stock, and not used at a bedside; emergency equipment that the shelf
    then lacks is named.
    """
    draft, then = _Draft(book), standing(book, day)
    for row in sheets.of("to_class"):
        draft.add(Line("deliveries", day, "to_class", row.item, catalogue.pack.get(row.item, 1), 0, row.taken,
                       row.expires, row.lot))
    took: Counter[str] = Counter()
    for line in draft.lines:
        took[line.item] += line.units
    look = []
    for item in (i for i in took if i in then.counted):
        left = then.expected[item] - took[item]
        if left < 0:
            look.append(f"Look at: the class took {took[item]} of {item} where the book expects {then.expected[item]} "
                        "on the shelf. Count it.")
        here, level = max(left, 0) + then.in_kits(item), plan.level.get(item)
        if level is not None and level.critical and here < level.level_units:
            look.append(f"Look at: {item} is emergency equipment: {here} left on the shelf and in kits that stand "
                        f"ready, where {level.level_units} should be. Bring some back, or order it now.")
    told = [f"What the class took on {day.isoformat()} is out of stock and counts as no use (items: {len(took)})."]
    return draft.step(told, "list", look)


def aliases(book: OrderBook) -> dict[str, str]:
    """Trade item numbers that a person has said the item of: 14 digits -> item."""
    return {same_trade_number(x.trade_number): x.item for x in book.of("deliveries") if x.trade_number and x.item}


def _received(row: Row, item: str, order: OpenOrder | None, catalogue: Catalogue, day: date) -> Line:
    pack = row.pack or (order.pack if order else catalogue.pack.get(item, 1))
    line = Line("deliveries", day, "received", item, pack, row.packs or 0, row.loose_units or 0, row.expires, row.lot,
                order.number if order else row.order, trade_number=row.trade_number)
    question = ""
    if order is None:
        question = f"{line.units:,} of {item} came, but none is on order"
    elif line.units > order.packs * order.pack:  # the sheet says how many packs wait, a begun one whole
        question = f"{line.units:,} of {item} came where order {order.number} waits for {order.units:,}"
    elif not row.pack and order.pack != catalogue.pack.get(item, order.pack):
        question = (f"{item} was ordered in packs of {order.pack}, and items.csv now says {catalogue.pack[item]}; "
                    f"it was taken as {line.packs} x {pack} = {line.units}")
    elif row.expires is not None and row.expires < day:
        question = f"{item} came with the date {row.expires.isoformat()}, which is over"
    return replace(line, event="asked", note=question) if question else line


def count(sheets: RoundSheets, book: OrderBook, plan: RoundPlan, catalogue: Catalogue, day: date, *,
          older: bool = False) -> Step:
    """Lines of a count. older: the count may be older than the last one. Raises InputError.

    A count's number is its day; a second one of that day has a stroke and its place.
    """
    now = standing(book)
    if now.last_count is not None and day < now.last_count and not older:
        raise InputError([Problem(sheets.source, f"is older than the last count, of {now.last_count.isoformat()}",
                                  "Correct the date. If it really is an older count, add --older (on the desk: tick "
                                  "that it is older): it is kept, and changes no order.",
                                  column="Date of count", value=day.isoformat())],
            "entering the count")
    then, draft = standing(book, day), _Draft(book)
    earlier = {line.number for line in book.of("counts") if line.day == day and not line.answers}
    number = f"{day:%Y-%m-%d}" + (f"/{len(earlier) + 1}" if earlier else "")
    rows: dict[str, list[Row]] = {}
    for row in sheets.of("count"):
        if not row.design:
            rows.setdefault(row.item, []).append(row)
    before = _lines_of_day(book, day)
    for item, group in rows.items():
        thrown = sum(r.thrown_away for r in group)
        if thrown:
            draft.add(Line("deliveries", day, "thrown_away", item, catalogue.pack.get(item, 1), 0, thrown))
    if any(line.table == "deliveries" for line in draft.lines):
        then = standing(book.grown(draft.lines, ""), day)
    for item, group in rows.items():
        lines = _counted_lines(group, then, plan, catalogue, day, number)
        draft.add_new(lines, before.get(item, set()))
    for row in sheets.of("count"):
        if row.design:
            _count_kits(row, then, draft, before.get(row.design, set()), day, number)
    seen = sum(r.packs is not None or r.loose_units is not None for group in rows.values() for r in group)
    told = [f"{counted(seen, 'line')} counted on {day.isoformat()}."] * (bool(seen) or not rows)
    if any(line.event == "thrown_away" for line in draft.lines):
        told.append(f"Thrown away on {day.isoformat()}: " + some_of(
            [f"{x.units} of {x.item}" for x in draft.lines if x.event == "thrown_away"], 6) + ".")
    step = draft.step(told, "count")
    return replace(step, told=(*step.told, *_same_day(book, day)))


def _lines_of_day(book: OrderBook, day: date) -> dict[str, set[Line]]:
    """item -> what the last count of that day said of it, as it was typed."""
    groups: dict[str, tuple[str, set[Line]]] = {}
    for line in book.of("counts"):
        if line.day == day and not line.answers and line.event in ("counted", "asked", "kits"):
            number, facts = groups.get(line.item, ("", set()))
            groups[line.item] = line.number, {*(facts if number == line.number else ()), _fact(line)}
    return {item: facts for item, (_, facts) in groups.items()}


def _counted_lines(group: Sequence[Row], then: Standing, plan: RoundPlan, catalogue: Catalogue, day: date,
                   number: str) -> list[Line]:
    item = group[0].item
    level = plan.level.get(item)
    pack = group[0].pack or (level.pack if level else catalogue.pack.get(item, 1))
    lines = [Line("counts", day, "counted", item, pack, r.packs or 0, r.loose_units or 0, r.expires, r.lot, number)
             for r in group if r.packs is not None or r.loose_units is not None]
    if not lines:
        return []
    question = _too_many(item, sum(x.units for x in lines), pack, group, then, plan, catalogue)
    return [replace(x, event="asked", note=question) for x in lines] if question else lines


def _too_many(item: str, units: int, pack: int, group: Sequence[Row], then: Standing, plan: RoundPlan,
              catalogue: Catalogue) -> str:
    """Why a count is more than can be, "" when it can be. Too few is believed: it orders more, the safe side."""
    level, expected = plan.level.get(item), max(then.expected.get(item, 0), 0)
    most = max(level.top_units if level else 0, expected)
    if not group[0].pack and pack != catalogue.pack.get(item, pack) and units >= pack:
        return (f"{item} was counted in packs of {pack}, and items.csv now says {catalogue.pack[item]}; "
                f"it was taken as {units} single items")
    if item not in then.counted:
        return f"{units:,} of {item} is more than three times what the plan would ever hold, {most:,}" if (
            level and units > 3 * most) else ""
    if units > most and units > expected + max(level.pack if level else pack, expected // 4):
        return (f"{units:,} of {item} were counted where {expected:,} were expected and {most:,} is the most there "
                "should be" + next((f"; order {o.number} still waits for {o.units}: if they came, type them on "
                        "Receive with the day they came" for o in then.open if o.item == item), ""))
    return ""


def _count_kits(found: Row, then: Standing, draft: _Draft, before: set[Line], day: date, number: str) -> None:
    """Kits missing from the shelf went to bedsides, the earliest date first; more than there were is a question."""
    kits = found.packs or found.loose_units or 0
    line = Line("counts", day, "kits", found.design, 1, kits, number=number)
    if draft.add_new([line], before):
        here = then.kits_at("shelf", found.design)
        draft.lines += [Line("kits", day, "to_bedside", number=kit.number, design=kit.design,
                             note="missing at the count")
                        for kit in here[:max(len(here) - kits, 0)]]


def _same_day(book: OrderBook, day: date) -> list[str]:
    touched = {x.table for x in book.lines if x.day == day and x.event in ("received", "built")}
    words = {"deliveries": "the delivery", "kits": "the kits built"}
    return [f"{words[t].capitalize()} of {day.isoformat()}, entered before, {'is' if t == 'deliveries' else 'are'} "
            "taken to have been there already when the shelf was counted." for t in sorted(touched)]


def answer(answers: Iterable[Row], book: OrderBook, source: str) -> Step:
    """Lines that settle asked lines. Raises InputError for a number that is no open question."""
    open_lines = {line.entry: line for line in standing(book).asked}
    known = {line.entry: line for line in book.lines if line.event == "asked"}
    lines, problems, done = [], [], 0
    for given in answers:
        asked = open_lines.get(given.no)
        if asked is None:
            done += given.no in known
            if given.no not in known:
                problems.append(Problem(source, "is no question of this book",
                                        "Print the questions anew, or leave the line empty.", row=given.row,
                                        column="No.", value=str(given.no)))
            continue
        rest = [x for x in open_lines.values() if x.entry != asked.entry and x.table == asked.table == "counts"
                and (x.item, x.number) == (asked.item, asked.number)]
        lines += _settled(asked, rest, given)
        open_lines = {e: x for e, x in open_lines.items() if x not in (asked, *rest)}
    if problems:
        raise InputError(problems, "reading the answers")
    told = [f"{counted(len(lines), 'question')} answered."] if lines else []
    return Step(tuple(lines), (*told, *([f"{done} had been answered already."] if done else [])))


def _settled(asked: Line, rest: Sequence[Line], given: Row) -> list[Line]:
    """The asked line and the others of its item in the same count, as the answer has them."""
    lines = [replace(x, answers=x.entry, note="") for x in (asked, *rest)]
    real = "counted" if asked.table == "counts" else "received"
    if given.packs is not None or given.loose_units is not None:
        right = replace(lines[0], packs=given.packs or 0, loose=given.loose_units or 0, event=real)
        return [right, *(replace(x, event="withdrawn") for x in lines[1:])]
    return [replace(x, event=real if given.right else "withdrawn") for x in lines]


def order_lines(order: Order, book: OrderBook, catalogue: Catalogue, day: date) -> list[Line]:
    """Lines of an order made today, all under one number; none when there is nothing to order."""
    number = str(book.next_number((int(x.number), x) for x in book.of("orders") if x.number.isdecimal()))
    return [Line("orders", day, "ordered", item, catalogue.pack[item], packs, number=number,
                 price=catalogue.price[item]) for item, packs in order.wanted.items()]


def amend_orders(rows: Iterable[Row], book: OrderBook, source: str) -> Step:
    """Lines for packs that were really ordered in another number than the program said. Raises InputError."""
    lines, problems = [], []
    for row in rows:
        there = [x for x in book.of("orders") if x.item == row.item and row.order in ("", x.number)]
        if not there:
            problems.append(Problem(source, "is in no order of this book", "Type it on Receive when it comes.",
                                    row=row.row, column="item", value=row.item))
            continue
        last = there[-1]
        now = sum(x.packs if x.event == "ordered" else -x.packs for x in there if x.number == last.number)
        lines += [replace(last, event=event, packs=packs, note="as really ordered") for event, packs in
                  (("ordered", row.ordered - now), ("will_not_come", now - row.ordered)) if packs > 0]
    if problems:
        raise InputError(problems, "reading what was really ordered")
    return Step(tuple(lines), (f"{len(lines)} order lines changed to what was really ordered.",) if lines else ())


def first_count(unit: Unit, plan: RoundPlan, catalogue: Catalogue, on_day: date | None = None) -> list[Line]:
    """The table on_hand of a unit that has no book yet, as a count, with what it says is on order.

    It has no pack sizes of its own: those of the catalogue are taken. Its day: what it says, else the census's last.
    """
    frame = unit.on_hand
    assert frame is not None
    days = pd.to_datetime(frame["date"]).dropna() if "date" in frame else pd.Series(dtype="datetime64[ns]")
    day = on_day or (days.max().date() if len(days) else unit.census.last_day or date.today())
    rows, coming = [], []
    for k, row in enumerate(frame.itertuples(index=False)):
        pack = catalogue.pack[str(row.item)]
        expires = None if pd.isna(row.expires) else pd.Timestamp(row.expires).date()
        lot = str(row.lot) if isinstance(row.lot, str) else ""
        rows.append(Row(k + 2, str(row.item), packs=_int(row.packs), loose_units=_int(row.loose_units), pack=pack,
                        expires=expires, lot=lot))
        if ordered := _int(getattr(row, "on_order_packs", 0)):
            coming.append(Line("orders", day, "ordered", str(row.item), pack, ordered, number="0",
                               note="on order when the book began"))
    step = count(RoundSheets("on_hand.csv", {"count": tuple(rows)}), OrderBook(), plan, catalogue, day)
    return [*step.lines, *coming]


def _int(value: object) -> int:
    return 0 if value is None or value != value else int(value)  # type: ignore[call-overload]
