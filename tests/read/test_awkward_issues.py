"""Twenty ways in which a store may export the same three months of issues (invented): all say the same."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from kitplan.read.columns import columns_of
from kitplan.read.findings import Findings
from kitplan.read.grids import Grid
from kitplan.read.headers import raw_table
from kitplan.read.issues import issues_reader, read_issues
from kitplan.read.unit import load_unit
from kitplan.resources import config_file

FOLDER = Path(__file__).parent / "awkward_issues"
FILES = sorted(p.stem for p in FOLDER.glob("*.csv"))
UNITS = {"saline_5ml": 248, "gauze_5cm_pair": 174, "tape_12mm_457cm": 21}
"""Net of a return of seven."""
WITHOUT_FEBRUARY = {"saline_5ml": 163, "gauze_5cm_pair": 116, "tape_12mm_457cm": 14}
SAID = {
    "a_month_missing": "has no line in 2025-02",
    "article_numbers_of_other_units": "19 lines of",
    "items_of_other_units": "19 lines of 3 items with 171 units set aside",
    "pasted_twice": "as from one export pasted twice: 19 lines with 443 units are set aside",
    "report_with_title_and_grand_total": "1 line of totals that say 443 units",
    "subtotals_by_month": "4 lines of totals",
    "total_line": "1 line of totals that say 443 units",
    "two_exports_that_overlap": "as from one export pasted twice: 6 lines",
    "trade_number_and_description": "'EAN' is taken as gtin",
}
ALIASES = {"saline_5ml": "4125501", "gauze_5cm_pair": "4125502", "tape_12mm_457cm": "4125503"}


def catalogue():
    first, *rest = config_file("items.csv").read_text(encoding="utf-8").splitlines()
    return "\n".join([f"{first},alias", *(f"{line},{ALIASES.get(line.split(',')[0], '')}" for line in rest)]) + "\n"


def test_there_are_twenty():
    assert len(FILES) == 20
    assert set(SAID) <= set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_an_export_is_read_for_what_it_says(name, unit_folder):
    unit = load_unit(unit_folder({"items.csv": catalogue(),
                                  "stock_issues.csv": (FOLDER / f"{name}.csv").read_bytes()}))
    assert unit.issues is not None, "\n".join(map(str, unit.faults))
    expected = WITHOUT_FEBRUARY if name == "a_month_missing" else UNITS
    assert unit.issues.groupby("item")["units"].sum().to_dict() == expected
    assert str(unit.issues["date"].min().date()) == "2025-01-06"
    assert str(unit.issues["date"].max().date()) == "2025-03-10"
    said = [w.fault for w in unit.warnings if w.file == "stock_issues.csv"]
    assert any(SAID.get(name, "") in fault for fault in [*said, ""]), said


WIDE = {
    "worded": "Item,Description,Jan 2025,Feb 2025,Mar 2025,Total\n",
    "iso": "Item,Description,2025-01,2025-02,2025-03,Total\n",
    "days": "Item,Description,2025-01-01,2025-02-01,2025-03-01,Total\n",
}


@pytest.mark.parametrize("header", WIDE)
def test_months_across_are_read_as_lines_below(header, unit_folder):
    text = WIDE[header] + ("saline_5ml,Saline,100,85,63,248\ngauze_5cm_pair,Gauze,58,,116,174\n"
                           "another unit's,Pump line,5,5,5,15\nTotal,,163,90,184,437\n")
    unit = load_unit(unit_folder({"stock_issues.csv": text}))
    assert unit.issues is not None, "\n".join(map(str, unit.faults))
    assert unit.issues.groupby("item")["units"].sum().to_dict() == {"saline_5ml": 248, "gauze_5cm_pair": 174}
    assert sorted(set(unit.issues["date"].astype(str))) == ["2025-01-01", "2025-02-01", "2025-03-01"]
    said = " ".join(w.fault for w in unit.warnings if w.file == "stock_issues.csv")
    assert "months across" in said
    assert "3 lines of totals that say 437 units" in said
    assert "3 lines of 1 item with 15 units set aside" in said


def test_a_fault_under_a_month_names_its_row(unit_folder):
    unit = load_unit(unit_folder({"stock_issues.csv": "item,2025-01,2025-02\nsaline_5ml,5,many\n"}))
    (fault,) = unit.faults
    assert (fault.row, fault.value) == (2, "many")


def test_formulas_beside_months_across_do_no_harm_and_one_in_a_month_is_refused():
    """As a spreadsheet program makes such a sheet: column D sums B and C; then C is a formula itself."""
    items = pd.read_csv(config_file("items.csv"), dtype={"gtin": str}).assign(alias="", routes="").fillna({"gtin": ""})
    rows = [["Item", "2025-01", "2025-02", "Total"], ["saline_5ml", 5.0, 7.0, 12.0]]

    def read(column):
        findings = Findings()
        grid = Grid("stock_issues.xlsx", rows, [1, 2], frozenset({(2, column)}))
        raw = raw_table(grid, columns_of("stock_issues"), findings)
        reader = issues_reader(raw, findings)
        return reader and read_issues(reader, items), findings

    issues, findings = read(3)
    assert (issues["units"].tolist(), findings.faults) == ([5, 7], [])
    assert {(f.row, f.column) for f in read(2)[1].faults} == {(2, "units")}


def test_no_number_of_another_units_article_is_shown(unit_folder):
    unit = load_unit(unit_folder({"items.csv": catalogue(), "stock_issues.csv": (
        FOLDER / "article_numbers_of_other_units.csv").read_bytes()}))
    assert not any("41300" in str(w) for w in unit.warnings)


@pytest.mark.parametrize("stranger", ["41255598", "412555991301"])
def test_a_number_that_is_not_like_the_articles_still_stops_the_run(stranger, unit_folder, problems_of):
    lines = [f"2025-01-06,{number},5" for number in (*ALIASES.values(), stranger)]
    problems = problems_of(unit_folder({"items.csv": catalogue(), "stock_issues.csv": "\n".join(
        ["date,item,units", *lines]) + "\n"}))
    assert all("patient's identity" in p.fault for p in problems)


def test_a_line_whose_words_are_unknown_is_known_by_its_article_number_beside_others(unit_folder):
    names = [f'"{row.split(",")[0]}"' for row in config_file("items.csv").read_text(encoding="utf-8").splitlines()[1:5]]
    lines = [f"2025-01-06,100450{k},{name},5" for k, name in enumerate(names)]
    text = "\n".join(["Date,Article number,Description,Qty", *lines, "2025-01-07,1004502,bag,-2",
                      "2025-01-07,1009999,pump line,12"]) + "\n"
    unit = load_unit(unit_folder({"stock_issues.csv": text}))
    assert unit.issues["units"].tolist() == [5, 5, 5, 5, -2]
    assert unit.issues["item"].iloc[-1] == names[2].strip('"')


def test_a_price_below_nothing_is_told_what_to_do(unit_folder):
    unit = load_unit(unit_folder({"stock_issues.csv": "date,item,units,price\n2025-01-06,saline_5ml,-5,-24\n"}))
    (fault,) = unit.faults
    assert "is a price below 0" in fault.fault
    assert "of a return or a credit the units are below 0" in fault.mend


def test_an_item_that_is_called_after_a_total_is_no_total(unit_folder):
    text = "date,item,units\n2025-01-06,saline_5ml,5\n2025-01-06,Total care set,3\n"
    unit = load_unit(unit_folder({"stock_issues.csv": text}))
    assert any("1 line of 1 item with 3 units set aside" in w.fault for w in unit.warnings)


def test_months_alone_are_read_as_months(unit_folder):
    text = "Month,Item,Quantity\n2025-01,saline_5ml,120\nFeb 2025,saline_5ml,140\n03/2025,saline_5ml,90\n"
    unit = load_unit(unit_folder({"stock_issues.csv": text}))
    assert unit.issues["date"].dt.strftime("%Y-%m").tolist() == ["2025-01", "2025-02", "2025-03"]


def test_text_under_the_table_is_left_out_and_told(unit_folder):
    text = "date,item,units\n2025-01-06,saline_5ml,12\nTotal,,12\nPrinted on 2025-02-01,,\n"
    unit = load_unit(unit_folder({"stock_issues.csv": text}))
    assert unit.issues["units"].tolist() == [12]
    assert any("ends with 1 line without units" in w.fault for w in unit.warnings)


def test_lines_counted_in_boxes_are_asked_about(unit_folder):
    text = "date,item,units,UOM\n2025-01-06,saline_5ml,2,BOX\n2025-01-13,saline_5ml,200,EA\n"
    unit = load_unit(unit_folder({"stock_issues.csv": text}))
    (warning,) = [w for w in unit.warnings if "counted in boxes" in w.fault]
    assert warning.row == 2
