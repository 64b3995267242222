"""Rows of cells out of one sheet of an .xlsx workbook, guarded against files made to harm or merely odd."""

from __future__ import annotations

import io
import posixpath
import zipfile
import zlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import IO, TypeVar
from xml.etree.ElementTree import ParseError

from kitplan.read.cells import Bad
from kitplan.read.findings import key_of
from kitplan.read.grids import Grid
from kitplan.read.sheet_xml import SheetCells, attributes, date_styles, shared_texts

MAX_UNPACKED_BYTES = 400_000_000
MAX_PARTS = 3_000
MAX_RATIO = 400
_CORRUPT = Bad("is not a readable workbook", "Open it in a spreadsheet program and save it again as .xlsx.")
_DAMAGE = (zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, ParseError, OSError, ValueError, LookupError,
           RuntimeError, NotImplementedError, EOFError, StopIteration, OverflowError)
"""What damaged parts make the standard library raise."""
T = TypeVar("T")
CENSUS_TABLES = ("census", "stays")
"""Names that a census may have, as a file or as a sheet."""


class Book:
    """One workbook kept open for reading. Raises ValueError with a Bad as its argument when it cannot be used."""

    def __init__(self, name: str, content: bytes) -> None:
        self.name = name
        self.links = False
        fault = self._fault(content)
        if fault is not None:
            raise ValueError(fault)
        self._content = content
        self._texts: list[str] | None = None
        self._dates: frozenset[int] = frozenset()
        self._base = datetime(1899, 12, 30)
        self._related: dict[str, str] = {}
        self._sheet_parts: dict[str, str] = {}
        try:
            self._read_contents()
        except _DAMAGE:
            raise ValueError(_CORRUPT) from None
        self.sheets: tuple[str, ...] = tuple(self._sheet_parts)

    def _fault(self, content: bytes) -> Bad | None:
        if not content:
            return Bad("is empty", "Save the workbook again.")
        if content.startswith(b"\xd0\xcf\x11\xe0"):
            return Bad("is protected by a password, or an old .xls", "Save it as .xlsx without a password.")
        if not content.startswith(b"PK"):
            return Bad("is not an .xlsx workbook", "Save it as .xlsx from a spreadsheet program.")
        try:
            with zipfile.ZipFile(io.BytesIO(content)) as parts:
                return self._parts_fault(parts, len(content))
        except _DAMAGE:
            return _CORRUPT

    def _parts_fault(self, parts: zipfile.ZipFile, packed_bytes: int) -> Bad | None:
        entries = parts.infolist()
        unpacked = sum(e.file_size for e in entries)
        too_big = unpacked > MAX_UNPACKED_BYTES or len(entries) > MAX_PARTS
        if too_big or (unpacked > 50_000_000 and unpacked > MAX_RATIO * packed_bytes):
            return Bad("unpacks to far more than a table needs", "Copy the table into a new workbook and save that.")
        names = [e.filename for e in entries]
        if any("vbaproject" in n.casefold() or (n.casefold().endswith(".bin") and "macro" in n.casefold())
               for n in names):
            return Bad("holds macros", "Save it as .xlsx without macros.")
        if any(e.flag_bits & 1 for e in entries):
            return Bad("is protected by a password", "Save it as .xlsx without a password.")
        self.links = any(n.startswith("xl/externalLinks/") for n in names)
        for entry in entries:
            if entry.filename.endswith((".xml", ".rels")):
                with parts.open(entry) as part:
                    head = part.read(4_096)
                if b"<!DOCTYPE" in head or b"<!ENTITY" in head or head.startswith((b"\xff\xfe", b"\xfe\xff")):
                    return Bad("holds parts that no spreadsheet program writes",
                               "Copy the table into a new workbook and save that.")
        return None

    def sheet_named(self, table: str) -> str | None:
        """Return the sheet that stands for `table`, ignoring case and spaces, or None."""
        return next((s for s in self.sheets if key_of(s) == key_of(table)), None)

    def grid(self, sheet: str) -> Grid | Bad:
        """Return the cells of a sheet: a formula's last result, and where formulas stand."""
        part = self._sheet_parts.get(sheet, "")
        if "chartsheets/" in part:
            return Bad("is a chart and not a table", "Give the table on an ordinary sheet.")
        try:
            with zipfile.ZipFile(io.BytesIO(self._content)) as parts:
                if self._texts is None:
                    self._texts = self._read_related(parts, "sharedStrings", shared_texts) or []
                    self._dates = self._read_related(parts, "styles", date_styles) or frozenset()
                with parts.open(part) as cells:
                    found = SheetCells(cells, self._texts, self._dates, self._base)
        except _DAMAGE:
            return _CORRUPT
        if found.limit is not None:
            return found.limit
        if not found.rows:
            return Bad("is empty", "Fill in the sheet: a header row and at least one row below it.")
        return Grid(f"{self.name} [{sheet}]", found.rows, found.numbers, frozenset(found.formulas))

    def _read_related(self, parts: zipfile.ZipFile, kind: str, read: Callable[[IO[bytes]], T]) -> T | None:
        name = self._related.get(kind, "")
        if name not in parts.namelist():
            return None
        with parts.open(name) as part:
            return read(part)

    def _read_contents(self) -> None:
        """Find the workbook part, its sheets in order, and the parts it relates to (ECMA-376 part 2, relationships)."""
        with zipfile.ZipFile(io.BytesIO(self._content)) as parts:
            roots = _relations(parts, "_rels/.rels", "")
            book = next(target for kind, target in roots.values() if kind == "officeDocument")
            folder, _, file = book.rpartition("/")
            relations = _relations(parts, f"{folder}/_rels/{file}.rels" if folder else f"_rels/{file}.rels", folder)
            with parts.open(book) as part:
                sheets = attributes(part, "sheet")
            with parts.open(book) as part:
                settings = attributes(part, "workbookPr")
        self._related = dict(relations.values())
        self._sheet_parts = {s["name"]: relations[s["id"]][1] for s in sheets}
        if any(s.get("date1904", "0") in ("1", "true") for s in settings):
            self._base = datetime(1904, 1, 1)


def is_unit_workbook(path: Path) -> bool:
    """Whether a file is a workbook that holds a unit; what a program keeps beside an open one is none."""
    if path.suffix.casefold() != ".xlsx" or path.name.startswith(("~", ".")) or not path.is_file():
        return False
    try:
        book = Book(path.name, path.read_bytes())
    except (ValueError, OSError):
        return False
    return any(book.sheet_named(name) for name in CENSUS_TABLES)


def _relations(parts: zipfile.ZipFile, name: str, folder: str) -> dict[str, tuple[str, str]]:
    with parts.open(name) as part:
        found = attributes(part, "Relationship")
    return {r["Id"]: (r["Type"].rpartition("/")[2], posixpath.normpath(posixpath.join("/", folder, r["Target"]))[1:])
            for r in found if r.get("TargetMode") != "External"}


def column_letter(index: int) -> str:
    """Return the spreadsheet letter of a 0-based column."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters
