"""How every sheet of a workbook looks: one black-and-white style sheet, print set-up, protection.

A part writes its sheets with these helpers and needs to know nothing of styles:

    page = book.sheet("Kits and the stock room", planned="Par levels plan both. ")
    page.table(kits.accounts, "kit accounts", freeze=True)
    page.total(("Total", None, None, 120.0), ("text", "text", "whole", "money"))

Sheets and tables are laid out in config/ (layout.py); `page` and `title` make those whose layout hangs on the unit.

The header of a table that runs over a printed page is repeated. Kinds of cell: text, wrap (long text), strong, large
and huge (for the wall), whole (1,234), strong_whole, faint (grey: what the book expects), number (1.2), number2 (1.23),
money (1,234.50), share (0.983 shows 98.3 %), share2, litres (1.5 L), days, packs, input (whole number >= 0, boxed,
unlocked), input_text (the same for text), tick (a box to tick on paper). Text goes in as text whatever it begins
with; a formula is asked for by `Formula("=SUM(A1:A3)", shown=0)` with the value for programs that do not calculate.
`None` and NaN are empty cells.
Charts: charts.py. Rows and columns count from 1.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from kitplan.read.cells import ACTING
from kitplan.read.money import has_cents
from kitplan.read.values import READINESS, WORDS, Route
from kitplan.write.layout import Columns, sheet_layouts, sheet_notes, table_columns
from kitplan.write.styles import FONT, WRAPPED, cell_style

if TYPE_CHECKING:
    from pandas import DataFrame

POINTS_A_LINE = 13.5
PAPER_CODES = {"a4": 9, "letter": 1}
"""Papers by the number that the workbook format gives them (ECMA-376, pageSetup, paperSize)."""

_CREATED = datetime(2000, 1, 1)
_LONGEST_TEXT = 32_000
_LONGEST_NAME = 48
_PAPER_POINTS = {"a4": (595.3, 841.9), "letter": (612.0, 792.0)}
"""Short and long side, ISO 216 and ANSI/ASME Y14.1."""
_MARGINS = {"left": 0.5, "right": 0.5, "top": 0.6, "bottom": 0.8}
_ROW_POINTS, _SAFE = 15.0, 0.93
"""Height of a row of which nothing else is said; share of a printed page that is counted on."""
_KEPT, _LAST_ROWS = 3, 5
"""Rows that stay on a page with the line above them; the last of a table that go on the page of what follows."""
_SPREAD_SIZES = {"title": 1.65, "subtitle": 1.1, "lead": 1.2}
_DIGITS = 12
"""Digits of a number that are written: the last few of a double differ between versions of the libraries."""

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


@dataclass(frozen=True)
class Formula:
    """A live formula. shown: its value as of now, for programs that show a workbook without calculating."""

    text: str
    shown: float | str = ""


class Page:
    """One sheet, written from the top down."""

    def __init__(self, book: Book, sheet: Worksheet, about: str, widths: Sequence[float], landscape: bool) -> None:
        self.book = book
        self.sheet = sheet
        self.about = about
        self.section = book.section
        self.widths = tuple(widths)
        self.next_row = 1
        self.kinds: tuple[str, ...] = ()
        self.names: tuple[str, ...] = ()
        self._tables: list[tuple[int, int]] = []
        self._breaks: list[int] = []
        self._grouped = 0
        self._heights: dict[int, float] = {}
        wide, high = sorted(_PAPER_POINTS[book.paper], reverse=landscape)
        shrunk = min((wide - 72 * 1.0) / sum((7 * w + 5) * 0.75 for w in widths), 1.0)
        self._points_a_page = _SAFE * (high - 72 * 1.4) / shrunk
        for column, width in enumerate(widths):
            sheet.set_column(column, column, width)

    @property
    def title_text(self) -> str:
        return str(self.sheet.get_name())

    def title(self, text: str, subtitle: str = "", said: Iterable[str] | None = None, kind: str = "lead") -> None:
        """A heading over the whole width, with a sentence that says what to do with the sheet.
        said: what came out, sentences of this kind under it.
        """
        self.spread(text, "title")
        if subtitle:
            self.spread(subtitle, "subtitle")
        self.skip()
        if said is not None:
            for sentence in said:
                self.spread(sentence, kind)
            self.skip()

    def spread(self, text: str, kind: str = "wrap") -> int:
        """Text over all columns, as high as it needs; return its row."""
        if kind == "lead":
            self.keep_together(2 + _KEPT)
        row = self.next_row
        self.merge(row, 1, len(self.widths), text, kind, "spread")
        size = _SPREAD_SIZES.get(kind, 1.0)
        self.height(row, lines_needed(text, sum(self.widths) / size), size)
        self.next_row += 1
        return row

    def note(self, name: str, kind: str = "note", **more: object) -> int:
        """A text of config/sheet_notes.csv over all columns; more: as in `Book.said`."""
        return self.spread(self.book.said(sheet_notes()[name], **more), kind)

    def merge(self, row: int, first: int, last: int, value: Any, kind: str, line: str = "row") -> None:
        """One cell over several columns of a row."""
        if last > first:
            self.sheet.merge_range(row - 1, first - 1, row - 1, last - 1, "", self.book.style(kind, line))
        self.put(row, first, value, kind, line)

    def height(self, row: int, lines: int, size: float = 1.0) -> None:
        self.points(row, max(15.0, lines * POINTS_A_LINE * size + 2))

    def points(self, row: int, height: float) -> None:
        """Height of a row in points."""
        self._heights[row] = height
        self.sheet.set_row(row - 1, height)

    def skip(self, rows: int = 1) -> None:
        self.next_row += rows

    def header(self, labels: str | Sequence[str], kinds: Sequence[str] = (), *, freeze: bool = True,
               frozen_columns: int = 0) -> int:
        """The header row, frozen where asked for. Of the headers of a sheet the last whose table runs over its printed
        page is repeated: no table goes on under another's labels. labels: or a table of config/sheet_columns.csv, whose
        kinds are then those of the rows below where these name none.
        """
        self.keep_together(1 + _KEPT)
        if isinstance(labels, str):
            labels, kinds, self.names = zip(*self.book.columns(labels))
        self.kinds = tuple(kinds) or ("text",) * len(labels)
        row = self._line(labels, self.kinds, "head")
        self.height(row, max(lines_needed(label, width * 0.88) for label, width in zip(labels, self.widths)))
        if freeze:
            self.sheet.freeze_panes(row, frozen_columns)
        self._tables.append((row, row))
        return row

    def table(self, frame: DataFrame | Sequence[tuple[str, DataFrame]], columns: str | Columns, *,
              freeze: bool = False, frozen_columns: int = 0) -> tuple[int, int]:
        """A header and a line for each row of a frame; return the first and the last row number.

        frame: or several, each with the line that begins its group ("" for none). columns: or the table of
        config/sheet_columns.csv that lists them.
        """
        headings, kinds, self.names = zip(*self.book.columns(columns) if isinstance(columns, str) else columns)
        first = self.header(headings, kinds, freeze=freeze, frozen_columns=frozen_columns) + 1
        for title, rows in frame if isinstance(frame, Sequence) else [("", frame)]:
            if title:
                self.group((title,))
            self.lines(rows)
        return first, self.next_row - 1

    def lines(self, frame: DataFrame, kinds: Sequence[str] = ()) -> None:
        """A line for each row of a frame, by the columns that the table of the last header names."""
        for row in zip(*(frame[name].tolist() if name else [None] * len(frame) for name in self.names)):
            self.row(row, kinds)

    def row(self, values: Sequence[Any], kinds: Sequence[str] = (), least_points: float = 0.0,
            line: str = "row") -> int:
        """One line of a table, as high as its text needs and at least `least_points`; return its row number."""
        kinds, needed = kinds or self.kinds, 1
        for value, kind, width in zip(values, kinds, self.widths):
            if kind in WRAPPED and isinstance(value, str):
                needed = max(needed, lines_needed(value, width - 1.5))
        height = max(15.0, needed * POINTS_A_LINE + 2, least_points)
        self.keep_together(height / _ROW_POINTS)
        row = self._line(values, kinds, line)
        self.points(row, height)
        return row

    def group(self, values: Sequence[Any], kinds: Sequence[str] = ()) -> int:
        """A line that begins a group of rows; it never stands alone at the foot of a printed page."""
        self.keep_together(1 + _KEPT)
        self._grouped = self.next_row
        padded = [*values, *[None] * (len(self.widths) - len(values))]
        row = self._line(padded, kinds or ["strong"] * len(padded), "group")
        self.height(row, 1)
        return row

    def total(self, values: Sequence[Any], kinds: Sequence[str] = ()) -> int:
        """The line under a table that adds it up."""
        return self.row(values, kinds, line="total")

    def _line(self, values: Sequence[Any], kinds: Sequence[str], line: str) -> int:
        row = self.next_row
        for column, (value, kind) in enumerate(zip(values, kinds), 1):
            self.put(row, column, value, kind, line)
        self.next_row += 1
        if self._tables and line != "head":
            self._tables[-1] = self._tables[-1][0], row
        return row

    def put(self, row: int, column: int, value: Any, kind: str, line: str = "row") -> None:
        """One cell; a value there before is replaced."""
        at, sheet = (row - 1, column - 1), self.sheet
        if isinstance(value, Formula):
            sheet.write_formula(*at, value.text, self.book.style(kind, line), value.shown)
        elif isinstance(value, str):
            text = plain_text(value)
            sheet.write_string(*at, text, self.book.style(kind, line, quoted=text.startswith(tuple(ACTING))))
        elif value is None or (isinstance(value, float) and math.isnan(value)):
            sheet.write_blank(*at, None, self.book.style(kind, line))
        else:
            plain = value.item() if hasattr(value, "item") else value
            number = float(f"{plain:.{_DIGITS}g}") if isinstance(plain, float) else plain
            sheet.write_number(*at, number, self.book.style(kind, line))

    def link(self, row: int, column: int, sheet_title: str) -> None:
        """A cell that jumps to another sheet."""
        quoted = sheet_title.replace("'", "''")
        style = self.book.style("link", "row")
        self.sheet.write_url(row - 1, column - 1, f"internal:'{quoted}'!A1", style, sheet_title)

    def numbers_only(self, first: int, last: int, column: int, what: str, low: float | None = 0,
                     high: float | None = None, *, whole: bool = True, columns: int = 1) -> None:
        """Let rows of a column, or of several, take numbers from `low` to `high` only (None: no end)."""
        limits = {"minimum": low, "maximum": high, "criteria": "between"} if high is not None else {
            "value": low or 0, "criteria": ">="}
        span = f"{low or 0:g} or more" if high is None else f"{low or 0:g} to {high:g}"
        kind = "whole number" if whole else "number"
        self._limit(first, last, column, {
            "validate": "integer" if whole else "decimal", **limits, "error_title": f"A {kind}, please",
            "error_message": f"{what}: type a {kind}, {span}.",
        }, columns)

    def days_only(self, first: int, last: int, column: int, what: str, earliest: date) -> None:
        """Let rows of a column take dates, and warn whoever types something else."""
        self._limit(first, last, column, {
            "validate": "date", "criteria": ">=", "value": earliest, "error_type": "warning",
            "error_title": "A date, please", "error_message": f"{what}: type a date, such as 2026-03-31.",
        })

    def pick_from(self, first: int, last: int, column: int, source: Sequence[str] | str) -> None:
        """Offer choices in a drop-down: texts, or a range of cells ("=choices!$A$2:$A$9"); others bring a warning."""
        self._limit(first, last, column, {
            "validate": "list", "source": source if isinstance(source, str) else list(source), "error_type": "warning",
            "error_title": "Not in the list", "error_message": "This is not in the list. Keep it all the same?",
        })

    def _limit(self, first: int, last: int, column: int, rule: dict[str, Any], columns: int = 1) -> None:
        self.sheet.data_validation(first - 1, column - 1, last - 1, column + columns - 2, rule)

    def protect(self) -> None:
        """Lock everything but input cells, without a password: it only guards against slips."""
        self.sheet.protect("", {"format_cells": True, "format_columns": True, "format_rows": True})

    def on_one_page(self) -> None:
        self._breaks, self._points_a_page = [], math.inf
        self.sheet.fit_to_pages(1, 1)

    def new_printed_page(self) -> None:
        """Let what follows begin on another printed page, so that a chart or a table is not cut in two.

        Where the table before ran over its own page, its last rows go with it, under the header that is repeated; but
        not where fewer than these would be left on theirs.
        """
        first, end = self._tables[-1] if self._tables else (0, 0)
        last = end - _LAST_ROWS - (self._grouped == end - _LAST_ROWS)
        goes_with = self._runs_over(first, end) and last >= self._breaks[-1] + _LAST_ROWS \
            and self.next_row <= end + _KEPT
        self._breaks.append(last if goes_with else self.next_row - 1)

    def has_room(self, rows: float) -> bool:
        """Whether so many more rows fit the printed page that was begun last."""
        begun, header = max(self._breaks, default=0), self._tables[-1][0] if self._tables else 0
        here = [*range(begun + 1, self.next_row), *([header] if 0 < header <= begun else [])]
        filled = sum(self._heights.get(row, _ROW_POINTS) for row in here)
        return filled + rows * _ROW_POINTS <= self._points_a_page

    def keep_together(self, rows: float) -> None:
        """Let a table go on on another printed page where so many more rows do not fit this one; a line that begins a
        group just there goes along.
        """
        if self._tables and not self.has_room(rows):
            self._breaks.append(self.next_row - 1 - (self._grouped == self.next_row - 1))

    def _runs_over(self, first: int, last: int) -> bool:
        return any(first <= row < last for row in self._breaks)

    def another_table(self, rows: int) -> None:
        """Begin another table, of so many rows, on another printed page where it may not fit the present one."""
        if not self.has_room(rows + 3):
            self.new_printed_page()
            self.skip()

    def finish(self) -> None:
        """Say which header is repeated and where printed pages begin; once all is written."""
        self.sheet.set_h_pagebreaks(self._breaks)
        over = [table for table in self._tables if self._runs_over(*table)]
        for first, _ in (over if self._breaks else self._tables)[-1:]:
            self.sheet.repeat_rows(first - 1)

    def name_cell(self, name: str, row: int, column: int) -> None:
        """Give a cell a name that other programs find it by."""
        quoted = self.title_text.replace("'", "''")
        self.book.workbook.define_name(name, f"='{quoted}'!${chr(64 + column)}${row}")


class Book:
    """A workbook in the making; the same content gives the same bytes, whenever and wherever it is written.

    section: heading under which the first sheet lists the pages made from now on. paper: "a4" or "letter". words: the
    unit's (Unit.words).
    """

    def __init__(self, unit_name: str, currency: str, plan_number: str, paper: str = "a4",
                 words: Route | None = None) -> None:
        self._bytes = io.BytesIO()
        self.workbook = Workbook(self._bytes, {"in_memory": True})
        self.workbook.set_properties({"author": "kitplan", "created": _CREATED})
        self.unit_name = unit_name
        self.currency = currency
        self.plan_number = plan_number
        self.paper = paper
        self.pages: list[Page] = []
        self.section = ""
        self._styles: dict[tuple[str, str, bool], Format] = {}
        own = {name: getattr(words or Route(""), name) for name in WORDS}
        self._words = own | {name.capitalize(): word.capitalize() for name, word in own.items()} | {
            "unit": unit_name, "currency": currency, "readiness": READINESS}

    def style(self, kind: str, line: str, quoted: bool = False) -> Format:
        """The style of a kind of cell, made once; quoted: text that would act as a formula if typed again."""
        key = kind, line, quoted
        if key not in self._styles:
            whole = {"num_format": "#,##0"} if kind in ("money", "sum_money") and not has_cents(self.currency) else {}
            self._styles[key] = self.workbook.add_format(cell_style(kind, line) | {"quote_prefix": quoted} | whole)
        return self._styles[key]

    def said(self, text: str, **more: object) -> str:
        """A text of config/ with what its braces name: the unit's words and currency, and what is given."""
        return text.format(**self._words, **more)

    def columns(self, table: str) -> Columns:
        """The columns of a table of config/sheet_columns.csv."""
        return [(self.said(heading), kind, name) for heading, kind, name in table_columns()[table]]

    def sheet(self, name: str, said: Iterable[str] | None = None, kind: str = "lead", **more: object) -> Page:
        """A new sheet of config/sheets.csv, with its title where it has one. said, kind: as in `title`; more: as in
        `said`, with another `called` for the sheet where the unit's words ask for one.
        """
        layout = sheet_layouts()[name]
        page = self.page(str(more.get("called", name)), self.said(layout["about"], **more),
                         [float(width) for width in layout["widths"].split()], landscape=layout["upright"] != "yes")
        if layout["title"]:
            page.title(self.said(layout["title"], **more), self.said(layout["say"], **more), said, kind)
        return page

    def page(self, title: str, about: str, widths: Sequence[float], *, landscape: bool = True) -> Page:
        """A new sheet. about: one clause for the first sheet's list. widths: of columns, in characters."""
        sheet = self.workbook.add_worksheet(title)
        page = Page(self, sheet, about, widths, landscape)
        self.pages.append(page)
        sheet.hide_gridlines(2)
        if landscape:
            sheet.set_landscape()
        sheet.set_paper(PAPER_CODES[self.paper])
        sheet.fit_to_pages(1, 0)
        sheet.set_margins(**_MARGINS)
        sheet.set_footer(self._footer(), {"margin": 0.3})
        return page

    def content(self) -> bytes:
        """The finished workbook; nothing can be added after."""
        if not self.workbook.fileclosed:
            for page in self.pages:
                page.finish()
            self.workbook.close()
        return self._bytes.getvalue()

    def _footer(self) -> str:
        """Unit and plan, the caution and the day of printing, sheet and page; & is a command in a footer."""
        name = re.sub(r"\s*&\s*", " and ", re.sub(r"\s+", " ", _CONTROL.sub("", self.unit_name)))
        name = "\n".join(wrap(name, _LONGEST_NAME)[:2])
        font = f'&8&"{FONT},Regular"'
        return (
            f"&L{font}{name}\nPlan {self.plan_number}"
            f"&C{font}Quantities of supplies only, no clinical advice.\nPrinted &D"
            f"&R{font}&A\nPage &P of &N"
        )


def plain_text(text: str) -> str:
    """Text as a cell can hold it: without control characters, and not too long."""
    return _CONTROL.sub("", text)[:_LONGEST_TEXT]


def lines_needed(text: str, width: float) -> int:
    """Lines that text takes in a column `width` characters wide, broken at words."""
    room = max(int(width * 1.15), 1)
    return sum(1 if len(line) <= room else len(wrap(line, room)) for line in text.split("\n"))
