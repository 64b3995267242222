"""The weekly round: receive, count, questions, order, build kits, and the book that remembers it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.parts.orders.model import WeeklyRound
    from kitplan.parts.work import Work


def _run(work: Work) -> WeeklyRound:
    from kitplan.parts.orders.back_order import missing_items
    from kitplan.parts.orders.model import weekly_round
    from kitplan.parts.orders.round_plan import make_round_plan
    from kitplan.read.order_book import book_home, read_book

    unit, plan = work.unit, make_round_plan(work)
    weekly = weekly_round(unit, plan, read_book(book_home(unit.path)))
    if not unit.stock.unavailable:
        return weekly
    missing = missing_items(unit, work.seed, work.item_choice, weekly.now, plan)
    return weekly_round(unit, plan, weekly.book, missing)


def _warns(weekly: WeeklyRound) -> Iterable[str]:
    return weekly.back_order.unfilled if weekly.back_order else ()


PART = Part(
    "order", "Levels for the round, and the order of the last count", "kitplan.parts.orders.model:WeeklyRound", _run,
    needs=("par", "kits"), warns=_warns,
)
