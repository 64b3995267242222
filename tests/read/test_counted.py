"""Counts come back from the workbook however it was saved, and from on_hand.csv; faults are told, never guessed."""

from __future__ import annotations

import io
from datetime import date, datetime

import pandas as pd
import pytest
from openpyxl import Workbook

from kitplan.read.counted import count_from_unit, read_count
from kitplan.read.problems import InputError

ITEMS = pd.DataFrame({"item": ["saline_5ml", "gauze_5cm", "mask_42mm"]})
HEADER = ["Bin", "Item", "Description", "Pack", "Par packs", "Packs", "Loose units", "On order packs", "Order packs"]


def book(rows, header=HEADER, sheet="Count and order", day=None, dates=None):
    workbook = Workbook()
    start = workbook.active
    start.title = "Start here"
    start.append(["This plan", ""])
    start.append(["Unit", "Harbour Wing"])
    start.append(["Plan number", "AB12-CD34"])
    page = workbook.create_sheet(sheet)
    page.append(["Count and order"])
    page.append([None, None, "Date of count", day, None, None, "Lines counted, of 3", 2])
    page.append(["Item", None, None, "Plan", None, "TYPE IN: on shelf"])
    page.append(header)
    for row in rows:
        page.append(row)
    if dates is not None:
        page = workbook.create_sheet("Dates")
        page.append(["Item", "Lot", "Expires", "Packs", "Loose units"])
        for row in dates:
            page.append(row)
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()


def row(item, packs=None, loose=None, on_order=None):
    return ["A1", item, "words", 50, 4, packs, loose, on_order, "=1+1"]


def read(tmp_path, content, name="stock-room.xlsx"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    count = read_count(path, ITEMS)
    assert path.read_bytes() == (content if isinstance(content, bytes) else content.encode()), "her file is untouched"
    return count


def faults(tmp_path, content, name="stock-room.xlsx"):
    with pytest.raises(InputError) as caught:
        read(tmp_path, content, name)
    return str(caught.value)


def test_a_filled_in_workbook_is_read_by_its_headers(tmp_path):
    count = read(tmp_path, book([row("saline_5ml", 2, 7, 1), row("gauze_5cm", 0, 0), row("mask_42mm")],
                                day=datetime(2026, 7, 1)))
    assert count.lots[["item", "packs", "loose_units"]].values.tolist() == [["saline_5ml", 2, 7], ["gauze_5cm", 0, 0]]
    assert count.on_order_packs == {"saline_5ml": 1}
    assert count.counted_items == {"saline_5ml", "gauze_5cm"}, "a blank line was not counted"
    assert count.counted == date(2026, 7, 1)
    assert (count.plan_number, count.unit_name) == ("AB12-CD34", "Harbour Wing")


def test_moved_columns_and_a_renamed_sheet_are_found(tmp_path):
    header = ["Loose units", "Item", "On order packs", "Packs"]
    count = read(tmp_path, book([[7, "saline_5ml", 1, 2]], header=header, sheet="Tuesday"))
    assert count.lots.loc[0, ["packs", "loose_units"]].tolist() == [2, 7]
    assert count.on_order_packs == {"saline_5ml": 1}


def test_another_sheet_of_the_plan_is_never_taken_for_the_count(tmp_path):
    header = ["Item", "2026-07", "All", "Packs", "Money (USD)"]
    told = faults(tmp_path, book([["saline_5ml", 3.0, 9.0, 1.5, 36.0]], header=header, sheet="Use by month",
                                 dates=[["saline_5ml", "L1", None, 1, 0]]))
    assert "has no table with the columns Item and Packs" in told
    assert "1.5" not in told


def test_loose_units_alone_are_a_count(tmp_path):
    count = read(tmp_path, book([row("saline_5ml", None, 3)]))
    assert count.lots.loc[0, ["packs", "loose_units"]].tolist() == [0, 3]


def test_dated_lots_are_part_of_the_count_and_not_counted_twice(tmp_path):
    count = read(tmp_path, book([row("saline_5ml", 3, 7)], dates=[["saline_5ml", "L1", date(2026, 7, 4), 1, 5]]))
    assert count.lots["packs"].sum() == 3
    assert count.lots["loose_units"].sum() == 7
    dated = count.lots[count.lots["expires"].notna()].iloc[0]
    assert (dated["packs"], dated["loose_units"], dated["lot"]) == (1, 5, "L1")


def test_more_dated_than_counted_is_a_fault(tmp_path):
    text = faults(tmp_path, book([row("saline_5ml", 1)], dates=[["saline_5ml", "L1", date(2026, 7, 4), 2, None]]))
    assert "more packs or loose units with a date" in text


@pytest.mark.parametrize(("bad", "words"), [
    (row("saline_5ml", -1), "below 0"),
    (row("saline_5ml", "two"), "not a number"),
    (row("saline_5ml", 1.5), "not a whole number"),
    (row("saline_5ml", "=1+1"), "holds a formula"),
    (row("saline_5ml", 1, -3), "below 0"),
    (row("saline_5ml", 1, 0, "soon"), "not a number"),
    (row("salin_5ml", 1), "Did you mean 'saline_5ml'"),
    (row(None, 4), "is empty"),
])
def test_a_bad_count_is_told_with_its_row_and_its_mend(tmp_path, bad, words):
    text = faults(tmp_path, book([row("gauze_5cm", 1), bad]))
    assert words in text
    assert "row 6" in text


def test_an_item_on_two_lines_is_a_fault(tmp_path):
    assert "stands twice" in faults(tmp_path, book([row("saline_5ml", 1), row("saline_5ml", 2)]))


def test_every_fault_is_told_at_once(tmp_path):
    text = faults(tmp_path, book([row("saline_5ml", -1), row("nothing", 2), row("gauze_5cm", "x")]))
    assert text.startswith("3 problems")


def test_a_workbook_without_a_count_is_refused(tmp_path):
    assert "no table with the columns Item and Packs" in faults(tmp_path, book([], header=["Name", "Number"]))


def test_what_is_not_a_workbook_is_refused(tmp_path):
    assert "not an .xlsx workbook" in faults(tmp_path, b"hello")
    assert "is empty" in faults(tmp_path, b"")


def test_a_table_holds_several_lots_of_an_item(tmp_path):
    text = ("date,item,packs,loose_units,expires,lot,on_order_packs\n"
            "2026-07-01,saline_5ml,1,4,2026-07-04,L1,2\n2026-07-01,saline_5ml,2,,2027-07-04,L2,\n")
    count = read(tmp_path, text, "on_hand.csv")
    assert count.lots["packs"].tolist() == [1, 2]
    assert count.on_order_packs == {"saline_5ml": 2}
    assert count.counted == date(2026, 7, 1)
    assert not count.from_workbook


def test_a_table_saved_with_semicolons_and_a_mark_is_read(tmp_path):
    content = "Item;Packs;Loose units\nsaline_5ml;2;3\n".encode("utf-8-sig")
    assert read(tmp_path, content, "on_hand.csv").lots.loc[0, "loose_units"] == 3


def test_a_blank_in_a_table_is_a_fault_and_not_zero(tmp_path):
    assert "is empty" in faults(tmp_path, "item,packs\nsaline_5ml,\n", "on_hand.csv")


@pytest.mark.parametrize("lock", [".~lock.stock-room.xlsx#", "~$stock-room.xlsx"])
def test_a_workbook_that_is_open_elsewhere_is_not_read_half_saved(tmp_path, lock):
    (tmp_path / lock).write_text("x")
    assert "Save and close it" in faults(tmp_path, book([row("saline_5ml", 1)]))


def test_a_folder_is_not_a_count(tmp_path):
    with pytest.raises(InputError):
        read_count(tmp_path, ITEMS)


def test_the_count_in_a_unit_is_the_same_count(tmp_path):
    frame = pd.DataFrame({"item": ["saline_5ml"], "packs": [1.0], "loose_units": [4.0],
                          "expires": [pd.Timestamp(2026, 7, 4)], "lot": ["L1"]})
    count = count_from_unit(frame)
    assert count.lots.loc[0, "packs"] == 1
    assert count.counted is None
    assert count.on_order_packs == {}
