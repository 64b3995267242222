"""Commands speak of the plan that lies in the folder, name it first, and never mix it with what has changed since."""

import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

import kitplan
from kitplan.cli import main
from kitplan.resources import config_file, sample_units


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Mill Lane with few scenarios and par levels of its own, planned for another target than its own file says."""
    unit = tmp_path_factory.mktemp("unit") / "mill_lane"
    shutil.copytree(sample_units()["mill_lane"], unit)
    policy = config_file("policy.toml").read_text(encoding="utf-8")
    for key in ("scenarios", "verify_scenarios", "max_scenarios"):
        policy = re.sub(rf"(\[planning\.{key}\]\nvalue = )\d+", r"\g<1>2000", policy)
    (unit / "policy.toml").write_text(policy, encoding="utf-8")
    (unit / "present_par.csv").write_text("item,par_packs\nsaline_5ml,1\ngloves_small,2\n")
    assert run("plan", unit, "--readiness", 0.9, "--seed", 8).exit_code == 0
    return unit


@pytest.fixture
def unit(planned, tmp_path):
    return Path(shutil.copytree(planned, tmp_path / "mill_lane"))


def record(unit: Path) -> dict:
    return json.loads((unit / "plan" / "plan.json").read_text())


def name_line(unit: Path, folder: Path | None = None) -> str:
    return f"Plan {record(unit)['plan_number']} of {record(unit)['unit']}, in {folder or unit / 'plan'}."


COMMANDS = [("explain", "saline_5ml"), ("labels",), ("audit",), ("simulate", "--years", 1, "--copies", 2)]


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c[0])
def test_the_first_line_names_the_plan(unit, command):
    name, *rest = command
    result = run(name, unit, *rest)
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[0] == name_line(unit)


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c[0])
def test_what_changed_since_is_said_and_not_used(unit, command):
    name, *rest = command
    before = run(name, unit, *rest).stdout
    with open(unit / "census.csv", "a", encoding="utf-8") as census:
        census.write("oral,4.5,3,,\n")
    shutil.copy(config_file("items.csv"), unit / "items.csv")
    after = run(name, unit, *rest)
    assert after.exit_code == 0, after.output
    assert after.stdout == before
    assert "census.csv has changed since this plan was made: its par levels do not know of it." in after.stderr
    assert "items.csv is new since this plan was made" in after.stderr


def test_explain_tells_the_number_that_stands_in_the_table_of_a_what_if(unit):
    """Planned for another target and another seed than the unit's files give: planning anew would say other numbers."""
    table = pd.read_csv(unit / "plan" / "tables" / "par_levels.csv").set_index("item")
    told = run("explain", unit, "saline_5ml").stdout
    assert told.strip().endswith(table.at["saline_5ml", "because"])
    assert "target 90.0 %" in told
    assert "seed 8" in told


def test_the_audit_judges_todays_par_levels_by_the_plan_that_was_made(unit):
    run("audit", unit)
    before = pd.read_csv(unit / "plan" / "tables" / "audit.csv").set_index("item")
    (unit / "present_par.csv").write_text("item,par_packs\nsaline_5ml,5\ngloves_small,2\n")
    assert "present_par.csv" not in run("audit", unit).stderr
    after = pd.read_csv(unit / "plan" / "tables" / "audit.csv").set_index("item")
    assert (before.at["saline_5ml", "present_packs"], after.at["saline_5ml", "present_packs"]) == (1, 5)
    assert before["proposed_packs"].drop("saline_5ml").to_dict() == after["proposed_packs"].drop("saline_5ml").to_dict()


def test_an_audit_needs_no_scenario_file(unit):
    (unit / "present_par.csv").write_text("item,par_packs\nsaline_5ml,5\n")
    run("audit", unit)
    kept = (unit / "plan" / "tables" / "audit.csv").read_bytes()
    (unit / "plan" / "saved" / "scenarios.zip").unlink()
    run("audit", unit)
    assert (unit / "plan" / "tables" / "audit.csv").read_bytes() == kept


def test_another_plan_may_be_named_by_number_or_folder(unit):
    assert run("par", unit, "--readiness", 0.8, "--out", unit / "less").exit_code == 0
    number = json.loads((unit / "less" / "plan.json").read_text())["plan_number"]
    by_number, by_folder = (run("explain", unit, "saline_5ml", "--plan", w) for w in (number.lower(), unit / "less"))
    assert by_number.stdout == by_folder.stdout
    assert by_number.stdout.startswith(f"Plan {number}")
    assert "target 80.0 %" in by_number.stdout


def test_what_is_made_of_a_named_plan_is_written_beside_it(unit):
    run("par", unit, "--readiness", 0.8, "--out", unit / "less")
    before = {p: p.read_bytes() for p in (unit / "plan").rglob("*") if p.is_file()}
    assert run("labels", unit, "--plan", unit / "less").exit_code == 0
    assert (unit / "less" / "bin-labels.pdf").is_file()
    assert {p: p.read_bytes() for p in (unit / "plan").rglob("*") if p.is_file()} == before


def test_an_unknown_number_is_refused_with_those_there_are(unit):
    result = run("explain", unit, "saline_5ml", "--plan", "0000-0000")
    assert result.exit_code == 2
    assert record(unit)["plan_number"] in result.stderr


def test_a_plan_of_another_unit_is_refused(unit, tmp_path):
    other = Path(shutil.copytree(sample_units()["lantern_nursery"], tmp_path / "lantern"))
    result = run("explain", other, "saline_5ml", "--plan", unit / "plan")
    assert result.exit_code == 2
    assert "holds a plan of another unit" in result.stderr


@pytest.mark.parametrize("name", ["", 'name = "  Two   words "'])
def test_a_unit_knows_its_own_plan_however_its_name_is_written(name, tmp_path):
    unit = tmp_path / "St. Elm 4.5"
    shutil.copytree(sample_units()["mill_lane"], unit)
    settings = unit / "unit.toml"
    lines = [line for line in settings.read_text(encoding="utf-8").splitlines() if not line.startswith("name")]
    settings.write_text("\n".join([name, *lines]), encoding="utf-8")
    assert run("par", unit).exit_code == 0
    for place in (unit, settings):
        assert f"of {'Two words' if name else 'St. Elm 4.5'}, in " in run("explain", place, "saline_5ml").stdout


def test_another_seed_than_the_plans_is_refused(unit):
    assert run("explain", unit, "saline_5ml", "--seed", 8).exit_code == 0
    result = run("explain", unit, "saline_5ml", "--seed", 9)
    assert result.exit_code == 2
    assert "is not the seed of this plan, 8" in result.stderr


def test_without_a_plan_one_is_made_and_said_not_to_be_kept(unit):
    shutil.rmtree(unit / "plan")
    result = run("explain", unit, "saline_5ml")
    assert result.exit_code == 0
    assert result.stdout.splitlines()[0].endswith(f"made now and not kept: {unit / 'plan'} holds none.")
    assert not (unit / "plan").exists()


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c[0])
def test_a_damaged_plan_ends_in_one_line_with_the_mend(unit, command):
    (unit / "plan" / "saved" / "plan.zip").write_bytes(b"PK")
    name, *rest = command
    result = run(name, unit, *rest)
    assert result.exit_code == 2
    assert "does not belong to the plan.json beside it. Plan again: kitplan plan UNIT." in result.stderr


def test_a_comparison_speaks_of_the_plan_and_plans_the_changed_copy_with_its_seed(unit, tmp_path):
    copy = Path(shutil.copytree(unit, tmp_path / "copy"))
    same = run("compare", unit, copy)
    assert same.stdout.splitlines()[:2] == [name_line(unit), name_line(unit, copy / "plan")]
    assert "no change" in same.stdout
    text = (copy / "unit.toml").read_text(encoding="utf-8").replace("mean_stay_days = ", "mean_stay_days = 1")
    (copy / "unit.toml").write_text(text, encoding="utf-8")
    changed = run("compare", unit, copy)
    assert changed.exit_code == 0, changed.output
    assert "is planned now with the same seed" in changed.stdout
    assert json.loads((unit / "plan" / "compare.json").read_text())["seed"] == 8


def test_python_and_the_command_line_explain_alike(unit):
    told = kitplan.explain(kitplan.open_plan(unit / "plan"), "saline_5ml")
    assert told in run("explain", unit, "saline_5ml").stdout
