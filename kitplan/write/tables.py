"""Tidy tables as CSV bytes: the same frame gives the same bytes everywhere, and no cell can act as a formula.

Text that a spreadsheet would take for a formula (it begins with = + - @, a tab, a line break or a null)
is written with one apostrophe in front. A program that reads the tables takes one apostrophe away from text that begins
with apostrophes followed by such a character (`read.cells.unguarded`). No other cell is altered, so nothing is lost.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import pandas as pd

from kitplan.read.cells import ACTING
from kitplan.read.columns import all_columns

_TO_GUARD = re.compile(f"'*[{re.escape(ACTING)}]")


class UndescribedColumn(LookupError):
    """A table was about to be written with a column that config/columns.csv does not describe."""


def safe_text(text: str) -> str:
    """Text for a CSV cell that no spreadsheet takes for a formula; `unguarded` is its inverse."""
    return f"'{text}" if _TO_GUARD.match(text) else text


def described_columns(table: str) -> dict[str, str]:
    """Columns that an output table may have, with their types, in the order of config/columns.csv."""
    return {c.name: c.kind for c in all_columns() if (c.table, c.direction) == (table, "out")}


def table_bytes(table: str, frame: pd.DataFrame) -> bytes:
    """The frame as CSV: UTF-8, one header line, lines end in a line feed, columns in their described order.

    table: its name in config/columns.csv (the file stem). Numbers have at most six decimals and no exponent,
    whole numbers none, dates are ISO 8601, flags yes or no, a missing value is an empty cell.
    Raises UndescribedColumn.
    """
    types = described_columns(table)
    unknown = [str(c) for c in frame.columns if c not in types]
    if unknown:
        names = ", ".join(unknown)
        raise UndescribedColumn(f"config/columns.csv describes no output column {names} of table {table}")
    header = [name for name in types if name in frame.columns]
    columns = [[_cell(value, types[name]) for value in frame[name].tolist()] for name in header]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(zip(*columns))
    return text.getvalue().encode("utf-8")


def _cell(value: Any, kind: str) -> str:
    """One value as text, a missing one as nothing."""
    missing = math.isnan(value) if isinstance(value, float) else value is None or value is pd.NaT or value is pd.NA
    return "" if missing else _FORMATS[kind](value)


def _number(value: Any) -> str:
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _text(value: Any) -> str:
    return safe_text(str(value))


def _date(value: Any) -> str:
    if isinstance(value, datetime):
        value = value.date()
    return value.isoformat() if isinstance(value, date) else _text(value)


_FORMATS: dict[str, Callable[[Any], str]] = {
    "number": _number, "integer": lambda value: str(round(value)), "text": _text, "date": _date,
    "flag": lambda value: "yes" if value else "no", "gtin": _text,
}
