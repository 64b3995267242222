"""What this plan changed against the one before it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.write.book import Book

if TYPE_CHECKING:
    from kitplan.parts.par.changes import Changes
    from kitplan.plan import Plan

TITLE = "What changed"


def add_sheets(book: Book, plan: Plan) -> None:
    """Add the sheet What changed: new labels are needed on exactly these bins."""
    changes: Changes = plan.changes
    widths = (24, 12, 12, 12, 16, 70)
    page = book.page(TITLE, "Par levels that changed since the last plan, and because of what", widths)
    page.title("What changed", "Put new labels on these bins.")
    for sentence in changes.sentences():
        page.spread(sentence, "wrap")
    page.skip()
    kinds = ("text", "whole", "whole", "whole", "money", "wrap")
    page.header(("Item", "Before, packs", "Now, packs", "Change", f"Value ({book.currency})", "Because"), kinds)
    for row in changes.items.itertuples(index=False):
        page.row((row.item, row.before_packs, row.after_packs, row.change_packs, row.change_value, row.because), kinds)
