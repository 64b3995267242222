"""The first sheet: the result in three sentences, what to do with the workbook, and the cautions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts.orders.count_sheet import TITLE as COUNT
from kitplan.parts.par.sheets import TITLE as PAR
from kitplan.parts.par.summary import CAUTION, three_sentences
from kitplan.write.book import Book, Page

if TYPE_CHECKING:
    from kitplan.plan import Plan
    from kitplan.read.values import Unit

TITLE = "Start here"
_WIDTHS = (26, 70)


def add_first_sheet(book: Book) -> Page:
    """Reserve the first sheet; `fill` writes it when the others are known."""
    page = book.page(TITLE, "This sheet", _WIDTHS, landscape=False)
    page.on_one_page()
    return page


def fill(page: Page, plan: Plan) -> None:
    """Write the first sheet."""
    book = page.book
    page.title(f"Stock room plan: {plan.unit.name}")
    for sentence in three_sentences(plan):
        page.spread(sentence, "lead")
    page.skip()
    _steps(page, plan)
    page.skip()
    page.spread(f"Caution: {CAUTION}", "caution")
    page.skip()
    section = ""
    for other in book.pages[1:]:
        if other.section != section:
            section = other.section
            page.group((section, "What the sheet is for" if other is book.pages[1] else None))
        row = page.row((other.title_text, other.about), ("link", "wrap"))
        page.link(row, 1, other.title_text)
    page.skip()
    _particulars(page, plan)


def _steps(page: Page, plan: Plan) -> None:
    days = plan.unit.stock.review_days
    page.group(("Every week" if days == 7 else f"Every {days:g} days", "What to do"))
    for step, text in (
        ("1  Count", f"Open the sheet {COUNT} (or print it and walk the shelf). Type what you find in the boxes."),
        ("2  Order", "Order the packs that appear. Lines marked LOW come first, EMERGENCY before URGENT: "
                     "do not wait for the order day."),
        ("3  Save", "Save under this name; kitplan keeps your filled-in copy when it plans again."),
        ("4  Label", f"Par levels changed? Put the numbers of the sheet {PAR} on the bins."),
        ("5  Plan again", "When the census, a recipe or the catalogue changes, and at least every quarter "
                          "[common practice, no source]."),
    ):
        page.row((step, text), ("strong", "wrap"))


def _particulars(page: Page, plan: Plan) -> None:
    book, unit = page.book, plan.unit
    page.group(("This plan", ""))
    page.row(("Unit", unit.name), ("text", "wrap"))
    page.name_cell("unit_name", page.next_row - 1, 2)
    page.row(("Plan number", book.plan_number), ("text", "strong"))
    page.name_cell("plan_number", page.next_row - 1, 2)
    page.row(("Census", census_line(unit)), ("text", "wrap"))
    stock = unit.stock
    rhythm = f"count every {stock.review_days:g} days, delivery {stock.lead_days:g} days after the order"
    page.row(("Counting and delivery", rhythm), ("text", "wrap"))
    limits = [f"shelf {stock.shelf_litres:g} L"] if stock.shelf_litres else []
    limits += [f"stock value {stock.budget:,.0f} {unit.currency}"] if stock.budget else []
    page.row(("Limits", ", ".join(limits) or "none given"), ("text", "wrap"))
    for sentence in plan.par.binding:
        page.row(("A limit that binds", sentence), ("strong", "wrap"))
    solver = plan.par.solver
    proof = f"{solver.name}, {solver.status}, within {100 * solver.gap:.2f} % of the proven best"
    page.row(("How it was solved", f"{proof}; seed {plan.seed}; kitplan {plan.version}"), ("text", "wrap"))


def census_line(unit: Unit) -> str:
    """What kind of census, over which days."""
    census = unit.census
    kind = {"snapshot": "one day's count", "counts": "daily counts", "stays": "a list of stays"}[census.shape]
    if census.first_day is None or census.last_day is None:
        return kind
    if census.first_day == census.last_day:
        return f"{kind}, {census.first_day.isoformat()}"
    return f"{kind}, {census.first_day.isoformat()} to {census.last_day.isoformat()}"
