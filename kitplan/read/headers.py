"""Tables before their values are read: headers found and matched, columns named, every problem noted."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from kitplan.read.cells import read_numbers, text_of, tidy
from kitplan.read.columns import MAPPED_TABLES, Column
from kitplan.read.findings import Findings, key_of, nearest
from kitplan.read.grids import Grid, header_key
from kitplan.read.guard import guard_table
from kitplan.read.identity import shown_header
from kitplan.read.problems import counted
from kitplan.read.workbook import column_letter

_HEADER_SEARCH_ROWS = 30
_TOTAL = re.compile(r"\W*(grand |sub ?-?)?(total|sum|summe|gesamt|totale|totaal|suma)s?\b", re.IGNORECASE)
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

    def kept(self, keep: np.ndarray) -> RawTable:
        """The table without the other rows."""
        return replace(self, rows=self.rows[keep], columns={n: cells[keep] for n, cells in self.columns.items()},
                       others=[(title, letter, cells[keep]) for title, letter, cells in self.others])


def says_total(cells: np.ndarray) -> np.ndarray:
    """Where a word for a sum begins the cell, shape (n,), bool."""
    return np.array([isinstance(c, str) and _TOTAL.match(c) is not None for c in cells], dtype=bool)


def without_totals(raw: RawTable, totals: np.ndarray, number: str, findings: Findings) -> RawTable:
    """The table without its lines of totals, which is said. number: the column that they add up."""
    if not totals.any():
        return raw
    said = [n for n in read_numbers(list(raw.columns.get(number, totals)[totals]), "") if isinstance(n, float)]
    shown = f" that say {sum(said):,.10g} {number}" if said else ""
    findings.warn(raw.name, f"ends or divides with {counted(int(totals.sum()), 'line')} of totals{shown}: set aside, "
                  "for what they add up is counted already", "Nothing to do; or leave totals out of the export.",
                  row=int(raw.rows[totals][0]), moves=1)
    return raw.kept(~totals)


def raw_table(grid: Grid, known: Mapping[str, Column], findings: Findings) -> RawTable | None:
    """Find the header row and the known columns of a grid; None when there is no header (noted as a fault).

    Every table that is read comes through here, and so past the guard against patient identity.
    """
    at = _header_row(grid, known)
    if at is None:
        needed = [c.name for c in known.values() if c.required]
        findings.fault(grid.name, "has no header row that names its columns",
                       f"Put the column names in one row above the data: {', '.join(needed)}; or say which of your "
                       f"headings each is{mapped_in(grid.name)}.")
        return None
    header = grid.rows[at]
    names = _positions(grid, at, known, findings)
    for name, position in names.items():
        _check_unit(grid, at, header[position], known[name], findings)
    width = max(map(len, grid.rows[at:]))
    # Files pasted one under the other bring their headings along.
    body = [k for k in range(at + 1, len(grid.rows)) if grid.rows[k] != header]
    cells = _cells_by_column([grid.rows[k] for k in body], width)
    rows = np.asarray([grid.numbers[k] for k in body], dtype=np.int64)
    others = _other_columns(header, set(names.values()), cells)
    headers = {n: (str(tidy(header[p])), column_letter(p)) for n, p in names.items()}
    columns = {n: cells[p] for n, p in names.items()}
    raw = RawTable(grid.name, known, columns, headers, others, rows, grid.formulas, names)
    guard_table(raw, findings)
    return raw


def header_names(grid: Grid, known: Mapping[str, Column]) -> set[str]:
    """Return the known columns that the header of a grid names."""
    at = _header_row(grid, known)
    return set() if at is None else {n for c in grid.rows[at] if (n := column_meant(c, known)) is not None}


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
        name = column_meant(cell, known)
        if name is not None and name not in names and not known[name].mapped:
            meant.setdefault(name, []).append(position)
    for name, positions in meant.items():
        if len(positions) > 1:
            both = " and ".join(repr(str(tidy(header[p]))) for p in positions)
            findings.fault(grid.name, f"may stand under {both}", f"Name the right one {name}, or say which it is"
                           f"{mapped_in(grid.name, name)}.", row=row, column=name)
    taken = {name: positions[0] for name, positions in meant.items() if len(positions) == 1}
    if taken:
        findings.headings |= {(grid.name, name): str(tidy(header[p])) for name, p in taken.items()}
        said = ", ".join(f"{findings.headings[grid.name, name]!r} is taken as {name}" for name in taken)
        findings.warn(grid.name, f"has other headings than kitplan's: {said}",
                      f"If one is wrong, say which heading is meant{mapped_in(grid.name)}.", row=row, moves=3)
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
    exact = [len({n for c in row if (n := column_meant(c, known)) is not None}) for row in rows]
    if exact and max(exact) > 1:
        return exact.index(max(exact))
    scores = [n + sum(isinstance(c, str) and len(c) <= 60 and nearest(header_key(c), known, _NEAR) is not None
                      for c in row) / 4 for n, row in zip(exact, rows)]
    return scores.index(max(scores)) if scores and max(scores) >= 0.5 else None


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


def column_meant(cell: object, known: Mapping[str, Column]) -> str | None:
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
    """Note missing columns and columns not known; return True when all required or mapped ones are there."""
    missing = [c.name for c in raw.known.values() if (c.required or c.mapped) and c.name not in raw.columns]
    left, unread = list(missing), []
    for title, letter, cells in raw.others:
        if not title:
            filled = np.flatnonzero([c is not None for c in cells])
            findings.rows(raw.name, letter, raw.rows[filled], None, "has a cell beyond the last header",
                          "Put text with commas in quotation marks, use decimal points in a file with commas, "
                          "or clear the cell.")
            continue
        label = shown_header(title, letter)
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
        told = heading.replace("_", " ")
        mend = (f"unit.toml maps it to {told!r}, and no heading is that: correct it{_shown(unread)}." if heading
                else f"Add the column: {raw.known[name].description}." + _may_be_mapped(raw, name, unread))
        findings.fault(raw.name, "is missing", mend, column=name)
    return not missing


def mapped_in(name: str, column: str = "COLUMN") -> str:
    """Where a unit says which of its headings a column is; "" where no table of that name may be mapped."""
    file, *rest = (key_of(word) for word in re.findall(r"\w+", name))
    if file in MAPPED_TABLES:
        return f": under [columns.{file}] in unit.toml, as {column} = \"that heading\""
    if not rest or rest[-1] not in MAPPED_TABLES:
        return ""
    return f": on the sheet unit, as columns.{rest[-1]}.{column} with that heading beside it"


def _may_be_mapped(raw: RawTable, name: str, unread: Sequence[str]) -> str:
    """How to say that one of the headings that nothing reads is the column; nothing where a unit cannot say it."""
    where, some = mapped_in(raw.name, name), _shown(unread)
    stays = " (a list of stays has start and end instead)" if name == "airways" else ""
    return f" Or say which of your headings it is{some}{where}{stays}." if some and where else ""


def _shown(unread: Sequence[str]) -> str:
    """The headings that nothing reads, in brackets."""
    shown = [repr(label) for label in unread if not label.endswith("(header not shown)")]
    return f" ({', '.join(shown[:6])}{' ...' if len(shown) > 6 else ''})" if shown else ""
