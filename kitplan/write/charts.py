"""Charts that a spreadsheet draws itself, legible in black and white: told apart by marker and dash, not colour.

    chart = scatter(page, [Line("Plan", (3, 5, 9), (2, 5, 9), marker="circle", dash="solid")], "Value", "Readiness")
    place(page, chart, rows=20)

A range is (column, first row, last row) on the page the chart stands on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from openpyxl.chart import BarChart, LineChart, Reference, ScatterChart, Series
from openpyxl.chart.layout import Layout, ManualLayout
from openpyxl.chart.series import SeriesLabel
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.drawing.line import LineProperties
from openpyxl.drawing.spreadsheet_drawing import AnchorMarker, TwoCellAnchor
from openpyxl.worksheet.pagebreak import Break

from kitplan.write.book import Page

Range = tuple[int, int, int]

_FILLS = ("595959", "D9D9D9", "A6A6A6", "FFFFFF")
_SHADES = ("000000", "595959", "8C8C8C", "BFBFBF")


@dataclass(frozen=True)
class Line:
    """One series. marker: circle, diamond, square, triangle, x or None; dash: solid, dash, sysDot or None."""

    name: str
    x: Range
    y: Range
    marker: str | None = "circle"
    dash: str | None = "solid"
    marker_size: int = 7


def scatter(page: Page, lines: Sequence[Line], x_title: str, y_title: str, *, x_format: str = "#,##0",
            y_format: str = "General", y_range: tuple[float | None, float | None] = (None, None)) -> ScatterChart:
    """Points joined by straight lines where a line has a dash, single points where not."""
    chart = ScatterChart(scatterStyle="lineMarker")
    low, high = chart.y_axis.scaling.min, chart.y_axis.scaling.max = y_range
    if low is not None and high is not None:
        chart.y_axis.majorUnit = round_step((high - low) / 6)
    _axes(chart, x_title, y_title, x_format, y_format)
    for number, line in enumerate(lines):
        series = Series(_reference(page, line.y), _reference(page, line.x))
        _dress(series, line, _SHADES[number % len(_SHADES)] if line.dash else "000000")
        chart.series.append(series)
    return chart


def line_chart(page: Page, lines: Sequence[Line], x_title: str, y_title: str, *, y_format: str = "#,##0") -> LineChart:
    """Values over categories (months): the x of the first line names them."""
    chart = LineChart()
    _axes(chart, x_title, y_title, "General", y_format)
    for number, line in enumerate(lines):
        series = Series(_reference(page, line.y), title=line.name)
        _dress(series, line, _SHADES[number % len(_SHADES)])
        chart.series.append(series)
    chart.set_categories(_reference(page, lines[0].x))
    return chart


def bar_chart(page: Page, lines: Sequence[Line], x_title: str, y_title: str, *, y_format: str = "#,##0") -> BarChart:
    """Bars over categories: the x of the first line names them; shades of grey with black edges."""
    chart = BarChart()
    _axes(chart, x_title, y_title, "General", y_format)
    for number, line in enumerate(lines):
        series = Series(_reference(page, line.y), title=line.name)
        series.graphicalProperties = GraphicalProperties(solidFill=_FILLS[number % len(_FILLS)])
        series.graphicalProperties.line = LineProperties(solidFill="000000", w=9525)
        chart.series.append(series)
    chart.set_categories(_reference(page, lines[0].x))
    return chart


def new_printed_page(page: Page) -> None:
    """Let what follows begin on a new printed page, so that a chart is not cut in two."""
    page.sheet.row_breaks.append(Break(id=page.next_row - 1))


def place(page: Page, chart: Any, rows: int = 20, columns: tuple[int, int] | None = None) -> None:
    """Put a chart over the columns given (all by default) at the next free row, `rows` rows high."""
    first, last = columns or (1, len(page.widths))
    top = page.next_row - 1
    chart.legend.position = "b"
    chart.anchor = TwoCellAnchor(
        editAs="oneCell", _from=AnchorMarker(col=first - 1, row=top), to=AnchorMarker(col=last, row=top + rows)
    )
    page.sheet.add_chart(chart)
    page.skip(rows + 1)


def round_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is at least `least`."""
    power = 10.0 ** math.floor(math.log10(least))
    return next(round(f * power, 9) for f in (1, 2, 5, 10) if f * power >= least * (1 - 1e-9))


def _reference(page: Page, cells: Range) -> Reference:
    column, first, last = cells
    return Reference(page.sheet, min_col=column, min_row=first, max_row=last)


def _axes(chart: Any, x_title: str, y_title: str, x_format: str, y_format: str) -> None:
    chart.x_axis.title, chart.y_axis.title = x_title, y_title
    chart.x_axis.number_format, chart.y_axis.number_format = x_format, y_format
    chart.x_axis.delete = chart.y_axis.delete = False
    chart.x_axis.majorGridlines = None
    chart.y_axis.majorGridlines.spPr = GraphicalProperties(ln=LineProperties(solidFill="D9D9D9"))
    chart.title = None
    chart.varyColors = False
    chart.layout = Layout(manualLayout=ManualLayout(xMode="edge", yMode="edge", x=0.09, y=0.04, w=0.87, h=0.74))


def _dress(series: Any, line: Line, shade: str) -> None:
    series.tx = SeriesLabel(v=line.name)
    series.smooth = False
    if line.dash is None:
        stroke = LineProperties(noFill=True)
    else:
        stroke = LineProperties(solidFill=shade, w=19050, prstDash=line.dash)
    series.graphicalProperties = GraphicalProperties(ln=stroke)
    if line.marker is None:
        series.marker.symbol = "none"
        return
    series.marker.symbol, series.marker.size = line.marker, line.marker_size if line.dash else 13
    edge = LineProperties(solidFill=shade, w=19050)
    series.marker.graphicalProperties = GraphicalProperties(solidFill=shade, ln=edge)
