"""The one table of columns, config/columns.csv: what every table holds, coming in and going out.

What a column that comes in accepts stands in config/accepts.csv (0..30, >0..1, or words with | between them), other
headings that mean it in config/headings.csv, what an example row holds in config/examples.csv.
"""

from __future__ import annotations

import csv
import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from kitplan.resources import config_file, config_rows

MAPPED_TABLES: Mapping[str, tuple[str, ...]] = {
    "census": ("census_counts", "census_stays"),
    **{name: (name,) for name in ("resecure_log", "stock_issues", "present_par", "on_hand", "items", "face", "tubes",
                              "prices", "budget")},
}
"""Tables whose headings a unit may map -> their column lists."""


@dataclass(frozen=True)
class Column:
    """One column of one table. kind: text, number, integer, date, flag or gtin. default: "" for none.

    also: other headings, folded, that mean it (config/headings.csv). mapped: the one heading that means it in this
    unit, "" where the unit does not say ([columns] in unit.toml). low, high: numbers that it accepts; strict: not low
    itself. choices: the only words that it accepts. example: what it holds in an example, "" for nothing.
    """

    table: str
    direction: str
    name: str
    kind: str
    unit: str
    required: bool
    default: str
    description: str
    also: frozenset[str] = frozenset()
    mapped: str = ""
    low: float | None = None
    high: float | None = None
    strict: bool = False
    choices: tuple[str, ...] = ()
    example: str = ""


@functools.cache
def all_columns() -> tuple[Column, ...]:
    """Every column of config/columns.csv, in order."""
    beside, found = [_beside(file) for file in ("headings.csv", "accepts.csv", "examples.csv")], []
    for row in config_rows("columns.csv"):
        at = (row["table"], row["column"]) if row["direction"] == "in" else ()
        headings, accepts, example = (texts.get(at, ()) for texts in beside)
        found.append(Column(
            row["table"], row["direction"], row["column"], row["type"], row["unit"],
            row["required"] == "yes", row["default"], row["description"], example="".join(example),
            also=frozenset(text.replace(" ", "_") for text in headings), **accepted("".join(accepts)),
        ))
    return tuple(found)


def columns_of(table: str) -> dict[str, Column]:
    """Return the columns of one table that comes in by name, in order.

    Raises KeyError when columns.csv does not describe the table.
    """
    found = {c.name: c for c in all_columns() if (c.table, c.direction) == (table, "in")}
    if not found:
        raise KeyError(f"config/columns.csv describes no table {table!r} that comes in")
    return found


def accepted(text: str) -> dict[str, Any]:
    """What config/ says of a value, as fields: low, high and strict of "0..30" or ">0..1", choices of "a|b"."""
    limits = re.fullmatch(r"(>?)([-\d.e]*?)\.\.([-\d.e]*)", text)
    if limits is None:
        return {"choices": tuple(text.split("|"))} if text else {}
    low, high = (float(end) if end else None for end in limits.groups()[1:])
    return {"low": low, "high": high, "strict": bool(limits[1])}


def _beside(file: str) -> dict[tuple[str, ...], tuple[str, ...]]:
    """What a table beside columns.csv says of each column; what it says of `census` holds for both its shapes."""
    found: dict[tuple[str, ...], tuple[str, ...]] = {}
    with config_file(file).open(encoding="utf-8", newline="") as lines:
        for table, column, text in list(csv.reader(lines))[1:]:
            for shape in ("census_counts", "census_stays") if table == "census" else (table,):
                found[shape, column] = (*found.get((shape, column), ()), text)
    return found
