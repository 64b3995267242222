"""A plan made into a folder that holds one says what it changed and why; the same plan again says the same again."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from kitplan.cli import main
from kitplan.resources import config_file, sample_units


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = Path(shutil.copytree(sample_units()["mill_lane"], tmp_path_factory.mktemp("changes") / "mill_lane"))
    policy = config_file("policy.toml").read_text(encoding="utf-8")
    for key in ("scenarios", "verify_scenarios", "max_scenarios"):
        policy = re.sub(rf"(\[planning\.{key}\]\nvalue = )\d+", r"\g<1>1500", policy)
    (folder / "policy.toml").write_text(policy, encoding="utf-8")
    toml = (folder / "unit.toml").read_text(encoding="utf-8")
    (folder / "unit.toml").write_text(toml.replace("readiness = 0.97", "readiness = 0.95"), encoding="utf-8")
    assert run("par", folder).exit_code == 0
    return folder


@pytest.fixture
def unit(planned, tmp_path):
    return Path(shutil.copytree(planned, tmp_path / "mill_lane"))


def files(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def changed(unit: Path) -> pd.DataFrame:
    return pd.read_csv(unit / "plan" / "tables" / "changes.csv").set_index("item")


def test_a_first_plan_compares_with_nothing(planned):
    assert not (planned / "plan" / "tables" / "changes.csv").exists()
    assert json.loads((planned / "plan" / "plan.json").read_text())["changes"] is None


def test_the_same_plan_again_is_the_same_bytes(unit):
    before = files(unit / "plan")
    assert run("par", unit).exit_code == 0
    assert files(unit / "plan") == before


def test_more_airways_raise_par_levels_and_the_census_is_named_as_the_cause(unit):
    number = json.loads((unit / "plan" / "plan.json").read_text())["plan_number"]
    census = (unit / "census.csv").read_text()
    (unit / "census.csv").write_text(census.replace("oral,5.0,1,", "oral,5.0,6,"))
    result = run("par", unit)
    assert result.exit_code == 0
    assert f"Since plan {number}" in result.stderr
    assert "census.csv changed" in result.stderr
    found = changed(unit)
    assert (found["change_packs"] == found["after_packs"] - found["before_packs"]).all()
    assert (found["change_packs"] > 0).any()
    raised = found[found["change_packs"] > 0]
    assert raised["because"].str.contains("expected use").any()
    before = files(unit / "plan")
    assert run("par", unit).exit_code == 0
    assert files(unit / "plan") == before, "made again, it still says what it changed"


def test_a_higher_target_is_named(unit):
    toml = (unit / "unit.toml").read_text()
    (unit / "unit.toml").write_text(toml.replace("readiness = 0.95", "readiness = 0.99", 1))
    result = run("par", unit)
    assert "The readiness target went from 0.95 to 0.99" in result.stderr
    assert (changed(unit)["change_packs"] >= 0).all()


def test_counts_and_classes_are_no_cause_of_other_par_levels(unit):
    record = unit / "plan" / "plan.json"
    said = json.loads(record.read_text())
    said["inputs"] |= {"class.toml": "0" * 64, "on_hand.csv": "0" * 64}
    record.write_text(json.dumps(said))
    toml = (unit / "unit.toml").read_text()
    (unit / "unit.toml").write_text(toml.replace("readiness = 0.95", "readiness = 0.97", 1))
    result = run("par", unit)
    assert "unit.toml changed" in result.stderr
    assert "is gone" not in result.stderr


def test_a_plan_of_another_unit_in_the_folder_is_not_compared(unit):
    toml = (unit / "unit.toml").read_text()
    (unit / "unit.toml").write_text(re.sub(r'name = ".*"', 'name = "Other (INVENTED)"', toml))
    assert run("par", unit).exit_code == 0
    assert not (unit / "plan" / "tables" / "changes.csv").exists()


@pytest.mark.parametrize("damage", ["", "{", '{"plan_number": 3}', "[1]"])
def test_a_damaged_record_is_not_compared_and_stops_nothing(unit, damage):
    (unit / "plan" / "plan.json").write_text(damage)
    assert run("par", unit).exit_code == 0
    assert not (unit / "plan" / "tables" / "changes.csv").exists()
