"""The inventor of logs with a known truth, for tests of what is learnt."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest


def _load():
    path = Path(__file__).with_name("invented_log.py")
    spec = importlib.util.spec_from_file_location("invented_log", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["invented_log"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def invented():
    return _load()
