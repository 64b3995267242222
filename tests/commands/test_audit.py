"""`kitplan audit` at the command line."""

from __future__ import annotations

import json
import shutil

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from openpyxl import load_workbook

from kitplan.cli import main
from kitplan.resources import sample_units


@pytest.fixture(scope="module")
def audited(tmp_path_factory):
    """The nursery's audit: what it said and where it wrote."""
    folder = tmp_path_factory.mktemp("audit")
    ran = CliRunner().invoke(main, ["audit", str(sample_units()["lantern_nursery"]), "--out", str(folder)])
    assert ran.exit_code == 0, ran.output
    return ran.output, folder


def test_audit_writes_the_ordered_changes_the_chart_and_the_record(audited):
    said, folder = audited
    assert "Today's par levels are ready in" in said
    table = pd.read_csv(folder / "tables/audit.csv")
    steps = table[table["step"] > 0]
    assert steps["step"].tolist() == list(range(1, len(steps) + 1))
    assert (table["change_packs"] == table["proposed_packs"] - table["present_packs"]).all()
    assert steps["readiness_after"].iloc[-1] >= 0.98
    assert json.loads((folder / "audit.json").read_text())["parts"] == ["audit"]
    book = load_workbook(folder / "audit.xlsx")
    assert len(book["Where you stand"]._charts) == 1
    steps_sheet = book["Audit of today's par"]
    named = {str(c.value) for row in steps_sheet.iter_rows() for c in row if c.value is not None}
    assert set(steps["item"]) <= named
    emergency = steps[steps["item"].str.startswith(("mask", "bag"))]["description"]
    assert {f"EM  {words}" for words in emergency} == {text for text in named if text.startswith("EM  ")} != set()
    path = steps["value_after"].to_numpy()
    assert steps["change_value"].iloc[1:].to_numpy() == pytest.approx(np.diff(path), abs=0.01), "money adds up"


def test_items_that_she_does_not_hold_are_not_missed_where_another_fills_the_role(audited):
    """The nursery holds barrier wipes in boxes of 25; the plan would buy boxes of 50. Both are wipes."""
    said, folder = audited
    table = pd.read_csv(folder / "tables/audit.csv").set_index("item")
    assert table.loc["prep_wipe_box50", "shortage_chance_present"] == 0
    assert "The plan buys" in said


def test_a_unit_without_present_par_is_told_what_to_give(tmp_path):
    ran = CliRunner().invoke(main, ["audit", str(sample_units()["mill_lane"]), "--out", str(tmp_path / "out")])
    assert ran.exit_code == 2
    assert "present_par.csv" in ran.output
    assert not (tmp_path / "out").exists()


def test_a_limit_below_emergency_equipment_is_refused_and_nothing_is_written(tmp_path):
    unit = tmp_path / "unit"
    shutil.copytree(sample_units()["lantern_nursery"], unit)
    settings = (unit / "unit.toml").read_text()
    (unit / "unit.toml").write_text(settings.replace("[stock]", "[stock]\nshelf_litres = 10", 1))
    ran = CliRunner().invoke(main, ["audit", str(unit), "--out", str(tmp_path / "out")])
    assert ran.exit_code == 1
    assert "emergency equipment" in ran.output
    assert not (tmp_path / "out").exists()
