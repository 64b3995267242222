"""Bin labels: what it is, how it comes, the number to order under, and bar codes, on a sheet of labels of any grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.graphics.barcode.code128 import Code128
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from kitplan.parts.orders.round_plan import Level
from kitplan.read.problems import counted
from kitplan.write.letters import CUT, cut_lines, draw_text, width_of
from kitplan.write.listing import CAUTION
from kitplan.write.page import LabelGrid, at_true_scale

_QUIET_MODULES = 12
"""Blank modules at either side of a code; the symbology asks for ten (ISO/IEC 15417, from memory)."""
_THINNEST_BAR_MM, _BEST_BAR_MM = 0.19, 0.33
"""Bars thinner than the first are hard to scan; wider than the second waste room [common practice, no source]."""

_ROOMY_MM, _LOWEST_BARS_MM = 31.0, 5.0
"""Height from which a label has room for all of it in large letters; of bars that are still easy to scan."""


def bin_labels_pdf(levels: Sequence[Level], paper: str) -> bytes:
    """Labels of all items of the par list on sheets of the usual grid."""
    return drawn_labels(levels, paper, LabelGrid())[0]


def drawn_labels(levels: Sequence[Level], paper: str, grid: LabelGrid) -> tuple[bytes, int]:
    """Labels of all items of the par list in shelf order, and on how many there is no room for bars.

    Each says the one number that a person acts on; the urgent level stands beside it, smaller. The caution stands at
    the foot of every sheet.
    """
    bare = []

    def begin(canvas: Canvas) -> None:
        at_true_scale(canvas)
        draw_text(canvas, 6 * mm, 3 * mm, CAUTION, 6)

    def draw(canvas: Canvas, row: Level, *place: float) -> None:
        bare.append(not _draw(canvas, row, *place))

    return grid.draw("Bin labels", paper, levels, draw, begin), sum(bare)


@dataclass(frozen=True)
class Marking:
    """What one bar code holds. symbol: the data, with FNC1 first where GS1 asks for it. said: the line under it."""

    symbol: str
    said: str


_FNC1 = "\xf1"


def markings(item: str, gtin: str) -> list[Marking]:
    """The codes of one label, each called what it is.

    A trade item number is GS1-128: FNC1, application identifier 01, fourteen digits; its line shows the identifier in
    brackets (GS1 General Specifications, from memory). Numbers of the prefixes 02, 04 and 20 to 29 are for use inside
    a company and are no trade item numbers: plain Code 128, and called so. The item's name is plain Code 128 too.
    """
    found = [Marking(item, f"item code {item}")]
    if gtin:
        full = gtin.zfill(14)
        inside = full[1:3] in ("02", "04") or full[1] == "2"
        number = Marking(gtin, f"internal number {gtin}") if inside else Marking(f"{_FNC1}01{full}", f"(01) {full}")
        found.append(number)
    return found


def _draw(canvas: Canvas, row: Level, left: float, bottom: float, width: float, height: float) -> bool:
    """One label; whether there was room for bars. A low one keeps its name on one line where that fits."""
    roomy = height >= _ROOMY_MM * mm
    pad, high, line, rule_line, urgent_line = 2.5 * mm, *((2.5 * mm, 12, 14, 12) if roomy else (1.5 * mm, 10, 12, 9))
    canvas.setLineWidth(0.4)
    canvas.rect(left, bottom, width, height)
    x, top, room = left + pad, bottom + height - high, width - 2 * pad
    draw_text(canvas, left + width - pad, top - 12, str(row.bin), 14, bold=True, anchor="right")
    bin_width = width_of(str(row.bin), 14, bold=True) + 2 * mm
    name, lines = row.named, []
    tried = [(size, 2) for size in (11.0, 9.5, 8.5)] if roomy else [(s, n) for n in (1, 2) for s in (9.5, 8.5, 7.5)]
    for size, most in tried:
        lines = cut_lines(name, size, room - bin_width, most, bold=True)
        if not lines[-1].endswith(CUT):
            break
    for k, words in enumerate(lines):
        draw_text(canvas, x, top - line + 1 - line * k, words, size, bold=True)
    base = top - line + 1 - line * max(len(lines) - 1, 0) - rule_line
    comes = f" Comes in {row.pack}s." if row.pack > 1 else ""
    rule = f"UNDER {counted(row.level_units, row.counted_as)}: order.{comes}"
    draw_text(canvas, x, base, rule, min(11.0, 11.0 * room / width_of(rule, 11, bold=True)), bold=True)
    urgent = f"Urgent under {row.urgent_units:,} and none on order: do not wait."
    draw_text(canvas, x, base - urgent_line, urgent, min(9.0 if roomy else 7.5, 9.0 * room / width_of(urgent, 9)))
    room_high, said_to = base - urgent_line - 3 - bottom - high - 8, x - pad
    barred = room_high >= _LOWEST_BARS_MM * mm
    for code, at, bar in _side_by_side(markings(str(row.item), str(row.gtin or "")), width):
        said_at = max(x, left + min(at, width - pad - width_of(code.said, 7)))
        if said_at >= said_to + pad:
            draw_text(canvas, said_at, bottom + high, code.said, 7)
            said_to = said_at + width_of(code.said, 7)
            if bar and barred:
                drawn = Code128(code.symbol, barWidth=bar, barHeight=min(room_high, 14 * mm), quiet=0)
                drawn.drawOn(canvas, left + at, bottom + high + 8)
    return barred


def _side_by_side(codes: list[Marking], width: float) -> list[tuple[Marking, float, float]]:
    """(code, place, bar width) on a label so wide, with one bar width for all, so that each gets the room it needs.

    Bar width 0: no bars, because they would be too thin to scan or the text has letters that Code 128 lacks.
    """
    able = [(text := c.symbol.removeprefix(_FNC1)).isascii() and text.isprintable() for c in codes]
    modules = [Code128(c.symbol, barWidth=1, quiet=0).width if ok else 40 for c, ok in zip(codes, able)]
    bar = min(width / (sum(modules) + _QUIET_MODULES * (len(codes) + 1)), _BEST_BAR_MM * mm)
    if bar < _THINNEST_BAR_MM * mm:
        first, *rest = _side_by_side(codes[:1], width) if len(codes) > 1 else [(codes[0], 0.0, 0.0)]
        return [first, *rest]
    starts = [bar * (sum(modules[:k]) + _QUIET_MODULES * (k + 1)) for k in range(len(codes))]
    return [(c, at, bar if ok else 0.0) for c, ok, at in zip(codes, able, starts)]
