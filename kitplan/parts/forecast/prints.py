"""One page for the director: where the budget year lands, what drives it, what is not known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts.forecast.months import YEAR
from kitplan.read.issues import months_said
from kitplan.write.listing import Column, Listing, listing_pdf

if TYPE_CHECKING:
    from kitplan.parts.forecast.model import ManagerView
    from kitplan.planning import Plan

DIRECTOR = "budget-page.pdf"
SAFETY = ("No budget plans emergency equipment away: masks, bags and what else is sized to a patient stay at every "
          "bedside whatever this page says.")
_MOST_ITEMS, _MOST_NOTES, _MOST_TEXT = 5, 5, 300


def prints(plan: Plan) -> dict[str, bytes]:
    """The director's page, where the unit has a budget year."""
    view: ManagerView = plan.forecast
    if view.budget is None:
        return {}
    return {DIRECTOR: listing_pdf(director_page(plan, view), plan.unit.paper)}


def director_page(plan: Plan, view: ManagerView) -> Listing:
    """What stands on the page: quarters, the year and the items that move it most, in one table."""
    year, money = view.budget, plan.unit.currency
    assert year is not None
    columns = (Column("", 62, "strong"), Column(f"Budget ({money})", 24, "number"), Column("Spent", 22, "number"),
               Column("Lands at", 24, "number"), Column("80 % from", 22, "number"), Column("80 % to", 22, "number"),
               Column("Over or under", 24, "number"))
    rows: list[tuple[object, ...]] = [
        (row.period, row.budget, row.spent, row.landing, row.low_landing, row.high_landing, row.over_budget)
        for row in year.periods[year.periods["kind"] != "month"].itertuples()]
    rows += [("Items that move it most", *[None] * 6)]
    rows += [(row.description or row.item, row.budget, None, row.landing, None, None, row.over_budget)
             for row in year.items.head(_MOST_ITEMS).itertuples()]
    unknown = ["What we do not know:", *(_short(note) for note in _not_known(view)[:_MOST_NOTES])]
    return Listing(f"{plan.unit.name}: budget year", " ".join(year.sentences), columns, rows,
                   f"{plan.unit.name}   Plan {plan.number}", after=(*unknown, SAFETY))


def _not_known(view: ManagerView) -> list[str]:
    """What the page rests on that may be otherwise, the weightiest first."""
    year, forecast = view.budget, view.forecast
    assert year is not None
    said = []
    if not year.known_to:
        said.append("What was spent: no issues and no accounts were given.")
    if year.missing:
        said.append(f"What was spent in {months_said(list(year.missing))}: no issues are known; a forecast stands in.")
    said += [note for note in forecast.notes if note.startswith(("That is far off", "Never issued"))]
    if not forecast.learnt:
        said.append("How often airways are renewed: a guess that no published rate backs, until the unit keeps a log.")
    if len(forecast.history) < 2 * YEAR:
        said.append("How winter differs from summer: the census is shorter than two years.")
    return [*said, "Tomorrow: a new service, a closed ward or a worse winter is in no forecast."]


def _short(text: str) -> str:
    return text if len(text) <= _MOST_TEXT else text[:_MOST_TEXT].rpartition(" ")[0] + " ..."
