"""Box labels: "practice only, not for patients", for the box of every station, the class box and the practice box."""

from __future__ import annotations

import io

from reportlab.lib import colors
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from kitplan.parts.training.practice_page import band
from kitplan.parts.training.print_set import PrintSet
from kitplan.read.problems import counted
from kitplan.write.letters import draw_text, lines_of
from kitplan.write.listing import PAPERS

_ROWS, _COLUMNS = 4, 2
_MARGIN_MM, _GAP_MM = 12.0, 4.0

Label = tuple[str, str, str]
"""(what the box is, what is in it, class)."""


def labels_of(prints: PrintSet) -> list[Label]:
    """A box a station, the class box, and the practice box where stock past its date is used; each once, and with its
    days where other sessions have other learners there.
    """
    found, lessons = [], prints.training.lessons
    for s in range(max(course.stations for course in prints.of(prints.lessons))):
        there = {i: lessons[i].learners_at(s) for i in prints.lessons if s < lessons[i].stations}
        for shared, learners in prints.alike(prints.lessons, there.get):
            when = f" on {prints.days(shared)}" if len(shared) < len(prints.lessons) else ""
            found.append((f"Station {s + 1}", f"Supplies and things for {counted(learners, 'learner')}{when}. See the "
                          "station card.", prints.title))
    found.append(("Class box", "What is left of opened packs, for the next class.", prints.title))
    found.append((
        "Practice box", "Stock past its date, roll ends and spare pieces. Keep it away from the stock room.",
        prints.title,
    ))
    return found


def box_labels_pdf(labels: list[Label], paper: str) -> bytes:
    """Labels on plain paper, eight a page, with cutting lines."""
    out = io.BytesIO()
    width, height = PAPERS[paper]
    canvas = Canvas(out, pagesize=PAPERS[paper], invariant=1)
    canvas.setTitle("Box labels")
    canvas.setAuthor("kitplan")
    wide = (width - (2 * _MARGIN_MM + (_COLUMNS - 1) * _GAP_MM) * mm) / _COLUMNS
    high = (height - (2 * _MARGIN_MM + (_ROWS - 1) * _GAP_MM) * mm) / _ROWS
    for number, label in enumerate(labels):
        place = number % (_ROWS * _COLUMNS)
        if number and not place:
            canvas.showPage()
        row, column = divmod(place, _COLUMNS)
        left = (_MARGIN_MM + column * _GAP_MM) * mm + column * wide
        bottom = height - (_MARGIN_MM + row * _GAP_MM) * mm - (row + 1) * high
        _draw(canvas, label, left, bottom, wide, high)
    canvas.save()
    return out.getvalue()


def _draw(canvas: Canvas, label: Label, left: float, bottom: float, width: float, height: float) -> None:
    what, inside, course = label
    canvas.setLineWidth(0.8)
    canvas.setDash(3, 2)
    canvas.rect(left, bottom, width, height)
    canvas.setDash()
    pad = 4 * mm
    band(canvas, left, bottom + height - 12 * mm, width, 12 * mm, 12)
    canvas.setFillColor(colors.black)
    draw_text(canvas, left + pad, bottom + height - 24 * mm, what, 22, bold=True)
    base = bottom + height - 31 * mm
    for slanted, size, words in ((False, 11, inside), (True, 9, course)):
        for line in lines_of(words, size, width - 2 * pad):
            draw_text(canvas, left + pad, base, line, size, slanted=slanted)
            base -= size * 1.25
        base -= 2 * mm
    canvas.setFont("Helvetica", 8)
    canvas.drawString(left + pad, bottom + pad, "Packed on ____________   checked by ____________")
