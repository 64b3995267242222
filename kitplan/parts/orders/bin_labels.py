"""Bin labels: what it is, how it comes, the number to order under, and bar codes, on a sheet of labels of any grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from reportlab.graphics.barcode.code128 import Code128
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from kitplan.parts.orders.round_plan import Level
from kitplan.read.catalogue import marked
from kitplan.read.problems import counted
from kitplan.write.letters import CUT, cut_lines, draw_text, width_of
from kitplan.write.listing import CAUTION
from kitplan.write.page import LabelGrid, at_true_scale

_QUIET_MODULES = 12
"""Blank modules between two codes; the symbology asks for ten (ISO/IEC 15417, from memory)."""
_THINNEST_BAR_MM, _BEST_BAR_MM = 0.19, 0.33
"""Bars thinner than the first are hard to scan; wider than the second waste room [common practice, no source]."""


def bin_labels_pdf(levels: Sequence[Level], paper: str, grid: LabelGrid | None = None) -> bytes:
    """Labels of all items of the par list in shelf order.

    Each says the one number that a person acts on; the urgent level stands beside it, smaller. The caution stands at
    the foot of every sheet.
    """
    def begin(canvas: Canvas) -> None:
        at_true_scale(canvas)
        draw_text(canvas, 6 * mm, 3 * mm, CAUTION, 6)

    return (grid or LabelGrid()).draw("Bin labels", paper, levels, _draw, begin)


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


def _draw(canvas: Canvas, row: Level, left: float, bottom: float, width: float, height: float) -> None:
    pad = 2.5 * mm
    canvas.setLineWidth(0.4)
    canvas.rect(left, bottom, width, height)
    x, top, room = left + pad, bottom + height - pad, width - 2 * pad
    draw_text(canvas, left + width - pad, top - 12, str(row.bin), 14, bold=True, anchor="right")
    bin_width = width_of(str(row.bin), 14, bold=True) + 2 * mm
    name = str(row.description or row.item)
    name, lines = marked(name, row.critical), []
    for size in (11.0, 9.5, 8.5):
        lines = cut_lines(name, size, room - bin_width, 2, bold=True)
        if not lines[-1].endswith(CUT):
            break
    for k, line in enumerate(lines):
        draw_text(canvas, x, top - 11 - 12 * k, line, size, bold=True)
    base = top - 11 - 12 * max(len(lines) - 1, 0) - 14
    comes = f" Comes in {row.pack}s." if row.pack > 1 else ""
    rule = f"UNDER {counted(row.level_units, row.counted_as)}: order.{comes}"
    draw_text(canvas, x, base, rule, min(11.0, 11.0 * room / width_of(rule, 11, bold=True)), bold=True)
    draw_text(canvas, x, base - 12, f"Urgent under {row.urgent_units}: do not wait for the order day.", 9)
    room_high = base - 15 - bottom - pad - 8
    for code, at, bar in _side_by_side(markings(str(row.item), str(row.gtin or "")), room):
        draw_text(canvas, x + min(at, room - width_of(code.said, 7)), bottom + pad, code.said, 7)
        if bar and room_high >= 5 * mm:
            high = min(room_high, 14 * mm)
            Code128(code.symbol, barWidth=bar, barHeight=high, quiet=0).drawOn(canvas, x + at, bottom + pad + 8)


def _side_by_side(codes: list[Marking], room: float) -> list[tuple[Marking, float, float]]:
    """(code, place, bar width) with one bar width for all, so that each gets the room its length needs.

    Bar width 0: no bars, because they would be too thin to scan or the text has letters that Code 128 lacks.
    """
    able = [(text := c.symbol.removeprefix(_FNC1)).isascii() and text.isprintable() for c in codes]
    modules = [Code128(c.symbol, barWidth=1, quiet=0).width if ok else 40 for c, ok in zip(codes, able)]
    apart = _QUIET_MODULES * (len(codes) - 1)
    bar = min(room / (sum(modules) + apart), _BEST_BAR_MM * mm)
    if bar < _THINNEST_BAR_MM * mm:
        first, *rest = _side_by_side(codes[:1], room) if len(codes) > 1 else [(codes[0], 0.0, 0.0)]
        return [first, *rest]
    starts = [bar * (sum(modules[:k]) + _QUIET_MODULES * k) for k in range(len(codes))]
    return [(c, at, bar if ok else 0.0) for c, ok, at in zip(codes, able, starts)]
