"""Tape geometry and yields read as a specification: what is cut, how long a leg is, what a roll gives."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitplan.demand import tape
from kitplan.read.values import Piece, Technique
from kitplan.solve.sheet_cutting import guillotine_layouts

INFANT = {"outer_mm": 5.0, "span_mid_cheek_mm": 110.0, "span_tragus_mm": 160.0}


def technique(*pieces: Piece, measure: str = "mid_cheek", width_mm: float | None = 25.0) -> Technique:
    return Technique(
        name="made", title="Made for a test", routes=("oral",), default=True, people=2,
        measure=measure, tape_width_mm=width_mm, pieces=pieces, uses={}, uses_with_barrier={},
    )


def test_a_piece_takes_its_span_factor_of_the_named_face_measure_and_its_extra():
    piece = Piece("strip", 1, span=1.0, extra_mm=20)
    assert tape.cut_pieces(technique(piece), INFANT, 25.0).loc[0, "length_mm"] == 130
    assert tape.cut_pieces(technique(piece, measure="tragus"), INFANT, 25.0).loc[0, "length_mm"] == 180


def test_a_fixed_length_ignores_the_face():
    cut = tape.cut_pieces(technique(Piece("strip", 3, length_mm=75)), INFANT, 25.0)
    assert cut.loc[0, ["count", "length_mm", "leg_mm", "warning"]].tolist() == [3, 75, 0, ""]


def test_a_y_leg_runs_from_the_cut_end_to_where_the_slit_stops():
    cut = tape.cut_pieces(technique(Piece("Y", 2, span=1.0, uncut_mm=50, tab_mm=8, turns=1)), INFANT, 25.0).loc[0]
    assert cut.leg_mm == 60
    path = 110 / 2 - 50 - 5 / 2  # from the end of the slit to a tube in the middle of the span
    assert cut.leg_needed_mm == pytest.approx(path + math.hypot(math.pi * 5, 12.5) + 8)
    assert cut.warning == ""


def test_an_h_has_legs_on_both_sides_of_its_bridge():
    cut = tape.cut_pieces(technique(Piece("H", 1, span=1.0, bridge_mm=10, tab_mm=8, turns=1)), INFANT, 25.0).loc[0]
    assert cut.leg_mm == 50


@pytest.mark.parametrize(("shape", "sides"), [("Y", 1), ("H", 2)])
def test_a_leg_too_short_for_its_turns_is_lengthened_just_enough_and_says_by_how_much(shape, sides):
    solid = {"uncut_mm": 50.0} if shape == "Y" else {"bridge_mm": 10.0}
    cut = tape.cut_pieces(technique(Piece(shape, 1, length_mm=90, tab_mm=8, turns=3, **solid)), INFANT, 25.0).loc[0]
    short = 3 * math.hypot(math.pi * 5, 12.5) + 8 - (90 - sum(solid.values())) / sides
    assert short > 0
    assert f"{short:.1f} mm too short" in cut.warning
    assert cut.length_mm == 90 + cut.lengthened_mm
    assert 0 <= cut.leg_mm - cut.leg_needed_mm < 1
    assert cut.lengthened_mm == math.ceil(sides * short)


def test_a_half_width_strip_costs_its_full_length_and_half_of_it_is_applied():
    half, y = Piece("strip", 1, length_mm=120, half_width=True), Piece("Y", 2, length_mm=150, uncut_mm=50)
    assert tape.lengths_per_use(technique(half, y), INFANT, 25.0).tolist() == [150, 150, 120]
    assert tape.applied_length_mm(technique(half, y), INFANT, 25.0) == 360


def test_a_recipe_without_pieces_uses_no_tape():
    pieces = tape.cut_pieces(technique(), INFANT, 25.0)
    assert pieces.empty
    assert pieces.columns.tolist() == tape.PIECE_COLUMNS
    assert tape.rolls_after_uses(tape.lengths_per_use(technique(), INFANT, 25.0), 1371.6, 3).tolist() == [0, 0, 0, 0]


def test_a_wider_tape_needs_a_longer_leg_because_its_turns_lie_edge_to_edge():
    piece = Piece("Y", 1, length_mm=100, uncut_mm=30, turns=2)
    needed = [tape.cut_pieces(technique(piece), INFANT, width).loc[0, "leg_needed_mm"] for width in (12.5, 25.0, 50.0)]
    assert needed == pytest.approx([2 * math.hypot(math.pi * 5, width / 2) for width in (12.5, 25.0, 50.0)])


def test_a_remnant_serves_a_shorter_piece_of_the_same_re_secure_and_is_then_thrown_away():
    # 500: 300 + 120 used, 80 left; next re-secure opens a roll for the 300 and cuts the 60 from the remnant.
    assert tape.rolls_after_uses([300, 120], 500, 2).tolist() == [0, 1, 2]
    assert tape.rolls_after_uses([300, 60], 430, 2).tolist() == [0, 1, 2]
    # the 60 came from the old roll's remnant, so the new one keeps 130 and still cannot give a 300
    assert tape.rolls_after_uses([300, 60], 430, 3).tolist() == [0, 1, 2, 3]


def test_a_piece_longer_than_the_roll_is_refused():
    with pytest.raises(ValueError, match="longer than the roll"):
        tape.rolls_after_uses([290], 250, 1)


@given(
    length=st.integers(20, 400), per_use=st.integers(1, 6), roll=st.integers(400, 10_000),
    uses=st.integers(0, 25),
)
def test_equal_pieces_open_the_ceiling_of_pieces_over_pieces_per_roll(length, per_use, roll, uses):
    rolls = tape.rolls_after_uses([length] * per_use, roll, uses)
    expected = -(-np.arange(uses + 1) * per_use // (roll // length))
    assert rolls.tolist() == expected.tolist()


@given(
    lengths=st.lists(st.integers(20, 300), min_size=1, max_size=5), roll=st.integers(300, 3000),
    uses=st.integers(1, 20),
)
def test_rolls_never_fall_and_always_hold_the_length_that_was_cut(lengths, roll, uses):
    rolls = tape.rolls_after_uses(lengths, roll, uses)
    assert rolls[0] == 0
    assert (np.diff(rolls) >= 0).all()
    assert (rolls * roll >= np.arange(uses + 1) * sum(lengths)).all()
    assert (np.diff(rolls) <= len(lengths)).all()


@given(w=st.integers(1, 60), h=st.integers(1, 60), a=st.integers(4, 30), b=st.integers(4, 30))
def test_as_many_sheet_pieces_lie_inside_the_sheet_without_overlap(w, h, a, b):
    (layout,) = guillotine_layouts(np.array([[a, b]]) * 10, np.ones(1), [(w * 10, h * 10)])
    boxes = [box for _, box in layout]
    assert len(boxes) == tape.sheet_pieces(w, h, a, b)
    filled = np.zeros((w, h), dtype=int)
    for x, y, width, length in boxes:
        assert sorted((width, length)) == sorted((a, b))
        filled[int(x):int(x + width), int(y):int(y + length)] += 1
    assert filled.max(initial=0) <= 1
    assert filled.sum() == len(boxes) * a * b


def test_turning_the_sheet_or_the_piece_changes_nothing():
    sheets, pieces = ((100, 150), (150, 100)), ((20, 45), (45, 20))
    assert len({tape.sheet_pieces(*sheet, *piece) for sheet in sheets for piece in pieces}) == 1


def test_a_piece_that_does_not_fit_gives_none():
    assert tape.sheet_pieces(100, 100, 101, 5) == 0


def test_a_piece_without_area_is_refused():
    with pytest.raises(ValueError, match="above 0"):
        tape.sheet_pieces(100, 100, 0, 5)


def test_a_roll_gives_no_piece_of_a_recipe_whose_longest_it_does_not_hold():
    assert tape.pieces_from_first_roll([300.0, 1400.0], 1372.0) == 0
    assert tape.pieces_from_first_roll([], 1372.0) == 0
    assert tape.pieces_from_first_roll([300.0, 1072.0], 1372.0) == 2
