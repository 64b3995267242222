"""The sheets of the round: what stands on them, which boxes are open, and that nothing typed becomes a formula."""

import io
from dataclasses import replace
from datetime import date

import numpy as np
import openpyxl
import pandas as pd
import pytest

from kitplan.parts.orders import sheets
from kitplan.parts.orders.back_order import BackOrder
from kitplan.parts.orders.model import weekly_round
from kitplan.parts.orders.round_plan import round_plan_of
from kitplan.parts.par.changes import CHANGE_COLUMNS, Changes
from kitplan.parts.seasons import sheets as seasons
from kitplan.parts.seasons.model import Seasons, SeasonTest
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.values import STRATUM_COLUMNS
from kitplan.workbooks import build_workbooks
from kitplan.write.book import Book

HOSTILE = '=HYPERLINK("x")'
DAY = date(2026, 7, 1)


def weekly_of(plan, *lines, back_order=None):
    need = np.full(len(plan.unit.items), 5)
    made = round_plan_of(plan.unit, plan.par.levels, need, None)
    made = replace(made, designs={"A": {"mask_42mm": 1}}, builds={"A": 1})
    return weekly_round(plan.unit, made, OrderBook().grown(lines, "P"), back_order)


def counted(item="saline_5ml", packs=1, loose=4, day=DAY, event="counted", **more):
    return Line("counts", day, event, item, 100, packs, loose, number=f"{day}", **more)


def opened(plan, *lines, **more):
    book = Book("Unit", "USD", "AB-1")
    sheets.add_sheets(book, plan.with_result("order", weekly_of(plan, *lines, **more)))
    return openpyxl.load_workbook(io.BytesIO(book.content()))


def rows(book, title):
    return [[c.value for c in row] for row in book[title].iter_rows()]


def column(book, title, heading):
    """(row of the headings, column number) of a heading."""
    for row in book[title].iter_rows():
        for cell in row:
            if cell.value == heading:
                return cell.row, cell.column
    raise AssertionError(heading)


def test_the_five_sheets_stand_in_the_order_of_the_round(plan):
    assert opened(plan).sheetnames == ["Receive", "Count", "Questions", "Order", "Build kits"]


def test_order_and_build_kits_say_before_the_first_count_why_they_are_empty(plan):
    for book, empty in ((opened(plan), True), (opened(plan, counted()), False)):
        for title in ("Order", "Build kits"):
            said = [cell for row in rows(book, title) for cell in row if cell]
            assert any(str(cell).startswith("Nothing was counted yet") for cell in said) == empty


def test_open_orders_stand_on_receive_with_what_is_still_to_come(plan):
    lines = [Line("orders", DAY, "ordered", "saline_5ml", 100, 3, number="1"),
             Line("deliveries", DAY, "received", "saline_5ml", 100, 1, number="1")]
    found = [r[:5] for r in rows(opened(plan, *lines), "Receive")]
    assert ["1", "saline_5ml", "Saline 0.9 % ampoule 5 mL", 100, 2] in found


def test_what_was_there_last_week_and_is_expected_now_stand_beside_the_box(plan):
    lines = [counted(), Line("deliveries", DAY, "received", "saline_5ml", 100, 2)]
    line = next(r for r in rows(opened(plan, *lines), "Count") if r[1] == "saline_5ml")
    assert line[5:7] == [104, 304]


@pytest.mark.parametrize(("title", "open_headings"), [
    ("Receive", {"Packs", "Loose units", "Lot", "Expires", "Will not come", "Pack code"}),
    ("Count", {"Packs", "Loose units", "Expires (first date)", "Lot", "Thrown away"}), ("Order", {"Ordered"}),
    ("Questions", {"Right", "Packs", "Loose units"}),
])
def test_only_the_boxes_to_fill_in_are_unlocked(plan, title, open_headings):
    book = opened(plan, counted(packs=90, event="asked", note="so many"), counted("gloves_small", 0, 3),
                  Line("orders", DAY, "ordered", "saline_5ml", 100, 3, number="1"))
    at, item = column(book, title, "Item")
    sheet = book[title]
    shown = ("saline_5ml", "gloves_small")
    first = next(r for r in range(at + 1, sheet.max_row + 1) if sheet.cell(r, item).value in shown)
    found = {c.value for c in sheet[at] if not sheet.cell(first, c.column).protection.locked}
    assert found == open_headings
    assert sheet.protection.sheet
    assert not sheet.protection.password


def test_a_question_that_holds_a_line_back_has_its_number_and_boxes(plan):
    book = opened(plan, counted(packs=90, event="asked", note="so many"), counted("gloves_small", 0, 3))
    line = next(r for r in rows(book, "Questions") if r[1] == "saline_5ml")
    assert line[0] == 1
    assert "so many" in line[3]


def test_emergency_equipment_that_was_not_counted_is_the_first_question(plan):
    found = rows(opened(plan, counted()), "Questions")
    at = next(k for k, r in enumerate(found) if r[0] == "No")
    assert found[at + 1][2].startswith("EM")
    assert "not counted" in found[at + 1][3]


def test_the_order_puts_urgent_lines_first_and_adds_up(plan):
    book = opened(plan, *(counted(i, 0, 3) for i in plan.unit.items["item"]))
    found = rows(book, "Order")
    groups = [r[0] for r in found if r[0] in ("URGENT", "To order", "Nothing to order", "Total")]
    assert groups[0] == "URGENT"
    assert groups[-1] == "Total"
    lines = [r for r in found if isinstance(r[8], int) and r[1]]
    critical = set(plan.unit.items.loc[plan.unit.items["critical"], "item"])
    assert {r[1] for r in lines if r[2].startswith("EM  ")} == critical & {r[1] for r in lines} != set()
    total = next(r for r in found if r[0] == "Total")
    assert total[8] == sum(r[8] for r in lines)
    assert total[9] == pytest.approx(sum(r[9] for r in lines))


def test_dates_to_watch_come_nearest_first_below_the_order(plan):
    lines = [counted(expires=date(2026, 7, 5), lot="B"), counted(packs=0, loose=7, expires=date(2026, 7, 4), lot="A"),
             counted(packs=0, loose=1, expires=date(2031, 7, 4), lot="C")]
    found = [r[9] for r in rows(opened(plan, *lines), "Order") if r[10] in ("A", "B", "C")]
    assert found == ["2026-07-04", "2026-07-05"], "there is nothing to do about lot C"


def test_text_that_looks_like_a_formula_stays_text(plan):
    items = plan.unit.items.assign(description=HOSTILE)
    plan = replace(plan, unit=replace(plan.unit, items=items))
    book = opened(plan, counted(lot="-1+1", expires=date(2026, 7, 4)),
                  counted("gloves_small", 1, 0, event="asked", note=HOSTILE))
    for title in book.sheetnames:
        for row in book[title].iter_rows():
            assert all(c.data_type != "f" or c.column_letter in "MP" for c in row), "the count's own formulas alone"


def doing_without():
    alike = [("saline", "saline", "oral", t, f"{t:g} mm", "oral_two_y", "none", "other", 1.0) for t in (3.5, 4.0)]
    instead = pd.DataFrame(alike, columns=["unavailable", "role", *STRATUM_COLUMNS, "instead", "share"])
    buy = pd.DataFrame([("saline_10ml", 3, 54.0, 2, "because")],
                       columns=["item", "packs", "value", "extra_packs", "because"])
    shelf = pd.DataFrame([("saline", 104.0, 11.6, 8.0)], columns=["item", "units", "lasts_days", "lasts_days_busy"])
    return BackOrder(instead, buy, shelf, pd.DataFrame(columns=["instead_technique"]), 14.0, None, ("Nothing fills.",))


def test_a_back_order_stands_on_the_order_itself_with_the_warning(plan):
    found = rows(opened(plan, counted(), back_order=doing_without()), "Order")
    assert any(str(r[0]).startswith("ASK BEFORE YOU CHANGE") for r in found)
    line = next(r for r in found if r[1] == "saline")
    assert "oral 3.5 mm" in line[2]
    assert "oral 4 mm" in line[2]
    bag = {"unavailable": "bag_500ml", "role": "bag", "instead": "", "share": 1.0}
    gone = doing_without()
    gone = replace(gone, instead=gone.instead.assign(**bag))
    marked = rows(opened(plan, counted(), back_order=gone), "Order")
    assert next(r for r in marked if r[1] == "bag_500ml" and r[11] == "NOTHING 100 %")[2].startswith("EM  ")
    assert line[11] == "other 100 %"
    assert any(r[1] == "saline_10ml" and r[8] == 3 for r in found), "what it buys is in the order"


def test_what_a_back_order_puts_in_its_place_is_not_called_surplus(plan):
    levels = plan.par.levels
    off = levels.loc[levels["par_units"] == 0, "item"].iloc[0]
    gone = replace(doing_without(), instead=doing_without().instead.assign(instead=off))
    assert any(f"not on the par list: {off}" in note for note in weekly_of(plan, counted(off)).notes)
    assert not any("not on the par list" in note for note in weekly_of(plan, counted(off), back_order=gone).notes)


def test_changes_name_before_now_and_the_cause(plan):
    items = pd.DataFrame([("saline", 180, 230, 50, 2, 3, 1, 24.0, HOSTILE)], columns=CHANGE_COLUMNS)
    changed = plan.with_result("changes", Changes(items, "AB-0", ("census.csv changed.",)))
    sheet = openpyxl.load_workbook(io.BytesIO(build_workbooks(changed)["stock-room.xlsx"]))["Start here"]
    found = [[c.value for c in row] for row in sheet.iter_rows()]
    assert ["saline", f"par 180 to 230 (+50, +24.00 USD). {HOSTILE}"] in found
    assert any("census.csv changed." in str(r[0]) for r in found)


def seasons_of(plan, value):
    book = Book("Unit", "USD", "AB-1")
    seasons.add_sheets(book, replace(plan, results={**plan.results, "seasons": value}))
    return openpyxl.load_workbook(io.BytesIO(book.content()))


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
    value = Seasons(SeasonTest(0.4, 0.2, 0.6, 1e-6, 1), levels, months, choice, 70.0)
    found = rows(seasons_of(plan, value), "Seasons")
    header = next(r for r in found if r[0] == "Item, par in single items")
    assert header[1:3] == ["Jan to Jun", "Jul to Dec"]
    assert next(r for r in found if r[0] == "saline")[1:3] == [3, 2]
    many = pd.concat([levels.assign(item=f"item_{k}") for k in range(100)], ignore_index=True)
    sheet = seasons_of(plan, replace(value, levels=many))["Seasons"]
    heads = {r[0].value: r[0].row for r in sheet.iter_rows() if r[0].value}
    row = heads["Item, par in single items"]
    assert sheet.print_title_rows == f"${row}:${row}", "no line of par levels goes on without its heading"
    assert heads["item_0"] < sheet.row_breaks.brk[0].id < heads["item_99"]
    assert not any(heads["Month"] <= b.id < heads["Cost of holding and of a change: see [seasons] on the sheet "
                                                   "Assumptions."] for b in sheet.row_breaks.brk)
