"""plan.json: the contract with other programs and with the next run."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np

from kitplan.outputs import plan_files
from kitplan.plan_record import record_bytes
from kitplan.planning import plan_number
from kitplan.read.values import StockPolicy
from kitplan.write.writer import checksum, write_outputs


def test_it_tells_seed_version_inputs_readiness_value_solver_and_warnings(plan):
    record = json.loads(plan_files(plan)["plan.json"])
    assert record["seed"] == 7
    assert record["version"] == "0.1.0"
    assert record["inputs"] == dict(plan.unit.checksums)
    assert {"target", "planned", "verified", "low", "high"} <= set(record["readiness"])
    assert {"name", "status", "bound", "gap"} <= set(record["solver"])
    assert record["value"] == round(plan.par.value, 6)
    assert record["warnings"] == [str(w) for w in plan.unit.warnings]


def test_it_records_the_checksum_of_every_other_output(plan, tmp_path):
    files = plan_files(plan)
    write_outputs(tmp_path / "plan", files)
    recorded = json.loads((tmp_path / "plan" / "plan.json").read_text())["outputs"]
    assert set(recorded) == set(files) - {"plan.json"}
    for name, known in recorded.items():
        assert checksum((tmp_path / "plan" / name).read_bytes()) == known


def test_a_plan_written_twice_keeps_no_copy_and_a_filled_in_one_is_kept(plan, tmp_path):
    write_outputs(tmp_path / "plan", plan_files(plan))
    assert write_outputs(tmp_path / "plan", plan_files(plan)).kept == {}
    with open(tmp_path / "plan" / "stock-room.xlsx", "ab") as file:
        file.write(b" ")
    assert write_outputs(tmp_path / "plan", plan_files(plan)).kept == {"stock-room.xlsx": "stock-room-kept-1.xlsx"}


def test_the_plan_number_changes_with_inputs_seed_version_and_policies_only(plan):
    unit = plan.unit
    number = plan_number(unit, 7, "0.1.0")
    assert number == plan_number(replace(unit, name="Another name"), 7, "0.1.0")
    others = {
        plan_number(unit, 8, "0.1.0"), plan_number(unit, 7, "0.2.0"),
        plan_number(replace(unit, checksums={"unit.toml": "00"}), 7, "0.1.0"),
        plan_number(replace(unit, stock=StockPolicy(7, 2, 0.99)), 7, "0.1.0"),
        plan_number(replace(unit, bedside=replace(unit.bedside, restock_hours=72)), 7, "0.1.0"),
    }
    assert len(others | {number}) == 6


def test_the_same_plan_gives_the_same_files_byte_for_byte(plan, small_unit, plan_maker):
    assert plan_files(plan) == plan_files(plan_maker())


def test_numbers_that_json_lacks_become_null_and_the_rest_keep_ten_digits():
    text = record_bytes({"a": np.float64("nan"), "b": [np.inf, np.int64(3)], "c": 1 / 3, "d": {"e": None}}).decode()
    assert json.loads(text) == {"a": None, "b": [None, 3], "c": 0.3333333333, "d": {"e": None}}
