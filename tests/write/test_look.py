"""The helpers that every sheet is written with."""

from __future__ import annotations

import io
import sys
import zipfile

import openpyxl
import pytest

from kitplan.workbooks import build_workbooks
from kitplan.write.book import Book, Formula, lines_needed
from kitplan.write.charts import Line, line_chart, place, round_step, scatter


def saved(book: Book) -> openpyxl.Workbook:
    return openpyxl.load_workbook(io.BytesIO(book.content()))


@pytest.fixture
def book() -> Book:
    return Book("Invented unit", "USD", "0000-0000")


def test_a_page_has_a_frozen_header_that_is_repeated_in_print(book):
    page = book.page("Kits", "which kit serves which airway", (14, 40, 10))
    page.title("Bedside kits", "Build the number in the last column.")
    row = page.header(("Design", "Description", "Items"), ("text", "wrap", "whole"))
    page.row(("A", "for the smallest", 12), ("text", "wrap", "whole"))
    sheet = saved(book)["Kits"]
    assert sheet.freeze_panes == f"A{row + 1}"
    assert sheet.print_title_rows == f"${row}:${row}"
    assert [c.value for c in sheet[row + 1]] == ["A", "for the smallest", 12]


def test_a_later_table_never_prints_under_the_labels_of_an_earlier_one(book):
    page = book.page("Two tables", "one below the other", (14, 40))
    page.header(("Par levels set by", "Ready"))
    page.row(("plan", 0.98), ("text", "share"))
    second = page.header(("Item", "Par"), freeze=False)
    sheet = saved(book)["Two tables"]
    assert sheet.print_title_rows == f"${second}:${second}"
    assert sheet.freeze_panes == f"A{second - 1}"


@pytest.mark.parametrize(("kind", "value", "number_format"), [
    ("whole", 1234, "#,##0"), ("money", 1.5, "#,##0.00"), ("share", 0.98, "0.0 %"), ("litres", 3.0, '#,##0.0" L"'),
    ("days", 2.0, '#,##0.0" days"'), ("packs", 3, '#,##0" packs"'), ("text", "007", "@"),
])
def test_a_kind_of_cell_carries_its_number_format_with_its_unit(book, kind, value, number_format):
    page = book.page("One", "", (10,))
    page.row((value,), (kind,))
    cell = saved(book)["One"]["A1"]
    assert (cell.value, cell.number_format) == (value, number_format)


def test_missing_values_are_empty_cells_and_numpy_numbers_plain_ones(book):
    import numpy as np

    page = book.page("One", "", (10, 10, 10))
    page.row((float("nan"), None, np.int64(4)), ("number", "text", "whole"))
    assert [c.value for c in saved(book)["One"][1]] == [None, None, 4]


def test_a_formula_is_asked_for_and_text_that_looks_like_one_is_not(book):
    page = book.page("One", "", (10, 10))
    page.row((Formula("=1+1", 2), "=1+1"), ("whole", "text"))
    content = book.content()
    sheet = openpyxl.load_workbook(io.BytesIO(content))["One"]
    assert (sheet["A1"].data_type, sheet["B1"].data_type) == ("f", "s")
    assert sheet["B1"].quotePrefix
    shown = openpyxl.load_workbook(io.BytesIO(content), data_only=True)["One"]
    assert (shown["A1"].value, shown["B1"].value) == (2, "=1+1")


def test_input_cells_are_boxed_and_open_and_nothing_else_is(book):
    page = book.page("One", "", (10, 10, 10))
    page.row((None, None, "fixed"), ("input", "input_text", "text"))
    page.protect()
    sheet = saved(book)["One"]
    assert [c.protection.locked for c in sheet[1]] == [False, False, True]
    assert [getattr(c.border.left, "style", None) for c in sheet[1]] == ["medium", "medium", None]


def test_a_total_has_no_box_to_tick(book):
    page = book.page("One", "", (10, 10))
    page.row(("a", None), ("text", "tick"))
    page.total(("Total", None), ("text", "tick"))
    sheet = saved(book)["One"]
    assert sheet["B1"].border.left.style == "medium"
    assert getattr(sheet["B2"].border.left, "style", None) is None


def test_long_text_gets_the_height_it_needs(book):
    page = book.page("One", "", (20,))
    page.row(("short",), ("wrap",))
    page.row(("a sentence that takes a good deal more than twenty characters to say",), ("wrap",))
    sheet = saved(book)["One"]
    assert sheet.row_dimensions[2].height > 2.5 * sheet.row_dimensions[1].height


def test_lines_are_broken_at_words_and_long_words_are_cut():
    assert lines_needed("one two three", 100) == 1
    assert lines_needed("one two three", 7) == 2
    assert lines_needed("one\ntwo", 100) == 2
    assert lines_needed("x" * 40, 10) == 4
    assert lines_needed("", 10) == 1


def test_charts_have_both_axes_no_borrowed_title_and_tell_series_apart_without_colour(book):
    page = book.page("Charts", "", (20, 20, 20))
    for month in range(6):
        page.row((f"month {month}", month, 2 * month), ("text", "whole", "whole"))
    lines = [Line("low", (1, 1, 6), (2, 1, 6), marker="circle", dash="solid"),
             Line("high", (1, 1, 6), (3, 1, 6), marker="square", dash="dash")]
    for chart in (scatter(page, lines, "Month", "Units", y_format="0"), line_chart(page, lines, "Units"),
                  line_chart(page, lines, "Units", bars=True)):
        place(page, chart, rows=10)
    with zipfile.ZipFile(io.BytesIO(book.content())) as package:
        charts = [package.read(f"xl/charts/chart{n}.xml").decode() for n in (1, 2, 3)]
    for chart in charts:
        assert '<c:delete val="1"/>' not in chart
        assert '<c:autoTitleDeleted val="1"/>' in chart
        assert "low" in chart
        assert "Units" in chart
    assert "Month" in charts[0]
    for chart in charts[:2]:
        assert 'symbol val="circle"' in chart
        assert 'symbol val="square"' in chart
        assert 'prstDash val="dash"' in chart


def test_round_steps_are_one_two_or_five_times_a_power_of_ten():
    assert [round_step(x) for x in (0.013, 0.02, 0.03, 0.4, 6.0)] == [0.02, 0.02, 0.05, 0.5, 10.0]


def test_the_workbook_of_45_items_takes_little_work(plan):
    """Work counted in calls of Python functions, so that no clock and no other program decides."""
    build_workbooks(plan)
    calls = 0

    def count(_, event, __):
        nonlocal calls
        calls += event == "call"

    sys.setprofile(count)
    try:
        build_workbooks(plan)
    finally:
        sys.setprofile(None)
    assert calls < 380_000, "three times what it took when this was written"


def printed(book: Book):
    sheet = openpyxl.load_workbook(io.BytesIO(book.content())).worksheets[0]
    return [b.id for b in sheet.row_breaks.brk], sheet.print_title_rows


def filled(book, *rows):
    page = book.page("Sheet", "About", (20, 20))
    page.header(("Item", "Units"))
    for _ in range(rows[0]):
        page.row(("a", "b"), ("text", "text"))
    return page


def test_a_header_is_not_repeated_over_a_short_table_where_its_own_fits_a_page(book):
    """A printed page lying holds about 30 rows of a narrow sheet: 20 fit, and 12 more do not."""
    page = filled(book, 20)
    page.another_table(12)
    page.header(("Other", "Words"), freeze=False)
    assert printed(book) == ([21], None)


def test_a_header_stays_repeated_where_its_own_table_runs_over_a_page(book):
    page = filled(book, 60)
    page.another_table(12)
    page.header(("Other", "Words"), freeze=False)
    assert printed(book) == ([29, 57], "$1:$1")


def test_the_last_rows_of_a_long_table_go_with_a_short_one_that_has_no_room_under_it(book):
    """No header is printed over another table alone: five rows of its own stand between, and a group's line with its
    rows.
    """
    page = filled(book, 51)
    page.another_table(12)
    page.header(("Other", "Words"), freeze=False)
    assert printed(book) == ([29, 47], "$1:$1")


@pytest.mark.parametrize(("rows", "ends"), [(33, [29, 34]), (37, [29, 38]), (38, [29, 34])])
def test_no_page_is_left_with_a_few_rows_alone_when_the_last_ones_go_with_what_follows(rows, ends, book):
    page = filled(book, rows)
    page.another_table(28)
    page.header(("Other", "Words"), freeze=False)
    assert printed(book)[0] == ends


def test_a_total_is_as_high_as_its_text_needs_and_goes_on_another_page_where_it_has_no_room(book):
    page = filled(book, 28)
    page.total(("many words of a sum " * 4, 12), ("wrap", "whole"))
    sheet = openpyxl.load_workbook(io.BytesIO(book.content())).worksheets[0]
    assert sheet.row_dimensions[30].height > 40
    assert [b.id for b in sheet.row_breaks.brk] == [29]


@pytest.mark.parametrize(("rows", "ends"), [(23, []), (24, []), (25, [26]), (27, [28])])
def test_a_line_that_begins_a_group_has_three_of_its_rows_under_it_on_its_page(rows, ends, book):
    page = filled(book, rows)
    page.group(("Group",))
    page.row(("a", "b"), ("text", "text"))
    assert printed(book)[0] == ends


def test_a_line_that_begins_a_group_goes_with_a_tall_row_that_has_no_room_under_it(book):
    page = filled(book, 24)
    page.group(("Group",))
    page.row(("a long reason " * 12, "b"), ("wrap", "text"))
    assert printed(book)[0] == [25], "the group stands in row 26"


def test_the_last_rows_of_a_long_table_go_with_a_chart_that_has_no_room_under_it(book):
    page = filled(book, 50)
    place(page, line_chart(page, [Line("L", (1, 2, 51), (2, 2, 51))], "y"), rows=16)
    assert printed(book) == ([29, 46], "$1:$1")


def test_a_chart_between_a_long_table_and_another_is_not_cut_in_two(book):
    page = filled(book, 40)
    place(page, line_chart(page, [Line("L", (1, 2, 41), (2, 2, 41))], "y"), rows=10)
    after = page.next_row
    page.another_table(20)
    assert printed(book) == ([29, after - 1], "$1:$1")


def test_of_two_tables_the_one_that_runs_over_its_page_has_its_header_repeated(book):
    page = filled(book, 40)
    page.header(("Other", "Words"), freeze=False)
    for _ in range(5):
        page.row(("a", "b"), ("text", "text"))
    assert printed(book) == ([29], "$1:$1"), "the second ends on the page that it begins on"


def test_a_chart_on_a_page_of_its_own_has_no_header_of_a_table_over_it(book):
    page = filled(book, 20)
    place(page, line_chart(page, [Line("L", (1, 2, 21), (2, 2, 21))], "y"), rows=16)
    assert printed(book) == ([21], None)


def test_a_group_that_a_page_has_no_room_for_goes_to_the_next_under_the_same_header(book):
    page = filled(book, 20)
    assert page.has_room(5)
    assert not page.has_room(12)
    page.keep_together(12)
    page.group(("Group",))
    assert printed(book) == ([21], "$1:$1")


def test_wide_sheets_are_shrunk_and_hold_more_rows_and_letter_fewer_than_a4_standing():
    def room(widths, paper="a4", landscape=True):
        page = Book("Unit", "USD", "AB-1", paper).page("S", "A", widths, landscape=landscape)
        return next(n for n in range(200) if not page.has_room(n))
    assert room((20, 20)) < room((100, 100))
    assert room((20, 20), "letter", False) < room((20, 20), "a4", False)


def test_a_long_name_of_a_unit_goes_on_in_the_footers_next_line():
    book = Book("Invented intensive care for children and newborns, second floor of the east wing", "USD", "AB-1")
    assert "children and\nnewborns, second floor of the east wing\nPlan AB-1" in book._footer()
