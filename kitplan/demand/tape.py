"""Tape geometry and yields: what is cut for one re-secure, and how many pieces a roll or a sheet gives.

Pieces, not centimetres, come off a roll: a remnant shorter than the next piece is waste (model.md section 3).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache, lru_cache
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.sizes import uncut_of
from kitplan.read.values import Piece, Technique

_SLACK_MM = 1e-6
_SPAN_COLUMN = {"mid_cheek": "span_mid_cheek_mm", "tragus": "span_tragus_mm"}


def helix_length_mm(outer_mm: float, pitch_mm: float, turns: float) -> float:
    """Length of `turns` turns of tape round a tube of outer diameter outer_mm, advancing pitch_mm a turn.

    turns * sqrt((pi * OD)^2 + pitch^2), mm: the arc length of a circular helix (any calculus text).
    """
    return turns * math.hypot(math.pi * outer_mm, pitch_mm)


def cut_pieces(technique: Technique, stratum: Mapping[str, object] | pd.Series, width_mm: float) -> pd.DataFrame:
    """Return the pieces of one re-secure, one row a kind of piece (PIECE_COLUMNS; no rows without tape).

    stratum: one row of Unit.strata (outer_mm and the two spans are read, all mm). width_mm: of the tape really cut.
    length_mm is what is cut, whole mm, already longer by lengthened_mm where a leg was too short to reach the tube
    and go round it; warning says so and by how much, else "". path_mm: from the end of the slit to the tube, which is
    taken to lie in the middle of the span. leg_mm is the leg after lengthening; 0 for a plain strip. width_share is
    0.5 for a half-width strip, whose other half is thrown away: it still costs its full length.
    """
    return pd.DataFrame(_pieces(technique, stratum, width_mm), columns=PIECE_COLUMNS)


def lengths_per_use(
    technique: Technique, stratum: Mapping[str, object] | pd.Series, width_mm: float
) -> np.ndarray:
    """Lengths of tape that one re-secure takes, mm, one entry a piece, longest first.

    A half-width strip counts its full length, because its other half is thrown away.
    """
    kinds = _pieces(technique, stratum, width_mm)
    return np.array(sorted((kind["length_mm"] for kind in kinds for _ in range(kind["count"])), reverse=True), float)


def _pieces(
    technique: Technique, stratum: Mapping[str, object] | pd.Series, width_mm: float
) -> list[dict[str, Any]]:
    span_mm = float(stratum[_SPAN_COLUMN[technique.measure]])  # type: ignore[arg-type]
    outer_mm = float(stratum["outer_mm"])  # type: ignore[arg-type]
    return [_one_piece(piece, span_mm, outer_mm, width_mm) for piece in technique.pieces]


def _one_piece(piece: Piece, span_mm: float, outer_mm: float, width_mm: float) -> dict[str, Any]:
    asked = piece.length_mm if piece.length_mm is not None else float(piece.span or 0.0) * span_mm
    length = float(math.ceil(asked + piece.extra_mm - _SLACK_MM))
    legs_long = {"Y": 1, "H": 2}.get(piece.shape, 0)
    uncut = uncut_of(piece, span_mm)
    solid = {"Y": uncut, "H": piece.bridge_mm}.get(piece.shape, 0.0)
    leg = (length - solid) / legs_long if legs_long else 0.0
    path = _path_mm(piece, span_mm, outer_mm, uncut) if legs_long else 0.0
    # A leg is half the tape's width, and its turns lie edge to edge: the longest that a flat wrap needs.
    wrap = helix_length_mm(outer_mm, width_mm / 2.0, piece.turns) if legs_long and piece.turns else 0.0
    needed = path + wrap + piece.tab_mm if legs_long else 0.0
    lengthened, warning = 0.0, ""
    if leg < needed - _SLACK_MM:
        short = needed - leg
        lengthened = float(math.ceil(legs_long * short - _SLACK_MM))
        length += lengthened
        leg += lengthened / legs_long
        warning = (
            f"each leg is {short:.1f} mm too short to reach the tube, go {piece.turns:g} turns round its"
            f" {outer_mm:.1f} mm and leave a tab: the {piece.shape} piece is cut {lengthened:.0f} mm longer"
        )
    return {
        "shape": piece.shape,
        "count": int(piece.count),
        "length_mm": length,
        "width_share": 0.5 if piece.half_width else 1.0,
        "leg_mm": leg,
        "leg_needed_mm": needed,
        "path_mm": path,
        "uncut_mm": uncut,
        "bridge_mm": piece.bridge_mm,
        "tab_mm": piece.tab_mm,
        "turns": piece.turns,
        "use": piece.use,
        "lengthened_mm": lengthened,
        "warning": warning,
    }


PIECE_COLUMNS = list(_one_piece(Piece("strip", 1), 0.0, 0.0, 0.0))


def _path_mm(piece: Piece, span_mm: float, outer_mm: float, uncut_mm: float) -> float:
    """From the end of a leg's slit to the tube, mm: the recipe's, else to a tube in the middle of the span.

    A Y's uncut end lies on one side of the face, an H's bridge over the middle. A piece of fixed length has no face
    to measure on: its legs begin at the tube.
    """
    if piece.path_mm is not None:
        return piece.path_mm
    if piece.span is None:
        return 0.0
    start = span_mm / 2.0 - uncut_mm if piece.shape == "Y" else piece.bridge_mm / 2.0
    return max(start - (0.0 if math.isnan(outer_mm) else outer_mm / 2.0), 0.0)


def applied_length_mm(
    technique: Technique, stratum: Mapping[str, object] | pd.Series, width_mm: float
) -> float:
    """Full-width tape that one re-secure puts to use, mm: half strips count half, their waste not at all."""
    kinds = _pieces(technique, stratum, width_mm)
    return float(sum(kind["length_mm"] * kind["count"] * kind["width_share"] for kind in kinds))


def rolls_after_uses(lengths_mm: Sequence[float] | np.ndarray, roll_mm: float, n_uses: int) -> np.ndarray:
    """Rolls opened after 0, 1, ..., n_uses re-secures of one patient.

    lengths_mm: pieces of one re-secure. Cut as people cut: longest first from the open roll; a piece that no
    longer fits opens a new roll; what is left of the old one still serves the shorter pieces of the same
    re-secure, then is thrown away. No piece straddles two rolls.
    Returns an int ndarray, shape (n_uses + 1,). With equal lengths it is ceil(n * pieces / floor(R / l)).
    Raises ValueError when a piece is longer than the roll.
    """
    lengths = tuple(sorted(map(float, lengths_mm), reverse=True))
    if lengths and lengths[0] > roll_mm + _SLACK_MM:
        raise ValueError(f"a piece of {lengths[0]:g} mm is longer than the roll of {roll_mm:g} mm")
    return _rolls_opened(lengths, float(roll_mm), 1 << n_uses.bit_length())[: n_uses + 1].copy()


@lru_cache(maxsize=256)
def _rolls_opened(lengths: tuple[float, ...], roll_mm: float, n_uses: int) -> np.ndarray:
    """The same pieces are cut from the same rolls in a whole plan, and in many units."""
    rolls, left_mm = [0], 0.0
    for _ in range(n_uses):
        opened, left_mm = _cut_one_use(lengths, left_mm, roll_mm)
        rolls.append(rolls[-1] + opened)
    return np.array(rolls, dtype=np.int64)


def _cut_one_use(lengths: Sequence[float], left_mm: float, roll_mm: float) -> tuple[int, float]:
    """Rolls opened by one re-secure and the length left on the newest of them (first fit, longest first)."""
    open_rolls = [left_mm]
    for length in lengths:
        for index, left in enumerate(open_rolls):
            if left >= length - _SLACK_MM:
                open_rolls[index] = left - length
                break
        else:
            open_rolls.append(roll_mm - length)
    return len(open_rolls) - 1, open_rolls[-1]


def pieces_from_first_roll(lengths_mm: Sequence[float] | np.ndarray, roll_mm: float) -> int:
    """Pieces that the first roll gives when re-secure after re-secure is cut from it; 0 if the longest is too long.

    With equal lengths it is floor(R / l); with mixed lengths, what people get who cut longest first.
    """
    lengths = sorted(map(float, lengths_mm), reverse=True)
    if not lengths or lengths[0] > roll_mm + _SLACK_MM:
        return 0
    left, pieces, whole = roll_mm, 0, True
    while whole:
        for length in lengths:
            if left >= length - _SLACK_MM:
                left -= length
                pieces += 1
            else:
                whole = False
    return pieces


def sheet_pieces(
    sheet_width_mm: float, sheet_length_mm: float, piece_width_mm: float, piece_length_mm: float
) -> int:
    """Most equal rectangles, turned either way, that edge-to-edge (guillotine) cuts give from one sheet.

    Exact, by dynamic programming over the cut positions that sums of piece sides reach (Christofides &
    Whitlock, Operations Research 1977;25:30, from memory). Sizes are taken to a tenth of a millimetre.
    """
    across, along, width, length = (
        round(v * 10) for v in (sheet_width_mm, sheet_length_mm, piece_width_mm, piece_length_mm))
    if min(width, length) <= 0:
        raise ValueError("a piece needs a width and a length above 0 mm")
    step = math.gcd(width, length)
    return _most_rectangles(across // step, along // step, width // step, length // step)


@lru_cache(maxsize=256)
def _most_rectangles(across: int, along: int, width: int, length: int) -> int:
    limit = max(across, along)
    cuts = np.unique([i + j for i in range(0, limit + 1, width) for j in range(0, limit + 1 - i, length)])

    def down(value: int) -> int:
        return int(cuts[np.searchsorted(cuts, value, side="right") - 1])

    @cache
    def most(x: int, y: int) -> int:
        best = int((x >= width and y >= length) or (x >= length and y >= width))
        for side, other in ((x, y), (y, x)):
            if best >= x * y // (width * length):
                break
            for cut in cuts[(cuts > 0) & (cuts <= side // 2)].tolist():
                best = max(best, most(cut, other) + most(down(side - cut), other))
        return best

    return most(down(across), down(along))
