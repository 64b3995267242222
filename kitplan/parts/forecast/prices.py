"""Prices by day: the catalogue's list price until one was paid, then the price last paid, and rises from their day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.values import Unit

PAID, AGREED, RISE = "issues", "prices.csv", "rise"
_COLUMNS = ["date", "item", "price", "percent", "source"]


@dataclass(frozen=True)
class PriceBook:
    """Prices of a pack. items: names. listed: list price, ndarray (n_items,). changes: of each item, by day: (day,
    price from that day on, where it comes from).
    """

    items: tuple[str, ...]
    listed: np.ndarray
    changes: tuple[tuple[tuple[np.datetime64, float, str], ...], ...]

    def on(self, item: np.ndarray, day: np.ndarray) -> np.ndarray:
        """Price of a pack of each item (position) on each day (datetime64[D]); both ndarray (n,)."""
        found = self.listed[item].astype(float)
        for place in np.unique(item):
            if self.changes[place]:
                mine = item == place
                days = np.array([change[0] for change in self.changes[place]])
                prices = np.array([self.listed[place], *(change[1] for change in self.changes[place])])
                found[mine] = prices[np.searchsorted(days, day[mine], side="right")]
        return found

    def in_months(self, months: pd.PeriodIndex) -> np.ndarray:
        """Mean price of a pack over the days of each month, ndarray (n_months, n_items)."""
        found = np.tile(self.listed.astype(float), (len(months), 1))
        spans = [np.arange(m.start_time.to_datetime64(), (m + 1).start_time.to_datetime64(), dtype="datetime64[D]")
                 for m in months]
        every, length = np.concatenate(spans), np.array([len(days) for days in spans])
        for place in (p for p, changes in enumerate(self.changes) if changes):
            prices = self.on(np.full(len(every), place), every)
            found[:, place] = np.add.reduceat(prices, np.cumsum(length) - length) / length
        return found

    def last(self) -> np.ndarray:
        """The latest price known of each item, ndarray (n_items,)."""
        return np.array([c[-1][1] if c else listed for c, listed in zip(self.changes, self.listed)])

    def table(self, descriptions: pd.Series, known_to: np.datetime64, then: np.datetime64) -> pd.DataFrame:
        """Items whose price is not the list's: last paid up to a day, and expected on a later one."""
        rows = []
        for place, changes in enumerate(self.changes):
            paid = [c for c in changes if c[0] <= known_to and c[2] != RISE]
            later = float(self.on(np.array([place]), np.array([then]))[0])
            if changes:
                rows.append((self.items[place], descriptions.iloc[place], self.listed[place],
                             paid[-1][1] if paid else np.nan, pd.Timestamp(paid[-1][0]) if paid else pd.NaT,
                             later, later / self.listed[place] - 1 if self.listed[place] else np.nan))
        return pd.DataFrame(rows, columns=["item", "description", "list_price", "last_paid", "paid_on",
                                           "expected_price", "over_list"])


@lru_cache(maxsize=16)
def price_book(unit: Unit) -> PriceBook:
    """Every price that the unit's issues and prices.csv tell, in the order of their days.

    A price set later replaces the rises before it; on one day a rise comes before a price, which has it in it.
    """
    items = tuple(unit.items["item"])
    listed = unit.items["price"].to_numpy(float)
    told = pd.concat([t for t in (_paid(unit), _agreed(unit)) if len(t)] or [_agreed(unit)], ignore_index=True)
    told = told.sort_values(["date", "percent"], kind="stable", na_position="last")
    lines = list(zip(*(told[c] for c in ("item", "date", "price", "percent", "source"))))
    return PriceBook(items, listed, tuple(_walk(lines, name, float(price)) for name, price in zip(items, listed)))


def _walk(lines: Sequence[tuple[Any, ...]], name: str, price: float) -> tuple[tuple[np.datetime64, float, str], ...]:
    found = []
    for item, day, given, percent, source in lines:
        if item in (name, ""):
            is_rise = percent == percent
            price = price * (1 + percent / 100) if is_rise else float(given)
            found.append((np.datetime64(day, "D"), price, RISE if is_rise else source))
    return tuple(found)


def _paid(unit: Unit) -> pd.DataFrame:
    """Prices noted with issues: one line for each change, and the first after a day of prices.csv, which it may take
    back; a return says nothing of today's price.
    """
    if unit.issues is None or "price" not in unit.issues:
        return pd.DataFrame(columns=_COLUMNS)
    noted = unit.issues[(unit.issues["price"] > 0) & (unit.issues["units"] > 0)]
    noted = noted.drop_duplicates(["item", "date"], keep="last")
    since = np.searchsorted(np.sort(_agreed(unit)["date"].to_numpy("datetime64[D]")),
                            noted["date"].to_numpy("datetime64[D]"), side="right")
    noted = noted[noted["price"] != noted.groupby([noted["item"], since])["price"].shift()]
    return noted.assign(percent=np.nan, source=PAID)[_COLUMNS]


def _agreed(unit: Unit) -> pd.DataFrame:
    if unit.prices is None:
        return pd.DataFrame(columns=_COLUMNS)
    return unit.prices.assign(source=AGREED)[_COLUMNS]
