"""What many units spend together: the months ahead and the budget years, with bands of the totals.

A total's band comes from the units' paths, added draw by draw. How the units hang together no unit's files tell, so
two answers are given: each unit errs on its own, and all err one way at once (the shipped guess of how often airways
are renewed, or one hard winter, would do that). The truth lies between.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from zlib import crc32

import numpy as np
import pandas as pd

from kitplan.parts.forecast.model import ManagerView
from kitplan.parts.forecast.paths import BANDS
from kitplan.read.values import Unit

DRAWS = 1000
TOTAL = "All units"
COLUMNS = ["unit", "name", "currency", "what", "period", "budget", "spent", "value", "low_value", "high_value",
           "low_together", "high_together"]
AHEAD, YEAR = "months ahead", "budget year"


@dataclass(frozen=True)
class Spend:
    """One unit's money. what: AHEAD or YEAR. months: names. value: (expected, low, high) as its own workbook says.
    draws: money by draw and month, ndarray (DRAWS, n_months), some of the unit's, for the totals; of a budget year,
    which has no use for its parts here, one column: "2026-01 to 2026-12".
    """

    unit: str
    name: str
    currency: str
    what: str
    months: tuple[str, ...]
    budget: float
    spent: float
    value: tuple[float, float, float]
    draws: np.ndarray

    @property
    def dated(self) -> bool:
        """Whether the months are those of a calendar; else any months, all alike."""
        return self.months[0][:4].isdigit()


def spend_of(name: str, unit: Unit, view: ManagerView) -> tuple[Spend, ...]:
    """A unit's months ahead, and its budget year where it has one. name: of the unit among the others."""
    paths, year = view.forecast.paths, view.budget
    ahead = Spend(name, unit.name, unit.currency, AHEAD, paths.months, np.nan, np.nan,
                  view.forecast.year_value, _some(paths.value))
    if year is None:
        return (ahead,)
    return ahead, Spend(name, unit.name, unit.currency, YEAR, (str(year.periods["period"].iloc[-1]),), year.budget,
                        year.spent if year.known_to else np.nan, year.landing, _some(year.draws[:, None]))


def spend_table(spends: Sequence[Spend]) -> pd.DataFrame:
    """COLUMNS: a row a unit and period, and a total over units of one currency and one budget year, or over the months
    ahead that they share.

    low_value, high_value: 80 % band, of a total with units that err each on their own; low_together, high_together:
    with units that all err one way. A budget or money spent that one unit does not know is in no total.
    """
    rows: list[tuple[object, ...]] = [
        (s.unit, s.name, s.currency, s.what, _span(s.months), s.budget, s.spent, *s.value, np.nan, np.nan)
        for s in spends]
    groups: dict[tuple[str, str, tuple[str, ...]], list[Spend]] = {}
    for s in spends:
        groups.setdefault((s.what, s.currency, s.months if s.what == YEAR else ()), []).append(s)
    for _, same in sorted(groups.items()):
        dated = [s for s in same if s.dated] or same[:1]
        shared = tuple(m for m in dated[0].months if all(m in s.months for s in dated))
        if len(same) > 1 and shared:  # a unit without a calendar has as many as wanted, up to their number
            rows.append(_total(same, shared[:min(len(s.months) for s in same)]))
    return pd.DataFrame(rows, columns=COLUMNS)


def _span(months: tuple[str, ...]) -> str:
    return months[0] if len(months) == 1 else f"{months[0]} to {months[-1]}"


def _total(spends: list[Spend], shared: tuple[str, ...]) -> tuple[object, ...]:
    sums = []
    for s in spends:
        columns = [s.months.index(m) for m in shared] if shared[0] in s.months else list(range(len(shared)))
        sums.append(s.draws[:, columns].sum(axis=1, dtype=float))
    alone = sum(_shuffled(s, values) for s, values in zip(spends, sums))
    together = sum(np.sort(values) for values in sums)
    return (TOTAL, f"{len(spends)} units", spends[0].currency, spends[0].what, _span(shared),
            sum(s.budget for s in spends), sum(s.spent for s in spends),
            sum(s.value[0] if len(shared) == len(s.months) else float(v.mean()) for s, v in zip(spends, sums)),
            *np.quantile(alone, BANDS[1:3]), *np.quantile(together, BANDS[1:3]))


def spend_sentences(table: pd.DataFrame) -> list[str]:
    """What the totals say, and a unit that stands alone in its currency."""
    kind = table["what"] + table["currency"]
    totals = table["unit"] == TOTAL
    return [
        f"{row['name']}, {row['what']} {row['period']}: {row['value']:,.0f} {row['currency']}"
        + (f" against a budget of {row['budget']:,.0f}" if np.isfinite(row["budget"]) else "")
        + f"; 8 times in 10 between {row['low_value']:,.0f} and {row['high_value']:,.0f}"
        + (f" if each unit errs on its own, between {row['low_together']:,.0f} and {row['high_together']:,.0f} if all "
           "err one way." if row["unit"] == TOTAL else ".")
        for row in table[totals | ~kind.isin(kind[totals])].sort_values("what", kind="stable").to_dict("records")]


def _some(draws: np.ndarray) -> np.ndarray:
    """DRAWS of them, evenly taken from the least sum to the largest, so that little travels between processes and a
    total's band is that of the units' own."""
    order = np.argsort(draws.sum(axis=1), kind="stable")
    return np.asarray(draws[order[np.linspace(0, len(draws) - 1, DRAWS).astype(int)]], dtype=np.float32)


def _shuffled(spend: Spend, values: np.ndarray) -> np.ndarray:
    """A unit's draws in an order of its own: all units draw from the same seed, which must not tie them together."""
    rng = np.random.default_rng(crc32(f"{spend.unit} {spend.what}".encode()))
    return np.asarray(rng.permutation(values))
