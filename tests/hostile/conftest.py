"""Units with one thing wrong in them, and the promise that reading them ends well."""

from __future__ import annotations

import functools
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from kitplan.read.problems import InputError
from kitplan.read.unit import load_unit

UNIT = 'name = "Test unit"\nmean_stay_days = 5\n'
CENSUS = "route,tube_mm,airways\noral,3.5,4\nnasal,4.0,1\n"

AS_LONG_AS, MEGABYTES = 25.0, 400.0
"""No reader may take longer than so many readings of a clean list of 20,000 stays, in time of the processor, nor grow
the process by more: a busy machine changes neither.
"""


@functools.cache
def clean_reading_seconds() -> float:
    """Time of the processor for one reading of a clean list of 20,000 stays."""
    rows = "".join(f"A{i},oral,3.5,2025-{1 + i % 12:02d}-01,2025-{1 + i % 12:02d}-09\n" for i in range(20_000))
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "unit.toml").write_text(UNIT)
        (Path(folder) / "census.csv").write_text("airway,route,tube_mm,start,end\n" + rows)
        began = time.process_time()
        load_unit(Path(folder))
        return time.process_time() - began


def read_ends_well(path: Path) -> InputError | None:
    """Read a unit; return the InputError it ends with, None if it can be used. Anything else fails the test."""
    limit = AS_LONG_AS * clean_reading_seconds()
    before, began = peak_megabytes(), time.process_time()
    ended = None
    try:
        load_unit(path)
    except InputError as error:
        ended = error
    if ended is not None:
        assert ended.problems
        assert len(str(ended)) < 200_000, "nobody reads so long a list of problems"
    assert time.process_time() - began < limit
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
