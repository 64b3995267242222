"""What the plan rests on: what was read, what it counts on (airways, or another device), and every number behind it."""

from __future__ import annotations

from kitplan.demand.best_knowledge import said_of_rate
from kitplan.planning import Plan
from kitplan.write.book import Book


def add_sheets(book: Book, plan: Plan) -> None:
    _input_checks(book, plan)
    _airways(book, plan)
    _assumptions(book, plan)


def _input_checks(book: Book, plan: Plan) -> None:
    found = plan.unit.warnings
    page = book.sheet("Input checks", told="Look at each line and correct the file if it is wrong." if found else
                      "No input was found odd.")
    page.header("input checks")
    for p in found:
        page.row((p.file, p.row, p.column, p.value, p.fault, p.mend))
    if not found:
        page.row(("None", None, None, None, None, None))
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
        page.row((name, None, "SHA-256", None, f"{checksum[:16]}…", None))


def _airways(book: Book, plan: Plan) -> None:
    """Add the sheet Airways, in the words of the unit's routes."""
    words = plan.unit.words
    name = "Airways" if words.one == "airway" else "Devices"  # a route's own word may not be a sheet's name
    page = book.sheet("Airways", called=name)
    rates = plan.airways.assign(
        a_week=7 * plan.airways["counted_per_day"] * plan.airways["mean_airways"],
        label=plan.airways["stratum"].map(plan.unit.strata["label"]), new=7 * plan.airways["arrivals_per_day"],
        why=list(map(_reasons, plan.airways.itertuples())))
    page.table(rates, "airways", freeze=True)
    mean = float(rates["mean_airways"].sum())
    overall = float(rates["a_week"].sum()) / (7 * mean) if mean > 0 else None
    page.total((f"All {words.many}", mean, overall, float(rates["a_week"].sum()),
                7 * float(rates["arrivals_per_day"].sum()), None), ("strong", *page.kinds[1:]))


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
    page = book.sheet("Assumptions")
    if plan.unit.doubt.rate_learnt:
        page.spread(f"{said_of_rate(plan.unit)} The lines of How often are where it set out from.", "note")
    page.header("assumptions")
    for line in plan.unit.assumptions:  # a line that begins a topic would stand alone at a printed page's foot
        page.row((line.topic, line.name, line.value, line.unit, line.source))
