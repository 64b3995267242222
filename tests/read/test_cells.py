"""Numbers, days, flags and trade item numbers as people type them."""

from __future__ import annotations

from datetime import date, datetime, time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kitplan.read.cells import (
    Bad,
    Moment,
    read_clock,
    read_flag,
    read_gtin,
    read_numbers,
    read_seconds,
    read_text,
    tidy,
)
from kitplan.read.days import day_order, read_days
from kitplan.read.findings import key_of, nearest, suggestion
from kitplan.read.grids import header_key, text_grid
from kitplan.read.identity import looks_personal

DAYS = st.dates(date(1990, 1, 1), date(2100, 12, 31))
NUMBERS = st.decimals(min_value=-99999, max_value=99999, places=2)
ANYTHING = st.one_of(st.text(max_size=40), st.floats(), st.integers(), st.booleans(), st.datetimes(), st.dates(),
                     st.times())


def numbers(*values, unit=""):
    return read_numbers(values, unit)


@pytest.mark.parametrize(("written", "meant"), [
    ("3.5", 3.5), ("3,5", 3.5), (" 3.5 ", 3.5), ("+3.5", 3.5), ("−3.5", -3.5), ("0,125", 0.125), ("1,234.50", 1234.5),
    ("1.234,50", 1234.5), ("1 234,5", 1234.5), ("1'234.5", 1234.5), ("1,234,567", 1234567), ("1.234.567", 1234567),
    ("1e2", 100), (3, 3), (3.25, 3.25), ("12,3456", 12.3456), ("1.234", 1.234),
])
def test_a_number_is_read_with_either_decimal_sign(written, meant):
    assert numbers(tidy(written)) == [meant]


def test_a_column_tells_what_one_value_cannot():
    assert numbers("1,234", "2,5") == [1.234, 2.5]
    assert numbers("1,234", "1,000.5") == [1234, 1000.5]
    assert isinstance(numbers("1,234")[0], Bad)
    assert isinstance(numbers("1.234", "2,5")[0], Bad)
    assert numbers("0,500", "1,000") == [0.5, 1], "a program that writes three decimals writes three everywhere"


@pytest.mark.parametrize("beside", ["1,0", "2,5", "12,3456"])
def test_a_thousand_is_not_read_as_one_because_another_line_has_a_decimal_comma(beside):
    bad, other = numbers("1,000", beside)
    assert (bad.fault, bad.mend) == ("can be read two ways", "Type 1000 or 1.")
    assert isinstance(other, float)
    assert numbers("1,500", beside)[0].mend == "Type 1500 or 1,5."


def test_a_thousand_with_a_point_is_not_read_as_one_among_whole_numbers():
    bad, other = read_numbers(["1.000", "40"], whole=True)
    assert (bad.fault, bad.mend, other) == ("can be read two ways", "Type 1000 or 1.", 40)
    for three_decimals in ("0.000", "1200.000"):
        assert read_numbers(["1.000", three_decimals], whole=True)[0] == 1
    assert numbers("1.000") == [1], "a length or a price"


@pytest.mark.parametrize(("written", "unit", "meant"), [
    ("1 pack", "packs", 1), ("2 Packs", "packs", 2), ("1day", "days", 1),
    ("3.5 mm", "mm", 3.5), ("3,5mm", "mm", 3.5), ("$12.00", "currency", 12), ("12,50 €", "currency", 12.5),
    ("EUR 12.50", "currency", 12.5), ("6.1 KG", "kg", 6.1),
])
def test_the_columns_own_unit_may_stand_behind_a_number(written, unit, meant):
    assert numbers(written, unit=unit) == [meant]


@pytest.mark.parametrize("written", [
    "", "abc", "nan", "inf", "-inf", "1e308", "1e999", "0x10", "1_000", "٣", "3.5.", "1,2,3", "--3", "3..5", "½",
    "3 mm", float("nan"), float("inf"), 1e300, True, datetime(2025, 1, 1), "#N/A", "3.5 cm", "Ⅷ", "1e", ".", ",",
])
def test_what_is_no_number_is_refused(written):
    (found,) = numbers(written)
    assert isinstance(found, Bad)
    assert found.mend.endswith(".")


@given(NUMBERS, st.sampled_from(["{:.2f}", "{:,.2f}", "swap"]))
@settings(max_examples=60, deadline=None)
def test_a_number_with_two_decimals_survives_every_style(value, style):
    text = f"{value:,.2f}".translate(str.maketrans(",.", ".,")) if style == "swap" else style.format(value)
    assert numbers(text) == [pytest.approx(float(value), abs=1e-9)]


@given(st.lists(ANYTHING, max_size=6))
@settings(max_examples=150, deadline=None)
def test_no_cell_makes_a_reader_fail(values):
    assert len(read_numbers(values)) == len(values)
    assert len(read_days(values, day_order(values))) == len(values)
    for value in values:
        for read in (read_text, read_flag, read_gtin, read_seconds):
            read(value)
        read_clock(str(value))
        looks_personal(str(value))
        header_key(value)
        tidy(value)


@pytest.mark.parametrize("style", ["%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d %B %Y", "%d-%b-%Y", "%B %d, %Y", "%b %d %Y"])
@given(DAYS)
@settings(max_examples=25, deadline=None)
def test_a_day_survives_every_style_that_can_be_read_one_way(style, day):
    assert read_days([day.strftime(style)], day_order([])) == [Moment(day, None)]


@given(st.lists(DAYS, min_size=1, max_size=8), st.booleans())
@settings(max_examples=60, deadline=None)
def test_slashed_days_are_read_right_or_refused_and_never_read_wrong(days, day_first):
    written = [d.strftime("%d/%m/%Y" if day_first else "%m/%d/%Y") for d in days]
    order = day_order(written)
    read = read_days(written, order)
    told = any(d.day > 12 for d in days)
    if told or all(d.day == d.month for d in days):
        assert read == [Moment(d, None) for d in days]
    else:
        assert all(isinstance(r, Bad) or r.day == d for r, d in zip(read, days))
        assert any(isinstance(r, Bad) for r in read)


def test_midnights_mean_days_only_when_all_are():
    order = day_order([])
    assert read_days(["2025-01-01 00:00", "2025-01-02 00:00"], order)[0] == Moment(date(2025, 1, 1), None)
    assert read_days(["2025-01-01 00:00", "2025-01-02 06:00"], order)[0] == Moment(date(2025, 1, 1), time(0))


@pytest.mark.parametrize("written", ["2025-02-29", "31/04/2025", "1989-12-31", "2101-01-01", "45658", 45658.0, "today",
                                     "2025-13-01", "2025-01-01 25:00", "1 Maybe 2025", "0000-00-00"])
def test_what_is_no_day_is_refused(written):
    (found,) = read_days([written], day_order([written]))
    assert isinstance(found, Bad)


@pytest.mark.parametrize(("written", "meant"), [
    ("yes", True), ("X", True), (1, True), (True, True), ("NO", False), (0, False),
])
def test_a_flag_is_read(written, meant):
    assert read_flag(written) == meant


def test_the_check_digit_of_a_trade_item_number_is_that_of_the_general_specifications():
    # GS1 General Specifications, check digit calculation: GTIN-13 of 400638133393 is 1 (from memory).
    assert [*map(read_gtin, ["4006381333931", 4006381333931, "400 638 133 393 1", "4006381333931.0"])] == [
        "4006381333931"] * 4
    assert all(isinstance(g, Bad) for g in (read_gtin(f"400638133393{d}") for d in "023456789"))


@given(st.integers(0, 10**13 - 1))
@settings(max_examples=60, deadline=None)
def test_one_digit_mistyped_is_always_seen(body):
    digits = f"{body:013d}"
    check = -sum(int(d) * (3 if i % 2 == 0 else 1) for i, d in enumerate(reversed(digits))) % 10
    whole = digits + str(check)
    assert read_gtin(whole) == whole
    wrong = whole[:5] + str((int(whole[5]) + 1) % 10) + whole[6:]
    assert isinstance(read_gtin(wrong), Bad)


@pytest.mark.parametrize(("header", "key"), [
    ("Tube mm", "tube_mm"), ("tube-mm", "tube_mm"), (" TUBE_MM (mm) ", "tube_mm"), ("patient_kg [kg]", "patient_kg"),
    ("Route\u00a0", "route"), ("\u200eRou\u200bte\u2060", "route"), ("(mm)", "(mm)"), ("", ""), (None, ""), (5, "5"),
])
def test_headers_are_matched_by_their_letters(header, key):
    assert header_key(header) == key


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=120))
@settings(max_examples=80, deadline=None)
def test_any_text_is_a_grid_or_a_sentence(text):
    found = text_grid("x.csv", text.encode(), ["route", "tube_mm"])
    assert isinstance(found, Bad) or found.rows


@given(st.binary(max_size=200))
@settings(max_examples=80, deadline=None)
def test_any_bytes_are_a_grid_or_a_sentence(content):
    found = text_grid("x.csv", content, ["route", "tube_mm"])
    assert isinstance(found, Bad) or found.rows


def test_the_nearest_word_is_suggested_and_else_the_choices():
    assert nearest("Review days", ["review_days", "lead_days"]) == "review_days"
    assert suggestion("review_dys", ["review_days"]) == "Did you mean 'review_days'?"
    assert suggestion("zebra", ["a", "b"]) == "Use one of: a, b."
    assert suggestion("zebra", ["a", "Oral, two"]) == "Use one of: a; Oral, two."
    assert suggestion("zebra", ["a", "b", "c"], limit=2) == "Use one of: a, b and 1 more."
    items = [f"{k}_{what}" for what in ("mask", "gauze", "tape_roll") for k in ("aa", "bb", "cc", "dd", "ee")]
    assert suggestion("tape roll wide soft", items, limit=12) == (
        "Use one of: aa_tape_roll, bb_tape_roll, cc_tape_roll and 12 more.")
    assert key_of("  Two-Part  NAME ") == "two_part_name"
