"""`kitplan new`: nobody's files are overwritten, and what it makes is described by columns.csv."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner

from kitplan.cli import main
from kitplan.read.blocks import SETTINGS
from kitplan.read.catalogue import invented_prices
from kitplan.read.columns import columns_of
from kitplan.read.problems import InputError
from kitplan.read.source import SHEETS_ONLY
from kitplan.read.starter import TABLES, starter_settings
from kitplan.read.unit import load_unit
from kitplan.resources import config_file, sample_units

BLANK = [table for table in TABLES if table[0] not in SHEETS_ONLY]


def run(*arguments):
    return CliRunner().invoke(main, ["new", *map(str, arguments)])


def test_a_blank_unit_holds_a_commented_unit_file_a_guide_and_blank_tables(tmp_path):
    result = run(tmp_path / "mine")
    assert result.exit_code == 0
    assert "kitplan check" in result.output
    unit = tomllib.loads((tmp_path / "mine" / "unit.toml").read_text())
    assert unit["name"]
    assert unit["resecure"] == {}, "every default stands there as a note, switched off"
    for name, table, *_ in BLANK:
        path = "census.csv" if name == "census" else f"optional/{name}.csv"
        rows = list(csv.reader((tmp_path / "mine" / path).open()))
        assert rows == [list(columns_of(table))]


def test_every_default_can_be_switched_on_by_taking_its_mark_away(tmp_path):
    run(tmp_path / "mine")
    lines = (tmp_path / "mine" / "unit.toml").read_text().splitlines()
    from_stock = lines[lines.index("[stock]"):]
    unit = tomllib.loads("\n".join(line.removeprefix("# ") for line in from_stock))
    assert unit["stock"]["review_days"] == 7
    assert unit["bedside"]["adjacent_size"] is True
    assert unit["resecure"]["checks_per_day"] == 4


def test_a_starter_with_every_default_switched_on_and_one_airway_is_read_without_a_warning(tmp_path):
    folder = tmp_path / "mine"
    run(folder)
    lines = (folder / "unit.toml").read_text().splitlines()
    limits = ("# shelf_litres", "# budget", "# container_litres", "# beds")
    head, rest = lines[: lines.index("[stock]")], lines[lines.index("[stock]"):]
    on = [line if line.startswith(limits) else line.removeprefix("# ") for line in rest]
    (folder / "unit.toml").write_text("\n".join([*head, *on]))
    with open(folder / "census.csv", "a") as census:
        csv.writer(census).writerow([column.example for column in columns_of("census_counts").values()])
    for path in (folder / "optional").iterdir():
        if path.name in ("items.csv", "face.csv", "tubes.csv", "techniques.toml", "class.toml"):
            path.rename(folder / path.name)
    unit = load_unit(folder)
    assert unit.warnings == ()
    assert unit.n_strata == 1


@pytest.mark.parametrize("table", [table for _, table, *_ in TABLES])
def test_the_example_of_a_table_fills_its_columns(table):
    assert all(c.example for c in columns_of(table).values() if c.required)


@pytest.mark.parametrize("file", ["examples.csv", "accepts.csv", "headings.csv"])
def test_what_is_said_beside_the_columns_is_said_of_columns(file):
    with config_file(file).open(encoding="utf-8", newline="") as lines:
        for row in csv.DictReader(lines):
            shapes = ("census_counts", "census_stays") if row["table"] == "census" else (row["table"],)
            assert any(row["column"] in columns_of(shape) for shape in shapes), row


def test_the_guide_names_every_column_of_every_table(tmp_path):
    run(tmp_path / "mine")
    guide = (tmp_path / "mine" / "HOW_TO_FILL.txt").read_text()
    for _, table, *_ in BLANK:
        for column in columns_of(table).values():
            assert column.description in guide


def test_a_sample_is_copied_whole(tmp_path):
    assert run(tmp_path / "mine", "--sample", "mill_lane").exit_code == 0
    original = sample_units()["mill_lane"]
    assert (tmp_path / "mine" / "census.csv").read_bytes() == (original / "census.csv").read_bytes()


def test_an_empty_folder_is_filled(tmp_path):
    assert run(tmp_path).exit_code == 0
    assert (tmp_path / "unit.toml").is_file()


def test_a_folder_with_something_in_it_is_left_alone(tmp_path):
    (tmp_path / "unit.toml").write_text("mine")
    result = run(tmp_path)
    assert result.exit_code == 2
    assert "Choose a folder that does not exist yet" in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["unit.toml"]
    assert (tmp_path / "unit.toml").read_text() == "mine"


def test_a_file_in_the_way_is_left_alone(tmp_path):
    (tmp_path / "file").write_text("mine")
    assert run(tmp_path / "file").exit_code == 2
    assert (tmp_path / "file").read_text() == "mine"


def test_an_unknown_sample_is_refused_with_the_names_there_are(tmp_path):
    result = run(tmp_path / "mine", "--sample", "nowhere")
    assert result.exit_code == 2
    assert "mill_lane" in result.stderr
    assert not (tmp_path / "mine").exists()


def test_a_sample_is_no_workbook(tmp_path):
    result = run(tmp_path / "u.xlsx", "--sample", "mill_lane")
    assert result.exit_code == 2
    assert "leave .xlsx out of its name" in result.output
    assert not list(tmp_path.iterdir())


def test_no_folder_and_no_list_is_a_wrong_call():
    assert run().exit_code == 2


def filled(path: Path, **sheets: list[list[object]]) -> Path:
    """The workbook with rows typed under the headings of its sheets; on `unit`, values beside their keys."""
    book = openpyxl.load_workbook(path)
    for name, rows in sheets.items():
        sheet = book[name]
        if name == "unit":
            values = dict(rows)
            for line in sheet.iter_rows():
                if line[0].value in values:
                    line[1].value = values[line[0].value]
            continue
        head = next(line for line in sheet.iter_rows() if [c.value for c in line[:len(columns_of_sheet(name))]]
                    == columns_of_sheet(name))
        for down, row in enumerate(rows, 1):
            for cell, value in zip(head, row):
                sheet.cell(cell.row + down, cell.column).value = value
    book.save(path)
    return path


def columns_of_sheet(name: str) -> list[str]:
    return list(columns_of({"census": "census_counts", "stays": "census_stays"}.get(name, name)))


@pytest.fixture
def blank_book(tmp_path) -> Path:
    assert run(tmp_path / "mine.xlsx").exit_code == 0
    return tmp_path / "mine.xlsx"


OURS = [["name", "Ours"], ["currency", "EUR"], ["mean_stay_days", 5], ["stock.review_days", 14]]
CENSUS = [[None, "oral", 3.5, 4], [None, "nasal", 4, 1, None, "barrier"]]


def test_one_workbook_to_fill_is_read_back_as_it_was_filled(blank_book):
    unit = load_unit(filled(blank_book, unit=OURS, census=CENSUS, present_par=[["saline_5ml", 3]]))
    assert (unit.name, unit.currency, unit.stock.review_days, unit.stock.lead_days) == ("Ours", "EUR", 14, 2)
    assert sorted(unit.census.rows["airways"]) == [1, 4]
    assert unit.present_par["par_packs"].tolist() == [3]
    assert unit.on_hand is None
    assert unit.warnings == ()


def test_every_default_can_be_typed_into_its_box_as_it_is_shown(blank_book):
    """Those of the sheet `unit`: what stands under "default" is understood where it says "value"."""
    lines = openpyxl.load_workbook(blank_book)["unit"].iter_rows(values_only=True)
    names = set(starter_settings())
    shown = [(key, default) for key, _, _, default, *_ in lines if key in names and default]
    assert load_unit(filled(blank_book, unit=[*OURS, *shown], census=CENSUS)).stock.review_days == 7


def test_the_starters_offer_every_setting_of_a_unit(tmp_path):
    shown = set(starter_settings())
    ours = {key for key in SETTINGS if not key.startswith("planning.")}
    own = {"name", "currency", "mean_stay_days"}
    assert "stock.shelf_litres" in shown
    assert ours - own - shown <= {"resecure.flat_per_check"}, "for models, not for wards"


def test_a_forgotten_example_cannot_enter_a_plan(blank_book):
    assert "[census]: has no rows" in str(load_workbook_error(blank_book))
    unit = load_unit(filled(blank_book, unit=OURS, census=[[None, "nasal", 4, 1]]))
    assert unit.census.rows["airways"].tolist() == [1], "the example has 2 airways of 3.5 mm"
    assert unit.present_par is None, "the example of a sheet left blank is not there"


def load_workbook_error(path: Path) -> InputError:
    with pytest.raises(InputError) as caught:
        load_unit(path)
    return caught.value


def test_a_list_of_stays_has_a_sheet_of_its_own_and_only_one_of_the_two_is_filled(blank_book):
    stays = [["A1", "oral", 3.5, "2026-01-04 14:00", "2026-01-09 08:00"], ["A2", "oral", 3.5, "2026-01-06", None]]
    assert load_unit(filled(blank_book, unit=OURS, stays=stays)).census.shape == "stays"
    told = str(load_workbook_error(filled(blank_book, census=CENSUS)))
    assert "[stays]: is filled in beside" in told


def test_choices_are_drop_downs_and_every_heading_is_explained(blank_book):
    book = openpyxl.load_workbook(blank_book)
    kind = ("route", "tube_mm", "technique", "skin", "cuffed")
    for sheet, columns in (("census", kind), ("resecure_log", (*kind, "reason")), ("on_hand", ("item",)),
                           ("items", ("scope", "critical"))):
        head = next(r for r in book[sheet].iter_rows() if [c.value for c in r] == columns_of_sheet(sheet))
        lists = [v for v in book[sheet].data_validations.dataValidation if v.type == "list"]
        for cell in head:
            below = f"{cell.column_letter}{cell.row + 1}"
            assert any(below in v.sqref for v in lists) == (cell.value in columns)
        explained = [c.value for c in book[sheet][head[0].row - 3]]
        if sheet != "items":
            assert all(len(text) > 10 for text in explained)


def test_its_catalogue_still_counts_as_invented_until_a_price_is_changed(blank_book):
    unit = load_unit(filled(blank_book, unit=OURS, census=CENSUS))
    assert len(invented_prices(unit.items)) == len(unit.items)
    book = openpyxl.load_workbook(blank_book)
    line = next(r for r in book["items"].iter_rows() if r[0].value == "saline_5ml")
    line[columns_of_sheet("items").index("price")].value = 31.25
    book.save(blank_book)
    assert "saline_5ml" not in invented_prices(load_unit(blank_book).items)


def test_a_workbook_that_is_there_is_never_overwritten(blank_book):
    before = blank_book.read_bytes()
    result = run(blank_book)
    assert result.exit_code == 2
    assert "is there already" in result.output
    assert blank_book.read_bytes() == before


def test_the_same_blank_workbook_comes_again(tmp_path, blank_book):
    run(tmp_path / "again.xlsx")
    assert (tmp_path / "again.xlsx").read_bytes() == blank_book.read_bytes()
