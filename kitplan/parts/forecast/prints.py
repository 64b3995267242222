"""One page for the director: where the budget year lands, what drives it, what is not known."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from reportlab.lib.units import mm

from kitplan.parts.forecast.budget import BudgetYear
from kitplan.parts.forecast.model import ManagerView
from kitplan.parts.forecast.months import YEAR
from kitplan.parts.forecast.prices import RISE, price_book
from kitplan.planning import Plan
from kitplan.read.catalogue import invented_prices
from kitplan.read.issues import months_said
from kitplan.read.problems import counted
from kitplan.read.values import Unit
from kitplan.write.letters import lines_of
from kitplan.write.page import FOOT_MM, MARGIN_MM, Card, draw_pages, fitting_size

DIRECTOR = "budget-page.pdf"
SAFETY = ("No budget plans emergency equipment away: masks, bags and what else is sized to a patient stay at every "
          "bedside whatever this page says.")
_ITEMS = 5
_TOLD = "That is far off", "Never issued", "How often: the shipped", "How often: the range"
"""How notes of the forecast begin that belong to what is not known."""
_TOO_SMALL = 0.05
"""A budget under this share of what is spent is asked about [a choice]."""
_CHART_MM, _ROW_MM, _LINE_MM, _NAME_MM = 52.0, 4.8, 2.9, 52.0
_ENDS_MM = (80.0, 101.0, 122.0, 143.0, 164.0, 186.0)
"""Right ends of the columns of numbers, from the left edge of the page."""


def prints(plan: Plan) -> dict[str, bytes]:
    """The director's page, where the unit has a budget year."""
    view: ManagerView = plan.forecast
    if view.budget is None:
        return {}
    foot = f"{plan.unit.name}   Plan {plan.number}"
    title = f"{plan.unit.name}: the budget year"

    def pages(new_page: Callable[[], Card]) -> None:
        _draw(new_page(), title, view, plan.unit)

    return {DIRECTOR: draw_pages(title, plan.unit.paper, foot, True, pages)}


def _draw(card: Card, title: str, view: ManagerView, unit: Unit) -> None:
    year, money = view.budget, unit.currency
    assert year is not None
    card.paragraph(title, 15, bold=True)
    card.top -= 2
    for sentence in year.sentences:
        card.paragraph(sentence, 9.5)
    _chart(card, year, money)
    _table(card, (money, "Budget", "Spent", "Lands at", "80 % from", "80 % to", "Over (+)"), [
        (row.period, row.budget, row.spent, row.landing, row.low_landing, row.high_landing, row.over_budget)
        for row in year.periods[year.periods["kind"] != "month"].itertuples()])
    _table(card, ("Items that move it most", "Budget", "", "Lands at", "", "", "Over (+)"), [
        (row.description, row.budget, None, row.landing, None, None, row.over_budget)
        for row in year.items.head(_ITEMS).itertuples()])
    card.top -= 2
    card.paragraph("What we do not know", 10, bold=True)
    for line in not_known(view, unit):
        if card.top > FOOT_MM + 22:
            card.paragraph(line, 9)
    card.top -= 2
    card.paragraph(SAFETY, 9.5, bold=True)


def _chart(card: Card, year: BudgetYear, money: str) -> None:
    """Bars by month: filled where spent, hatched where expected, with the line that holds 8 of 10; dashes: budget."""
    months = year.periods[year.periods["kind"] == "month"]
    highest = max(float(np.nanmax(months[["landing", "high_landing", "budget"]].to_numpy(float))), 1e-9)
    floor = card.top - _CHART_MM
    left, wide = MARGIN_MM + 14, (card.room_mm - 14) / YEAR
    tall = (_CHART_MM - 8) / highest
    card.line(left, floor, left + YEAR * wide, floor)
    card.text(left - 2, floor + highest * tall - 1, f"{highest:,.0f}", 7, anchor="right")
    card.text(left - 2, floor - 1, f"0 {money}", 7, anchor="right")
    for k, row in enumerate(months.itertuples()):
        x, height = left + k * wide + 0.15 * wide, max(row.landing, 0) * tall
        if row.high_landing - row.low_landing < 0.01:
            card.fill(x, floor, 0.7 * wide, height)
        else:
            card.hatch(x, floor, 0.7 * wide, height)
            card.box(x, floor, 0.7 * wide, height)
            card.line(x + 0.35 * wide, floor + max(row.low_landing, 0) * tall, x + 0.35 * wide,
                      floor + row.high_landing * tall, 1.4)
        if row.budget == row.budget:
            card.line(left + k * wide, floor + row.budget * tall, left + (k + 1) * wide, floor + row.budget * tall, 1.0,
                      (3, 2))
        card.text(left + (k + 0.5) * wide, floor - 3.5, row.period[2:], 7, anchor="centre")
    card.top = floor - 8.5
    card.text(left, card.top, "Filled: spent. Hatched: expected, its line holds 8 of 10 outcomes. Dashes: budget.", 7.5)
    card.top -= 2


def _table(card: Card, head: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    for cells in (head, *rows):
        card.top -= _ROW_MM
        bold = cells is head
        size = fitting_size(str(cells[0]), _NAME_MM, 9, 7)
        *above, name = lines_of(str(cells[0]), size, _NAME_MM * mm, bold)
        for line in above:
            card.text(MARGIN_MM, card.top, line, size, bold)
            card.top -= _LINE_MM
        card.text(MARGIN_MM, card.top, name, size, bold)
        for end, value in zip(_ENDS_MM, cells[1:]):
            text = value if isinstance(value, str) else "" if value is None or value != value else f"{value:,.0f}"
            card.text(end, card.top, text, 9, bold, "right")
        card.line(MARGIN_MM, card.top - 1.2, MARGIN_MM + card.room_mm, card.top - 1.2, 0.8 if bold else 0.2)
    card.top -= 3


def not_known(view: ManagerView, unit: Unit) -> list[str]:
    """What the page rests on that may be otherwise, the weightiest first."""
    year, forecast = view.budget, view.forecast
    assert year is not None
    said = []
    total = year.periods.iloc[-1]
    if total["budget"] < _TOO_SMALL * total["landing"]:
        said.append("The budget is far under what is spent: is it in thousands, or was a point taken for a decimal "
                    "point?")
    book = price_book(unit)
    known = {item for item, changes in zip(book.items, book.changes) if any(source != RISE for *_, source in changes)}
    invented = set(invented_prices(unit.items)) & set(year.items["item"]) - known
    if invented:
        said.append(f"Prices: those of {len(invented)} of {counted(len(year.items), 'item')} are INVENTED: put your "
                    "own into items.csv before you act on this page.")
    if not year.known_to:
        said.append("What was spent: no issues and no accounts were given.")
    if year.missing:
        said.append(f"What was spent in {months_said(list(year.missing))}: not known; a forecast stands in.")
    said += [note for note in forecast.notes if note.startswith(_TOLD)]
    if len(forecast.history) < 2 * YEAR:
        said.append("How winter differs from summer: the census is shorter than two years.")
    return [*said, "Tomorrow: a new service, a closed ward or a worse winter is in no forecast."]
