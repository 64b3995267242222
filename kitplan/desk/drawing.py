"""Charts as SVG, drawn here: black on white, told apart by shape and dash, with their numbers in words beside them."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np
from markupsafe import Markup

_W, _H, _LEFT, _BOTTOM, _TOP, _RIGHT = 640, 240, 56, 36, 12, 16


def _svg(title: str, body: list[str]) -> Markup:
    head = f'<svg viewBox="0 0 {_W} {_H}" role="img" aria-label="{escape(title)}" class="chart">'
    scroller = f'<div class="wide" tabindex="0" role="region" aria-label="{escape(title)}, drawn">'
    return Markup("\n".join([scroller, head, *body, "</svg></div>"]))


def _text(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, kind: str = "axis") -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{kind}"/>'


def demand_chart(units: np.ndarray, level: int, title: str) -> Markup:
    """How often each use of an interval comes, and the level on it.

    units: (scenarios,) single items used in one interval. level: single items.
    """
    top = max(int(units.max()), level, 1)
    width = max(1, -(-(top + 1) // 60))
    counts = np.bincount(units.astype(int) // width, minlength=top // width + 1) / len(units)
    step = (_W - _LEFT - _RIGHT) / len(counts)
    tall = (_H - _TOP - _BOTTOM) / max(float(counts.max()), 1e-9)
    floor = _H - _BOTTOM
    body = [
        f'<rect x="{_LEFT + k * step:.1f}" y="{floor - share * tall:.1f}" width="{max(step - 1, 0.5):.1f}" '
        f'height="{share * tall:.1f}" class="{"bar" if k * width <= level else "bar beyond"}"/>'
        for k, share in enumerate(counts)
    ]
    at = _LEFT + (level / width + 0.5) * step
    body += [_line(_LEFT, floor, _W - _RIGHT, floor), _line(at, _TOP, at, floor, "mark")]
    body += [_text(_LEFT + (k + 0.5) * step, floor + 16, f"{k * width:,}")
             for k in range(0, len(counts), max(1, len(counts) // 8))]
    body.append(_text((_LEFT + _W) / 2, _H - 4, "single items used in one interval; the line is the level"))
    return _svg(title, body)


def band_chart(names: Sequence[str], low: Sequence[float], mean: Sequence[float], high: Sequence[float], title: str
               ) -> Markup:
    """A value by month with its band: the bar spans the band, the dot is the mean."""
    top = max([*high, 1e-9])
    floor, step = _H - _BOTTOM, (_W - _LEFT - _RIGHT) / max(len(names), 1)

    def y(value: float) -> float:
        return floor - max(value, 0.0) / top * (floor - _TOP)

    body = [_line(_LEFT, floor, _W - _RIGHT, floor), _line(_LEFT, _TOP, _LEFT, floor)]
    for k, (name, a, m, b) in enumerate(zip(names, low, mean, high)):
        x = _LEFT + (k + 0.5) * step
        body.append(f'<rect x="{x - step / 5:.1f}" y="{y(b):.1f}" width="{step / 2.5:.1f}" '
                    f'height="{y(a) - y(b):.1f}" class="band"/>')
        body.append(f'<circle cx="{x:.1f}" cy="{y(m):.1f}" r="4"/>')
        body.append(_text(x, floor + 16, name))
    body += [_text(_LEFT - 4, y(v) + 4, f"{v:,.0f}", "end") for v in (0.0, top / 2, top)]
    return _svg(title, body)


def curve_chart(x: Sequence[float], y: Sequence[float], chosen: int, title: str) -> Markup:
    """Readiness (y, shares) against money (x), a point a plan; the chosen one is the filled one."""
    low, high = min(y), max(max(y), min(y) + 1e-6)
    left, right = min(x), max(max(x), min(x) + 1e-6)
    floor = _H - _BOTTOM

    def at(k: int) -> tuple[float, float]:
        across = (x[k] - left) / (right - left) * (_W - _LEFT - _RIGHT - 30) + _LEFT + 15
        return across, floor - 10 - (y[k] - low) / (high - low) * (floor - _TOP - 25)

    body = [_line(_LEFT, floor, _W - _RIGHT, floor), _line(_LEFT, _TOP, _LEFT, floor)]
    body += [_line(*at(k), *at(k + 1)) for k in range(len(x) - 1)]
    for k in range(len(x)):
        across, up = at(k)
        kind = "chosen" if k == chosen else "point"
        body.append(f'<circle cx="{across:.1f}" cy="{up:.1f}" r="{6 if k == chosen else 4}" class="{kind}" '
                    f'data-step="{k}"/>')
    body += [_text(at(k)[0], floor + 16, f"{x[k]:,.0f}") for k in sorted({0, len(x) - 1, chosen})]
    body += [_text(_LEFT - 4, at(k)[1] + 4, f"{100 * y[k]:.1f} %", "end") for k in sorted({0, len(x) - 1})]
    return _svg(title, body)
