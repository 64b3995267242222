"""The airways that the plan counts on, and how often they are re-secured: does it look like the unit?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.write.book import Book

if TYPE_CHECKING:
    from kitplan.planning import Plan

TITLE = "Airways"
_WIDTHS = (48, 13, 13, 13, 13, 54)
_KINDS = ("wrap", "number2", "number2", "number", "number2", "wrap")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Airways."""
    page = book.page(TITLE, "Which airways the plan counts on, and how often they are re-secured", _WIDTHS)
    page.title(
        "Airways and how often they are re-secured",
        "If this does not look like your unit, look at the census file and at the frequency numbers on the sheet "
        "Assumptions. A re-secure counts here when it is begun, spoiled ones that are done again included.",
    )
    page.header(
        ("Airway", "Airways on a mean day", "Re-secures an airway-day", "Re-secures a week", "New airways a week",
         "Why they are re-secured"), _KINDS)
    rates = plan.airways.assign(a_week=7 * plan.airways["attempts_per_day"] * plan.airways["mean_airways"])
    for row in rates.itertuples():
        label = plan.unit.strata.at[row.stratum, "label"]
        page.row((label, row.mean_airways, row.attempts_per_day, row.a_week, 7 * row.arrivals_per_day, reasons(row)),
                 _KINDS)
    mean = float(rates["mean_airways"].sum())
    overall = float(rates["a_week"].sum()) / (7 * mean) if mean > 0 else None
    page.total(("All airways", mean, overall, float(rates["a_week"].sum()), 7 * float(rates["arrivals_per_day"].sum()),
                None), ("strong", *_KINDS[1:]))


def reasons(row: object) -> str:
    """The shares of the reasons of one line of rates, largest first: loose 62 %, soiled 24 %."""
    shares = {
        name.removeprefix("share_"): getattr(row, name)
        for name in getattr(row, "_fields", ())
        if name.startswith("share_") and getattr(row, name) > 0.005
    }
    if set(shares) == {"any"}:
        return "one flat chance at each check"
    return ", ".join(f"{n} {100 * s:.0f} %" for n, s in sorted(shares.items(), key=lambda x: -x[1]))
