"""Cut cards: the pieces of one technique and size at true scale; slits dashed, tabs hatched, dimensions beside."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from kitplan.demand import tape
from kitplan.demand.fit import item_of
from kitplan.demand.values import ItemChoice
from kitplan.read.values import Technique, Unit
from kitplan.write.page import FOOT_MM, MARGIN_MM, Card, draw_pages

_RULER_ROOM_MM = 14.0
_LABEL_MM, _UNDER_MM, _GAP_MM = 6.0, 9.0, 2.0
_BESIDE_MM, _SHEET_TEXT_MM = 16.0, 72.0
_MANY_USES = 400


Sheet = tuple[int, float, float, str]
"""Barrier pieces: count, width and length in mm, and how many a sheet gives."""


@dataclass(frozen=True)
class CutJob:
    """What one card shows. pieces: `cut_pieces`. width_mm: of the tape. designs: kits that use it. roll: sentence on
    the roll, or "". sheet: (count, width, length, sentence) of barrier pieces, or None. face: for whom the lengths
    stand."""

    title: str
    size: str
    route: str
    pieces: pd.DataFrame
    width_mm: float
    designs: tuple[str, ...]
    roll: str
    sheet: Sheet | None
    skins: tuple[str, ...] = ()
    face: str = ""


def cut_jobs(unit: Unit, item_choice: ItemChoice, strata: pd.DataFrame) -> list[CutJob]:
    """One job for each technique, size, tape width and set of lengths that the unit's kits use, by technique and size.

    strata: KitPlan.strata. Airways of one size whose pieces differ (other faces) get a card each.
    """
    jobs: dict[tuple[Any, ...], CutJob] = {}
    for stratum, row in unit.strata.iterrows():
        g = int(str(stratum))
        technique = unit.techniques[str(row["technique"])]
        if not technique.pieces:
            continue
        roll = item_of(unit, item_choice, g, "tape")
        if roll is None:
            continue
        width = float(roll["width_mm"])
        pieces = tape.cut_pieces(technique, row, width)
        key = (technique.name, float(row["size_number"]), str(row["size"]), str(row["route"]), width,
               tuple(pieces["length_mm"]))
        sheet = _sheet(unit, item_choice, g, row, technique.uses_with_barrier)
        design = str(strata.at[g, "design"])
        made = CutJob(technique.title, str(row["size"]), str(row["route"]), pieces, width, (design,),
                      _roll_sentence(unit.route(row["route"]).acts, pieces, roll), sheet, (str(row["skin"]),),
                      face_sentence(technique, row))
        jobs[key] = _joined(jobs[key], made) if key in jobs else made
    same = Counter(key[:4] for key in jobs)
    return [jobs[key] if same[key[:4]] > 1 else replace(jobs[key], skins=()) for key in sorted(jobs)]


def face_sentence(technique: Technique, row: Mapping[str, Any], owner: str = "this patient") -> str:
    """For whom the lengths of a card stand, and what comes before them: "" where no piece hangs on the face."""
    if not any(piece.span is not None for piece in technique.pieces):
        return ""
    span = float(row["span_tragus_mm" if technique.measure == "tragus" else "span_mid_cheek_mm"])
    whose = f" of a patient of {row['face_for']}" if row["face_for"] else ""
    ground = "this unit's own measurement" if row["face_own"] else "an estimate"
    place = technique.measure.replace("_", "-")
    return (
        f"MEASURE {owner.upper()}'S FACE FIRST. These lengths are for a span of {span:g} mm ({place} to {place}){whose}"
        f": {ground}. Another span, another length: cut as much longer or shorter. The tube is taken to lie in the"
        " middle."
    )


def _joined(first: CutJob, second: CutJob) -> CutJob:
    """One card for two kinds of airway that are cut alike."""
    return replace(
        first, designs=tuple(sorted({*first.designs, *second.designs})), roll=first.roll or second.roll,
        sheet=first.sheet or second.sheet, skins=tuple(sorted({*first.skins, *second.skins})),
    )


def _roll_sentence(acts: str, pieces: pd.DataFrame, roll: Mapping[str, Any]) -> str:
    lengths = pieces["length_mm"].repeat(pieces["count"]).tolist()
    roll_mm = float(roll["length_mm"])
    uses = int((tape.rolls_after_uses(lengths, roll_mm, _MANY_USES) <= 1).sum()) - 1
    return (f"One roll ({roll['description']}) gives {uses} {acts} "
            f"({tape.pieces_from_first_roll(lengths, roll_mm)} pieces). One patient only; throw the rest away "
            "afterwards.")


def _sheet(unit: Unit, item_choice: ItemChoice, g: int, row: pd.Series, uses: Mapping[str, float]) -> Sheet | None:
    count = math.ceil(uses.get("barrier", 0.0)) if row["skin"] == "barrier" else 0
    item = item_of(unit, item_choice, g, "barrier")
    if not count or item is None:
        return None
    width, length = float(row["barrier_width_mm"]), float(row["barrier_length_mm"])
    if pd.isna(item["width_mm"]):
        return count, width, length, ""
    fits = tape.sheet_pieces(float(item["width_mm"]), float(item["length_mm"]), width, length)
    return count, width, length, f"{fits} pieces from one {item['description']}"


def cut_cards(jobs: Sequence[CutJob], paper: str, foot: str) -> bytes:
    """All jobs as one PDF, one page each (more where the pieces need it), lying across the page."""

    def pages(new_page: Callable[[], Card]) -> None:
        for job in jobs:
            _one_job(job, new_page)

    return draw_pages("Cut cards", paper, foot, False, pages)


def _one_job(job: CutJob, new_page: Callable[[], Card]) -> None:
    card = new_page()
    _head(card, job)
    beside = None
    for piece in job.pieces.itertuples():
        for start, stop in _parts(float(piece.length_mm), card.room_mm):
            card = _with_room(card, job, job.width_mm, new_page)
            beside = (MARGIN_MM + stop - start + _BESIDE_MM, card.top)
            _draw_piece(card, job, piece, start, stop)
    if job.sheet is not None:
        _place_sheet_piece(card, job, job.sheet, beside, new_page)


def _place_sheet_piece(card: Card, job: CutJob, sheet: Sheet, beside: tuple[float, float] | None,
                       new_page: Callable[[], Card]) -> None:
    """Beside the last piece where there is room to its right and above the ruler, else below it."""
    across, down = max(sheet[1], sheet[2]), min(sheet[1], sheet[2])
    if beside is not None:
        x, top = beside
        lowest = top - _LABEL_MM - down - _UNDER_MM
        if x + max(across, _SHEET_TEXT_MM) <= card.width_mm - MARGIN_MM and lowest >= FOOT_MM + _RULER_ROOM_MM:
            _draw_sheet_piece(card, sheet, x, top)
            return
    card = _with_room(card, job, down, new_page)
    _draw_sheet_piece(card, sheet, MARGIN_MM, card.top)


def _with_room(card: Card, job: CutJob, height: float, new_page: Callable[[], Card]) -> Card:
    """The card itself, or a new page where the next drawing would not fit above the ruler."""
    if card.top - (_LABEL_MM + height + _UNDER_MM + _GAP_MM) >= FOOT_MM + _RULER_ROOM_MM:
        return card
    card = new_page()
    _head(card, job, "continued")
    return card


def _parts(length: float, room: float) -> list[tuple[float, float]]:
    """A piece longer than the paper is drawn in parts that lie end to end."""
    if length <= room:
        return [(0.0, length)]
    edges = [*[room * k for k in range(int(length // room) + 1)], length]
    return [(a, b) for a, b in itertools.pairwise(edges) if b - a > 1e-6]


def _head(card: Card, job: CutJob, more: str = "") -> None:
    card.top -= 8
    card.text(MARGIN_MM, card.top, f"{job.size} {job.route.replace('_', ' ')}".strip(), 24, bold=True)
    kits = f"Kit {', '.join(job.designs)}" if job.designs else ""
    card.text(card.width_mm - MARGIN_MM, card.top, kits, 24, bold=True, anchor="right")
    card.top -= 6
    skin = f", {'with' if job.skins == ('barrier',) else 'without'} barrier" if len(job.skins) == 1 else ""
    wording = f"{job.title}{skin}{', ' + more if more else ''}. Tape {job.width_mm:g} mm wide."
    card.text(MARGIN_MM, card.top, wording, 12, bold=True)
    card.top -= 1
    if not more and job.face:
        card.paragraph(job.face, 9, bold=True)
    if not more and job.roll:
        card.paragraph(job.roll, 9)
    for warning in [w for w in job.pieces["warning"] if w and not more]:
        card.paragraph(f"Look: {warning}.", 9, bold=True)
    card.text(MARGIN_MM, FOOT_MM + _RULER_ROOM_MM - 2.5,
              "Full line: cut.   Dashed line: slit.   Hatched: fold over as a tab.   Crossed: waste.   Sizes in mm.", 8)
    card.ruler(MARGIN_MM, FOOT_MM + 1)
    card.top -= _GAP_MM


def _draw_piece(card: Card, job: CutJob, piece: Any, start: float, stop: float) -> None:
    """One kind of piece between two places of its length, at true scale."""
    width, x, y = job.width_mm, MARGIN_MM, card.top - _LABEL_MM - job.width_mm
    whole = start == 0.0 and stop == piece.length_mm
    part = "" if whole else f"   part from {start:.0f} to {stop:.0f} mm, join at the arrows"
    card.text(x, card.top - _LABEL_MM + 1.6, f"Cut {piece.count}:  {_name(piece)}{part}", 11, bold=True)
    card.box(x, y, stop - start, width, 1.0)
    shift = x - start
    for a, b in _ends(piece, piece.tab_mm):
        _clipped(shift + a, shift + b, x, x + stop - start, lambda p, q: card.hatch(p, y, q - p, width))
    for a, b in _ends(piece, piece.leg_mm):
        _clipped(shift + a, shift + b, x, x + stop - start,
                 lambda p, q: card.line(p, y + width / 2, q, y + width / 2, 1.2, (5, 3)))
    if piece.width_share < 1:
        card.waste(x, y, stop - start, width / 2)
        card.line(x, y + width / 2, x + stop - start, y + width / 2, 1.2)
        card.fill(x + 3, y + width / 4 - 2, 31, 4, white=True)
        card.text(x + 4, y + width / 4 - 1, "other half: throw away", 8)
    _dimensions(card, piece, shift, y, x, x + stop - start)
    card.text(x + stop - start + 1.5, y + width / 2 - 1, f"{width:g}", 8) if stop - start < card.room_mm - 8 else None
    card.top = y - _UNDER_MM - _GAP_MM


def _name(piece: Any) -> str:
    shape = {"Y": "Y piece, slit from one end", "H": "H piece, slit from both ends"}.get(
        piece.shape, "half-width strip" if piece.width_share < 1 else "plain strip")
    return f"{shape} ({piece.use})" if piece.use else shape


def _ends(piece: Any, length: float) -> list[tuple[float, float]]:
    """So much of a piece at each end that is slit: one end of a Y, both of an H."""
    ends = [(0.0, length), (piece.length_mm - length, piece.length_mm)]
    return ends[:{"Y": 1, "H": 2}.get(piece.shape, 0)] if length else []


def _clipped(a: float, b: float, low: float, high: float, draw: Callable[[float, float], None]) -> None:
    p, q = max(a, low), min(b, high)
    if q - p > 1e-6:
        draw(p, q)


def _dimensions(card: Card, piece: Any, shift: float, y: float, low: float, high: float) -> None:
    """Leg and uncut part in the line under the piece, the whole length at its end."""
    marks = [(0.0, piece.length_mm, f"{piece.length_mm:g}")]
    if piece.shape == "Y":
        marks = [(0.0, piece.leg_mm, f"slit {piece.leg_mm:g}"),
                 (piece.leg_mm, piece.length_mm, f"uncut {piece.uncut_mm:g}")]
    if piece.shape == "H":
        far = piece.length_mm - piece.leg_mm
        marks = [(0.0, piece.leg_mm, f"slit {piece.leg_mm:g}"), (piece.leg_mm, far, f"{piece.bridge_mm:g}"),
                 (far, piece.length_mm, f"slit {piece.leg_mm:g}")]
    for a, b, text in marks:
        _clipped(shift + a, shift + b, low, high, lambda p, q: card.measure(p, q, y - 4.6, text))  # noqa: B023
    if piece.shape in ("Y", "H"):
        tab = f", tab {piece.tab_mm:g}" if piece.tab_mm else ""
        card.text(low, y - 8.4, f"whole length {piece.length_mm:g}{tab}", 8)


def _draw_sheet_piece(card: Card, sheet: Sheet, x: float, top: float) -> None:
    count, width, length, wording = sheet
    across, down = max(width, length), min(width, length)
    y = top - _LABEL_MM - down
    card.text(x, top - _LABEL_MM + 1.6, f"Cut {count}:  skin barrier piece", 11, bold=True)
    card.box(x, y, across, down, 1.0)
    card.measure(x, x + across, y - 4.6, f"{across:g}")
    card.text(x + across + 1.5, y + down / 2 - 1, f"{down:g}", 8)
    card.text(x, y - 8.4, wording, 8)
