"""What to use and buy while items cannot be had, below the order."""

from __future__ import annotations

from kitplan.parts.orders.back_order import BackOrder
from kitplan.read.values import STRATUM_KEY
from kitplan.write.book import Page

_SHARE_TOLD = 0.005


def add_back_order(page: Page, missing: BackOrder, currency: str, named: dict[str, str]) -> None:
    """Add what to buy instead, and who is served by what. named: item -> its words, EM before emergency equipment."""
    page.skip()
    page.spread(f"Back order, for {missing.days:g} days", "strong")
    page.spread("ASK BEFORE YOU CHANGE what lies at the bedside: a substitute is a matter of local policy. What is "
                "sized to the patient, critical or sterile is never replaced here by anything else.", "caution")
    page.spread("Buy: packs for all these days, usual work included. The order above has them in it already, less what "
                "is on order.", "wrap")
    kinds = ("text", "text", "wrap", "whole", "text", "text", "text", "text", "text", "money", "text", "wrap")
    page.header(("", "To buy", "What it is", "Buy packs", "", "", "", "", "", f"Cost ({currency})", "", "Why"), kinds,
                freeze=False)
    for row in missing.buy.itertuples(index=False):
        why = f"{row.extra_packs} of {row.packs} packs beyond its usual work; {row.because}"
        page.row((None, row.item, named.get(row.item, row.item), row.packs, *[None] * 5, row.value, None, why), kinds)
    page.skip()
    kinds = ("text", "text", "wrap", "text", "text", "text", "text", "text", "text", "text", "text", "wrap")
    page.header(("", "Cannot be had", "For whom", *[""] * 8, "Served by (share of the uses)"), kinds,
                freeze=False)
    for item, role, airways, served in served_alike(missing):
        page.row((None, item, f"{named.get(item, item)} ({role}): {airways}", *[None] * 8, served), kinds)


def served_alike(missing: BackOrder) -> list[tuple[str, str, str, str]]:
    """(item, role, airways, what serves them): airways that are served alike stand together."""
    found: dict[tuple[str, str, str], list[str]] = {}
    keys = ["unavailable", "role", *STRATUM_KEY]
    for (item, role, route, size, technique, skin), rows in missing.instead.groupby(keys, sort=False):
        served = ", ".join(f"{r.instead or 'NOTHING'} {100 * r.share:.0f} %" for r in rows.itertuples(index=False)
                           if r.share >= _SHARE_TOLD)
        barrier = ", barrier" if skin == "barrier" else ""
        found.setdefault((item, role, served), []).append(f"{route} {size} {technique}{barrier}")
    return [(item, role, "; ".join(airways), served) for (item, role, served), airways in found.items()]
