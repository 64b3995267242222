"""Who opens which workbook, and which sheets stand in it in what order."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Sheets:
    """Sheets that one function writes: where the part is in the plan, under this heading of the first sheet's list.

    writer: "module:function" under kitplan.parts, called with the book and the plan.
    """

    heading: str
    part: str
    writer: str


@dataclass(frozen=True)
class Workbook:
    """One workbook for one person. part: the part that it is about. use: what the person does with it, in a clause."""

    file: str
    title: str
    part: str
    person: str
    use: str
    sheets: tuple[Sheets, ...]


STOCK_ROOM = Workbook(
    "stock-room.xlsx", "Stock room", "par", "the materials coordinator",
    "receive, count, order, label bins, build kits",
    (
        Sheets("For the week", "par", "par.sheets:add_sheets"),
        Sheets("For the week", "order", "orders.sheets:add_sheets"),
        Sheets("At the bedside", "par", "kits.emergency_sheet:add_sheets"),
        Sheets("At the bedside", "kits", "kits.sheets:add_sheets"),
    ),
)
CLASS = Workbook(
    "class.xlsx", "Practice class", "training", "the educator",
    "buy, cut and lay out what a practice class needs",
    (Sheets("For the class", "training", "training.sheets:add_sheets"),),
)
MONTHS = Workbook(
    "months.xlsx", "The months ahead", "forecast", "the manager",
    "see what the months will cost, why the last ones cost what they did, and decide",
    (
        Sheets("What it costs", "forecast", "forecast.sheets:add_sheets"),
        Sheets("To decide", "par", "par.sheets:add_frontier"),
        Sheets("To decide", "audit", "audit.sheets:add_sheets"),
        Sheets("To decide", "seasons", "seasons.sheets:add_sheets"),
        Sheets("To decide", "compare", "compare.sheets:add_sheets"),
    ),
)
NUMBERS = Workbook(
    "behind-the-numbers.xlsx", "Behind the numbers", "par", "whoever must check",
    "check what was read, what is assumed, and how the numbers were worked out",
    (
        Sheets("What the plan rests on", "par", "overview.basis_sheets:add_sheets"),
        Sheets("What the plan rests on", "rates", "rates.sheets:add_sheets"),
        Sheets("What the plan rests on", "doubt", "doubt.sheets:add_sheets"),
        Sheets("How it was worked out", "kits", "kits.sheets:add_costs"),
        Sheets("How it was worked out", "forecast", "forecast.sheets:add_method"),
        Sheets("How it was worked out", "simulate", "simulate.sheets:add_sheets"),
    ),
)
WORKBOOKS = (STOCK_ROOM, CLASS, MONTHS, NUMBERS)


def part_file(part: str) -> str:
    """The workbook that the command of one part writes: the person's own where it is about that part."""
    return {CLASS.part: CLASS.file, MONTHS.part: MONTHS.file}.get(part, f"{part}.xlsx")
