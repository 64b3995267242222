"""A learnt block takes the place of the unit's own settings, whole or not at all."""

from __future__ import annotations

import numpy as np
import pytest

from kitplan.read.learnt import with_learnt
from kitplan.read.problems import InputError

BLOCK = """
[resecure]
loosening_scale_hours = 61.7
loosening_shape = 1.56
soiled_per_day = 0.09
skin_per_day = 0.025
moved_per_day = 0.053
changed_per_day = 0.021
airway_spread = 0.5

[[resecure.modifier]]
route = "oral"
skin = "barrier"
tube_from_mm = 3.5
tube_to_mm = 3.5
all = 1.2
"""


@pytest.fixture
def file(tmp_path):
    return tmp_path / "resecure_learnt.toml"


def test_the_block_and_its_modifiers_replace_the_units_frequency(small_unit, file):
    file.write_text(BLOCK)
    unit = with_learnt(small_unit, file)
    assert unit.frequency["soiled_per_day"].tolist() == pytest.approx([0.09, 0.108, 0.09])
    assert unit.frequency.loc[1, "loosening_scale_hours"] == pytest.approx(61.7 * 1.2 ** (-1 / 1.56))
    assert unit.frequency["redo"].tolist() == small_unit.frequency["redo"].tolist()
    assert "resecure_learnt.toml" in unit.checksums
    assert any(a.source == "learnt: resecure_learnt.toml" for a in unit.assumptions)


def test_learning_twice_does_not_multiply_twice(small_unit, file):
    file.write_text(BLOCK)
    once = with_learnt(small_unit, file)
    np.testing.assert_allclose(with_learnt(once, file).frequency, once.frequency)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "has no block"),
        ("[resecure\n", "opens a block and does not close it"),
        ("[stock]\nreview_days = 7\n", "stock"),
        (BLOCK.replace("skin_per_day = 0.025\n", ""), "skin_per_day"),
        (BLOCK.replace("0.09", '"often"'), "is not a number"),
        (BLOCK.replace("0.09", "-1"), "is negative"),
        (BLOCK.replace("airway_spread", "airway_sprread"), "airway_sprread"),
        (BLOCK.replace("all = 1.2", "all = -2"), "is negative .*factor from 0 to 100"),
        (BLOCK.replace("all = 1.2", ""), "has no factor"),
        ("resecure = 3\n", "has no block"),
    ],
)
def test_a_broken_block_is_refused_with_what_to_do(small_unit, file, text, words):
    file.write_text(text)
    with pytest.raises(InputError, match=words):
        with_learnt(small_unit, file)
