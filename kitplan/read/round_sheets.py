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
from kitplan.read.problems import InputError, Problem, open_elsewhere
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
class Row:
    """What a person typed in one row, by the columns of its table in columns.csv; what the table has not is blank.

    row: its number in the spreadsheet. packs, loose_units None: not counted. pack: as printed on the sheet, None: as it
    was ordered, or as the catalogue has it. item "": of a delivery, only the trade number is known; of a kit put back,
    everything that is not emergency equipment. design: of a kit, in a count too. moved_to: an event of the book.
    """

    row: int
    item: str = ""
    order: str = ""
    packs: int | None = None
    loose_units: int | None = None
    pack: int | None = None
    expires: date | None = None
    lot: str = ""
    trade_number: str = ""
    will_not_come: int = 0
    thrown_away: int = 0
    no: int = 0
    right: bool = False
    ordered: int = 0
    taken: int = 0
    design: str = ""
    built: int = 0
    kit: str = ""
    moved_to: str = ""
    units: int = 0


@dataclass(frozen=True)
class RoundSheets:
    """What was typed. rows: by table of SHEETS, and "moved": where Build kits says that a kit went, apart from the rest
    of it. days: by table, the date written on that sheet, where there is one.
    """

    source: str
    rows: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)
    days: Mapping[str, date] = field(default_factory=dict)
    plan_number: str = ""
    unit_name: str = ""
    warnings: tuple[Problem, ...] = ()

    def of(self, table: str) -> tuple[Row, ...]:
        return self.rows.get(table, ())


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
        return cls(frozenset(map(str, items["item"])), items_meant(items), learnt or {})

    def find(self, text: str) -> str | None:
        """The one item that a cell names, None when it names none or may name several."""
        bare = text.removeprefix("EM ").strip()
        if bare in self.known:
            return bare
        meant = self.meant(bare)
        return next(iter(meant)) if len(meant) == 1 else self.learnt.get(same_trade_number(bare))


def read_round(path: Path, names: Names, wanted: tuple[str, ...], gone: frozenset[str] = frozenset(),
               day_first: bool | None = None) -> RoundSheets:
    """Read a filled-in workbook, or one table as CSV. wanted: which of SHEETS to read; the first one for a CSV.

    gone: items that the book knows and the catalogue no longer has; they may still be counted. day_first: as in Unit.
    Raises InputError with everything that is wrong, or OSError.
    """
    content, findings = _content(path), Findings()
    findings.day_first = day_first
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
    if opened := open_elsewhere(path):
        fault, mend = opened
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
    if "to_class" in wanted and book.sheet_named(SHEETS["to_class"]):  # other sheets of a class have like headings
        wanted = ("to_class",)
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
    """The sheet of a table: by its title, else that with most of its headings, all needed ones among them."""
    titled = [s for s in grids if key_of(s) == key_of(SHEETS[table])]
    if titled:
        return titled[0]
    columns = columns_of(table)
    needed = {c.name for c in columns.values() if c.required} | {TYPED[table][0]}
    fit = {}
    for sheet, grid in grids.items():
        rows = ({header_key(c) for c in row if isinstance(c, str)} for row in grid.rows[:30])
        headings = max(rows, key=len, default=set())
        if needed <= headings and key_of(sheet) not in {key_of(t) for t in SHEETS.values()}:
            fit[sheet] = len(headings & set(columns))
    return max(fit, key=lambda s: fit[s]) if fit else None


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
    typed = _READ.get(table, _named)(reader, rows, names)
    fields = Row.__dataclass_fields__
    made = {table: tuple(Row(**{k: v for k, v in row.items() if k in fields and v is not None}) for row in typed)}
    if table == "kits":
        went = [row.moved_to in _WENT for row in made[table]]
        made["moved"] = tuple(replace(row, built=0) for row, moved in zip(made[table], went) if moved)
        made[table] = tuple(replace(row, moved_to="") if moved else row for row, moved in zip(made[table], went)
                            if row.built or not moved)
    return replace(found, rows={**found.rows, **made})


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
    (moment,) = read_days([given], day_order([given], findings.day_first))
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
        text = row.get("item", "")
        item = text if not text or text.casefold().startswith(_KIT) else names.find(text)
        row["item"] = item or ""
        if item is None:
            strange.setdefault(text, []).append(row)
    for text, where in strange.items():
        reader.refuse_rows("item", where, "is not in the catalogue", suggestion(text, sorted(names.known))
                           + " What items.csv does not hold has no place in the book: clear its line, or add its row.")
    return reader.good(rows)


def _read_count(reader: TableReader, rows: Rows, names: Names) -> Rows:
    found, bare = [], set()
    for row in _named(reader, rows, names):
        item = row["item"]
        if item.casefold().startswith(_KIT):
            if row["packs"] is not None or row["loose_units"] is not None:
                found.append(row | {"item": "", "design": item[len(_KIT):].strip()})
            continue
        if not row["lot"] and row["expires"] is None:
            if item in bare:
                reader.refuse_rows("item", [row], "stands twice in the count",
                                   "Keep one line, or give each its lot or date.")
            bare.add(item)
        found.append(row)
    return found


def _read_receive(reader: TableReader, rows: Rows, names: Names) -> Rows:
    for row in rows:
        column = "pack_code"
        if not row["pack_code"] and looks_like_pack_code(row["item"]) and names.find(row["item"]) is None:
            column, row["pack_code"], row["item"] = "item", row["item"], ""
        code = read_pack_code(row["pack_code"]) if row["pack_code"] else None
        if isinstance(code, Bad):
            reader.refuse_rows(column, [row], code.fault, code.mend)
        row["code"] = code
    found = _named(reader, rows, names)
    for row in found:
        if code := row["code"]:
            row |= {"item": row["item"] or names.find(code.trade_number) or "", "trade_number": code.trade_number,
                    "expires": row["expires"] or code.expires, "lot": row["lot"] or code.lot}
            if row["packs"] is row["loose_units"] is row["will_not_come"] is None:
                row["packs"] = 1
    return found


_PLACES = {"bedside": "to_bedside", "shelf": "back", "back": "back", "used": "used_up", "used up": "used_up",
           "opened": "used_up", "apart": "taken_apart", "taken apart": "taken_apart", "thrown away": "thrown_away",
           "refilled": "refilled"}
_WENT = ("to_bedside", "back", "used_up", "thrown_away")
"""Events of a kit that leave the shelf as it is: known before it is counted, and the same when read twice."""


def _read_kits(reader: TableReader, rows: Rows, names: Names) -> Rows:
    return [row | {"moved_to": _PLACES.get(row["moved_to"], "")} for row in _named(reader, rows, names)]


def _read_to_class(reader: TableReader, rows: Rows, names: Names) -> Rows:
    return [row for row in _named(reader, rows, names) if row["taken"]]


_READ: Mapping[str, Callable[[TableReader, Rows, Names], Rows]] = {
    "count": _read_count, "receive": _read_receive, "kits": _read_kits, "to_class": _read_to_class,
}
