"""Cells out of the XML parts of an .xlsx workbook (ECMA-376 SpreadsheetML), one pass, without keeping the tree.

A general reader takes most of a minute and a gigabyte for 200,000 rows; a census needs only values, so this keeps
values: a formula's last result is kept, and where it stands is told.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, time, timedelta
from typing import IO
from xml.parsers import expat

from kitplan.read.cells import Bad
from kitplan.read.grids import MAX_COLUMNS, MAX_ROWS

_LAST_ROW = 1_048_576
_LAST_DAY = 2_958_465
_BUILT_IN_DATES = frozenset({*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)})
_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")
_FORMULA = "="

_Start = Callable[[str, dict[str, str]], None]
_End = Callable[[str], None]


def _parse(part: IO[bytes], start: _Start, end: _End, text: Callable[[str], None]) -> None:
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartElementHandler = lambda name, given: start(name.rpartition(" ")[2], given)
    parser.EndElementHandler = lambda name: end(name.rpartition(" ")[2])
    parser.CharacterDataHandler = text
    parser.ParseFile(part)


def attributes(part: IO[bytes], element: str) -> list[dict[str, str]]:
    """Return the attributes of every `element` of a part, namespaces stripped, in order."""
    found: list[dict[str, str]] = []

    def start(name: str, given: dict[str, str]) -> None:
        if name == element:
            found.append({key.rpartition(" ")[2]: value for key, value in given.items()})

    _parse(part, start, lambda _: None, lambda _: None)
    return found


def shared_texts(part: IO[bytes]) -> list[str]:
    """Return the shared strings; phonetic guides are left out."""
    found: list[str] = []
    pieces: list[str] = []
    state = {"text": False, "guide": False}

    def start(name: str, _: dict[str, str]) -> None:
        if name == "si":
            pieces.clear()
        elif name == "rPh":
            state["guide"] = True
        elif name == "t":
            state["text"] = not state["guide"]

    def end(name: str) -> None:
        if name == "t":
            state["text"] = False
        elif name == "rPh":
            state["guide"] = False
        elif name == "si":
            found.append(_unescaped("".join(pieces)))

    _parse(part, start, end, lambda data: pieces.append(data) if state["text"] else None)
    return found


def _unescaped(text: str) -> str:
    return _ESCAPE.sub(lambda m: chr(int(m[1], 16)), text) if "_x" in text else text


def date_styles(part: IO[bytes]) -> frozenset[int]:
    """Return the cell styles whose number format shows a day or a time."""
    formats: dict[int, str] = {}
    styles: list[int] = []
    inside = [False]

    def start(name: str, given: dict[str, str]) -> None:
        if name == "numFmt":
            formats[int(given.get("numFmtId", 0))] = given.get("formatCode", "")
        elif name == "cellXfs":
            inside[0] = True
        elif name == "xf" and inside[0]:
            styles.append(int(given.get("numFmtId", 0)))

    def end(name: str) -> None:
        if name == "cellXfs":
            inside[0] = False

    _parse(part, start, end, lambda _: None)
    return frozenset(i for i, f in enumerate(styles)
                     if (_shows_date(formats[f]) if f in formats else f in _BUILT_IN_DATES))


def _shows_date(code: str) -> bool:
    bare = re.sub(r'"[^"]*"|\\.|_.|\*.|\[(?!h+\]|m+\]|s+\])[^\]]*\]', "", code.casefold())
    return bool(re.search(r"[dmyhs]", bare.replace("general", "").replace("standard", "")))


def moment_of(serial: float, base: datetime) -> datetime | time | float:
    """Return the day and time that a serial number means, a time alone below 1; else the number itself."""
    if not 0 <= serial <= _LAST_DAY:
        return serial
    moment = base + timedelta(days=int(serial), seconds=round(serial % 1 * 86_400))
    return moment.time() if serial < 1 else moment


class SheetCells:
    """The cells of one sheet as rows of values, with the row numbers and the places of formulas.

    limit: what made the reading stop, or None. Raises expat.ExpatError, ValueError, IndexError or KeyError when
    the part is damaged.
    """

    def __init__(self, part: IO[bytes], texts: list[str], dates: frozenset[int], base: datetime) -> None:
        self.rows: list[list[object]] = []
        self.numbers: list[int] = []
        self.formulas: set[tuple[int, int]] = set()
        self.limit: Bad | None = None
        self._texts, self._dates, self._base = texts, dates, base
        self._letters: dict[str, int] = {}
        self._moments: dict[float, object] = {}
        self._row: list[object] = []
        self._number = self._column = 0
        self._kind, self._style, self._formula = "n", 0, False
        self._pieces: list[str] = []
        self._reading = self._guide = False
        _parse(part, self._start, self._end, self._text)

    def _start(self, name: str, given: dict[str, str]) -> None:
        if name == "c":
            reference = given.get("r")
            self._column = self._column + 1 if reference is None else self._index(reference)
            self._kind = given.get("t", "n")
            self._style = int(given.get("s", 0))
            self._formula = False
            self._pieces.clear()
        elif name in ("v", "t"):
            self._reading = not self._guide
        elif name == "f":
            self._formula = True
        elif name == "rPh":
            self._guide = True
        elif name == "row":
            self._number = int(given.get("r", self._number + 1))
            self._row, self._column = [], -1

    def _text(self, data: str) -> None:
        if self._reading:
            self._pieces.append(data)

    def _end(self, name: str) -> None:
        if name in ("v", "t"):
            self._reading = False
        elif name == "rPh":
            self._guide = False
        elif name == "c":
            self._keep("".join(self._pieces))
        elif name == "row" and self._row:
            self._keep_row()

    def _keep(self, text: str) -> None:
        if self._formula:
            self.formulas.add((self._number, self._column))
            text = text or (_FORMULA if self._kind != "s" else text)
        if not text:
            return
        if self._column >= MAX_COLUMNS:
            self.limit = Bad("has too many columns", f"Keep to the table's own columns, at most {MAX_COLUMNS}.")
            return
        row = self._row
        if len(row) <= self._column:
            row.extend([None] * (self._column + 1 - len(row)))
        row[self._column] = self._value(text)

    def _value(self, text: str) -> object:
        kind = self._kind
        if kind == "s":
            return self._texts[int(text)]
        if kind in ("str", "inlineStr", "e") or text == _FORMULA:
            return _unescaped(text)
        if kind == "b":
            return text.strip() in ("1", "true")
        if kind == "d":
            return text
        number = float(text)
        if self._style in self._dates:
            if number not in self._moments:
                self._moments[number] = moment_of(number, self._base)
            return self._moments[number]
        return int(number) if number.is_integer() and abs(number) < 1e15 else number

    def _keep_row(self) -> None:
        if self.limit is not None or all(v is None or v == "" for v in self._row):
            return
        if not (self.numbers[-1] if self.numbers else 0) < self._number <= _LAST_ROW:
            raise ValueError("rows out of order")
        if len(self.rows) >= MAX_ROWS:
            self.limit = Bad(f"has more than {MAX_ROWS:,} rows", "Give a shorter period.")
            return
        self.rows.append(self._row)
        self.numbers.append(self._number)

    def _index(self, reference: str) -> int:
        letters = reference.rstrip("0123456789")
        if letters not in self._letters:
            index = 0
            for letter in letters.upper():
                index = index * 26 + ord(letter) - 64
            if index == 0:
                raise ValueError("a cell without a column")
            self._letters[letters] = index - 1
        return self._letters[letters]
