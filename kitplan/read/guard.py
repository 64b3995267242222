"""Looks for patients' identities in every table that is read, headings and values, before any value is told.

What names or numbers a patient stops the run; what cannot be told from an item, a place or an ordinary day is a
warning that shows no value.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from kitplan.read.cells import Moment, text_of
from kitplan.read.days import OUTSIDE_YEARS, day_order, read_days
from kitplan.read.identity import (
    FREE_TEXTS,
    airway_values,
    header_names_identity,
    identity_problem,
    shelf_values,
    shown_header,
)

if TYPE_CHECKING:
    from kitplan.read.findings import Findings
    from kitplan.read.headers import RawTable

AIRWAY_TABLES = frozenset({"census_counts", "census_stays", "resecure_log"})
"""Tables about patients' airways. All others are about things: there, titles, lots and trade numbers are ordinary."""

_BIRTHS_BEFORE = np.timedelta64(31, "D")
"""A day so long before a table's own first day is no day of this stay."""
_OLDEST_THING = np.datetime64("2000-01-01")
"""In a table of things a day before this is no day of a thing; 1900 is what some programs write for no day at all."""
_DATES_SHARE = 0.5
"""A column is one of dates when this share of its values can be read as days."""


def guard_table(raw: RawTable, findings: Findings) -> None:
    """Note each column of a table that looks like a patient's identity: one problem a column, never a value.

    The settings of the sheet `unit` are guarded as those of a file are; the shipped tables are not guarded.
    """
    table = next(iter(raw.known.values())).table
    if raw.name.startswith("config/"):
        return
    airways = table in AIRWAY_TABLES
    if airways:
        findings.sensitive.add(raw.name)
    named = [(name, *raw.headers[name], cells) for name, cells in raw.columns.items()
             if raw.known[name].kind == "text" and table != "unit"]
    for name, header, letter, cells in [*named, *(("", *other) for other in raw.others)]:
        because, doubtful = _seen(raw, name, header, cells, airways)
        if because:
            findings.identities.append(identity_problem(raw.name, header, letter, because))
        elif doubtful:
            _warn(raw, header, letter, cells, doubtful, findings)


def _seen(
    raw: RawTable, name: str, header: str, cells: np.ndarray, airways: bool
) -> tuple[str | None, Collection[str]]:
    """What a column looks like, or None, and its values that are in doubt. name: "" for a heading of no table."""
    if not name and header_names_identity(header, names_too=airways):
        return "its header says so", ()
    values = [text_of(c) for c in pd.unique(cells) if c is not None]
    if airways:
        because, doubtful = airway_values(name or header, values, sum(c is not None for c in cells))
        return (because, doubtful) if name or because or doubtful else _dates(raw, values)
    because, doubtful = shelf_values(name, header, values)
    if because is None and (not name or name in FREE_TEXTS) and _long_ago(values):
        because = "dates long before anything on a shelf, such as dates of birth"
    return because, doubtful


def _warn(
    raw: RawTable, header: str, letter: str, cells: np.ndarray, doubtful: Collection[str], findings: Findings
) -> None:
    known = set(doubtful)
    rows = raw.rows[[i for i, c in enumerate(cells) if c is not None and text_of(c) in known]]
    more = f", in {len(rows):,} rows" if len(rows) > 1 else ""
    findings.warn(
        raw.name, f"holds what may be a patient's name, number or day of birth{more}; it is not shown",
        "Delete it if it is one; an item, a place or another day may stay.", row=int(rows[0]),
        column=shown_header(header, letter),
    )


def _dates(raw: RawTable, values: list[str]) -> tuple[str | None, Collection[str]]:
    """Days under a heading that no table has: of births when one lies long before the table's own first day."""
    found = _days(values)
    if len(found) < max(1, _DATES_SHARE * len(values)):
        return None, ()
    own = [v for name in ("date", "start", "end") if name in raw.columns
           for v in pd.unique(raw.columns[name]) if v is not None]
    first = min(_days(own).values(), default=None)
    if min(found.values()) < (_OLDEST_THING if first is None else first - _BIRTHS_BEFORE):
        return "dates long before the table begins, such as dates of birth", ()
    return None, list(found)


def _long_ago(values: list[str]) -> bool:
    """True for days, not one of them only, of which one is of the last century."""
    found = _days([v for v in values if "1900" not in v])
    return len(found) >= max(1, _DATES_SHARE * len(values)) and bool(min(found.values()) < _OLDEST_THING)


def _days(values: list[object] | list[str]) -> dict[str, np.datetime64]:
    """The values that are days; one of another century counts as long ago."""
    read = zip(values, read_days(values, day_order(values)))
    return {text_of(v): np.datetime64(m.day if isinstance(m, Moment) else "1900-01-01") for v, m in read
            if isinstance(m, Moment) or m == OUTSIDE_YEARS}
