"""The money of many units on one sheet."""

from __future__ import annotations

import pandas as pd

from kitplan.parts.hospital.spend import TOTAL, YEAR, spend_sentences
from kitplan.write.book import Book

TITLE = "Money"


def add_spend(book: Book, table: pd.DataFrame) -> None:
    """Add the sheet Money: budget years first, then the months ahead, totals under the units."""
    page = book.page(TITLE, "What the units will spend, each and together",
                     (30, 24, 10, 13, 13, 13, 13, 13, 14, 14))
    page.title("What the units will spend", "80 % bands. No unit's files tell how units hang together: a total is "
               "given twice, with units that err each on their own, and with all erring one way; the truth lies "
               "between. No budget plans emergency equipment away.",
               spend_sentences(table))
    columns = (("Unit", "wrap", "unit"), ("Months", "text", "period"), ("Currency", "text", "currency"),
               ("Budget", "whole", "budget"), ("Spent", "whole", "spent"), ("Expected", "whole", "value"),
               ("80 % from", "whole", "low_value"), ("80 % to", "whole", "high_value"),
               ("All one way: from", "whole", "low_together"), ("to", "whole", "high_together"))
    kinds = [kind for _, kind, _ in columns]
    for what, title in ((YEAR, "Budget years: spent, and where they land"), ("", "Months ahead")):
        rows = table[(table["what"] == YEAR) == bool(what)]
        if len(rows):
            page.spread(title, "strong")
            page.table(rows[rows["unit"] != TOTAL], columns)
            for row in rows[rows["unit"] == TOTAL].to_dict("records"):
                page.total([row["name"], *(row[name] for _, _, name in columns[1:])], kinds)
            page.skip()
