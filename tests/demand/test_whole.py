"""Whole things: by hand."""

import numpy as np
import pytest

from kitplan.demand.whole import whole_down, whole_up


@pytest.mark.parametrize(("amount", "up", "down"), [
    (0, 0, 0),
    (2, 2, 2),
    (2.5, 3, 2),
    (2.000001, 3, 2),
    (2.999999, 3, 2),
    (0.1 * 30, 3, 3),  # 3.0000000000000004
    (0.29 * 100, 29, 29),  # 28.999999999999996
    (3 + 0.9e-9, 3, 3),
    (3 + 1.5e-9, 4, 3),
    (3 - 1.5e-9, 3, 2),
    (-0.5, 0, -1),
])
def test_a_part_is_a_whole_thing_up_and_none_down_but_a_billionth_is_nothing(amount, up, down):
    assert (whole_up(amount), whole_down(amount)) == (up, down)


def test_an_array_keeps_its_shape_and_is_of_whole_numbers():
    amounts = np.array([[0.2, 1.0], [1.2, 7.0]])
    assert whole_up(amounts).tolist() == [[1, 1], [2, 7]]
    assert whole_down(amounts).tolist() == [[0, 1], [1, 7]]
    assert whole_up(amounts).dtype == whole_down(amounts).dtype == np.int64
