"""What the commands of the round share: the unit, its plan and its book, and how a step is taken in and kept.

One book has one writer: it is locked by its unit's own file, read, grown, and written whole or not at all.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import click

from kitplan.commands.common import Progress, load, out_folder, say
from kitplan.commands.plan_in_use import plan_in_use
from kitplan.demand.rate_from_use import learn_from, rate_record
from kitplan.many import papers_together
from kitplan.outputs import part_prints, part_tables, record_of
from kitplan.parts.orders import steps
from kitplan.parts.orders.back_order import BackOrder, missing_items
from kitplan.parts.orders.build import built
from kitplan.parts.orders.ledger import standing, uses_of
from kitplan.parts.orders.model import WeeklyRound, weekly_round
from kitplan.parts.orders.recall import Recall, find_recall, recall_lines
from kitplan.parts.orders.round_plan import Catalogue, catalogue_of
from kitplan.parts.overview.readers import STOCK_ROOM
from kitplan.planning import Plan, with_parts
from kitplan.read import order_book
from kitplan.read.findings import suggestion
from kitplan.read.problems import InputError, Problem
from kitplan.read.round_sheets import DAY_LABELS, SHEETS, Names, RoundSheets, has_round, read_round
from kitplan.read.unit import load_unit
from kitplan.read.values import Unit
from kitplan.read.workbook import is_unit_workbook
from kitplan.workbooks import build_workbooks
from kitplan.write.tables import table_bytes
from kitplan.write.writer import OutputError, one_writer, write_outputs

_COUNT = "receive", "answers", "ordered", "moved", "count"
TAKES = {"receive": ("receive",), "count": _COUNT, "order": _COUNT, "build": (*_COUNT, "kits"),
         "to_class": ("to_class",), "workbook": (*_COUNT, "kits", "to_class")}
"""Step -> what it takes in, in order: its sheet and those of the steps before it; "workbook": whatever one holds.
"moved" is where kits went, of Build kits: one at a bedside is not ready, so a count and an order have to know it."""


@dataclass
class Session:
    """A round at work. unit: as its files are today. home: folder that holds the book. folder: of the plan. book: as it
    grows; found: as it was read. changed: what has changed since the plan was made. filled: the file that was typed
    into. renew: the workbook may be written anew.
    """

    unit: Unit
    home: Path
    folder: Path
    plan: Plan
    book: order_book.OrderBook
    found: order_book.OrderBook
    catalogue: Catalogue
    changed: tuple[str, ...] = ()
    filled: Path | None = None
    told: list[str] = field(default_factory=list)
    renew: bool = True

    def add(self, step: steps.Step) -> None:
        """Take a step's lines into the book, and its sentences up."""
        self.book = self.book.grown(step.lines, self.plan.number)
        self.told += step.told

    def names(self) -> Names:
        """How lines may name items, with the trade numbers that were said before."""
        return Names.of(self.unit.items, steps.aliases(self.book))

    def recalled(self, lot: str, item: str | None = None) -> Recall:
        """Where a recalled lot is, of one item or of all. Raises InputError for an item that nothing here is called,
        and for a blank lot: it would be every pack whose lot nobody typed in.
        """
        if not lot.strip():
            raise InputError([Problem("LOT", "is blank", "Give it as it stands on the packs.")], "looking for the lot")
        names = self.names()
        names = replace(names, known=names.known | {x.item for x in self.book.lines if x.item})
        if item and (meant := names.find(item)) is None:
            raise InputError([Problem("--item", "is in neither items.csv nor the book", suggestion(
                item, sorted(names.known)), value=item)], "looking for the lot")
        item = meant if item else None
        return find_recall(lot, self.book, standing(self.book), self.plan.orders.plan, item)

    def weekly(self, *, keep_order: bool = False) -> WeeklyRound:
        """The round as it stands now."""
        return weekly_round(self.unit, self.plan.orders.plan, self.book, self._back_order(), keep_order=keep_order)

    def _back_order(self) -> BackOrder | None:
        """What to do without items: from the shelf, at the plan's own pace, at packs and prices of the catalogue."""
        unit, items, stock = self.plan.unit, self.plan.unit.items.copy(), self.unit.stock
        gone = tuple(i for i in stock.unavailable if i in set(items["item"]))
        if not gone:
            return None
        for column, today in (("pack", self.catalogue.pack), ("price", self.catalogue.price)):
            items[column] = [today.get(item, was) for item, was in zip(items["item"], items[column])]
        stock = replace(unit.stock, unavailable=gone, unavailable_weeks=stock.unavailable_weeks)
        return missing_items(replace(unit, items=items, stock=stock), self.plan.seed, self.plan.item_choice,
                             standing(self.book), self.plan.orders.plan)


def find_unit(filled: Path) -> Path:
    """The unit that a filled-in file belongs to: itself, its folder, one above, the workbook whose plan it lies in, or
    the one of a folder of units.

    Raises InputError.
    """
    here = filled.absolute()
    for folder in (here, here.parent, here.parent.parent):
        if folder.is_dir() and (folder / "unit.toml").is_file():
            return filled if folder == here or here.name == "unit.toml" else folder
    planned_from = here.parent.with_name(here.parent.name.removesuffix("-plan") + ".xlsx")
    if here.parent.name.endswith("-plan") and planned_from.is_file():
        return planned_from
    if is_unit_workbook(filled):
        return filled
    for unit, place in papers_together(here.parent.parent).items():
        if place == here.parent:
            return unit
    fault, mend = ("lies in no unit's folder", "Say which unit it is of with --unit.") if filled.exists() else (
        "is not there", "Check the spelling of the path.")
    raise InputError([Problem(str(filled), fault, mend)], "looking for the unit")


@contextlib.contextmanager
def session(unit_path: Path, out: Path | None, seed: int | None, *, mend: bool = False, without: tuple[str, ...] = (),
            weeks: float | None = None, quiet: bool = False) -> Iterator[Session]:
    """The plan and the book of a unit, held against other writers for as long as the block runs.

    mend: take the book as it stands. without: items that cannot be had, for so many weeks. quiet: name neither
    the plan nor what is worth a look. Raises InputError, OutputError.
    """
    read = load_unit(unit_path, seed) if quiet else load(unit_path, seed, weekly=True)
    unit = without_items(read, without, weeks)
    home, folder = order_book.book_home(unit_path), out_folder(unit_path, out)
    with one_writer(order_book.book_lock(unit_path)):
        book = order_book.read_book(home, folder, mend=mend).named(Names.of(unit.items).find)
        for warning in () if quiet else book.warnings:
            say(f"Look at: {warning}")
        with Progress() as tell:
            used = plan_in_use(unit_path, out, None, seed, tell)
            plan = used.plan if "order" in used.plan.parts else with_parts(used.plan, ("order",), tell)
        if not quiet:
            used.say()
        yield Session(unit, home, folder, plan, book, book, catalogue_of(unit), used.changed)


def without_items(unit: Unit, without: tuple[str, ...], weeks: float | None) -> Unit:
    """The unit with items that cannot be had for some weeks. Raises InputError for a name that is no item."""
    names = unit.items["item"].tolist()
    problems = [Problem("--without", "is not in the catalogue", suggestion(item, names), value=item)
                for item in without if item not in names]
    if problems:
        raise InputError(problems, "leaving items out")
    gone = tuple(dict.fromkeys([*unit.stock.unavailable, *without]))
    stock = replace(unit.stock, unavailable=gone, unavailable_weeks=weeks or unit.stock.unavailable_weeks)
    return replace(unit, stock=stock)


def keep(work: Session, all_of_it: bool = False) -> None:
    """Write the book, whole or not at all, where it has grown. all_of_it: and where it has not."""
    if work.book is not work.found or all_of_it:
        write_outputs(work.home / "book", book_files(work))


def book_files(work: Session) -> dict[str, bytes]:
    """The files of the book, and what its counts teach for the next plan."""
    frames = order_book.book_frames(work.book)
    files = {f"{table}.csv": table_bytes(f"book_{table}", frame) for table, frame in frames.items()
             if work.book.of(table)}
    plan = work.plan
    found = learn_from(plan.unit, plan.airways, plan.expected, uses_of(standing(work.book)))
    learnt = {order_book.LEARNT: rate_record(found, plan.airways)} if found else {}
    return files | {"last.json": order_book.last_record(work.book)} | learnt


def mend_book(work: Session) -> None:
    """Write the book anew as it stands; a copy of the tables as they were found is put beside it first."""
    place = work.home / "book"
    found = {f"as-found/{p.name}": p.read_bytes() for p in sorted(place.glob("*.csv"))}
    if found:
        write_outputs(place, found)
    keep(work, all_of_it=True)
    work.told.append("The book was taken as it stands. The tables as they were found are beside it.")


def take_in(work: Session, step: str, filled: Path, on_day: date | None, *, older: bool = False) -> None:
    """Take in what was typed on the sheets of a step and of those before it."""
    work.filled = filled
    is_book = filled.suffix.casefold() in (".xlsx", ".xlsm")
    wanted = TAKES[step] if is_book else {"order": ("count",), "build": ("moved", "kits")}.get(step, (step,))
    gone = frozenset(i for i in {x.item for x in work.book.lines} if i and i not in work.catalogue.pack)
    tables = tuple("kits" if table == "moved" else table for table in wanted)
    sheets = read_round(filled, work.names(), tuple(dict.fromkeys(tables)), gone, work.unit.day_first)
    _same_unit(sheets, work)
    unit_plan, catalogue, source = work.plan.orders.plan, work.catalogue, sheets.source
    takers: dict[str, Callable[[], steps.Step]] = {
        "receive": lambda: steps.receive(sheets, work.book, unit_plan, catalogue, _day(sheets, "receive", on_day)),
        "answers": lambda: steps.answer(sheets.of("answers"), work.book, source),
        "ordered": lambda: steps.amend_orders(sheets.of("ordered"), work.book, source),
        "count": lambda: steps.count(sheets, work.book, unit_plan, catalogue, _day(sheets, "count", on_day),
                                     older=older),
        "moved": lambda: built(sheets.of("moved"), work.book, standing(work.book), unit_plan,
                               _day(sheets, "kits", sheets.days.get("count") or on_day), source),
        "kits": lambda: built(sheets.of("kits"), work.book, standing(work.book), unit_plan,
                              _day(sheets, "kits", on_day), source),
        "to_class": lambda: steps.to_class(sheets, work.book, unit_plan, catalogue, _day(sheets, "to_class", on_day)),
    }
    for table in wanted:
        if sheets.of(table):
            work.add(takers[table]())
    work.told += [f"Look at: {warning}" for warning in sheets.warnings]
    if is_book and step != "to_class":
        _look_further(work, step, filled)


def take_in_unit(work: Session, step: str, unit_path: Path, on_day: date | None, *, older: bool = False) -> None:
    """Take in the unit's own stock-room workbook; where nothing is typed there, its on_hand table."""
    workbook = work.folder / STOCK_ROOM.file
    if workbook.is_file() and has_round(workbook):
        take_in(work, step, workbook, on_day, older=older)
    if work.book is not work.found or step == "receive" or work.unit.on_hand is None:
        return
    lines = steps.first_count(work.unit, work.plan.orders.plan, work.catalogue, on_day)
    last = standing(work.book).last_count
    if last is None:
        work.book = work.book.grown(lines, work.plan.number)
        work.told.append(f"The book begins with on_hand, counted on {lines[0].day.isoformat()}." if lines else "")
    elif lines and lines[0].day >= last and (unit_path / "on_hand.csv").is_file():
        take_in(work, "count", unit_path / "on_hand.csv", on_day or lines[0].day, older=older)


def _day(sheets: RoundSheets, sheet: str, on_day: date | None) -> date:
    """The date written on the sheet, which is the date of the count whenever it is typed in; else --on, else today."""
    day = sheets.days.get(sheet) or on_day or date.today()
    if day > date.today():
        raise InputError([Problem(sheets.source, "is in the future", "Correct the date.", column=DAY_LABELS[sheet],
                                  value=day.isoformat())], "reading the date")
    return day


def _same_unit(sheets: RoundSheets, work: Session) -> None:
    unit = work.plan.unit.name
    if sheets.unit_name and sheets.unit_name != unit:
        raise InputError([Problem(sheets.source, f"is of another unit than {unit!r}",
                                  "Give the workbook of this unit.", column="Unit",
                                  value=sheets.unit_name)], "matching the sheet with its unit")
    if sheets.plan_number and sheets.plan_number != work.plan.number:
        work.told.append(f"The sheet was printed by plan {sheets.plan_number}; counts are taken as they stand on it, "
                         f"with its pack sizes, and the order goes by the present plan, {work.plan.number}.")


def _look_further(work: Session, step: str, filled: Path) -> None:
    """Leave the workbook as it is where a later sheet is filled in already."""
    later = tuple(t for t in SHEETS if t not in (*TAKES[step], "to_class")
                  and not (step == "receive" and t == "ordered"))
    if not later:
        return
    sheets = read_round(filled, work.names(), later, day_first=work.unit.day_first)
    waiting = [t for t in later if sheets.of(t) or (t == "kits" and step == "receive" and sheets.of("moved"))]
    if waiting:
        work.renew = False
        names, last = " and ".join(SHEETS[t] for t in waiting), "build" if "kits" in waiting else "count"
        work.told.append(f"{filled.name} is left as it is, because {names} {'is' if len(waiting) == 1 else 'are'} "
                         f"filled in as well and not taken in yet: kitplan {last} takes all in.")


def take_away(work: Session, found: Recall, day: date) -> None:
    """Write down that a recalled lot is off the shelf and out of the kits."""
    work.book = work.book.grown(recall_lines(found, standing(work.book), day), work.plan.number)
    keep(work)
    finish(work, work.weekly(keep_order=True))


def finish(work: Session, weekly: WeeklyRound) -> None:
    """Write what the round gives; what is to be known of a workbook that stood there is told. Raises OutputError."""
    try:
        work.told += write_outputs(work.folder, papers(work, weekly)).sentences()
    except OutputError as error:
        if work.book is not work.found:
            error.mend = ("What was typed in, or ordered, IS in the book; only the papers are of before. "
                          f"{error.mend} Then do any step again: it writes them anew.")
        raise


def papers(work: Session, weekly: WeeklyRound) -> dict[str, bytes]:
    """The files that the round gives: the stock-room workbook with its sheets anew, tables and prints.

    The workbook that was filled in is kept once, under filled/, by the day of the last count.
    """
    plan = work.plan.with_result("order", weekly)
    files = part_tables(plan.tables_of("order")) | part_prints(plan, "order")
    if work.renew:
        files |= build_workbooks(plan, (STOCK_ROOM,))
        standing_book = work.folder / STOCK_ROOM.file
        if work.filled is not None and work.filled.absolute() == standing_book.absolute():
            files[f"filled/{weekly.now.day or 'sheet'}.xlsx"] = standing_book.read_bytes()
    files[order_book.PAPERS] = record_of(plan, "order", files, last_entry=work.book.last_entry)
    return files


def report(work: Session, weekly: WeeklyRound) -> None:
    """Say what was taken in and what is open."""
    for line in [*work.told, *(f"Question {f'{q.no} ' if q.no else ''}({q.item}): {q.question} {q.mend}"
                               for q in weekly.questions)]:
        click.echo(line)
    click.echo(f"Written to {work.folder}.")


def placed(work: Session, weekly: WeeklyRound, day: date | None) -> WeeklyRound:
    """The round with its order in the book: made once, shown again when nothing was left to order.

    day: of the order (default: the last day in the book, which is a day after the count where a class took something).
    """
    if weekly.order is None or weekly.order.number:
        return weekly
    lines = steps.order_lines(weekly.order, work.book, work.catalogue, day or weekly.now.day or date.today())
    if not lines:
        return weekly
    work.book = work.book.grown(lines, work.plan.number)
    work.told.append(f"This is order {lines[0].number}. It is in the book as made; what you order otherwise goes under "
                     "Ordered on the sheet Order.")
    return work.weekly()
