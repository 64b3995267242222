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
        book.sheet("Not done").table(pd.DataFrame(failed, columns=FAILED_COLUMNS), "units not done", freeze=True)
    return _files(name, book.content(), tables, {"seed": seed, "not_done": [line[0] for line in failed]})


def _files(name: str, workbook: bytes, tables: Mapping[str, pd.DataFrame], record: dict[str, object]
           ) -> dict[str, bytes]:
    files = {f"tables/{table}.csv": table_bytes(table, frame) for table, frame in tables.items()}
    files[f"{name}.xlsx"] = workbook
    return files | {f"{name}.json": record_bytes({"version": __version__, **record, "outputs": outputs(files)})}


def hospital_book(hospital: Hospital, paper: str) -> bytes:
    """The roll-up workbook as bytes that repeat."""
    book = Book("All units", hospital.currency, f"{len(hospital.units)} units", paper)
    _start(book, hospital)
    _holders(book.sheet("Who holds what"), hospital)
    if len(hospital.spend):
        add_spend(book, hospital.spend)
    if hospital.pooling is not None and hospital.pooling.items["units_pooled"].any():
        _pooling(book.sheet("Central store", away=_days(hospital.transport_days)), hospital, hospital.pooling)
    if len(hospital.failed):
        book.sheet("Not planned").table(hospital.failed, "units not done", freeze=True)
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
    if pooling is None:
        return []
    pooled = pooling.items[pooling.items["units_pooled"] > 0]
    if not len(pooled):
        shared = (pooling.items["units_holding"] > 1).any()
        return ["One central store would free nothing" + ("." if shared else ": the units share no slow item.")]
    items = f"{len(pooled)} slow item" + "s" * (len(pooled) != 1)
    frees = f"{money(pooling.saving, hospital.currency)} and take {pooling.shelf_litres:,.0f} L"
    return [f"One central store for {items}, {_days(hospital.transport_days)} away, would free {frees}."]


def _totals(hospital: Hospital) -> dict[str, float]:
    totals = hospital.units.groupby("currency", sort=True)["value"].sum()
    return {str(currency): float(value) for currency, value in totals.items()}


def _start(book: Book, hospital: Hospital) -> None:
    page = book.sheet("All units", sentences(hospital))
    page.header("units")
    page.lines(hospital.units, (*page.kinds[:1], "wrap", *page.kinds[2:]))
    page.skip()
    for unit, remarks in hospital.remarks.items():
        for line in remarks:
            page.spread(f"{unit}: {line}", "note")
    page.skip()
    page.spread("Caution", "strong")
    page.spread(caution(), "caution")


def _holders(page: Page, hospital: Hospital) -> None:
    rows = hospital.holdings.merge(hospital.units[["unit", "currency"]], on="unit", how="left")
    rows = rows.sort_values(["item", "par_packs", "unit"], ascending=[True, False, True])
    each = rows.groupby(["item", "currency"], sort=True, as_index=False).agg(
        units=("unit", "nunique"), packs=("par_packs", "sum"), value=("value", "sum"), most=("unit", "first"),
        its=("par_packs", "first"),
    )
    each = _spoken(each.sort_values("value", ascending=False, kind="stable"), hospital.spoken)
    page.table(each, "holders", freeze=True)


def _pooling(page: Page, hospital: Hospital, pooling: Pooling) -> None:
    for line in _freed(hospital):
        page.spread(line, "lead")
    page.skip()
    items = pooling.items.sort_values(["saving", "item"], ascending=[False, True])
    page.table(_spoken(items, hospital.spoken), "central store", freeze=True)
    page.total(("Total", None, None, None, pooling.own_value, None, None, None, pooling.value, pooling.saving))


def _spoken(items: pd.DataFrame, spoken: Mapping[str, str]) -> pd.DataFrame:
    return items.assign(item=[spoken.get(item, item) for item in items["item"]])


def _days(number: float) -> str:
    return f"{number:g} day{'' if number == 1 else 's'}"


def add_audits(book: Book, table: pd.DataFrame) -> None:
    """Add the sheet of all audits, the unit furthest under its target first."""
    page = book.sheet("Audit of all units", audit_sentences(table))
    page.table(table, "audits", freeze=True)


def add_orders(book: Book, tables: dict[str, pd.DataFrame], spoken: Mapping[str, str]) -> None:
    """Add the sheets of all orders: unit by unit, and item by item. spoken: item -> its name for people."""
    page = book.sheet("Orders of all units", order_sentences(tables))
    page.table(tables["order_units"], "orders of units", freeze=True)
    page, items = book.sheet("What to order"), tables["order_items"]
    items = items.assign(description=[spoken.get(r.item, r.description) for r in items.itertuples(index=False)])
    groups = ("URGENT", items[items["urgent"] > 0]), ("To order", items[items["urgent"] == 0])
    page.table([group for group in groups if len(group[1])], "order items", freeze=True)


def add_spend(book: Book, table: pd.DataFrame) -> None:
    """Add the sheet Money: budget years first, then the months ahead, totals under the units."""
    page = book.sheet("Money", spend_sentences(table))
    for what, title in ((YEAR, "Budget years: spent, and where they land"), ("", "Months ahead")):
        rows = table[(table["what"] == YEAR) == bool(what)]
        if len(rows):
            page.spread(title, "strong")
            page.table(rows[rows["unit"] != TOTAL], "money")
            for row in rows[rows["unit"] == TOTAL].to_dict("records"):
                page.total([row["name"], *(row[name] for _, _, name in book.columns("money")[1:])])
            page.skip()
