"""What the unit may spend, and the prices it has paid or will pay: budget.csv and prices.csv."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from kitplan.read.catalogue import items_named
from kitplan.read.findings import Findings
from kitplan.read.policy import Policy
from kitplan.read.problems import counted
from kitplan.read.tables import TableReader
from kitplan.read.values import Budget

_ALL = ("", "all", "all items")
_NO_LINES = pd.DataFrame(columns=["month", "item", "amount", "spent"]).astype({"amount": float, "spent": float})


def read_prices(reader: TableReader, items: pd.DataFrame) -> pd.DataFrame:
    """Return price changes by day: date (datetime64), item ("" for all), price of a pack or percent (the other NaN)."""
    frame = reader.frame().assign(item=_items(reader, items))
    given = frame[["price", "percent"]].notna().sum(axis=1).to_numpy()
    reader.refuse("price", (given != 1) & ~reader.bad, None, "needs either a price or a percent",
                  "Fill in one of the two.")
    alone = (frame["item"] == "").to_numpy() & frame["price"].notna().to_numpy()
    reader.refuse("item", alone & ~reader.bad, None, "is empty beside a price", "Name the item whose price it is.")
    reader.refuse_repeats("date", frame[["date", "item"]], "stands twice with the same item", "Keep one row.")
    return frame[~reader.bad].sort_values("date", kind="stable", ignore_index=True)


def read_budget_lines(reader: TableReader, items: pd.DataFrame) -> pd.DataFrame:
    """Return the lines of a budget: month ("2026-04"), item ("" for all), amount and spent (NaN where not given)."""
    days = pd.to_datetime(reader.expiries("month"))
    frame = pd.DataFrame({"month": days.strftime("%Y-%m").fillna(""), "item": _items(reader, items),
                          "amount": reader.numbers("amount"), "spent": reader.numbers("spent")})
    named = (frame["item"] != "").to_numpy()
    reader.refuse("spent", named & frame["spent"].notna().to_numpy(), frame["spent"].to_numpy(),
                  "is given for an item", "Leave the item empty in a row that says what was spent in all.")
    whole = ~named & frame["amount"].notna().to_numpy() & ~reader.bad
    if named.any():
        reader.refuse("item", whole, None, "is empty beside an amount, and other amounts are by item",
                      "Give every amount its item, or none.")
    reader.refuse_repeats("month", frame[["month", "item"]], "stands twice with the same item", "Keep one row.")
    return frame[~reader.bad].reset_index(drop=True)


def budget_of(policy: Policy, lines: pd.DataFrame | None, findings: Findings) -> Budget | None:
    """Put [budget] and budget.csv together; None where the unit has neither, or where they do not make a year."""
    start, amount = policy.values.get("budget.start"), policy.values.get("budget.amount")
    if lines is None or not len(lines):
        if start is not None and amount is None:
            findings.warn(policy.file, "gives the start of a budget year and no money for it",
                          "Add amount = 30000, say, under [budget], or a table budget.csv.", column="budget", moves=1)
        if start is None and amount is not None and not any(p.column == "budget.start" for p in findings.faults):
            findings.fault(policy.file, "gives the money of a budget year and not its first month",
                           'Add start = "2026-04", say, under [budget].', column="budget.start")
        return None if start is None else Budget(str(start), amount, _NO_LINES)
    start = str(start or lines["month"].min())
    budget = Budget(start, amount, lines)
    inside = lines[lines["month"].isin(budget.months)]
    if len(inside) < len(lines):
        outside = counted(len(lines) - len(inside), "row")
        findings.warn("budget.csv", f"has {outside} outside {start} to {budget.months[-1]}, left aside",
                      'Say the first month of the year under [budget], start = "2026-04".', moves=2)
    without = [m for m in budget.months if m not in set(inside.loc[inside["amount"].notna(), "month"])]
    if inside["amount"].notna().any() and without and amount is None:
        findings.warn("budget.csv", f"gives no amount for {', '.join(without)}: taken as nothing to spend",
                      "Add the months, or give the year's amount under [budget].", column="amount", moves=2)
    summed = inside["amount"].sum()
    if amount is not None and (summed - amount >= 0.005 or (not without and amount - summed >= 0.005)):
        findings.warn(policy.file, f"is not the sum of budget.csv ({summed:,.2f}), which is used",
                      "Give one of the two.", column="budget.amount", value=amount, moves=2)
    return replace(budget, lines=inside.reset_index(drop=True))


def _items(reader: TableReader, items: pd.DataFrame) -> np.ndarray:
    """The catalogue's item of each row, "" for all."""
    written = ["" if text.casefold() in _ALL else text for text in reader.texts("item")]
    return items_named(reader, np.array(written, dtype=object), items)
