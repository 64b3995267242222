"""What the log taught: rates by kind of airway, reasons, how long securements last, and whether the model fits."""

from __future__ import annotations

from kitplan.demand.estimate import Learnt
from kitplan.planning import Plan
from kitplan.write.book import Book, Page
from kitplan.write.charts import Line, line_chart, place, scatter


def add_sheets(book: Book, plan: Plan) -> None:
    learnt: Learnt = plan.rates
    page = book.sheet("Rates learnt")
    page.title(
        "How often securements are renewed",
        "Rates of this unit, from its own log, for planning supplies. They say what happened, not what should."
        if learnt.used
        else "Rates for planning supplies: no log says enough about this unit yet.",
        learnt.sentences(),
    )
    first, last = _rates(page, plan, learnt)
    page.note("own share")
    page.skip()
    if learnt.used:
        lines = [Line(name, (1, first, last), (column, first, last)) for name, column in (
            ("Events in the log", 2), ("Expected by the model", 8), ("Expected if all were alike", 9))]
        chart = line_chart(page, lines, "Re-secures", bars=True)
        place(page, chart, rows=20)
    page.another_table(len(learnt.reasons))
    page.table(learnt.reasons, "reasons")
    page.skip()
    _wear(page, learnt)
    page.skip()
    page.spread("What was left out or assumed", "strong")
    for note in learnt.notes:
        page.spread(note, "wrap")


def _rates(page: Page, plan: Plan, learnt: Learnt) -> tuple[int, int]:
    titles = {name: technique.title for name, technique in plan.unit.techniques.items()}
    barrier = learnt.rates["skin"].map({"barrier": " barrier"}).fillna("")
    route = learnt.rates["route"].str.replace("_", " ")
    kind = route + " " + learnt.rates["size"] + barrier  # short, for the chart's axis
    rates = learnt.rates.assign(kind=kind, how=learnt.rates["technique"].map(titles))
    return page.table(rates, "learnt rates", freeze=True, frozen_columns=1)


def _wear(page: Page, learnt: Learnt) -> None:
    if not len(learnt.wear_curve):
        return
    page.new_printed_page()
    rows = page.table(learnt.wear_curve, "wear")
    page.skip()
    hours = (1, *rows)
    lines = [Line("Seen (ends of airways taken into account)", hours, (3, *rows), marker_size=5),
             Line("Learnt model", hours, (4, *rows), marker=None, dash="dash")]
    place(page, scatter(page, lines, "Hours of wear", "Share still secure", y_format="0 %", y_range=(0.0, 1.0)),
          rows=20)
