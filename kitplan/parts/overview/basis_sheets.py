"""What the plan rests on: what was read, what it counts on (airways, or another device), and every number behind it."""

from __future__ import annotations

from kitplan.demand.best_knowledge import said_of_rate
from kitplan.planning import Plan
from kitplan.write.book import Book


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheets Input checks, Airways and Assumptions."""
    _input_checks(book, plan)
    _airways(book, plan)
    _assumptions(book, plan)


def _input_checks(book: Book, plan: Plan) -> None:
    """Add the sheet Input checks."""
    kinds = ("text", "whole", "text", "wrap", "wrap", "wrap")
    page = book.sheet("Input checks")
    found = plan.unit.warnings
    page.title(
        "Input checks",
        "Nothing here stopped the plan. " + (
            "Look at each line and correct the file if it is wrong." if found else "No input was found odd."
        ),
    )
    page.header(("File", "Row", "Column", "Value", "What was found", "What to do"), kinds)
    for p in found:
        page.row((p.file, p.row, p.column, p.value, p.fault, p.mend), kinds)
    if not found:
        page.row(("None", None, None, None, None, None), kinds)
    notes = plan.par.notes
    remarks = [*plan.warnings, *notes, *(f"Part {part} did not run: {why}" for part, why in plan.skipped.items())]
    if remarks:
        page.skip()
        page.group(("About the plan",))
        for sentence in remarks:
            page.spread(sentence, "wrap")
    page.skip()
    page.group(("Files read",))
    for name, checksum in sorted(plan.unit.checksums.items()):
        page.row((name, None, "SHA-256", None, f"{checksum[:16]}…", None), kinds)


def _airways(book: Book, plan: Plan) -> None:
    """Add the sheet Airways, in the words of the unit's routes."""
    kinds = ("wrap", "number2", "number2", "number", "number2", "wrap")
    words = plan.unit.words
    many, acts = words.many.capitalize(), words.acts.capitalize()
    name = "Airways" if words.one == "airway" else "Devices"  # a route's own word may not be a sheet's name
    page = book.page(name,
                     f"Which {words.many} the plan counts on, and how many {words.acts} they take",
                     (48, 13, 13, 13, 13, 54))
    page.title(
        f"{many}, and how many {words.acts} they take",
        "If this does not look like your unit, look at the census file and at the frequency numbers on the sheet "
        f"Assumptions. Each {words.act} counts here when it is begun, spoiled ones that are done again included, over "
        "whole stays: a fresh one holds at first. The first one on arrival is not counted.",
    )
    page.header(
        (words.one.capitalize(), f"{many} on a mean day", f"{acts} for each day of one", f"{acts} a week",
         f"New {words.many} a week", f"Why {words.acts} are done"), kinds)
    rates = plan.airways.assign(a_week=7 * plan.airways["counted_per_day"] * plan.airways["mean_airways"])
    for row in rates.itertuples():
        label = plan.unit.strata.at[row.stratum, "label"]
        page.row((label, row.mean_airways, row.counted_per_day, row.a_week, 7 * row.arrivals_per_day, _reasons(row)),
                 kinds)
    mean = float(rates["mean_airways"].sum())
    overall = float(rates["a_week"].sum()) / (7 * mean) if mean > 0 else None
    page.total((f"All {words.many}", mean, overall, float(rates["a_week"].sum()),
                7 * float(rates["arrivals_per_day"].sum()), None), ("strong", *kinds[1:]))


def _reasons(row: object) -> str:
    """The shares of the reasons of one line of rates, largest first: loose 62 %, soiled 24 %."""
    shares = {
        name.removeprefix("share_"): getattr(row, name)
        for name in getattr(row, "_fields", ())
        if name.startswith("share_") and getattr(row, name) > 0.005
    }
    if set(shares) == {"any"}:
        return "one flat chance at each check"
    return ", ".join(f"{n} {100 * s:.0f} %" for n, s in sorted(shares.items(), key=lambda x: -x[1]))


def _assumptions(book: Book, plan: Plan) -> None:
    """Add the sheet Assumptions."""
    kinds = ("wrap", "wrap", "wrap", "wrap", "wrap")
    page = book.sheet("Assumptions")
    if plan.unit.doubt.rate_learnt:
        page.spread(f"{said_of_rate(plan.unit)} The lines of How often are where it set out from.", "note")
    page.header(("Topic", "Name", "Value", "Unit", "Where it comes from"), kinds)
    for line in plan.unit.assumptions:  # a line that begins a topic would stand alone at a printed page's foot
        page.row((line.topic, line.name, line.value, line.unit, line.source), kinds)
