"""The first sheet of every workbook: whom it is for, the result, what to do, the cautions, and who opens which."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from kitplan.parts.overview.readers import CLASS, MONTHS, STOCK_ROOM, Workbook
from kitplan.parts.par.summary import not_yet_own, three_sentences
from kitplan.planning import Plan
from kitplan.read.money import money
from kitplan.read.values import Unit
from kitplan.resources import caution, config_rows
from kitplan.write.book import Page


def fill(page: Page, plan: Plan, workbook: Workbook, made: Sequence[Workbook]) -> None:
    """Write the first sheet. made: the workbooks that lie together."""
    page.title(f"{workbook.title}: {plan.unit.name}", f"For {workbook.person}: {workbook.use}.")
    for sentence in _results(plan, workbook):
        page.spread(sentence, "lead")
    for sentence in not_yet_own(plan.unit, rates=workbook is not CLASS):
        page.spread(sentence, "strong_wrap")
    page.skip()
    _steps(page, plan, workbook)
    page.skip()
    page.spread(f"Caution: {caution()}", "caution")
    page.skip()
    _list_sheets(page)
    page.skip()
    page.group(("Who opens which", "What for"))
    for other in made:
        page.row((other.file, f"For {other.person}: {other.use}."), ("text", "wrap"))
    page.skip()
    _particulars(page, plan)
    if workbook is STOCK_ROOM and "changes" in plan.parts:
        page.skip()
        _changes(page, plan)


def _results(plan: Plan, workbook: Workbook) -> Iterable[str]:
    """What came out, in the words of the part that the workbook is about."""
    if workbook is CLASS:
        return plan.training.sentences()
    if workbook is MONTHS:
        if "forecast" not in plan.parts:
            return ()
        year = plan.forecast.budget
        return [*(year.sentences[:2] if year is not None else ()), *plan.forecast.forecast.sentences]
    return three_sentences(plan) if workbook is STOCK_ROOM else three_sentences(plan)[1:]


def _steps(page: Page, plan: Plan, workbook: Workbook) -> None:
    """What to do with the workbook (config/steps.csv); a step whose sheet is not there is left out."""
    days = plan.unit.stock.review_days
    when = ("Every week" if days == 7 else f"Every {days:g} days") if workbook is STOCK_ROOM else "Step"
    there = {other.title_text for other in page.book.pages}
    page.group((when, "What to do"))
    steps = [row for row in config_rows("steps.csv") if row["workbook"] == workbook.file and row["sheet"] in there]
    for number, step in enumerate(steps, 1):
        page.row((f"{number}  {step['step']}", step["text"]), ("strong", "wrap"))


def _list_sheets(page: Page) -> None:
    """Every other sheet by what it is for, under the headings of the workbook."""
    others, heading = page.book.pages[1:], ""
    for other in others:
        if other.section != heading:
            heading = other.section
            page.group((heading, "What the sheet is for" if other is others[0] else None))
        row = page.row((other.title_text, other.about), ("link", "wrap"))
        page.link(row, 1, other.title_text)


def _changes(page: Page, plan: Plan) -> None:
    """Par levels that changed: new labels are needed on exactly these bins."""
    changes = plan.changes
    page.group(("What changed", "Put new labels on these bins"))
    for sentence in changes.sentences():
        page.spread(sentence, "wrap")
    for row in changes.items.itertuples(index=False):
        worth = f"{'+' if row.change_value >= 0 else '-'}{money(abs(row.change_value), page.book.currency)}"
        text = f"par {row.before_units} to {row.after_units} ({row.change_units:+d}, {worth}). {row.because}"
        page.row((row.item, text), ("text", "wrap"))


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
    if "par" not in plan.parts:
        return
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
