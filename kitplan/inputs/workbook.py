"""Rows of cells out of one sheet of an .xlsx workbook, guarded against files made to harm or merely odd."""

from __future__ import annotations

import io
import zipfile
from typing import TYPE_CHECKING

from kitplan.inputs.cells import Bad
from kitplan.inputs.grids import MAX_COLUMNS, MAX_ROWS, Grid

if TYPE_CHECKING:
    from openpyxl.workbook.workbook import Workbook

MAX_UNPACKED_BYTES = 400_000_000
MAX_PARTS = 3_000
MAX_RATIO = 400
_CORRUPT = Bad("is not a readable workbook", "Open it in a spreadsheet program and save it again as .xlsx.")
_GAP_ROWS = 20_000
"""A sheet with so many blank rows one after another has ended for a person."""


class Book:
    """One workbook kept open for reading. Raises ValueError with a Bad as its argument when it cannot be used."""

    def __init__(self, name: str, content: bytes) -> None:
        self.name = name
        self.links = False
        fault = self._fault(content)
        if fault is not None:
            raise ValueError(fault)
        self._content = content
        self._book = _opened(content)
        self.sheets: tuple[str, ...] = tuple(self._book.sheetnames)

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
        except (zipfile.BadZipFile, zipfile.LargeZipFile, OSError, ValueError, RuntimeError,
                NotImplementedError, EOFError):
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
        from kitplan.inputs.findings import key_of

        return next((s for s in self.sheets if key_of(s) == key_of(table)), None)

    def grid(self, sheet: str) -> Grid | Bad:
        """Return the cells of a sheet; a formula stands where its cell is, marked as one."""
        try:
            return self._grid(sheet)
        except Exception as error:  # openpyxl meets a damaged part with whatever its parser raises
            if isinstance(error, MemoryError):
                raise
            return _CORRUPT

    def _grid(self, sheet: str) -> Grid | Bad:
        page = self._book[sheet]
        if not hasattr(page, "reset_dimensions"):
            return Bad("is a chart and not a table", "Give the table on an ordinary sheet.")
        page.reset_dimensions()
        rows: list[list[object]] = []
        numbers: list[int] = []
        gap = 0
        for number, cells in enumerate(page.iter_rows(max_col=MAX_COLUMNS + 1, values_only=True), 1):
            if not any(c is not None and c != "" for c in cells):
                gap += 1
                if gap > _GAP_ROWS:
                    break
                continue
            gap = 0
            if len(rows) >= MAX_ROWS:
                return Bad(f"has more than {MAX_ROWS:,} rows", "Give a shorter period.")
            if len(cells) > MAX_COLUMNS and cells[MAX_COLUMNS] is not None:
                return Bad("has too many columns", f"Keep to the table's own columns, at most {MAX_COLUMNS}.")
            rows.append(list(cells[:MAX_COLUMNS]))
            numbers.append(number)
        if not rows:
            return Bad("is empty", "Fill in the sheet: a header row and at least one row below it.")
        title = f"{self.name} [{sheet}]"
        return Grid(title, rows, numbers, self._formulas(page, rows, numbers))

    def _formulas(self, page: object, rows: list[list[object]], numbers: list[int]) -> frozenset[tuple[int, int]]:
        suspects = {n for row, n in zip(rows, numbers) if any(_may_be_formula(c) for c in row)}
        found = set()
        if suspects:
            last = max(suspects)
            for cells in page.iter_rows(max_row=last, max_col=MAX_COLUMNS):  # type: ignore[attr-defined]
                for column, cell in enumerate(cells):
                    if getattr(cell, "data_type", "") == "f" and cell.row in suspects:
                        found.add((cell.row, column))
        return frozenset(found)


def _may_be_formula(cell: object) -> bool:
    return (isinstance(cell, str) and cell.startswith("=")) or type(cell).__name__.endswith("Formula")


def _opened(content: bytes) -> Workbook:
    import warnings

    from openpyxl import load_workbook

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return load_workbook(io.BytesIO(content), read_only=True, data_only=False, keep_links=False)
    except MemoryError:
        raise
    except Exception as error:  # openpyxl meets a damaged part with whatever its parser raises
        raise ValueError(_CORRUPT) from error


def column_letter(index: int) -> str:
    """Return the spreadsheet letter of a 0-based column."""
    letters = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


