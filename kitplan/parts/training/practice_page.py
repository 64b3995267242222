"""What every print of a practice class shares: the practice-only band, the caution, page numbers, a few styles."""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import partial
from typing import Any

from reportlab.lib import colors
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, SimpleDocTemplate, Table, TableStyle

from kitplan.write.letters import draw_text, paragraph
from kitplan.write.listing import PAPERS

PRACTICE_ONLY = "PRACTICE ONLY, NOT FOR PATIENTS"
CAUTION = (
    "For practice on manikins. Quantities of supplies only, no clinical advice: local policy and the instructor decide."
)
MARGIN_MM = 14.0
_FRAME_PAD = 6.0
"""Points that a page template leaves around its text; taken off the margins so that text and band line up."""

BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=10, leading=13)
SMALL = ParagraphStyle("small", BODY, fontSize=8.5, leading=11)
STRONG = ParagraphStyle("strong", BODY, fontName="Helvetica-Bold")
RIGHT = ParagraphStyle("right", BODY, alignment=2)
HEAD = ParagraphStyle("head", BODY, fontName="Helvetica-Bold", fontSize=12, leading=15, spaceBefore=7, spaceAfter=3)
TITLE = ParagraphStyle("title", BODY, fontName="Helvetica-Bold", fontSize=22, leading=27)
NOTE = ParagraphStyle("note", BODY, spaceBefore=3, spaceAfter=4)


def text(words: object, style: ParagraphStyle = BODY) -> Flowable:
    """Words as a paragraph; nothing in them acts as mark-up."""
    return paragraph(str(words), style)


def practice_pdf(title: str, foot: str, flowables: Sequence[Flowable], paper: str) -> bytes:
    """A document as PDF bytes, the same for the same content. paper: "a4" or "letter". foot: class and unit."""
    out = io.BytesIO()
    side = MARGIN_MM * mm - _FRAME_PAD
    document = SimpleDocTemplate(
        out, pagesize=PAPERS[paper], leftMargin=side, rightMargin=side, topMargin=18 * mm, bottomMargin=15 * mm,
        title=title, author="kitplan", invariant=1,
    )
    draw = partial(_furnish, foot=foot)
    document.build(list(flowables), onFirstPage=draw, onLaterPages=draw)
    return out.getvalue()


def _furnish(canvas: Canvas, document: Any, foot: str) -> None:
    width, height = document.pagesize
    canvas.saveState()
    band(canvas, MARGIN_MM * mm, height - 16 * mm, width - 2 * MARGIN_MM * mm, 8 * mm, 13)
    canvas.setFillColor(colors.black)
    canvas.setFont("Helvetica", 8)
    canvas.drawString(MARGIN_MM * mm, 12 * mm, CAUTION)
    draw_text(canvas, MARGIN_MM * mm, 8 * mm, foot, 8)
    canvas.setFont("Helvetica", 8)
    canvas.drawRightString(width - MARGIN_MM * mm, 8 * mm, f"Page {document.page}")
    canvas.restoreState()


def band(canvas: Canvas, left: float, bottom: float, width: float, height: float, size: float) -> None:
    """The practice-only band: black with white letters, so that no printer setting hides it."""
    canvas.setFillColor(colors.black)
    canvas.rect(left, bottom, width, height, stroke=0, fill=1)
    canvas.setFillColor(colors.white)
    canvas.setFont("Helvetica-Bold", size)
    canvas.drawCentredString(left + width / 2, bottom + height / 2 - size * 0.36, PRACTICE_ONLY)


def grid(
    rows: Sequence[Sequence[Any]], widths: Sequence[float], *, head: bool = True, boxes: Sequence[int] = (),
    row_mm: float | None = None, pad: float = 2.2, full: bool = True,
) -> Table:
    """A table with thin lines; cells of the columns in `boxes` are framed, to be ticked or written in.

    widths: in proportion over the whole line; with full=False in mm. pad: points above and below the words.
    """
    heights = None if row_mm is None else [None, *[row_mm * mm] * (len(rows) - 1)]
    columns = [f"{100 * w / sum(widths):.4f}%" if full else w * mm for w in widths]
    table = Table(rows, colWidths=columns, repeatRows=int(head), rowHeights=heights, hAlign="LEFT")
    commands: list[tuple[Any, ...]] = [
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, colors.grey), ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("TOPPADDING", (0, 0), (-1, -1), pad), ("BOTTOMPADDING", (0, 0), (-1, -1), pad),
        ("LEFTPADDING", (0, 0), (0, -1), 2),
    ]
    if head:
        commands.append(("LINEBELOW", (0, 0), (-1, 0), 1.2, colors.black))
    for column in boxes:
        commands += [("BOX", (column, int(head)), (column, -1), 0.9, colors.black),
                     ("INNERGRID", (column, int(head)), (column, -1), 0.6, colors.black)]
    table.setStyle(TableStyle(commands))
    return table
