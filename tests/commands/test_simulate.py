"""`kitplan simulate` at the command line."""

from __future__ import annotations

import json

import pandas as pd
from click.testing import CliRunner
from openpyxl import load_workbook

from kitplan.cli import main
from kitplan.resources import sample_units


def test_simulate_writes_its_table_its_sheet_and_its_record(tmp_path):
    unit = sample_units()["mill_lane"]
    call = ["simulate", str(unit), "--out", str(tmp_path / "a"), "--years", "1", "--copies", "8"]
    ran = CliRunner().invoke(main, call)
    assert ran.exit_code == 0, ran.output
    assert "ready in" in ran.output
    table = pd.read_csv(tmp_path / "a/tables/simulation.csv")
    assert list(table["plan"][:1]) == ["plan"]
    assert set(table["tuned"]) == {"yes", "no"}
    assert (table["low"] <= table["readiness"]).all()
    record = json.loads((tmp_path / "a/simulate.json").read_text())
    assert record["parts"] == ["simulate"]
    book = load_workbook(tmp_path / "a/simulate.xlsx")
    sheet = book["Played out"]
    assert "8 copies of the unit played check by check for 1 new year each" in sheet["A2"].value
    assert len(sheet._charts) == 1
    assert not [c for row in sheet.iter_rows() for c in row if c.data_type == "f"]
    again = [*call]
    again[3] = str(tmp_path / "b")
    CliRunner().invoke(main, again)
    for name in ("tables/simulation.csv", "tables/simulation_items.csv", "simulate.json"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


def test_a_fault_in_the_unit_is_said_and_nothing_is_written(tmp_path):
    (tmp_path / "unit.toml").write_text("mean_stay_days = 0\n")
    ran = CliRunner().invoke(main, ["simulate", str(tmp_path), "--out", str(tmp_path / "out")])
    assert ran.exit_code == 2
    assert not (tmp_path / "out").exists()
