"""`kitplan training`: from a class file to lists, prints and a workbook, all or nothing."""

import json
import shutil
from io import BytesIO

import pandas as pd
import pytest
from click.testing import CliRunner
from openpyxl import load_workbook

from kitplan.cli import main
from kitplan.planning import plan_unit
from kitplan.read.unit import load_unit
from kitplan.resources import sample_units


def run(*arguments):
    return CliRunner().invoke(main, ["training", *map(str, arguments)])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    out = tmp_path_factory.mktemp("class") / "out"
    result = run(sample_units()["harbour_wing"], "--out", out)
    assert result.exit_code == 0, result.output
    return out, result


@pytest.fixture
def season(tmp_path):
    unit = tmp_path / "unit"
    shutil.copytree(sample_units()["lantern_nursery"], unit)
    text = (unit / "class.toml").read_text()
    (unit / "class-2.toml").write_text(text.replace("learners = 5", "learners = 9").replace("New", "Later"))
    return unit


def test_the_run_ends_with_cost_tape_and_what_to_look_at(made):
    _, result = made
    assert "Cost: " in result.output
    assert "12 learners" in result.output
    assert "cut for the whole class" in result.output
    assert "Look first at:" in result.output


def test_the_shopping_list_holds_what_other_programs_read(made):
    out, _ = made
    frame = pd.read_csv(out / "tables" / "training_list.csv")
    assert [c for c in frame.columns if c in ("item", "units", "packs", "value")] == ["item", "units", "packs", "value"]
    used = frame[frame["kind"] == "used up"]
    assert (used["packs"] * used["pack"] >= used["buy_units"]).all()
    assert (used["units"] == used["practice_only_units"] + used["own_units"] + used["buy_units"]).all()


def test_the_cut_plan_gives_rolls_patterns_counts_and_waste(made):
    out, _ = made
    frame = pd.read_csv(out / "tables" / "cut_plan.csv")
    assert {"roll", "pattern", "count", "waste_mm"} <= set(frame.columns)
    assert (frame["waste_mm"] >= 0).all()


def test_the_workbook_has_a_sheet_for_each_question_and_says_practice_only(made):
    out, _ = made
    book = load_workbook(BytesIO((out / "class.xlsx").read_bytes()))
    assert book.sheetnames == ["Start here", "Class to buy", "From the stock room", "Class stations", "Class rounds",
                               "Class cutting", "Class left over"]
    assert "prices.csv counts for the months alone" in str([c.value for c in book["Class to buy"]["A"][:6]])
    for sheet in book.worksheets[1:]:
        assert any("NOT FOR PATIENTS" in str(c.value) for row in sheet.iter_rows(max_row=6) for c in row)


def test_every_print_comes_once_on_the_units_paper(made):
    out, _ = made
    names = {p.name for p in out.glob("*.pdf")}
    prints = ("station-cards", "tick-list", "step-cards", "box-labels", "cutting-list", "class-cut-cards")
    assert {f"{what}.pdf" for what in prints} <= names


def test_the_record_names_the_class_file_and_its_checksum(made):
    out, _ = made
    record = json.loads((out / "training.json").read_text())
    assert "class.toml" in record["inputs"]
    assert record["parts"] == ["training"]


def test_the_same_class_gives_the_same_bytes(made, tmp_path):
    out, _ = made
    run(sample_units()["harbour_wing"], "--out", tmp_path / "again")
    ours = {p.relative_to(out): p.read_bytes() for p in out.rglob("*") if p.is_file()}
    again = {p.relative_to(tmp_path / "again"): p.read_bytes() for p in (tmp_path / "again").rglob("*") if p.is_file()}
    assert ours == again


def test_a_season_prints_each_class_and_adds_them_up(season, tmp_path):
    result = run(season, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    classes = pd.read_csv(tmp_path / "out" / "tables" / "training_classes.csv")
    shopping = pd.read_csv(tmp_path / "out" / "tables" / "training_list.csv")
    assert classes["learners"].tolist() == [9, 5]
    assert classes["value"].sum() == pytest.approx(shopping["value"].sum(), abs=1e-4)
    assert (tmp_path / "out" / "station-cards-1.pdf").exists()
    assert (tmp_path / "out" / "station-cards-2.pdf").exists()


COURSE = """
[[session]]
date = 2026-09-08
place = "Room 1"
[[session]]
date = 2026-09-15
learners = 4
"""


def test_a_course_prints_one_set_and_takes_away_the_prints_of_the_season_before_it(season, tmp_path):
    assert run(season, "--out", tmp_path / "out").exit_code == 0
    (season / "class-2.toml").unlink()
    text = (season / "class.toml").read_text().replace("date = 2026-09-08\n", "")
    (season / "class.toml").write_text(text + COURSE)
    result = run(season, "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "9 places in 2 sessions" in result.output
    prints = {p.name for p in (tmp_path / "out").glob("*.pdf")}
    assert "session-sheets.pdf" in prints
    assert not [name for name in prints if "-1." in name or "-2." in name]
    sessions = pd.read_csv(tmp_path / "out" / "tables" / "training_sessions.csv")
    assert sessions["class"].nunique() == 2
    book = load_workbook(BytesIO((tmp_path / "out" / "class.xlsx").read_bytes()))
    assert "Class sessions" in book.sheetnames


def test_a_class_file_can_be_named_by_itself(season, tmp_path):
    result = run(season, "--class", season / "class-2.toml", "--out", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert pd.read_csv(tmp_path / "out" / "tables" / "training_classes.csv")["learners"].tolist() == [9]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("learners = 5", "learners = 0", "A class needs learners"),
        ("stations = 1", "stations = 6", "more than the 5 learners"),
        ("tube_mm = 2.5", "", "a practice needs a tube size"),
        ("spare_share = 0.10", "spare_share = 1.5", "is not between 0 and 1"),
        ("gloves_medium = 10", "gloves_medium = -10", "is negative"),
    ],
)
def test_a_bad_class_ends_with_exit_code_2_and_writes_nothing(season, tmp_path, old, new, said):
    path = season / "class.toml"
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))
    result = run(season, "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert said in result.output
    assert "Traceback" not in result.output
    assert not (tmp_path / "out").exists()


def test_a_piece_longer_than_every_roll_ends_with_exit_code_2(season, tmp_path):
    face = (sample_units()["harbour_wing"].parent.parent / "config" / "face.csv").read_text()
    (season / "face.csv").write_text(face.replace("2.0,2.5,0,1,80,", "2.0,2.5,0,1,999,"))
    text = (season / "class.toml").read_text().replace("attempts = 3", "attempts = 1")
    (season / "class.toml").write_text(text)
    items = (sample_units()["harbour_wing"].parent.parent / "config" / "items.csv").read_text().splitlines(True)
    kept = [line for line in items if not line.startswith("tape_") or ("cm," in line and "_137cm" in line)]
    (season / "items.csv").write_text("".join(kept).replace(",1370,", ",900,"))
    result = run(season, "--out", tmp_path / "out")
    assert result.exit_code == 2, result.output
    assert "longer than every roll" in result.output
    assert "Add a longer roll" in result.output


def test_a_unit_without_a_class_says_where_to_put_one(tmp_path):
    result = run(sample_units()["mill_lane"], "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "Put a class.toml" in result.output


def test_check_reads_the_class_too(season):
    path = season / "class.toml"
    path.write_text(path.read_text().replace("learners = 5", "learners = 0"))
    result = CliRunner().invoke(main, ["check", str(season)])
    assert result.exit_code == 1
    assert "A class needs learners" in result.output
    assert "The rest can be planned." in result.output


def test_a_class_planned_alone_takes_the_items_that_the_whole_plan_gives_it(tmp_path):
    """One plan number, one list to buy: the kits of this unit hold another dressing sheet than would be least alone."""
    unit = load_unit(sample_units()["lantern_nursery"])
    alone, whole = plan_unit(unit, parts=("training",)), plan_unit(unit, parts=("kits", "training"))
    assert alone.number == whole.number
    assert set(alone.item_choice.frame["item"]) == set(whole.item_choice.frame["item"])
    assert alone.training.shopping.equals(whole.training.shopping)
