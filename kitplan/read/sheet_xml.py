"""Cells out of the XML parts of an .xlsx workbook (ECMA-376 SpreadsheetML), one pass, without keeping the tree.

A general reader gives either a formula or its last result, and stops at style sheets that some exporters write. A
census needs only values, so this keeps values: a formula's last result is kept, and where it stands is told.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Collection, Iterator
from datetime import datetime, time, timedelta
from typing import IO
from xml.etree.ElementTree import Element, iterparse

from kitplan.read.cells import Bad
from kitplan.read.grids import MAX_COLUMNS, MAX_ROWS

_LAST_ROW = 1_048_576
_MOST_HELD = 200_000
_LAST_DAY = 2_958_465
_BUILT_IN_DATES = frozenset({*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)})
_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")
_FORMULA = "="


@functools.lru_cache(maxsize=1000)
def _local(name: str) -> str:
    """A name without its namespace."""
    return name.rpartition("}")[2]


def _elements(part: IO[bytes], wanted: Collection[str], inside: Collection[str]) -> Iterator[tuple[str, Element]]:
    """The wanted elements as they end, by their names without namespaces; all are emptied but those inside them.

    Raises ValueError where one holds more than a row of a sheet can.
    """
    held = 0
    for _, element in iterparse(part):
        name = _local(element.tag)
        if name in wanted:
            yield name, element
            held = 0
        if name not in inside:
            element.clear()
        elif (held := held + 1) > _MOST_HELD:
            raise ValueError("more than a row holds")


def attributes(part: IO[bytes], wanted: str) -> list[dict[str, str]]:
    """Return the attributes of every element of a name, namespaces stripped, in order."""
    return [{_local(key): value for key, value in element.items()}
            for _, element in _elements(part, (wanted,), ())]


def shared_texts(part: IO[bytes]) -> list[str]:
    """Return the shared strings; phonetic guides are left out."""
    return [_unescaped(_text_in(element)) for _, element in _elements(part, ("si",), ("t", "r", "rPh"))]


def _text_in(element: Element) -> str:
    """The text of a string, plain or in runs, without its phonetic guides."""
    return "".join(t.text or "" for t in [*element.findall("{*}t"), *element.findall("{*}r/{*}t")])


def _unescaped(text: str) -> str:
    return _ESCAPE.sub(lambda m: chr(int(m[1], 16)), text) if "_x" in text else text


def date_styles(part: IO[bytes]) -> frozenset[int]:
    """Return the cell styles whose number format shows a day or a time."""
    formats: dict[int, str] = {}
    styles: list[int] = []
    for name, element in _elements(part, ("numFmt", "cellXfs"), ("xf",)):
        if name == "numFmt":
            formats[int(element.get("numFmtId", 0))] = element.get("formatCode", "")
        else:
            styles = [int(style.get("numFmtId", 0)) for style in element]
    return frozenset(i for i, f in enumerate(styles)
                     if (_shows_date(formats[f]) if f in formats else f in _BUILT_IN_DATES))


def _shows_date(code: str) -> bool:
    bare = re.sub(r'"[^"]*"|\\.|_.|\*.|\[(?!h+\]|m+\]|s+\])[^\]]*\]', "", code.casefold())
    return bool(re.search(r"[dmyhs]", bare.replace("general", "").replace("standard", "")))


@functools.lru_cache(maxsize=4096)
def moment_of(serial: float, base: datetime) -> datetime | time | float:
    """Return the day and time that a serial number means, a time alone below 1; else the number itself."""
    if not 0 <= serial <= _LAST_DAY:
        return serial
    moment = base + timedelta(days=int(serial), seconds=round(serial % 1 * 86_400))
    return moment.time() if serial < 1 else moment


class SheetCells:
    """The cells of one sheet as rows of values, with the row numbers and the places of formulas.

    limit: what made the reading stop, or None. Raises ParseError, ValueError, IndexError or KeyError when the part is
    damaged.
    """

    def __init__(self, part: IO[bytes], texts: list[str], dates: frozenset[int], base: datetime) -> None:
        self.rows: list[list[object]] = []
        self.numbers: list[int] = []
        self.formulas: set[tuple[int, int]] = set()
        self.limit: Bad | None = None
        self._texts, self._dates, self._base = texts, dates, base
        number = 0
        for _, row in _elements(part, ("row",), ("c", "v", "f", "is", "t", "r", "rPh")):
            number = int(row.get("r", number + 1))
            self._keep(row, number)
            if self.limit is not None:
                break

    def _keep(self, row: Element, number: int) -> None:
        values: list[object] = []
        column = -1
        for cell in row:
            reference = cell.get("r")
            column = column + 1 if reference is None else _index(reference.rstrip("0123456789"))
            value = self._value(cell, number, column)
            if value is None:
                continue
            if column >= MAX_COLUMNS:
                self.limit = Bad("has too many columns", f"Keep to the table's own columns, at most {MAX_COLUMNS}.")
                return
            values.extend([None] * (column + 1 - len(values)))
            values[column] = value
        if all(v is None or v == "" for v in values):
            return
        if not (self.numbers[-1] if self.numbers else 0) < number <= _LAST_ROW:
            raise ValueError("rows out of order")
        if len(self.rows) >= MAX_ROWS:
            self.limit = Bad(f"has more than {MAX_ROWS:,} rows", "Give a shorter period.")
            return
        self.rows.append(values)
        self.numbers.append(number)

    def _value(self, cell: Element, number: int, column: int) -> object:
        """What a cell shows, None for nothing; a formula that no program has worked out yet shows its sign."""
        kind, text, formula = cell.get("t", "n"), "", False
        for inner in cell:
            name = _local(inner.tag)
            if name == "v":
                text = inner.text or ""
            elif name == "is":
                text = _text_in(inner)
            elif name == "f":
                formula = True
        if formula:
            self.formulas.add((number, column))
            text = text or (_FORMULA if kind != "s" else text)
        if not text:
            return None
        if kind == "s":
            return self._texts[int(text)]
        if kind in ("str", "inlineStr", "e") or text == _FORMULA:
            return _unescaped(text)
        if kind == "b":
            return text.strip() in ("1", "true")
        if kind == "d":
            return text
        value = float(text)
        if int(cell.get("s", 0)) in self._dates:
            return moment_of(value, self._base)
        return int(value) if value.is_integer() and abs(value) < 1e15 else value


@functools.lru_cache(maxsize=20_000)
def _index(letters: str) -> int:
    """The place of a column from its letters, 0 for A."""
    index = 0
    for letter in letters.upper():
        index = index * 26 + ord(letter) - 64
    if index == 0:
        raise ValueError("a cell without a column")
    return index - 1
