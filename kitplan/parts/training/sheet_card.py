"""How to cut dressing sheets: each pattern drawn on its sheet, at true scale where the paper is large enough."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from kitplan.parts.training.cuts import Cut
from kitplan.write.page import FOOT_MM, MARGIN_MM, Card, draw_pages

_RULER_ROOM_MM = 16.0


_Drawing = tuple[str, str, tuple[float, float], tuple[tuple[float, float, float, float], ...]]
"""Pattern in words, sheet in words, its sides in mm, where the pieces lie."""


def sheet_cards_pdf(
    cuts: Sequence[tuple[str, Cut]], called: Mapping[str, str], notes: tuple[str, str], paper: str, foot: str
) -> bytes:
    """One page a pattern. cuts: (for whom, sheets). called: item -> description. notes: days and who cut; a caution."""
    found: dict[_Drawing, dict[str, int]] = {}
    for who, cut in cuts:
        for row, layout in zip(cut.plan.plan.to_dict("records"), cut.plan.layouts):
            sheet = next(s for s in cut.plan.stock if s.name == row["sheet"])
            item, origin = cut.source[row["sheet"]]
            drawing = (str(row["pattern"]), f"{called.get(item, item)} ({origin})", (sheet.width_mm, sheet.length_mm),
                       tuple(box for _, box in layout))
            counts = found.setdefault(drawing, {})
            counts[who] = counts.get(who, 0) + int(row["count"])

    def pages(new_page: Callable[[], Card]) -> None:
        for drawing, counts in found.items():
            _one(new_page(), counts, notes, *drawing)

    return draw_pages("Sheet cards", paper, foot, True, pages)


def _one(
    card: Card, counts: Mapping[str, int], notes: tuple[str, str], pattern: str, title: str, sheet: tuple[float, float],
    boxes: Sequence[tuple[float, float, float, float]],
) -> None:
    count = sum(counts.values())
    card.top -= 8
    card.text(MARGIN_MM, card.top, f"Cut {count} sheet{'' if count == 1 else 's'} like this", 20, bold=True)
    card.top -= 1
    card.paragraph(notes[0], 10, bold=True)
    if len(counts) > 1 or any(counts):
        card.paragraph("; ".join(f"{n} for {who}" for who, n in counts.items()), 10, bold=True)
    card.paragraph(title, 12, bold=True)
    card.paragraph(f"{pattern} mm from one sheet. Cut from edge to edge, then each part again.", 10)
    width, length = sheet
    waste = width * length - sum(w * h for _, _, w, h in boxes)
    crossed = f" Crossed: waste, {waste / 100:,.1f} cm2 a sheet." if waste > 1e-6 else " No waste."
    card.paragraph(notes[1] + crossed, 9)
    high = card.top - FOOT_MM - _RULER_ROOM_MM - 8
    scale = min(1.0, card.room_mm / width, high / length)
    bottom = card.top - 6 - length * scale
    card.waste(MARGIN_MM, bottom, width * scale, length * scale)
    for x, y, w, h in boxes:
        left, low = MARGIN_MM + x * scale, bottom + (length - y - h) * scale
        card.blank(left, low, w * scale, h * scale)
        card.box(left, low, w * scale, h * scale, 0.7)
        if min(w, h) * scale >= 5:
            card.text(left + w * scale / 2, low + h * scale / 2 - 1, f"{w:g} x {h:g}", 6, anchor="centre")
    card.box(MARGIN_MM, bottom, width * scale, length * scale, 1.6)
    if scale < 1.0:
        card.text(MARGIN_MM, FOOT_MM + 3, f"Not at true scale: the sheet of {width:g} x {length:g} mm is larger than "
                  "this paper. Measure with a ruler.", 9, bold=True)
    else:
        card.text(MARGIN_MM, FOOT_MM + 12, 'Print at 100 % (actual size), never "fit to page". If this bar is not 100 '
                  "mm, do not cut from this card.", 9, bold=True)
        card.bar(MARGIN_MM, FOOT_MM + 3)
