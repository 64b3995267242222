"""`kitplan plan`, `par` and `explain` as a person runs them, on the smallest sample with fewer scenarios."""

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


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


def quick_unit(folder: Path, **changes: str) -> Path:
    """Mill Lane with 3,000 scenarios, and lines of unit.toml replaced (name of the key -> its new line)."""
    shutil.copytree(sample_units()["mill_lane"], folder)
    policy = config_file("policy.toml").read_text(encoding="utf-8")
    for key in ("scenarios", "verify_scenarios"):
        policy = re.sub(rf"(\[planning\.{key}\]\nvalue = )\d+", r"\g<1>3000", policy)
    policy = re.sub(r"(\[planning\.max_scenarios\]\nvalue = )\d+", r"\g<1>6000", policy)
    (folder / "policy.toml").write_text(policy, encoding="utf-8")
    toml = (folder / "unit.toml").read_text(encoding="utf-8")
    for key, line in changes.items():
        toml, count = re.subn(rf"^#? ?{key} = .*$", line, toml, flags=re.MULTILINE)
        if count == 0:
            toml = toml.replace("[stock]", f"[stock]\n{line}")
    (folder / "unit.toml").write_text(toml, encoding="utf-8")
    return folder


def files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """The unit's folder after one run of `plan`, and what the run said."""
    unit = quick_unit(tmp_path_factory.mktemp("planned") / "mill_lane", readiness="readiness = 0.95")
    return unit, run("plan", unit)


def test_plan_writes_the_workbook_the_tables_and_the_record_beside_the_unit(planned):
    unit, result = planned
    assert result.exit_code == 0, result.output
    written = files(unit / "plan")
    assert {"stock-room.xlsx", "plan.json", "tables/par_levels.csv", "tables/frontier.csv"} <= set(written)


def test_a_fault_in_one_persons_file_stops_that_persons_part_alone(tmp_path):
    unit = quick_unit(tmp_path / "unit")
    (unit / "class.toml").write_text('learners = 0\n[[practice]]\ntechnique = "nasal_Z"\ntube_mm = 3.5\n')
    (unit / "present_par.csv").write_text("item,par_packs\nsaline_5ml,-1\n")
    result = run("plan", unit)
    assert result.exit_code == 1, result.output
    assert (unit / "plan" / "tables" / "par_levels.csv").is_file()
    for words in ("Not planned until mended: the class.", "write how many, from 1 to", "is not a technique",
                  "the audit of today's par levels", "is below 0"):
        assert words in result.output
    record = json.loads((unit / "plan" / "plan.json").read_text())
    assert {"training", "audit"} <= set(record["skipped"])
    assert "class.toml" in record["skipped"]["training"]
    assert run("audit", unit).exit_code == 2
    assert run("par", unit, "--out", tmp_path / "par").exit_code == 0


def test_faults_of_a_class_are_told_beside_those_of_the_census(tmp_path):
    unit = quick_unit(tmp_path / "unit")
    (unit / "class.toml").write_text("learners = 0\n")
    (unit / "census.csv").write_text("route,tube_mm,airways\noral,3.5,-1\n")
    (unit / "resecure_log.csv").write_text("date,airway,reason\n2025-03-01,A1,lose\n")
    result = run("plan", unit)
    assert result.exit_code == 2
    for words in ("is below 0", "write how many, from 1 to", "is not one of the choices", "Did you mean 'loose'?"):
        assert words in result.output


def test_its_last_three_lines_say_cost_readiness_and_what_to_look_at_first(planned):
    _, result = planned
    cost, ready, look = result.stdout.strip().splitlines()[-3:]
    assert cost.startswith("Cost: after ordering, ")
    assert ready.startswith("Readiness: ")
    assert look.startswith("Look first at ")


def test_the_tables_the_workbook_and_the_record_tell_the_same_par_levels(planned):
    unit, _ = planned
    table = pd.read_csv(unit / "plan" / "tables" / "par_levels.csv")
    record = json.loads((unit / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert dict(zip(table["item"], table["par_packs"])) == record["par_packs"]
    assert table["value"].sum() == pytest.approx(record["value"])
    book = openpyxl.load_workbook(io.BytesIO((unit / "plan" / "stock-room.xlsx").read_bytes()))
    shown = {r[1].value: r[4].value for r in book["Count"].iter_rows(min_row=6) if isinstance(r[4].value, int)}
    assert shown == {item: units for item, units in record["par_units"].items() if units > 0}


def test_every_table_has_the_columns_that_are_described_in_their_order(planned):
    unit, _ = planned
    described = pd.read_csv(config_file("columns.csv"), dtype=str)
    described = described[described["direction"] == "out"]
    for path in sorted((unit / "plan" / "tables").glob("*.csv")):
        own = described[described["table"] == path.stem]
        header = path.read_text(encoding="utf-8").splitlines()[0].split(",")
        assert [c for c in own["column"] if c in header] == header, path.name
        assert set(own.loc[own["required"] == "yes", "column"]) <= set(header), path.name


def test_emergency_equipment_is_at_or_over_its_floor(planned):
    unit, _ = planned
    table = pd.read_csv(unit / "plan" / "tables" / "par_levels.csv")
    assert (table["par_packs"] >= table["floor_packs"]).all()
    assert (table.loc[table["role"].isin(["mask", "bag"]), "floor_packs"] > 0).any()


def test_the_same_seed_gives_the_same_bytes_wherever_they_are_written_and_another_seed_another_plan(planned, tmp_path):
    unit, _ = planned
    again = run("par", unit, "--out", tmp_path / "again")
    assert again.exit_code == 0, again.output
    first, second = files(unit / "plan"), files(tmp_path / "again")
    for name in ("tables/par_levels.csv", "tables/frontier.csv"):
        assert first[name] == second[name]
    other = run("par", unit, "--out", tmp_path / "other", "--seed", 5)
    assert other.exit_code == 0, other.output
    records = [json.loads(files(tmp_path / n)["plan.json"]) for n in ("again", "other")]
    assert records[1]["seed"] == 5
    assert records[0]["plan_number"] != records[1]["plan_number"]


def test_a_filled_in_workbook_is_kept_and_the_person_is_told(planned):
    unit, _ = planned
    path = unit / "plan" / "stock-room.xlsx"
    book = openpyxl.load_workbook(path)
    book["Count"]["H10"] = 3
    book.save(path)
    hers = path.read_bytes()
    result = run("plan", unit)
    assert "your copy is kept as stock-room-kept-1.xlsx" in result.stderr
    assert (unit / "plan" / "stock-room-kept-1.xlsx").read_bytes() == hers


def test_explain_ends_with_the_because_of_the_table(planned):
    unit, _ = planned
    table = pd.read_csv(unit / "plan" / "tables" / "par_levels.csv").set_index("item")
    result = run("explain", unit, "Saline 0.9 % ampoule 5 mL")
    assert result.exit_code == 0, result.output
    assert result.stdout.strip().endswith(table.at["saline_5ml", "because"])


def test_explain_suggests_the_nearest_name_for_an_unknown_item(planned):
    unit, _ = planned
    result = run("explain", unit, "saline_5m")
    assert result.exit_code == 2
    assert "Did you mean 'saline_5ml'?" in result.output


def test_another_target_may_be_tried_without_touching_the_unit(planned, tmp_path):
    unit, _ = planned
    before = (unit / "unit.toml").read_bytes()
    result = run("par", unit, "--readiness", "0.8", "--out", tmp_path / "less")
    assert result.exit_code == 0, result.output
    record = json.loads(files(tmp_path / "less")["plan.json"])
    usual = json.loads((unit / "plan" / "plan.json").read_text(encoding="utf-8"))
    assert record["readiness"]["target"] == 0.8
    assert record["value"] <= usual["value"]
    assert record["plan_number"] != usual["plan_number"]
    book = openpyxl.load_workbook(io.BytesIO(files(tmp_path / "less")["behind-the-numbers.xlsx"]))
    told = [[c.value for c in row] for row in book["Assumptions"].iter_rows() if row[1].value == "readiness"]
    assert [row[2] for row in told if row[4] == "given on the command line"] == ["0.8"]
    assert (unit / "unit.toml").read_bytes() == before


@pytest.mark.parametrize("value", ["98", "0", "1", "high"])
def test_a_target_that_is_no_share_is_refused(planned, value):
    unit, _ = planned
    assert run("par", unit, "--readiness", value).exit_code == 2


def test_a_budget_too_small_for_the_target_gives_the_best_plan_and_exit_code_one(tmp_path):
    unit = quick_unit(tmp_path / "unit", budget="budget = 1000")
    result = run("par", unit)
    assert result.exit_code == 1, result.output
    assert "Look first at your limits:" in result.stdout
    table = pd.read_csv(unit / "plan" / "tables" / "par_levels.csv")
    assert table["value"].sum() <= 1000
    assert (table["par_packs"] >= table["floor_packs"]).all()


def test_a_budget_under_what_emergency_equipment_needs_is_refused_and_nothing_is_written(tmp_path):
    unit = quick_unit(tmp_path / "unit", budget="budget = 100")
    result = run("par", unit)
    assert result.exit_code == 1, result.output
    assert result.stderr.startswith("Not a safe plan: ")
    assert not (unit / "plan").exists()


@pytest.mark.parametrize("command", ["plan", "par"])
def test_a_target_that_cannot_be_written_is_told_before_the_work(tmp_path, command):
    unit = quick_unit(tmp_path / "unit")
    (tmp_path / "file").write_text("in the way")
    result = run(command, unit, "--out", tmp_path / "file" / "plan")
    assert result.exit_code == 2
    assert "is a file, not a folder. Choose a folder and not a file with --out." in result.stderr


def test_a_workbook_open_elsewhere_stops_the_run_and_stays(tmp_path):
    unit = quick_unit(tmp_path / "unit")
    (unit / "plan").mkdir()
    (unit / "plan" / "stock-room.xlsx").write_bytes(b"hers")
    (unit / "plan" / ".~lock.stock-room.xlsx#").write_text("")
    result = run("plan", unit)
    assert result.exit_code == 2
    assert "is open in a spreadsheet program. Save and close it" in result.stderr
    assert files(unit / "plan")["stock-room.xlsx"] == b"hers"


@pytest.mark.parametrize("command", ["plan", "par", "explain"])
def test_a_unit_that_is_not_there_is_one_sentence_and_exit_code_two(tmp_path, command):
    arguments = ["saline_5ml"] if command == "explain" else []
    result = run(command, tmp_path / "nowhere", *arguments)
    assert result.exit_code == 2
    assert "nowhere" in result.output
    assert "Traceback" not in result.output


def page_size(pdf: bytes) -> tuple[float, ...]:
    """Width and height of the first page, in points."""
    return tuple(float(n) for n in re.search(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", pdf).groups())


def test_prints_and_sheets_come_on_the_paper_of_the_unit_or_of_the_command(tmp_path):
    """ISO 216: A4 is 210 x 297 mm. ANSI/ASME Y14.1: letter is 8.5 x 11 inches. 72 points an inch."""
    unit = quick_unit(tmp_path / "unit")
    toml = (unit / "unit.toml").read_text()
    (unit / "unit.toml").write_text(f'paper = "letter"\n{toml}')
    assert run("kits", unit).exit_code == 0
    assert page_size((unit / "plan" / "build-cards.pdf").read_bytes()) == pytest.approx((8.5 * 72, 11 * 72))
    assert openpyxl.load_workbook(unit / "plan" / "kits.xlsx")["Which kit"].page_setup.paperSize in (1, "1", None)
    assert run("kits", unit, "--paper", "a4").exit_code == 0
    a4 = (210 / 25.4 * 72, 297 / 25.4 * 72)
    assert page_size((unit / "plan" / "build-cards.pdf").read_bytes()) == pytest.approx(a4, abs=0.01)
    assert str(openpyxl.load_workbook(unit / "plan" / "kits.xlsx")["Which kit"].page_setup.paperSize) == "9"


def test_a_paper_that_is_not_known_is_named_with_those_that_are(tmp_path):
    unit = quick_unit(tmp_path / "unit")
    toml = (unit / "unit.toml").read_text()
    (unit / "unit.toml").write_text(f'paper = "foolscap"\n{toml}')
    result = run("check", unit)
    assert result.exit_code == 2
    assert "Use one of: a4, letter." in result.output
