"""What left the stock room, from an export as stores make them: returns, other units' items, lines pasted twice."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd

from kitplan.read.catalogue import items_meant
from kitplan.read.cells import Bad, read_gtin, text_of
from kitplan.read.days import is_month
from kitplan.read.findings import Findings, key_of
from kitplan.read.headers import RawTable, report_headers, says_total, without_totals
from kitplan.read.identity import looks_like_number_of_record
from kitplan.read.problems import counted
from kitplan.read.tables import TableReader
from kitplan.read.workbook import column_letter

_COPY_LINES = 5
"""So many different lines in a row of days, each there equally often, are a copy; fewer may be two like issues."""
_WHOLE_SHARE = 0.8
"""An item is issued by the pack when so much of its lines are whole packs."""
_FEWEST_LINES = 5
_FEWEST_IN_PACK = 8
"""In smaller packs a large week and a slip between packs and items look alike."""
_MONTHS_NAMED = 12
_ITEM_COLUMNS = ("item", "gtin", "description")
"""Where an export may say which item a line is of, in the order in which they are believed."""
_ARTICLES_KNOWN = 3
_MEASURES = frozenset(("uom", "um", "unit", "unit_of_measure", "unit_of_issue", "measure"))
_BOXES = frozenset(("box", "bx", "boxes", "pack", "packs", "pk", "pkt", "packet", "case", "cs", "carton", "ctn", "car"))
_FEWEST_ACROSS = 2
_KIND = ["role", "contains", "use_unit", "scope", "fits_from_mm", "fits_to_mm", "width_mm", "length_mm", "sterile",
         "critical", "routes"]
"""What two items of the catalogue have in common that differ in their pack or their maker alone."""
_QUIET_MONTHS = 3
"""An item without an issue in so many of the last months that have any has been given up."""
_BELOW = {"date": -1, "units": -2}
"""Places, among the columns of the sheet, of those that it does not have itself."""
_FIRST_OF_MONTH = re.compile(r"\d{4}-\d{2}-01( 00:00:00)?")
"""A heading such as Jan 2026 is a day to a spreadsheet program."""


def issues_reader(raw: RawTable, findings: Findings) -> TableReader | None:
    """A reader of the lines of an export: months across as lines, without totals and text under it; None where a
    needed column is missing (noted).
    """
    raw = _months_below(raw, findings)
    if not report_headers(raw, findings):
        return None
    if not any(c in raw.columns for c in _ITEM_COLUMNS):
        findings.fault(raw.name, "is missing", f"Add the column: {raw.known['item'].description}.", column="item")
        return None
    return TableReader(_without_foot(_without_totals(raw, findings), findings), findings)


def read_issues(reader: TableReader, items: pd.DataFrame) -> pd.DataFrame:
    """Return stock issues: date (datetime64), item, units (below 0: returned), price (of a pack, NaN), by day.

    Lines of items that the catalogue does not hold and copies of whole days are set aside and told with their sums.
    """
    findings = reader.findings
    moments = reader.days_or_months("date")
    reader.refuse_future("date", moments)
    written, names = _items_of(reader, items)
    price = reader.numbers("price")
    reader.refuse("price", price < 0, price, "is a price below 0", "Type what one pack costs, without the minus; of a "
                  "return or a credit the units are below 0.")
    frame = pd.DataFrame({"date": pd.to_datetime(moments).normalize(), "item": names,
                          "units": reader.numbers("units"), "price": price})
    _tell_others(reader, (names == "") & ~reader.bad, written, frame["units"], findings)
    kept = (names != "") & ~reader.bad
    kept[kept] = ~_copies(reader, frame, kept, findings)
    _ask_about_packs(reader, frame, kept, items)
    issues = frame[kept].sort_values("date", kind="stable", ignore_index=True)
    issues = _taken_over(reader, issues, items)
    _ask_about_returns(reader, issues, findings)
    missing = months_without_issues(issues)
    if missing:
        findings.warn(reader.name, f"has no line in {months_said(missing)}: unknown, and no month without use; it "
                      "is left out of every comparison", "Export those months too.", column="date", moves=2)
    return issues


def covered_months(issues: pd.DataFrame) -> list[pd.Period]:
    """Return the calendar months that the issues cover from the first to the last day, in order; at least one issue."""
    date = pd.to_datetime(issues["date"])
    days = np.sort(date.dt.normalize().unique())
    step = int(np.ceil(np.median(np.diff(days) / np.timedelta64(1, "D")))) if len(days) > 1 else 31
    first, last = date.min() - pd.Timedelta(days=step), date.max() + pd.Timedelta(days=step)
    months = date.dt.to_period("M").sort_values().unique()
    return [m for m in months if step > 20 or (m.start_time >= first and m.end_time <= last)]


def months_without_issues(issues: pd.DataFrame) -> list[str]:
    """Return the calendar months without any issue between the first and the last, as 2025-11."""
    months = pd.to_datetime(issues["date"]).dt.to_period("M")
    if not len(months):
        return []
    return [str(m) for m in pd.period_range(months.min(), months.max(), freq="M").difference(months.unique())]


def months_said(months: list[str]) -> str:
    """Name months for a sentence: the first of a long list, and how many follow."""
    more = len(months) - _MONTHS_NAMED
    return ", ".join(months[:_MONTHS_NAMED]) + (f" and {more} more months" if more > 0 else "")


def _months_below(raw: RawTable, findings: Findings) -> RawTable:
    """Months that stand across, a column of units each, as a line a month; another table as it is."""
    months = {k: title[:7] if _FIRST_OF_MONTH.fullmatch(title) else title for k, (title, _, _) in enumerate(raw.others)
              if is_month(title) or _FIRST_OF_MONTH.fullmatch(title)}
    if {"date", "units"} & set(raw.columns) or len(months) < _FEWEST_ACROSS:
        return raw
    named = [raw.columns[n] for n in _ITEM_COLUMNS if n in raw.columns]
    total = np.logical_or.reduce([says_total(cells) for cells in named])
    units, wide = np.stack([raw.others[k][2] for k in months], axis=1).ravel(), len(months)
    date = np.tile(np.array(list(months.values()), dtype=object), len(raw))
    date[np.repeat(total, wide)] = None
    columns = {n: np.repeat(cells, wide) for n, cells in raw.columns.items()} | {"date": date, "units": units}
    others = [(title, letter, np.repeat(cells, wide)) for k, (title, letter, cells) in enumerate(raw.others)
              if k not in months]
    first, *_, last = months.values()
    findings.warn(raw.name, f"has months across, from {first} to {last}: read as a line a month", "Nothing to do; a "
                  "day beside each issue tells more.", moves=1)
    letters = {raw.others[k][1] for k in months}
    held = {(row, _BELOW["units"]) for row, position in raw.formulas if column_letter(position) in letters}
    below = replace(raw, rows=np.repeat(raw.rows, wide), columns=columns, others=others, formulas=raw.formulas | held,
                    positions=raw.positions | _BELOW)
    return below.kept(np.array([c is not None for c in units], dtype=bool))


def _without_totals(raw: RawTable, findings: Findings) -> RawTable:
    """The table without its lines of totals: a word for a sum where item or day stands, and no day beside it."""
    day = raw.columns["date"]
    is_total = [says_total(raw.columns[n]) for n in ("date", *_ITEM_COLUMNS) if n in raw.columns]
    undated = says_total(day) | np.array([c is None for c in day], dtype=bool)
    return without_totals(raw, np.logical_or.reduce(is_total) & undated, "units", findings)


def _without_foot(raw: RawTable, findings: Findings) -> RawTable:
    """The table without lines of text under it: after the last line with units, none has any."""
    told = np.flatnonzero([c is not None for c in raw.columns.get("units", [])])
    end = int(told[-1]) + 1 if len(told) else len(raw)
    if end == len(raw):
        return raw
    findings.warn(raw.name, f"ends with {counted(len(raw) - end, 'line')} without units: left out",
                  "Nothing to do where it is text under the table; else fill the units in.", row=int(raw.rows[end]),
                  moves=1)
    return raw.kept(np.arange(len(raw)) < end)


def _items_of(reader: TableReader, items: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """(what a line calls its item, the catalogue's or "") by the first column that knows it, else refused."""
    meant = cache(items_meant(items))
    columns = [n for n in _ITEM_COLUMNS if n in reader.raw.columns]
    # A column of numbers with gaps is often saved as 2000000010182.0.
    texts = {n: [t.removesuffix(".0") if n == "gtin" else t for t in reader.texts(n)] for n in columns}
    found = {n: [meant(t) for t in texts[n]] for n in columns}
    choices: list[set[str]] = [next((f for f in line if f), set()) for line in zip(*found.values())]
    if "gtin" in columns:
        choices = _by_its_number(texts["gtin"], choices)
    written = np.array([next((t for t in line if t), "") for line in zip(*texts.values())], dtype=object)
    nothing = (written == "") & ~reader.bad
    reader.refuse(columns[0], nothing, None, "is empty", "Say which item it was, or delete the row.")
    if not any(choices):
        for name in [n for n in columns if n != "description"]:
            reader.guard_strangers(name, sorted(set(texts[name])))
        reader.refuse_strangers(columns[0], written, list(items["item"]), "is not an item of the catalogue", written)
    for name in columns if any(choices) else []:
        unknown = [t for t, f in zip(texts[name], choices) if t and not f]
        known = {t for t, f in zip(texts[name], choices) if f}
        reader.guard_strangers(name, sorted({t for t in unknown if not _is_article_number(t, known)}))
    several = np.array([len(c) > 1 for c in choices], dtype=bool)
    for text in dict.fromkeys(written[several]):
        names = next(c for c, t in zip(choices, written) if t == text and len(c) > 1)
        reader.refuse(columns[0], several & (written == text), written, f"may be {' or '.join(sorted(names))}",
                      "Write the item's name as in items.csv, or give each its own description and alias.")
    return written, np.array([next(iter(c)) if len(c) == 1 else "" for c in choices], dtype=object)


def _by_its_number(numbers: list[str], choices: list[set[str]]) -> list[set[str]]:
    """A line that nothing else tells is of the item that its article number stands beside on other lines."""
    beside: dict[str, set[str]] = {}
    for number, meant in zip(numbers, choices):
        if number:
            beside.setdefault(number, set()).update(meant)
    return [meant or beside.get(number, set()) for number, meant in zip(numbers, choices)]


def _is_article_number(text: str, known: set[str]) -> bool:
    """A trade item number, or a number as long as those that stand for several known items in its column: then the
    column is one of article numbers, and another unit's article is no patient.
    """
    alike = sum(k.isdigit() and len(k) == len(text) for k in known)
    return not isinstance(read_gtin(text), Bad) or (text.isdigit() and alike >= _ARTICLES_KNOWN)


def _tell_others(
    reader: TableReader, mask: np.ndarray, written: np.ndarray, units: pd.Series, findings: Findings
) -> None:
    where = np.flatnonzero(mask)
    if not len(where):
        return
    kinds, first = len(set(map(key_of, written[where]))), text_of(written[where[0]])
    lines = f"{counted(len(where), 'line')} of {counted(kinds, 'item')}"
    findings.warn(reader.name, f"is not in this unit's catalogue: in all {lines} with {units[mask].sum():,.10g} units "
                  "set aside, in no figure",
                  "Nothing to do for another unit's items; else put the store's name for it under alias in items.csv.",
                  row=int(reader.rows[where[0]]), column="item", moves=2,
                  value=None if looks_like_number_of_record(first) else first)


def _copies(reader: TableReader, frame: pd.DataFrame, kept: np.ndarray, findings: Findings) -> np.ndarray:
    """Which of the kept lines are copies: on a run of days every line stands twice (or three times, ...).

    It does not matter how the file was sorted after it was pasted. Lines of a day that the paste cut in two are copies
    where they adjoin it. Other single lines that stand twice are asked about only.
    """
    lines = frame[kept].reset_index(drop=True)
    if not len(lines):
        return np.zeros(0, dtype=bool)
    keys = lines.assign(**{f"other {i}": [text_of(c) for c in cells[kept]]
                           for i, (_, _, cells) in enumerate(reader.raw.others)})
    same = keys.groupby(list(keys.columns), dropna=False, sort=False)
    nth, often = same.cumcount(), same["item"].transform("size")
    times = often.groupby(lines["date"]).agg(np.gcd.reduce)
    run = (times != times.shift()).cumsum()
    different = (nth == 0).groupby(lines["date"].map(run)).sum()
    pasted = lines["date"].map((times > 1) & (run.map(different) >= _COPY_LINES)).astype(bool)
    whole = pasted & (nth >= often / lines["date"].map(times))
    block = (nth == 0).cumsum()
    copy = (whole | ((nth > 0) & ~pasted & block.isin(block[whole]))).to_numpy()
    rows = reader.rows[kept]
    if copy.any():
        days = lines.loc[whole, "date"].dt.date
        span = f"{counted(days.nunique(), 'day')}, {days.min()}" + f" to {days.max()}" * (days.nunique() > 1)
        findings.warn(reader.name, f"has every line of {span}, more than once, "
                      f"as from one export pasted twice: {counted(int(copy.sum()), 'line')} with "
                      f"{lines.loc[copy, 'units'].sum():,.10g} units are set aside",
                      "Delete the copy. If both were issued, give each line its order number in a column.",
                      row=int(rows[copy][0]), moves=2)
    again = np.zeros(len(frame), dtype=bool)
    again[np.flatnonzero(kept)[(nth > 0).to_numpy() & ~copy]] = True
    reader.doubt(None, again, None, "says the same as an earlier row; both are counted",
                 "Delete the row if it is a copy.")
    return copy


def _ask_about_packs(reader: TableReader, frame: pd.DataFrame, kept: np.ndarray, items: pd.DataFrame) -> None:
    """Ask about lines that fit the item's other lines only when read as packs, or as items multiplied twice."""
    too_few, too_many = np.zeros(len(frame), dtype=bool), np.zeros(len(frame), dtype=bool)
    packs = dict(zip(items["item"], items["pack"]))
    for name, units in frame.loc[kept & (frame["units"] > 0).to_numpy(), "units"].groupby(frame["item"]):
        pack = packs[name]
        if len(units) < _FEWEST_LINES or pack < _FEWEST_IN_PACK:
            continue
        whole = units % pack == 0
        if whole.mean() >= _WHOLE_SHARE:
            low = units[~whole & (units < pack) & (units * pack <= 2 * units[whole].max())]
            too_few[low.index] = True
        usual = units.median()
        high = whole & (units / pack).between(usual / 2, usual * 2)
        if high.any() and units[high].min() > 2 * units[~high].max():
            too_many[units[high].index] = True
    given = frame["units"].to_numpy()
    reader.doubt("units", _in_boxes(reader.raw) & kept, given, "is counted in boxes or packs by a column beside it",
                 "Type single items: boxes times the pack size.", moves=3)
    reader.doubt("units", too_few, given, "is less than a pack and other lines are whole packs: packs booked as units?",
                 "Type single items: packs times the pack size.", moves=2)
    reader.doubt("units", too_many, given, "is about the pack size times the other lines: units booked as packs?",
                 "Type single items, not multiplied again.", moves=2)


def _in_boxes(raw: RawTable) -> np.ndarray:
    """Lines beside which a column of the unit of measure says box, pack or the like."""
    boxed = np.zeros(len(raw), dtype=bool)
    for title, _, cells in raw.others:
        if key_of(title) in _MEASURES:
            boxed |= np.array([c is not None and key_of(text_of(c)) in _BOXES for c in cells], dtype=bool)
    return boxed


def _taken_over(reader: TableReader, issues: pd.DataFrame, items: pd.DataFrame) -> pd.DataFrame:
    """The issues with those of an item that was given up as those of the one alike that took its place, and told.

    Else the old pack would be expected for ever, and the new one at a part of its use.
    """
    months = pd.PeriodIndex(issues["date"], freq="M")
    order = {month: n for n, month in enumerate(sorted(set(months)))}
    span = pd.Series(months.map(order), index=issues.index).groupby(issues["item"]).agg(["min", "max"])
    known = items[items["item"].isin(span.index) & ~(items["share"] > 0)]
    pack, names = items.set_index("item")["pack"], list(order)
    for _, alike in known.groupby(_KIND, dropna=False):
        for old in sorted(alike["item"], key=lambda item: span.at[item, "max"]):
            ends = int(span.at[old, "max"])
            new = [n for n in alike["item"] if n != old and abs(int(span.at[n, "min"]) - ends) <= 1
                   and span.at[n, "max"] > ends]
            if len(new) != 1 or len(order) - 1 - ends < _QUIET_MONTHS:
                continue
            reader.findings.warn(
                reader.name, f"has no line after {names[ends]}, and {new[0]}, which is alike, begins in "
                f"{names[int(span.at[new[0], 'min'])]}: its issues are taken as those of {new[0]}",
                "Nothing to do where another pack took its place.", column="item", value=old, moves=2)
            mine = issues["item"] == old
            issues.loc[mine, "price"] *= pack[new[0]] / pack[old]
            issues.loc[mine, "item"] = new[0]
    return issues


def _ask_about_returns(reader: TableReader, issues: pd.DataFrame, findings: Findings) -> None:
    net = issues.groupby("item")["units"].sum()
    for name, units in net[net < 0].items():
        findings.warn(reader.name, f"has {-units:,.10g} more units returned than issued",
                      "Look for the issues, in an earlier export or under another name.", column="units",
                      value=name, moves=2)
