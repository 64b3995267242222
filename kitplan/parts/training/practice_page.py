"""What every print of a practice class shares: which classes, the practice-only band, the caution, a few styles."""

from __future__ import annotations

import io
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from typing import Any, TypeVar

from reportlab.lib import colors
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, PageBreak, PageTemplate, Table, TableStyle

from kitplan.parts.training.model import TrainingPlan
from kitplan.read.class_values import TrainingClass
from kitplan.write.letters import draw_text, paragraph
from kitplan.write.listing import PAPERS

PRACTICE_ONLY = "PRACTICE ONLY, NOT FOR PATIENTS"
CAUTION = (
    "For practice on manikins. Quantities of supplies only, no clinical advice: local policy and the instructor decide."
)
BLANK = "____________________"
MARGIN_MM = 14.0
_TOP_MM, _FOOT_MM = 24.0, 15.0

_BODY = ParagraphStyle("body", fontName="Helvetica", fontSize=10, leading=13)
_STYLES = {style.name: style for style in (
    _BODY, ParagraphStyle("small", _BODY, fontSize=8.5, leading=11),
    ParagraphStyle("strong", _BODY, fontName="Helvetica-Bold"), ParagraphStyle("right", _BODY, alignment=2),
    ParagraphStyle("head", _BODY, fontName="Helvetica-Bold", fontSize=12, leading=15, spaceBefore=7, spaceAfter=3),
    ParagraphStyle("title", _BODY, fontName="Helvetica-Bold", fontSize=22, leading=27),
    ParagraphStyle("note", _BODY, spaceBefore=3, spaceAfter=4),
)}

C = TypeVar("C", bound=Hashable)


@dataclass(frozen=True)
class PrintSet:
    """The classes of one set of prints. lessons: indexes, one, or those of a course's sessions. foot: unit and plan."""

    training: TrainingPlan
    lessons: tuple[int, ...]
    paper: str
    foot: str

    @property
    def title(self) -> str:
        return self.first.course or self.first.title

    @property
    def first(self) -> TrainingClass:
        """The class, or the first session."""
        return self.training.lessons[self.lessons[0]]

    def of(self, lessons: Sequence[int]) -> list[TrainingClass]:
        """The classes of these indexes."""
        return [self.training.lessons[i] for i in lessons]

    def alike(self, lessons: Sequence[int], content: Callable[[int], C | None]) -> list[tuple[tuple[int, ...], C]]:
        """Each content that differs, with the classes that share it; None: the class has none."""
        found: dict[C, list[int]] = {}
        for lesson in lessons:
            if (mine := content(lesson)) is not None:
                found.setdefault(mine, []).append(lesson)
        return [(tuple(shared), mine) for mine, shared in found.items()]

    def days(self, lessons: Sequence[int]) -> str:
        """Short, for every page: "18, 19 and 20 Nov 2026", or a line to write the date on."""
        known = sorted({c.day for c in self.of(lessons) if c.day is not None})
        if not known:
            return f"Date {BLANK[:14]}"
        ends = known if len(known) <= 4 else [known[0], known[-1]]
        said = [str(day.day) + f" {day:%b}" * ((day.year, day.month) != (later.year, later.month))
                + f" {day.year}" * (day.year != later.year) for day, later in zip(ends, [*ends[1:], date.max])]
        if len(known) > 4:
            return f"{len(known)} days, {' to '.join(said)}"
        return ", ".join(said[:-1]) + " and " * (len(said) > 1) + said[-1]

    def meetings(self, lessons: Sequence[int]) -> list[str]:
        """A line for each class: "Session 2: Wed 19 November 2026, 13:00, Room 4, trainer", or lines to write on."""
        lines = []
        for course in self.of(lessons):
            number = f"Session {course.session}: " if len(self.lessons) > 1 else ""
            when = course.when_and_where or f"Date and place {BLANK}"
            lines.append(f"{number}{when}. Trainer: {course.trainer or BLANK}")
        return lines


def text(words: object, style: str = "body") -> Flowable:
    """Words as a paragraph: body, small, strong, right, head, title or note; nothing in them acts as mark-up."""
    return paragraph(str(words), _STYLES[style])


class OnEveryPage(Flowable):  # type: ignore[misc]
    """From here on every page carries this line under its band: station or cutter, days, a line to sign on."""

    def __init__(self, left: str, right: str = "") -> None:
        super().__init__()
        self.width = self.height = 0
        self.words = left, right

    def draw(self) -> None:
        """Nothing is drawn here; the page draws it when it ends."""
        self.canv.running_line = self.words


def practice_pdf(title: str, foot: str, pages: Iterable[Sequence[Flowable]], paper: str) -> bytes:
    """A document as PDF bytes, the same for the same content. Each of the pages begins on a new one.

    paper: "a4" or "letter". foot: class and unit.
    """
    out = io.BytesIO()
    across, down = _inside(paper)
    document = BaseDocTemplate(out, pagesize=PAPERS[paper], title=title, author="kitplan", invariant=1)
    frame = Frame(MARGIN_MM * mm, _FOOT_MM * mm, across, down, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame], onPageEnd=partial(_furnish, foot=foot)))
    document.build([flowable for page in pages for flowable in (*page, PageBreak())][:-1])
    return out.getvalue()


def fits_a_page(flowables: Sequence[Flowable], paper: str) -> bool:
    """True when these end on the page that they begin on."""
    across, down = _inside(paper)
    return sum(f.wrap(across, down)[1] + max(f.getSpaceBefore(), f.getSpaceAfter()) for f in flowables) <= down


def _inside(paper: str) -> tuple[float, float]:
    """How far words may go, across and down, in points."""
    width, height = PAPERS[paper]
    return width - 2 * MARGIN_MM * mm, height - (_TOP_MM + _FOOT_MM) * mm


def _furnish(canvas: Canvas, document: Any, foot: str) -> None:
    width, height = document.pagesize
    canvas.saveState()
    band(canvas, MARGIN_MM * mm, height - 16 * mm, width - 2 * MARGIN_MM * mm, 8 * mm, 13)
    canvas.setFillColor(colors.black)
    left, right = getattr(canvas, "running_line", ("", ""))
    draw_text(canvas, MARGIN_MM * mm, height - 21 * mm, left, 9, True)
    draw_text(canvas, width - MARGIN_MM * mm, height - 21 * mm, right, 9, anchor="right")
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


def head(prints: PrintSet, title: str, running: tuple[str, str], meetings: Sequence[int] = (), style: str = "small"
         ) -> list[Flowable]:
    """How a page begins: its title, the class, when and where. running: the line that each of its pages carries."""
    return [OnEveryPage(*running), text(title, "title"), text(prints.title, "strong"),
            *(text(line, style) for line in prints.meetings(meetings))]


def grid(
    rows: Sequence[Sequence[Any]], widths: Sequence[float], kinds: Sequence[str], heads: Sequence[str] = (), *,
    row_mm: float | None = None, pad: float = 2.2, full: bool = True,
) -> Table:
    """A table with thin lines. kinds: the style of each column's words, "box" for cells to be ticked or written in.

    widths: in proportion over the whole line; with full=False in mm. pad: points above and below the words.
    """
    boxes = [column for column, kind in enumerate(kinds) if kind == "box"]
    cells = [["" if kind == "box" else text(value, kind) for value, kind in zip(row, kinds)] for row in rows]
    rows = [[text(title, "strong") for title in heads], *cells] if heads else cells
    heights = None if row_mm is None else [None, *[row_mm * mm] * (len(rows) - 1)]
    columns = [f"{100 * w / sum(widths):.4f}%" if full else w * mm for w in widths]
    table = Table(rows, colWidths=columns, repeatRows=int(bool(heads)), rowHeights=heights, hAlign="LEFT")
    commands: list[tuple[Any, ...]] = [
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, colors.grey), ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("TOPPADDING", (0, 0), (-1, -1), pad), ("BOTTOMPADDING", (0, 0), (-1, -1), pad),
        ("LEFTPADDING", (0, 0), (0, -1), 2),
    ]
    if heads:
        commands.append(("LINEBELOW", (0, 0), (-1, 0), 1.2, colors.black))
    for column in boxes:
        commands += [("BOX", (column, int(bool(heads))), (column, -1), 0.9, colors.black),
                     ("INNERGRID", (column, int(bool(heads))), (column, -1), 0.6, colors.black)]
    table.setStyle(TableStyle(commands))
    return table
