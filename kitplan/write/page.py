"""Cards on paper, with caution, name and page at the foot and a ruler to check the scale; and sheets of labels."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

from reportlab.lib.pagesizes import landscape
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from kitplan.write.letters import draw_text, lines_of, width_of
from kitplan.write.listing import CAUTION, PAPERS, caution_points

MARGIN_MM = 12.0
FOOT_MM = 20.0
RULER_MM = 100.0
_HATCH_MM = 2.0
T = TypeVar("T")


@dataclass
class Card:
    """One page being drawn, in millimetres from its lower left corner. top: height still free, mm."""

    canvas: Canvas
    width_mm: float
    top: float

    @property
    def room_mm(self) -> float:
        """Width between the margins."""
        return self.width_mm - 2 * MARGIN_MM

    def text(self, x: float, y: float, text: str, size: float = 9, bold: bool = False, anchor: str = "left") -> None:
        """A line of text; anchor "left", "centre" or "right" of x; y is its base line."""
        draw_text(self.canvas, x * mm, y * mm, text, size, bold, anchor)

    def paragraph(self, text: str, size: float = 9, bold: bool = False) -> None:
        """Text broken at words under what is there; lowers `top`."""
        step = size * 1.25 / mm
        for line in lines_of(text, size, self.room_mm * mm, bold):
            self.top -= step
            self.text(MARGIN_MM, self.top, line, size, bold)

    def line(self, x1: float, y1: float, x2: float, y2: float, weight: float = 0.8,
             dash: tuple[float, float] | None = None) -> None:
        """A straight line; weight in points, dash as (on, off) in points."""
        self.canvas.setLineWidth(weight)
        self.canvas.setDash(*(dash or ()))
        self.canvas.line(x1 * mm, y1 * mm, x2 * mm, y2 * mm)
        self.canvas.setDash()

    def box(self, x: float, y: float, width: float, height: float, weight: float = 0.8,
            dash: tuple[float, float] | None = None) -> None:
        """An empty rectangle from its lower left corner."""
        self.canvas.setLineWidth(weight)
        self.canvas.setDash(*(dash or ()))
        self.canvas.rect(x * mm, y * mm, width * mm, height * mm)
        self.canvas.setDash()

    def waste(self, x: float, y: float, width: float, height: float) -> None:
        """Cross a rectangle out with lines both ways: what is thrown away, told from a tab without colour."""
        self.hatch(x, y, width, height)
        self.hatch(x, y, width, height, falling=True)

    def fill(self, x: float, y: float, width: float, height: float, *, white: bool = False) -> None:
        """A grey rectangle with an edge; white: the paper over what was drawn there."""
        self.canvas.setFillGray(1 if white else 0.55)
        self.canvas.rect(x * mm, y * mm, width * mm, height * mm, stroke=not white, fill=1)
        self.canvas.setFillGray(0)

    def hatch(self, x: float, y: float, width: float, height: float, falling: bool = False) -> None:
        """Fill a rectangle with slanted lines: told apart without colour."""
        self.canvas.saveState()
        path = self.canvas.beginPath()
        path.rect(x * mm, y * mm, width * mm, height * mm)
        self.canvas.clipPath(path, stroke=0)
        offset = -height
        while offset < width:
            low, high = (y + height, y) if falling else (y, y + height)
            self.line(x + offset, low, x + offset + height, high, 0.5)
            offset += _HATCH_MM
        self.canvas.restoreState()

    def measure(self, x1: float, x2: float, y: float, text: str) -> None:
        """A dimension line with end ticks and its text above the middle."""
        self.line(x1, y, x2, y, 0.5)
        for x in (x1, x2):
            self.line(x, y - 1.2, x, y + 1.2, 0.5)
        self.text((x1 + x2) / 2, y + 0.9, text, 8, anchor="centre")

    def bar(self, x: float, y: float) -> None:
        """A bar of exactly 100 mm, ticked every 10 mm."""
        self.line(x, y, x + RULER_MM, y, 1.2)
        for tick in range(0, 101, 10):
            self.line(x + tick, y, x + tick, y + (4 if tick % 50 == 0 else 2.5), 0.8)
            if tick % 50 == 0:
                self.text(x + tick, y + 4.8, f"{tick}" + (" mm" if tick == 100 else ""), 7, anchor="centre")

    def ruler(self, x: float, y: float) -> None:
        """The bar of 100 mm, with what to do about it."""
        self.bar(x, y)
        beside = x + RULER_MM + 8
        self.text(beside, y + 2.2, "Print at 100 % (actual size), never \"fit to page\".", 9, bold=True)
        self.text(beside, y - 1.8, "Lay a ruler on this bar: it is 100 mm. If not, do not cut from this card.", 9)


def at_true_scale(canvas: Canvas) -> None:
    """Ask whoever prints the file not to fit it to the page (ISO 32000-1, 12.2, PrintScaling; from memory)."""
    canvas.setViewerPreference("PrintScaling", "None")


def fitting_size(text: str, width_mm: float, largest: float, smallest: float) -> float:
    """Largest size in points, in steps of a half, at which bold text fits the width; at least `smallest`."""
    size = largest
    while size > smallest and width_of(text, size, bold=True) > width_mm * mm:
        size -= 0.5
    return size


def _blank(title: str, size: tuple[float, float]) -> tuple[Canvas, io.BytesIO]:
    """A PDF without pages, whose bytes repeat, and where they go."""
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=size, invariant=1)
    canvas.setTitle(title)
    canvas.setAuthor("kitplan")
    return canvas, out


@dataclass(frozen=True)
class LabelGrid:
    """A sheet of labels. rows, columns; margins and gaps in mm; the labels fill the rest of the paper evenly."""

    rows: int = 8
    columns: int = 2
    margin_top_mm: float = 12.0
    margin_side_mm: float = 8.0
    gap_across_mm: float = 3.0
    gap_down_mm: float = 0.0

    def places(self, paper: str) -> Iterator[tuple[float, float, float, float]]:
        """(left, bottom, width, height) of each label in points, row by row from the top.

        Raises ValueError when a label would be too small to read.
        """
        width, height = PAPERS[paper]
        across = width - (2 * self.margin_side_mm + (self.columns - 1) * self.gap_across_mm) * mm
        down = height - (2 * self.margin_top_mm + (self.rows - 1) * self.gap_down_mm) * mm
        label_width, label_height = across / self.columns, down / self.rows
        if label_width < 45 * mm or label_height < 20 * mm:
            raise ValueError(f"labels of {label_width / mm:.0f} x {label_height / mm:.0f} mm are too small: "
                             "45 x 20 mm is the least")
        for row in range(self.rows):
            bottom = height - self.margin_top_mm * mm - (row + 1) * label_height - row * self.gap_down_mm * mm
            for column in range(self.columns):
                left = self.margin_side_mm * mm + column * (label_width + self.gap_across_mm * mm)
                yield left, bottom, label_width, label_height

    def draw(self, title: str, paper: str, labels: Sequence[T], draw: Callable[..., None],
             begin: Callable[[Canvas], None] | None = None) -> bytes:
        """Labels as a PDF. draw(canvas, label, left, bottom, width, height): one; begin: what stands on each sheet."""
        canvas, out = _blank(title, PAPERS[paper])
        places = list(self.places(paper))
        for k, label in enumerate(labels):
            if k and k % len(places) == 0:
                canvas.showPage()
            if begin is not None and k % len(places) == 0:
                begin(canvas)
            draw(canvas, label, *places[k % len(places)])
        canvas.save()
        return out.getvalue()


def draw_pages(
    title: str, paper: str, foot: str, upright: bool, pages: Callable[[Callable[[], Card]], None]
) -> bytes:
    """A PDF whose bytes repeat. pages(new_page) draws; each call of new_page begins a page with caution and foot."""
    size = PAPERS[paper] if upright else landscape(PAPERS[paper])
    canvas, out = _blank(title, size)
    at_true_scale(canvas)
    width, height = size[0] / mm, size[1] / mm
    count = 0

    def new_page() -> Card:
        nonlocal count
        if count:
            canvas.showPage()
        count += 1
        card = Card(canvas, width, height - MARGIN_MM)
        card.text(MARGIN_MM, 13, CAUTION, caution_points(card.room_mm * mm))
        card.text(MARGIN_MM, 9, foot, 7.5)
        card.text(width - MARGIN_MM, 9, f"{title}   Page {count}", 7.5, anchor="right")
        return card

    pages(new_page)
    canvas.save()
    return out.getvalue()
