"""The workbook of many units: what all of them hold, who holds what, what one central store would free."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import pandas as pd

from kitplan import __version__
from kitplan.parts.hospital.central_store import Pooling
from kitplan.parts.hospital.model import FAILED_COLUMNS, Hospital
from kitplan.parts.hospital.shelves import audit_sentences, order_sentences
from kitplan.parts.hospital.spend import TOTAL, YEAR, spend_sentences
from kitplan.plan_record import outputs, record_bytes
from kitplan.read.money import money
from kitplan.resources import caution
from kitplan.write.book import Book, Page
from kitplan.write.tables import table_bytes

_WORTH_SAYING = 0.001
"""Share of the stock's value under which what a central store frees is no reason to build one."""

WORKBOOK = "all-units.xlsx"


def hospital_files(hospital: Hospital, seed: int | None, paper: str = "a4") -> dict[str, bytes]:
    """Tables, workbook and record of many units, name -> bytes."""
    return _files("all-units", hospital_book(hospital, paper), hospital.tables(), {
        "seed": seed, "units": hospital.units["unit"].tolist(), "not_planned": hospital.failed["unit"].tolist(),
        "value": _totals(hospital), "pooling_saving": hospital.pooling.saving if hospital.pooling else None,
    })


def together_files(
    name: str,
    add: Callable[[Book], None],
    tables: Mapping[str, pd.DataFrame],
    failed: Sequence[tuple[str, str, str]],
    about: tuple[int, int | None, str],
) -> dict[str, bytes]:
    """What a command other than `plan` writes of a folder of units: a workbook NAME.xlsx, tables and a record.

    add: adds its sheets. failed: FAILED_COLUMNS of the units that could not be done. about: units done, seed, paper.
    """
    done, seed, paper = about
    book = Book("All units", "", f"{done} units", paper)
    add(book)
    if failed:
        _failed(book.page("Not done", "Units with faults to mend", (28, 12, 90)),
                pd.DataFrame(failed, columns=FAILED_COLUMNS))
    return _files(name, book.content(), tables, {"seed": seed, "not_done": [line[0] for line in failed]})


def _files(name: str, workbook: bytes, tables: Mapping[str, pd.DataFrame], record: dict[str, object]
           ) -> dict[str, bytes]:
    files = {f"tables/{table}.csv": table_bytes(table, frame) for table, frame in tables.items()}
    files[f"{name}.xlsx"] = workbook
    return files | {f"{name}.json": record_bytes({"version": __version__, **record, "outputs": outputs(files)})}


def hospital_book(hospital: Hospital, paper: str) -> bytes:
    """The roll-up workbook as bytes that repeat."""
    book = Book("All units", hospital.currency, f"{len(hospital.units)} units", paper)
    _start(book.page("All units", "What the units hold together", (34, 34, 11, 12, 16, 12, 10, 12)), hospital)
    _holders(book.page("Who holds what", "Each item over all units", (34, 11, 10, 12, 16, 34, 12)), hospital)
    if len(hospital.spend):
        add_spend(book, hospital.spend)
    if hospital.pooling is not None and len(hospital.pooling.items):
        widths = (34, 10, 10, 12, 14, 12, 10, 12, 14, 14)
        _pooling(book.page("Central store", "What pooling slow items would free", widths), hospital, hospital.pooling)
    if len(hospital.failed):
        _failed(book.page("Not planned", "Units with faults to mend", (28, 12, 90)), hospital.failed)
    return book.content()


def sentences(hospital: Hospital) -> list[str]:
    """What a person should know when a run ends."""
    lines = [
        f"{len(hospital.units)} of {len(hospital.units) + len(hospital.failed)} units planned; stock at par is worth "
        + ", ".join(money(value, currency) for currency, value in _totals(hospital).items())
        + "."
    ]
    return [*lines, *_freed(hospital), *spend_sentences(hospital.spend)]


def _freed(hospital: Hospital) -> list[str]:
    pooling = hospital.pooling
    if pooling is None or pooling.saving <= 0:
        return []
    pooled = pooling.items[pooling.items["units_pooled"] > 0]
    items = f"{len(pooled)} slow item" + "s" * (len(pooled) != 1)
    worth = pooling.saving >= _WORTH_SAYING * _totals(hospital)[hospital.currency]
    frees = f"{money(pooling.saving, hospital.currency)} and take {pooling.shelf_litres:,.0f} L" if worth else (
        "next to nothing")
    return [f"One central store for {items}, {_days(hospital.transport_days)} away, would free {frees}."]


def _totals(hospital: Hospital) -> dict[str, float]:
    totals = hospital.units.groupby("currency", sort=True)["value"].sum()
    return {str(currency): float(value) for currency, value in totals.items()}


def _start(page: Page, hospital: Hospital) -> None:
    page.title("All units", "Par levels of each unit are in its own workbook, in the folder of its name.",
               sentences(hospital))
    kinds = ("text", "text", "text", "share", "money", "litres", "whole", "text")
    page.header(("Unit", "Name", "Currency", "Readiness", "Value at par", "Shelf", "Items", "Target"), kinds)
    for row in hospital.units.itertuples(index=False):
        page.row(tuple(row), (*kinds[:1], "wrap", *kinds[2:]))
    page.skip()
    for unit, remarks in hospital.remarks.items():
        for line in remarks:
            page.spread(f"{unit}: {line}", "note")
    page.skip()
    page.spread("Caution", "strong")
    page.spread(caution(), "caution")


def _holders(page: Page, hospital: Hospital) -> None:
    page.title("Who holds what", "Most valuable items first. Every line of every unit is in tables/holdings.csv.")
    rows = hospital.holdings.merge(hospital.units[["unit", "currency"]], on="unit", how="left")
    rows = rows.sort_values(["item", "par_packs", "unit"], ascending=[True, False, True])
    each = rows.groupby(["item", "currency"], sort=True, as_index=False).agg(
        units=("unit", "nunique"), packs=("par_packs", "sum"), value=("value", "sum"), most=("unit", "first"),
        its=("par_packs", "first"),
    )
    page.table(each.sort_values("value", ascending=False, kind="stable"), "holders", freeze=True)


def _pooling(page: Page, hospital: Hospital, pooling: Pooling) -> None:
    page.title(
        "One central store for slow items",
        f"Units keep what lasts until the next transport ({_days(hospital.transport_days)}, asked once a day), "
        "whenever between two counts they ask; the store orders whole packs for all. Emergency equipment and items "
        "with a floor stay in the units. Use is "
        "taken to be independent between units: a wave through all of them at once is not covered.",
    )
    for line in _freed(hospital):
        page.spread(line, "lead")
    page.spread(f"The store sends out about {pooling.lines_per_day:.1f} lines a day.", "note")
    page.skip()
    kinds = ("text", "whole", "whole", "whole", "money", "whole", "whole", "whole", "money", "money")
    page.header(("Item", "Units holding", "Units pooled", "Packs now", "Value now", "Store: order when under",
                 "In packs", "Items in units", "Value then", "Freed"), kinds)
    for row in pooling.items.sort_values(["saving", "item"], ascending=[False, True]).itertuples(index=False):
        page.row(tuple(row), kinds)
    page.total(("Total", None, None, None, pooling.own_value, None, None, None, pooling.value, pooling.saving), kinds)


def _failed(page: Page, failed: pd.DataFrame) -> None:
    page.title(page.title_text, "Mend what is said here and run again; the other units are done.")
    page.table(failed, "units not done",
               freeze=True)


def _days(number: float) -> str:
    return f"{number:g} day{'' if number == 1 else 's'}"


def add_audits(book: Book, table: pd.DataFrame) -> None:
    """Add the sheet of all audits, the unit furthest under its target first."""
    page = book.sheet("Audit of all units", audit_sentences(table))
    page.table(table, "audits", freeze=True)


def add_orders(book: Book, tables: dict[str, pd.DataFrame]) -> None:
    """Add the sheets of all orders: unit by unit, and item by item."""
    page = book.sheet("Orders of all units", order_sentences(tables))
    page.table(tables["order_units"], "orders of units", freeze=True)
    page = book.sheet("What to order")
    page.table(tables["order_items"], "order items", freeze=True)


def add_spend(book: Book, table: pd.DataFrame) -> None:
    """Add the sheet Money: budget years first, then the months ahead, totals under the units."""
    page = book.sheet("Money", spend_sentences(table))
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
