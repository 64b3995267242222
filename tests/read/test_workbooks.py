"""A unit in one workbook, and workbooks that cannot be used."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from openpyxl.chart import BarChart, Reference

from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units

CENSUS = [["route", "tube_mm", "airways"], ["oral", 3.5, 4], ["nasal", 4, 1]]
UNIT = [["key", "value"], ["name", "Sheet unit"], ["mean_stay_days", 5], ["stock.review_days", 14],
        ["stock.readiness", "97 %"], ["bedside.spare_tube", True], ["stock.unavailable", "gauze_5cm_pair; saline_3ml"]]


def workbook(path: Path, **sheets: list[list[object]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        page = book.create_sheet(name)
        for row in rows:
            page.append(row)
    book.save(path)
    return path


def fault_of(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        load_unit(path)
    return str(caught.value)


def test_a_workbook_is_a_unit_with_its_settings_on_a_sheet(tmp_path):
    unit = load_unit(workbook(tmp_path / "ward.xlsx", unit=UNIT, census=CENSUS,
                              present_par=[["item", "par_packs"], ["saline_5ml", 3]]))
    assert unit.name == "Sheet unit"
    assert (unit.stock.review_days, unit.stock.readiness, unit.bedside.spare_tube) == (14, 0.97, True)
    assert unit.stock.unavailable == ("gauze_5cm_pair", "saline_3ml")
    assert unit.present_par is not None
    assert unit.present_par["par_packs"].tolist() == [3]
    assert "ward.xlsx" in unit.checksums


def test_expected_airways_and_modifiers_have_sheets_of_their_own(tmp_path):
    unit = load_unit(workbook(
        tmp_path / "ward.xlsx", unit=UNIT[:3], census=CENSUS,
        expect=[["route", "tube_mm", "mean_airways", "beyond_census"], ["oral", 5, 0.5, "yes"]],
        modifiers=[["route", "soiled"], ["nasal", 2]]))
    assert unit.census.expected["mean_airways"].tolist() == [0.5]
    soiled = unit.frequency.groupby(unit.strata["route"])["soiled_per_day"].first()
    assert soiled["nasal"] == pytest.approx(2 * soiled["oral"])


def test_a_unit_toml_beside_the_workbook_serves_as_its_settings(tmp_path):
    (tmp_path / "unit.toml").write_text('name = "Beside"\nmean_stay_days = 5\n')
    assert load_unit(workbook(tmp_path / "ward.xlsx", census=CENSUS)).name == "Beside"


def test_settings_in_two_places_are_refused(tmp_path):
    (tmp_path / "unit.toml").write_text('name = "Beside"\nmean_stay_days = 5\n')
    assert "stands beside a sheet" in fault_of(workbook(tmp_path / "ward.xlsx", unit=UNIT, census=CENSUS))


def test_a_missing_sheet_is_named(tmp_path):
    told = fault_of(workbook(tmp_path / "ward.xlsx", unit=UNIT, cencus=CENSUS))
    assert "has no census" in told
    assert "'cencus'" in told


def test_a_misspelt_setting_on_the_sheet_is_named(tmp_path):
    told = fault_of(workbook(tmp_path / "ward.xlsx", unit=[*UNIT, ["stock.revue_days", 3]], census=CENSUS))
    assert "'review_days'" in told


def test_a_formula_in_a_column_that_is_read_is_refused(tmp_path):
    told = fault_of(workbook(tmp_path / "ward.xlsx", unit=UNIT, census=[*CENSUS, ["oral", 4, "=1+1"]]))
    assert "row 4, column airways: holds a formula" in told
    assert "paste it as values" in told


def test_a_formula_beside_the_table_does_no_harm(tmp_path):
    rows = [[*CENSUS[0], "double"], [*CENSUS[1], "=C2*2"]]
    unit = load_unit(workbook(tmp_path / "ward.xlsx", unit=UNIT, census=rows))
    assert [w.column for w in unit.warnings] == ["double"]


def test_text_that_only_looks_like_a_formula_is_text(unit_folder):
    unit = load_unit(unit_folder({"census.csv": "airway,route,tube_mm,start,end\n=A1,oral,3.5,2025-01-01,\n"}))
    assert unit.census.rows["airway"].tolist() == ["=A1"]


def test_a_row_far_below_is_read_under_its_own_number(tmp_path):
    book = openpyxl.Workbook()
    page = book.active
    page.title = "census"
    for row in CENSUS:
        page.append(row)
    page.cell(900, 1, "oral")
    page.cell(900, 2, 3.3)
    page.cell(900, 3, 1)
    unit = book.create_sheet("unit")
    unit.append(["key", "value"])
    book.save(tmp_path / "ward.xlsx")
    assert "row 900, column tube_mm" in fault_of(tmp_path / "ward.xlsx")


def rezipped(path: Path, change: dict[str, bytes | None], *, deflate: bool = True) -> Path:
    """Rewrite a workbook's parts: new bytes for a part, or None to leave it out."""
    held = io.BytesIO(path.read_bytes())
    with zipfile.ZipFile(held) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.namelist():
            if entry not in change:
                new.writestr(entry, old.read(entry))
        for entry, content in change.items():
            if content is not None:
                new.writestr(entry, content)
    return path


@pytest.fixture
def good(tmp_path):
    return workbook(tmp_path / "ward.xlsx", unit=UNIT, census=CENSUS)


BROKEN = [
    ("empty", lambda p: p.write_bytes(b""), "is empty"),
    ("not a workbook", lambda p: p.write_bytes(b"route,tube_mm,airways\n"), "not an .xlsx workbook"),
    ("cut short", lambda p: p.write_bytes(p.read_bytes()[:2000]), "not a readable workbook"),
    ("protected by a password", lambda p: p.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(4000)), "password"),
    ("a zip of something else", lambda p: rezipped(p, {"xl/workbook.xml": None}), "not a readable workbook"),
    ("a damaged sheet", lambda p: rezipped(p, {"xl/worksheets/sheet2.xml": b"<worksheet><sheetData><row"}),
     "not a readable workbook"),
    ("macros", lambda p: rezipped(p, {"xl/vbaProject.bin": b"x"}), "macros"),
    ("a zip bomb", lambda p: rezipped(p, {"xl/media/pad.bin": bytes(60_000_000)}), "unpacks to far more"),
    ("thousands of parts", lambda p: rezipped(p, {f"xl/a{i}.bin": b"" for i in range(3100)}), "unpacks to far more"),
    ("entities that grow", lambda p: rezipped(p, {"xl/sharedStrings.xml":
     b'<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><sst><si><t>&b;</t></si></sst>'}),
     "no spreadsheet program writes"),
]


@pytest.mark.parametrize(("spoil", "words"), [b[1:] for b in BROKEN], ids=[b[0] for b in BROKEN])
def test_a_workbook_that_cannot_be_used_is_refused_in_one_sentence(spoil, words, good):
    spoil(good)
    told = fault_of(good)
    assert words in told
    assert "ward.xlsx" in told


def test_links_to_other_workbooks_are_told_and_not_followed(good):
    rezipped(good, {"xl/externalLinks/externalLink1.xml": b"<externalLink/>"})
    assert any("links to other workbooks" in w.fault for w in load_unit(good).warnings)


def test_a_chart_sheet_named_census_is_no_table(tmp_path):
    book = openpyxl.Workbook()
    book.active.title = "unit"
    book.active.append(["key", "value"])
    chart = BarChart()
    chart.add_data(Reference(book.active, 1, 1, 1, 1))
    book.create_chartsheet("census").add_chart(chart)
    book.save(tmp_path / "ward.xlsx")
    assert "[census]: is a chart and not a table" in fault_of(tmp_path / "ward.xlsx")


def test_an_empty_sheet_is_told(tmp_path):
    assert "is empty" in fault_of(workbook(tmp_path / "ward.xlsx", unit=UNIT, census=[]))


def test_a_sheet_that_claims_a_million_columns_is_read_by_what_it_holds(good):
    with zipfile.ZipFile(good) as book:
        name = next(n for n in book.namelist() if n.endswith("sheet2.xml"))
        sheet = book.read(name)
    assert b"<dimension" in sheet
    rezipped(good, {name: sheet.replace(b'ref="A1:C3"', b'ref="A1:XFD1048576"')})
    assert load_unit(good).census.rows["airways"].sum() == 5


def test_a_table_of_a_folder_may_be_a_workbook_of_its_own(unit_folder):
    folder = unit_folder()
    (folder / "census.csv").unlink()
    workbook(folder / "census.xlsx", Sheet1=CENSUS)
    assert load_unit(folder).census.rows["airways"].sum() == 5


def test_a_table_that_stands_twice_is_refused(unit_folder):
    folder = unit_folder()
    workbook(folder / "census.xlsx", census=CENSUS)
    assert "both are the table census" in fault_of(folder)


def test_a_setting_twice_or_as_a_formula_is_refused(tmp_path):
    rows = [*UNIT, ["mean_stay_days", 6], ["stock.lead_days", "=1+1"]]
    told = fault_of(workbook(tmp_path / "ward.xlsx", unit=rows, census=CENSUS))
    assert "row 8, column key: stands twice" in told
    assert "row 9, column value: holds a formula" in told


@pytest.mark.parametrize("name", ["harbour_wing", "mill_lane"])
def test_a_sample_reads_the_same_as_sheets_of_one_workbook(name, tmp_path):
    folder = sample_units()[name]
    sheets = {p.stem: [*csv.reader(p.open(encoding="utf-8"))] for p in folder.glob("*.csv")}
    (tmp_path / "unit.toml").write_bytes((folder / "unit.toml").read_bytes())
    one, other = load_unit(folder), load_unit(workbook(tmp_path / "ward.xlsx", **sheets))
    pd.testing.assert_frame_equal(one.strata, other.strata)
    pd.testing.assert_frame_equal(one.census.rows, other.census.rows)
    for table in ("log", "issues", "present_par", "on_hand"):
        mine, theirs = getattr(one, table), getattr(other, table)
        assert (mine is None and theirs is None) or mine.equals(theirs)
