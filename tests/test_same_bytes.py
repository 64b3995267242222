"""Same unit, same seed: the same bytes, whatever the threads, hash seed, time zone, locale or Python."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

import pytest

from kitplan.resources import sample_units


def load_script():
    spec = importlib.util.spec_from_file_location("same_bytes", Path(__file__).parent / "bench/same_bytes.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def script():
    return load_script()


@pytest.fixture(scope="module")
def first(script):
    return script.outputs(sys.executable, sample_units()["mill_lane"], script.RUNS["once"])


def test_two_runs_in_different_surroundings_write_the_same_bytes(script, first):
    again = script.outputs(sys.executable, sample_units()["mill_lane"], script.RUNS["again"])
    assert "stock-room.xlsx" in first
    assert script.differences(first, again) == []


def test_a_difference_would_be_seen(script, first):
    assert script.differences(first, first | {"plan.json": "0"}) == ["plan.json"]
    assert script.differences(first, {}) == sorted(first)


@pytest.mark.skipif(
    "KITPLAN_OTHER_PYTHON" not in os.environ, reason="KITPLAN_OTHER_PYTHON names no other Python"
)
def test_another_python_writes_the_same_tables(script, first):
    other = script.outputs(
        os.environ["KITPLAN_OTHER_PYTHON"], sample_units()["mill_lane"], script.RUNS["once"]
    )
    assert [name for name in script.differences(first, other) if name.startswith("tables/")] == []
