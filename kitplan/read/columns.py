"""The one table of columns, config/columns.csv: what every table holds, coming in and going out."""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass

from kitplan.resources import config_file


@dataclass(frozen=True)
class Column:
    """One column of one table. kind: text, number, integer, date, flag or gtin. default: "" for none."""

    table: str
    direction: str
    name: str
    kind: str
    unit: str
    required: bool
    default: str
    description: str


@functools.cache
def _all_columns() -> tuple[Column, ...]:
    with config_file("columns.csv").open(encoding="utf-8", newline="") as lines:
        return tuple(
            Column(
                row["table"], row["direction"], row["column"], row["type"], row["unit"],
                row["required"] == "yes", row["default"], row["description"],
            )
            for row in csv.DictReader(lines)
        )


def columns_of(table: str, direction: str = "in") -> dict[str, Column]:
    """Return the columns of one table by name, in order.

    Raises KeyError when columns.csv does not describe the table.
    """
    found = {c.name: c for c in _all_columns() if c.table == table and c.direction == direction}
    if not found:
        raise KeyError(f"config/columns.csv describes no table {table!r} ({direction})")
    return found
