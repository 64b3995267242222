"""`kitplan to-class`: what a class takes from the stock room leaves the shelf and is no use at a bedside."""

import shutil
from datetime import date

import pandas as pd
import pytest
from click.testing import CliRunner
from openpyxl import load_workbook

from kitplan.cli import main
from kitplan.parts.orders.ledger import standing
from kitplan.read.order_book import read_book
from kitplan.resources import sample_units


def run(*arguments):
    return CliRunner().invoke(main, [*map(str, arguments)])


@pytest.fixture
def unit(tmp_path):
    folder = tmp_path / "unit"
    shutil.copytree(sample_units()["harbour_wing"], folder)
    (folder / "on_hand.csv").unlink(missing_ok=True)
    return folder


def counted(unit, day, units):
    (unit.parent / "count.csv").write_text(f"item,packs,loose_units,date\nsaline_5ml,0,{units},{day}\n")
    result = run("count", unit.parent / "count.csv", "--unit", unit)
    assert result.exit_code == 0, result.output


def test_what_a_class_took_is_out_of_stock_and_not_used(unit):
    """100 ampoules, 56 to the class, 30 left a week later: 14 were used and not 70."""
    counted(unit, "2026-11-02", 100)
    taken = unit / "taken.csv"
    taken.write_text("item,taken,lot,date\nsaline_5ml,56,L77,2026-11-05\n")
    result = run("to-class", taken)
    assert result.exit_code == 0, result.output
    assert "What the class took on 2026-11-05 is out of stock and counts as no use (items: 1)." in result.output
    assert standing(read_book(unit)).expected["saline_5ml"] == 44
    counted(unit, "2026-11-09", 30)
    (spell,) = [s for s in standing(read_book(unit)).spells if s.item == "saline_5ml"]
    assert spell.used == 14
    again = run("to-class", taken)
    assert "in the book already" in again.output
    assert len(read_book(unit).of("deliveries")) == 1


def test_a_lot_that_a_class_took_is_found_by_a_recall(unit):
    counted(unit, "2026-11-02", 100)
    (unit / "taken.csv").write_text("item,taken,lot,date\nsaline_5ml,5,L77,2026-11-05\n")
    run("to-class", unit / "taken.csv")
    result = run("recall", unit, "L77")
    assert "class" in result.output.casefold(), result.output


def test_the_sheet_of_the_class_workbook_is_read_back(unit):
    assert run("plan", unit).exit_code == 0
    assert "Nothing new was typed in." in run("to-class", unit).output
    path = unit / "plan" / "class.xlsx"
    book = load_workbook(path)
    sheet = book["From the stock room"]
    for row in sheet.iter_rows():
        if row[0].value == "gloves_small":
            row[4].value, row[5].value = 62, "G1"
        for cell in row:
            if cell.value == "Date taken":
                sheet.cell(cell.row, cell.column + 1).value = date(2026, 11, 17)
    book.save(path)
    result = run("to-class", unit)
    assert result.exit_code == 0, result.output
    (line,) = read_book(unit).of("deliveries")
    assert (line.event, line.item, line.units, line.lot, line.day) == (
        "to_class", "gloves_small", 62, "G1", date(2026, 11, 17))


def test_an_order_for_what_a_class_took_is_of_the_day_that_it_took_it_and_no_day_before(unit):
    counted(unit, "2026-11-02", 300)
    assert run("order", unit).exit_code == 0
    (unit / "taken.csv").write_text("item,taken,date\nsaline_5ml,300,2026-11-05\n")
    assert run("to-class", unit / "taken.csv").exit_code == 0
    assert run("order", unit).exit_code == 0
    made = [(x.item, x.day) for x in read_book(unit).of("orders")]
    assert made == [("saline_5ml", date(2026, 11, 5))]


def test_more_than_the_shelf_held_is_said(unit):
    counted(unit, "2026-11-02", 20)
    (unit / "taken.csv").write_text("item,taken,date\nsaline_5ml,56,2026-11-05\n")
    assert "took 56 of saline_5ml where the book expects 20" in run("to-class", unit / "taken.csv").output


@pytest.mark.parametrize(("text", "said"), [
    ("item,taken\nsalin,5\n", "Did you mean"), ("item,taken\nsaline_5ml,2.5\n", "is not a whole number"),
    ("item,taken\nsaline_5ml,-1\n", "taken"), ("item,lot\nsaline_5ml,5\n", "taken"),
])
def test_a_wrong_line_ends_with_exit_code_2_and_writes_nothing(unit, text, said):
    (unit / "taken.csv").write_text(text)
    result = run("to-class", unit / "taken.csv")
    assert result.exit_code == 2, result.output
    assert said in result.output
    assert not (unit / "book").exists()


def test_a_day_to_come_is_refused_under_the_name_that_the_sheet_gives_it(unit):
    (unit / "taken.csv").write_text("item,taken,date\nsaline_5ml,5,2099-01-01\n")
    result = run("to-class", unit / "taken.csv")
    assert result.exit_code == 2, result.output
    assert "Date taken: is in the future" in result.output


def test_emergency_equipment_that_a_class_takes_is_named_where_the_shelf_then_lacks_it(unit):
    """Its level is on the par list: with one less than that left, someone is told before the next count."""
    assert run("plan", unit).exit_code == 0
    levels = pd.read_csv(unit / "plan" / "tables" / "par_levels.csv").set_index("item")["par_units"]
    (unit / "count.csv").write_text(f"item,packs,loose_units,date\nbag_500ml,0,{levels['bag_500ml'] + 1},2026-11-02\n")
    assert run("count", unit / "count.csv", "--unit", unit).exit_code == 0
    for taken, told in ((1, False), (2, True)):
        (unit / "taken.csv").write_text(f"item,taken,date\nbag_500ml,{taken},2026-11-0{2 + taken}\n")
        said = run("to-class", unit / "taken.csv").output
        assert ("bag_500ml is emergency equipment" in said) == told, said
