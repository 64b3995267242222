"""How every sheet of a workbook looks: one black-and-white style sheet, print set-up, protection.

A part writes its sheets with these helpers and needs to know nothing of styles:

    def add_sheets(book: Book, plan: Plan) -> None:
        page = book.page("Kits", "Which kit serves which airway", widths=(14, 40, 10, 12))
        page.title("Bedside kits", "Build the number in the last column for the week ahead.")
        page.header(("Design", "Description", "Items", f"Value ({book.currency})"))
        for row in contents.itertuples():
            page.row((row.design, row.description, row.items, row.value), ("text", "wrap", "whole", "money"))
        page.total(("Total", None, None, 120.0), ("text", "text", "whole", "money"))

The header row is frozen and repeated on every printed page. Kinds of cell: text, wrap (long text), strong,
whole (1,234), number (1.2), number2 (1.23), money (1,234.50), share (0.983 shows 98.3 %), share2, litres (1.5 L),
days, packs, input (whole number >= 0, boxed, unlocked), input_text (the same for text), tick (a box to tick on
paper). Text goes in as text whatever it begins with; a formula is asked for by `Formula("=SUM(A1:A3)", shown=0)`
with the value for programs that do not calculate. `None` and NaN are empty cells. Charts: charts.py.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from typing import Any

from openpyxl import Workbook
from openpyxl.cell.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.hyperlink import Hyperlink
from openpyxl.worksheet.worksheet import Worksheet

from kitplan.write.sealing import sealed_bytes

FONT = "Arial"
POINTS_A_LINE = 13.5
_A4 = "9"
_LONGEST_TEXT = 32_000
_DIGITS = 12
"""Digits of a number that are written: the last few of a double differ between versions of the libraries."""

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
_ACTING = tuple("=+-@\t\r\n＝＋－＠")
_THIN, _MEDIUM, _DOUBLE = Side(style="thin", color="808080"), Side(style="medium"), Side(style="double")
_HAIR = Side(style="hair", color="808080")
_GREY = PatternFill("solid", start_color="FFE0E0E0")
_PALE = PatternFill("solid", start_color="FFF2F2F2")

_FORMATS = {
    "whole": "#,##0", "number": "#,##0.0", "number2": "#,##0.00", "money": "#,##0.00", "share": "0.0%",
    "share2": "0.00%", "litres": '#,##0.0" L"', "days": '#,##0.0" days"', "packs": '#,##0" packs"',
    "input": "0", "order": '0;-0;"–"', "sum": "#,##0", "sum_money": "#,##0.00",
}
_WRAPPED = {"wrap", "strong_wrap", "input_text", "title", "subtitle", "lead", "note", "caution"}
_BOLD = {"strong", "strong_wrap", "title", "band", "alert", "label", "sum", "sum_money"}
_BOXED = {"input", "input_text", "tick", "caution", "sum", "sum_money"}
_CENTRED = {"tick", "input", "band"}


@dataclass(frozen=True)
class Formula:
    """A live formula. shown: its value as of now, for programs that show a workbook without calculating."""

    text: str
    shown: float | str = ""


class Styles:
    """Each kind of cell as one shared style of a workbook, built once: cells only copy it."""

    def __init__(self, workbook: Workbook) -> None:
        self._scratch = workbook.create_sheet("scratch")
        self._known: dict[tuple[str, str], Any] = {}
        self._workbook = workbook

    def drop_scratch(self) -> None:
        if self._scratch in self._workbook.worksheets:
            self._workbook.remove(self._scratch)

    def get(self, kind: str, line: str) -> Any:
        """Style of a cell of this kind in a line of this sort ("row", "group", "total", "head")."""
        if (kind, line) not in self._known:
            self._known[kind, line] = self._build(kind, line)
        return copy(self._known[kind, line])

    def _build(self, kind: str, line: str) -> Any:
        cell = self._scratch.cell(1, 1)
        bold = line in ("group", "total", "head") or kind in _BOLD
        size = {"title": 16, "subtitle": 11, "lead": 12}.get(kind, 10)
        under = "single" if kind == "link" else None
        cell.font = Font(name=FONT, size=size, bold=bold, italic=kind == "note", underline=under)
        cell.number_format = _FORMATS.get(kind, "General" if kind != "text" else "@")
        is_number = kind in _FORMATS and kind not in _CENTRED
        across = "center" if kind in _CENTRED else "right" if is_number or kind == "label" else "left"
        if line == "head":
            across = "center" if kind in _FORMATS or kind in _CENTRED else "left"
        up = "top" if line == "spread" else "center"
        wrap = line == "head" or kind in _WRAPPED
        indent = 0 if across == "center" or line in ("spread", "free") else 1
        cell.alignment = Alignment(horizontal=across, vertical=up, wrap_text=wrap, indent=indent)
        cell.border = _border(kind, line)
        cell.fill = _GREY if line == "head" else _PALE if line == "group" else PatternFill()
        cell.protection = Protection(locked=kind not in ("input", "input_text"))
        return copy(cell._style)


def _border(kind: str, line: str) -> Border:
    if kind in _BOXED and line not in ("head", "group", "total"):
        return Border(left=_MEDIUM, right=_MEDIUM, top=_MEDIUM, bottom=_MEDIUM)
    if line == "head":
        return Border(top=_THIN, bottom=_MEDIUM, left=_HAIR, right=_HAIR)
    if line == "group":
        return Border(top=_MEDIUM, bottom=_HAIR)
    if line == "total":
        return Border(top=_DOUBLE)
    if line == "row":
        return Border(bottom=_HAIR)
    return Border()


class Page:
    """One sheet, written from the top down."""

    def __init__(self, book: Book, sheet: Worksheet, about: str, widths: Sequence[float]) -> None:
        self.book = book
        self.sheet = sheet
        self.about = about
        self.section = book.section
        self.widths = tuple(widths)
        self.next_row = 1
        for column, width in enumerate(widths, 1):
            sheet.column_dimensions[get_column_letter(column)].width = width

    @property
    def title_text(self) -> str:
        return self.sheet.title

    def title(self, text: str, subtitle: str = "") -> None:
        """A heading over the whole width, with a sentence that says what to do with the sheet."""
        self.spread(text, "title")
        if subtitle:
            self.spread(subtitle, "subtitle")
        self.skip()

    def spread(self, text: str, kind: str = "wrap", columns: tuple[int, int] | None = None) -> int:
        """Text over all columns (or those given, 1-based), as high as it needs; return its row."""
        first, last = columns or (1, len(self.widths))
        row = self.next_row
        for column in range(first, last + 1):
            self.put(row, column, None, kind, "spread")
        self.put(row, first, text, kind, "spread")
        if last > first:
            self.merge(row, first, last)
        size = {"title": 1.65, "subtitle": 1.1, "lead": 1.2}.get(kind, 1.0)
        lines = lines_needed(text, sum(self.widths[first - 1:last]) / size)
        self.height(row, lines, size)
        self.next_row += 1
        return row

    def merge(self, row: int, first: int, last: int) -> None:
        """Join cells of a row; they keep their own borders (the library's way copies styles cell by cell)."""
        self.sheet.merged_cells.add(f"{get_column_letter(first)}{row}:{get_column_letter(last)}{row}")

    def height(self, row: int, lines: int, size: float = 1.0) -> None:
        self.sheet.row_dimensions[row].height = max(15.0, lines * POINTS_A_LINE * size + 2)

    def skip(self, rows: int = 1) -> None:
        self.next_row += rows

    def band(self, labels: Sequence[tuple[str, int, int]]) -> None:
        """A line above the header whose labels (text, first column, last column) name groups of columns."""
        for text, first, last in labels:
            for column in range(first, last + 1):
                self.put(self.next_row, column, None, "band", "head")
            self.put(self.next_row, first, text, "band", "head")
            if last > first:
                self.merge(self.next_row, first, last)
        self.height(self.next_row, 1)
        self.next_row += 1

    def header(self, labels: Sequence[str], kinds: Sequence[str] = (), *, freeze: bool = True,
               frozen_columns: int = 0, titles_from: int | None = None) -> int:
        """The header row; frozen, and repeated with the rows from `titles_from` on every printed page that follows.

        A later header on the same sheet takes the repetition over: a table must never print under another's labels.
        """
        row = self._line(labels, kinds or ["text"] * len(labels), "head")
        self.height(row, max(lines_needed(label, width * 0.88) for label, width in zip(labels, self.widths)))
        if freeze:
            self.sheet.freeze_panes = self.sheet.cell(row + 1, frozen_columns + 1)
        if freeze or self.sheet.print_title_rows:
            self.sheet.print_title_rows = f"{titles_from or row}:{row}"
        return row

    def row(self, values: Sequence[Any], kinds: Sequence[str]) -> int:
        """One line of a table; return its row number."""
        row = self._line(values, kinds, "row")
        needed = 1
        for value, kind, width in zip(values, kinds, self.widths):
            if kind in _WRAPPED and isinstance(value, str):
                needed = max(needed, lines_needed(value, width - 1.5))
        self.height(row, needed)
        return row

    def group(self, values: Sequence[Any], kinds: Sequence[str] = ()) -> int:
        """A line that begins a group of rows."""
        padded = [*values, *[None] * (len(self.widths) - len(values))]
        row = self._line(padded, kinds or ["strong"] * len(padded), "group")
        self.height(row, 1)
        return row

    def total(self, values: Sequence[Any], kinds: Sequence[str]) -> int:
        """The line under a table that adds it up."""
        return self._line(values, kinds, "total")

    def _line(self, values: Sequence[Any], kinds: Sequence[str], line: str) -> int:
        row = self.next_row
        for column, (value, kind) in enumerate(zip(values, kinds), 1):
            self.put(row, column, value, kind, line)
        self.next_row += 1
        return row

    def put(self, row: int, column: int, value: Any, kind: str, line: str = "row") -> Cell:
        """One cell."""
        cell: Cell = self.sheet.cell(row, column)
        cell._style = self.book.styles.get(kind, line)
        if isinstance(value, Formula):
            cell.value = value.text
            self.book.shown[self.sheet.title, cell.coordinate] = value.shown
        elif isinstance(value, str):
            put_text(cell, value)
        elif value is not None and not (isinstance(value, float) and math.isnan(value)):
            plain = value.item() if hasattr(value, "item") else value
            cell.value = float(f"{plain:.{_DIGITS}g}") if isinstance(plain, float) else plain
        return cell

    def link(self, row: int, column: int, sheet_title: str) -> None:
        """Make a cell jump to another sheet."""
        cell = self.sheet.cell(row, column)
        quoted = sheet_title.replace("'", "''")
        cell.hyperlink = Hyperlink(ref=cell.coordinate, location=f"'{quoted}'!A1")

    def whole_numbers_only(self, cells: str, what: str) -> None:
        """Let the cells take whole numbers from 0 up, and say so to whoever types something else."""
        rule = DataValidation(
            type="whole", operator="greaterThanOrEqual", formula1="0", allow_blank=True,
            showErrorMessage=True, errorTitle="A whole number, please",
            error=f"{what}: type a whole number, 0 or more.",
        )
        rule.add(cells)
        self.sheet.add_data_validation(rule)

    def protect(self) -> None:
        """Lock everything but input cells, without a password: it only guards against slips."""
        protection = self.sheet.protection
        protection.sheet = True
        protection.formatColumns = protection.formatRows = protection.formatCells = False


class Book:
    """A workbook in the making. shown: (sheet, cell) -> value of a formula as of now.

    section: heading under which the first sheet lists the pages made from now on.
    """

    def __init__(self, unit_name: str, currency: str, plan_number: str) -> None:
        self.workbook = Workbook()
        self.workbook.remove(self.workbook.active)
        self.unit_name = unit_name
        self.currency = currency
        self.plan_number = plan_number
        self.shown: dict[tuple[str, str], float | str] = {}
        self.pages: list[Page] = []
        self.section = ""
        self.styles = Styles(self.workbook)

    def page(self, title: str, about: str, widths: Sequence[float], *, landscape: bool = True) -> Page:
        """A new sheet. about: one clause for the first sheet's list. widths: of columns, in characters."""
        sheet = self.workbook.create_sheet(title)
        page = Page(self, sheet, about, widths)
        self.pages.append(page)
        sheet.sheet_view.showGridLines = False
        setup = sheet.page_setup
        setup.orientation = "landscape" if landscape else "portrait"
        setup.paperSize = _A4
        setup.fitToWidth, setup.fitToHeight = 1, 0
        sheet.sheet_properties.pageSetUpPr.fitToPage = True
        margins = sheet.page_margins
        margins.left = margins.right = 0.5
        margins.top, margins.bottom, margins.header, margins.footer = 0.6, 0.8, 0.3, 0.3
        self._furnish(sheet)
        return page

    def content(self) -> bytes:
        """The workbook as bytes that repeat."""
        self.styles.drop_scratch()
        return sealed_bytes(self.workbook, self.shown)

    def _furnish(self, sheet: Worksheet) -> None:
        name = re.sub(r"\s+", " ", _CONTROL.sub("", self.unit_name)).replace("&", "&&")[:80]
        footer = sheet.oddFooter
        footer.left.text = f"{name}\nPlan {self.plan_number}"
        footer.center.text = "Quantities of supplies only, no clinical advice.\nPrinted &D"
        footer.right.text = "&A\nPage &P of &N"
        for part in (footer.left, footer.center, footer.right):
            part.size, part.font = 8, FONT


def put_text(cell: Cell, text: str) -> None:
    """Put text into a cell as text, whatever it begins with; control characters are left out."""
    clean = _CONTROL.sub("", text)[:_LONGEST_TEXT]
    cell._value = clean
    cell.data_type = "s"
    if clean.startswith(_ACTING):
        cell.quotePrefix = True  # type: ignore[assignment]


def lines_needed(text: str, width: float) -> int:
    """Lines that text takes in a column `width` characters wide, broken at words."""
    lines = 0
    for paragraph in text.split("\n"):
        used = 0.0
        lines += 1
        for word in paragraph.split(" "):
            if used and used + 1 + len(word) > width * 1.15:
                lines += 1
                used = 0.0
            used += len(word) + (1 if used else 0)
            while used > width * 1.15:
                lines += 1
                used -= width
    return lines
