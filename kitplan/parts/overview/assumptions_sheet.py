"""Every number that the plan rests on, with where it comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.demand.best_knowledge import said_of_rate
from kitplan.write.book import Book

if TYPE_CHECKING:
    from kitplan.planning import Plan

TITLE = "Assumptions"
_WIDTHS = (34, 30, 28, 62)
_KINDS = ("wrap", "wrap", "wrap", "wrap")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Assumptions."""
    page = book.page(TITLE, "The numbers behind the plan and where they come from", _WIDTHS)
    page.title(
        "Assumptions",
        "If a number here is wrong for your unit, change it in the unit's files and plan again. "
        "A default marked common practice has no published source.",
    )
    page.header(("Name", "Value", "Unit", "Where it comes from"), _KINDS)
    topic = None
    for line in plan.unit.assumptions:
        if line.topic != topic:
            topic = line.topic
            page.group((topic,))
            if topic == "How often" and plan.unit.doubt.rate_learnt:
                page.spread(f"{said_of_rate(plan.unit)} What follows is where it set out from.", "note")
        page.row((line.name, line.value, line.unit, line.source), _KINDS)
