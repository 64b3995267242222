"""Sheets of the weekly round: urgent first, everything there, and text stays text."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import date

import numpy as np
import openpyxl
import pandas as pd
import pytest

from kitplan.parts.orders import sheets as order
from kitplan.parts.orders.back_order import BackOrder
from kitplan.parts.orders.model import WeeklyRound
from kitplan.parts.orders.order_points import OrderPoints
from kitplan.parts.orders.ordering import Horizon, make_order
from kitplan.parts.par.changes import CHANGE_COLUMNS, Changes
from kitplan.parts.seasons import sheets as seasons
from kitplan.parts.seasons.model import Seasons, SeasonTest
from kitplan.read.values import STRATUM_COLUMNS
from kitplan.workbooks import build_workbooks
from kitplan.write.book import Book

HOSTILE = '=HYPERLINK("x")'
POINTS = pd.DataFrame([
    {"item": "saline", "description": HOSTILE, "bin": "A1", "pack": 100, "par_packs": 2, "par_units": 200,
     "order_point_units": 40, "use_per_day": 9.0, "gtin": "", "critical": False},
    {"item": "bag", "description": "Bag", "bin": "C2", "pack": 1, "par_packs": 8, "par_units": 8,
     "order_point_units": 2, "use_per_day": 0.5, "gtin": "", "critical": True},
])
ITEMS = POINTS.assign(price=[24.0, 17.0])[["item", "description", "pack", "price", "critical", "bin"]]


def weekly(back_order=None):
    lots = pd.DataFrame({"item": ["saline"], "packs": [1.0], "loose_units": [4.0], "lot": ["-1+1"],
                         "expires": pd.to_datetime(["2026-07-04"])})
    made = make_order(POINTS, ITEMS, lots, {}, Horizon(date(2026, 7, 1), 2, 9))
    return WeeklyRound(OrderPoints(POINTS), made, ("A note.",), back_order)


def doing_without():
    alike = [("saline", "saline", "oral", t, f"{t} mm", "oral_two_y", "none", "other", 1.0) for t in (3.5, 4.0)]
    instead = pd.DataFrame(alike, columns=["unavailable", "role", *STRATUM_COLUMNS, "instead", "share"])
    buy = pd.DataFrame([("other", 3, 54.0, 2, "because")], columns=["item", "packs", "value", "extra_packs", "because"])
    shelf = pd.DataFrame([("saline", 104.0, 11.6, 8.0)], columns=["item", "units", "lasts_days", "lasts_days_busy"])
    return BackOrder(instead, buy, shelf, pd.DataFrame(columns=["instead_technique"]), 14.0, None, ("Nothing fills.",))


def book_of(plan, part, value, sheets):
    book = Book("Unit", "USD", "AB-1")
    sheets.add_sheets(book, replace(plan, results={**plan.results, part: value}))
    return openpyxl.load_workbook(io.BytesIO(book.content()))


def rows(book, title):
    return [[c.value for c in row] for row in book[title].iter_rows()]


def test_the_order_puts_urgent_lines_first_and_adds_up(plan):
    found = rows(book_of(plan, "order", weekly(), order), "Order")
    groups = [r[0] for r in found if r[0] in ("URGENT", "To order", "Nothing to order", "Total")]
    assert groups == ["URGENT", "To order", "Total"]
    total = next(r for r in found if r[0] == "Total")
    assert total[8] == 8 + 2, "8 bags; 104 saline, 77 of them out of date before use, order 2 packs"
    assert total[9] == pytest.approx(8 * 17.0 + 2 * 24.0)
    assert any(r[0] == "A note." for r in found)


def test_text_that_looks_like_a_formula_stays_text(plan):
    book = book_of(plan, "order", weekly(), order)
    for title in book.sheetnames:
        for row in book[title].iter_rows():
            assert all(c.data_type != "f" for c in row)


def test_dates_come_nearest_first_and_lots_have_room_for_the_next_count(plan):
    book = book_of(plan, "order", weekly(), order)
    assert any(r[2] == "2026-07-04" for r in rows(book, "Dates to watch"))
    lots = book["Dated lots"]
    header = next(r for r in lots.iter_rows() if r[0].value == "Item")
    assert [c.value for c in header] == ["Item", "Lot", "Expires", "Packs", "Loose units"]
    assert not lots.cell(header[0].row + 1, 4).protection.locked


def test_before_a_count_only_the_place_for_lots_is_there(plan):
    book = book_of(plan, "order", WeeklyRound(OrderPoints(POINTS)), order)
    assert book.sheetnames[-1:] == ["Dated lots"]
    assert "Order" not in book.sheetnames


def test_airways_that_are_served_alike_stand_on_one_line(plan):
    found = rows(book_of(plan, "order", weekly(doing_without()), order), "Back order")
    line = next(r for r in found if r[0] == "saline")
    assert "oral 3.5 mm" in line[2]
    assert "oral 4.0 mm" in line[2]
    assert line[3] == "other 100%"


def test_changes_name_before_now_and_the_cause(plan):
    items = pd.DataFrame([("saline", 180, 230, 50, 2, 3, 1, 24.0, HOSTILE)], columns=CHANGE_COLUMNS)
    changed = plan.with_result("changes", Changes(items, "AB-0", ("census.csv changed.",)))
    sheet = openpyxl.load_workbook(io.BytesIO(build_workbooks(changed)["stock-room.xlsx"]))["Start here"]
    found = [[c.value for c in row] for row in sheet.iter_rows()]
    assert ["saline", f"par 180 to 230 (+50, +24.00 USD). {HOSTILE}"] in found
    assert any("census.csv changed." in str(r[0]) for r in found)


def test_seasons_show_one_column_a_period(plan):
    month = np.arange(1, 13)
    levels = pd.DataFrame({"month": month, "item": "saline", "own_packs": 1, "period_packs": 1,
                           "own_units": 1, "period_units": np.where(month < 7, 3, 2)})
    months = pd.DataFrame({"month": month, "period": np.where(month < 7, 1, 2), "own_value": 24.0,
                           "period_value": 72.0, "year_round_readiness": 0.97})
    choice = pd.DataFrame([(1, 0, 72.0, 18.0, 0.0, 18.0, False, "all year"),
                           (2, 2, 60.0, 15.0, 2.0, 17.0, True, "Jan to Jun, Jul to Dec")],
                          columns=["periods", "changes", "mean_value", "holding_cost", "change_cost", "total_cost",
                                   "chosen", "when"])
    value = Seasons(SeasonTest(0.4, 1e-6, 1), levels, months, choice)
    found = rows(book_of(plan, "seasons", value, seasons), "Seasons")
    header = next(r for r in found if r[0] == "Item, par in single items")
    assert header[1:3] == ["Jan to Jun", "Jul to Dec"]
    assert next(r for r in found if r[0] == "saline")[1:3] == [3, 2]


def test_a_count_without_dates_says_where_to_write_them(plan):
    lots = pd.DataFrame({"item": ["saline"], "packs": [1.0], "loose_units": [4.0], "lot": [""],
                         "expires": pd.to_datetime([None])})
    made = make_order(POINTS, ITEMS, lots, {}, Horizon(date(2026, 7, 1), 2, 9))
    found = rows(book_of(plan, "order", WeeklyRound(OrderPoints(POINTS), made), order), "Dates to watch")
    assert "This count gave no dates. The sheet Dated lots has room for them." in [r[0] for r in found]
