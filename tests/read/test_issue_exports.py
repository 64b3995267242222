"""Exports of stock issues as stores make them, invented: each is read for what it says, or asked about.

The forms of a credit (a minus before, behind, or brackets) are common practice in ledgers, no source.
"""

from __future__ import annotations

from decimal import Decimal

import pytest

from kitplan.read.unit import load_unit
from kitplan.resources import config_file

ITEMS = config_file("items.csv").read_text(encoding="utf-8")
GAUZE = "gauze_5cm_pair"
DAYS = ("2025-01-06", "2025-01-13", "2025-01-20")
FIVE = ("saline_5ml", GAUZE, "tape_12mm_137cm", "tape_12mm_457cm", "tape_12mm_914cm")


@pytest.fixture
def export(unit_folder):
    """Read an export: `export(lines, header=..., **other files)` gives the issues and the warnings about them."""

    def read(lines, header="date,item,units", items=None, name="stock_issues.csv"):
        files = {name: "\n".join([header, *lines]) + "\n"} | ({"items.csv": items} if items else {})
        unit = load_unit(unit_folder(files))
        assert unit.issues is not None, "\n".join(map(str, unit.faults))
        return unit.issues, [w for w in unit.warnings if w.file == name]

    return read


def with_alias(text):
    lines = ITEMS.splitlines()
    return "\n".join([lines[0] + ",alias", *(
        line + ("," + text if line.startswith("saline_5ml,") else ",") for line in lines[1:])]) + "\n"


def week(day, units=12):
    return [f"{day},{item},{units + place}" for place, item in enumerate(FIVE)]


@pytest.mark.parametrize("credit", ["-20", "\u221220", "20-", "(20)", "(20.0)"])
def test_a_return_reduces_the_use_however_the_ledger_writes_it(export, credit):
    issues, _ = export(["2025-01-06,saline_5ml,50", f"2025-01-09,saline_5ml,{credit}"])
    assert issues["units"].tolist() == [50, -20]


def test_more_returned_than_issued_is_asked_about(export):
    _, said = export(["2025-01-06,saline_5ml,10", "2025-01-09,saline_5ml,-25"])
    assert any("15 more units returned than issued" in w.fault for w in said)


def test_an_article_number_saved_as_a_number_with_a_point_is_the_same_number(export):
    """A column of numbers with gaps, saved from a table of floats: 2000000010182.0."""
    lines = ["2025-01-06,2000000010182.0,50", "2025-01-06,2000000099996.0,7"]
    issues, said = export(lines, "date,article number,units")
    assert issues[["item", "units"]].to_numpy().tolist() == [["saline_5ml", 50]]
    assert any("1 line of 1 item with 7 units" in w.fault for w in said)


def test_other_units_items_are_set_aside_with_their_count_and_sum(export):
    others = [f"2025-01-{day:02d},infusion set {kind},{day}" for day in range(1, 11) for kind in ("A", "B")]
    issues, said = export(["2025-01-06,saline_5ml,50", *others, "2025-01-11,infusion set A,-4"])
    assert issues["units"].tolist() == [50]
    (warning,) = [w for w in said if "set aside" in w.fault]
    assert "21 lines of 2 items" in warning.fault
    assert f"{2 * sum(range(1, 11)) - 4} units set aside" in warning.fault
    assert (warning.row, warning.value) == (3, "infusion set A")


def test_trade_numbers_of_another_unit_are_no_record_numbers(export):
    issues, said = export(["2025-01-06,saline_5ml,50", "2025-01-06,4006381333931,7"])
    assert len(issues) == 1
    assert any("1 line of 1 item" in w.fault for w in said)


def test_a_record_number_among_the_items_still_stops_the_run(unit_folder, problems_of):
    text = "date,item,units\n2025-01-06,saline_5ml,50\n2025-01-06,4125559913,7\n"
    problems = problems_of(unit_folder({"stock_issues.csv": text}))
    assert all("patient's identity" in p.fault for p in problems)


def test_an_export_in_which_no_item_is_known_is_refused(unit_folder, problems_of):
    problems = problems_of(unit_folder({"stock_issues.csv": "date,item,units\n2025-01-06,saline_6ml,50\n"}))
    assert "saline_5ml" in problems[0].mend


def row_of(item):
    names = ITEMS.splitlines()[0].split(",")
    return dict(zip(names, next(r for r in ITEMS.splitlines() if r.startswith(item + ",")).split(",")))


@pytest.mark.parametrize("column", ["item", "description", "gtin"])
@pytest.mark.parametrize("fold", [str, str.upper])
def test_an_item_is_known_by_its_name_description_or_trade_number(export, column, fold):
    issues, _ = export([f"2025-01-06,{fold(row_of('saline_5ml')[column])},50"])
    assert issues["item"].tolist() == ["saline_5ml"]


def test_a_trade_number_is_known_in_its_longer_form(export):
    issues, _ = export([f"2025-01-06,0{row_of('saline_5ml')['gtin']},50"])
    assert issues["item"].tolist() == ["saline_5ml"]


@pytest.mark.parametrize("written", ["NaCl amp", "104477", "nacl-AMP"])
def test_an_item_is_known_by_what_the_store_calls_it(export, written):
    issues, said = export([f"2025-01-06,{written},50"], items=with_alias("NaCl amp; 104477"))
    assert issues["item"].tolist() == ["saline_5ml"]
    assert not said


def test_an_alias_that_may_be_two_items_is_refused_and_not_guessed(unit_folder, problems_of):
    items = "\n".join(line + "amp" if line.startswith(GAUZE) else line for line in with_alias("amp").splitlines())
    (problem,) = problems_of(unit_folder({
        "items.csv": items, "stock_issues.csv": "date,item,units\n2025-01-06,saline_5ml,5\n2025-01-06,amp,5\n"}))
    assert f"{GAUZE} or saline_5ml" in problem.fault


@pytest.mark.parametrize("times", [2, 3])
@pytest.mark.parametrize("order", [list, sorted])
def test_an_export_pasted_more_than_once_is_counted_once_and_told(export, times, order):
    once = [line for day in DAYS for line in week(day)]
    issues, said = export(order(once * times))
    assert issues["units"].sum() == 3 * sum(range(12, 17))
    (warning,) = [w for w in said if "pasted twice" in w.fault]
    assert f"{15 * (times - 1)} lines" in warning.fault
    assert "3 days, 2025-01-06 to 2025-01-20" in warning.fault


def test_two_exports_that_overlap_are_counted_once_where_they_do(export):
    first, second = [*week(DAYS[0]), *week(DAYS[1])], [*week(DAYS[1]), *week(DAYS[2])]
    issues, said = export(first + second)
    assert len(issues) == 15
    assert any("1 day, 2025-01-13, more than once" in w.fault for w in said)


def test_a_paste_that_cuts_a_day_in_two_is_counted_once_in_that_day_too(export):
    once = [line for day in DAYS for line in week(day)]
    issues, said = export([*once, *once[2:], f"{DAYS[0]},saline_5ml,99"])
    assert issues["units"].sum() == 3 * sum(range(12, 17)) + 99
    (warning,) = [w for w in said if "pasted twice" in w.fault]
    assert "2 days, 2025-01-13 to 2025-01-20, more than once" in warning.fault
    assert "13 lines" in warning.fault
    assert not [w for w in said if "both are counted" in w.fault]


def test_two_like_issues_of_one_day_are_counted_and_asked_about(export):
    issues, said = export([*week(DAYS[0]), f"{DAYS[0]},saline_5ml,12"])
    assert len(issues) == 6
    assert any("says the same as an earlier row; both are counted" in w.fault for w in said)


def test_like_lines_of_two_orders_are_two_issues(export):
    lines = [f"{line},{order}" for order in ("4500000001", "4500000002") for line in week(DAYS[0])]
    issues, said = export(lines, header="date,item,units,order number")
    assert len(issues) == 10
    assert not [w for w in said if "pasted" in w.fault or "the same as" in w.fault]


def test_packs_booked_as_units_are_asked_about(export):
    pack = int(row_of("saline_5ml")["pack"])
    lines = [f"2025-0{month}-06,saline_5ml,{2 * pack}" for month in range(1, 7)]
    issues, said = export([*lines, "2025-07-06,saline_5ml,2"])
    assert issues["units"].iloc[-1] == 2
    (warning,) = [w for w in said if "packs booked as units?" in w.fault]
    assert warning.row == 8


def test_units_multiplied_by_the_pack_again_are_asked_about(export):
    pack = int(row_of("saline_5ml")["pack"])
    lines = [f"2025-0{month}-06,saline_5ml,{40 + month}" for month in range(1, 7)]
    _, said = export([*lines, f"2025-07-06,saline_5ml,{42 * pack}"])
    (warning,) = [w for w in said if "units booked as packs?" in w.fault]
    assert warning.row == 8


def test_a_busy_week_is_not_taken_for_packs(export):
    _, said = export([f"2025-01-{6 + k:02d},saline_5ml,{units}" for k, units in enumerate((3, 7, 12, 1, 30, 9, 45))])
    assert not [w for w in said if "booked as" in w.fault]


def test_missing_months_are_named(export):
    lines = [f"2025-{month:02d}-06,saline_5ml,{month + 40}" for month in range(1, 13) if month not in (4, 11)]
    _, said = export(lines)
    (warning,) = [w for w in said if "has no line in" in w.fault]
    assert "2025-04, 2025-11:" in warning.fault


def test_a_summer_without_a_gap_names_no_month(export):
    _, said = export([f"2025-{month:02d}-06,saline_5ml,{month + 40}" for month in range(5, 10)])
    assert not said


def test_what_is_read_and_what_is_set_aside_is_the_whole_export(export):
    """Accounting identity, to the cent: lines kept, lines of others and lines pasted twice sum to the file."""
    price = Decimal("17.35")
    once = [f"{line},{price}" for day in DAYS for line in week(day)]
    lines = [*once, *once, f"2025-01-27,saline_5ml,-7,{price}", f"2025-01-27,other,9,{price}"]
    issues, _ = export(lines, header="date,item,units,price")
    cents = lambda units: round(units * float(price) * 100)  # noqa: E731
    whole = sum(Decimal(line.split(",")[2]) * price for line in lines)
    kept = issues["units"] * issues["price"]
    pasted = 3 * sum(range(12, 17))
    assert round(kept.sum() * 100) + cents(pasted) + cents(9) == int(whole * 100)
    assert round(kept.sum() * 100) == cents(pasted - 7)


def months_of(item, *months, price=""):
    return [f"2025-{month:02d}-10,{item},50,{price}" for month in months]


def test_an_item_whose_place_another_pack_took_goes_on_under_its_name_at_the_same_money(export):
    """Wipes in boxes of 50 at 22.50 until March, in boxes of 25 from April: 22.50 is 11.25 for a box of 25."""
    lines = [*months_of("prep_wipe_box50", 1, 2, 3, price=22.5), *months_of("prep_wipe_box25", 4, 5, 6, price=12.5)]
    issues, said = export(lines, "date,item,units,price")
    assert issues[["item", "units", "price"]].to_numpy().tolist() == (
        3 * [["prep_wipe_box25", 50, 11.25]] + 3 * [["prep_wipe_box25", 50, 12.5]])
    (told,) = [str(w) for w in said if w.column == "item"]
    assert "has no line after 2025-03, and prep_wipe_box25, which is alike, begins in 2025-04" in told


@pytest.mark.parametrize("lines", [
    [*months_of("prep_wipe_box50", 1, 2, 3, 4), *months_of("prep_wipe_box25", 5, 6)],
    [*months_of("prep_wipe_box50", 1, 2, 3), *months_of("prep_wipe_box25", 1, 2, 3, 4, 5, 6)],
    [*months_of("mask_60mm", 1, 2, 3), *months_of("mask_70mm", 4, 5, 6)],
    [*months_of("gloves_large", 1, 2, 3), *months_of("gloves_medium", 4, 5, 6)],
    [*months_of("saline_5ml", 1, 2, 3), *months_of("saline_10ml", 4, 5, 6)],
], ids=["given up lately", "both at once", "other size", "other share", "other content"])
def test_what_may_still_be_issued_or_is_not_alike_keeps_its_name(export, lines):
    issues, said = export(lines, "date,item,units,price")
    assert issues["item"].nunique() == 2
    assert not any(w.column == "item" for w in said)
