"""What was read, and what in it is worth a look."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.write.book import Book

if TYPE_CHECKING:
    from kitplan.planning import Plan

TITLE = "Input checks"
_WIDTHS = (24, 7, 16, 16, 44, 44)
_KINDS = ("text", "whole", "text", "wrap", "wrap", "wrap")


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet Input checks."""
    page = book.page(TITLE, "What was read, and what in it is worth a look", _WIDTHS)
    found = plan.unit.warnings
    page.title(
        "Input checks",
        "Nothing here stopped the plan. " + (
            "Look at each line and correct the file if it is wrong." if found else "No input was found odd."
        ),
    )
    page.header(("File", "Row", "Column", "Value", "What was found", "What to do"), _KINDS)
    for p in found:
        page.row((p.file, p.row, p.column, p.value, p.fault, p.mend), _KINDS)
    if not found:
        page.row(("None", None, None, None, None, None), _KINDS)
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
        page.row((name, None, "SHA-256", None, f"{checksum[:16]}…", None), _KINDS)
