"""`kitplan kits` as a person runs it: files, last lines, and every way it refuses."""

from __future__ import annotations

import io
import json
import re
import shutil
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner, Result

from kitplan.cli import main
from kitplan.resources import config_file, sample_units

PRINTS = {"build-cards.pdf", "cut-cards.pdf", "emergency-sheet.pdf"}
TABLES = {"kit_contents", "kit_strata", "kit_designs_curve", "kit_builds", "kit_stock", "tape_choice", "opened_choice",
          "single_choice"}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture
def unit(tmp_path) -> Path:
    return Path(shutil.copytree(sample_units()["mill_lane"], tmp_path / "mill_lane"))


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("kits")
    result = run("kits", sample_units()["mill_lane"], "--out", folder / "out")
    assert result.exit_code == 0, result.output
    return folder / "out", result


def edit(unit: Path, name: str, old: str, new: str) -> None:
    """Change one of the unit's own files, taking the shipped default where the unit has none."""
    path = unit / name
    text = (path if path.exists() else config_file(name)).read_text(encoding="utf-8")
    assert re.search(old, text, re.M)
    path.write_text(re.sub(old, new, text, flags=re.M), encoding="utf-8")


def test_it_writes_a_workbook_its_tables_its_prints_and_its_record(done):
    folder, _ = done
    assert {p.name for p in folder.iterdir()} == {"kits.xlsx", "kits.json", "tables", *PRINTS}
    assert {p.stem for p in (folder / "tables").iterdir()} == TABLES
    assert json.loads((folder / "kits.json").read_text())["parts"] == ["kits"]


def test_the_last_lines_tell_the_designs_and_the_kits_to_have_ready(done):
    _, result = done
    assert "5 kit designs for 6 kinds of tube" in result.output
    assert "Have ready from one count to the next: " in result.output


def test_the_sheets_answer_which_kit_first(done):
    book = openpyxl.load_workbook(done[0] / "kits.xlsx")
    assert book.sheetnames == ["Which kit", "Kits", "Kits and the stock room", "Kit designs and cost", "Roll choice"]
    strata = pd.read_csv(done[0] / "tables" / "kit_strata.csv")
    sheet = book["Which kit"]
    rows = [[str(c.value) for c in row] for row in sheet.iter_rows(max_col=3)]
    head = next(row for row in rows if row[0] == "Tube mm")
    for row in strata.itertuples():
        line = next(r for r in rows if r[0] == f"{row.tube_mm:.1f}")
        assert line[head.index(row.route.capitalize())] == row.design


def test_the_curve_is_a_chart_and_marks_the_choice(done):
    book = openpyxl.load_workbook(done[0] / "kits.xlsx")
    assert len(book["Kit designs and cost"]._charts) == 1
    curve = pd.read_csv(done[0] / "tables" / "kit_designs_curve.csv")
    assert curve["designs"].tolist() == [1, 2, 3, 4, 5, 6]
    assert curve.loc[curve["note"] == "chosen", "designs"].tolist() == [5]


def test_kits_in_the_plan_are_the_kits_of_the_command_and_the_stock_room_carries_their_items(done, tmp_path):
    unit = Path(shutil.copytree(sample_units()["mill_lane"], tmp_path / "unit"))
    policy = config_file("policy.toml").read_text(encoding="utf-8")
    for key in ("scenarios", "verify_scenarios", "max_scenarios"):
        policy = re.sub(rf"(\[planning\.{key}\]\nvalue = )\d+", r"\g<1>2000", policy)
    (unit / "policy.toml").write_text(policy, encoding="utf-8")
    result = run("plan", unit)
    assert result.exit_code in (0, 1), result.output
    for table in ("kit_contents", "kit_strata", "kit_designs_curve"):
        ours, theirs = (folder / "tables" / f"{table}.csv" for folder in (unit / "plan", done[0]))
        assert ours.read_bytes() == theirs.read_bytes()
    contents = pd.read_csv(unit / "plan" / "tables" / "kit_contents.csv")
    levels = pd.read_csv(unit / "plan" / "tables" / "par_levels.csv").set_index("item")
    assert (levels.loc[contents["item"].unique(), "par_packs"] > 0).all()
    assert "Which kit" in openpyxl.load_workbook(unit / "plan" / "stock-room.xlsx").sheetnames
    assert {p.name for p in (unit / "plan").iterdir()} >= PRINTS


def test_the_same_seed_writes_the_same_bytes(done, tmp_path):
    again = run("kits", sample_units()["mill_lane"], "--out", tmp_path / "out")
    assert again.exit_code == 0
    for path in sorted(p for p in done[0].rglob("*") if p.is_file()):
        assert (tmp_path / "out" / path.relative_to(done[0])).read_bytes() == path.read_bytes(), path.name


def test_another_number_of_designs_is_one_number_in_unit_toml(unit, tmp_path):
    edit(unit, "unit.toml", r"^designs = 5", "designs = 6")
    result = run("kits", unit, "--out", tmp_path / "out")
    assert result.exit_code == 0
    contents = pd.read_csv(tmp_path / "out" / "tables" / "kit_contents.csv")
    assert contents["design"].unique().tolist() == ["A", "B", "C", "D", "E", "F"]


def test_fewer_designs_than_emergency_sizes_allow_are_not_made_and_the_last_lines_say_why(unit, tmp_path):
    edit(unit, "unit.toml", r"^designs = 5", "designs = 1")
    result = run("kits", unit, "--out", tmp_path / "out")
    assert result.exit_code == 0
    assert "1 kit design was asked for; 5 are planned" in " ".join(result.output.split())
    contents = pd.read_csv(tmp_path / "out" / "tables" / "kit_contents.csv")
    for role in ("mask", "bag"):
        assert contents[contents["role"] == role].groupby("design")["item"].nunique().max() <= 2


CATALOGUE_FAULTS = [
    ("a mask for an adult tube is missing", "items.csv", r"^mask_1(15|30)mm.*\n", "", ["mask", "fits oral 8.0 mm"]),
    ("a bag for small tubes is missing", "items.csv", r"^bag_(500|250)ml.*\n", "", ["bag", "fits nasal 4.0 mm"]),
    ("a role is misspelt in a recipe", "techniques.toml", r"^saline = 5", "salene = 5", ["salene", "items.csv"]),
    ("fewer than one design", "unit.toml", r"^designs = 5", "designs = 0", ["designs"]),
]


@pytest.mark.parametrize(("name", "file", "old", "new", "told"), CATALOGUE_FAULTS, ids=[f[0] for f in CATALOGUE_FAULTS])
def test_bad_input_is_told_with_its_mend_and_nothing_is_written(unit, name, file, old, new, told):
    edit(unit, file, old, new)
    result = run("kits", unit)
    assert result.exit_code == 2, result.output
    for words in told:
        assert words in result.output
    assert "Traceback" not in result.output
    assert not (unit / "plan").exists()


def test_a_piece_longer_than_every_roll_is_told_with_its_mend(unit):
    edit(unit, "items.csv", r"^tape_.*_(183|457|914)cm.*\n", "")
    edit(unit, "techniques.toml", r'span = 1\.0, use = "clean surface"', 'length_mm = 1500, use = "clean surface"')
    result = run("kits", unit)
    assert result.exit_code == 2, result.output
    assert "longer than every roll" in result.output
    assert "Add a longer roll" in result.output
    assert not (unit / "plan").exists()


def test_a_container_too_small_says_how_large_and_loses_nothing(unit):
    assert run("kits", unit).exit_code == 0
    before = {p: p.read_bytes() for p in (unit / "plan").rglob("*") if p.is_file()}
    edit(unit, "unit.toml", r"^designs = 5", "designs = 3\ncontainer_litres = 2")
    result = run("kits", unit)
    assert result.exit_code == 1
    assert re.search(r"too small for the kit of .* give [\d.]+ L or more", result.output)
    assert {p: p.read_bytes() for p in (unit / "plan").rglob("*") if p.is_file()} == before


def test_the_plan_goes_on_without_kits_that_do_not_fit_and_says_so(unit):
    edit(unit, "unit.toml", r"^designs = 5", "designs = 3\ncontainer_litres = 2")
    result = run("par", unit)
    assert result.exit_code in (0, 1), result.output
    assert "Not planned: kits" in result.output


def test_the_workbook_opens_with_text_that_cannot_act(unit):
    edit(unit, "items.csv", r"Twill tie 10 mm x 90 cm, bag of 50", "=1+1")
    edit(unit, "census.csv", r"^oral,3.5,1,oral_two_y,barrier", "oral,3.5,1,ties_two,barrier")
    edit(unit, "items.csv", r"^tie_twill_6mm.*\n", "")
    edit(unit, "items.csv", r"(tie_twill_10mm.*),4\.0,10\.0", r"\1,3.0,10.0")
    result = run("kits", unit)
    assert result.exit_code == 0, result.output
    book = openpyxl.load_workbook(io.BytesIO((unit / "plan" / "kits.xlsx").read_bytes()))
    cells = [c for row in book["Kits"].iter_rows() for c in row if c.value == "=1+1"]
    assert cells
    assert all(c.data_type == "s" for c in cells)
