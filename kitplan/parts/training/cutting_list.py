"""Cutting lists, a page a cutter, with each way to cut a roll drawn; and cards of how sheets are cut."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from reportlab.lib import colors
from reportlab.lib.units import mm
from reportlab.platypus import Flowable

from kitplan.parts.training.cuts import Cut
from kitplan.parts.training.lists import piece_text
from kitplan.parts.training.practice_page import BLANK, PrintSet, grid, head, practice_pdf, text
from kitplan.write.letters import draw_text
from kitplan.write.page import FOOT_MM, MARGIN_MM, Card, draw_pages

_HIGH_MM, _WORDS_MM, _NUMBER_MM, _RULER_ROOM_MM = 6.0, 4.2, 7.0, 16.0
_FEWEST_MM = 9.0
"""Width on paper under which the words of a group of pieces are left out; they stand in the table."""

End = tuple[str, float, float]
"""(what to do with the end of a roll: "none", "waste 60 mm", "keep 340 mm"; its length; the roll's)."""
_Drawing = tuple[str, str, tuple[float, float], tuple[tuple[float, float, float, float], ...]]
"""Pattern in words, sheet in words, its sides in mm, where the pieces lie."""


class RollDrawing(Flowable):  # type: ignore[misc]
    """One roll from its beginning, not at true scale: pieces as boxes, an end that is kept dashed, waste crossed."""

    def __init__(self, number: int, pattern: str, end: End) -> None:
        super().__init__()
        self.number, self.pattern, self.end = number, pattern, end
        self.height = (_HIGH_MM + _WORDS_MM + 1.0) * mm

    def wrap(self, width: float, _height: float) -> tuple[float, float]:
        """As wide as there is room."""
        self.width = width
        return width, self.height

    def draw(self) -> None:
        """Boxes in proportion, each group of equal pieces named under it."""
        fate, end_mm, roll_mm = self.end
        left = _NUMBER_MM * mm
        scale, canvas, low, x = (self.width - left) / roll_mm, self.canv, _WORDS_MM * mm, left
        canvas.setStrokeColor(colors.black)
        draw_text(canvas, 2, low + 1.8 * mm, str(self.number), 10, bold=True)
        for part in self.pattern.split(" + "):
            count, length = part.split(" x ")
            step, begun = float(length) * scale, x
            for _ in range(int(count)):
                canvas.setLineWidth(0.4)
                canvas.rect(x, low, step, _HIGH_MM * mm)
                x += step
            if x - begun >= _FEWEST_MM * mm:
                draw_text(canvas, (begun + x) / 2, 1.0 * mm, part, 7, anchor="centre")
        if end_mm > 0:
            self._draw_end(x, low, end_mm * scale, fate)
        canvas.setLineWidth(1.0)
        canvas.rect(left, low, self.width - left, _HIGH_MM * mm)

    def _draw_end(self, x: float, low: float, width: float, fate: str) -> None:
        canvas, high = self.canv, _HIGH_MM * mm
        canvas.saveState()
        box = canvas.beginPath()
        box.rect(x, low, width, high)
        canvas.clipPath(box, stroke=0)
        if fate.startswith("waste"):
            canvas.setLineWidth(0.4)
            for k in range(int((width + high) / (1.2 * mm)) + 1):
                at = x - high + k * 1.2 * mm
                canvas.line(at, low, at + high, low + high)
                canvas.line(at, low + high, at + high, low)
        canvas.restoreState()
        canvas.setDash(2, 2)
        canvas.line(x, low, x, low + high)
        canvas.setDash()
        draw_text(canvas, self.width, 1.0 * mm, fate, 7, bold=True, anchor="right")


def cutting_list_pdf(prints: PrintSet, called: Mapping[str, str]) -> bytes:
    """One page a cutter: which rolls, into what, how they look; then what each length becomes."""
    training, pages = prints.training, []
    work = training.cut_work[training.cut_work["lesson"].isin(prints.lessons)]
    for (lesson, cutter), rolls in work.groupby(["lesson", "cutter"], sort=True):
        cuts = [c for c in training.tape if c.lesson == lesson]
        covers = sorted({i for c in cuts for i in c.covers})
        ends = _ends(cuts)
        rows = [[n, called.get(r["roll"], r["roll"]), r["from"], r["pattern"],
                 ends[r["width_mm"], r["roll"], r["from"], r["pattern"]][0], r["count"], r["pieces"], ""]
                for n, r in enumerate(rolls.to_dict("records"), 1)]
        pages.append([
            *head(prints, f"Cutting list, cutter {cutter}",
                  (f"Cutter {cutter}   For {prints.days(covers)}", f"Cut by {BLANK}   on {BLANK[:12]}"), covers),
            grid(rows, (7, 42, 24, 50, 26, 14, 18, 8),
                 ("strong", "small", "small", "body", "small", "right", "right", "box"),
                 ("", "Roll", "From", "Cut from one (number x mm)", "The end", "Rolls", "Pieces", ""), pad=1.4),
            text("How each roll is cut (drawn as wide as the page, not to scale; crossed: waste)", "head"),
            *(RollDrawing(n, r["pattern"], ends[r["width_mm"], r["roll"], r["from"], r["pattern"]])
              for n, r in enumerate(rolls.to_dict("records"), 1)),
            *_becomes(prints, covers, rolls["pattern"]),
        ])
    return practice_pdf("Cutting lists", prints.foot, pages, prints.paper)


def _ends(cuts: Sequence[Cut]) -> dict[tuple[float, str, str, str], End]:
    """The end of a roll by width, item, where the roll is from, and pattern: waste is what gives no piece any more."""
    said = {}
    for cut in cuts:
        length = {roll.name: roll.length_mm for roll in cut.plan.stock}
        for row in cut.plan.plan.to_dict("records"):
            end = row["waste_mm"]
            fate = "none" if end == 0 else f"{'waste' if end < cut.keep_mm - 1e-9 else 'keep'} {end:,.0f} mm"
            said[cut.width_mm, *cut.told_source(row["roll"]), row["pattern"]] = fate, end, length[row["roll"]]
    return said


def _becomes(prints: PrintSet, covers: Sequence[int], patterns: Iterable[str]) -> list[Flowable]:
    lengths = {float(part.split(" x ")[1]) for pattern in patterns for part in pattern.split(" + ")}
    pieces = prints.training.pieces()
    mine = pieces[pieces["lesson"].isin(covers) & pieces["length_mm"].isin(lengths)]
    mine = mine.sort_values("length_mm", ascending=False, kind="stable")
    several = len(covers) > 1
    shared: dict[tuple[float, str, str], list[tuple[int, int]]] = {}
    for p in mine.to_dict("records"):
        key = p["length_mm"], piece_text(p), p["practice"]
        shared.setdefault(key, []).append((prints.training.lessons[p["lesson"]].session, int(p["count"])))
    rows = []
    for (length, becomes, practice), counts in shared.items():
        which = f" (session {', '.join(f'{session}: {count}' for session, count in counts)})" if several else ""
        rows.append([f"{length:g} mm", becomes, practice + which, sum(count for _, count in counts)])
    whole = "course, to be bagged by session" if several else "session" if len(prints.lessons) > 1 else "class"
    return [text(f"What these lengths become, pieces for the whole {whole}", "head"),
            grid(rows, (18, 74, 66, 17), ("body", "small", "small", "right"), ("Length", "Becomes", "For", "Pieces"),
                 pad=1.4)]


def sheet_cards_pdf(
    cuts: Sequence[tuple[str, Cut]], called: Mapping[str, str], days: Callable[[Sequence[int]], str], caution: str,
    paper: str, foot: str,
) -> bytes:
    """One page a pattern. cuts: (for whom, sheets). called: item -> description. days: of classes, and who cut."""
    found: dict[_Drawing, tuple[dict[str, int], list[int]]] = {}
    for who, cut in cuts:
        for row, layout in zip(cut.plan.plan.to_dict("records"), cut.plan.layouts):
            sheet = next(s for s in cut.plan.stock if s.name == row["sheet"])
            item, origin = cut.source[row["sheet"]]
            drawing = (str(row["pattern"]), f"{called.get(item, item)} ({origin})", (sheet.width_mm, sheet.length_mm),
                       tuple(box for _, box in layout))
            counts, covers = found.setdefault(drawing, ({}, []))
            covers += cut.covers
            counts[who] = counts.get(who, 0) + int(row["count"])

    def pages(new_page: Callable[[], Card]) -> None:
        for drawing, (counts, covers) in found.items():
            _one(new_page(), counts, (days(covers), caution), *drawing)

    return draw_pages("Sheet cards", paper, foot, True, pages)


def _one(
    card: Card, counts: Mapping[str, int], notes: tuple[str, str], pattern: str, title: str, sheet: tuple[float, float],
    boxes: Sequence[tuple[float, float, float, float]],
) -> None:
    count = sum(counts.values())
    card.top -= 8
    card.text(MARGIN_MM, card.top, f"Cut {count} sheet{'' if count == 1 else 's'} like this", 20, bold=True)
    card.top -= 1
    card.paragraph(notes[0], 10, bold=True)
    if len(counts) > 1 or any(counts):
        card.paragraph("; ".join(f"{n} for {who}" for who, n in counts.items()), 10, bold=True)
    card.paragraph(title, 12, bold=True)
    card.paragraph(f"{pattern} mm from one sheet. Cut from edge to edge, then each part again.", 10)
    width, length = sheet
    waste = width * length - sum(w * h for _, _, w, h in boxes)
    crossed = f" Crossed: waste, {waste / 100:,.1f} cm2 a sheet." if waste > 1e-6 else " No waste."
    card.paragraph(notes[1] + crossed, 9)
    high = card.top - FOOT_MM - _RULER_ROOM_MM - 8
    scale = min(1.0, card.room_mm / width, high / length)
    bottom = card.top - 6 - length * scale
    card.waste(MARGIN_MM, bottom, width * scale, length * scale)
    for x, y, w, h in boxes:
        left, low = MARGIN_MM + x * scale, bottom + (length - y - h) * scale
        card.fill(left, low, w * scale, h * scale, white=True)
        card.box(left, low, w * scale, h * scale, 0.7)
        if min(w, h) * scale >= 5:
            card.text(left + w * scale / 2, low + h * scale / 2 - 1, f"{w:g} x {h:g}", 6, anchor="centre")
    card.box(MARGIN_MM, bottom, width * scale, length * scale, 1.6)
    if scale < 1.0:
        card.text(MARGIN_MM, FOOT_MM + 3, f"Not at true scale: the sheet of {width:g} x {length:g} mm is larger than "
                  "this paper. Measure with a ruler.", 9, bold=True)
    else:
        card.text(MARGIN_MM, FOOT_MM + 12, 'Print at 100 % (actual size), never "fit to page". If this bar is not 100 '
                  "mm, do not cut from this card.", 9, bold=True)
        card.bar(MARGIN_MM, FOOT_MM + 3)
