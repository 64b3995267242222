"""Build the workbooks of a plan, one a person."""

from __future__ import annotations

import importlib
from collections.abc import Iterable, Sequence

from kitplan.parts.overview import start_sheet as start
from kitplan.parts.overview.readers import WORKBOOKS, Sheets, Workbook, part_file
from kitplan.planning import Plan
from kitplan.write.book import Book


def build_workbooks(plan: Plan, only: Sequence[Workbook] = WORKBOOKS) -> dict[str, bytes]:
    """File name -> workbook, for every person whom this plan has sheets for; the same plan gives the same bytes.

    only: the workbooks to build; the first sheets tell of the plan's others too, which lie beside them already.
    """
    books = {workbook: _new_book(plan, first=True) for workbook in only}
    for workbook, book in books.items():
        _add_sheets(book, plan, (sheets for sheets in workbook.sheets if sheets.part in plan.parts))
    made = {workbook: book for workbook, book in books.items() if len(book.pages) > 1}
    there = [w for w in WORKBOOKS if w in made or (w not in only and any(s.part in plan.parts for s in w.sheets))]
    for workbook, book in made.items():
        start.fill(book.pages[0], plan, workbook, there)
    return {workbook.file: book.content() for workbook, book in made.items()}


def build_part_workbook(plan: Plan, part: str) -> dict[str, bytes]:
    """File name -> workbook of one part, for its own command; empty for a part without sheets."""
    file = part_file(part)
    persons = [workbook for workbook in WORKBOOKS if workbook.file == file]
    book = _new_book(plan, first=bool(persons))
    _add_sheets(book, plan, (s for workbook in WORKBOOKS for s in workbook.sheets if s.part == part))
    for workbook in persons:
        start.fill(book.pages[0], plan, workbook, persons)
    return {file: book.content()} if book.pages else {}


def _new_book(plan: Plan, first: bool) -> Book:
    """An empty workbook; first: with its first sheet reserved, to be filled when the others are known."""
    book = Book(plan.unit.name, plan.unit.currency, plan.number, plan.unit.paper, plan.unit.words)
    if first:
        book.sheet("Start here").on_one_page()
    return book


def _add_sheets(book: Book, plan: Plan, sheets: Iterable[Sheets]) -> None:
    for entry in sheets:
        book.section = entry.heading
        module, _, function = entry.writer.partition(":")
        getattr(importlib.import_module(f"kitplan.parts.{module}"), function)(book, plan)
