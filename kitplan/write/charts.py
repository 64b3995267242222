"""Charts that a spreadsheet draws itself, legible in black and white: told apart by marker and dash, not colour.

    chart = scatter(page, [Line("Plan", (3, 5, 9), (2, 5, 9), marker="circle", dash="solid")], "Value", "Readiness")
    place(page, chart, rows=20)

A range is (column, first row, last row) on the page the chart stands on, counted from 1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from xlsxwriter.chart import Chart

from kitplan.write.book import Page

Range = tuple[int, int, int]

_FILLS = ("#595959", "#D9D9D9", "#A6A6A6", "#FFFFFF")
_SHADES = ("#000000", "#595959", "#8C8C8C", "#BFBFBF")
_ROW_PIXELS = 20
_PLOT = {"x": 0.09, "y": 0.04, "width": 0.87, "height": 0.74}


@dataclass(frozen=True)
class Line:
    """One series. marker: circle, diamond, square, triangle, x or None; dash: solid, dash, round_dot or None."""

    name: str
    x: Range
    y: Range
    marker: str | None = "circle"
    dash: str | None = "solid"
    marker_size: int = 7


def scatter(page: Page, lines: Sequence[Line], x_title: str, y_title: str, *, y_format: str,
            y_range: tuple[float | None, float | None] = (None, None)) -> Chart:
    """Points joined by straight lines where a line has a dash, single points where not."""
    chart = page.book.workbook.add_chart({"type": "scatter", "subtype": "straight_with_markers"})
    low, high = y_range
    unit = round_step((high - low) / 6) if low is not None and high is not None else None
    _axes(chart, x_title, y_title, "#,##0", y_format, {"min": low, "max": high, "major_unit": unit})
    for number, line in enumerate(lines):
        shade = _SHADES[number % len(_SHADES)] if line.dash else "#000000"
        chart.add_series(_series(page, line, line.x) | _dress(line, shade))
    return chart


def line_chart(page: Page, lines: Sequence[Line], y_title: str, *, y_format: str = "#,##0", bars: bool = False
               ) -> Chart:
    """Values over months or other categories, which say what they are and may take several lines, so that a title below
    would meet the legend: the x of the first line names them. bars: in shades of grey with black edges.
    """
    chart = page.book.workbook.add_chart({"type": "column" if bars else "line"})
    _axes(chart, "", y_title, "General", y_format)
    for number, line in enumerate(lines):
        chart.add_series(_series(page, line, lines[0].x) | ({
            "fill": {"color": _FILLS[number % len(_FILLS)]}, "border": {"color": "#000000", "width": 0.75},
        } if bars else _dress(line, _SHADES[number % len(_SHADES)])))
    return chart


def place(page: Page, chart: Chart, rows: int = 20, columns: tuple[int, int] | None = None) -> None:
    """Put a chart over the columns given (all by default) at the next free row, `rows` rows high."""
    if not page.has_room(rows):
        page.new_printed_page()
    first, last = columns or (1, len(page.widths))
    chart.set_legend({"position": "bottom"})
    width = sum(int(w * 7 + 0.5) + 5 for w in page.widths[first - 1:last])
    chart.set_size({"width": width, "height": rows * _ROW_PIXELS})
    page.sheet.insert_chart(page.next_row - 1, first - 1, chart, {"object_position": 2, "y_offset": 3})
    page.skip(rows + 1)


def round_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is at least `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(round(f * power, 9) for f in (1, 2, 5, 10) if f * power >= least * (1 - 1e-9))


def _series(page: Page, line: Line, x: Range) -> dict[str, Any]:
    return {"name": line.name, "categories": _cells(page, x), "values": _cells(page, line.y)}


def _cells(page: Page, cells: Range) -> list[Any]:
    column, first, last = cells
    return [page.title_text, first - 1, column - 1, last - 1, column - 1]


def _axes(chart: Chart, x_title: str, y_title: str, x_format: str, y_format: str,
          y_scale: dict[str, float | None] | None = None) -> None:
    chart.set_x_axis({"name": x_title or None, "num_format": x_format, "label_position": "low",
                      "major_gridlines": {"visible": False}})
    chart.set_y_axis({"name": y_title, "num_format": y_format,
                      "major_gridlines": {"visible": True, "line": {"color": "#D9D9D9"}}, **(y_scale or {})})
    chart.set_title({"none": True})
    chart.set_plotarea({"layout": _PLOT})


def _dress(line: Line, shade: str) -> dict[str, Any]:
    stroke = {"color": shade, "width": 1.5, "dash_type": line.dash} if line.dash else {"none": True}
    if line.marker is None:
        return {"line": stroke, "marker": {"type": "none"}}
    mark = {"type": line.marker, "size": line.marker_size if line.dash else 13, "fill": {"color": shade},
            "border": {"color": shade, "width": 1.5}}
    return {"line": stroke, "marker": mark}
