"""Which days of use a month's issues make good: those since the last issue of the month before.

Where issues go out by the week a month holds four or five of them. That is the calendar and no chance: over a year it
evens out, and months ahead know theirs. Where days of issue are uneven, the gaps between past ones are drawn anew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.read.issues import covered_months
from kitplan.read.values import Unit

_COURSES = 250
_FEWEST_GAPS = 8
_BY_THE_MONTH = 20
"""Days between issues from which they are those of a calendar month, whatever day is written."""
_IN_BETWEEN = 0.25
"""Days with less money than this share of a usual day's (weighed by money) are single lines between two issues."""


@dataclass(frozen=True)
class IssueDays:
    """When stock goes out. days: in order, since 1970; gaps: between them, of months that lie side by side, days.

    whole: the calendar months that issues cover and that hold such a day, since 1970-01.
    """

    days: np.ndarray
    gaps: np.ndarray
    whole: frozenset[int]

    @property
    def usual_gap(self) -> float:
        """Days from one issue to the next."""
        return float(np.median(self.gaps))

    def last_in(self, month: int) -> int:
        """The last such day up to the end of a month."""
        return int(self.days[np.searchsorted(self.days, _last_day(month), side="right") - 1])

    def ahead(self, month: int, months: int, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Days that issues of each month from `month` on will make good over its days, ndarray (draws, months).

        Months of which issues are known already, in part or whole, count with the days that they have.
        """
        ends = np.array([_last_day(month + k - 1) for k in range(months + 1)])
        span = max(int(ends[-1] - self.days[-1]), 0)
        steps = rng.choice(self.gaps, (_COURSES, int(1.5 * span / self.gaps.mean()) + 20))
        course = self.days[-1] + np.cumsum(np.column_stack([np.zeros(_COURSES, np.int64), steps]), axis=1)
        edge = np.stack([days[np.maximum(np.searchsorted(days, ends, side="right") - 1, 0)] for days in course])
        last = int(_month_of(self.days[-1:])[0])
        known = ends <= _last_day(last if last not in self.whole else last - 1)
        edge = np.where(known, ends, np.maximum(edge, ends[known].max(initial=0)))
        return (np.diff(edge, axis=1) / np.diff(ends))[np.resize(rng.permutation(_COURSES), draws)]


def issue_days(unit: Unit) -> IssueDays | None:
    """A unit's days of issue; None where it has no issues, too few, or issues by the month."""
    issues = unit.issues
    if issues is None or not len(issues):
        return None
    price = issues["item"].map(unit.items.set_index("item")["price"] / unit.items.set_index("item")["pack"])
    value = (issues["units"] * np.maximum(price, 1e-6)).clip(lower=0).groupby(pd.to_datetime(issues["date"])).sum()
    usual = float((value**2).sum() / max(value.sum(), 1e-12))
    kept = value.index[value.to_numpy() > _IN_BETWEEN * usual]
    days = kept.to_numpy().astype("datetime64[D]").astype(np.int64)
    gaps = np.diff(days)[np.diff(_month_of(days)) <= 1]
    if len(gaps) < _FEWEST_GAPS or np.median(gaps) > _BY_THE_MONTH:
        return None
    whole = {month.ordinal for month in covered_months(issues)} & set(_month_of(days).tolist())
    return IssueDays(days, gaps, frozenset(whole))


def window(month: pd.Period, issued: IssueDays | None) -> tuple[int, int]:
    """First and last day, since 1970, of the use that a past month's issues made good; else of the month itself."""
    k = month.ordinal
    if issued is not None and {k - 1, k} <= issued.whole:
        return issued.last_in(k - 1) + 1, issued.last_in(k)
    return _last_day(k - 1) + 1, _last_day(k)


def _month_of(days: np.ndarray) -> np.ndarray:
    return np.asarray(days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64))


def _last_day(month: int) -> int:
    """Last day of a month since 1970-01."""
    return int(np.datetime64(month + 1, "M").astype("datetime64[D]").astype(np.int64)) - 1
