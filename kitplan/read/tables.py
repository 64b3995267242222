"""One table with named columns out of a grid of cells: headers matched, values read, every problem noted."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time

import numpy as np
import pandas as pd

from kitplan.read.cells import Bad, Moment, read_flags, read_gtins, read_numbers, read_texts, text_of, tidy
from kitplan.read.columns import Column
from kitplan.read.days import day_order, is_month, read_days, read_expiries, today
from kitplan.read.findings import Findings, key_of, nearest
from kitplan.read.grids import Grid, header_key
from kitplan.read.guard import guard_table
from kitplan.read.identity import header_may_be_shown, identity_problem, looks_like_number_of_record
from kitplan.read.workbook import column_letter

_HEADER_SEARCH_ROWS = 30
_NEAR = 0.8
"""How like a column's name a heading has to be to be taken for a slip of it: "airway s" is, "tube removed" is not."""
_UNIT_WORDS = {
    "mm": {"mm", "millimetres", "millimeters", "mm id", "id mm", "id", "mm i.d."},
    "kg": {"kg", "kilograms", "kilos"},
    "litres": {"l", "litres", "liters", "litre", "liter"},
    "days": {"days", "d", "day"},
    "packs": {"packs", "pack"},
}
_OTHER_UNITS = {"cm", "m", "in", "inch", "inches", "fr", "french", "ch", "g", "grams", "lb", "lbs", "oz", "ml",
                "weeks", "months", "hours", "h", "years"}


@dataclass
class RawTable:
    """Cells under matched headers, before their values are read.

    columns: known column name -> array of raw cells (None when blank), all of the same length.
    others: header, letter and cells of the columns not known. rows: spreadsheet row numbers.
    """

    name: str
    known: Mapping[str, Column]
    columns: dict[str, np.ndarray]
    headers: dict[str, tuple[str, str]]
    others: list[tuple[str, str, np.ndarray]]
    rows: np.ndarray
    formulas: frozenset[tuple[int, int]] = frozenset()
    positions: dict[str, int] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)


def raw_table(grid: Grid, known: Mapping[str, Column], findings: Findings) -> RawTable | None:
    """Find the header row and the known columns of a grid; None when there is no header (noted as a fault).

    Every table that is read comes through here, and so past the guard against patient identity.
    """
    at = _header_row(grid, known)
    if at is None:
        needed = [c.name for c in known.values() if c.required]
        findings.fault(grid.name, "has no header row that names its columns",
                       f"Put the column names in one row above the data: {', '.join(needed)}.")
        return None
    header = grid.rows[at]
    names = _positions(grid, at, known, findings)
    for name, position in names.items():
        _check_unit(grid, at, header[position], known[name], findings)
    width = max(map(len, grid.rows[at:]))
    body = grid.rows[at + 1:]
    cells = _cells_by_column(body, width)
    rows = np.asarray(grid.numbers[at + 1:], dtype=np.int64)
    others = _other_columns(header, set(names.values()), cells)
    headers = {n: (str(tidy(header[p])), column_letter(p)) for n, p in names.items()}
    columns = {n: cells[p] for n, p in names.items()}
    raw = RawTable(grid.name, known, columns, headers, others, rows, grid.formulas, names)
    guard_table(raw, findings)
    return raw


def header_names(grid: Grid, known: Mapping[str, Column]) -> set[str]:
    """Return the known columns that the header of a grid names."""
    at = _header_row(grid, known)
    return set() if at is None else {n for c in grid.rows[at] if (n := _column_meant(c, known)) is not None}


def _positions(grid: Grid, at: int, known: Mapping[str, Column], findings: Findings) -> dict[str, int]:
    """Where each known column stands: by its name or the unit's own mapping, else by a heading that means it.

    Two headings for one column are a fault and not a guess; what was taken by meaning is said back.
    """
    header, row = grid.rows[at], grid.numbers[at]
    names: dict[str, int] = {}
    for position, cell in enumerate(header):
        name = _column_named(cell, known)
        if name in names:
            findings.fault(grid.name, "stands twice in the header", "Keep one column of that name.",
                           row=row, column=name)
        elif name is not None:
            names[name] = position
    meant: dict[str, list[int]] = {}
    for position, cell in enumerate(header):
        name = _column_meant(cell, known)
        if name is not None and name not in names and not known[name].mapped:
            meant.setdefault(name, []).append(position)
    for name, positions in meant.items():
        if len(positions) > 1:
            both = " and ".join(repr(str(tidy(header[p]))) for p in positions)
            findings.fault(grid.name, f"may stand under {both}", f"Name the right one {name}, or say which it is "
                           "under [columns] in unit.toml.", row=row, column=name)
    taken = {name: positions[0] for name, positions in meant.items() if len(positions) == 1}
    if taken:
        said = ", ".join(f"{str(tidy(header[p]))!r} is taken as {name}" for name, p in taken.items())
        findings.warn(grid.name, f"has other headings than kitplan's: {said}",
                      "If one is wrong, say which heading is meant under [columns] in unit.toml.", row=row, moves=3)
    return names | taken


def _cells_by_column(body: Sequence[Sequence[object]], width: int) -> list[np.ndarray]:
    full = [row if len(row) == width else [*row, *[None] * (width - len(row))] for row in body]
    found = []
    for cells in zip(*full) if full else [()] * width:
        array = np.empty(len(full), dtype=object)
        codes, distinct = pd.factorize(np.fromiter(cells, dtype=object, count=len(full)), use_na_sentinel=True)
        tidied = np.empty(len(distinct) + 1, dtype=object)
        tidied[:-1] = [tidy(c) for c in distinct]
        tidied[-1] = None
        array[:] = tidied[codes]
        found.append(array)
    return found


def _other_columns(
    header: Sequence[object], taken: set[int], cells: list[np.ndarray]
) -> list[tuple[str, str, np.ndarray]]:
    others = []
    for position, column in enumerate(cells):
        title = text_of(tidy(header[position]) or "") if position < len(header) else ""
        if position not in taken and (title or any(c is not None for c in column)):
            others.append((title, column_letter(position), column))
    return others


def _header_row(grid: Grid, known: Mapping[str, Column]) -> int | None:
    """The first of the top rows that names most columns; a misspelt name counts a quarter, where few are right."""
    rows = grid.rows[:_HEADER_SEARCH_ROWS]
    exact = [len({n for c in row if (n := _column_meant(c, known)) is not None}) for row in rows]
    if exact and max(exact) > 1:
        return exact.index(max(exact))
    scores = [n + sum(_is_near(c, known) for c in row) / 4 for n, row in zip(exact, rows)]
    return scores.index(max(scores)) if scores and max(scores) >= 0.5 else None


def _is_near(cell: object, known: Mapping[str, Column]) -> bool:
    return isinstance(cell, str) and len(cell) <= 60 and nearest(header_key(cell), known, _NEAR) is not None


def _column_named(cell: object, known: Mapping[str, Column]) -> str | None:
    if not isinstance(cell, str):
        return None
    key = header_key(cell)
    for name, column in known.items():
        if column.mapped:
            if key_of(str(tidy(cell))) == column.mapped:
                return name
        elif key in (name, f"{name}_{column.unit}") or (column.unit and f"{key}_{column.unit}" == name):
            return name
    return None


def _column_meant(cell: object, known: Mapping[str, Column]) -> str | None:
    """The column that a heading names, or else means (config/headings.csv)."""
    name = _column_named(cell, known)
    if name is not None or not isinstance(cell, str):
        return name
    key = header_key(cell)
    return next((n for n, column in known.items() if key in column.also and not column.mapped), None)


def _check_unit(grid: Grid, at: int, cell: object, column: Column, findings: Findings) -> None:
    bracket = re.search(r"[(\[]([^()\[\]]*)[)\]]\s*$", str(cell))
    unit = bracket[1].strip().casefold() if bracket else ""
    if unit in _OTHER_UNITS and unit not in _UNIT_WORDS.get(column.unit, {unit}):
        findings.fault(grid.name, f"is headed in {unit} where {column.unit} belongs",
                       f"Convert the column to {column.unit}.", row=grid.numbers[at], column=column.name)


def report_headers(raw: RawTable, findings: Findings, *, quiet_others: bool = False) -> bool:
    """Note missing required columns and columns not known; return True when every required one is there."""
    missing = [c.name for c in raw.known.values() if c.required and c.name not in raw.columns]
    left, unread = list(missing), []
    for title, letter, cells in raw.others:
        if not title:
            _report_untitled(raw, letter, cells, findings)
            continue
        label = title if header_may_be_shown(title) else f"{letter} (header not shown)"
        near = nearest(header_key(title), raw.known, _NEAR) if label == title else None
        if near in left and not raw.known[near].mapped:
            left.remove(near)
            findings.fault(raw.name, "is not a column of this table", f"Did you mean {near!r}? It is needed.",
                           column=label)
        elif near is not None and near not in raw.columns and not quiet_others:
            findings.warn(raw.name, "is not a column of this table", f"Did you mean {near!r}?", column=label, moves=2)
        else:
            unread.append(label)
    if unread and not quiet_others:
        more = f", nor are {len(unread) - 1} more" if len(unread) > 1 else ""
        findings.warn(raw.name, f"is not a column of this table{more}", "Nothing reads it; delete it or leave it.",
                      column=unread[0], moves=0)
    for name in left:
        heading = raw.known[name].mapped
        mend = (f"unit.toml maps it to a heading that is not there, {heading!r}: correct it." if heading
                else f"Add the column: {raw.known[name].description}.")
        findings.fault(raw.name, "is missing", mend, column=name)
    return not missing


def _report_untitled(raw: RawTable, letter: str, cells: np.ndarray, findings: Findings) -> None:
    filled = np.flatnonzero([c is not None for c in cells])
    findings.rows(raw.name, letter, raw.rows[filled], None, "has a cell beyond the last header",
                  "Put text with commas in quotation marks, use decimal points in a file with commas, "
                  "or clear the cell.")


_Read = Callable[[list[object]], Sequence[object]]


class TableReader:
    """Reads the columns of one raw table into arrays; `bad` marks rows with a fault, to be left out later."""

    def __init__(self, raw: RawTable, findings: Findings) -> None:
        self.raw = raw
        self.findings = findings
        self.bad = np.zeros(len(raw), dtype=bool)
        self._order = day_order(
            v for name, cells in raw.columns.items() if raw.known[name].kind == "date"
            for v in pd.unique(cells) if v is not None
        )

    @property
    def name(self) -> str:
        """File name, with the sheet after it for a workbook."""
        return self.raw.name

    @property
    def rows(self) -> np.ndarray:
        """Spreadsheet row numbers."""
        return self.raw.rows

    def has(self, column: str) -> bool:
        """True when the table has the column and a value in it."""
        return column in self.raw.columns and any(c is not None for c in self.raw.columns[column])

    def texts(self, column: str, default: str = "") -> np.ndarray:
        """Return a text column, shape (n,), object; blanks are `default`."""
        return self._read(column, read_texts, default)

    def numbers(
        self, column: str, *, low: float | None = None, high: float | None = None, over: float | None = None,
        default: float = np.nan,
    ) -> np.ndarray:
        """Return a number column, shape (n,), float; blanks are `default`. Whole numbers where it says integer.

        low, high: smallest and largest accepted. over: a limit that the value must exceed.
        """
        spec = self.raw.known[column]
        unit = spec.unit
        found = self._read(column, lambda v: read_numbers(v, unit), default).astype(float)
        here = ~np.isnan(found)
        given = self.raw.columns.get(column, np.full(len(self.raw), None, dtype=object))
        if spec.kind == "integer":
            self.refuse(column, here & (found % 1 != 0), given, "is not a whole number", "Type a whole number.")
        if low is not None:
            mend = "Type zero or more." if low == 0 else f"Type {low:g} or more."
            self.refuse(column, here & (found < low), given, f"is below {low:g}", mend)
        if over is not None:
            self.refuse(column, here & (found <= over), given, f"must be above {over:g}",
                        f"Type a number above {over:g}.")
        if high is not None:
            self.refuse(column, here & (found > high), given, f"is above {high:,.10g}", f"Type {high:,.10g} or less.")
        return found

    def flags(self, column: str, default: bool = False) -> np.ndarray:
        """Return a yes/no column, shape (n,), bool."""
        return self._read(column, read_flags, default).astype(bool)

    def given(self, column: str) -> np.ndarray:
        """Return where the column holds something, shape (n,), bool."""
        cells = self.raw.columns.get(column)
        return np.zeros(len(self.raw), dtype=bool) if cells is None else np.array([c is not None for c in cells], bool)

    def gtins(self, column: str) -> np.ndarray:
        """Return trade item numbers as text, shape (n,), object; blanks are ""."""
        return self._read(column, read_gtins, "")

    def days(self, column: str) -> tuple[np.ndarray, np.ndarray]:
        """Return a day column as datetime64[s] (NaT when blank; 12:00 without a time) and whether a time was given."""
        codes, moments = self._distinct(column, lambda v: read_days(v, self._order))
        stamps = np.array([_stamp(m) for m in moments] + [None], dtype="datetime64[s]")
        timed = np.array([isinstance(m, Moment) and m.clock is not None for m in moments] + [False], dtype=bool)
        return stamps[codes], timed[codes]

    def expiries(self, column: str) -> np.ndarray:
        """Return a column of use-by dates as datetime64[s], NaT when blank; a month alone is its last day."""
        codes, moments = self._distinct(column, lambda v: read_expiries(v, self._order))
        return np.array([_stamp(m) for m in moments] + [None], dtype="datetime64[s]")[codes]

    def days_or_months(self, column: str) -> np.ndarray:
        """Return a column of days as datetime64[s], NaT when blank; a month alone is its first day."""
        found = self.expiries(column)
        alone = np.array([is_month(c) for c in self.raw.columns.get(column, [])], dtype=bool)
        found[alone] = found[alone].astype("datetime64[M]").astype("datetime64[s]")
        return found

    @property
    def day_order_reported(self) -> str | None:
        """How slashed dates were read ("day/month/year"), or None when the table has none."""
        if not self._order.used or self._order.day_first is None:
            return None
        return "day/month/year" if self._order.day_first else "month/day/year"

    def refuse(
        self, column: str, mask: np.ndarray, values: np.ndarray | None, fault: str, mend: str
    ) -> None:
        """Note a fault in the rows of a mask and mark them bad."""
        where = np.flatnonzero(mask)
        if len(where):
            texts = None if values is None else [text_of(values[i]) for i in where]
            self.findings.rows(self.name, column, self.rows[where], texts, fault, mend)
            self.bad[where] = True

    def say_day_order(self) -> None:
        """Say back how slashed dates were read, where the table has any."""
        if self.day_order_reported is not None:
            self.findings.warn(self.name, f"has dates that were read as {self.day_order_reported}",
                               "Confirm it, or write dates as 2025-03-31.", moves=3)

    def refuse_future(self, column: str, moments: np.ndarray) -> None:
        """Note the days of what has happened that lie after tomorrow; most of them: it may be the clock."""
        now = today()
        days = moments.astype("datetime64[D]")
        future = ~np.isnat(days) & (days > np.datetime64(now) + np.timedelta64(1, "D"))
        if future.sum() > max(1, (~np.isnat(days)).sum() / 2):
            self.findings.fault(self.name, f"has most of its days after today, {now} by this computer's clock",
                                "Correct the years, or set the clock.", column=column)
            self.bad |= future
        else:
            self.refuse(column, future, self.raw.columns.get(column), f"is in the future: today is {now}",
                        "Correct the year; a row for what has not happened yet is left out, an end left empty.")

    def guard_strangers(self, column: str, strange: Sequence[str]) -> None:
        """Note a column as holding identities where what is no item of the catalogue is a number of record."""
        if any(looks_like_number_of_record(text) for text in strange):
            self.findings.identities.append(identity_problem(
                self.name, *self.raw.headers[column], "record numbers, or items that are not in the catalogue"))

    def doubt(
        self, column: str | None, mask: np.ndarray, values: np.ndarray | None, fault: str, mend: str, moves: int = 1
    ) -> None:
        """Note a warning in the rows of a mask, in one line. moves: as in Problem."""
        where = np.flatnonzero(mask)
        if len(where):
            texts = None if values is None else [text_of(values[i]) for i in where]
            self.findings.rows(self.name, column, self.rows[where], texts, fault, mend, moves)

    def _read(self, column: str, read: _Read, default: object) -> np.ndarray:
        codes, values = self._distinct(column, read)
        good = np.empty(len(values) + 1, dtype=object)
        good[:] = [default if isinstance(v, Bad) else v for v in values] + [default]
        return good[codes]

    def _distinct(self, column: str, read: _Read) -> tuple[np.ndarray, Sequence[object]]:
        """Return each row's code into the distinct values read (-1: blank), with their faults noted."""
        cells = self.raw.columns.get(column)
        if cells is None:
            return np.full(len(self.raw), -1), []
        cells, formula = self._without_formulas(column, cells)
        codes, distinct = pd.factorize(cells)
        if self.raw.known[column].required:
            self.refuse(column, (codes < 0) & ~formula, None, "is empty", "Fill in the cell, or delete the row.")
        values = read(list(distinct))
        faulty: dict[Bad, list[int]] = {}
        for code, value in enumerate(values):
            if isinstance(value, Bad):
                faulty.setdefault(value, []).append(code)
        for bad, where in faulty.items():
            self.refuse(column, np.isin(codes, where), cells, bad.fault, bad.mend)
        return codes, values

    def _without_formulas(self, column: str, cells: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        formula = np.zeros(len(cells), dtype=bool)
        if self.raw.formulas:
            position = self.raw.positions[column]
            formula = np.array([(r, position) in self.raw.formulas for r in self.rows.tolist()], dtype=bool)
            self.refuse(column, formula, None, "holds a formula", "Copy the column and paste it as values.")
            cells = cells.copy()
            cells[formula] = None
        return cells, formula


def _stamp(moment: object) -> datetime | None:
    if not isinstance(moment, Moment):
        return None
    return datetime.combine(moment.day, moment.clock or time(12))
