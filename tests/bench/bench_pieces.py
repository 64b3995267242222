"""Every piece of the shipped tape recipes for tubes of 2.0 to 9.0 mm, cut from the narrowest tape that fits the tube.

Columns: tube, span, tape; then for each piece its length, uncut part, slit (leg), leg needed, and how much was added.
`before` stands for the rule of the first release: 25 mm tape taken for granted, a fixed uncut part, no way to the tube.
"""

from __future__ import annotations

import math

import numpy as np

from kitplan.demand.tape import cut_pieces
from kitplan.read.findings import Findings
from kitplan.read.sizes import FACE_COLUMNS, face_row, outer_of, read_face, read_tubes
from kitplan.read.source import Source
from kitplan.read.techniques import read_techniques
from kitplan.resources import sample_units


def before(piece, span: float, outer: float) -> tuple[float, float, float, float]:
    """(length, uncut, leg, needed) by the rule of the first release."""
    legs = {"Y": 1, "H": 2}.get(piece.shape, 0)
    length = float(math.ceil((piece.length_mm or piece.span * span) + piece.extra_mm))
    solid = {"Y": piece.uncut_mm, "H": piece.bridge_mm}.get(piece.shape, 0.0)
    needed = piece.turns * math.hypot(math.pi * outer, 12.5) + piece.tab_mm if legs else 0.0
    leg = (length - solid) / legs if legs else 0.0
    added = math.ceil(legs * max(needed - leg, 0.0))
    return length + added, solid, leg + (added / legs if legs else 0.0), needed


def main() -> None:
    """Print the table."""
    findings = Findings()
    source = Source(sample_units()["mill_lane"], findings)
    recipes, (_, face), (_, tubes) = (read_techniques(source, findings).techniques, read_face(source, findings),
                                      read_tubes(source, findings))
    print("recipe piece tube span tape | before: length uncut slit needed | after: length uncut slit path needed added")
    for name in ("oral_two_y", "oral_h_and_y", "nasal_two_y"):
        for number, piece in enumerate(recipes[name].pieces):
            for mm in np.arange(2.0, 9.1, 0.5):
                row = {"scale": "mm", "tube_mm": mm, "size_number": mm, "patient_number": mm, "patient_kg": np.nan}
                row |= {c: float(face.at[face_row(row, face), c]) for c in FACE_COLUMNS}
                row["outer_mm"] = outer_of(row, tubes)
                width = 12.5 if mm <= 3.5 else 25.0
                old = before(piece, row["span_mid_cheek_mm"], row["outer_mm"])
                new = cut_pieces(recipes[name], row, width).iloc[number]
                print(f"{name} {piece.shape}{number} {mm:.1f} {row['span_mid_cheek_mm']:.0f} {width:g} | "
                      f"{old[0]:.0f} {old[1]:.0f} {old[2]:.1f} {old[3]:.1f} | {new.length_mm:.0f} {new.uncut_mm:.0f} "
                      f"{new.leg_mm:.1f} {new.path_mm:.1f} {new.leg_needed_mm:.1f} {new.lengthened_mm:.0f}")


if __name__ == "__main__":
    main()
