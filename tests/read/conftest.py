"""Small unit folders written by the tests, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from kitplan.read.problems import InputError, Problem
from kitplan.read.unit import load_unit

UNIT = 'name = "Test unit"\nmean_stay_days = 5\n'
CENSUS = "route,tube_mm,airways\noral,3.5,4\nnasal,4.0,1\n"


@pytest.fixture
def unit_folder(tmp_path: Path) -> Callable[..., Path]:
    """Write a unit folder: `unit_folder({"census.csv": text or bytes, ...})`; a clean census unless given."""

    def make(files: dict[str, str | bytes] | None = None) -> Path:
        folder = tmp_path / "unit"
        folder.mkdir(exist_ok=True)
        for name, content in ({"unit.toml": UNIT, "census.csv": CENSUS} | (files or {})).items():
            (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
        return folder

    return make


@pytest.fixture
def problems_of() -> Callable[[Path], list[Problem]]:
    """Return what is wrong with a unit, whether it stops all or a part; nothing is a failure of the test."""

    def read(path: Path) -> list[Problem]:
        try:
            problems = load_unit(path).faults
        except InputError as error:
            problems = error.problems
        assert problems, "nothing was found wrong"
        return list(problems)

    return read
