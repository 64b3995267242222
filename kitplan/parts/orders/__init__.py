"""The weekly round: counts, orders, labels."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.parts.orders.model import WeeklyRound
    from kitplan.parts.work import Work


def _run(work: Work) -> WeeklyRound:
    from kitplan.parts.orders.back_order import missing_items
    from kitplan.parts.orders.model import held_units, weekly_round
    from kitplan.parts.orders.order_points import order_points
    from kitplan.read.counted import count_from_unit

    unit = work.unit
    count = count_from_unit(unit.on_hand) if unit.on_hand is not None else None
    counted = (count.counted if count else None) or unit.census.last_day
    missing = None
    if unit.stock.unavailable:
        missing = missing_items(unit, work.seed, work.tables, held_units(unit, count))
    return weekly_round(unit, order_points(work), count, counted, missing)


def _warns(weekly: WeeklyRound) -> Iterable[str]:
    return weekly.back_order.unfilled if weekly.back_order else ()


PART = Part(
    "order", "Order points, and the order of the last count", "kitplan.parts.orders.model:WeeklyRound", _run,
    needs=("par",), warns=_warns,
)
