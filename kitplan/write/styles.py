"""How a cell of each kind looks, in a line of each sort: one black-and-white style sheet for every workbook."""

from __future__ import annotations

from typing import Any

FONT = "Arial"

_THIN, _MEDIUM, _DOUBLE, _HAIR = 1, 2, 6, 7
_SOFT = "#808080"

FORMATS = {
    "whole": "#,##0", "number": "#,##0.0", "number2": "#,##0.00", "money": "#,##0.00", "share": "0.0 %",
    "share2": "0.00 %", "litres": '#,##0.0" L"', "days": '#,##0.0" days"', "packs": '#,##0" packs"',
    "input": "0", "order": '0;-0;"–"', "faint": "#,##0", "strong_whole": "#,##0", "sum": "#,##0",
    "sum_money": "#,##0.00",
}
_SIZES = {"title": 16, "subtitle": 11, "lead": 12, "large": 14, "huge": 26}
WRAPPED = {"wrap", "strong_wrap", "input_text", "title", "subtitle", "lead", "note", "caution", "large", "huge"}
BOLD = {"strong", "strong_wrap", "strong_whole", "title", "alert", "label", "sum", "sum_money", "large",
         "huge"}
BOXED = {"input", "input_text", "tick", "caution", "sum", "sum_money", "large", "huge"}
_CENTRED = {"tick", "input", "large", "huge"}
_OPEN = {"input", "input_text"}


def cell_style(kind: str, line: str) -> dict[str, Any]:
    """Properties of a cell of this kind in a line of this sort: "row", "group", "total", "head", "spread", "free"."""
    is_number = kind in FORMATS and kind not in _CENTRED
    across = "center" if kind in _CENTRED else "right" if is_number or kind == "label" else "left"
    if line == "head":
        across = "center" if kind in FORMATS or kind in _CENTRED else "left"
    style = {
        "font_name": FONT, "font_size": _SIZES.get(kind, 10), "align": across,
        "bold": line in ("group", "total", "head") or kind in BOLD, "italic": kind == "note",
        "underline": 1 if kind == "link" else 0,
        "num_format": FORMATS.get(kind, "General" if kind != "text" else "@"),
        "valign": "top" if line == "spread" else "vcenter",
        "text_wrap": line == "head" or kind in WRAPPED,
        "indent": 0 if across == "center" or line in ("spread", "free") else 1,
        "locked": kind not in _OPEN,
    }
    if kind == "faint" and line != "head":
        style["font_color"] = _SOFT
    if line in ("head", "group"):
        style["bg_color"] = "#E0E0E0" if line == "head" else "#F2F2F2"
    return style | _border(kind, line)


def _border(kind: str, line: str) -> dict[str, Any]:
    if kind in BOXED and line not in ("head", "group", "total"):
        return {"border": _MEDIUM}
    hair = {f"{side}_color": _SOFT for side in ("left", "right", "bottom", "top")}
    lines: dict[str, dict[str, Any]] = {
        "head": hair | {"top": _THIN, "bottom": _MEDIUM, "bottom_color": "black", "left": _HAIR, "right": _HAIR},
        "group": {"top": _MEDIUM, "bottom": _HAIR, "bottom_color": _SOFT},
        "total": {"top": _DOUBLE},
        "row": {"bottom": _HAIR, "bottom_color": _SOFT},
    }
    return lines.get(line, {})
