"""Reads days and times as people and programs write them, and says how it took the ambiguous ones."""

from __future__ import annotations

import re
from calendar import monthrange
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time

from kitplan.read.cells import Bad, Moment, read_clock

WEEK_DAYS, YEAR_DAYS = 7, 365.25
MONTH_DAYS = YEAR_DAYS / 12
FIRST_YEAR, LAST_YEAR = 1990, 2100

_TIME = r"(?P<clock>\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?: ?[ap]\.?m\.?)?)"
_ISO = re.compile(rf"(?P<y>\d{{4}})(?P<s>[-/.])(?P<m>\d{{1,2}})(?P=s)(?P<d>\d{{1,2}})"
                  rf"(?:[T ,]+{_TIME}(?P<zone>Z|[+-]\d{{2}}:?\d{{2}})?)?", re.IGNORECASE)
_SLASHED = re.compile(rf"(?P<a>\d{{1,2}})(?P<s>[-/.])(?P<b>\d{{1,2}})(?P=s)(?P<y>\d{{4}}|\d{{2}})"
                      rf"(?:[T ,]+{_TIME})?", re.IGNORECASE)
_WORDED = re.compile(rf"(?:(?P<d>\d{{1,2}})[ .-]+(?P<m>[a-z]{{3,9}})|(?P<m2>[a-z]{{3,9}})\.? +(?P<d2>\d{{1,2}}))"
                     rf"[ .,-]+(?P<y>\d{{4}}|\d{{2}})(?:[ ,]+{_TIME})?", re.IGNORECASE)
_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
           "november", "december")
_ISO_MEND = "Write it as year-month-day, such as 2025-03-31."
OUTSIDE_YEARS = Bad(f"is outside the years {FIRST_YEAR} to {LAST_YEAR}", "Correct the year. " + _ISO_MEND)


@dataclass(frozen=True)
class DayOrder:
    """How days such as 3/4/2025 are read in one table. day_first None: nothing tells. told: the table itself does."""

    day_first: bool | None
    mixed: bool
    used: bool
    told: bool


def day_order(values: Iterable[object], usual: bool | None = None) -> DayOrder:
    """Find out from all the days of a table whether the day or the month comes first.

    usual: whether the day does in the unit's census, for a table that does not tell; None where that does not either.
    """
    day_first = month_first = used = False
    for value in values:
        if isinstance(value, str) and value[4:5] == "-":
            continue
        match = _SLASHED.fullmatch(value) if isinstance(value, str) else None
        if match is not None:
            first, second = int(match["a"]), int(match["b"])
            used = used or first != second
            day_first = day_first or (first > 12 >= second)
            month_first = month_first or (second > 12 >= first)
    told = day_first != month_first
    return DayOrder(day_first if told else usual, day_first and month_first, used, told)


def read_days(values: Iterable[object], order: DayOrder) -> list[Moment | Bad]:
    """Return each value as a day, with a time where the column gives times at all.

    Midnight in every value means that a program wrote days as midnights: then no value has a time.
    """
    moments = [_moment(v, order) for v in values]
    good = [m for m in moments if isinstance(m, Moment) and m.clock is not None]
    if all(m.clock == time(0) for m in good):
        return [Moment(m.day, None) if isinstance(m, Moment) else m for m in moments]
    return moments


def _moment(value: object, order: DayOrder) -> Moment | Bad:
    if isinstance(value, str) and value[4:5] == "-" and len(value) in (10, 16, 19):
        try:
            full = datetime.fromisoformat(value)
        except ValueError:
            full = None
        if full is not None:
            return _in_years(Moment(full.date(), full.time() if len(value) > 10 else None))
    if isinstance(value, datetime):
        return _in_years(Moment(value.date(), value.time().replace(tzinfo=None, microsecond=0)))
    if isinstance(value, date):
        return _in_years(Moment(value, None))
    if isinstance(value, (int, float)) or re.fullmatch(r"\d{5}(\.\d+)?", str(value)):
        return Bad("is a number where a date belongs", "Format the column as a date. " + _ISO_MEND)
    text = str(value)
    if match := _ISO.fullmatch(text):
        return _built(int(match["y"]), int(match["m"]), int(match["d"]), match["clock"])
    if match := _SLASHED.fullmatch(text):
        return _slashed(match, order)
    if match := _WORDED.fullmatch(text):
        month = _month_of(match["m"] or match["m2"])
        if month:
            return _built(_year(match["y"]), month, int(match["d"] or match["d2"]), match["clock"])
    blank = "" if any(map(str.isdigit, text)) else "Leave the cell empty where there is none. "
    return Bad("is not a date", blank + _ISO_MEND)


def _month_of(word: str) -> int:
    """The number of a month written out, or by its first letters; 0 for another word."""
    folded = word.casefold()
    return next((i for i, name in enumerate(_MONTHS, 1) if folded in (name, name[:3], "sept" if i == 9 else name)), 0)


def _slashed(match: re.Match[str], order: DayOrder) -> Moment | Bad:
    first, second = int(match["a"]), int(match["b"])
    day_first = first > 12 if order.day_first is None else order.day_first
    if order.mixed:
        return Bad("is in a table that writes both day/month and month/day", _ISO_MEND)
    if order.day_first is None and first != second and first <= 12 and second <= 12:
        return Bad("can be read as day/month or month/day, and no other date here tells which", _ISO_MEND)
    day, month = (first, second) if day_first else (second, first)
    return _built(_year(match["y"]), month, day, match["clock"])


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


def _built(year: int, month: int, day: int, clock_text: str | None) -> Moment | Bad:
    try:
        day_found = date(year, month, day)
    except ValueError:
        mend = _ISO_MEND
        if 1 <= month <= 12 and FIRST_YEAR <= year <= LAST_YEAR:
            mend = f"{_MONTHS[month - 1].title()} {year} has {monthrange(year, month)[1]} days: correct the day."
        return Bad("is a day that does not exist", mend)
    if clock_text is None:
        return _in_years(Moment(day_found, None))
    clock = read_clock(clock_text)
    return clock if isinstance(clock, Bad) else _in_years(Moment(day_found, clock))


def today() -> date:
    """Return the day by this computer's clock: what a record says has happened cannot lie after it."""
    return date.today()


def _in_years(moment: Moment) -> Moment | Bad:
    if not FIRST_YEAR <= moment.day.year <= LAST_YEAR:
        return OUTSIDE_YEARS
    return moment


_MONTH_ONLY = re.compile(r"(?:(?P<y>\d{4})[-/. ](?P<m>\d{1,2})|(?P<m2>\d{1,2})[-/. ](?P<y2>\d{4})"
                         r"|(?P<w>[a-z]{3,9})\.?[-/. ]+(?P<y3>\d{4}))", re.IGNORECASE)


def read_expiries(values: Iterable[object], order: DayOrder) -> list[Moment | Bad]:
    """Return each use-by date as a day; a month alone, as packs print it (01/2026, 2026-01), is its last day."""
    return [_month_end(v) or read_days([v], order)[0] for v in values]


def is_month(value: object) -> bool:
    """Whether a value is a month alone: 2026-01, 01/2026, Jan 2026."""
    return isinstance(value, str) and _MONTH_ONLY.fullmatch(value.strip()) is not None


def _month_end(value: object) -> Moment | Bad | None:
    match = _MONTH_ONLY.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        return None
    year = int(match["y"] or match["y2"] or match["y3"])
    month = _month_of(match["w"]) if match["w"] else int(match["m"] or match["m2"])
    if not 1 <= month <= 12:
        return Bad("is a month that does not exist", "Type it as 2026-01, or with its day as 2026-01-31.")
    return _in_years(Moment(date(year, month, monthrange(year, month)[1]), None))
