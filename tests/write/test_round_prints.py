"""Labels, count sheet, order and expiry list: on both papers, all there, scannable, the same bytes each time."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
from dataclasses import replace
from datetime import date
from itertools import pairwise
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitplan.parts.orders.bin_labels import Marking, bin_labels_pdf, drawn_labels, markings
from kitplan.parts.orders.build import Build, plan_builds
from kitplan.parts.orders.ledger import Lot, standing
from kitplan.parts.orders.model import WeeklyRound
from kitplan.parts.orders.ordering import make_order
from kitplan.parts.orders.prints import build_list, count_sheet, expiry_list, order_list, prints
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan
from kitplan.read.catalogue import spoken_names
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.problems import counted
from kitplan.resources import config_file
from kitplan.write.listing import PAPERS, Column, Listing, listing_pdf
from kitplan.write.page import LabelGrid

MM = 72 / 25.4
DAY = date(2026, 7, 1)
LEVELS = (
    Level("saline_5ml", "Saline 5 mL", "A1", 100, 24.0, 139, 34, 9.0, False, "2000000010182",
          "ampoule"),
    Level("bag_500ml", "Resuscitation bag, 500 mL", "C2", 1, 17.0, 28, 8, 1.5, True, "", "bag"),
)
PLAN = RoundPlan("USD", 7, 2, LEVELS, {"A": {"bag_500ml": 1}}, {"A": 2})
CATALOGUE = Catalogue({"saline_5ml": 100, "bag_500ml": 1}, {"saline_5ml": 24.0, "bag_500ml": 17.0},
                      {x.item: x.description for x in LEVELS}, {x.item: x.bin for x in LEVELS},
                      frozenset({"bag_500ml"}))
LINES = [Line("counts", DAY, "counted", "saline_5ml", 100, 1, 0, date(2027, 1, 31), "L2", "1"),
         Line("counts", DAY, "counted", "saline_5ml", 100, 0, 40, date(2026, 7, 3), "L1", "1"),
         Line("orders", DAY, "ordered", "bag_500ml", 1, 3, number="1", price=17.0)]
SPOKEN = dict(CATALOGUE.description)


@pytest.fixture
def order(weekly):
    return weekly.order


@pytest.fixture
def weekly():
    book = OrderBook().grown(LINES, "P")
    now = standing(book)
    return WeeklyRound(PLAN, now, make_order(PLAN, now, CATALOGUE), plan_builds(PLAN, now, book, DAY))


def text_of(pdf: bytes) -> str:
    if not shutil.which("pdftotext"):
        pytest.skip("pdftotext is not installed")
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True)
    return done.stdout.decode()


@pytest.mark.parametrize("paper", PAPERS)
def test_a_label_says_what_it_is_and_the_one_number_to_order_under(paper):
    text = text_of(bin_labels_pdf(LEVELS, paper))
    for words in ("Saline 5 mL", "A1", "UNDER 139 ampoules: order. Comes in 100s.",
                  "Urgent under 34", "item code saline_5ml",
                  "internal number 2000000010182", "no clinical advice", "EM", "UNDER 28 bags: order.",
                  "Urgent under 8"):
        assert words in text, words


@pytest.mark.parametrize(("number", "word", "said"), [
    (1, "pouch", "1 pouch"), (3, "pouch", "3 pouches"), (2, "pair of scissors", "2 pairs of scissors"),
    (2, "mask", "2 masks"), (1200, "roll", "1,200 rolls")])
def test_things_are_counted_in_their_own_word(number, word, said):
    assert counted(number, word) == said


def test_every_item_of_the_catalogue_has_its_own_counting_word():
    for name in ("items.csv", "more_equipment.csv"):
        rows = list(csv.DictReader(config_file(name).open(encoding="utf-8", newline="")))
        assert all(row["counted_as"] for row in rows)
        assert not any(row["counted_as"] == "piece" and row["role"] in ("gloves", "tape") for row in rows)


def test_a_trade_item_number_is_marked_as_gs1_asks_and_a_number_for_use_inside_is_not():
    """Check digit example of the GS1 General Specifications, 400638133393 and 1; prefix 20 to 29 is for use inside a
    company (GS1 General Specifications, from memory)."""
    assert markings("x", "4006381333931")[1] == Marking("\xf10104006381333931", "(01) 04006381333931")
    assert [m.said for m in markings("x", "2000000010182")] == ["item code x", "internal number 2000000010182"]
    assert [m.said for m in markings("x", "")] == ["item code x"]


def test_a_reader_that_is_not_ours_takes_a_trade_item_number_for_gs1(tmp_path):
    """Decoded by zxing-cpp: symbology identifier ]C1 is GS1-128, ]C0 plain Code 128 (ISO/IEC 15424, from memory)."""
    reader = pytest.importorskip("zxingcpp")
    image = pytest.importorskip("PIL.Image")
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm is not installed")
    points = [replace(LEVELS[0], gtin="4006381333931")]
    page = subprocess.run(["pdftoppm", "-r", "300", "-png", "-"], input=bin_labels_pdf(points, "a4"),
                          capture_output=True, check=True).stdout
    found = {code.symbology_identifier: code.bytes for code in reader.read_barcodes(image.open(io.BytesIO(page)))}
    assert found["]C1"] == b"0104006381333931"
    assert found["]C0"] == b"saline_5ml"


def test_labels_run_over_as_many_sheets_as_they_need():
    pdf, bare = drawn_labels(LEVELS * 10, "a4", LabelGrid(rows=5, columns=3))
    assert bare == 0
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 2


@given(st.integers(1, 12), st.integers(1, 4), st.floats(0, 20), st.floats(0, 20), st.floats(0, 5), st.floats(0, 5),
       st.sampled_from(sorted(PAPERS)))
def test_every_grid_keeps_its_labels_apart_and_on_the_paper(rows, columns, top, side, across, down, paper):
    width, height = PAPERS[paper]
    label_width = (width / MM - 2 * side - (columns - 1) * across) / columns
    label_height = (height / MM - 2 * top - (rows - 1) * down) / rows
    grid = LabelGrid(rows, columns, top, side, across, down)
    if label_width < 45 or label_height < 20:
        with pytest.raises(ValueError, match="too small"):
            list(grid.places(paper))
        return
    places = list(grid.places(paper))
    assert len(places) == rows * columns
    for left, bottom, w, h in places:
        assert side * MM - 0.01 <= left <= width - side * MM - w + 0.01
        assert top * MM - 0.01 <= bottom <= height - top * MM - h + 0.01
    for (l1, b1, w1, _), (l2, b2, _, h2) in pairwise(places):
        same_row = abs(b1 - b2) < 0.01
        assert l2 >= l1 + w1 + across * MM - 0.01 if same_row else b1 >= b2 + h2 + down * MM - 0.01


def test_a_reader_that_is_not_ours_scans_every_code(tmp_path):
    """Decoded by zxing-cpp from the page drawn at 200 dots an inch (ISO/IEC 15417, Code 128)."""
    reader = pytest.importorskip("zxingcpp")
    image = pytest.importorskip("PIL.Image")
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm is not installed")
    page = subprocess.run(["pdftoppm", "-r", "200", "-png", "-"], input=bin_labels_pdf(LEVELS, "a4"),
                          capture_output=True, check=True).stdout
    found = {code.text for code in reader.read_barcodes(image.open(io.BytesIO(page)))}
    assert found == {"saline_5ml", "2000000010182", "bag_500ml"}


LONG = replace(LEVELS[0], item="gloves_extra_small", description="Examination gloves, extra small, box of 50 pairs",
               bin="B2-06", level_units=1193, urgent_units=1042)


@pytest.mark.parametrize(("rows", "columns"), [(8, 2), (11, 2), (10, 3), (12, 3), (12, 4)])
@pytest.mark.parametrize("paper", PAPERS)
def test_on_no_grid_does_a_word_leave_its_label_or_lie_on_another(rows, columns, paper):
    if not shutil.which("pdftotext"):
        pytest.skip("pdftotext is not installed")
    grid = LabelGrid(rows, columns)
    pdf, _ = drawn_labels([*LEVELS, LONG], paper, grid)
    page = subprocess.run(["pdftotext", "-bbox", "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    height = PAPERS[paper][1]
    words = [(w[4], *map(float, w[:4])) for w in re.findall(
        r'xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">([^<]*)</word>', page)]
    labels = list(grid.places(paper))[:3]
    foot = height - 6 * MM
    inside = [w for w in words if w[4] < foot]
    assert {"UNDER", "Urgent", "B2-06"} <= {w[0] for w in inside}
    for word, x0, y0, x1, y1 in inside:
        assert any(left <= x0 and x1 <= left + w and height - bottom - h <= y0 + 2 and y1 - 2 <= height - bottom
                   for left, bottom, w, h in labels), word
    for k, (_, a0, b0, a1, b1) in enumerate(inside):  # a box is as high as its letters could be
        assert not [w for w in inside[k + 1:] if min(a1, w[3]) - max(a0, w[1]) > 0.5
                    and min(b1, w[4]) - max(b0, w[2]) > 0.45 * (b1 - b0)]


@pytest.mark.parametrize(("rows", "columns"), [(8, 2), (11, 2), (10, 3)])
def test_codes_on_small_labels_are_scanned_too(rows, columns):
    """Decoded by zxing-cpp; blank modules stand at either side of a code, also beside the edge of a label."""
    reader = pytest.importorskip("zxingcpp")
    image = pytest.importorskip("PIL.Image")
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm is not installed")
    pdf, bare = drawn_labels([*LEVELS, LONG], "a4", LabelGrid(rows, columns))
    page = subprocess.run(["pdftoppm", "-r", "400", "-png", "-"], input=pdf, capture_output=True, check=True).stdout
    found = {code.text for code in reader.read_barcodes(image.open(io.BytesIO(page)))}
    assert bare == 0
    assert {"saline_5ml", "bag_500ml", "gloves_extra_small"} <= found


def test_labels_too_low_for_bars_are_counted():
    assert drawn_labels([*LEVELS, LONG], "a4", LabelGrid(13, 4))[1] == 3
    assert drawn_labels([LEVELS[0], LONG], "a4", LabelGrid(12, 3))[1] == 1, "a name of two lines leaves no room"


def test_a_code_with_letters_that_bars_cannot_carry_is_printed_as_text():
    assert "Größe" in text_of(bin_labels_pdf([replace(LEVELS[0], item="Größe_5")], "a4"))


def test_the_count_sheet_is_in_shelf_order_with_what_is_expected_and_room_to_write(weekly):
    listing = count_sheet(weekly, "Unit   Plan 1")
    assert [row[0] for row in listing.rows] == ["A1", "C2", ""]
    assert sum(c.kind == "write" for c in listing.columns) == 4
    assert "EM  Resuscitation bag" in listing.rows[1][1]
    assert listing.rows[0][3:5] == (139, 140)
    assert listing.rows[2][1].startswith("Kit A")


def test_the_count_sheet_has_no_box_for_loose_units_where_only_packs_are_counted(weekly):
    levels = (replace(LEVELS[0], packs_only=True), LEVELS[1])
    listing = count_sheet(replace(weekly, plan=replace(PLAN, levels=levels)), "foot")
    loose = [c.title for c in listing.columns].index("Loose")
    assert [row[loose] for row in listing.rows] == ["–", None, None]
    assert "–" in text_of(listing_pdf(listing, "letter"))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_no_heading_and_no_bin_is_broken_within_a_word(weekly, paper):
    levels = tuple(replace(level, bin="NE12-104") for level in LEVELS)
    shelf = replace(weekly, plan=replace(PLAN, levels=levels))
    listing = count_sheet(shelf, "foot")
    words = set(text_of(listing_pdf(listing, paper)).split())
    assert {word for column in listing.columns for word in column.title.split()} | {"NE12-104"} <= words


def test_the_order_begins_with_what_is_urgent_and_was_not_counted(weekly, order):
    listing = order_list(weekly, order, "USD", "foot", SPOKEN)
    assert listing.rows[0][1].startswith("URGENT")
    assert "not counted" in listing.rows[0][6]


def test_the_order_names_under_its_lines_what_was_not_counted(weekly, order):
    note = "Not counted on 2026-07-01, or in doubt, and so not ordered: saline_5ml (1 of 2 lines)."
    listing = order_list(replace(weekly, notes=(note,)), order, "USD", "foot", SPOKEN)
    assert listing.after == [note.replace("saline_5ml", "Saline 5 mL")]


def test_the_order_shows_no_cents_where_the_currency_has_none(weekly, order):
    values = {money: [row[5] for row in order_list(weekly, order, money, "foot", SPOKEN).rows]
              for money in ("USD", "JPY")}
    assert all("." in value for value in values["USD"])
    assert values["JPY"] == [f"{float(value.replace(',', '')):,.0f}" for value in values["USD"]]
    assert "0.00" not in text_of(listing_pdf(order_list(weekly, order, "JPY", "foot", SPOKEN), "letter"))


def test_the_order_marks_emergency_equipment_and_nothing_else(weekly, order):
    rows = order_list(weekly, order, "USD", "foot", {level.item: level.named for level in LEVELS}).rows
    marked = {row[1].partition("EM  ")[2] for row in rows if "EM  " in row[1]}
    wanted = order.lines[order.lines["urgent"] | (order.lines["order_packs"] > 0)]["item"]
    assert marked == {level.description for level in LEVELS if level.critical and level.item in set(wanted)} != set()


def test_the_expiry_list_holds_what_there_is_to_do_and_tells_of_the_rest_in_a_line(order):
    listing = expiry_list(order, "foot", SPOKEN)
    assert [r[0] for r in listing.rows] == ["2026-07-03"], "the other lot is used long before its date"
    assert listing.rows[0][5] == 22, "40 less 9 a day for 2 days"
    assert listing.after == ["Nothing to do about the dates of 1 other lot; the first of them is 2027-01-31 "
                             f"({SPOKEN['saline_5ml']}). All stand in tables/expiry.csv."]
    assert "2027-01-31" in text_of(listing_pdf(listing, "a4"))


def test_without_dates_the_expiry_list_says_nothing_of_them(order):
    undated = replace(order, ledger=order.ledger.assign(expires=pd.NaT, advice=""))
    listing = expiry_list(undated, "foot", SPOKEN)
    assert (listing.rows, listing.after) == ([], [""])
    assert "Nothing to do" not in text_of(listing_pdf(listing, "a4"))


@pytest.mark.parametrize("paper", PAPERS)
def test_every_page_carries_unit_plan_page_and_caution(paper):
    rows = [(f"A{k}", "words " * 5, None) for k in range(90)]
    listing = Listing("Title", "Note", (Column("Bin", 20, "strong"), Column("Item", 90), Column("Count", 20, "write")),
                      rows, "Harbour   Plan AB-1")
    pdf = listing_pdf(listing, paper)
    pages = [p for p in text_of(pdf).split("\f") if p.strip()]
    assert len(pages) > 1
    for number, page in enumerate(pages, 1):
        assert "Harbour" in page
        assert f"Page {number} of {len(pages)}" in page
        assert "no clinical advice" in page
        assert "Bin" in page, "the header is repeated"
    page = subprocess.run(["pdftotext", "-bbox", "-", "-"], input=pdf, capture_output=True, check=True).stdout.decode()
    assert max(float(x) for x in re.findall(r'xMax="([\d.]+)"', page)) <= PAPERS[paper][0] - 12 * MM + 0.1


def test_the_same_list_gives_the_same_bytes(weekly, order):
    listing = order_list(weekly, order, "USD", "foot", SPOKEN)
    assert listing_pdf(listing, "a4") == listing_pdf(listing, "a4")
    assert bin_labels_pdf(LEVELS, "letter") == bin_labels_pdf(LEVELS, "letter")


def test_markup_in_a_name_is_printed_as_it_stands():
    listing = Listing("T & <b>", "n", (Column("A", 50),), [("<b>5 & 6</b>",)], "f")
    assert "<b>5 & 6</b>" in text_of(listing_pdf(listing, "a4"))


def test_where_no_kit_can_be_built_the_sheet_says_so_in_place_of_last_weeks():
    """Sheets are only ever replaced in the plan's folder: one that is left out would lie there from the week before."""
    items = pd.DataFrame({"item": list(SPOKEN), "description": list(SPOKEN.values()), "critical": False})
    unit = SimpleNamespace(name="U", items=items, paper="a4", currency="USD")
    idle, held = Build("A", 2, 2, 0, {}, ""), Build("B", 4, 1, 0, {}, "bag_500ml is short")
    weekly = WeeklyRound(PLAN, standing(OrderBook()), builds=(idle, held))
    found = prints(SimpleNamespace(orders=weekly, number="P", unit=unit))
    assert "kits-to-build.pdf" in found
    listing = build_list(weekly, "foot", SPOKEN)
    assert listing.rows == []
    assert listing.note.split("\n") == ["Kit A: 2 ready of 2; build 0.", "Kit B: 1 ready of 4; build 0. Not more: "
                                        f"{SPOKEN['bag_500ml']} is short.", "None can be built."]


def test_emergency_equipment_is_marked_wherever_it_goes_into_a_kit(weekly):
    named = spoken_names(pd.DataFrame({"item": list(SPOKEN), "description": ["Saline 5 mL", "Bag"],
                                       "critical": [False, True]}))
    assert named == {"saline_5ml": "Saline 5 mL", "bag_500ml": "EM  Bag"}
    lot = Lot("", None, 1)
    stocked = replace(weekly, builds=(Build("A", 1, 0, 1, {"A-1": {"bag_500ml": (lot,)}}, ""),))
    assert [row[2] for row in build_list(stocked, "foot", named).rows] == ["EM  Bag"]
