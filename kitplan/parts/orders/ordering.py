"""What to order: the least whole packs that bring every position up to its level, oldest dates first.

Position = usable stock (loose, and in kits that stand ready) + on order. An order is due when the position is under
the level s, and n = ceil((s - position) / Q) packs of Q bring it to s or just above, at most to s + Q - 1: the
(nQ, r) rule with r = s - 1 (Hadley & Whitin, Analysis of Inventory Systems, 1963, from memory). Stock that
goes out of date before the next order could arrive is usable only as far as expected use, first expired first out,
takes it off the shelf before its date.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.whole import whole_down, whole_up
from kitplan.parts.orders.ledger import Lot, OpenOrder, Standing
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan
from kitplan.read.order_book import Line
from kitplan.read.problems import counted

LEDGER_COLUMNS = ["item", "lot", "expires", "days_left", "units", "used_units", "spoils_units", "cover_units",
                  "lead_units", "advice"]
ORDER_COLUMNS = ["urgent", "bin", "item", "description", "pack", "par_units", "on_hand_units", "in_kits_units",
                 "cover_units", "on_order_units", "position_units", "order_packs", "order_units", "value", "lasts_days",
                 "because"]
_NO_PACKS: Mapping[str, int] = {}


@dataclass(frozen=True)
class Order:
    """An order sheet. lines: one row an item of the par list, ORDER_COLUMNS, urgent ones first and emergency equipment
    first of them, then shelf order.

    ledger: one row a lot, LEDGER_COLUMNS, first expired first. counted: the day of the count it rests on. number: ""
    before it is made.
    """

    lines: pd.DataFrame
    ledger: pd.DataFrame
    counted: date
    number: str = ""

    @property
    def value(self) -> float:
        return float(self.lines["value"].sum())

    def tables(self) -> dict[str, pd.DataFrame]:
        return {"order": self.lines, "expiry": self.ledger[self.ledger["expires"].notna()].reset_index(drop=True)}

    @property
    def to_watch(self) -> pd.DataFrame:
        """The lots with something to do about their date, nearest date first."""
        dated = self.ledger[self.ledger["advice"] != ""]
        return dated.sort_values(["days_left", "item"], kind="stable")

    @property
    def dates_without_work(self) -> str:
        """What is said of the dated lots that ask for nothing."""
        rest = self.ledger[self.ledger["expires"].notna() & (self.ledger["advice"] == "")]
        if rest.empty:
            return ""
        first = rest.loc[rest["days_left"].idxmin()]
        return (f"Nothing to do about the dates of {counted(len(rest), 'other lot')}; the first of them is "
                f"{first['expires']:%Y-%m-%d} ({first['item']}). All stand in tables/expiry.csv.")

    @property
    def urgent(self) -> pd.DataFrame:
        """Lines of items that may run out before the order arrives."""
        return self.lines[self.lines["urgent"]]

    @property
    def wanted(self) -> dict[str, int]:
        """Item -> packs to order."""
        asked = self.lines[self.lines["order_packs"] > 0]
        return dict(zip(asked["item"], asked["order_packs"].astype(int)))


def packs_to_level(level: int, position: int, pack: int) -> int:
    """Least whole packs that bring the position to the level; none when it is there.

    With pack 1 the order-up-to rule of Management Sciences for Health, MDS-3, chapter 23 (from memory).
    """
    return max(-(-(level - position) // pack), 0)


def first_expired_first_out(units: np.ndarray, days_left: np.ndarray, use_per_day: float) -> np.ndarray:
    """Return how much of each lot steady use takes before its date; lots ordered by date, shape (n_lots,).

    Lot k is emptied after the lots before it: used_k = min(units_k, max(u d_k - sum of used_1..k-1, 0)).
    A lot without a date has days_left inf and is used whole. Whole units only, rounded down.
    """
    used = np.zeros(len(units), dtype=np.int64)
    taken = 0
    for k, (held, days) in enumerate(zip(units, days_left)):
        can_use = held if math.isinf(days) else whole_down(use_per_day * max(days, 0.0)) - taken
        used[k] = min(max(can_use, 0), held)
        taken += int(used[k])
    return used


def days_of_cover(lots: Sequence[Lot], day: date, use_per_day: float) -> float:
    """Days that the lots last at a steady pace; what goes out of date before it is used lasts no day."""
    left = np.array([days_left(lot, day) for lot in lots])
    used = first_expired_first_out(np.array([lot.units for lot in lots]), left, use_per_day)
    return float(used.sum() / use_per_day) if use_per_day else math.nan


def days_left(lot: Lot, day: date) -> float:
    """Days from `day` to the date of a lot, negative once it has passed, inf without a date."""
    return math.inf if lot.expires is None else float((lot.expires - day).days)


def lot_ledger(now: Standing, plan: RoundPlan, day: date) -> pd.DataFrame:
    """One row a lot, first expired first within an item: what will be used, what will spoil, what is cover.

    An item off the par list is taken to be used in time, and so is what is held and not used (a floor) until its date
    comes within the protection interval. Columns: LEDGER_COLUMNS; used_units and spoils_units at
    expected use; cover_units until the end of the protection interval; lead_units until an order of today arrives.
    """
    rows = []
    for item, lots in now.shelf.items():
        level = plan.level.get(item)
        held = np.array([lot.units for lot in lots], dtype=np.int64)
        left = np.array([days_left(lot, day) for lot in lots])
        used = np.where(left >= 0, held, 0) if level is None else first_expired_first_out(held, left, level.use_per_day)
        if level is not None and not level.use_per_day:
            used = np.where(left >= plan.protection_days, held, used)
        for lot, units, days, use in zip(lots, held.tolist(), left.tolist(), used.tolist()):
            cover = units if days >= plan.protection_days else use
            lead = units if days >= plan.lead_days else use
            spoils = 0 if math.isinf(days) else units - use
            rows.append((item, lot.lot, lot.expires, days, units, use, spoils, cover, lead,
                         _advice(days, units, use, plan.protection_days, level.pack if level else 1)))
    ledger = pd.DataFrame(rows, columns=LEDGER_COLUMNS)
    return ledger.assign(days_left=ledger["days_left"].replace(np.inf, np.nan).astype(float),
                         expires=pd.to_datetime(ledger["expires"]))


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


def overdue(now: Standing, plan: RoundPlan, day: date) -> list[OpenOrder]:
    """Orders that should have come more than a review ago: the position does not count on them."""
    limit = day - timedelta(days=round(plan.lead_days + plan.review_days))
    return [o for o in now.open if o.ordered < limit]


def urgent_under(level: Level, plan: RoundPlan, now: Standing, day: date) -> tuple[int, str, float]:
    """(units, order, days): with fewer the item may run out before that order arrives, in so many days.

    order "": one made on `day`. An order that is late is not waited for. Of what one lead time may need beyond the
    mean, t days need a share sqrt(t / lead), as independent days add up (common practice, no source); where days go
    together that is more than is needed.
    """
    lead, arrived, found = plan.lead_days, 0, (level.urgent_units, "", plan.lead_days)
    coming = sorted((min(days, lead), o.number, o.units) for o in now.open if o.item == level.item
                    and (days := (o.ordered - day).days + lead) > 0)
    if coming:
        mean = level.use_per_day
        spare, needs = max(level.urgent_units - mean * lead, 0.0), []
        for days, number, units in [*coming, (lead, "", 0)]:
            may_need = int(whole_up(min(mean * days + spare * math.sqrt(days / lead), level.urgent_units)))
            needs.append((max(may_need, level.floor_units) - arrived, number, days))
            arrived += units
        found = max(needs, key=lambda need: need[0])
    return found


def make_order(plan: RoundPlan, now: Standing, catalogue: Catalogue, unavailable: Sequence[str] = (),
               in_place: Mapping[str, int] = _NO_PACKS) -> Order:
    """Make the order of the last count. Raises ValueError before the first count.

    unavailable: items that cannot be had, and are not ordered.
    in_place: packs that a back order asks for of an item, on order included. An item of the par list that the last
    count did not look at is not ordered; emergency equipment among it is urgent to count. A line is urgent when what
    is usable may run out before what is on order, or this order, arrives. Packs are those of the catalogue today.
    """
    day = now.last_count
    if day is None:
        raise ValueError("nothing was counted yet")
    ledger = lot_ledger(now, plan, day)
    sums = {str(i): (int(c), int(u)) for i, c, u in
            ledger.groupby("item")[["cover_units", "lead_units"]].sum().itertuples()}
    late = {(o.number, o.item) for o in overdue(now, plan, day)}
    extra = [without_level(item, catalogue) for item in in_place if item not in plan.level]
    levels = [*plan.levels, *extra]
    rows = [_line(level, plan, now, catalogue, day, sums.get(level.item, (0, 0)),
                  sum(o.units for o in now.open if o.item == level.item and (o.number, o.item) not in late),
                  unavailable, in_place.get(level.item, 0)) for level in levels]
    lines = pd.DataFrame(rows, columns=ORDER_COLUMNS)
    rank = lines["urgent"] * (1 + np.array([level.critical for level in levels], dtype=int))
    lines = lines.loc[rank.sort_values(ascending=False, kind="stable").index].reset_index(drop=True)
    return Order(lines, ledger, day)


def as_made(rule: Order, lines: Sequence[Line], catalogue: Catalogue) -> Order:
    """An order as its lines of the book have it. rule: what today's plan would order, on what was known then.

    Where both differ (another plan, another number really ordered) the line says what was ordered.
    """
    table, packs, value = rule.lines.copy(), dict.fromkeys(rule.wanted, 0), dict.fromkeys(rule.wanted, 0.0)
    for x in lines:
        number = x.packs if x.event == "ordered" else -x.packs
        packs[x.item], value[x.item] = packs.get(x.item, 0) + number, value.get(x.item, 0.0) + number * x.price
    size = {x.item: x.pack for x in lines}
    for item, number in packs.items():
        if item not in set(table["item"]):  # off the par list since
            level = without_level(item, catalogue)
            blank = dict.fromkeys(ORDER_COLUMNS, 0) | {"urgent": False, "bin": level.bin, "item": item, "lasts_days":
                                                       math.nan, "description": level.description, "because": ""}
            table = pd.concat([table, pd.DataFrame([blank])], ignore_index=True)
        row, pack = table.index[table["item"] == item][0], size.get(item, catalogue.pack.get(item, 1))
        if number != table.at[row, "order_packs"] or pack != table.at[row, "pack"]:
            told = f"order {lines[0].number} stands as it was made: " + (
                f"{number} x {pack}" if pack > 1 < number else counted(number, "pack") if number else "none")
            table.loc[row, ["pack", "order_packs", "order_units", "because"]] = [pack, number, number * pack, told]
        table.loc[row, "value"] = value[item]
    return replace(rule, lines=table, number=lines[0].number)


def without_level(item: str, catalogue: Catalogue) -> Level:
    """An item off the par list, asked for or still counted; in single items where the catalogue has it no more."""
    return Level(item, catalogue.description.get(item, ""), catalogue.bin.get(item, ""), catalogue.pack.get(item, 1),
                 catalogue.price.get(item, 0.0), 0, 0, 0.0, item in catalogue.critical)


def _line(level: Level, plan: RoundPlan, now: Standing, catalogue: Catalogue, day: date, usable: tuple[int, int],
          coming: int, unavailable: Sequence[str], asked: int) -> tuple[Any, ...]:
    item, pack = level.item, catalogue.pack.get(level.item, level.pack)
    held, in_kits = max(now.expected.get(item, 0), 0), now.in_kits(item)
    in_date = now.in_kits(item, day)
    cover, lead = usable[0] + in_date, usable[1] + in_date
    position = cover + coming
    unseen = not now.is_counted(item, plan.review_days) and (bool(level.level_units) or bool(asked))
    gone = ("cannot be had now" if item in unavailable else "" if item in catalogue.pack or not level.level_units else
            "items.csv has no such item any more, so none is ordered: plan again")
    packs = 0 if unseen or gone else packs_to_level(level.level_units, position, pack)
    packs = max(packs, -(-(asked * pack - coming) // pack) if asked else 0)
    hurry = urgent_under(level, plan, now, day)
    urgent = (level.critical or asked > 0) if unseen else lead < hurry[0]
    lasts = round(days_of_cover(now.lots(item), day, level.use_per_day), 1)
    value = packs * catalogue.price.get(item, level.price)
    line = (urgent, level.bin, item, level.description, pack, level.level_units, held, in_kits, cover, coming,
            position, packs, packs * pack, value, lasts)
    if unseen:
        doubted = any(x.item == item and x.table == "counts" for x in now.asked)
        because = "no count is believed: answer on Questions" if doubted else "not counted: count it"
        because += f"; a back order asks for {counted(asked, 'pack')}" if packs else ", nothing is ordered until then"
    else:
        because = _because(level, line, hurry, day, gone, asked)
    return (*line, because)


def _because(level: Level, line: tuple[Any, ...], hurry: tuple[int, str, float], day: date, gone: str,
             asked: int) -> str:
    urgent, held, in_kits, cover, coming, position, packs = line[0], *line[6:12]
    pack = line[4]
    parts = [f"on the shelf {held:,}"]
    if in_kits:
        parts.append(f"in kits {in_kits:,}")
    if cover < held + in_kits:
        parts.append(f"of which {held + in_kits - cover:,} out of date before use")
    if coming:
        parts.append(f"on order {coming:,}")
    if asked:
        parts.append(f"back order asks for {counted(asked, 'pack')}")
    if gone:
        parts.append(gone)
    elif packs:
        parts.append(f"{position:,} is under {level.level_units:,}, so {packs:,}" + f" x {pack:,}" * (pack > 1))
    else:
        parts.append(f"{position:,} is not under {level.level_units:,}: nothing to order")
    text = ", ".join(parts)
    if urgent:
        units, number, days = hurry
        arrival = (day + timedelta(days=math.ceil(days))).isoformat()
        awaited = f"order {number}" if number else "the order"
        text = f"URGENT: fewer than the {units:,} that may be needed before {awaited} arrives ({arrival}); {text}"
    return text
