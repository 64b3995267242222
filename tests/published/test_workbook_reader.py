"""The workbook reader against openpyxl, a general library that reads the same standard (ECMA-376)."""

from __future__ import annotations

import io
from datetime import date, datetime, time, timedelta

import openpyxl
from hypothesis import given, settings
from hypothesis import strategies as st

from kitplan.read.grids import Grid
from kitplan.read.workbook import Book

CELLS = st.one_of(
    st.none(), st.integers(-10**9, 10**9), st.floats(-1e9, 1e9, allow_nan=False), st.booleans(),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\ufffe\uffff"),
            max_size=20),
    st.datetimes(datetime(1990, 1, 1), datetime(2100, 1, 1)).map(lambda d: d.replace(microsecond=0)),
    st.dates(date(1990, 1, 1), date(2100, 1, 1)), st.times().map(lambda t: t.replace(microsecond=0)),
)
ROWS = st.lists(st.lists(CELLS, min_size=1, max_size=6), min_size=1, max_size=8)


def saved(rows, *, epoch_1904=False) -> bytes:
    book = openpyxl.Workbook()
    if epoch_1904:
        book.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904
    for i, row in enumerate(rows, 1):
        for j, cell in enumerate(row, 1):
            if cell is not None:
                at = book.active.cell(i, j)
                if isinstance(cell, str):
                    at.data_type, at._value = "s", cell
                else:
                    at.value = cell
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def by_openpyxl(content: bytes) -> dict[int, list[object]]:
    page = openpyxl.load_workbook(io.BytesIO(content)).active
    return {i: list(row) for i, row in enumerate(page.iter_rows(values_only=True), 1)
            if any(c is not None and c != "" for c in row)}


def same(mine: object, theirs: object) -> bool:
    if isinstance(theirs, datetime) and isinstance(mine, datetime):
        return abs(mine - theirs) <= timedelta(seconds=1)
    if isinstance(theirs, float | int) and not isinstance(theirs, bool):
        return isinstance(mine, float | int) and abs(float(mine) - float(theirs)) <= 1e-9 * max(1, abs(theirs))
    if isinstance(theirs, time) and isinstance(mine, time):
        return mine == theirs
    return (mine or "") == (theirs or "") or mine is theirs


@given(ROWS, st.booleans())
@settings(max_examples=40, deadline=None)
def test_every_cell_is_what_openpyxl_reads(rows, epoch_1904):
    content = saved(rows, epoch_1904=epoch_1904)
    expected = by_openpyxl(content)
    grid = Book("x.xlsx", content).grid("Sheet")
    if not isinstance(grid, Grid):
        assert not expected
        return
    assert grid.numbers == list(expected)
    for mine, theirs in zip(grid.rows, expected.values()):
        padded = mine + [None] * (len(theirs) - len(mine))
        assert all(same(a, b) for a, b in zip(padded, theirs)), (padded, theirs)


def test_number_formats_that_show_a_day_are_told_from_those_that_do_not():
    dates = ["yyyy-mm-dd", "d/m/yy", "[$-409]d\\-mmm\\-yy;@", "h:mm", "mm:ss", 'dd"."mm"."yyyy', "[h]:mm",
             "m/d/yyyy h:mm"]
    plain = ["General", "0.00", '#,##0 "mm"', "[Red]0.0", "0%", "0.00E+00", "[$USD-409] #,##0.00", "@", '0 "days"',
             "0\\d"]
    book = openpyxl.Workbook()
    for i, code in enumerate([*dates, *plain], 1):
        book.active.cell(1, i, 45_000.25).number_format = code
    out = io.BytesIO()
    book.save(out)
    grid = Book("x.xlsx", out.getvalue()).grid("Sheet")
    assert isinstance(grid, Grid)
    read = [isinstance(c, datetime) for c in grid.rows[0]]
    assert read == [True] * len(dates) + [False] * len(plain)
    assert grid.rows[0][0] == datetime(2023, 3, 15, 6)
