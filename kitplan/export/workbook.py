"""stock-room.xlsx: what the unit works with, one sheet a question."""

from __future__ import annotations

import importlib
from importlib.util import find_spec
from typing import TYPE_CHECKING

from kitplan.export.look import Book
from kitplan.export.plan_json import plan_number
from kitplan.export.sheets import (
    airways,
    assumptions,
    bedside_emergency,
    count_and_order,
    frontier,
    input_checks,
    par_levels,
    start,
)

if TYPE_CHECKING:
    from kitplan.plan import Plan

PART_ORDER = ("order", "kits", "audit", "seasons", "rates", "forecast", "training", "simulate", "compare")


def build_workbook(plan: Plan) -> bytes:
    """The whole workbook of a plan that has par levels; the same plan gives the same bytes."""
    book = Book(plan.unit.name, plan.unit.currency, plan_number(plan.unit, plan.seed, plan.version))
    first = start.add_first_sheet(book)
    par_levels.add_sheets(book, plan)
    count_and_order.add_sheets(book, plan)
    bedside_emergency.add_sheets(book, plan)
    add_parts(book, plan)
    frontier.add_sheets(book, plan)
    airways.add_sheets(book, plan)
    assumptions.add_sheets(book, plan)
    input_checks.add_sheets(book, plan)
    start.fill(first, plan)
    return book.content()


def build_part_workbook(plan: Plan, part: str) -> bytes | None:
    """The sheets of one part alone, for its own command; None for a part without sheets."""
    book = Book(plan.unit.name, plan.unit.currency, plan_number(plan.unit, plan.seed, plan.version))
    _add_part(book, plan, part)
    return book.content() if book.pages else None


def add_parts(book: Book, plan: Plan) -> None:
    """The sheets of every part that ran, in the order a person needs them; a part may have none."""
    known = [p for p in PART_ORDER if p in plan.parts]
    for part in [*known, *sorted(set(plan.parts) - set(known))]:
        _add_part(book, plan, part)


def _add_part(book: Book, plan: Plan, part: str) -> None:
    name = f"kitplan.export.sheets.{part}"
    if find_spec(name) is not None:
        importlib.import_module(name).add_sheets(book, plan)
