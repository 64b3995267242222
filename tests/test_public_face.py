"""The Python API: instant to import, documented by examples that run, and each name there."""

import doctest
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

import kitplan

EXAMPLES = ["kitplan", "kitplan.saved.folder"]


@pytest.mark.parametrize("module", EXAMPLES)
def test_the_examples_run(module):
    found = doctest.testmod(importlib.import_module(module))
    assert found.attempted > 0
    assert found.failed == 0


def test_importing_kitplan_loads_nothing_heavy():
    code = "import sys, kitplan; print(sorted({'numpy', 'pandas', 'scipy', 'pulp'} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True,
                         cwd=Path(kitplan.__file__).parents[1])
    assert run.stdout.strip() == "[]"


@pytest.mark.parametrize("name", kitplan.__all__)
def test_every_public_name_is_there_and_says_what_it_is(name):
    value = getattr(kitplan, name)
    assert name == "__version__" or value.__doc__


def test_an_unknown_name_is_no_attribute():
    with pytest.raises(AttributeError, match="no attribute 'plans'"):
        _ = kitplan.plans


def test_the_types_travel_with_the_package():
    assert (Path(kitplan.__file__).parent / "py.typed").is_file()
