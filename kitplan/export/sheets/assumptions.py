"""Every number that the plan rests on, with where it comes from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.export.look import Book

if TYPE_CHECKING:
    from kitplan.plan import Plan

TITLE = "Assumptions"
_WIDTHS = (20, 34, 16, 16, 62)
_KINDS = ("text", "wrap", "wrap", "text", "wrap")
_RATE_KINDS = ("wrap", "number2", "number2", "number2", "wrap")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Assumptions."""
    page = book.page(TITLE, "The numbers behind the plan and where they come from", _WIDTHS)
    page.title(
        "Assumptions",
        "If a number here is wrong for your unit, change it in the unit's files and plan again. "
        "A default marked common practice has no published source.",
    )
    page.header(("Topic", "Name", "Value", "Unit", "Where it comes from"), _KINDS)
    topic = None
    for line in plan.unit.assumptions:
        if line.topic != topic:
            topic = line.topic
            page.group((topic,))
        page.row((None, line.name, line.value, line.unit, line.source), _KINDS)
    page.skip()
    page.group(("Airways and how often they are re-secured",))
    page.header(
        ("Airway", "Airways on a mean day", "Re-secures an airway-day", "New airways a week", "Why"),
        _RATE_KINDS, freeze=False,
    )
    for row in plan.rates.itertuples():
        label = plan.unit.strata.at[row.stratum, "label"]
        page.row(
            (label, row.mean_airways, row.re_secures_per_day, 7 * row.arrivals_per_day, reasons(row)), _RATE_KINDS
        )


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
