"""A list on paper: a title, what to do, a table that runs over pages, room to write; the caution on every page."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, LETTER, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, SimpleDocTemplate, Spacer, Table, TableStyle

from kitplan.write.letters import draw_text, paragraph, width_of

_PADDING = 6.1  # points at either side of a cell: reportlab's own 6, and a little for rounding
PAPERS = {"a4": A4, "letter": LETTER}
CAUTION = ("Quantities of supplies only, no clinical advice. Follow your unit's policy and product labelling. "
           "Check emergency airway equipment at every bedside with your own eyes.")
_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=9, leading=11)
_BOLD = ParagraphStyle("bold", _BODY, fontName="Helvetica-Bold")
_TITLE = ParagraphStyle("title", fontName="Helvetica-Bold", fontSize=16, leading=20, spaceAfter=4)
_NOTE = ParagraphStyle("note", _BODY, fontSize=10, leading=13, spaceAfter=6)
_AFTER = ParagraphStyle("after", _BOLD, fontSize=10, leading=13, spaceAfter=6)
_RIGHT = ParagraphStyle("right", _BODY, alignment=2)


@dataclass(frozen=True)
class Column:
    """One column. width_mm; kind: "text", "strong", "number", "money" (as text) or "write" (a box)."""

    title: str
    width_mm: float
    kind: str = "text"


@dataclass(frozen=True)
class Listing:
    """What stands on the paper. note: a line a paragraph. rows: one cell a column, None for an empty one; foot: unit
    and plan. after: sentences in bold under the table."""

    title: str
    note: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[object]]
    foot: str
    upright: bool = True
    after: Sequence[str] = ()


def listing_pdf(listing: Listing, paper: str) -> bytes:
    """The listing as PDF bytes, the same for the same content. paper: "a4" or "letter"."""
    out = io.BytesIO()
    size = PAPERS[paper] if listing.upright else landscape(PAPERS[paper])
    document = SimpleDocTemplate(out, pagesize=size, leftMargin=12 * mm, rightMargin=12 * mm, topMargin=12 * mm,
                                 bottomMargin=20 * mm, title=listing.title, author="kitplan", invariant=1)
    room = size[0] - 24 * mm
    head = [paragraph(c.title, _BOLD) for c in listing.columns]
    body = [[_cell(value, c) for value, c in zip(row, listing.columns)] for row in listing.rows]
    table = Table([head, *body], colWidths=_widths(listing.columns, [head, *body], room), repeatRows=1)
    table.setStyle(_style(listing.columns))
    notes = [paragraph(line, _NOTE) for line in listing.note.split("\n")]
    after = [paragraph(words, _AFTER) for words in listing.after if words]
    flowables = [paragraph(listing.title, _TITLE), *notes, Spacer(1, 2 * mm), table, Spacer(1, 4 * mm), *after]
    document.build(flowables, canvasmaker=lambda *args, **kwargs: _Numbered(listing.foot, *args, **kwargs))
    return out.getvalue()


def caution_points(room: float) -> float:
    """The size of letters in which the caution fits a line of so many points."""
    return min(7.5, 7.5 * room / width_of(CAUTION, 7.5))


def _widths(columns: Sequence[Column], rows: Sequence[Sequence[object]], room: float) -> list[float]:
    """Widths in points that fill the room, as asked, but none so narrow that a word under a fifth of it is broken."""
    asked = np.array([c.width_mm for c in columns]) * room / sum(c.width_mm for c in columns)
    words = [max(cell.minWidth() for cell in column if isinstance(cell, Flowable)) for column in zip(*rows)]
    least = np.minimum(np.array(words) + 2 * _PADDING, room / 5)
    spare = np.maximum(asked - least, 0)
    return list(np.maximum(asked, least) - spare * (np.maximum(least - asked, 0).sum() / spare.sum()))


def _cell(value: object, column: Column) -> object:
    if value is None or value != value:
        return ""
    text = f"{value:,.0f}" if column.kind == "number" else str(value)
    style = {"strong": _BOLD, "number": _RIGHT, "money": _RIGHT}.get(column.kind, _BODY)
    return paragraph(text, style)


def _style(columns: Sequence[Column]) -> TableStyle:
    commands: list[tuple[object, ...]] = [
        ("LINEBELOW", (0, 0), (-1, 0), 1.2, colors.black), ("LINEBELOW", (0, 1), (-1, -1), 0.3, colors.grey),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"), ("TOPPADDING", (0, 1), (-1, -1), 4),
        ("BOTTOMPADDING", (0, 1), (-1, -1), 4),
    ]
    commands += [("BOX", (k, 1), (k, -1), 1.0, colors.black) for k, c in enumerate(columns) if c.kind == "write"]
    commands += [("INNERGRID", (k, 1), (k, -1), 0.5, colors.black) for k, c in enumerate(columns) if c.kind == "write"]
    return TableStyle(commands)


class _Numbered(Canvas):
    """Writes caution, unit, plan and page of pages under every page; the number of pages is known at the end."""

    def __init__(self, foot: str, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self._foot = foot
        self._pages: list[dict[str, object]] = []

    def showPage(self) -> None:
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        for number, page in enumerate(self._pages, 1):
            self.__dict__.update(page)
            self.setFont("Helvetica", caution_points(self._pagesize[0] - 24 * mm))
            self.drawString(12 * mm, 13 * mm, CAUTION)
            draw_text(self, 12 * mm, 9 * mm, self._foot, 7.5)
            self.setFont("Helvetica", 7.5)
            self.drawRightString(self._pagesize[0] - 12 * mm, 9 * mm, f"Page {number} of {len(self._pages)}")
            super().showPage()
        super().save()
