"""Reads back what a person typed during the weekly round: deliveries, counts, answers and kits.

From the stock-room workbook, whoever saved it and however its sheets are named or its columns moved, or from one
table saved as CSV. Everything is found by headings. A line left blank was not counted; a blank is never an empty
shelf. What is printed beside the boxes, the pack size above all, is believed as it stood on the sheet.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.catalogue import items_meant
from kitplan.read.cells import Bad, Moment, text_of, tidy
from kitplan.read.columns import Column, columns_of
from kitplan.read.days import day_order, read_days
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.grids import Grid, header_key, text_grid
from kitplan.read.headers import RawTable, raw_table
from kitplan.read.pack_code import looks_like_pack_code, read_pack_code, same_trade_number
from kitplan.read.problems import InputError, Problem
from kitplan.read.source import OTHER_SHEETS
from kitplan.read.tables import TableReader
from kitplan.read.workbook import Book as Workbook

SHEETS = {"receive": "Receive", "count": "Count", "answers": "Questions", "ordered": "Order", "kits": "Build kits",
          "to_class": "From the stock room"}
"""Table of columns.csv -> title of the sheet that is filled in."""

DAY_LABELS = {"receive": "Date received", "count": "Date of count", "kits": "Date built", "to_class": "Date taken"}
TYPED = {
    "receive": ("packs", "loose_units", "will_not_come", "pack_code"), "count": ("packs", "loose_units", "thrown_away"),
    "answers": ("right", "packs", "loose_units"), "ordered": ("ordered",), "kits": ("built", "moved_to"),
    "to_class": ("taken",),
}
"""Columns that a person fills in: a row without any of them says nothing."""

_ENOUGH_BYTES = 60_000_000
_NOWHERE = "", 0
_KIT = "kit "


@dataclass(frozen=True)
class ReceivedRow:
    """One line of a delivery, or of what a class took. pack None: as it was ordered. item "": only a trade number."""

    row: int
    order: str
    item: str
    packs: int
    loose: int
    pack: int | None = None
    expires: date | None = None
    lot: str = ""
    trade_number: str = ""
    will_not_come: int = 0


@dataclass(frozen=True)
class CountedRow:
    """One line of a count. packs and loose None: not counted. pack: as printed on the sheet, None where it is not."""

    row: int
    item: str
    packs: int | None
    loose: int | None
    pack: int | None = None
    expires: date | None = None
    lot: str = ""
    thrown_away: int = 0


@dataclass(frozen=True)
class KitsFound:
    """Built kits of one design on the shelf."""

    design: str
    kits: int


@dataclass(frozen=True)
class Answer:
    """What a person says to question number `entry`: right as it stands, or what is right, or neither: forget it."""

    row: int
    entry: int
    right: bool
    packs: int | None
    loose: int | None


@dataclass(frozen=True)
class Ordered:
    """Packs that were really ordered of a line of an order."""

    row: int
    order: str
    item: str
    packs: int


@dataclass(frozen=True)
class KitRow:
    """Kits of a design built today, or where one kit went, or what was put back into it.

    item, units: of a refill; item "": everything that is not emergency equipment.
    """

    row: int
    design: str
    built: int
    kit: str
    moved_to: str
    item: str = ""
    units: int = 0


@dataclass(frozen=True)
class RoundSheets:
    """What was typed. days: "receive", "count", "kits" -> the date written on that sheet, where there is one."""

    source: str
    received: tuple[ReceivedRow, ...] = ()
    counted: tuple[CountedRow, ...] = ()
    kits: tuple[KitsFound, ...] = ()
    answers: tuple[Answer, ...] = ()
    ordered: tuple[Ordered, ...] = ()
    kit_rows: tuple[KitRow, ...] = ()
    to_class: tuple[ReceivedRow, ...] = ()
    days: Mapping[str, date] = field(default_factory=dict)
    plan_number: str = ""
    unit_name: str = ""
    warnings: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class Names:
    """How a line may name an item: by its name, its description or alias, or by its trade number.

    known: names. meant: text -> the items it may mean. learnt: trade numbers learnt since, 14 digits -> item.
    """

    known: frozenset[str]
    meant: Callable[[str], set[str]]
    learnt: Mapping[str, str] = field(default_factory=dict)

    @classmethod
    def of(cls, items: pd.DataFrame, learnt: Mapping[str, str] | None = None) -> Names:
        """items: the catalogue."""
        return cls(frozenset(map(str, items["item"])), items_meant(items), learnt or {})

    def find(self, text: str) -> str | None:
        """The one item that a cell names, None when it names none or may name several."""
        bare = text.removeprefix("EM ").strip()
        if bare in self.known:
            return bare
        meant = self.meant(bare)
        return next(iter(meant)) if len(meant) == 1 else self.learnt.get(same_trade_number(bare))


def read_round(path: Path, names: Names, wanted: tuple[str, ...], gone: frozenset[str] = frozenset()) -> RoundSheets:
    """Read a filled-in workbook, or one table as CSV. wanted: which of SHEETS to read; the first one for a CSV.

    gone: items that the book knows and the catalogue no longer has; they may still be counted. Raises InputError
    with everything that is wrong, or OSError.
    """
    content, findings = _content(path), Findings()
    names = replace(names, known=names.known | gone)
    if path.suffix.casefold() in (".xlsx", ".xlsm"):
        found = _from_workbook(path, content, names, wanted, findings)
    else:
        columns = columns_of(wanted[0])
        grid = text_grid(path.name, content, columns)
        if isinstance(grid, Bad):
            findings.fault(path.name, grid.fault, grid.mend)
        found = RoundSheets(path.name)
        if isinstance(grid, Grid):
            found = _table(found, wanted[0], grid, columns, names, findings)
    findings.stop_if_faulty(f"reading {path.name}")
    return replace(found, warnings=tuple(findings.warnings))


def has_round(path: Path) -> bool:
    """True when a workbook has a sheet of the round; what cannot be read is told by `read_round`."""
    try:
        sheets = Workbook(path.name, _content(path)).sheets
    except ValueError:
        return True
    return bool({key_of(s) for s in sheets} & {key_of(s) for s in SHEETS.values()})


def _content(path: Path) -> bytes:
    ending = path.suffix.casefold().lstrip(".")
    fault = mend = ""
    if ending in OTHER_SHEETS - {"xlsm"}:
        fault, mend = f"is saved as .{ending}, which is not read", "Save it as .xlsx or as CSV."
    elif path.is_dir():
        fault, mend = "is a folder where a filled-in sheet belongs", "Give stock-room.xlsx, or a table as CSV."
    elif path.stat().st_size > _ENOUGH_BYTES:
        fault, mend = "is far larger than a filled-in sheet", "Give stock-room.xlsx, or a table as CSV."
    for lock in (path.with_name(f".~lock.{path.name}#"), path.with_name(f"~${path.name}")):
        if lock.exists():
            fault = "is open in a spreadsheet program"
            mend = f"Save and close it, then run again; if nobody has it open, delete {lock.name}."
    if fault:
        raise InputError([Problem(path.name, fault, mend)], "reading a filled-in sheet")
    return path.read_bytes()


def _from_workbook(path: Path, content: bytes, names: Names, wanted: tuple[str, ...],
                   findings: Findings) -> RoundSheets:
    found = RoundSheets(path.name)
    try:
        book = Workbook(path.name, content)
    except ValueError as error:
        bad: Bad = error.args[0]
        findings.fault(path.name, bad.fault, bad.mend)
        return found
    grids = {sheet: grid for sheet in book.sheets if isinstance(grid := book.grid(sheet), Grid)}
    told = _labels(grids)
    found = replace(found, plan_number=text_of(told.get("plan number", _NOWHERE)[0]),
                    unit_name=text_of(told.get("unit", _NOWHERE)[0]))
    for table in wanted:
        sheet = _sheet_of(table, grids)
        if sheet is not None:
            found = _table(found, table, grids[sheet], columns_of(table), names, findings)
    if all(_sheet_of(t, grids) is None for t in wanted):
        findings.fault(path.name, f"has no sheet {SHEETS[wanted[0]]!r} and none with its headings",
                       "Give the workbook that kitplan wrote, filled in.")
    return found


def _sheet_of(table: str, grids: Mapping[str, Grid]) -> str | None:
    """The sheet of a table: by its title, else the one that has the most of its headings, all needed ones among
    them.
    """
    titled = [s for s in grids if key_of(s) == key_of(SHEETS[table])]
    if titled:
        return titled[0]
    columns = columns_of(table)
    needed = {c.name for c in columns.values() if c.required} | {TYPED[table][0]}
    fit = {s: len(h & set(columns)) for s, g in grids.items() if needed <= (h := _headings(g))
           and key_of(s) not in {key_of(t) for t in SHEETS.values()}}
    return max(fit, key=lambda s: fit[s]) if fit else None


def _headings(grid: Grid) -> set[str]:
    return max(({header_key(c) for c in row if isinstance(c, str)} for row in grid.rows[:30]), key=len, default=set())


def _table(found: RoundSheets, table: str, grid: Grid, columns: Mapping[str, Column], names: Names,
           findings: Findings) -> RoundSheets:
    raw = raw_table(grid, columns, findings)
    reader = TableReader.of(None if raw is None else _filled(raw, table), findings, quiet_others=True)
    if reader is None:
        return found
    rows = reader.records()
    if table in DAY_LABELS:
        day = _labels({"": grid}).get(DAY_LABELS[table].casefold())
        at = _day(*day, found.source, DAY_LABELS[table], findings) if day is not None else max(
            (row["date"] for row in rows if row.get("date") is not None), default=None)
        found = found if at is None else replace(found, days={**found.days, table: at})
    return replace(found, **_READ[table](reader, rows, names))


def _filled(raw: RawTable, table: str) -> RawTable:
    """The rows in which a person typed something; in a count also those without an item, to be refused."""
    typed = [c for name, c in raw.columns.items() if name in TYPED[table]]
    keep = np.any([[v is not None for v in column] for column in typed], axis=0) if typed else np.zeros(0, bool)
    columns = {name: cells[keep] for name, cells in raw.columns.items()}
    return replace(raw, columns=columns, rows=raw.rows[keep], others=[])


def _day(given: object, row: int, source: str, label: str, findings: Findings) -> date | None:
    """The date written beside the label, in that row."""
    if isinstance(given, str) and given.casefold().endswith(" by"):
        return None
    (moment,) = read_days([given], day_order([given]))
    if isinstance(moment, Moment):
        return moment.day
    findings.fault(source, moment.fault, moment.mend, row=row, column=label, value=given)
    return None


def _labels(grids: Mapping[str, Grid]) -> dict[str, tuple[Any, int]]:
    """What stands to the right of the labels Unit, Plan number and the dates, wherever they are, and its row."""
    wanted = {"unit", "plan number", *(label.casefold() for label in DAY_LABELS.values())}
    found: dict[str, tuple[Any, int]] = {}
    for grid in grids.values():
        for number, row in zip(grid.numbers[:60], grid.rows):
            for at, cell in enumerate(row):
                label = str(tidy(cell) or "").casefold().rstrip(":") if isinstance(cell, str) else ""
                value = next((tidy(c) for c in row[at + 1:at + 4] if tidy(c) not in (None, "")), None)
                if label in wanted and label not in found and value is not None:
                    found[label] = value, number
    return found


Rows = list[dict[str, Any]]


def _named(reader: TableReader, rows: Rows, names: Names) -> Rows:
    """The good rows with the catalogue's names of their items; a word that names none is a fault with the nearest."""
    strange: dict[str, Rows] = {}
    for row in rows:
        text = row["item"]
        item = text if not text or text.casefold().startswith(_KIT) else names.find(text)
        row["item"] = item or ""
        if item is None:
            strange.setdefault(text, []).append(row)
    for text, where in strange.items():
        reader.refuse_rows("item", where, "is not in the catalogue", suggestion(text, sorted(names.known)))
    return reader.good(rows)


def _read_count(reader: TableReader, rows: Rows, names: Names) -> dict[str, Any]:
    counted, kits = [], []
    bare: set[str] = set()
    for row in _named(reader, rows, names):
        item, packs, loose = row["item"], row["packs"], row["loose_units"]
        if item.casefold().startswith(_KIT):
            if packs is not None or loose is not None:
                kits.append(KitsFound(item[len(_KIT):].strip(), packs or loose or 0))
            continue
        if not row["lot"] and row["expires"] is None:
            if item in bare:
                reader.refuse_rows("item", [row], "stands twice in the count",
                                   "Keep one line, or give each its lot or date.")
            bare.add(item)
        counted.append(CountedRow(row["row"], item, packs, loose, row["pack"], row["expires"], row["lot"],
                                  row["thrown_away"] or 0))
    return {"counted": tuple(counted), "kits": tuple(kits)}


def _read_receive(reader: TableReader, rows: Rows, names: Names) -> dict[str, Any]:
    for row in rows:
        column = "pack_code"
        if not row["pack_code"] and looks_like_pack_code(row["item"]) and names.find(row["item"]) is None:
            column, row["pack_code"], row["item"] = "item", row["item"], ""
        code = read_pack_code(row["pack_code"]) if row["pack_code"] else None
        if isinstance(code, Bad):
            reader.refuse_rows(column, [row], code.fault, code.mend)
        row["code"] = code
    received = []
    for row in _named(reader, rows, names):
        code, packs, loose, stays = row["code"], row["packs"], row["loose_units"], row["will_not_come"]
        number = code.trade_number if code else ""
        one = int(code is not None and packs is None and loose is None and stays is None)
        received.append(ReceivedRow(
            row["row"], row["order"], row["item"] or names.find(number) or "", packs or one, loose or 0,
            row["pack"], row["expires"] or (code.expires if code else None), row["lot"] or (code.lot if code else ""),
            number, stays or 0))
    return {"received": tuple(received)}


def _read_answers(reader: TableReader, rows: Rows, _: Names) -> dict[str, Any]:
    return {"answers": tuple(Answer(row["row"], row["no"], bool(row["right"]), row["packs"], row["loose_units"])
                             for row in reader.good(rows))}


def _read_ordered(reader: TableReader, rows: Rows, names: Names) -> dict[str, Any]:
    return {"ordered": tuple(Ordered(row["row"], row["order"], row["item"], row["ordered"] or 0)
                             for row in _named(reader, rows, names))}


_PLACES = {"bedside": "to_bedside", "shelf": "back", "back": "back", "used": "used_up", "used up": "used_up",
           "opened": "used_up", "apart": "taken_apart", "taken apart": "taken_apart", "thrown away": "thrown_away",
           "refilled": "refilled"}


def _read_kits(reader: TableReader, rows: Rows, names: Names) -> dict[str, Any]:
    return {"kit_rows": tuple(
        KitRow(row["row"], row["design"], row["built"] or 0, row["kit"], _PLACES.get(row["moved_to"], ""), row["item"],
               row["units"] or 0) for row in _named(reader, rows, names))}


def _read_to_class(reader: TableReader, rows: Rows, names: Names) -> dict[str, Any]:
    return {"to_class": tuple(
        ReceivedRow(row["row"], "", row["item"], 0, row["taken"], expires=row["expires"], lot=row["lot"])
        for row in _named(reader, rows, names) if row["taken"])}


_READ: Mapping[str, Callable[[TableReader, Rows, Names], dict[str, Any]]] = {
    "count": _read_count, "receive": _read_receive, "answers": _read_answers, "ordered": _read_ordered,
    "kits": _read_kits, "to_class": _read_to_class,
}
