"""Check by check: which securements are found wanting, how often each is tried again, and what that takes.

Time is counted in ticks, one from a check to the next; what check k finds falls into tick k - 1. Nothing
here knows a distribution of counts: every airway is looked at, every check, with one random number.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.parts.simulate.future_play import Airways
from kitplan.read.values import Piece, Technique, Unit

_MOST_AGES = 4096


@dataclass(frozen=True)
class Attempts:
    """Attempts at securing from the first day on, one row a moment at which an airway was secured (flat arrays of equal
    length, by time).

    airway: index into Airways. tick: when. count: attempts then, redos included. before: attempts of the same
    airway before that moment.
    """

    airway: np.ndarray
    tick: np.ndarray
    count: np.ndarray
    before: np.ndarray


def play_checks(unit: Unit, airways: Airways, rng: np.random.Generator) -> Attempts:
    """Look at every airway at every check of its stay and renew what is found wanting."""
    per_day = unit.checks_per_day
    enter = np.floor(airways.start * per_day).astype(np.int64)
    n_checks = np.maximum(np.floor(airways.end * per_day).astype(np.int64) - enter, 0)
    order = np.argsort(-n_checks, kind="stable")
    stratum = airways.stratum[order]
    wears = _Wear(unit, stratum, airways.wear[order], rng)
    redo = unit.frequency["redo"].to_numpy(float)[stratum]
    first = np.round(unit.frequency["admission_secures"].to_numpy(float)).astype(np.int64)[stratum]
    made = _tries(first, redo, rng)
    found, so_far = [], np.zeros(len(order), dtype=np.int64)

    def note(which: np.ndarray, since: int, tries: np.ndarray) -> None:
        tick = enter[order[which]] + since
        kept = which[tick >= 0]
        found.append((order[kept], tick[tick >= 0], tries[tick >= 0], so_far[kept]))
        so_far[which] += tries

    note(np.flatnonzero(made), 0, made[made > 0])
    still_there = np.searchsorted(-n_checks[order], -np.arange(1, n_checks.max(initial=0) + 1), side="right")
    for number, present in enumerate(still_there):
        which = wears.check(int(present), rng)
        note(which, number, _tries(np.ones(len(which), dtype=np.int64), redo[which], rng))
    return Attempts(*(np.concatenate(part) for part in zip(*found)))


def _tries(securements: np.ndarray, redo: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Attempts that `securements` securements take when each attempt is spoiled with chance `redo`."""
    return securements + np.where(
        securements > 0, rng.negative_binomial(np.maximum(securements, 1), 1.0 - redo), 0
    )


class _Wear:
    """Wear of every securement, in checks since it was made, and how likely the next check condemns it."""

    def __init__(self, unit: Unit, stratum: np.ndarray, factor: np.ndarray, rng: np.random.Generator) -> None:
        frequency = unit.frequency
        self.stratum = stratum
        self.worn = np.zeros(len(stratum), dtype=np.int64)
        spread = frequency["airway_spread"].to_numpy(float)[stratum]
        shape = 1.0 / np.maximum(spread, 1e-9) ** 2
        self.proneness = factor * np.where(spread > 0, rng.gamma(np.where(spread > 0, shape, 1.0)) / shape, 1.0)
        self.strain = np.stack([_strain(row, unit.checks_per_day) for _, row in frequency.iterrows()])
        hours = frequency["planned_hours"].to_numpy(float)
        limit = np.ceil(hours * unit.checks_per_day / 24.0 - 1e-9)
        self.limit = np.where(hours > 0, np.maximum(limit, 1), np.inf)

    def check(self, present: int, rng: np.random.Generator) -> np.ndarray:
        """Check the first `present` airways; returns the indices of those renewed, whose wear is 0 again."""
        worn, stratum = self.worn[:present], self.stratum[:present]
        worn += 1
        strain = self.strain[stratum, np.minimum(worn, _MOST_AGES)]
        condemned = rng.standard_exponential(present) < self.proneness[:present] * strain
        which = np.flatnonzero(condemned | (worn >= self.limit[stratum]))
        worn[which] = 0
        return which


def _strain(row: pd.Series, checks_per_day: int) -> np.ndarray:
    """Hazard that gathers between check k - 1 and check k of a securement, k = 0.._MOST_AGES; entry 0 is unused."""
    flat = float(row["flat_per_check"])
    if not np.isnan(flat):
        return np.full(_MOST_AGES + 1, -np.log1p(-flat) if flat < 1 else np.inf)
    steady = float(row[["soiled_per_day", "skin_per_day", "moved_per_day", "changed_per_day"]].sum()) / checks_per_day
    age = np.arange(_MOST_AGES + 1) * (24.0 / checks_per_day)
    scale = float(row["loosening_scale_hours"])
    slack = (age / scale) ** float(row["loosening_shape"]) if 0 < scale < np.inf else np.zeros_like(age)
    return np.concatenate([[0.0], np.diff(slack) + steady])


def lengths_cut_mm(technique: Technique, stratum: pd.Series, width: float) -> list[float]:
    """Lengths of the pieces that one re-secure of this stratum cuts from tape of this width, mm, longest first."""
    span = float(stratum["span_tragus_mm" if technique.measure == "tragus" else "span_mid_cheek_mm"])
    lengths: list[float] = []
    for piece in technique.pieces:
        lengths += [_cut_mm(piece, span, float(stratum["outer_mm"]), width)] * piece.count
    return sorted(lengths, reverse=True)


def _cut_mm(piece: Piece, span_mm: float, outer_mm: float, width_mm: float) -> float:
    """One piece: as asked, or as long as its legs need to reach the tube, go round it edge to edge and be folded."""
    asked = (span_mm * (piece.span or 0.0) if piece.length_mm is None else piece.length_mm) + piece.extra_mm
    uncut = piece.uncut_mm
    if piece.uncut_share is not None and span_mm > 0:
        uncut = min(uncut, np.floor(span_mm * piece.uncut_share + 1e-6))
    legs, solid, start = {
        "Y": (1, uncut, span_mm / 2 - uncut), "H": (2, piece.bridge_mm, piece.bridge_mm / 2)
    }.get(piece.shape, (0, 0.0, 0.0))
    reach = piece.path_mm if piece.path_mm is not None else max(start - np.nan_to_num(outer_mm) / 2, 0.0)
    reach = reach if piece.path_mm is not None or piece.span is not None else 0.0
    turned = piece.turns * np.sqrt((np.pi * outer_mm) ** 2 + (width_mm / 2) ** 2) if piece.turns else 0.0
    round_tube = reach + turned + piece.tab_mm
    whole = np.ceil(asked - 1e-6)
    needed = solid + legs * round_tube if legs else 0.0
    return float(whole + max(np.ceil(needed - whole - 1e-6), 0.0))


def rolls_opened(lengths_mm: list[float], roll_mm: float, most: int) -> np.ndarray:
    """Rolls opened for one patient after 0..most re-secures, cut with scissors in hand.

    A remnant is kept while the next re-secure begins with it; within one re-secure every open end is tried,
    oldest first, and only the newest roll goes back into the kit.
    """
    opened, end_mm, total = [0], 0.0, 0
    for _ in range(most):
        ends = [end_mm]
        for length in lengths_mm:
            fits = [k for k, left in enumerate(ends) if left + 1e-6 >= length]
            if not fits:
                ends.append(roll_mm)
                fits = [len(ends) - 1]
            ends[fits[0]] -= length
        total += len(ends) - 1
        end_mm = ends[-1]
        opened.append(total)
    return np.array(opened)


def rectangles_from_sheet(
    width_mm: float, length_mm: float, piece_width_mm: float, piece_length_mm: float, cuts: int = 3
) -> int:
    """Most pieces from one sheet in at most `cuts` rounds of cutting straight across, then in rows of one way."""
    sides = (piece_width_mm, piece_length_mm)
    known: dict[tuple[int, int, int], int] = {}

    def rows(across: float, along: float) -> int:
        return max(int((across + 1e-6) // a) * int((along + 1e-6) // b) for a, b in (sides, sides[::-1]))

    def parts(whole: float) -> list[float]:
        return [side * k for side in sides for k in range(1, int((whole + 1e-6) // side))]

    def best(across: float, along: float, left: int) -> int:
        key = (round(across * 10), round(along * 10), left)
        if key not in known:
            most = rows(across, along)
            if left:
                for cut in parts(across):
                    most = max(most, best(cut, along, left - 1) + best(across - cut, along, left - 1))
                for cut in parts(along):
                    most = max(most, best(across, cut, left - 1) + best(across, along - cut, left - 1))
            known[key] = most
        return known[key]

    return best(width_mm, length_mm, cuts)
