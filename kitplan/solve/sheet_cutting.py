"""Dressing pieces cut from sheets: two-dimensional cutting stock with edge-to-edge (guillotine) cuts.

A cut with scissors goes from edge to edge. Pieces may be turned. The best pattern for given piece worths
is found exactly, for any number of cuts, by the recursion of Gilmore & Gomory, Operations Research
1966;14:1045, over the cut positions that sums of piece sides reach (Christofides & Whitlock, Operations
Research 1977;25:30), both from memory.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from kitplan.solve.cutting import TENTHS, Box, CutPlan, Stock, checked, made_plan, pooled, to_tenths
from kitplan.solve.patterns import Column, PatternPlan, Supply, solve_patterns

_MOST_POINTS = 500
"""Cut positions along one side above which pieces are cut up to whole millimetres, to answer in seconds."""


def cut_sheets(
    sizes_mm: Sequence[tuple[float, float]] | np.ndarray,
    demand: Sequence[int] | np.ndarray,
    sheets: Sequence[Stock],
) -> CutPlan:
    """Cut `demand[i]` pieces of `sizes_mm[i]` (width, length) from `sheets` at least money.

    Equal pieces are pooled, whichever way round they were given. Raises ValueError for sizes of 0 or less, a
    demand that is negative or not whole, and a piece that fits no sheet.
    """
    sizes, wanted = pooled(np.asarray(sizes_mm, float).reshape(-1, 2), demand)
    areas = [_area(s) for s in sheets]
    for side, size in sizes.tolist():
        if not any(_fits(side, size, area) for area in areas):
            piece = f"{side / TENTHS:g} x {size / TENTHS:g} mm"
            raise ValueError(f"a piece of {piece} is larger than every sheet")
    supplies = [
        Supply(s.price, s.pack, s.available, s.width_mm * s.length_mm * (0.5 if s.first else 1.0))
        for s in sheets
    ]
    start = [
        (index, tuple(int(i == piece) for i in range(len(sizes))))
        for index, area in enumerate(areas)
        for piece, (side, size) in enumerate(sizes.tolist())
        if _fits(side, size, area)
    ]
    found: dict[Column, tuple[tuple[int, Box], ...]] = {}
    cut = _cut_sizes(sizes, areas)
    result = solve_patterns(
        wanted, supplies, start, lambda worth, most: _best_patterns(cut, worth, most, areas, found),
    )
    return _sheet_plan(sizes, wanted, sheets, areas, result, found)


def _cut_sizes(sizes: np.ndarray, areas: Sequence[tuple[int, int]]) -> np.ndarray:
    """Sizes to cut by: as asked, or up to the next whole mm where tenths would make the table too large."""
    if not sizes.size:
        return sizes
    step = math.gcd(*(int(v) for v in sizes.ravel()))
    points = _reachable(max(max(area) for area in areas) // step, sizes // step)
    whole = -(-sizes // TENTHS) * TENTHS
    still_fit = all(any(_fits(size[0], size[1], area) for area in areas) for size in whole.tolist())
    return whole if points.size > _MOST_POINTS and still_fit else sizes


def _area(sheet: Stock) -> tuple[int, int]:
    checked(sheet, min(sheet.width_mm, sheet.length_mm))
    return to_tenths(sheet.width_mm, up=False), to_tenths(sheet.length_mm, up=False)


def _fits(short: int, long: int, area: tuple[int, int]) -> bool:
    return short <= min(area) and long <= max(area)


def _best_patterns(
    sizes: np.ndarray, worth: np.ndarray, most: np.ndarray, areas: Sequence[tuple[int, int]],
    found: dict[Column, tuple[tuple[int, Box], ...]],
) -> list[np.ndarray]:
    """Pattern of greatest worth for each sheet; its layout is kept in `found`.

    `most` cannot be held to inside the recursion, so surplus pieces are left out of the pattern afterwards:
    such a pattern is still a true one, and the classic bound does not need the limit.
    """
    patterns = []
    for index, layout in enumerate(guillotine_layouts(sizes, worth, areas)):
        kept, counts = [], np.zeros(len(sizes), dtype=int)
        for piece, box in layout:
            if counts[piece] < most[piece]:
                counts[piece] += 1
                kept.append((piece, box))
        found.setdefault((index, tuple(counts.tolist())), tuple(kept))
        patterns.append(counts)
    return patterns


def guillotine_layouts(
    sizes: np.ndarray, worth: np.ndarray, areas: Sequence[tuple[int, int]]
) -> list[list[tuple[int, Box]]]:
    """Pieces of greatest total worth that edge-to-edge cuts give from one sheet of each area, as often as they like.

    sizes: int, shape (n_pieces, 2). worth: shape (n_pieces,). areas: width and length of sheets, same unit. Returns
    (piece, box in mm) of each piece, sheet by sheet. One table over all reachable sides serves them all:

    F(x, y) = max(best single piece, F(c, y) + F(x - c, y), F(x, c) + F(x, y - c)) over reachable cuts c up to half
    of the side.
    """
    step = math.gcd(*(int(v) for v in sizes.ravel()))
    small = sizes // step
    points = _reachable(max(max(area) for area in areas) // step, small)
    value, piece_at = _single_pieces(small, worth, points)
    choice = np.full(value.shape, -1)
    halves = [np.arange(1, int(np.searchsorted(points, side // 2, side="right"))) for side in points]
    rests = [np.searchsorted(points, side - points[low], side="right") - 1 for side, low in zip(points, halves)]
    for i in range(1, points.size):
        row = value[i]
        if halves[i].size:
            total = value[halves[i]] + value[rests[i]]
            best = total.argmax(axis=0)
            gain = total[best, np.arange(points.size)]
            better = gain > row + 1e-12
            row[better], choice[i][better] = gain[better], halves[i][best][better]
        for j in range(1, points.size):
            if halves[j].size:
                totals = row[halves[j]] + row[rests[j]]
                at = totals.argmax()
                if totals[at] > row[j] + 1e-12:
                    row[j], choice[i, j] = totals[at], -2 - halves[j][at]
    corners = [[int(np.searchsorted(points, v // step, side="right") - 1) for v in area] for area in areas]
    return [_place(small, points, piece_at, choice, (i, j), step / TENTHS) for i, j in corners]


def _reachable(limit: int, small: np.ndarray) -> np.ndarray:
    """Distances 0..limit that are sums of piece sides, ascending."""
    reach = np.zeros(limit + 1, dtype=bool)
    reach[0] = True
    for side in np.unique(small).tolist():
        for low in range(side, limit + 1, side):
            high = min(low + side, limit + 1)
            reach[low:high] |= reach[low - side:high - side]
    return np.flatnonzero(reach)


def _single_pieces(small: np.ndarray, worth: np.ndarray, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Worth of the best single piece that fits x by y, either way round, and which it is (-1: none)."""
    value = np.zeros((points.size, points.size))
    piece_at = np.full(value.shape, -1)
    for piece in np.flatnonzero(worth > 0):
        for width, length in {tuple(small[piece].tolist()), tuple(small[piece][::-1].tolist())}:
            fits = (points[:, None] >= width) & (points[None, :] >= length) & (value < worth[piece])
            value[fits], piece_at[fits] = worth[piece], piece
    return value, piece_at


def _place(
    small: np.ndarray, points: np.ndarray, piece_at: np.ndarray, choice: np.ndarray,
    corner: tuple[int, int], mm: float,
) -> list[tuple[int, Box]]:
    """Follow the cuts back from the sheet's corner to where each piece lies."""
    layout: list[tuple[int, Box]] = []
    waiting = [(*corner, 0, 0)]
    while waiting:
        i, j, left, top = waiting.pop()
        cut = int(choice[i, j])
        if cut >= 0:
            rest = int(np.searchsorted(points, points[i] - points[cut], side="right") - 1)
            waiting += [(cut, j, left, top), (rest, j, left + int(points[cut]), top)]
        elif cut <= -2:
            low = -2 - cut
            rest = int(np.searchsorted(points, points[j] - points[low], side="right") - 1)
            waiting += [(i, low, left, top), (i, rest, left, top + int(points[low]))]
        elif piece_at[i, j] >= 0:
            piece = int(piece_at[i, j])
            width, length = (int(v) for v in small[piece])
            if width > points[i] or length > points[j]:
                width, length = length, width
            layout.append((piece, (left * mm, top * mm, width * mm, length * mm)))
    return sorted(layout, key=lambda p: (p[1][1], p[1][0]))


def _sheet_plan(
    sizes: np.ndarray, demand: np.ndarray, sheets: Sequence[Stock], areas: Sequence[tuple[int, int]],
    result: PatternPlan, found: dict[Column, tuple[tuple[int, Box], ...]],
) -> CutPlan:
    layouts = [_layout_for(int(r), p, sizes, areas, found) for r, p in zip(result.supply, result.patterns)]
    sizes_mm = sizes / TENTHS
    whole = np.array([math.prod(areas[r]) / TENTHS**2 for r in result.supply])
    plan = pd.DataFrame({
        "sheet": [sheets[r].name for r in result.supply],
        "pattern": [" + ".join(f"{n} x ({w:g} x {h:g})" for (w, h), n in zip(sizes_mm, p) if n)
                    for p in result.patterns],
        "count": result.counts, "waste_mm2": whole - (result.patterns * sizes_mm.prod(axis=1)).sum(axis=1),
    })
    return made_plan(sizes_mm, demand, sheets, plan, result, layouts)


def _layout_for(
    supply: int, pattern: np.ndarray, sizes: np.ndarray, areas: Sequence[tuple[int, int]],
    found: dict[Column, tuple[tuple[int, Box], ...]],
) -> tuple[tuple[int, Box], ...]:
    """Layout of a pattern: the smallest known one that holds it (surplus pieces were taken out), or one
    piece.
    """
    if pattern.sum() == 1:
        piece = int(pattern.argmax())
        width, length = (int(v) for v in sizes[piece])
        if width > areas[supply][0] or length > areas[supply][1]:
            width, length = length, width
        return ((piece, (0.0, 0.0, width / TENTHS, length / TENTHS)),)
    holding = [c for c in found if c[0] == supply and all(a >= b for a, b in zip(c[1], pattern))]
    kept, left = [], pattern.copy()
    for piece, box in found[min(holding, key=lambda c: sum(c[1]))]:
        if left[piece] > 0:
            left[piece] -= 1
            kept.append((piece, box))
    return tuple(kept)
