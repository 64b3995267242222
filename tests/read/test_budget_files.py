"""budget.csv, [budget] and prices.csv: what is read, and what is asked to be mended."""

from __future__ import annotations

import pytest

from kitplan.read.unit import load_unit

TOML = '{top}\n[budget]\n{lines}\n'


@pytest.fixture
def with_budget(unit_folder):
    """A unit with `[budget]` lines and other files."""

    def make(lines="", **files):
        folder = unit_folder({name.replace("__", "."): text for name, text in files.items()})
        settings = (folder / "unit.toml").read_text()
        (folder / "unit.toml").write_text(TOML.format(top=settings, lines=lines))
        return load_unit(folder)

    return make


def faults(unit):
    return [str(p) for p in unit.faults]


@pytest.mark.parametrize("written", ['"2026-04"', '"2026-04-01"', "2026-04-01"])
def test_a_budget_year_begins_in_the_month_given(with_budget, written):
    unit = with_budget(f"start = {written}\namount = 48000")
    assert (unit.budget.start, unit.budget.amount) == ("2026-04", 48000)
    assert unit.budget.months[-1] == "2027-03"


@pytest.mark.parametrize("written", ['"April"', '"2026-13"', "4"])
def test_what_is_no_month_is_refused_with_the_mend(unit_folder, problems_of, written):
    folder = unit_folder({})
    text = (folder / "unit.toml").read_text()
    (folder / "unit.toml").write_text(TOML.format(top=text, lines=f"start = {written}\namount = 1000"))
    (problem,) = problems_of(folder)
    assert (problem.column, "2026-04" in problem.mend) == ("budget.start", True)


def test_money_without_a_first_month_stops_the_forecast_alone(with_budget):
    unit = with_budget("amount = 48000")
    assert unit.budget is None
    (fault,) = unit.faults
    assert (fault.stops, fault.column) == (("forecast",), "budget.start")


def test_a_budget_by_month_is_read_however_months_are_written(with_budget):
    unit = with_budget(budget__csv="month,amount,spent\n2026-04,4000,3900.50\nMay 2026,4000,\n2026-06-30,4500,\n")
    assert unit.budget.start == "2026-04"
    assert unit.budget.lines["month"].tolist() == ["2026-04", "2026-05", "2026-06"]
    assert unit.budget.lines["spent"].iloc[0] == 3900.5
    assert any("gives no amount for 2026-07" in w.fault for w in unit.warnings)


def test_a_sum_that_is_not_the_amount_is_asked_about(with_budget):
    unit = with_budget('start = "2026-04"\namount = 100', budget__csv="month,amount\n2026-04,4000\n")
    assert any("is not the sum of budget.csv (4,000.00)" in w.fault for w in unit.warnings)


def test_amounts_by_item_and_not_are_not_mixed(with_budget):
    unit = with_budget(budget__csv="month,item,amount\n2026-04,saline_5ml,400\n2026-05,,400\n")
    assert any("other amounts are by item" in f for f in faults(unit))


def test_an_amount_of_an_unknown_item_is_one_fault_and_not_said_to_have_none(with_budget):
    unit = with_budget(budget__csv="month,item,amount\n2026-04,saline_5ml,400\n2026-05,thing,400\n")
    (fault,) = faults(unit)
    assert "is not an item of the catalogue (got 'thing')" in fault


def test_a_month_twice_is_refused(with_budget):
    unit = with_budget(budget__csv="month,amount\n2026-04,400\nApril 2026,500\n")
    assert any("stands twice" in f for f in faults(unit))


def test_prices_are_of_an_item_and_rises_of_one_or_all(with_budget):
    unit = with_budget(prices__csv="date,item,price,percent\n2026-03-01,Saline 5ML,25,\n2027-01-01,,,4\n"
                                   "2027-01-01,saline_5ml,,-2.5\n2027-04-01,all,,1\n")
    assert unit.prices["item"].tolist() == ["saline_5ml", "", "saline_5ml", ""]
    assert unit.prices["percent"].tolist()[1:] == [4, -2.5, 1]


@pytest.mark.parametrize(("row", "said"), [
    ("2026-03-01,saline_5ml,25,4", "needs either a price or a percent"),
    ("2026-03-01,saline_5ml,,", "needs either a price or a percent"),
    ("2026-03-01,,25,", "is empty beside a price"),
    ("2026-03-01,saline_6ml,25,", "is not an item of the catalogue"),
    ("2026-03-01,saline_5ml,-3,", "must be above 0"),
])
def test_a_price_that_says_too_little_or_too_much_is_told(with_budget, row, said):
    unit = with_budget(prices__csv=f"date,item,price,percent\n{row}\n")
    assert any(said in f for f in faults(unit))
