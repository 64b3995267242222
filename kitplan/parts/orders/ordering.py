"""What to order after a count: par less cover less what is on order, in whole packs, oldest dates first.

Cover is what the shelf gives until the next order could arrive, one protection interval (review + lead) away.
Stock that keeps at least that long is cover. Stock that runs out of date sooner is cover only as far as expected
use, first expired first out, takes it off the shelf before its date.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

LEDGER_COLUMNS = ["item", "lot", "expires", "days_left", "units", "used_units", "spoils_units", "cover_units",
                  "lead_units", "advice"]
ORDER_COLUMNS = ["urgent", "bin", "item", "description", "pack", "par_units", "on_hand_units", "cover_units",
                 "on_order_units", "order_packs", "order_units", "value", "lasts_days", "because"]
_NOT_COUNTED = "not counted: count it, nothing is ordered until then"
_NO_PACKS: Mapping[str, int] = {}


@dataclass(frozen=True)
class Horizon:
    """The days that matter at a count, from its day on. counted None: no day is known, dates are not looked at."""

    counted: date | None
    lead_days: float
    protection_days: float


@dataclass(frozen=True)
class Order:
    """An order sheet. lines: one row an item of the par list, ORDER_COLUMNS, urgent ones first, then shelf order.

    ledger: one row a lot, LEDGER_COLUMNS, first expired first. value: money of the order.
    off_list: lots of items that the par list does not hold (item, units), counted but not ordered.
    """

    lines: pd.DataFrame
    ledger: pd.DataFrame
    value: float
    horizon: Horizon
    off_list: pd.DataFrame

    def tables(self) -> dict[str, pd.DataFrame]:
        """File stem -> tidy frame."""
        return {"order": self.lines, "expiry": self.ledger[self.ledger["expires"].notna()].reset_index(drop=True)}

    @property
    def urgent(self) -> pd.DataFrame:
        """Lines of items that may run out before the order arrives."""
        return self.lines[self.lines["urgent"]]


def order_up_to_level(par_units: np.ndarray, cover_units: np.ndarray, on_order_units: np.ndarray,
                      pack: np.ndarray) -> np.ndarray:
    """Return whole packs that bring cover plus on order up to par, never negative.

    ceil(max(par - cover - on order, 0) / pack); with pack 1 the order-up-to rule of Management Sciences for Health,
    MDS-3, chapter 23 (from memory). All arrays have shape (n_items,).
    """
    missing = np.maximum(np.asarray(par_units) - cover_units - on_order_units, 0)
    return np.ceil(missing / pack - 1e-9).astype(np.int64)


def first_expired_first_out(units: np.ndarray, days_left: np.ndarray, use_per_day: float) -> np.ndarray:
    """Return how much of each lot steady use takes before its date; lots ordered by date, shape (n_lots,).

    Lot k is emptied after the lots before it: used_k = min(units_k, max(u d_k - sum of used_1..k-1, 0)).
    A lot without a date has days_left inf and is used whole. Whole units only, rounded down.
    """
    used = np.zeros(len(units), dtype=np.int64)
    taken = 0
    for k, (held, days) in enumerate(zip(units, days_left)):
        can_use = held if math.isinf(days) else math.floor(use_per_day * max(days, 0.0) + 1e-9) - taken
        used[k] = min(max(can_use, 0), held)
        taken += int(used[k])
    return used


def lot_ledger(lots: pd.DataFrame, pack: Mapping[str, int], use_per_day: Mapping[str, float],
               horizon: Horizon) -> pd.DataFrame:
    """One row a lot, first expired first within an item: what will be used, what will spoil, what is cover.

    lots: item, packs, loose_units, expires (date or missing), lot. use_per_day: by item; one that is not in it is
    off the par list, and is taken to be used in time. Columns of the result: LEDGER_COLUMNS;
    used_units and spoils_units at expected use; cover_units until the end of the protection interval;
    lead_units until an order of today arrives.
    """
    rows = []
    for item, group in lots.sort_values(["item", "lot"], kind="stable").groupby("item", sort=False):
        size, rate = pack.get(str(item), 1), use_per_day.get(str(item))
        held = (group["packs"].fillna(0) * size + group["loose_units"].fillna(0)).round().to_numpy(np.int64)
        left = np.array([_days_left(e, horizon.counted) for e in group["expires"]])
        for k, used in _by_date(held, left, rate):
            entry = group.iloc[k]
            keeps_for = horizon.protection_days
            cover = held[k] if left[k] >= keeps_for else used
            lead = held[k] if left[k] >= horizon.lead_days else used
            spoils = 0 if math.isinf(left[k]) else held[k] - used
            expires = entry["expires"] if not math.isinf(left[k]) else None
            rows.append((item, _text(entry["lot"]), expires, left[k], held[k], used, spoils, cover, lead,
                         _advice(left[k], held[k], used, keeps_for, size)))
    ledger = pd.DataFrame(rows, columns=LEDGER_COLUMNS)
    ledger["days_left"] = ledger["days_left"].replace(np.inf, np.nan).astype(float)
    return ledger


def _by_date(held: np.ndarray, left: np.ndarray, rate: float | None) -> list[tuple[int, int]]:
    """(position of the lot, units used before its date), first expired first; all in date where no use is known."""
    order = np.argsort(left, kind="stable")
    if rate is None:
        used = np.where(left[order] >= 0, held[order], 0)
    else:
        used = first_expired_first_out(held[order], left[order], rate)
    return [(int(k), int(u)) for k, u in zip(order, used)]


def _days_left(expires: object, counted: date | None) -> float:
    """Days from the count to the date printed on the lot, negative once it has passed, inf without a date."""
    if counted is None or not isinstance(expires, date) or pd.isna(expires):
        return math.inf
    day = expires.date() if hasattr(expires, "date") else expires
    return float((day - counted).days)


def _advice(left: float, held: int, used: int, keeps_for: float, pack: int) -> str:
    if held == 0 or math.isinf(left):
        return ""
    if left < 0:
        return "Out of date: take it off the shelf"
    if used < held:
        spoils = held - used
        packs = f"{spoils // pack} whole pack{'s' if spoils >= 2 * pack else ''}"
        whole = f" ({packs}: offer to another unit)" if 1 < pack <= spoils else ""
        return f"Use first: at the usual pace {spoils} of {held} will not be used by its date{whole}"
    return "Use first" if left < keeps_for else ""


def make_order(levels: pd.DataFrame, items: pd.DataFrame, lots: pd.DataFrame, on_order_packs: Mapping[str, float],
               horizon: Horizon, not_counted: Collection[str] = (), unavailable: Collection[str] = (),
               in_place: Mapping[str, int] = _NO_PACKS) -> Order:
    """Make the order sheet of one count.

    levels: item, par_units, use_per_day, order_point_units (need of the lead time), in shelf order. items: the
    catalogue (item, description, pack, price, critical, bin). lots: see lot_ledger. not_counted: items that were
    not looked at; nothing is ordered for them, and emergency equipment among them is urgent to count. unavailable:
    items that cannot be had now, and are not ordered. in_place: packs that a back order asks for of an item, on
    order included; the line has at least these, counted or not, and one that was not counted is urgent.
    A line is urgent when what is usable until the order arrives is below the order point.
    """
    table = levels.merge(items[["item", "description", "pack", "price", "critical", "bin"]], on="item", how="left",
                         suffixes=("", "_catalogue"))
    pack = dict(zip(items["item"], items["pack"].astype(int)))
    ledger = lot_ledger(lots, pack, dict(zip(table["item"], table["use_per_day"])), horizon)
    sums = ledger.groupby("item")[["units", "cover_units", "lead_units"]].sum()
    found = sums.reindex(table["item"], fill_value=0)
    coming = np.array([on_order_packs.get(i, 0.0) for i in table["item"]]) * table["pack"].to_numpy(float)
    packs = order_up_to_level(table["par_units"].to_numpy(float), found["cover_units"].to_numpy(float), coming,
                              table["pack"].to_numpy(float))
    unseen = table["item"].isin(not_counted).to_numpy()
    packs[unseen | table["item"].isin(unavailable).to_numpy()] = 0
    asked = np.array([in_place.get(i, 0) for i in table["item"]])
    packs = np.maximum(packs, np.ceil(asked - coming / table["pack"].to_numpy(float) - 1e-9).astype(np.int64))
    use = table["use_per_day"].to_numpy(float)
    lines = table[["bin", "item", "description", "pack"]].assign(
        par_units=table["par_units"].astype(np.int64), on_hand_units=found["units"].to_numpy(np.int64),
        cover_units=found["cover_units"].to_numpy(np.int64), on_order_units=coming.round().astype(np.int64),
        order_packs=packs, order_units=packs * table["pack"].to_numpy(np.int64),
        value=packs * table["price"].to_numpy(float),
        lasts_days=np.divide(found["lead_units"].to_numpy(float), use, out=np.full(len(use), np.nan), where=use > 0),
        urgent=np.where(unseen, table["critical"].astype(bool) | (asked > 0),
                        found["lead_units"].to_numpy(float) < table["order_point_units"].to_numpy(float)),
    )
    lines["because"] = [_uncounted(line, wanted) if missed else
                        _because(line, float(point), horizon, unavailable, wanted)
                        for line, point, missed, wanted in
                        zip(lines.itertuples(index=False), table["order_point_units"], unseen, asked)]
    lines = lines.sort_values("urgent", ascending=False, kind="stable")[ORDER_COLUMNS].reset_index(drop=True)
    off = ledger[~ledger["item"].isin(table["item"])].groupby("item", sort=False)["units"].sum()
    return Order(lines, ledger, float(lines["value"].sum()), horizon, off.reset_index())


def _uncounted(line, asked: int) -> str:
    if not asked:
        return _NOT_COUNTED
    return f"not counted; fills in for what cannot be had: {_packs(asked)}, see Back order"


def _because(line, order_point: float, horizon: Horizon, unavailable: Collection[str], asked: int) -> str:
    parts = [f"par {line.par_units}", f"on the shelf {line.on_hand_units}"]
    if line.cover_units < line.on_hand_units:
        parts.append(f"of which {line.on_hand_units - line.cover_units} out of date before use")
    if line.on_order_units:
        parts.append(f"on order {line.on_order_units}")
    if asked:
        parts.append(f"back order asks for {_packs(asked)}")
    if line.item in unavailable:
        parts.append("cannot be had now")
    elif line.order_packs:
        parts.append(f"so {line.order_packs} x {line.pack}" if line.pack > 1 else f"so {line.order_packs}")
    else:
        parts.append("nothing to order")
    text = ", ".join(parts)
    if line.urgent:
        text = (f"URGENT: fewer than the {order_point:.0f} that may be needed before the order arrives "
                f"({_arrival(horizon)}); {text}")
    return text


def _packs(count: int) -> str:
    return f"{count} pack{'' if count == 1 else 's'}"


def _arrival(horizon: Horizon) -> str:
    if horizon.counted is None:
        return f"in {horizon.lead_days:g} days"
    return (horizon.counted + timedelta(days=math.ceil(horizon.lead_days))).isoformat()


def _text(value: object) -> str:
    return "" if value is None or value != value else str(value)
