"""How sheets are laid out: sheets.csv of config/ has a line a sheet, sheet_columns.csv one a column of their tables,
sheet_notes.csv one a text that stands on them.

Their texts name the unit's words in braces, {acts} or {Acts}, its {currency}, and what the writer of the sheet gives.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

from kitplan.resources import config_rows

Columns = Sequence[tuple[str, str, str]]
"""(heading, kind of cell, column of the frame, or "" for cells to be written in on paper) of each column of a table."""


@cache
def sheet_layouts() -> Mapping[str, Mapping[str, str]]:
    """Every sheet by its name. about: one clause for the first sheet's list. widths: of columns, in characters.
    upright: as printed. title, say: its heading and what to do with it, "" where the writer of the sheet says that.
    """
    return {row["sheet"]: row for row in config_rows("sheets.csv")}


@cache
def table_columns() -> Mapping[str, Columns]:
    """The columns of every table by its name."""
    found: dict[str, list[tuple[str, str, str]]] = {}
    for row in config_rows("sheet_columns.csv"):
        found.setdefault(row["table"], []).append((row["heading"], row["kind"], row["column"]))
    return found


@cache
def sheet_notes() -> Mapping[str, str]:
    """Texts that stand on sheets by their name."""
    return {row["note"]: row["text"] for row in config_rows("sheet_notes.csv")}
