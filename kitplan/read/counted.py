"""A count of the shelf: from the stock-room workbook that a person filled in, or from on_hand.csv.

The workbook is found by its headers, whoever saved it and however its sheets are named or its columns moved. It
is only read. A line left blank in a workbook was not counted; a blank is never taken for an empty shelf.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.cells import Bad, Moment, text_of, tidy
from kitplan.read.columns import Column, columns_of
from kitplan.read.days import day_order, read_days
from kitplan.read.findings import Findings, key_of
from kitplan.read.grids import Grid, header_key, text_grid
from kitplan.read.problems import InputError, Problem
from kitplan.read.source import OTHER_SHEETS
from kitplan.read.strata import refuse_strangers
from kitplan.read.tables import RawTable, TableReader, raw_table, report_headers
from kitplan.read.workbook import Book

COUNT_SHEET = "Count and order"
DAY_LABEL = "Date of count"
LOT_COLUMNS = ["item", "packs", "loose_units", "expires", "lot"]
MOST_PACKS = 1e6
"""More than this many of one item is taken for a slip."""
_ENOUGH_BYTES = 60_000_000


@dataclass(frozen=True)
class Count:
    """What was found on the shelf.

    lots: item, packs, loose_units, expires (datetime64, NaT: no date), lot; one row a lot, several an item.
    on_order_packs: item -> packs on order. counted_items: items with a count, zero included.
    counted: day of the count, None when it does not say. plan_number, unit_name: what the workbook says it belongs
    to, "" for on_hand.csv. source: file name. from_workbook: a line without a count was left blank on purpose.
    """

    lots: pd.DataFrame
    on_order_packs: Mapping[str, float]
    counted_items: frozenset[str]
    counted: date | None
    source: str
    plan_number: str = ""
    unit_name: str = ""
    from_workbook: bool = False
    warnings: tuple[Problem, ...] = field(default_factory=tuple)


def read_count(path: Path, items: pd.DataFrame) -> Count:
    """Read a filled-in stock-room workbook (.xlsx) or a table like on_hand.csv.

    items: the catalogue, frame with `item`. Raises InputError with everything that is wrong, or OSError.
    """
    findings = Findings()
    ending = path.suffix.casefold().lstrip(".")
    if ending in OTHER_SHEETS - {"xlsm"}:
        raise InputError([Problem(path.name, None, None, None, f"is saved as .{ending}, which is not read",
                                  "Save it as .xlsx or as CSV.")], f"reading the count {path.name}")
    content = _content(path)
    known = set(items["item"].astype(str))
    is_book = path.suffix.casefold() in (".xlsx", ".xlsm")
    count = _from_workbook(path, content, known, findings) if is_book else _from_table(path, content, known, findings)
    findings.stop_if_faulty(f"reading the count {path.name}")
    if count is None:
        raise InputError([_no_table(path.name)], f"reading the count {path.name}")
    return replace(count, warnings=tuple(findings.warnings))


def count_from_unit(on_hand: pd.DataFrame) -> Count:
    """The count in a unit's own on_hand table, already checked by its reader."""
    frame = on_hand.reindex(columns=[*LOT_COLUMNS, "on_order_packs", "date"])
    return _count(frame.assign(expires=pd.to_datetime(frame["expires"]), date=pd.to_datetime(frame["date"])),
                  "on_hand.csv")


def _content(path: Path) -> bytes:
    if path.is_dir():
        raise InputError([Problem(str(path), None, None, None, "is a folder where a count belongs",
                                  "Give the filled-in stock-room.xlsx, or on_hand.csv.")], "reading the count")
    for lock in (path.with_name(f".~lock.{path.name}#"), path.with_name(f"~${path.name}")):
        if lock.exists():
            mend = f"Save and close it, then run again; if nobody has it open, delete {lock.name}."
            raise InputError([Problem(path.name, None, None, None, "is open in a spreadsheet program", mend)],
                             "reading the count")
    if path.stat().st_size > _ENOUGH_BYTES:
        raise InputError([Problem(path.name, None, None, None, "is far larger than a count",
                                  "Give the filled-in stock-room.xlsx, or on_hand.csv.")], "reading the count")
    return path.read_bytes()


def _no_table(name: str) -> Problem:
    return Problem(name, None, None, None, "has no table with the columns Item and Packs",
                   f"Give the workbook that kitplan wrote, filled in on its sheet {COUNT_SHEET!r}.")


def _known_columns(packs_needed: bool) -> dict[str, Column]:
    columns = dict(columns_of("on_hand"))
    columns["packs"] = replace(columns["packs"], required=packs_needed)
    return columns


def _from_table(path: Path, content: bytes, known: set[str], findings: Findings) -> Count | None:
    columns = _known_columns(packs_needed=True)
    grid = text_grid(path.name, content, columns)
    if isinstance(grid, Bad):
        findings.fault(path.name, grid.fault, grid.mend)
        return None
    raw = raw_table(grid, columns, findings)
    if raw is None or not report_headers(raw, findings):
        return None
    frame = _rows(raw, known, findings)
    return _count(frame, path.name)


def _from_workbook(path: Path, content: bytes, known: set[str], findings: Findings) -> Count | None:
    try:
        book = Book(path.name, content)
    except ValueError as error:
        bad: Bad = error.args[0]
        findings.fault(path.name, bad.fault, bad.mend)
        return None
    columns = _known_columns(packs_needed=False)
    grids = {sheet: grid for sheet in book.sheets if isinstance(grid := book.grid(sheet), Grid)}
    labels = _labels(grids)
    main = _count_sheet(grids, written_here="plan number" in labels)
    if main is None:
        findings.faults.append(_no_table(path.name))
        return None
    shelf = _sheet_rows(grids[main], columns, known, findings, once=True)
    dated = [_sheet_rows(grid, columns, known, findings) for sheet, grid in grids.items()
             if sheet != main and {"item", "packs", "expires"} <= _headers(grid)]
    if shelf is None or any(d is None for d in dated):
        return None
    lots = _split_dated(shelf, pd.concat([d for d in dated if d is not None]) if dated else shelf.iloc[:0],
                        path.name, findings)
    count = _count(lots, path.name)
    return replace(count, from_workbook=True, plan_number=labels.get("plan number", ""),
                   unit_name=labels.get("unit", ""), counted=_day(labels.get(DAY_LABEL.casefold()), path, findings))


def _headers(grid: Grid) -> set[str]:
    """The best header row of a grid, as folded names."""
    best: set[str] = set()
    for row in grid.rows[:30]:
        names = {header_key(c) for c in row if isinstance(c, str)}
        if {"item", "packs"} <= names and len(names) > len(best):
            best = names
    return best


def _count_sheet(grids: Mapping[str, Grid], *, written_here: bool) -> str | None:
    """The sheet of the count: by its name, else by the columns that only it has.

    written_here: the workbook is a plan's, where other sheets have the columns Item and Packs as well.
    """
    fit = {sheet: _headers(grid) for sheet, grid in grids.items()}
    named = [s for s, names in fit.items() if names and key_of(s) == key_of(COUNT_SHEET)]
    ordered = [s for s, names in fit.items() if "on_order_packs" in names]
    known = set(columns_of("on_hand"))
    if written_here:
        fit = {s: names for s, names in fit.items() if "expires" not in names}
    plain = [s for s, names in fit.items() if names and (not written_here or "loose_units" in names or names <= known)]
    plain.sort(key=lambda sheet: "expires" in fit[sheet])
    return next(iter([*named, *ordered, *plain]), None)


def _sheet_rows(grid: Grid, columns: Mapping[str, Column], known: set[str], findings: Findings, *,
                once: bool = False) -> pd.DataFrame | None:
    raw = raw_table(grid, columns, findings)
    if raw is None or not report_headers(raw, findings, quiet_others=True):
        return None
    frame = _rows(_filled(raw), known, findings, once=once)
    return frame[frame["packs"].notna() | frame["loose_units"].notna() | (frame["on_order_packs"] > 0)]


def _filled(raw: RawTable) -> RawTable:
    """The rows that say something: a count, or an item (so that a count without an item is a fault)."""
    filled = [c for name, c in raw.columns.items() if name in ("item", "packs", "loose_units", "on_order_packs")]
    keep = np.any([[v is not None for v in column] for column in filled], axis=0) if filled else np.zeros(0, bool)
    columns = {name: cells[keep] for name, cells in raw.columns.items()}
    return replace(raw, columns=columns, rows=raw.rows[keep], others=[])


def _rows(raw: RawTable, known: set[str], findings: Findings, *, once: bool = False) -> pd.DataFrame:
    """Check the rows of one table: items in the catalogue, counts that are numbers from 0 up."""
    reader = TableReader(raw, findings)
    names = {key_of(n): n for n in known}
    written = reader.texts("item")
    refuse_strangers(reader, "item", written, sorted(known), written, "is not in the catalogue")
    item = np.array([names.get(key_of(i), "") for i in written], dtype=object)
    if once:
        again = pd.Series(item).duplicated().to_numpy() & (item != "")
        reader.refuse("item", again, item, "stands twice in the count", "Keep one line, with the whole count.")
    frame = pd.DataFrame({
        "item": item, "packs": reader.numbers("packs", low=0, high=MOST_PACKS),
        "loose_units": reader.numbers("loose_units", low=0, high=MOST_PACKS),
        "expires": _days_only(reader, "expires"), "lot": reader.texts("lot"),
        "on_order_packs": reader.numbers("on_order_packs", low=0, high=MOST_PACKS), "date": _days_only(reader, "date"),
    })
    for column in ("packs", "loose_units", "on_order_packs"):
        values = frame[column].to_numpy(float)
        reader.refuse(column, np.nan_to_num(values) % 1 != 0, frame[column], "is not a whole number",
                      "Count whole packs, and what is outside a pack as loose units.")
    return frame[~reader.bad]


def _days_only(reader: TableReader, column: str) -> pd.Series:
    days, _ = reader.days(column)
    return pd.Series(days).dt.normalize()


def _split_dated(shelf: pd.DataFrame, dated: pd.DataFrame, file: str, findings: Findings) -> pd.DataFrame:
    """Take the lots with dates out of the shelf's total, so that nothing is counted twice."""
    if dated.empty:
        return shelf
    rest = shelf.set_index("item", drop=False)
    sums = dated.groupby("item")[["packs", "loose_units"]].sum(min_count=1).fillna(0.0)
    for item, found in sums.iterrows():
        held = rest.loc[item, ["packs", "loose_units"]].astype(float).fillna(0.0) if item in rest.index else None
        if held is None or (found > held).any():
            findings.fault(file, "has more packs or loose units with a date than were counted in all",
                           f"Count {item} again: the lots are part of the count.", column="packs", value=item)
            continue
        rest.loc[item, ["packs", "loose_units"]] = held - found
    return pd.concat([rest.reset_index(drop=True), dated], ignore_index=True)


def _count(frame: pd.DataFrame, source: str) -> Count:
    here = frame["packs"].notna() | frame["loose_units"].notna()
    lots = frame.loc[here, LOT_COLUMNS].reset_index(drop=True)
    lots = lots.assign(packs=lots["packs"].fillna(0.0).astype(float), loose_units=lots["loose_units"].fillna(0.0)
                       .astype(float), lot=lots["lot"].fillna(""))
    coming = frame.groupby("item")["on_order_packs"].sum()
    days = frame["date"].dropna()
    counted = days.max().date() if len(days) else None
    return Count(lots, {str(i): float(p) for i, p in coming.items() if p > 0}, frozenset(lots["item"]), counted, source)


def _labels(grids: Mapping[str, Grid]) -> dict[str, str]:
    """What stands to the right of the labels Unit, Plan number and Date of count, wherever they are."""
    wanted = {"unit", "plan number", DAY_LABEL.casefold()}
    found: dict[str, str] = {}
    for grid in grids.values():
        for row in grid.rows[:60]:
            for at, cell in enumerate(row):
                label = str(tidy(cell) or "").casefold().rstrip(":") if isinstance(cell, str) else ""
                value = next((tidy(c) for c in row[at + 1:at + 4] if tidy(c) not in (None, "")), None)
                if label in wanted and label not in found and value is not None:
                    found[label] = value if label == DAY_LABEL.casefold() else text_of(value)  # type: ignore[assignment]
    return found


def _day(value: Any, path: Path, findings: Findings) -> date | None:
    if value is None or (isinstance(value, str) and value.casefold().startswith("counted by")):
        return None
    (moment,) = read_days([value], day_order([value]))
    if isinstance(moment, Moment):
        return moment.day
    findings.fault(path.name, f"the date of the count {moment.fault}", moment.mend, column=DAY_LABEL, value=value)
    return None
