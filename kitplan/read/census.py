"""The census in one of three shapes: a snapshot, a history of daily counts, or a list of stays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np
import pandas as pd

from kitplan.read.cells import Moment, text_of
from kitplan.read.columns import Column, columns_of
from kitplan.read.days import day_order, read_days
from kitplan.read.findings import Findings, key_of, nearest
from kitplan.read.grids import Grid
from kitplan.read.headers import RawTable, header_names, mapped_in, raw_table, says_total, without_totals
from kitplan.read.identity import shown_header
from kitplan.read.source import Source
from kitplan.read.strata import doubt_sizes, read_keys
from kitplan.read.tables import TableReader
from kitplan.read.techniques import Recipes
from kitplan.read.workbook import CENSUS_TABLES

LONGEST_SPAN_DAYS = 20 * 366
LONE_GAP_DAYS, LONE_GAPS, LONE_SHARE = 180, 10, 0.01
"""Days are alone when they are at most two, or this share of all, and lie further from the rest than both 180 days and
ten times the usual step: no unit stands empty so long for them [common practice, no source]."""
REPORTED_UNKNOWN_SHARE = 0.05
_LOOKED_AT = 1000
"""Rows enough to see whether a column holds days."""
_DAYS = (("date", "every row would count on one and the same day", "the airways were counted on them"),
         ("end", "every stay would count as still in place", "the stays ended on them"))
"""Counts, stays: the column of days that may be left out, what is taken without it, and what its days say."""
_MIDNIGHT = np.timedelta64(1, "D")

Shape = Literal["snapshot", "counts", "stays"]


@dataclass(frozen=True)
class CensusRows:
    """The census before strata are numbered. keys: STRATUM_KEY and patient_kg, one row a row of `rows`.

    rows: snapshot: airways; counts: day, airways; stays: airway, start, end (days since first_day).
    """

    file: str
    shape: Shape
    keys: pd.DataFrame
    rows: pd.DataFrame
    first_day: date | None
    last_day: date | None
    unknown_days: tuple[int, ...] = ()


_MEASURED = ("patient_kg", "size_number", "patient_number", "tube_mm")
NO_CENSUS = CensusRows(
    "", "snapshot", pd.DataFrame(columns=["route", "technique", "skin", "size", "scale", *_MEASURED]).astype(
        dict.fromkeys(_MEASURED, float)), pd.DataFrame(), None, None)
"""Stands in where a census cannot be read, so that all else is still read for its own faults."""


def raw_census(source: Source, recipes: Recipes, findings: Findings) -> RawTable | None:
    """Find the census, its header and its shape; None when it cannot be read (noted).

    It stands in the table `census`, or, for a list of stays, in one called `stays`; one that is blank is not counted.
    """
    names = [name for name in CENSUS_TABLES if source.has_table(name)]
    if not names:
        near = nearest("census", source.sheet_names())
        mend = f"Rename the sheet {near!r} to census." if near else (
            "Add a sheet named census." if source.is_workbook else "Add census.csv to the unit's folder.")
        findings.fault(source.path.name or str(source.path), "has no census", mend)
    given = [raw for name in names if (raw := _raw_census(source, name, recipes, findings)) is not None]
    filled = [raw for raw in given if len(raw)]
    if len(filled) > 1:
        findings.fault(filled[1].name, f"is filled in beside {filled[0].name}: both say who is there",
                       "Keep the list of stays where you have one, and empty the other.")
    return next(iter([*filled, *given]), None)


def _raw_census(source: Source, name: str, recipes: Recipes, findings: Findings) -> RawTable | None:
    union = source.columns("census")
    grid = source.table(name, union)
    known = _known_columns(grid, union, findings) if grid is not None else None
    if grid is None or known is None:
        return None
    known = recipes.sized(known, grid)
    if recipes.in_mm:
        known["tube_mm"] = replace(known["tube_mm"], required=True)
    return raw_table(grid, known, findings)


def _known_columns(grid: Grid, union: Mapping[str, Column], findings: Findings) -> dict[str, Column] | None:
    names = header_names(grid, union)
    stays, counts = names & {"start", "end", "airway"}, names & {"airways", "date"}
    if "start" in stays and "airways" in counts:
        findings.fault(grid.name, "mixes two shapes: it has both airways (a count) and start (a stay)",
                       "Keep one shape: counts (date, route, tube_mm, airways) or stays "
                       "(airway, route, tube_mm, start, end).")
        return None
    if len(stays) > len(counts) or "start" in stays:
        return {name: union[name] for name in columns_of("census_stays")}
    return {name: union[name] for name in columns_of("census_counts")}


def read_census(
    raw: RawTable, recipes: Recipes, tubes: pd.DataFrame, longest_stay_days: float, findings: Findings,
) -> CensusRows | None:
    """Read the census rows of either shape; rows with a fault are left out and noted, lines of totals set aside."""
    raw = _without_totals(raw, recipes, findings)
    reader = TableReader.of(raw, findings)
    if reader is None:
        return None
    findings.day_first = reader.day_first
    if len(raw) == 0:
        findings.fault(raw.name, "has no rows", "Add one row for each kind present, or for each stay.")
        return None
    keys = read_keys(reader, recipes)
    doubt_sizes(reader, keys, tubes)
    column, would, meant = _DAYS["start" in raw.known]
    if not reader.has(column) and (label := _days_unread(raw)):
        findings.fault(raw.name, f"is missing, so that {would}", f"{label} holds days that nothing reads. If {meant}, "
                       f"name that column {column}, or say which it is{mapped_in(raw.name, column)}; if not, delete "
                       "that column.", column=column)
        return None
    if "start" in raw.known:
        return _read_stays(reader, keys, longest_stay_days, findings)
    return _read_counts(reader, keys, findings)


def _without_totals(raw: RawTable, recipes: Recipes, findings: Findings) -> RawTable:
    """The table without its lines of totals: a word for a sum at the head of any cell, and no known route."""
    if "route" not in raw.columns:
        return raw
    routes = {key_of(word) for name, route in recipes.routes.items() for word in (name, *route.alias)}
    totals = np.logical_or.reduce([says_total(c) for c in (*raw.columns.values(), *(other[2] for other in raw.others))])
    totals[totals] = [key_of(text_of(cell)) not in routes for cell in raw.columns["route"][totals]]
    return without_totals(raw, totals, "airways", findings)


def _days_unread(raw: RawTable) -> str:
    """The column without meaning that mostly holds days: several of counts, of stays after their start; else ""."""
    starts = [raw.columns["start"][:_LOOKED_AT]] if "start" in raw.columns else []
    for title, letter, cells in raw.others:
        rows = [row for row in zip(*starts, cells[:_LOOKED_AT]) if all(cell is not None for cell in row)]
        order = day_order([cell for row in rows for cell in row], True)
        read = list(zip(*(read_days(column, order) for column in zip(*rows))))
        days = [tuple(m.day for m in row if isinstance(m, Moment)) for row in read]
        fit = [row for row in days if len(row) == len(starts) + 1 and row[0] <= row[-1]]
        if title and len(fit) > len(rows) / 2 and (starts or len(set(fit)) > 1):
            return shown_header(title, letter)
    return ""


def _read_counts(reader: TableReader, keys: pd.DataFrame, findings: Findings) -> CensusRows | None:
    airways = reader.numbers("airways")
    moments, _ = reader.days("date")
    reader.refuse_future("date", moments)
    _refuse_lone(reader, "date", moments)
    dated = ~np.isnat(moments)
    if dated.any():
        reader.refuse("date", ~reader.given("date") & ~reader.bad, None, "is empty although other rows have a date",
                      "Give every row its date, or none.")
    reader.bad |= np.isnan(airways) | (dated.any() & ~dated)
    repeated = keys.assign(moment=moments, airways=airways).duplicated().to_numpy() & ~reader.bad
    reader.doubt(None, repeated, None, "says the same as an earlier row, and is counted as well",
                 "Delete it if it is a copy.", moves=2)
    good = ~reader.bad
    if not good.any():
        return None
    if airways[good].sum() == 0:
        findings.fault(reader.name, "counts nothing at all", "Give how many of each kind were present.",
                       column="airways")
        return None
    keys = keys[good].reset_index(drop=True)
    counts = airways[good].astype(int)
    days = moments[good].astype("datetime64[D]")
    if not dated.any() or len(np.unique(days)) == 1:
        return _snapshot(reader, keys, counts, days[0] if dated.any() else None)
    return _daily(reader, keys, counts, days, findings)


def _snapshot(reader: TableReader, keys: pd.DataFrame, counts: np.ndarray, day: np.datetime64 | None) -> CensusRows:
    nothing = np.zeros(len(reader.rows), dtype=bool)
    nothing[np.flatnonzero(~reader.bad)[counts == 0]] = True
    reader.doubt("airways", nothing, None, "is zero: nothing is planned for this kind",
                 "If it may still arrive, give it an [[expect]] line in unit.toml.")
    on = None if day is None else day.astype(date)
    return CensusRows(reader.name, "snapshot", keys, pd.DataFrame({"airways": counts}), on, on)


def _daily(
    reader: TableReader, keys: pd.DataFrame, counts: np.ndarray, days: np.ndarray, findings: Findings
) -> CensusRows | None:
    first, last = days.min(), days.max()
    if not _span_is_sane(reader.name, "date", first, last, findings):
        return None
    day = (days - first).astype(int)
    known = np.zeros(int(day.max()) + 1, dtype=bool)
    known[day] = True
    unknown = np.flatnonzero(~known)
    if len(unknown) > REPORTED_UNKNOWN_SHARE * len(known):
        gap = first.astype(date) + timedelta(days=int(unknown[0]))
        findings.warn(reader.name, f"has no row on {len(unknown):,} of {len(known):,} days, the first {gap}; "
                      "they count as unknown and not as empty",
                      "Add those days; write a row with 0 airways for a day that was empty.", column="date", moves=3)
    rows = pd.DataFrame({"day": day, "airways": counts})
    return CensusRows(reader.name, "counts", keys, rows, first.astype(date), last.astype(date),
                      tuple(int(d) for d in unknown))


def _read_stays(
    reader: TableReader, keys: pd.DataFrame, longest_stay_days: float, findings: Findings
) -> CensusRows | None:
    airway = reader.texts("airway")
    start, _ = reader.days("start")
    end, _ = reader.days("end")
    for column, moments in (("start", start), ("end", end)):
        reader.refuse_future(column, moments)
    _refuse_lone(reader, "start", start)
    reader.refuse("end", ~np.isnat(end) & ~np.isnat(start) & (end < start), reader.raw.columns.get("end"),
                  "is before start", "Exchange the two days, or correct one.")
    reader.bad |= np.isnat(start) | (reader.given("end") & np.isnat(end))
    copies = _copies(keys.assign(airway=airway, start=start), end) & ~reader.bad
    reader.doubt("airway", copies, airway, "says again what another row says of that stay, which counts once",
                 "Nothing to do where exports overlap.", moves=0)
    reader.bad |= copies
    _refuse_overlaps(reader, airway, start, end)
    good = ~reader.bad
    if not good.any():
        return None
    last = max(start[good].max(), np.nanmax(np.where(np.isnat(end), start, end)[good])).astype("datetime64[D]")
    _refuse_long(reader, start, end, last, longest_stay_days)
    good = ~reader.bad
    if not good.any():
        return None
    start, end = start[good], end[good]
    first = start.min().astype("datetime64[D]")
    if not _span_is_sane(reader.name, "start", first, last, findings):
        return None
    midnight = first.astype("datetime64[s]")
    days = pd.DataFrame({
        "airway": airway[good], "start": (start - midnight) / _MIDNIGHT,
        "end": np.where(np.isnat(end), np.nan, (end - midnight) / _MIDNIGHT),
    })
    return CensusRows(reader.name, "stays", keys[good].reset_index(drop=True), days, first.astype(date),
                      last.astype(date))


def _refuse_long(
    reader: TableReader, start: np.ndarray, end: np.ndarray, last: np.datetime64, longest_days: float
) -> None:
    """A stay that is longer than any in this unit: a year mistyped, or an end never written."""
    mend = f"if it is true, set longest_stay_days above {longest_days:g} in unit.toml."
    still = np.isnat(end)
    length = (np.where(still, last + np.timedelta64(1, "D"), end) - start) / _MIDNIGHT
    long = (length > longest_days) & ~reader.bad & ~np.isnat(start)
    reader.refuse("end", long & ~still, reader.raw.columns.get("end"),
                  f"makes a stay of more than {longest_days:g} days", f"Correct the year of start or end; {mend}")
    reader.refuse("start", long & still, reader.raw.columns["start"],
                  f"began more than {longest_days:g} days before the last day of the list, {last}, and has no end",
                  f"Give the day on which it ended, or correct the year; {mend}")


def _refuse_lone(reader: TableReader, column: str, moments: np.ndarray) -> None:
    """Days that lie alone, far from the rest: years mistyped. The time between would count as an empty unit."""
    usable = ~np.isnat(moments) & ~reader.bad
    days = np.unique(moments[usable].astype("datetime64[D]"))
    if len(days) < 6:
        return
    steps = np.diff(days).astype(int)
    wide = np.flatnonzero(steps > max(LONE_GAP_DAYS, LONE_GAPS * np.median(steps)))
    few = max(2, int(LONE_SHARE * len(days)))
    before = wide[wide < few]
    after = wide[wide >= len(days) - 1 - few]
    low = days[before.max() + 1] if len(before) else days[0]
    high = days[after.min()] if len(after) else days[-1]
    lone = usable & ((moments.astype("datetime64[D]") < low) | (moments.astype("datetime64[D]") > high))
    reader.refuse(column, lone, reader.raw.columns.get(column), f"is far from all other days, {low} to {high}",
                  "Correct the year; if it is right, leave the row out: the time between would count as empty.")


def _copies(stay: pd.DataFrame, end: np.ndarray) -> np.ndarray:
    """Rows that stand in an earlier row too, or were exported before the end that another row has."""
    still = np.isnat(end)
    ended = stay.assign(ended=~still).groupby(list(stay), dropna=False)["ended"].transform("any").to_numpy()
    return stay.assign(end=end).duplicated().to_numpy() | (still & ended)


def _refuse_overlaps(reader: TableReader, airway: np.ndarray, start: np.ndarray, end: np.ndarray) -> None:
    code, _ = pd.factorize(airway)
    usable = np.flatnonzero(~reader.bad)
    order = usable[np.lexsort((start[usable], code[usable]))]
    begins = start[order].astype("int64")
    ends = np.where(np.isnat(end[order]), np.iinfo("int64").max, end[order].astype("int64"))
    latest = pd.Series(ends).groupby(code[order]).cummax().to_numpy()
    if len(order) < 2:
        return
    same = code[order][1:] == code[order][:-1]
    again = same & ((begins[1:] < latest[:-1]) | ((begins[1:] == begins[:-1]) & (ends[1:] == ends[:-1])))
    mask = np.zeros(len(airway), dtype=bool)
    mask[order[1:][again]] = True
    reader.refuse("airway", mask, airway, "has two stays at the same time",
                  "Delete the copy, end the earlier stay, or give another label.")


def _span_is_sane(
    file: str, column: str, first: np.datetime64, last: np.datetime64, findings: Findings
) -> bool:
    if (last - first).astype(int) <= LONGEST_SPAN_DAYS:
        return True
    findings.fault(file, f"runs from {first} to {last}, more than 20 years", "Correct the year of the odd date.",
                   column=column)
    return False
