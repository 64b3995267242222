"""Tape and sheet yields against arithmetic, calculus and exhaustive search."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from scipy.integrate import quad

from kitplan.demand import tape


@pytest.mark.parametrize(("piece_mm", "pieces"), [(160, 8), (220, 6), (290, 4)])
def test_pieces_of_a_54_inch_single_patient_roll(piece_mm, pieces):
    # Source: recomputed, floor(1371.6 / length); roll lengths are common practice, no source.
    assert tape.pieces_from_first_roll([piece_mm], 1371.6) == pieces
    rolls = tape.rolls_after_uses([piece_mm], 1371.6, 2 * pieces + 1)
    assert rolls[[pieces, pieces + 1, 2 * pieces, 2 * pieces + 1]].tolist() == [1, 2, 2, 3]


@pytest.mark.parametrize("turns", [0.5, 1, 2, 3.25])
@pytest.mark.parametrize(("outer_mm", "pitch_mm"), [(2.9, 6.25), (4.7, 12.5), (10.7, 25.0)])
def test_helix_length_is_the_arc_length_integral(outer_mm, pitch_mm, turns):
    # Source: arc length of r(t) = (R cos t, R sin t, p t / 2 pi), integrated numerically by scipy.
    def speed(t: float) -> float:
        dx, dy = -outer_mm / 2 * math.sin(t), outer_mm / 2 * math.cos(t)
        return math.sqrt(dx * dx + dy * dy + (pitch_mm / (2 * math.pi)) ** 2)

    arc, _ = quad(speed, 0, 2 * math.pi * turns)
    assert tape.helix_length_mm(outer_mm, pitch_mm, turns) == pytest.approx(arc, rel=1e-9)


def exhaustive_guillotine(across: int, along: int, width: int, length: int) -> int:
    """Best count over every whole-millimetre guillotine cut, without any of the planner's shortcuts."""

    @cache
    def best(x: int, y: int) -> int:
        count = int((x >= width and y >= length) or (x >= length and y >= width))
        for cut in range(1, x):
            count = max(count, best(cut, y) + best(x - cut, y))
        for cut in range(1, y):
            count = max(count, best(x, cut) + best(x, y - cut))
        return count

    return best(across, along)


def test_sheet_yield_equals_exhaustive_search_over_every_cut():
    # Source: exhaustive search in this file.
    draw = np.random.default_rng(7)
    for _ in range(40):
        sheet = draw.integers(8, 34, 2).tolist()
        piece = draw.integers(3, 14, 2).tolist()
        assert tape.sheet_pieces(*sheet, *piece) == exhaustive_guillotine(*sheet, *piece)


def test_mixed_orientations_beat_one_orientation():
    # Source: recomputed by hand: a 10 x 7 sheet gives two 4 x 3 pieces from a 4 x 7 column and three from the
    # 6 x 7 rest (two turned, one not); all upright or all turned gives only four.
    assert max((10 // 4) * (7 // 3), (10 // 3) * (7 // 4)) == 4
    assert tape.sheet_pieces(10, 7, 4, 3) == 5
