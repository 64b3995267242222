"""Sizes: a tube's outer diameter, the face that the tape spans, and whether a size is plausible for a weight."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.columns import columns_of
from kitplan.read.findings import Findings
from kitplan.read.settings import said_source
from kitplan.read.source import Source
from kitplan.read.tables import read_table
from kitplan.read.values import Assumption, Piece

SMALLEST_MM, LARGEST_MM, STEP_MM = 2.0, 10.0, 0.5
"""The grid of tube sizes: common practice, no source. A unit adds others in a tubes.csv of its own."""

FACE_COLUMNS = ["span_mid_cheek_mm", "span_tragus_mm", "barrier_width_mm", "barrier_length_mm"]


def read_face(source: Source, findings: Findings) -> tuple[str, pd.DataFrame]:
    """Return the file's name and the face measures by tube size or weight band (NaN: no limit on that side)."""
    name, reader = read_table("face", source, findings)
    if reader is None:
        return name, pd.DataFrame(columns=list(columns_of("face")))
    frame = reader.frame()
    for low, high in (("tube_from_mm", "tube_to_mm"), ("kg_from", "kg_to")):
        reader.refuse(high, (frame[high] < frame[low]).to_numpy(), frame[high].to_numpy(),
                      f"is smaller than {low}", "Exchange the two.")
    return name, frame[~reader.bad].reset_index(drop=True)


def read_tubes(source: Source, findings: Findings) -> tuple[str, pd.DataFrame]:
    """Return the file's name and the tubes by size: outer diameter and usual weights."""
    name, reader = read_table("tubes", source, findings)
    if reader is None:
        return name, pd.DataFrame(columns=list(columns_of("tubes")))
    frame = reader.frame()
    reader.refuse("outer_mm", (frame["outer_mm"] <= frame["tube_mm"]).to_numpy(), frame["outer_mm"].to_numpy(),
                  "is not larger than the internal diameter", "Copy the outer diameter printed on the tube.")
    reader.refuse_repeats("tube_mm", frame["tube_mm"], "stands twice", "Keep one row a size.")
    return name, frame[~reader.bad].sort_values("tube_mm").reset_index(drop=True)


def off_grid(tube_mm: np.ndarray, tubes: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return masks of sizes that no tube has: impossible ones, and ones between the steps of the grid.

    A size listed in tubes.csv is neither.
    """
    listed = np.isclose(tube_mm[:, None], tubes["tube_mm"].to_numpy(float)[None, :], atol=1e-6).any(axis=1)
    known = np.isnan(tube_mm) | listed
    impossible = ~known & ((tube_mm < SMALLEST_MM - 1e-9) | (tube_mm > LARGEST_MM + 1e-9))
    between = ~known & ~impossible & ~np.isclose(tube_mm / STEP_MM, np.round(tube_mm / STEP_MM), atol=1e-6)
    return impossible, between


def sizes_from_expected(tube_mm: np.ndarray, patient_kg: np.ndarray, tubes: pd.DataFrame) -> np.ndarray:
    """Return how far each tube is from the nearest size usual for the weight, mm (NaN: weight or band unknown).

    Parameters: tube_mm, patient_kg: ndarrays, shape (n,). tubes: frame of read_tubes.
    """
    low, high = tubes["kg_from"].to_numpy(float), tubes["kg_to"].to_numpy(float)
    usual = (patient_kg[:, None] >= np.where(np.isnan(low), 0, low)) & (
        patient_kg[:, None] <= np.where(np.isnan(high), np.inf, high))
    usual &= ~(np.isnan(low) & np.isnan(high))[None, :]
    away = np.where(usual, np.abs(tube_mm[:, None] - tubes["tube_mm"].to_numpy(float)[None, :]), np.inf)
    nearest_mm = away.min(axis=1, initial=np.inf)
    return np.where(np.isinf(nearest_mm) | np.isnan(patient_kg), np.nan, nearest_mm)


def outer_of(row: Mapping[str, Any], tubes: pd.DataFrame) -> float:
    """Return the outer diameter, mm, of a device with SIZE_COLUMNS; NaN where the scale does not tell it.

    In millimetres: the size's own row, or between its neighbours; NaN outside the table. In French: a third of the
    size, by definition [ISO 8836 designates catheters so; from memory].
    """
    if row["scale"] == "Fr":
        return float(row["size_number"]) / 3.0
    sizes, outers = tubes["tube_mm"].to_numpy(float), tubes["outer_mm"].to_numpy(float)
    tube_mm = row["tube_mm"]
    if not len(sizes) or not sizes[0] - 1e-9 <= tube_mm <= sizes[-1] + 1e-9:
        return float("nan")
    return float(np.interp(tube_mm, sizes, outers))


def face_row(row: Mapping[str, Any], face: pd.DataFrame) -> int | None:
    """Return the row of the face table for one kind of airway (SIZE_COLUMNS, patient_kg), or None.

    A known weight decides where a row's band holds it (the band's upper end belongs to the next row); otherwise
    the size in millimetres does. Of several rows that hold, the first.
    """
    size = row["patient_number"] if row["scale"] == "mm" else np.nan
    tube_known = face["tube_from_mm"].notna() | face["tube_to_mm"].notna()
    kg_known = face["kg_from"].notna() | face["kg_to"].notna()
    by_tube = tube_known & (face["tube_from_mm"].fillna(0) <= size + 1e-9) & (
        face["tube_to_mm"].fillna(np.inf) >= size - 1e-9)
    by_kg = kg_known & (face["kg_from"].fillna(0) <= row["patient_kg"]) & (
        face["kg_to"].fillna(np.inf) > row["patient_kg"])
    for mask in (by_kg & (by_tube | ~tube_known), by_kg, by_tube, ~tube_known & ~kg_known):
        if mask.any():
            return int(np.flatnonzero(mask)[0])
    if np.isnan(size) or not tube_known.any():
        return None
    away = (face["tube_from_mm"].fillna(0) - size).clip(lower=0) + (
        size - face["tube_to_mm"].fillna(np.inf)).clip(lower=0)
    nearest = away[tube_known].idxmin()
    return int(nearest) if away[nearest] <= STEP_MM + 1e-9 else None


def uncut_of(piece: Piece, span_mm: float) -> float:
    """Uncut part of a Y, whole mm: what the recipe asks for, at most its share of the face span."""
    if piece.uncut_share is None or np.isnan(span_mm):
        return piece.uncut_mm
    return min(piece.uncut_mm, float(np.floor(piece.uncut_share * span_mm + 1e-6)))


def size_assumptions(
    strata: pd.DataFrame, face: pd.DataFrame, face_file: str, tubes: pd.DataFrame, tubes_file: str, rows: list[int]
) -> list[Assumption]:
    """Return one line a tube size and one line a face row in use."""
    lines = []
    for size, outer in strata.dropna(subset=["tube_mm", "outer_mm"]).groupby("tube_mm")["outer_mm"].first().items():
        same = tubes[np.isclose(tubes["tube_mm"], size)]
        ground = same["provenance"].iloc[0] if len(same) else "between its neighbours in the table"
        lines.append(Assumption("Tubes", f"outer diameter of {size:g} mm", f"{outer:g}", "mm",
                                said_source(ground, tubes_file)))
    for row in sorted(set(rows)):
        line = face.loc[row]
        spans = ", ".join(f"{c.removesuffix('_mm').replace('_', ' ')} {line[c]:g}" for c in FACE_COLUMNS)
        bands = _band(line, "tube_from_mm", "tube_to_mm", "mm tube"), face_band(line)
        band = "; ".join(part for part in bands if part)
        ground = said_source(line["provenance"], face_file)
        lines.append(Assumption("Face measures", band or "any size", spans, "mm", ground))
    return lines


def face_band(line: pd.Series) -> str:
    """The weights that a row of the face table stands for: "2 to 4 kg", "40 kg and more", "" where it names none."""
    return _band(line, "kg_from", "kg_to", "kg")


def _band(line: pd.Series, low: str, high: str, unit: str) -> str:
    start, end = line[low], line[high]
    if np.isnan(start) and np.isnan(end):
        return ""
    if np.isnan(end):
        return f"{start:g} {unit} and more"
    if np.isnan(start) or start == 0:
        return f"up to {end:g} {unit}"
    return f"{start:g} {unit}" if start == end else f"{start:g} to {end:g} {unit}"
