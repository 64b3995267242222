"""The one table of columns, config/columns.csv: what every table holds, coming in and going out."""

from __future__ import annotations

import csv
import functools
from collections.abc import Mapping
from dataclasses import dataclass, replace

from kitplan.resources import config_file


@dataclass(frozen=True)
class Column:
    """One column of one table. kind: text, number, integer, date, flag or gtin. default: "" for none.

    also: other headings, folded, that mean it (config/headings.csv). mapped: the one heading that means it in this
    unit, "" where the unit does not say ([columns] in unit.toml).
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
    return {name: replace(c, also=_other_headings(table, name)) for name, c in found.items()}


@functools.cache
def _other_headings(table: str, column: str) -> frozenset[str]:
    return frozenset(heading for of, name, heading in _all_headings()
                     if name == column and (of == table or (of == "census" and table.startswith("census_"))))


@functools.cache
def _all_headings() -> tuple[tuple[str, str, str], ...]:
    with config_file("headings.csv").open(encoding="utf-8", newline="") as lines:
        return tuple((row["table"], row["column"], row["heading"].replace(" ", "_")) for row in csv.DictReader(lines))


def mapped_columns(columns: Mapping[str, Column], headings: Mapping[str, str]) -> dict[str, Column]:
    """Return the columns with the headings that a unit maps to them; headings: column name -> heading as folded."""
    return {name: replace(c, mapped=headings.get(name, "")) for name, c in columns.items()}
