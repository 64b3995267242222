"""The sheet that is filled in at the shelf: counts go in, the order in whole packs comes out.

The `order` command reads it back by its headers, which are the columns of the table on_hand (Item, Packs,
Loose units) and On order packs. The defined names plan_number and unit_name say which plan it belongs to.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from kitplan.parts.par.summary import not_yet_own
from kitplan.write.book import Book, Formula, Page
from kitplan.write.shelf import stock_lines

if TYPE_CHECKING:
    import pandas as pd

    from kitplan.planning import Plan

TITLE = "Count and order"
HEADERS = (
    "Bin", "Item", "Description", "Pack", "Par", "Packs", "Loose units", "On order packs",
    "On hand units", "Order packs", "Price", "Value", "Look", "Done",
)
_KINDS = (
    "strong", "text", "wrap", "whole", "whole", "input", "input", "input",
    "whole", "order", "money", "money", "alert", "tick",
)
_ROOM_TO_WRITE_POINTS = 18.0
_WIDTHS = (8, 20, 40, 7, 8, 10, 10, 10, 10, 10, 9, 11, 17, 6)


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Count and order."""
    lines = stock_lines(plan)
    held = lines[lines["par_packs"] > 0]
    held = held.assign(hurry_units=_hurry_units(plan, held))
    page = book.page(TITLE, "Type in what is on the shelf; the order appears in whole packs", _WIDTHS)
    page.title(
        "Count and order",
        "1. In the boxes, type the full packs and the loose units on the shelf; type 0 where there is none. "
        "2. Type the packs that are on order already. 3. Order the packs under Order packs. "
        "A line left blank is not counted and orders nothing. EM marks emergency equipment. LOW under Look: it may run "
        "out before the order arrives, so do not wait for the order day.",
    )
    for sentence in not_yet_own(plan.unit):
        page.spread(sentence, "strong_wrap")
    page.skip()
    sums = _sums(page, len(held), book.currency)
    band = page.next_row
    page.band([
        ("Item", 1, 3), ("Plan", 4, 5), ("TYPE IN: on shelf", 6, 7), ("TYPE IN", 8, 8),
        ("Comes out by itself", 9, 13), ("Tick", 14, 14),
    ])
    page.header(HEADERS, _KINDS, frozen_columns=3, titles_from=band)
    first = page.next_row
    for row in held.itertuples():
        page.row(_values(row, page.next_row), _KINDS, _ROOM_TO_WRITE_POINTS)
    last = max(page.next_row - 1, first)
    _fill_sums(page, sums, first, last)
    page.whole_numbers_only(f"F{first}:G{last}", "On the shelf")
    page.whole_numbers_only(f"H{first}:H{last}", "On order")
    page.print_to(last)
    page.protect()


def _hurry_units(plan: Plan, held: pd.DataFrame) -> list[int]:
    """Units under which a line is in a hurry, item by item: the order points, as the `order` command has them.

    A plan without them (par levels alone) has the minimum stock of emergency equipment.
    """
    if "order" in plan.parts:
        levels = plan.orders.points.levels
        points = dict(zip(levels["item"], levels["order_point_units"]))
        return [int(points.get(item, 0)) for item in held["item"]]
    least = plan.unit.items.set_index("item")["min_stock"].fillna(0.0)
    return [int(min(max(least[i], 1.0), u)) if c else 0
            for i, u, c in zip(held["item"], held["par_units"], held["critical"])]


def _values(row: Any, at: int) -> tuple[Any, ...]:
    """One line; `at` is its row. On hand and order stay empty until something is counted."""
    hurry = "EMERGENCY: LOW" if row.critical else "URGENT: LOW"
    counts = f"F{at}:H{at}"
    look = (
        f'=IF(COUNTA({counts})<>COUNT({counts})+COUNTIF({counts},"<0"),"CHECK COUNT",'
        f'IF(I{at}="","",IF(I{at}<{row.hurry_units},"{hurry}",IF(I{at}=0,"EMPTY",'
        f'IF(I{at}+N(H{at})*D{at}>{row.largest_units},"over par","")))))'
    )
    return (
        row.bin, row.item, f"EM  {row.spoken}" if row.critical else row.spoken, row.pack, row.par_units,
        None, None, None,
        Formula(f'=IF(COUNT(F{at}:G{at})=0,"",N(F{at})*D{at}+N(G{at}))'),
        Formula(f'=IF(I{at}="","",MAX(0,ROUNDUP((E{at}-I{at}-N(H{at})*D{at})/D{at},0)))'),
        row.price, Formula(f'=IF(J{at}="","",J{at}*K{at})'), Formula(look), None,
    )


def _sums(page: Page, n_lines: int, currency: str) -> int:
    """The block above the table that adds it up, to be filled when its rows are known; return its first row."""
    row = page.next_row
    page.put(row, 3, "Date of count", "label", "free")
    page.put(row + 1, 3, "Counted by", "label", "free")
    for at in (row, row + 1):
        page.merge(at, 4, 5, None, "input_text")
    for at, label in ((row, f"Lines counted, of {n_lines}"), (row + 1, "Emergency lines low")):
        page.put(at, 7, label, "label", "free")
    page.put(row, 11, "Packs to order", "label", "free")
    page.put(row + 1, 11, f"Value of the order ({currency})", "label", "free")
    page.height(row, 1)
    page.height(row + 1, 1)
    page.skip(3)
    return row


def _fill_sums(page: Page, row: int, first: int, last: int) -> None:
    page.put(row, 8, Formula(f"=COUNT(I{first}:I{last})", 0), "sum", "free")
    page.put(row + 1, 8, Formula(f'=COUNTIF(M{first}:M{last},"EMERGENCY*")', 0), "sum", "free")
    page.put(row, 12, Formula(f"=SUM(J{first}:J{last})", 0), "sum", "free")
    page.put(row + 1, 12, Formula(f"=SUM(L{first}:L{last})", 0), "sum_money", "free")
