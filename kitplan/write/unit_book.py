"""A unit as one workbook to fill in: a sheet a table, with its headings explained and its choices to pick from.

The examples stand above the headings, and what stands above the headings is never read: a forgotten example cannot
enter a plan. Sheets left blank are not there. Nothing is locked, so that rows can be pasted in.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from itertools import product

from kitplan.read.blocks import SETTINGS, Setting
from kitplan.read.columns import Column, columns_of
from kitplan.read.starter import TABLES, starter_settings
from kitplan.read.values import READINESS
from kitplan.resources import config_file, config_rows
from kitplan.write.book import Book, Page

FIRST, CHOICES = "Start here", "choices"
_OWN = (("name", "", "name of the unit"), ("currency", "", "three letters that stand behind every sum of money"),
        ("mean_stay_days", "", "days an airway stays, on average; needed with a census, not with stays"))
_YES_NO = ("yes", "no")
_WIDTHS: Mapping[str, float] = {"item": 24, "description": 40, "technique": 24, "date": 13, "start": 18, "end": 18,
                                "airway": 14, "reason": 18, "provenance": 60, "lot": 14, "expires": 13}


def unit_workbook() -> bytes:
    """The workbook of a blank unit, with the shipped catalogue in it to put one's own prices into."""
    book = Book("My unit", "", "")
    first = book.page(FIRST, "This sheet", (26, 70), landscape=False)
    choices = _choices()
    pages = {"unit": _settings(book)}
    for sheet, table, purpose, rows in TABLES:
        pages[sheet] = _table(book, sheet, table, purpose, [[None] * len(columns_of(table))] * rows, choices)
    numeric = {c.name for c in columns_of("items").values() if c.kind in ("number", "integer")}
    catalogue = [[float(row[name]) if name in numeric and row.get(name) else row.get(name) or None
                  for name in columns_of("items")] for row in config_rows("items.csv")]
    pages["items"] = _table(
        book, "items", "items", "Your catalogue. It holds the shipped one, whose prices are INVENTED: put in your own.",
        catalogue, choices)
    _write_choices(book, choices)
    _fill_first(first, pages)
    return book.content()


def _choices() -> dict[str, list[str | float]]:
    """Column -> what it may hold, in the order of the sheet `choices`."""
    recipes = tomllib.loads(config_file("techniques.toml").read_text(encoding="utf-8"))
    recipes = {name: recipe for name, recipe in recipes.items() if isinstance(recipe, dict) and "routes" in recipe}
    routes = dict.fromkeys(route for recipe in recipes.values() for route in recipe["routes"])
    return {
        "route": list(routes), "tube_mm": [2.0 + 0.5 * k for k in range(17)], "technique": list(recipes),
        "skin": list(columns_of("census_counts")["skin"].choices),
        "reason": list(columns_of("resecure_log")["reason"].choices),
        "item": [row["item"] for row in config_rows("items.csv")],
        "scope": list(columns_of("items")["scope"].choices), "critical": list(_YES_NO), "beyond_census": list(_YES_NO),
        "cuffed": list(_YES_NO),
    }


def _settings(book: Book) -> Page:
    """The sheet `unit`: one row a setting; an empty box takes the default."""
    page = book.page("unit", "Your unit and its policy: name, days between counts, readiness", (30, 18, 60, 12, 60))
    page.title("unit: how your unit is run", "Fill in the first three boxes. Change another only where your unit "
                                             "differs: an empty box takes the default beside it.")
    kinds = ("text", "input_text", "wrap", "text", "wrap")
    page.header(("key", "value", "what it is", "default", "where the default comes from"), kinds)
    rows = [(key, default, meaning, "") for key, default, meaning in _OWN]
    rows += [(name, "" if d.value is None else json.dumps(d.value).strip('"'), d.unit, d.provenance)
             for name, d in starter_settings().items()]
    for key, default, meaning, ground in rows:
        at = page.row((key, None, meaning, default or None, ground or None), kinds)
        _limit(page, at, 2, SETTINGS[key], key)
    return page


def _limit(page: Page, row: int, column: int, setting: Setting, what: str) -> None:
    if setting.kind == "flag" or setting.choices:
        page.pick_from(row, row, column, setting.choices or ("true", "false"))
    elif setting.kind in ("number", "integer"):
        page.numbers_only(row, row, column, what, setting.low, setting.high, whole=setting.kind == "integer")


def _table(book: Book, sheet: str, table: str, purpose: str, rows: Sequence[Sequence[object]],
           choices: Mapping[str, Sequence[str | float]]) -> Page:
    """A sheet to fill: what each column is, an example above the headings, the headings, and boxes."""
    columns = list(columns_of(table).values())
    page = book.page(sheet, purpose, [_WIDTHS.get(c.name, 15) for c in columns])
    page.title(sheet, purpose)
    page.group(("What goes into each column",))
    page.row([_explained(c) for c in columns], ["wrap"] * len(columns))
    if any(c.example for c in columns):
        page.group(("EXAMPLE. It stands above the headings and is never read; fill in below them.",))
        page.row([c.example or None for c in columns], ["note"] * len(columns))
    page.header([c.name for c in columns], ["text"] * len(columns), frozen_columns=1)
    first = page.next_row
    for values in rows:
        page.row(values, ["input_text"] * len(columns))
    for at, column in enumerate(columns, 1):
        _guide(page, first, page.next_row - 1, at, column, choices)
    return page


def _explained(column: Column) -> str:
    unit = f", {column.unit}" if column.unit else ""
    default = f"; empty: {column.default}" if column.default else ""
    return f"{column.description}{unit} ({'needed' if column.required else 'optional'}{default})"


def _guide(page: Page, first: int, last: int, at: int, column: Column,
           choices: Mapping[str, Sequence[str | float]]) -> None:
    """Drop-downs where there are choices, and limits for numbers and dates; a warning may be passed over."""
    if column.name in choices and (column.table, column.name) != ("items", "item"):
        place = list(choices).index(column.name)
        page.pick_from(first, last, at, f"={CHOICES}!${chr(65 + place)}$2:${chr(65 + place)}$"
                                        f"{1 + len(choices[column.name])}")
    elif column.kind == "date":
        page.days_only(first, last, at, column.name, date(2000, 1, 1))
    elif column.kind in ("number", "integer"):
        page.numbers_only(first, last, at, column.name, 0, None, whole=column.kind == "integer")


def _write_choices(book: Book, choices: Mapping[str, Sequence[str | float]]) -> None:
    page = book.page(CHOICES, "What the drop-downs offer; nothing here is read", [18] * len(choices))
    page.header(list(choices))
    for row, (column, name) in product(range(max(map(len, choices.values()))), enumerate(choices, 1)):
        if row < len(choices[name]):
            page.put(page.next_row + row, column, choices[name][row], "text")


def _fill_first(page: Page, pages: Mapping[str, Page]) -> None:
    page.title("A unit to fill in",
               "Enter nothing that identifies a patient: no names, record numbers, dates of birth.")
    page.group(("Step", "What to do"))
    for step in [row for row in config_rows("steps.csv") if row["workbook"] == "my-unit.xlsx"]:
        page.row((step["step"], step["text"]), ("strong", "wrap"))
    page.skip()
    page.spread(f"Readiness, the target that you set on the sheet unit, is {READINESS}.", "wrap")
    page.skip()
    page.group(("Sheet", "What it is for"))
    for name, other in pages.items():
        page.row((name, other.about), ("link", "wrap"))
        page.link(page.next_row - 1, 1, name)
