"""stock-room.xlsx: what the unit works with, one sheet a question."""

from __future__ import annotations

import importlib
from importlib.util import find_spec
from typing import TYPE_CHECKING

from kitplan.parts.overview import start_sheet as start
from kitplan.write.book import Book

if TYPE_CHECKING:
    from kitplan.plan import Plan

CORE = frozenset({
    "par_levels", "count_and_order", "bedside_emergency", "frontier", "airways", "assumptions", "input_checks",
})
"""Sheets that every plan has; every other name is a part, and has sheets when it ran."""

SHEETS = {
    "par_levels": "parts.par.sheets", "frontier": "parts.par.frontier_sheet",
    "changes": "parts.par.changes_sheet", "count_and_order": "parts.orders.count_sheet", "order": "parts.orders.sheets",
    "bedside_emergency": "parts.kits.emergency_sheet", "airways": "parts.overview.airways_sheet",
    "assumptions": "parts.overview.assumptions_sheet", "input_checks": "parts.overview.input_checks_sheet",
}
"""Modules that write a sheet; a part that stands nowhere here has its own parts/NAME/sheets.py."""

SECTIONS = (
    ("For the week", ("par_levels", "count_and_order", "bedside_emergency", "order", "changes")),
    ("Bedside kits", ("kits",)),
    ("To decide", ("frontier", "audit", "seasons", "forecast", "simulate", "compare")),
    ("For the class", ("training",)),
    ("Behind the numbers", ("rates", "airways", "assumptions", "input_checks")),
)
"""Sheets in the order a person needs them; a part that stands nowhere here comes before the last section."""


def build_workbook(plan: Plan) -> bytes:
    """The whole workbook of a plan that has par levels; the same plan gives the same bytes."""
    book = Book(plan.unit.name, plan.unit.currency, plan.number)
    first = start.add_first_sheet(book)
    for section, names in sections_of(plan):
        book.section = section
        for name in names:
            _add_sheets(book, plan, name)
    start.fill(first, plan)
    return book.content()


def sections_of(plan: Plan) -> list[tuple[str, list[str]]]:
    """The sections with the modules that this plan has sheets of, in order."""
    ran = CORE | set(plan.parts) - {"par"}
    placed = {name for _, names in SECTIONS for name in names}
    sections = [(section, [name for name in names if name in ran]) for section, names in SECTIONS]
    sections.insert(-1, ("More", sorted(ran - placed)))
    return [(section, names) for section, names in sections if names]


def build_part_workbook(plan: Plan, part: str) -> bytes | None:
    """The sheets of one part alone, for its own command; None for a part without sheets."""
    book = Book(plan.unit.name, plan.unit.currency, plan.number)
    _add_sheets(book, plan, part)
    return book.content() if book.pages else None


def _add_sheets(book: Book, plan: Plan, name: str) -> None:
    module = SHEETS.get(name, f"parts.{name}.sheets")
    folder = f"kitplan.{module}".rpartition(".")[0]
    if find_spec(folder) is not None and find_spec(f"kitplan.{module}") is not None:
        importlib.import_module(f"kitplan.{module}").add_sheets(book, plan)
