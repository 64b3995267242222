"""What the plan counts on (airways, or another device), and how often it is renewed: does it look like the unit?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.write.book import Book

if TYPE_CHECKING:
    from kitplan.planning import Plan

TITLE, OTHER_TITLE = "Airways", "Devices"
"""The sheet's name; the second where the unit's routes do not count airways. A route's own word may not be a name."""
_WIDTHS = (48, 13, 13, 13, 13, 54)
_KINDS = ("wrap", "number2", "number2", "number", "number2", "wrap")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Airways, in the words of the unit's routes."""
    words = plan.unit.words
    many, acts = words.many.capitalize(), words.acts.capitalize()
    page = book.page(TITLE if words.one == "airway" else OTHER_TITLE,
                     f"Which {words.many} the plan counts on, and how many {words.acts} they take", _WIDTHS)
    page.title(
        f"{many}, and how many {words.acts} they take",
        "If this does not look like your unit, look at the census file and at the frequency numbers on the sheet "
        f"Assumptions. Each {words.act} counts here when it is begun, spoiled ones that are done again included, over "
        "whole stays: a fresh one holds at first. The first one on arrival is not counted.",
    )
    page.header(
        (words.one.capitalize(), f"{many} on a mean day", f"{acts} for each day of one", f"{acts} a week",
         f"New {words.many} a week", f"Why {words.acts} are done"), _KINDS)
    rates = plan.airways.assign(a_week=7 * plan.airways["counted_per_day"] * plan.airways["mean_airways"])
    for row in rates.itertuples():
        label = plan.unit.strata.at[row.stratum, "label"]
        page.row((label, row.mean_airways, row.counted_per_day, row.a_week, 7 * row.arrivals_per_day, reasons(row)),
                 _KINDS)
    mean = float(rates["mean_airways"].sum())
    overall = float(rates["a_week"].sum()) / (7 * mean) if mean > 0 else None
    page.total((f"All {words.many}", mean, overall, float(rates["a_week"].sum()),
                7 * float(rates["arrivals_per_day"].sum()), None), ("strong", *_KINDS[1:]))


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
