"""Who opens which workbook, and which sheets stand in it in what order."""

from __future__ import annotations

from dataclasses import dataclass

from kitplan.resources import config_rows


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


def _workbooks() -> tuple[Workbook, ...]:
    """Those of config/workbooks.csv, each with its lines of workbook_sheets.csv."""
    sheets: dict[str, list[Sheets]] = {}
    for row in config_rows("workbook_sheets.csv"):
        sheets.setdefault(row["workbook"], []).append(Sheets(row["heading"], row["part"], row["writer"]))
    return tuple(Workbook(**row, sheets=tuple(sheets[row["file"]])) for row in config_rows("workbooks.csv"))


WORKBOOKS = STOCK_ROOM, CLASS, MONTHS, NUMBERS = _workbooks()


def part_file(part: str) -> str:
    """The workbook that the command of one part writes: the person's own where it is about that part."""
    return {CLASS.part: CLASS.file, MONTHS.part: MONTHS.file}.get(part, f"{part}.xlsx")
