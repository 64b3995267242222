"""The values of a table's columns, in the types and within the limits that config/ declares; every problem noted."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from datetime import datetime, time
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.cells import (
    Bad,
    Moment,
    read_flag,
    read_gtin,
    read_numbers,
    read_seconds,
    read_text,
    text_of,
)
from kitplan.read.days import day_order, is_month, read_days, read_expiries, today
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.headers import RawTable, raw_table, report_headers
from kitplan.read.identity import identity_problem, looks_like_number_of_record
from kitplan.read.source import Source

MOST_SHOWN = 20
"""Ways of misspelling told with a suggestion each; further ones are told together."""
_Read = Callable[[list[object]], Iterable[object]]


class TableReader:
    """Reads the columns of one raw table into arrays; `bad` marks rows with a fault, to be left out later."""

    def __init__(self, raw: RawTable, findings: Findings) -> None:
        self.raw = raw
        self.findings = findings
        self.bad = np.zeros(len(raw), dtype=bool)
        self._order = day_order(
            (v for name, cells in raw.columns.items() if raw.known[name].kind == "date"
             for v in pd.unique(cells) if v is not None), findings.day_first)
        if self._order.used and self._order.day_first is not None:
            taken = "day/month/year" if self._order.day_first else "month/day/year"
            findings.warn(self.name, f"has dates that were read as {taken}",
                          "Nothing to do where that is right; else write dates as 2025-03-31.",
                          moves=0 if self._order.told else 3)

    @classmethod
    def of(cls, raw: RawTable | None, findings: Findings, *, quiet_others: bool = False) -> TableReader | None:
        """A reader where every needed column is there; None where one is missing, which is noted, or no table is."""
        if raw is None or not report_headers(raw, findings, quiet_others=quiet_others):
            return None
        return cls(raw, findings)

    @property
    def name(self) -> str:
        """File name, with the sheet after it for a workbook."""
        return self.raw.name

    @property
    def rows(self) -> np.ndarray:
        return self.raw.rows

    @property
    def day_first(self) -> bool | None:
        """Whether days stand before months in the dates of the table, None where none tells."""
        return self._order.day_first

    def has(self, column: str) -> bool:
        """True when the table has the column and a value in it."""
        return column in self.raw.columns and any(c is not None for c in self.raw.columns[column])

    def frame(self) -> pd.DataFrame:
        """Every column of the table in its own type; a day as datetime64, without its time."""
        return pd.DataFrame({name: self._values(name) for name in self.raw.known})

    def _values(self, column: str) -> Any:
        kind = self.raw.known[column].kind
        if kind == "date":
            return pd.to_datetime(self.days(column)[0]).normalize()
        if kind == "gtin":
            return self._read(column, partial(map, read_gtin), "")
        read = {"number": self.numbers, "integer": self.numbers, "flag": self.flags}
        return read.get(kind, self.texts)(column)

    def records(self) -> list[dict[str, Any]]:
        """The rows as plain values by column: text, float, int, bool or day, None for a blank that is no text.

        A month alone, as packs print it, is its last day. Beside the columns: `at`, the row's place, and `row`, its
        number in the spreadsheet.
        """
        found: dict[str, list[Any]] = {"at": list(range(len(self.raw))), "row": self.rows.tolist()}
        for name, column in self.raw.known.items():
            if column.kind == "date":
                days = pd.to_datetime(self.expiries(name))
                found[name] = [None if pd.isna(day) else day.date() for day in days]
            else:
                plain: Any = {"integer": int, "number": float, "flag": bool}.get(column.kind)
                found[name] = [str(v) if plain is None else plain(v) if there and v == v else None
                               for v, there in zip(self._values(name), self.given(name))]
        return [dict(zip(found, row)) for row in zip(*found.values())]

    def good(self, records: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """Those of `records` in which no fault was found."""
        return [row for row in records if not self.bad[row["at"]]]

    def refuse_rows(self, column: str, records: Sequence[Mapping[str, Any]], fault: str, mend: str) -> None:
        """Note a fault in some of `records`, with what stands in their cells."""
        mask = np.isin(np.arange(len(self.raw)), [row["at"] for row in records])
        self.refuse(column, mask, self.raw.columns.get(column), fault, mend)

    def texts(self, column: str, default: str | None = None) -> np.ndarray:
        """Return a text column, shape (n,), object; blanks are `default`, else the column's own default.

        Where the column has choices each text is one of them, or "" for one that is none (noted).
        """
        spec = self.raw.known.get(column)
        default = default if default is not None else spec.default if spec else ""
        found = self._read(column, partial(map, read_text), default)
        if spec is None or not spec.choices:
            return found
        self.refuse_strangers(column, found, spec.choices, "is not one of the choices")
        meant = {key_of(choice): choice for choice in spec.choices}
        codes, distinct = pd.factorize(found)
        return np.array([meant.get(key_of(text), "") for text in distinct] or [""], dtype=object)[codes]

    def numbers(self, column: str) -> np.ndarray:
        """Return a number column, shape (n,), float; blanks are the column's default, else NaN.

        Whole numbers where the column says integer, and within its limits; others are noted.
        """
        spec = self.raw.known[column]
        low, high = spec.low, spec.high
        whole = spec.kind == "integer" or spec.unit == "packs" or column in ("units", "loose_units")
        empty = float(spec.default or np.nan)
        found = self._read(column, lambda v: read_numbers(v, spec.unit, whole), empty).astype(float)
        here = ~np.isnan(found)
        given = self.raw.columns.get(column, np.full(len(self.raw), None, dtype=object))
        if spec.kind == "integer":
            mend = "Type whole packs, and what is outside a pack as loose units." if spec.unit == "packs" else (
                "Type a whole number.")
            self.refuse(column, here & (found % 1 != 0), given, "is not a whole number", mend)
        if low is not None and spec.strict:
            self.refuse(column, here & (found <= low), given, f"must be above {low:g}",
                        f"Type a number above {low:g}.")
        elif low is not None:
            mend = "Type zero or more." if low == 0 else f"Type {low:g} or more."
            self.refuse(column, here & (found < low), given, f"is below {low:g}", mend)
        if high is not None:
            self.refuse(column, here & (found > high), given, f"is above {high:,.10g}", f"Type {high:,.10g} or less.")
        return found

    def flags(self, column: str) -> np.ndarray:
        """Return a yes/no column, shape (n,), bool; blanks are no."""
        return self._read(column, partial(map, read_flag), False).astype(bool)

    def clocks(self, column: str) -> np.ndarray:
        """Return a column of times of day as seconds after midnight, shape (n,), float; blanks are NaN."""
        return self._read(column, partial(map, read_seconds), np.nan).astype(float)

    def given(self, column: str) -> np.ndarray:
        """Return where the column holds something, shape (n,), bool."""
        cells = self.raw.columns.get(column)
        return np.zeros(len(self.raw), dtype=bool) if cells is None else np.array([c is not None for c in cells], bool)

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

    def refuse(
        self, column: str, mask: np.ndarray, values: np.ndarray | None, fault: str, mend: str
    ) -> None:
        """Note a fault in the rows of a mask and mark them bad."""
        self.doubt(column, mask, values, fault, mend, None)
        self.bad[np.flatnonzero(mask)] = True

    def refuse_strangers(
        self, column: str, values: np.ndarray, known: Collection[str], fault: str, given: np.ndarray | None = None,
        or_else: str = "",
    ) -> None:
        """Note the rows whose value is none of the known words, however folded, each with the nearest one (the first
        MOST_SHOWN ways of misspelling). given: what is shown of it; the cells where None. or_else: another mend.
        """
        folded = {key_of(k) for k in known}
        codes, distinct = pd.factorize(values)
        strange = [c for c, text in enumerate(distinct) if text and key_of(text) not in folded]
        given = self.raw.columns.get(column) if given is None else given
        if column == "item":
            self.guard_strangers(column, [str(distinct[c]) for c in strange])
        for code in strange[:MOST_SHOWN]:
            self.refuse(column, codes == code, given, fault, suggestion(distinct[code], known) + or_else)
        if strange[MOST_SHOWN:]:
            self.refuse(column, np.isin(codes, strange[MOST_SHOWN:]), given, fault, suggestion("", known) + or_else)

    def refuse_repeats(self, column: str, keys: pd.DataFrame | pd.Series, fault: str, mend: str) -> None:
        """Note the good rows whose keys stand in an earlier row too; blank keys do not count."""
        blank = (keys if isinstance(keys, pd.Series) else keys.iloc[:, 0]).astype(object) == ""
        self.refuse(column, (keys.duplicated() & ~blank).to_numpy() & ~self.bad, self.raw.columns.get(column), fault,
                    mend)

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
        self, column: str | None, mask: np.ndarray, values: np.ndarray | None, fault: str, mend: str,
        moves: int | None = 1,
    ) -> None:
        """Note a warning in the rows of a mask, in one line. moves: as in Problem; None: a fault."""
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
        values = list(read(list(distinct)))
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


def read_table(
    table: str, source: Source, findings: Findings, columns: str = "", shipped: bool = True
) -> tuple[str, TableReader | None]:
    """The name of a table's file and its reader, None where it cannot be read: the unit's own, else the shipped one.

    columns: the table of columns.csv that it is, where that has another name. shipped: False for the unit's own alone.
    """
    known = source.columns(columns or table)
    grid = source.table(table, known)
    if grid is None and shipped and not source.has_table(table):
        grid = source.shipped_table(table, known)
    if grid is None:
        return table, None
    return grid.name, TableReader.of(raw_table(grid, known, findings), findings)


def _stamp(moment: object) -> datetime | None:
    if not isinstance(moment, Moment):
        return None
    return datetime.combine(moment.day, moment.clock or time(12))
