"""`kitplan order` and `labels` as a person runs them: from the workbook she filled in, or from a table."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import subprocess
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from kitplan.cli import main
from kitplan.resources import config_file, sample_units

ENGINE = shutil.which("soffice") or shutil.which("libreoffice")
COUNT = "Count and order"
TABLES = ("order", "expiry", "order_points")


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def quick_unit(folder: Path) -> Path:
    """Mill Lane with few scenarios."""
    shutil.copytree(sample_units()["mill_lane"], folder)
    policy = config_file("policy.toml").read_text(encoding="utf-8")
    for key in ("scenarios", "verify_scenarios", "max_scenarios"):
        policy = re.sub(rf"(\[planning\.{key}\]\nvalue = )\d+", r"\g<1>2000", policy)
    (folder / "policy.toml").write_text(policy, encoding="utf-8")
    toml = (folder / "unit.toml").read_text(encoding="utf-8")
    (folder / "unit.toml").write_text(toml.replace("readiness = 0.97", "readiness = 0.95"), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    unit = quick_unit(tmp_path_factory.mktemp("order") / "mill_lane")
    result = run("plan", unit)
    assert result.exit_code == 0, result.output
    return unit


@pytest.fixture
def unit(planned, tmp_path):
    """A planned unit of the test's own."""
    return Path(shutil.copytree(planned, tmp_path / "mill_lane"))


def fill_in(unit: Path, counts, day=None, name="stock-room.xlsx", change=None) -> Path:
    """Fill in the count: counts maps the line number from 0 to (packs, loose units, on order packs)."""
    book = openpyxl.load_workbook(unit / "plan" / "stock-room.xlsx")
    sheet = book[COUNT]
    top, columns = header(sheet)
    for line, values in counts.items():
        for title, value in zip(("Packs", "Loose units", "On order packs"), values):
            sheet.cell(top + 1 + line, columns[title]).value = value
    if day is not None:
        place = next(c for row in sheet.iter_rows(max_row=top) for c in row if c.value == "Date of count")
        sheet.cell(place.row, place.column + 1).value = day
    if change is not None:
        change(book)
    path = unit / "plan" / name
    book.save(path)
    return path


def header(sheet):
    for row in sheet.iter_rows(max_row=30):
        titles = {c.value: c.column for c in row if c.value}
        if {"Item", "Packs", "Order packs"} <= set(titles):
            return row[0].row, titles
    raise AssertionError("no header")


def table(unit: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(unit / "plan" / "tables" / f"{name}.csv").set_index("item")


def points(unit: Path) -> pd.DataFrame:
    return pd.read_csv(unit / "plan" / "tables" / "order_points.csv")


def all_lines(unit: Path, packs=0, loose=0):
    return dict.fromkeys(range(len(points(unit))), (packs, loose, 0))


def test_the_plan_itself_brings_labels_a_count_sheet_and_order_points(planned):
    for name in ("bin-labels.pdf", "count-sheet.pdf", "tables/order_points.csv"):
        assert (planned / "plan" / name).is_file()
    found = points(planned)
    assert (found["order_point_units"] <= found["par_units"]).all()
    assert (found["par_packs"] > 0).all()
    assert found["bin"].tolist() == sorted(found["bin"])


def test_an_empty_shelf_orders_up_to_par_and_hurries(unit):
    result = run("order", fill_in(unit, all_lines(unit)))
    assert result.exit_code == 0, result.output
    order = table(unit, "order")
    expected = points(unit).set_index("item")
    assert (order["order_packs"] == expected["par_packs"].reindex(order.index)).all()
    assert order["urgent"].iloc[0] == "yes"
    assert result.output.splitlines()[1].startswith("URGENT")


@pytest.mark.parametrize("ending", ["ods", "xls"])
def test_a_count_saved_in_a_format_that_is_not_read_says_how_to_save_it(unit, ending):
    path = unit / "plan" / f"filled.{ending}"
    path.write_bytes(b"PK\x03\x04 something else")
    result = run("order", path)
    assert result.exit_code == 2
    assert f"is saved as .{ending}, which is not read. Save it as .xlsx or as CSV." in result.output


def test_a_full_shelf_orders_nothing(unit):
    full = {k: (p, 0, 0) for k, p in enumerate(points(unit)["par_packs"])}
    assert run("order", fill_in(unit, full)).exit_code == 0
    order = table(unit, "order")
    assert order["order_packs"].sum() == 0
    assert (order["urgent"] == "no").all()


def test_blank_lines_order_nothing_and_emergency_equipment_among_them_is_urgent(unit):
    result = run("order", fill_in(unit, {0: (0, 0, 0)}))
    order = table(unit, "order")
    items = pd.read_csv(config_file("items.csv")).set_index("item")
    blank = order.drop(points(unit)["item"].iloc[0])
    assert blank["order_packs"].sum() == 0
    assert (blank["because"].str.contains("not counted")).all()
    assert ((blank["urgent"] == "yes") == (items["critical"].reindex(blank.index) == "yes")).all()
    assert "left blank" in result.output


def test_the_workbook_calls_a_line_low_exactly_where_the_order_calls_it_urgent(unit):
    sheet = openpyxl.load_workbook(unit / "plan" / "stock-room.xlsx")[COUNT]
    top, columns = header(sheet)
    expected = points(unit).set_index("item")["order_point_units"]
    critical = pd.read_csv(config_file("items.csv")).set_index("item")["critical"]
    for row in range(top + 1, top + 1 + len(expected)):
        item = sheet.cell(row, columns["Item"]).value
        look = sheet.cell(row, columns["Look"]).value
        threshold, word = re.search(r'<(\d+),"(EMERGENCY|URGENT): LOW"', look).groups()
        assert int(threshold) == expected[item]
        assert (word == "EMERGENCY") == (critical[item] == "yes")


def test_a_substitute_is_in_the_order_though_the_count_sheet_never_had_it(unit):
    full = {k: (p, 0, 0) for k, p in enumerate(points(unit)["par_packs"])}
    full[points(unit)["item"].tolist().index("saline_5ml")] = (0, 3, 0)
    result = run("order", fill_in(unit, full), "--without", "saline_5ml", "--weeks", 3)
    buy = pd.read_csv(unit / "plan" / "tables" / "back_order_buy.csv").set_index("item")["packs"]
    order = table(unit, "order")
    assert len(buy) > 0
    assert order.loc[buy.index, "order_packs"].tolist() == buy.tolist()
    assert (order.loc[buy.index, "urgent"] == "yes").all()
    assert "saline_5ml" not in result.output.split("Buy instead")[1]


def test_everything_that_a_back_order_buys_stands_in_the_order(unit):
    gone = ("saline_5ml", *(i for i in points(unit)["item"] if i.startswith("tape_")))
    full = {k: (p, 0, 0) for k, p in enumerate(points(unit)["par_packs"])}
    result = run("order", fill_in(unit, full), *(word for item in gone for word in ("--without", item)), "--weeks", 3)
    assert result.exit_code == 0, result.output
    buy = pd.read_csv(unit / "plan" / "tables" / "back_order_buy.csv").set_index("item")["packs"]
    order = table(unit, "order")
    assert (order["order_packs"].reindex(buy.index) >= buy).all()


def test_an_order_without_an_item_leaves_the_par_list_of_the_plan_for_the_next_order(unit):
    path = fill_in(unit, all_lines(unit))
    run("order", path)
    before = {p.name: p.read_bytes() for p in (unit / "plan").rglob("*") if p.is_file() and p.name != "order.json"}
    run("order", path, "--without", "saline_5ml", "--weeks", 3)
    assert "saline_5ml" not in table(unit, "order").index
    run("order", path)
    assert table(unit, "order").loc["saline_5ml", "order_packs"] > 0
    after = {p.name: p.read_bytes() for p in (unit / "plan").rglob("*") if p.is_file()}
    assert {name for name, content in before.items() if after[name] != content} == set()


def test_the_workbook_she_filled_in_is_left_as_it_is(unit):
    path = fill_in(unit, all_lines(unit))
    before = path.read_bytes()
    run("order", path)
    assert path.read_bytes() == before


def test_a_table_of_counts_gives_the_same_order_as_the_workbook(unit):
    run("order", fill_in(unit, all_lines(unit, 1, 2), day="2026-07-01"))
    from_book = (unit / "plan" / "tables" / "order.csv").read_bytes()
    rows = "".join(f"{item},1,2\n" for item in points(unit)["item"])
    (unit / "on_hand.csv").write_text(f"item,packs,loose_units\n{rows}")
    assert run("order", unit, "--on", "2026-07-01").exit_code == 0
    assert (unit / "plan" / "tables" / "order.csv").read_bytes() == from_book
    assert run("order", unit / "on_hand.csv", "--on", "2026-07-01").exit_code == 0
    assert (unit / "plan" / "tables" / "order.csv").read_bytes() == from_book


def test_the_order_names_the_plan_it_was_made_by(unit):
    assert run("plan", unit, "--readiness", 0.9).exit_code == 0
    assert run("order", fill_in(unit, all_lines(unit))).exit_code == 0
    order, plan = (json.loads((unit / "plan" / f"{n}.json").read_text()) for n in ("order", "plan"))
    assert order["plan_number"] == plan["plan_number"]


def test_the_same_count_gives_the_same_bytes(unit):
    path = fill_in(unit, all_lines(unit, 1), day="2026-07-01")
    written = []
    for _ in range(2):
        assert run("order", path).exit_code == 0
        written.append({p.name: p.read_bytes() for p in (unit / "plan").rglob("*") if p.is_file()})
    assert written[0] == written[1]


def test_dated_lots_in_the_workbook_are_watched(unit):
    first = points(unit)["item"].iloc[0]

    def add_lot(book):
        sheet = book["Dated lots"]
        top = next(r for r in range(1, 20) if sheet.cell(r, 1).value == "Item")
        for column, value in enumerate((first, "LOT-9", "2026-06-30", 1, 0), 1):
            sheet.cell(top + 1, column).value = value

    counts = all_lines(unit, 2)
    assert run("order", fill_in(unit, counts, day="2026-07-01", change=add_lot)).exit_code == 0
    dated = table(unit, "expiry")
    assert dated.loc[first, "advice"].startswith("Out of date")
    assert table(unit, "order").loc[first, "cover_units"] * 2 == table(unit, "order").loc[first, "on_hand_units"]


def test_items_missing_from_a_table_are_taken_as_none_and_said(unit):
    rest = points(unit)["item"].iloc[1:]
    (unit / "on_hand.csv").write_text("item,packs\n" + "".join(f"{i},99\n" for i in rest))
    result = run("order", unit)
    assert "taken as none" in result.output
    assert table(unit, "order")["order_packs"].gt(0).sum() == 1



def edit_start(label, value):
    def change(book):
        for sheet in book.worksheets:
            for row in sheet.iter_rows(max_row=40, max_col=2):
                if row[0].value == label:
                    row[1].value = value
                    return
        raise AssertionError(f"no label {label}")
    return change


@pytest.mark.parametrize(("change", "words"), [
    (edit_start("Unit", "Other Wing"), ("another unit", "Other Wing")),
    (edit_start("Plan number", "0000-0000"), ("another plan", "0000-0000")),
])
def test_a_workbook_of_another_unit_or_plan_is_refused_and_named(unit, change, words):
    before = {p.name: p.read_bytes() for p in (unit / "plan" / "tables").iterdir()}
    result = run("order", fill_in(unit, all_lines(unit), change=change))
    assert result.exit_code == 2
    assert all(w in result.stderr for w in words)
    assert {p.name: p.read_bytes() for p in (unit / "plan" / "tables").iterdir()} == before


@pytest.mark.parametrize(("line", "words"), [
    ((-1, 0, 0), "below 0"), (("two", 0, 0), "not a number"), ((1.5, 0, 0), "not a whole number")])
def test_a_bad_count_is_refused_and_nothing_is_written(unit, line, words):
    result = run("order", fill_in(unit, {0: line}))
    assert result.exit_code == 2
    assert words in result.stderr
    assert not (unit / "plan" / "order.xlsx").exists()


def test_a_workbook_with_its_formulas_lost_still_orders(unit):
    def lose(book):
        sheet = book[COUNT]
        for row in sheet.iter_rows():
            for cell in row:
                if isinstance(cell.value, str) and cell.value.startswith("="):
                    cell.value = None

    assert run("order", fill_in(unit, all_lines(unit), change=lose)).exit_code == 0
    assert table(unit, "order")["order_packs"].gt(0).all()


def test_a_plan_made_from_another_census_is_said(unit):
    with open(unit / "census.csv", "a", encoding="utf-8") as census:
        census.write("oral,4.5,1,,\n")
    result = run("order", fill_in(unit, all_lines(unit)))
    assert result.exit_code == 0
    assert "census.csv has changed" in result.stderr


def test_a_unit_in_one_workbook_orders_from_its_own_sheet_and_from_the_plan_beside_it(planned, tmp_path):
    book = openpyxl.Workbook()
    book.remove(book.active)
    policy = [("name", "One book (INVENTED)"), ("currency", "USD"), ("mean_stay_days", 4), ("stock.readiness", 0.95)]
    census = list(pd.read_csv(planned / "census.csv").itertuples(index=False))
    on_hand = [("saline_5ml", 1, 3, None), ("saline_5ml", 1, 0, "2030-01-31")]
    for name, head, lines in (("unit", ("key", "value"), policy),
                              ("census", ("route", "tube_mm", "airways", "technique", "skin"), census),
                              ("on_hand", ("item", "packs", "loose_units", "expires"), on_hand)):
        sheet = book.create_sheet(name)
        for line in (head, *lines):
            sheet.append(list(line))
    path = tmp_path / "one.xlsx"
    book.save(path)
    shutil.copy(planned / "policy.toml", tmp_path)
    result = run("order", path, "--on", "2026-07-01")
    assert result.exit_code == 0, result.output
    assert pd.read_csv(tmp_path / "one-plan" / "tables" / "order.csv").set_index("item").loc[
        "saline_5ml", "on_hand_units"] == 203
    assert run("par", path).exit_code == 0
    assert "left blank" in run("order", tmp_path / "one-plan" / "stock-room.xlsx").output


def test_a_count_that_lies_in_no_unit_asks_which(tmp_path):
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "a" / "b" / "on_hand.csv").write_text("item,packs\nsaline_5ml,1\n")
    result = run("order", tmp_path / "a" / "b" / "on_hand.csv")
    assert result.exit_code == 2
    assert "--unit" in result.stderr


def test_a_count_that_is_not_there_is_said(tmp_path):
    result = run("order", tmp_path / "nowhere.xlsx")
    assert result.exit_code == 2
    assert "is not there" in result.stderr


def test_an_unknown_item_to_do_without_is_refused_with_the_nearest(unit):
    result = run("order", fill_in(unit, all_lines(unit)), "--without", "salin_5ml")
    assert result.exit_code == 2
    assert "Did you mean 'saline_5ml'" in result.stderr


def test_without_an_item_another_fills_its_role(unit):
    used = next(i for i in points(unit)["item"] if i.startswith("saline"))
    result = run("order", fill_in(unit, all_lines(unit)), "--without", used, "--weeks", 2)
    assert result.exit_code == 0, result.output
    instead = pd.read_csv(unit / "plan" / "tables" / "back_order_instead.csv")
    assert set(instead["unavailable"]) == {used}
    others = set(instead["instead"].dropna()) - {used}
    assert others
    assert all(o.startswith("saline") for o in others)
    order = table(unit, "order")
    assert used not in order.index or order.loc[used, "order_packs"] == 0
    assert "Buy instead" in result.output


def test_emergency_equipment_without_a_substitute_ends_unsafe_after_writing(unit):
    bag = next(i for i in points(unit)["item"] if i == "bag_1500ml")
    result = run("order", fill_in(unit, all_lines(unit, 1)), "--without", bag, "--without", "bag_1000ml")
    assert result.exit_code == 1
    assert "no substitute" in result.stderr
    assert (unit / "plan" / "order.xlsx").is_file()


def test_labels_come_on_any_grid_from_the_plan_that_is_there(unit):
    result = run("labels", unit, "--rows", 5, "--columns", 3, "--paper", "letter")
    assert result.exit_code == 0, result.output
    assert (unit / "plan" / "bin-labels.pdf").read_bytes().startswith(b"%PDF")


def test_labels_too_small_to_read_are_refused(unit):
    assert run("labels", unit, "--rows", 20).exit_code == 2


@pytest.mark.engine
@pytest.mark.skipif(ENGINE is None and os.environ.get("KITPLAN_REQUIRE_ENGINE") != "1", reason="no spreadsheet program")
def test_the_live_formulas_and_the_command_order_the_same(unit, tmp_path):
    """The workbook is filled in, calculated and saved again by a real spreadsheet program, then read back."""
    assert ENGINE, "KITPLAN_REQUIRE_ENGINE=1 asks for a spreadsheet program, and none is installed"
    held = points(unit)
    counts = {k: ((k * 7) % 3, (k * 5) % int(held["pack"].iloc[k]), k % 2) for k in range(len(held))}
    path = fill_in(unit, counts)
    subprocess.run([ENGINE, "--headless", f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}", "--convert-to",
                    "xlsx:Calc MS Excel 2007 XML", "--outdir", str(tmp_path / "out"), str(path)],
                   check=True, capture_output=True)
    saved = tmp_path / "out" / path.name
    sheet = openpyxl.load_workbook(io.BytesIO(saved.read_bytes()), data_only=True)[COUNT]
    top, columns = header(sheet)
    live = {sheet.cell(r, columns["Item"]).value: sheet.cell(r, columns["Order packs"]).value
            for r in range(top + 1, top + 1 + len(held))}
    result = run("order", saved, "--unit", unit)
    assert result.exit_code == 0, result.output
    order = table(unit, "order")["order_packs"]
    assert {i: int(live[i] or 0) for i in order.index} == order.to_dict()
