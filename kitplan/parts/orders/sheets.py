"""The order of a count, the dates to watch, and a place to write down dated lots at the next count."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts.par.summary import not_yet_own
from kitplan.read.values import STRATUM_KEY
from kitplan.write.book import Book

if TYPE_CHECKING:
    from kitplan.parts.orders.back_order import BackOrder
    from kitplan.parts.orders.model import WeeklyRound
    from kitplan.parts.orders.ordering import Order
    from kitplan.planning import Plan
    from kitplan.read.values import Unit

ORDER_TITLE, DATES_TITLE, LOTS_TITLE = "Order", "Dates to watch", "Dated lots"
BACK_ORDER_TITLE = "Back order"
_BLANK_LOTS = 40
_LEAST_SHARE = 0.005
_ORDER_KINDS = ("strong", "text", "wrap", "whole", "whole", "whole", "whole", "whole", "order", "money", "number",
                "wrap", "tick")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add Back order where an item cannot be had, Order and Dates to watch after a count, and Dated lots."""
    weekly: WeeklyRound = plan.orders
    if weekly.back_order is not None:
        _add_back_order(book, weekly.back_order)
    if weekly.order is not None:
        _add_order(book, plan.unit, weekly)
        _add_dates(book, weekly.order)
    _add_lots(book)


def _add_order(book: Book, unit: Unit, weekly: WeeklyRound) -> None:
    order = weekly.order
    assert order is not None
    page = book.page(ORDER_TITLE, "What to order after this count", (8, 20, 34, 7, 8, 9, 9, 9, 9, 11, 8, 46, 6))
    day = f", counted on {order.horizon.counted.isoformat()}" if order.horizon.counted else ""
    page.title(f"Order{day}", "Par less cover less on order, in whole packs. Urgent lines come first: do not wait for "
                              "the order day.")
    for sentence in weekly.sentences(book.currency):
        page.spread(sentence, "wrap")
    for sentence in not_yet_own(unit):
        page.spread(sentence, "strong_wrap")
    page.skip()
    page.header(("Bin", "Item", "Description", "Pack", "Par units", "On shelf", "Cover", "On order", "Order packs",
                 f"Value ({book.currency})", "Lasts days", "Because", "Done"), _ORDER_KINDS, frozen_columns=3)
    groups = (("URGENT", order.urgent), ("To order", order.lines[~order.lines["urgent"]
                                                                 & (order.lines["order_packs"] > 0)]),
              ("Nothing to order", order.lines[~order.lines["urgent"] & (order.lines["order_packs"] == 0)]))
    for name, lines in groups:
        if len(lines):
            page.group((name,))
        for row in lines.itertuples(index=False):
            page.row((row.bin, row.item, row.description, row.pack, row.par_units, row.on_hand_units, row.cover_units,
                      row.on_order_units, row.order_packs, row.value, row.lasts_days, row.because, None), _ORDER_KINDS)
    page.total(("Total", *[None] * 7, int(order.lines["order_packs"].sum()), order.value, None, None, None),
               _ORDER_KINDS)


def _add_back_order(book: Book, missing: BackOrder) -> None:
    widths = (22, 16, 60, 60)
    page = book.page(BACK_ORDER_TITLE, "What to use and buy while items cannot be had", widths)
    page.title("Back order", f"For {missing.days:g} days. A substitute is a matter of local policy: ask before you "
                             "change what lies at the bedside.")
    for sentence in missing.sentences():
        page.spread(sentence, "wrap")
    page.skip()
    page.spread("Buy: packs for all these days, usual work included. The order of a count has them in it already, less "
                "what is on order.", "strong")
    page.header(("Item", "Packs", "Of these beyond its usual work", "Because"), ("text", "whole", "wrap", "wrap"),
                freeze=False)
    for row in missing.buy.itertuples(index=False):
        extra = f"{row.extra_packs} of {row.packs} packs; all cost {row.value:,.2f} {book.currency}"
        page.row((row.item, row.packs, extra, row.because), ("text", "whole", "wrap", "wrap"))
    page.skip()
    kinds = ("text", "text", "wrap", "wrap")
    page.header(("Cannot be had", "Role", "For these airways", "Served by (share of the uses)"), kinds, freeze=False)
    for item, role, airways, served in served_alike(missing):
        page.row((item, role, airways, served), kinds)


def served_alike(missing: BackOrder) -> list[tuple[str, str, str, str]]:
    """(item, role, airways, what serves them): airways that are served alike stand together."""
    found: dict[tuple[str, str, str], list[str]] = {}
    keys = ["unavailable", "role", *STRATUM_KEY]
    for (item, role, route, size, technique, skin), rows in missing.instead.groupby(keys, sort=False):
        served = ", ".join(f"{r.instead or 'NOTHING'} {r.share:.0%}" for r in rows.itertuples(index=False)
                           if r.share >= _LEAST_SHARE)
        barrier = ", barrier" if skin == "barrier" else ""
        found.setdefault((item, role, served), []).append(f"{route} {size} {technique}{barrier}")
    return [(item, role, "; ".join(airways), served) for (item, role, served), airways in found.items()]


def _add_dates(book: Book, order: Order) -> None:
    dated = order.tables()["expiry"]
    kinds = ("text", "text", "text", "whole", "whole", "whole", "whole", "wrap", "tick")
    page = book.page(DATES_TITLE, "Which lots to use first, and which will not be used in time",
                     (20, 16, 12, 10, 9, 12, 12, 60, 6))
    page.title("Dates to watch", "First expired, first out: put the oldest date in front. What is left over at a date "
                                 "before the next delivery is not counted as cover.")
    page.header(("Item", "Lot", "Use by", "Days left", "Units", "Used by then", "Left over", "What to do", "Done"),
                kinds)
    for row in dated.sort_values(["days_left", "item"], kind="stable").itertuples(index=False):
        page.row((row.item, row.lot, f"{row.expires:%Y-%m-%d}", row.days_left, row.units, row.used_units,
                  row.spoils_units, row.advice, None), kinds)
    if not len(dated):
        page.spread(f"This count gave no dates. The sheet {LOTS_TITLE} has room for them.", "note")


def _add_lots(book: Book) -> None:
    kinds = ("input_text", "input_text", "input_text", "input", "input")
    page = book.page(LOTS_TITLE, "Write down packs with a date near; they are part of the count",
                     (24, 18, 16, 12, 12), landscape=False)
    page.title("Dated lots", "One line a lot whose date is near. These packs stay in the count of the other sheet as "
                             "well: the order takes them out of cover where they cannot be used in time.")
    page.header(("Item", "Lot", "Expires", "Packs", "Loose units"), kinds)
    first = page.next_row
    for _ in range(_BLANK_LOTS):
        page.row((None,) * 5, kinds)
    page.whole_numbers_only(f"D{first}:E{page.next_row - 1}", "On the shelf")
    page.protect()
