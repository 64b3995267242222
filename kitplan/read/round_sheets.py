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

from kitplan.read.cells import Bad, Moment, text_of, tidy
from kitplan.read.columns import Column, columns_of
from kitplan.read.days import day_order, read_days
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.grids import Grid, header_key, text_grid
from kitplan.read.pack_code import looks_like_pack_code, read_pack_code, same_trade_number
from kitplan.read.problems import InputError, Problem
from kitplan.read.source import OTHER_SHEETS
from kitplan.read.tables import RawTable, TableReader, raw_table, report_headers
from kitplan.read.workbook import Book as Workbook

SHEETS = {"receive": "Receive", "count": "Count", "answers": "Questions", "ordered": "Order", "kits": "Build kits",
          "to_class": "From the stock room"}
"""Table of columns.csv -> title of the sheet that is filled in."""

DAY_LABELS = {"receive": "Date received", "count": "Date of count", "kits": "Date built", "to_class": "Date taken"}
_TYPED = {
    "receive": ("packs", "loose_units", "will_not_come", "pack_code"), "count": ("packs", "loose_units", "thrown_away"),
    "answers": ("right", "packs", "loose_units"), "ordered": ("ordered",), "kits": ("built", "moved_to"),
    "to_class": ("taken",),
}
"""Columns that a person fills in: a row without any of them says nothing."""

_ENOUGH_BYTES, _MOST = 60_000_000, 1e6
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
    """How a line may name an item: by its name, by exactly its description, or by its bar code."""

    descriptions: Mapping[str, str]
    trade_numbers: Mapping[str, str]
    known: frozenset[str]

    @classmethod
    def of(cls, items: pd.DataFrame, more: Mapping[str, str] | None = None) -> Names:
        """items: the catalogue. more: trade numbers learnt since, 14 digits -> item."""
        names = [str(i) for i in items["item"]]
        told = items["description"].fillna("").astype(str).map(key_of).tolist()
        once = {d: n for d, n in zip(told, names) if d and told.count(d) == 1}
        numbers = {same_trade_number(str(g)): n for g, n in zip(items["gtin"].fillna(""), names) if g}
        return cls(once, numbers | dict(more or {}), frozenset(names))

    def find(self, text: str) -> str | None:
        """The item that a cell names, None when it names none."""
        bare = text.removeprefix("EM ").strip()
        if bare in self.known:
            return bare
        by_number = self.trade_numbers.get(same_trade_number(bare)) if bare.isdigit() else None
        return self.descriptions.get(key_of(bare)) or by_number


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
        raise InputError([Problem(path.name, None, None, None, fault, mend)], "reading a filled-in sheet")
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
    found = replace(found, plan_number=text_of(told.get("plan number", "")), unit_name=text_of(told.get("unit", "")))
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
    needed = {c.name for c in columns.values() if c.required} | {_TYPED[table][0]}
    fit = {s: len(h & set(columns)) for s, g in grids.items() if needed <= (h := _headings(g))
           and key_of(s) not in {key_of(t) for t in SHEETS.values()}}
    return max(fit, key=lambda s: fit[s]) if fit else None


def _headings(grid: Grid) -> set[str]:
    return max(({header_key(c) for c in row if isinstance(c, str)} for row in grid.rows[:30]), key=len, default=set())


def _table(found: RoundSheets, table: str, grid: Grid, columns: Mapping[str, Column], names: Names,
           findings: Findings) -> RoundSheets:
    raw = raw_table(grid, columns, findings)
    if raw is None or not report_headers(raw, findings, quiet_others=True):
        return found
    reader = TableReader(_filled(raw, table), findings)
    days = dict(found.days)
    day = _labels({"": grid}).get(DAY_LABELS.get(table, "-").casefold())
    if table in DAY_LABELS and (at := _day(day, reader, found.source, DAY_LABELS[table], findings)) is not None:
        days[table] = at
    return replace(_READ[table](found, reader, names), days=days)


def _filled(raw: RawTable, table: str) -> RawTable:
    """The rows in which a person typed something; in a count also those without an item, to be refused."""
    typed = [c for name, c in raw.columns.items() if name in _TYPED[table]]
    keep = np.any([[v is not None for v in column] for column in typed], axis=0) if typed else np.zeros(0, bool)
    columns = {name: cells[keep] for name, cells in raw.columns.items()}
    return replace(raw, columns=columns, rows=raw.rows[keep], others=[])


def _day(given: object, reader: TableReader, source: str, label: str, findings: Findings) -> date | None:
    """The date written beside the label, or in a column `date` that says the same in every row."""
    if given is None and reader.has("date"):
        days = pd.Series(reader.days("date")[0]).dropna()
        return days.max().date() if len(days) else None
    if given is None or (isinstance(given, str) and given.casefold().endswith(" by")):
        return None
    (moment,) = read_days([given], day_order([given]))
    if isinstance(moment, Moment):
        return moment.day
    findings.fault(source, f"{label.lower()}: {moment.fault}", moment.mend, column=label, value=given)
    return None


def _labels(grids: Mapping[str, Grid]) -> dict[str, Any]:
    """What stands to the right of the labels Unit, Plan number and the dates, wherever they are."""
    wanted = {"unit", "plan number", *(label.casefold() for label in DAY_LABELS.values())}
    found: dict[str, Any] = {}
    for grid in grids.values():
        for row in grid.rows[:60]:
            for at, cell in enumerate(row):
                label = str(tidy(cell) or "").casefold().rstrip(":") if isinstance(cell, str) else ""
                value = next((tidy(c) for c in row[at + 1:at + 4] if tidy(c) not in (None, "")), None)
                if label in wanted and label not in found and value is not None:
                    found[label] = value
    return found


def _whole(reader: TableReader, column: str, low: float = 0) -> list[int | None]:
    """A column of whole numbers, None where a cell is blank."""
    if column not in reader.raw.columns:
        return [None] * len(reader.raw)
    values = reader.numbers(column, low=low, high=_MOST)
    reader.refuse(column, np.nan_to_num(values) % 1 != 0, values, "is not a whole number",
                  "Count whole packs, and what is outside a pack as loose units.")
    return [None if np.isnan(v) else int(v) for v in values]


def _dates(reader: TableReader) -> list[date | None]:
    found = pd.Series(reader.expiries("expires"))
    return [None if pd.isna(d) else d.date() for d in found]


def _texts(reader: TableReader, column: str) -> list[str]:
    return [str(t) for t in reader.texts(column)] if column in reader.raw.columns else [""] * len(reader.raw)


def _items(reader: TableReader, names: Names, *, needed: bool = True) -> list[str]:
    """The items that the rows name; a word that names none is a fault with the nearest name."""
    typed, found = _texts(reader, "item"), []
    for text in typed:
        item = text if text.casefold().startswith(_KIT) else names.find(text) if text else ""
        found.append(item if item is not None else "")
    bad = np.array([bool(t) and not f for t, f in zip(typed, found)], dtype=bool)
    for text in dict.fromkeys(t for t, b in zip(typed, bad) if b):
        reader.refuse("item", np.array([t == text for t in typed]), np.array(typed, dtype=object),
                      "is not in the catalogue", suggestion(text, sorted(names.known)))
    if needed:
        reader.refuse("item", np.array([not t for t in typed], dtype=bool), None, "is empty",
                      "Say which item it is, or clear the line.")
    return found


def _read_count(found: RoundSheets, reader: TableReader, names: Names) -> RoundSheets:
    items, pack = _items(reader, names), _whole(reader, "pack", 1)
    packs, loose, thrown = (_whole(reader, c) for c in ("packs", "loose_units", "thrown_away"))
    expires, lots = _dates(reader), _texts(reader, "lot")
    bare: dict[str, int] = {}
    rows, kits = [], []
    for k in np.flatnonzero(~reader.bad):
        if items[k].casefold().startswith(_KIT):
            if packs[k] is not None or loose[k] is not None:
                kits.append(KitsFound(items[k][len(_KIT):].strip(), packs[k] or loose[k] or 0))
            continue
        if not lots[k] and expires[k] is None:
            if items[k] in bare:
                reader.refuse("item", np.arange(len(items)) == k, np.array(items, dtype=object),
                              "stands twice in the count", "Keep one line, or give each its lot or date.")
            bare[items[k]] = int(k)
        rows.append(CountedRow(int(reader.rows[k]), items[k], packs[k], loose[k], pack[k], expires[k], lots[k],
                               thrown[k] or 0))
    return replace(found, counted=(*found.counted, *rows), kits=(*found.kits, *kits))


def _read_receive(found: RoundSheets, reader: TableReader, names: Names) -> RoundSheets:
    codes = [read_pack_code(t) if t else None for t in _texts(reader, "pack_code")]
    for k, code in enumerate(codes):
        if isinstance(code, Bad):
            reader.refuse("pack_code", np.arange(len(codes)) == k, reader.raw.columns["pack_code"], code.fault,
                          code.mend)
    typed = _texts(reader, "item")
    for k, text in enumerate(typed):
        if codes[k] is None and looks_like_pack_code(text) and names.find(text) is None:
            codes[k], typed[k] = read_pack_code(text), ""
    items = _items(_with(reader, "item", typed), names, needed=False)
    packs, loose, pack = _whole(reader, "packs"), _whole(reader, "loose_units"), _whole(reader, "pack", 1)
    stays, orders = _whole(reader, "will_not_come"), _texts(reader, "order")
    expires, lots = _dates(reader), _texts(reader, "lot")
    rows = []
    for k in np.flatnonzero(~reader.bad).tolist():
        code = codes[k]
        number, day, lot = (code.trade_number, code.expires, code.lot) if code and not isinstance(code, Bad) else (
            "", None, "")
        item = items[k] or names.trade_numbers.get(number, "")
        one = 1 if code is not None and packs[k] is None and loose[k] is None and stays[k] is None else 0
        rows.append(ReceivedRow(int(reader.rows[k]), orders[k], item, packs[k] or one, loose[k] or 0, pack[k],
                                expires[k] or day, lots[k] or lot, number, stays[k] or 0))
    return replace(found, received=(*found.received, *rows))


def _with(reader: TableReader, column: str, values: list[str]) -> TableReader:
    """The reader with a column replaced, writing to the same findings and marks."""
    cells = np.empty(len(values), dtype=object)
    cells[:] = [v or None for v in values]
    other = TableReader(replace(reader.raw, columns={**reader.raw.columns, column: cells}), reader.findings)
    other.bad = reader.bad
    return other


def _read_answers(found: RoundSheets, reader: TableReader, names: Names) -> RoundSheets:
    entries, packs, loose = _whole(reader, "no", 1), _whole(reader, "packs"), _whole(reader, "loose_units")
    right = reader.flags("right") if "right" in reader.raw.columns else np.zeros(len(reader.raw), dtype=bool)
    rows = [Answer(int(reader.rows[k]), entries[k] or 0, bool(right[k]), packs[k], loose[k])
            for k in np.flatnonzero(~reader.bad) if entries[k] is not None]
    return replace(found, answers=(*found.answers, *rows))


def _read_ordered(found: RoundSheets, reader: TableReader, names: Names) -> RoundSheets:
    items, packs, orders = _items(reader, names), _whole(reader, "ordered"), _texts(reader, "order")
    rows = [Ordered(int(reader.rows[k]), orders[k], items[k], packs[k] or 0) for k in np.flatnonzero(~reader.bad)]
    return replace(found, ordered=(*found.ordered, *rows))


_PLACES = {"bedside": "to_bedside", "shelf": "back", "back": "back", "used": "used_up", "used up": "used_up",
           "opened": "used_up", "apart": "taken_apart", "taken apart": "taken_apart", "thrown away": "thrown_away",
           "refilled": "refilled"}


def _read_kits(found: RoundSheets, reader: TableReader, names: Names) -> RoundSheets:
    designs, built = _texts(reader, "design"), _whole(reader, "built")
    kits, moved = _texts(reader, "kit"), [t.casefold() for t in _texts(reader, "moved_to")]
    wrong = np.array([bool(t) and t not in _PLACES for t in moved], dtype=bool)
    reader.refuse("moved_to", wrong, np.array(moved, dtype=object), "is no place for a kit",
                  f"Type one of: {', '.join(_PLACES)}.")
    items, units = _items(reader, names, needed=False), _whole(reader, "units", 1)
    rows = [KitRow(int(reader.rows[k]), designs[k], built[k] or 0, kits[k], _PLACES.get(moved[k], ""), items[k],
                   units[k] or 0) for k in np.flatnonzero(~reader.bad)]
    return replace(found, kit_rows=(*found.kit_rows, *rows))


def _read_to_class(found: RoundSheets, reader: TableReader, names: Names) -> RoundSheets:
    items, taken, expires, lots = _items(reader, names), _whole(reader, "taken"), _dates(reader), _texts(reader, "lot")
    rows = [ReceivedRow(int(reader.rows[k]), "", items[k], 0, taken[k] or 0, None, expires[k], lots[k])
            for k in np.flatnonzero(~reader.bad) if taken[k]]
    return replace(found, to_class=(*found.to_class, *rows))


_READ: Mapping[str, Callable[[RoundSheets, TableReader, Names], RoundSheets]] = {
    "count": _read_count, "receive": _read_receive, "answers": _read_answers, "ordered": _read_ordered,
    "kits": _read_kits, "to_class": _read_to_class,
}
