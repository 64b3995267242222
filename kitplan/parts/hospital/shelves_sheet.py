"""The sheets of many audits and many orders."""

from __future__ import annotations

import pandas as pd

from kitplan.parts.hospital.shelves import audit_sentences, order_sentences
from kitplan.write.book import Book


def add_audits(book: Book, table: pd.DataFrame) -> None:
    """Add the sheet of all audits, the unit furthest under its target first."""
    page = book.page("Audit of all units", "How ready the par levels of each unit are today",
                     (26, 30, 10, 10, 11, 11, 13, 11, 13, 12, 9, 24))
    page.title("Today's par levels of all units", "Furthest under its target first. The steps of a unit, in the order "
               "in which to make them, are in audit.xlsx beside its plan; stop after any of them.",
               audit_sentences(table))
    page.table(table, (
        ("Unit", "text", "unit"), ("Name", "wrap", "name"), ("Currency", "text", "currency"),
        ("Target", "share", "target"), ("Ready today", "share", "ready"), ("At least", "share", "ready_low"),
        ("Value today", "money", "value"), ("Ready then", "share", "ready_after"),
        ("Value then", "money", "value_after"), ("Idle", "money", "idle_value"), ("Changes", "whole", "steps"),
        ("Begin with", "text", "begin_with")), freeze=True)


def add_orders(book: Book, tables: dict[str, pd.DataFrame]) -> None:
    """Add the sheets of all orders: unit by unit, and item by item."""
    page = book.page("Orders of all units", "What each unit orders",
                     (26, 30, 10, 10, 14, 9, 9, 9, 11, 14))
    page.title("Orders of all units", "Urgent ones first. The lines of a unit are on its own sheet Order, in the "
               "stock-room workbook beside its plan.", order_sentences(tables))
    page.table(tables["order_units"], (
        ("Unit", "text", "unit"), ("Name", "wrap", "name"), ("Currency", "text", "currency"),
        ("Order", "text", "order"), ("Counted on", "text", "counted"), ("Items", "whole", "items"),
        ("Packs", "whole", "packs"), ("Urgent", "whole", "urgent"), ("Questions", "whole", "questions"),
        ("Value", "money", "value")), freeze=True)
    page = book.page("What to order", "Each item over all units", (26, 36, 9, 10, 8, 8, 9, 14, 50))
    page.title("What to order for all units", "Whole packs, with how many go to which unit.")
    page.table(tables["order_items"], (
        ("Item", "text", "item"), ("Description", "wrap", "description"), ("Pack of", "whole", "pack"),
        ("Currency", "text", "currency"), ("Units", "whole", "units"), ("Urgent in", "whole", "urgent"),
        ("Packs", "whole", "packs"), ("Value", "money", "value"), ("For", "wrap", "for_units")), freeze=True)
