"""Labels, count sheet, order and expiry list: on both papers, all there, scannable, the same bytes each time."""

from __future__ import annotations

import csv
import io
import re
import shutil
import subprocess
from datetime import date
from itertools import pairwise

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitplan.parts.orders.bin_labels import LabelGrid, Marking, bin_labels_pdf, markings, order_point_text
from kitplan.parts.orders.model import WeeklyRound
from kitplan.parts.orders.order_points import OrderPoints
from kitplan.parts.orders.ordering import Horizon, make_order
from kitplan.parts.orders.prints import count_sheet, expiry_list, order_list
from kitplan.resources import config_file
from kitplan.write.listing import PAPERS, Column, Listing, listing_pdf
from kitplan.write.shelf import counted

MM = 72 / 25.4
POINTS = pd.DataFrame([
    {"item": "saline_5ml", "description": "Saline 5 mL", "bin": "A1", "pack": 100, "par_packs": 2, "par_units": 200,
     "order_point_units": 134, "use_per_day": 9.0, "gtin": "2000000010182", "critical": False, "role": "saline",
     "counted_as": "ampoule"},
    {"item": "bag_500ml", "description": "Resuscitation bag, 500 mL", "bin": "C2", "pack": 1, "par_packs": 28,
     "par_units": 28, "order_point_units": 8, "use_per_day": 1.5, "gtin": "", "critical": True, "role": "bag",
     "counted_as": "bag"},
])
ITEMS = POINTS.assign(price=[24.0, 17.0])[["item", "description", "pack", "price", "critical", "bin"]]
LOTS = pd.DataFrame({"item": ["saline_5ml", "saline_5ml"], "packs": [1.0, 0.0], "loose_units": [0.0, 40.0],
                     "expires": pd.to_datetime(["2027-01-31", "2026-07-03"]), "lot": ["L2", "L1"]})


@pytest.fixture
def order():
    return make_order(POINTS, ITEMS, LOTS, {}, Horizon(date(2026, 7, 1), 2, 9))


def text_of(pdf: bytes) -> str:
    if not shutil.which("pdftotext"):
        pytest.skip("pdftotext is not installed")
    done = subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, check=True)
    return done.stdout.decode()


@pytest.mark.parametrize("paper", PAPERS)
def test_a_label_says_what_it_is_how_it_comes_par_and_order_point(paper):
    text = text_of(bin_labels_pdf(POINTS, paper))
    for words in ("Saline 5 mL", "A1", "pack of 100", "PAR 2 packs", "ORDER UNDER 1 pack + 34 ampoules",
                  "item code saline_5ml", "internal number 2000000010182", "EM", "each", "PAR 28 bags",
                  "ORDER UNDER 8 bags",
                  "no clinical advice"):
        assert words in text, words


@pytest.mark.parametrize(("units", "pack", "words"), [
    (0, 10, "0 pairs"), (1, 10, "1 pair"), (10, 10, "1 pack"), (23, 10, "2 packs + 3 pairs"), (8, 1, "8 pairs")])
def test_the_order_point_is_said_as_a_person_counts_in_the_items_own_word(units, pack, words):
    assert order_point_text(units, pack, "pair") == words


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
    points = POINTS.iloc[:1].assign(gtin="4006381333931")
    page = subprocess.run(["pdftoppm", "-r", "300", "-png", "-"], input=bin_labels_pdf(points, "a4"),
                          capture_output=True, check=True).stdout
    found = {code.symbology_identifier: code.bytes for code in reader.read_barcodes(image.open(io.BytesIO(page)))}
    assert found["]C1"] == b"0104006381333931"
    assert found["]C0"] == b"saline_5ml"


def test_labels_run_over_as_many_sheets_as_they_need():
    many = pd.concat([POINTS] * 10, ignore_index=True)
    pdf = bin_labels_pdf(many, "a4", LabelGrid(rows=5, columns=3))
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
    page = subprocess.run(["pdftoppm", "-r", "200", "-png", "-"], input=bin_labels_pdf(POINTS, "a4"),
                          capture_output=True, check=True).stdout
    found = {code.text for code in reader.read_barcodes(image.open(io.BytesIO(page)))}
    assert found == {"saline_5ml", "2000000010182", "bag_500ml"}


def test_a_code_with_letters_that_bars_cannot_carry_is_printed_as_text():
    assert "Größe" in text_of(bin_labels_pdf(POINTS.assign(item="Größe_5"), "a4"))


def test_the_count_sheet_is_in_shelf_order_with_room_to_write():
    listing = count_sheet(WeeklyRound(OrderPoints(POINTS)), "Unit   Plan 1")
    assert [row[0] for row in listing.rows] == ["A1", "C2"]
    assert sum(c.kind == "write" for c in listing.columns) == 4
    assert "EM  Resuscitation bag" in listing.rows[1][1]


def test_the_order_begins_with_what_is_urgent(order):
    listing = order_list(order, "USD", "foot")
    assert listing.rows[0][1].startswith("URGENT"), "no bag on the shelf"
    assert listing.rows[0][4] == 28


def test_the_expiry_list_begins_with_the_nearest_date(order):
    rows = expiry_list(order, "foot").rows
    assert [r[0] for r in rows] == ["2026-07-03", "2027-01-31"]
    assert rows[0][5] == 22, "40 less 9 a day for 2 days"


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


def test_the_same_list_gives_the_same_bytes(order):
    listing = order_list(order, "USD", "foot")
    assert listing_pdf(listing, "a4") == listing_pdf(listing, "a4")
    assert bin_labels_pdf(POINTS, "letter") == bin_labels_pdf(POINTS, "letter")


def test_markup_in_a_name_is_printed_as_it_stands():
    listing = Listing("T & <b>", "n", (Column("A", 50),), [("<b>5 & 6</b>",)], "f")
    assert "<b>5 & 6</b>" in text_of(listing_pdf(listing, "a4"))
