"""Text on paper in any script: what the PDF standard fonts lack is shaped and drawn from a font of the letters.

Letters of Western Europe are written in Helvetica, which every PDF reader has. Any other text is itemised by direction
(Unicode Bidirectional Algorithm, python-bidi) and by font, shaped (HarfBuzz: joined Arabic, stacked Devanagari) and
drawn as outlines, with the text itself behind them for search and screen readers. Fonts: Noto Sans (SIL Open Font
Licence), which comes with kitplan; then those of the extra `letters`. A letter that no font has is drawn as an empty
box and told of before printing, never as a question mark.
"""

from __future__ import annotations

import functools
import importlib.util
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

from reportlab import rl_config
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject
from reportlab.platypus import Flowable, Paragraph

from kitplan.write.sides import BEGIN, END, isolated

if TYPE_CHECKING:
    import uharfbuzz

PACKAGES = ("fontpkg_noto_sans", "justmytype_intl_rtl", "justmytype_intl_south_asia", "justmytype_intl_sea",
            "justmytype_intl_africa", "justmytype_intl_cjk")
"""Packages of fonts, those that may be there, in the order in which a letter is looked for."""
_JOINERS = "\u200c\u200d"
_BRACKETS = ("()", "[]", "{}", "\u00ab\u00bb")
_BOX_WIDTH = 0.62
rl_config.useA85 = 0  # streams as they are: as text for old mail they are a quarter larger and slower to write
_REGULAR, _BOLD = 400, 700
CUT = " ..."
_UNIT = re.compile(r"(?<=\d) (?=(?:mm|cm|m|mL|L|Fr|%)(?!\w))")


@dataclass(frozen=True)
class _Run:
    """Letters of one font and direction, in the order of the eye. font: None for letters that no font has.

    glyphs: (glyph, x, y) in em from the run's left end. width: em.
    """

    font: Path | None
    glyphs: tuple[tuple[int, float, float], ...]
    width: float


def is_standard(text: str) -> bool:
    """True when the standard fonts have every letter of the text."""
    try:
        text.encode("cp1252")
    except UnicodeEncodeError:
        return False
    return True


def width_of(text: str, size: float, bold: bool = False) -> float:
    """Width of a line in points; size in points."""
    if is_standard(text):
        return stringWidth(text, _standard(bold), size)
    return size * sum(run.width for run in _runs(text, bold))


def draw_text(
    canvas: Canvas, x: float, y: float, text: str, size: float, bold: bool = False, anchor: str = "left",
    slanted: bool = False,
) -> None:
    """A line of text; anchor "left", "centre" or "right" of x; y is its base line. Points; black or the fill colour."""
    if is_standard(text):
        canvas.setFont("Helvetica-Oblique" if slanted else _standard(bold), size)
        draw = {"left": canvas.drawString, "centre": canvas.drawCentredString, "right": canvas.drawRightString}[anchor]
        draw(x, y, text)
        return
    runs = _runs(text, bold)
    width = size * sum(run.width for run in runs)
    left = x - width * {"left": 0.0, "centre": 0.5, "right": 1.0}[anchor]
    _text_behind(canvas, left, y, text, size, width)
    for run in runs:
        _draw_run(canvas, left, y, run, size, bold)
        left += size * run.width


def cut_lines(text: str, size: float, room: float, most: int, bold: bool = False) -> list[str]:
    """The first `most` lines of lines_of; where text is left out, the last ends in three points."""
    lines = lines_of(text, size, room, bold)
    if len(lines) <= most:
        return lines
    last = lines[most - 1]
    while last and width_of(last + CUT, size, bold) > room:
        last = last[:-1].rstrip(" ,;")
    return [*lines[:most - 1], last + CUT]


def lines_of(text: str, size: float, room: float, bold: bool = False) -> list[str]:
    """The text broken into lines of at most `room` points: at spaces, or between letters where there are none."""
    if is_standard(text):
        return simpleSplit(text, _standard(bold), size, room)
    lines = []
    for given in text.split("\n"):
        line = ""
        for word in _breakable(given):
            if line and width_of((line + word).rstrip(), size, bold) > room:
                lines.append(line.rstrip())
                line = ""
            line += word if line else word.lstrip()
        lines.append(line.rstrip())
    return lines


def _breakable(text: str) -> Iterator[str]:
    """Words with the space after them; letters of East Asia and of scripts without spaces one by one."""
    word = ""
    for letter in text:
        wide = unicodedata.east_asian_width(letter) in "WF"
        if word and (wide or word[-1].isspace()) and not letter.isspace():
            yield word
            word = ""
        word += letter
        if wide:
            yield word
            word = ""
    if word:
        yield word


class _Lines(Flowable):
    """A paragraph of text that the standard fonts cannot write. Its style is that of a Paragraph."""

    def __init__(self, text: str, style: ParagraphStyle) -> None:
        super().__init__()
        self.text, self.style = text, style
        self._bold = "Bold" in style.fontName
        self._lines: list[str] = []
        self._room = 0.0

    def minWidth(self) -> float:
        return max(width_of(word, self.style.fontSize, self._bold) for word in [*_breakable(self.text), " "])

    def wrap(self, room: float, _: float) -> tuple[float, float]:
        self._room = room
        self._lines = lines_of(self.text, self.style.fontSize, room, self._bold)
        return room, self.style.leading * len(self._lines)

    def draw(self) -> None:
        x, anchor = (self._room, "right") if self.style.alignment == 2 else (0.0, "left")
        for number, line in enumerate(self._lines, 1):
            below = self.style.leading * (len(self._lines) - number) + self.style.leading - self.style.fontSize
            draw_text(self.canv, x, below, line, self.style.fontSize, self._bold, anchor)


def paragraph(text: str, style: ParagraphStyle) -> Flowable:
    """Text as a flowable of reportlab; nothing in it acts as mark-up, and a number keeps its unit beside it."""
    whole = _UNIT.sub("\u00a0", text)
    return Paragraph(escape(whole), style) if is_standard(whole) else _Lines(text, style)


def unprintable(texts: Iterable[str]) -> str:
    """The letters of the texts that no font here has, each once."""
    letters = dict.fromkeys(c for text in texts if not is_standard(text) for c in text if not is_standard(c))
    return "".join(c for c in letters if _needs_ink(c) and _font_for(c, "") is None)


def _standard(bold: bool) -> str:
    return "Helvetica-Bold" if bold else "Helvetica"


def _needs_ink(letter: str) -> bool:
    return unicodedata.category(letter) not in ("Cf", "Zs", "Zl", "Zp", "Cc", "Mn")


@functools.lru_cache(maxsize=4096)
def _runs(text: str, bold: bool) -> tuple[_Run, ...]:
    found: list[_Run] = []
    for words, leftwards in _in_order_of_the_eye(text):
        pieces: list[tuple[Path | None, str]] = []
        for letter, font in zip(words, _fonts_of(words, text)):
            if pieces and pieces[-1][0] == font:
                pieces[-1] = (font, pieces[-1][1] + letter)
            else:
                pieces.append((font, letter))
        shaped = [_shaped(font, piece, leftwards, bold) for font, piece in pieces]
        found += reversed(shaped) if leftwards else shaped
    return tuple(found)


def _in_order_of_the_eye(text: str) -> list[tuple[str, bool]]:
    """(letters in the order of reading, from right to left?) from left to right on the paper."""
    plain = "".join(c for c in text if c in _JOINERS or unicodedata.category(c) != "Cf")
    if not any(_reads_leftwards(c) for c in plain):
        return [(plain, False)]
    from bidi import get_display

    found: list[tuple[str, bool]] = []
    shown = str(get_display(isolated(plain))).replace(BEGIN, "").replace(END, "")
    for letter in _mirrored(shown):
        leftwards = _reads_leftwards(letter) or (
            bool(found) and found[-1][1] and (letter in _JOINERS or unicodedata.bidirectional(letter) == "NSM"))
        if found and found[-1][1] == leftwards:
            found[-1] = (letter + found[-1][0] if leftwards else found[-1][0] + letter, leftwards)
        else:
            found.append((letter, leftwards))
    return found


def _reads_leftwards(letter: str) -> bool:
    return unicodedata.bidirectional(letter) in ("R", "AL")


def _mirrored(visual: str) -> str:
    """Brackets turned over where the closing one stands first: they stand in text that runs from right to left."""
    letters = list(visual)
    waiting: list[int] = []
    for at, letter in enumerate(visual):
        pair = next((p for p in _BRACKETS if letter in p), None)
        if pair is None:
            continue
        first = waiting[-1] if waiting and letters[waiting[-1]] in pair and letters[waiting[-1]] != letter else None
        if first is None:
            waiting.append(at)
            continue
        waiting.pop()
        if letters[first] == pair[1]:
            letters[first], letters[at] = pair[0], pair[1]
    return "".join(letters)


def _fonts_of(letters: str, text: str) -> list[Path | None]:
    """A font for each letter; spaces, marks and signs that the font before has stay in it. text: the whole line."""
    found: list[Path | None] = []
    for letter in letters:
        before = found[-1] if found else None
        stays = not letter.isalpha() and before is not None and (
            not _needs_ink(letter) or ord(letter) in _letters_in(before))
        found.append(before if stays else _font_for(letter, text))
    return found


def _font_for(letter: str, text: str) -> Path | None:
    """The first font that has a letter; text: what it stands in, which tells Japanese and Korean from Chinese."""
    names = [unicodedata.name(c, "") for c in text]
    first = "JP" if any("KATAKANA" in n or "HIRAGANA" in n for n in names) else (
        "KR" if any("HANGUL" in n for n in names) else "SC")
    return _first_font(letter, first)


@functools.lru_cache(maxsize=8192)
def _first_font(letter: str, east_asia: str) -> Path | None:
    for path in sorted(_packaged_fonts(), key=lambda path: f"NotoSans{east_asia}[" in path.name, reverse=True):
        if ord(letter) in _letters_in(path):
            return path
    return None


@functools.cache
def _packaged_fonts() -> tuple[Path, ...]:
    found: list[Path] = []
    for name in PACKAGES:
        package = importlib.util.find_spec(name)
        for folder in (package.submodule_search_locations or []) if package is not None else []:
            found += [p for p in sorted(Path(folder).rglob("*.ttf")) if "Italic" not in p.name]
    return tuple(found)


@functools.cache
def _letters_in(path: Path) -> frozenset[int]:
    import uharfbuzz

    return frozenset(uharfbuzz.Face(uharfbuzz.Blob.from_file_path(str(path))).unicodes)


@functools.cache
def _font(path: Path, bold: bool) -> uharfbuzz.Font:
    """A font at its regular or bold weight, in units of an em of 1000."""
    import uharfbuzz

    font = uharfbuzz.Font(uharfbuzz.Face(uharfbuzz.Blob.from_file_path(str(path))))
    font.scale = (1000, 1000)
    font.set_variations({"wght": _BOLD if bold else _REGULAR})
    return font


def _shaped(font: Path | None, text: str, leftwards: bool, bold: bool) -> _Run:
    if font is None:
        glyphs = tuple((0, k * _BOX_WIDTH, 0.0) for k in range(len(text)))
        return _Run(None, glyphs, _BOX_WIDTH * len(text))
    import uharfbuzz

    buffer = uharfbuzz.Buffer()
    buffer.add_str(text)
    buffer.guess_segment_properties()
    buffer.direction = "rtl" if leftwards else "ltr"
    uharfbuzz.shape(_font(font, bold), buffer)
    at, glyphs_found = 0.0, []
    for info, place in zip(buffer.glyph_infos, buffer.glyph_positions):
        glyphs_found.append((info.codepoint, (at + place.x_offset) / 1000, place.y_offset / 1000))
        at += place.x_advance
    return _Run(font, tuple(glyphs_found), at / 1000)


class _Pen:
    """Draws a glyph's outline on a path, moved by (dx, dy), with quadratic curves raised to cubic ones."""

    def __init__(self, path: PDFPathObject, dx: float, dy: float) -> None:
        self._path, self._moved, self._at = path, (dx, dy), (0.0, 0.0)

    def _draw(self, draw: Callable[..., None], *points: tuple[float, float]) -> None:
        draw(*(round(n + moved, 1) for point in points for n, moved in zip(point, self._moved)))
        self._at = points[-1]

    def moveTo(self, point: tuple[float, float]) -> None:
        self._draw(self._path.moveTo, point)

    def lineTo(self, point: tuple[float, float]) -> None:
        self._draw(self._path.lineTo, point)

    def curveTo(self, *points: tuple[float, float]) -> None:
        self._draw(self._path.curveTo, *points)

    def qCurveTo(self, middle: tuple[float, float], point: tuple[float, float]) -> None:
        first, second = (tuple((a + 2 * b) / 3 for a, b in zip(end, middle)) for end in (self._at, point))
        self.curveTo(first, second, point)  # type: ignore[arg-type]

    def closePath(self) -> None:
        self._path.close()


def _draw_run(canvas: Canvas, x: float, y: float, run: _Run, size: float, bold: bool) -> None:
    if run.font is None:
        for _, at, _ in run.glyphs:
            canvas.rect(x + size * (at + 0.06), y, size * (_BOX_WIDTH - 0.12), size * 0.7, stroke=1, fill=0)
        return
    canvas.saveState()
    canvas.translate(x, y)
    canvas.scale(size / 1000, size / 1000)
    path = canvas.beginPath()
    for glyph, across, up in run.glyphs:
        _font(run.font, bold).draw_glyph_with_pen(glyph, _Pen(path, 1000 * across, 1000 * up))
    canvas.drawPath(path, stroke=0, fill=1, fillMode=1)
    canvas.restoreState()


def _text_behind(canvas: Canvas, x: float, y: float, text: str, size: float, width: float) -> None:
    """An invisible blank as wide as the line that stands for its text (ActualText of ISO 32000-1, 14.9.4)."""
    spelled = ("\ufeff" + text).encode("utf-16-be").hex().upper()
    line = canvas.beginText(x, y)
    line.setFont("Helvetica", size)
    line.setTextRenderMode(3)
    line.setHorizScale(100 * width / max(stringWidth(" ", "Helvetica", size), 1e-6))
    line.textOut(" ")
    canvas.saveState()
    canvas.addLiteral(f"/Span << /ActualText <{spelled}> >> BDC")
    canvas.drawText(line)
    canvas.addLiteral("EMC")
    canvas.restoreState()
