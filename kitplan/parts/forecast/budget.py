"""The budget year: what was spent, where the year will land, what is left, and which items drive the difference.

Spent months are what they are; the others are sampled, and the landing's band is that of the sums, draw by draw. All
money is held in cents, month by item, so that months add up to quarters and the year, and items to the same year.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.parts.forecast.months import monthly_issues
from kitplan.parts.forecast.own_use import Sampled
from kitplan.parts.forecast.paths import BANDS
from kitplan.parts.forecast.prices import price_book
from kitplan.parts.forecast.variance import split_to_the_cent
from kitplan.read.issues import months_said
from kitplan.read.values import Budget, Unit

GIVEN, ISSUED, PART, MISSING, AHEAD = "accounts", "issued", "issued in part", "filled in", "ahead"
CENSUS = "from the census"
NOT_BY_ITEM = "(spent, not told by item)"
_NEAR_CERTAIN = 0.05
_APART = 0.25
"""Share of what the items come to from which on what the accounts say is no chance: a choice."""


@dataclass(frozen=True, repr=False)
class BudgetYear(Result, writes={"budget_year": "periods", "budget_items": "items", "price_changes": "prices"}):
    """One budget year. Frames as config/columns.csv: budget_year (months, quarters, year), budget_items, price_changes.

    budget: money of the year, NaN where none is given. spent: money to date. landing: (expected, low, high) of the
    year with its 80 % band; band_95. over: chance that the year lands over the budget, NaN without one. known_to: last
    day that is known. missing: past months filled in. draws: of the year's money, float32 (n_draws,).
    """

    currency: str
    budget: float
    spent: float
    landing: tuple[float, float, float]
    band_95: tuple[float, float]
    over: float
    known_to: str
    missing: tuple[str, ...]
    periods: pd.DataFrame
    items: pd.DataFrame
    prices: pd.DataFrame
    draws: np.ndarray

    @property
    def sentences(self) -> tuple[str, ...]:
        """What to say first: where the year lands, what is left, what drives it."""
        money, (mean, low, high) = self.currency, self.landing
        end = self.periods["period"].iloc[-1]
        lines = [f"Budget year {end}: lands at {mean:,.0f} {money}; 8 times in 10 between {low:,.0f} and {high:,.0f} "
                 f"(80 % band), 19 times in 20 between {self.band_95[0]:,.0f} and {self.band_95[1]:,.0f}."]
        if np.isfinite(self.budget):
            gap = mean - self.budget
            side = "over" if gap > 0 else "under"
            lines.append(f"Budget {self.budget:,.0f} {money}: the landing is {abs(gap):,.0f} {side} it; chance of "
                         f"going over: {odds_said(self.over)}.")
        if self.known_to and self.known_to[:7] < self.periods["period"].iloc[0]:
            lines.append(f"The year has not begun: what was spent is known to {self.known_to}.")
        elif self.known_to:
            left = self.budget - self.spent
            said = "" if not np.isfinite(left) else f"; {left:,.0f} of the budget is left" if left >= 0 else (
                f"; the year's budget is overspent by {-left:,.0f} already")
            lines.append(f"Spent to {self.known_to}: {self.spent:,.0f} {money}{said}.")
            apart = float(self.items.loc[self.items["item"] == NOT_BY_ITEM, "landing"].sum())
            if (self.periods["source"][:12] == GIVEN).sum() >= 3 and abs(apart) > _APART * (self.spent - apart):
                side, then = ("less", "lower") if apart < 0 else ("more", "higher")
                lines.append(f"That is {abs(apart):,.0f} {side} than the items come to in the same time, and the "
                             f"months ahead are forecast by item: if it goes on, the year lands {then}. Put in "
                             "stock_issues.csv, and they go on at your own level.")
        else:
            lines.append("Nothing spent is known: put in stock_issues.csv, or what was spent into budget.csv. Months "
                         "gone by are worked out from the census, the others are forecast.")
        if self.missing:
            lines.append(f"What {months_said(list(self.missing))} cost is not known: filled in by forecast, not taken "
                         "as nothing. Look for the export.")
        return *lines, *_drivers(self)


@dataclass(frozen=True)
class _Year:
    """The twelve months as arrays. source: of each month. cents: expected money, int64 (12, n_items + 1), the last
    column what was spent and not told by item. units: (12, n_items). spent: money known, (12,). draws: (draws, 12).
    """

    source: list[str]
    cents: np.ndarray
    units: np.ndarray
    spent: np.ndarray
    draws: np.ndarray


def budget_year(unit: Unit, sampled: Sampled) -> BudgetYear | None:
    """The unit's budget year; None where it has none, or one of which no month is known, or some are not sampled."""
    budget = unit.budget
    if budget is None:
        return None
    spent = budget.lines.groupby("month")["spent"].sum(min_count=1).reindex(budget.months).astype(float)
    last = None if unit.issues is None or not len(unit.issues) else pd.Timestamp(unit.issues["date"].max())
    columns = _columns(budget, sampled, last)
    if columns is None:
        return None
    year = _year(unit, budget, sampled, columns, spent, last)
    if set(year.source) == {MISSING}:
        return None
    planned = _planned(unit, budget, sampled)
    total = planned.sum() / 100 if planned is not None else float("nan")
    sums = year.draws.sum(axis=1)
    low95, low, high, high95 = (float(q) for q in np.quantile(sums, BANDS))
    expected = float(year.cents.sum() / 100)
    missing = tuple(m for m, source in zip(budget.months, year.source) if source == MISSING)
    known = last if last is not None else pd.Timestamp(budget.start)
    whole = [m for m, source in zip(budget.months, year.source) if source in (GIVEN, ISSUED)]
    ends = [pd.Period(m, "M").end_time.normalize() for m in whole[-1:]] + ([last] if last is not None else [])
    end = pd.Period(budget.months[-1], "M").end_time.normalize()
    prices = price_book(unit).table(unit.items["description"], np.datetime64(known, "D"), np.datetime64(end, "D"))
    return BudgetYear(
        unit.currency, float(total), float(np.round(year.spent.sum(), 2)), (expected, low, high), (low95, high95),
        float((sums > total).mean()) if np.isfinite(total) else float("nan"),
        str(max(ends).date()) if ends else "", missing,
        _periods(budget, year, planned), _items(unit, year, planned), prices, sums.astype(np.float32),
    )


def _columns(budget: Budget, sampled: Sampled, last: pd.Timestamp | None) -> np.ndarray | None:
    """Which sampled month stands for each month of the year, ndarray (12,); None where one is not sampled."""
    if sampled.names and sampled.names[0][:4].isdigit():
        place = {name: k for k, name in enumerate(sampled.names)}
        found = [place.get(month, -1) for month in budget.months]
        return None if min(found) < 0 else np.array(found)
    begun = 0 if last is None else sum(m <= str(last.to_period("M")) for m in budget.months)
    return np.clip(np.arange(12) - begun, 0, len(sampled.names) - 1)


def _year(
    unit: Unit, budget: Budget, sampled: Sampled, columns: np.ndarray, spent: pd.Series, last: pd.Timestamp | None
) -> _Year:
    months = pd.PeriodIndex(budget.months, freq="M")
    scale = months.days_in_month.to_numpy() / sampled.days[columns]
    use = sampled.use[:, columns] * scale[:, None]
    price = price_book(unit).in_months(months) / unit.items["pack"].to_numpy(float)
    units, paid, share, source = _issued(unit, months, spent, last, sampled.names[:sampled.first])
    draws = np.einsum("dmi,mi->dm", use, price) * share + paid.sum(axis=1)
    mean = use.mean(axis=0)
    money = paid + mean * price * share[:, None]
    beyond = np.zeros(12)
    for k, given in enumerate(spent.to_numpy()):
        if np.isfinite(given):
            draws[:, k], beyond[k] = given, given - money[k].sum()
            paid[k], units[k], share[k] = 0.0, units[k] + mean[k] * share[k], 0.0
    cents = _cents(np.column_stack([money, beyond]), np.where(np.isfinite(spent), spent, np.nan))
    known = np.where(np.isfinite(spent), spent, paid.sum(axis=1))
    return _Year(source, cents, units + mean * share[:, None], known, draws)


def _cents(money: np.ndarray, given: np.ndarray) -> np.ndarray:
    """Money in cents; in months given as a sum the last column takes what rounding left, so that the sum is exact."""
    cents = np.round(money * 100).astype(np.int64)
    told = np.isfinite(given)
    cents[told, -1] += np.round(given[told] * 100).astype(np.int64) - cents[told].sum(axis=1)
    return cents


def _issued(
    unit: Unit, months: pd.PeriodIndex, spent: pd.Series, last: pd.Timestamp | None, lived: tuple[str, ...]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[str]]:
    """(units, money) issued by month and item, the share of each month left to forecast, its source. lived: gone by."""
    items = list(unit.items["item"])
    units, paid = np.zeros((2, len(months), len(items)))
    share, source = np.ones(len(months)), []
    whole = monthly_issues(unit)
    covered = set() if whole is None else set(whole["month"])
    all_issues = None if last is None else monthly_issues(unit, whole_only=False)
    for k, month in enumerate(months):
        part = last is not None and month == last.to_period("M") and month not in covered and month - 1 in covered
        if (month in covered or part) and all_issues is not None:
            own = all_issues[all_issues["month"] == month].set_index("item")
            units[k] = own["units"].reindex(items).fillna(0.0)
            paid[k] = own["paid"].reindex(items).fillna(0.0)
            share[k] = 0.0 if not part or last is None else 1 - last.day / month.days_in_month
        past = last is not None and month <= last.to_period("M")
        past |= bool(spent.iloc[k + 1:].notna().any())
        source.append(GIVEN if np.isfinite(spent.iloc[k]) else ISSUED if month in covered else PART if part
                      else MISSING if past else CENSUS if str(month) in lived else AHEAD)
    return units, np.round(paid, 2), share, source


def _planned(unit: Unit, budget: Budget, sampled: Sampled) -> np.ndarray | None:
    """The budget in cents, int64 (12, n_items); None without an amount.

    A budget that is not by item is shared out as the months ahead take items at list prices; what a year's amount
    leaves for months that no line names, by days.
    """
    months = pd.PeriodIndex(budget.months, freq="M")
    given = budget.lines[budget.lines["amount"].notna()]
    by_month = given.groupby("month")["amount"].sum().reindex(budget.months).fillna(0.0).to_numpy(float)
    if not len(given) and budget.amount is None:
        return None
    unnamed = ~np.isin(budget.months, given["month"])
    if budget.amount is not None and unnamed.any():
        days = months.days_in_month.to_numpy() * unnamed
        by_month = by_month + max(budget.amount - by_month.sum(), 0.0) * days / days.sum()
    use = sampled.use[:, sampled.first:].mean(axis=(0, 1), dtype=float)
    value = use * (unit.items["price"] / unit.items["pack"]).to_numpy(float)
    shares = value / max(value.sum(), 1e-12) if value.sum() > 0 else np.full(len(value), 1 / len(value))
    by_item = by_month[:, None] * shares
    if len(given) and (given["item"] != "").any():
        named = given.pivot_table(index="month", columns="item", values="amount", aggfunc="sum").reindex(
            index=budget.months, columns=unit.items["item"]).fillna(0.0).to_numpy(float)
        by_item = np.where(unnamed[:, None], by_item, named)
    running = np.round(np.cumsum(by_item.ravel()) * 100).astype(np.int64)
    return np.diff(running, prepend=0).reshape(by_item.shape)


def _periods(budget: Budget, year: _Year, planned: np.ndarray | None) -> pd.DataFrame:
    """Months, quarters of the budget year and the year: budget, spent, landing with its band, difference."""
    months = np.array(budget.months)
    groups = [("month", m, [k]) for k, m in enumerate(months)]
    groups += [("quarter", f"{months[k]} to {months[k + 2]}", [k, k + 1, k + 2]) for k in (0, 3, 6, 9)]
    groups += [("year", f"{months[0]} to {months[11]}", list(range(12)))]
    rows = []
    for kind, name, places in groups:
        bands = np.quantile(year.draws[:, places].sum(axis=1), BANDS)
        landing = year.cents[places].sum() / 100
        money = planned[places].sum() / 100 if planned is not None else np.nan
        told = [k for k in places if year.source[k] not in (AHEAD, MISSING, CENSUS)]
        spent = round(float(year.spent[told].sum()), 2) if told else np.nan
        sources = ", ".join(dict.fromkeys(year.source[k] for k in places))
        rows.append((kind, name, sources, money, spent, landing, bands[1], bands[2], bands[0], bands[3],
                     round(landing - money, 2)))
    return pd.DataFrame(rows, columns=["kind", "period", "source", "budget", "spent", "landing", "low_landing",
                                       "high_landing", "low_95_landing", "high_95_landing", "over_budget"])


def _items(unit: Unit, year: _Year, planned: np.ndarray | None) -> pd.DataFrame:
    """The year by item: budget, landing, and the difference as volume, mix and price; the largest difference first.

    Levels of money, each step rounded to the cent: the item's budget; the same with all items more or less alike
    (volume); this item's own units at list prices (mix); at the prices paid and expected (price).
    """
    listed = (unit.items["price"] / unit.items["pack"]).to_numpy(float)
    units, cents = year.units.sum(axis=0), year.cents.sum(axis=0)
    plan = planned.sum(axis=0) / 100 if planned is not None else np.full(len(units), np.nan)
    frame = pd.DataFrame({
        "item": unit.items["item"], "description": unit.items["description"], "budget": plan,
        "budget_units": np.divide(plan, listed, out=np.full(len(plan), np.nan), where=listed > 0),
        "landing_units": units, "landing": cents[:-1] / 100,
    })
    if planned is not None:
        at_list = units * listed
        alike = plan * (at_list.sum() / plan.sum() if plan.sum() > 0 else 0.0)
        steps = split_to_the_cent(np.stack([plan, alike, at_list, cents[:-1] / 100]))
        frame["volume"], frame["mix"], frame["price"] = steps / 100
        frame["over_budget"] = (cents[:-1] - planned.sum(axis=0)) / 100
    else:
        frame[["volume", "mix", "price", "over_budget"]] = np.nan
    if cents[-1]:
        whole = cents[-1] / 100
        frame.loc[len(frame)] = [NOT_BY_ITEM, "By the accounts, less what the items come to", 0.0,
                                 np.nan, np.nan, whole, whole, 0.0, 0.0, whole]
    frame = frame[(frame[["budget", "landing"]].fillna(0.0).abs().sum(axis=1) > 0)]
    by = frame["over_budget" if planned is not None else "landing"].abs()
    return frame.loc[by.sort_values(ascending=False, kind="stable").index].reset_index(drop=True)


def odds_said(chance: float) -> str:
    """A chance rounded to what the bands can carry: to five in a hundred, and no certainty."""
    if chance < _NEAR_CERTAIN:
        return "under 5 in 100"
    if chance > 1 - _NEAR_CERTAIN:
        return "over 95 in 100"
    return f"about {round(chance * 20) * 5} in 100"


def _drivers(result: BudgetYear) -> list[str]:
    """The three items that move most, and the price as a whole."""
    if not np.isfinite(result.budget):
        return []
    top = [row for row in result.items.head(3).itertuples() if abs(row.over_budget) >= 0.5]
    sums = result.items[["volume", "mix", "price"]].sum()
    named = "; ".join(f"{row.description} {row.over_budget:+,.0f}" for row in top)
    used = sums["volume"] + sums["mix"]
    prices = f", {sums['price']:+,.0f} because prices differ from the list" if abs(sums["price"]) >= 0.5 else ""
    most = [f"Most of it: {named}."] if top else []
    because = f"because {'more' if used > 0 else 'less'} is used{prices}"
    return [f"Against the budget: {used:+,.0f} {result.currency} {because}.", *most]
