"""Units with one thing wrong in them, and the promise that reading them ends well."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit

UNIT = 'name = "Test unit"\nmean_stay_days = 5\n'
CENSUS = "route,tube_mm,airways\noral,3.5,4\nnasal,4.0,1\n"

SECONDS, MEGABYTES = 20.0, 400.0
"""No reader may take longer, nor grow the process by more."""


def read_ends_well(path: Path) -> InputError | None:
    """Read a unit; return the InputError it ends with, None if it can be used. Anything else fails the test."""
    before, began = peak_megabytes(), time.monotonic()
    ended = None
    try:
        load_unit(path)
    except InputError as error:
        ended = error
    if ended is not None:
        assert ended.problems
        assert len(str(ended)) < 200_000, "nobody reads so long a list of problems"
    assert time.monotonic() - began < SECONDS
    assert peak_megabytes() - before < MEGABYTES
    return ended


def peak_megabytes() -> float:
    """Most memory this process has had, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@pytest.fixture(scope="session")
def a_unit(tmp_path_factory) -> Callable[..., Path]:
    """Write a unit folder: `a_unit({"census.csv": text or bytes})`; whatever is not given is clean."""

    def make(files: dict[str, str | bytes] | None = None) -> Path:
        folder = tmp_path_factory.mktemp("unit")
        for name, content in ({"unit.toml": UNIT, "census.csv": CENSUS} | (files or {})).items():
            (folder / name).write_bytes(
                content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass")
            )
        return folder

    return make
