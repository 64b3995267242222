"""Each family of programs on a tiny stock room, written as .lp and compared with the file in golden/.

A changed formulation shows as a changed file in review. To write the files anew after a change that is meant:
KITPLAN_WRITE_GOLDEN=1 python -m pytest tests/solve/test_golden.py
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import pytest

from kitplan.parts.par.limits import state_most_ready
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.par_program import Limit, add_cost, add_limit, add_readiness, state_levels

GOLDEN = Path(__file__).parent / "golden"

PACKS = np.array([[1, 0, 2], [1, 1, 0], [2, 1, 1], [3, 1, 1], [1, 2, 3], [1, 0, 1], [2, 2, 1], [1, 1, 1]])
COST = np.array([4.0, 7.5, 2.0])
SHELF = Limit("shelf", np.array([1.0, 0.5, 2.0]), 8.0)
NEED = 5


def collapsed():
    return collapse(PACKS, own_quantiles(PACKS, NEED))


def par_levels():
    """Cheapest par levels for 5 of 8 scenarios within 8 L."""
    stated = state_levels("par", "min", collapsed())
    add_cost(stated, COST)
    add_readiness(stated, NEED)
    add_limit(stated, SHELF)
    return stated.program


def most_ready():
    """Most scenarios within 8 L."""
    return state_most_ready(collapsed(), [SHELF]).program


def elastic():
    """Least excess over 4 L for 5 of 8 scenarios."""
    stated = state_levels("elastic", "min", collapsed())
    add_readiness(stated, NEED)
    add_limit(stated, Limit("shelf", SHELF.per_unit, 4.0), penalty=0.25)
    return stated.program


@pytest.mark.parametrize("family", [par_levels, most_ready, elastic])
def test_the_formulation_is_the_one_on_file(family, tmp_path):
    program = family()
    written = tmp_path / "program.lp"
    program._model()[0].writeLP(str(written))
    written.write_text(re.sub(r"\bc\d{7}_", "", written.read_text(encoding="utf-8")), encoding="utf-8")
    golden = GOLDEN / f"{family.__name__}.lp"
    if os.environ.get("KITPLAN_WRITE_GOLDEN") == "1":
        golden.write_text(written.read_text(encoding="utf-8"), encoding="utf-8")
    assert written.read_text(encoding="utf-8") == golden.read_text(encoding="utf-8")


def test_every_file_is_in_the_register():
    register = (GOLDEN / "README.md").read_text(encoding="utf-8")
    assert all(f"`{path.name}`" in register for path in GOLDEN.glob("*.lp"))
