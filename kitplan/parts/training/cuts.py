"""Tape and dressing sheets of a class, cut from whole rolls and sheets: which, by which pattern, by whom.

Nothing here is opened for one patient, so pieces are pooled over the whole class (model.md section 9). Stock past its
date goes first, then what the class has, then what is bought in whole packs. The sessions of a course cut from one
box, one after another or at once; what a roll has left goes on to the next.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from kitplan.parts.training.requirements import rolls_of_width, to_be_had
from kitplan.read.class_values import AT_ONCE, TrainingClass, courses
from kitplan.read.problems import Problem
from kitplan.read.values import Unit
from kitplan.solve.cutting import CutPlan, Stock, cut_stock, first_fit_decreasing, to_tenths
from kitplan.solve.sheet_cutting import cut_sheets

PAST_DATE, OWN, BOUGHT, CARRIED = "practice only", "class box", "new", "session before"
"""Where a unit comes from. CARRIED: the end of a roll that an earlier session of the course opened."""
_MOST_ENDS = 6
"""Lengths of roll ends that a session may cut from, the longest first; the others stay in the box."""


Row = Mapping[Any, Any]
Offer = tuple[Stock, str, str]
"""(roll or sheet, catalogue item, where it comes from)."""


@dataclass(frozen=True)
class Cut:
    """Tape of one width, or dressing sheets, cut for one class, or for all sessions of a course at once.

    covers: for which classes; it is cut before the first. source: roll or sheet in `plan` -> (catalogue item, where it
    comes from). width_mm: of the tape, 0 for sheets. halves: half-width strips, whose other half is thrown away.
    keep_mm: ends of rolls as long as this are kept. ends: what lies in the box afterwards: (mm, how many), the longest
    first; off-cuts of sheets are no rectangles and go to the waste.
    """

    covers: tuple[int, ...]
    plan: CutPlan
    source: Mapping[str, tuple[str, str]]
    width_mm: float = 0.0
    halves: int = 0
    keep_mm: float = 0.0
    ends: tuple[tuple[float, int], ...] = ()

    @property
    def lesson(self) -> int:
        """The class before which it is cut."""
        return self.covers[0]

    def told_source(self, name: str) -> tuple[str, str]:
        """Item and source of a roll as its cutter knows it: of several ends in the box, the one of that length."""
        item, source = self.source[name]
        length = next(roll.length_mm for roll in self.plan.stock if roll.name == name)
        return item, f"end of {length:,.0f} mm" if source == CARRIED else source


@dataclass(frozen=True)
class _Trade:
    """Tape of one width or dressings: every: catalogue rows of it; kinds: those to buy from; is_tape: else sheets."""

    every: pd.DataFrame
    kinds: pd.DataFrame
    is_tape: bool

    def cut(self, pieces: pd.DataFrame, offers: Sequence[Offer]) -> CutPlan:
        stock = [offer[0] for offer in offers]
        if self.is_tape:
            return cut_stock(pieces["length_mm"], pieces["count"], stock)
        return cut_sheets(pieces[["width_mm", "length_mm"]].to_numpy(), pieces["count"], stock)


def _trade(unit: Unit, role: str, every: pd.DataFrame, pieces: pd.DataFrame) -> _Trade:
    """The item that the unit prefers where it holds all pieces, else all that are to be had."""
    kinds = to_be_had(unit, every)
    preferred = kinds[kinds["item"] == unit.prefer.get(role)]
    return _Trade(every, preferred if _all_fit(pieces, preferred) else kinds, role == "tape")


def _stock(row: Row, name: str, price: float, pack: int, available: int | None = None, first: bool = False) -> Stock:
    return Stock(name, float(row["length_mm"]), price, pack, available, first, float(row["width_mm"]))


def cut_tape(unit: Unit, lessons: Sequence[TrainingClass], pieces: pd.DataFrame) -> list[Cut]:
    """Cut the tape of every class, width by width. pieces: ClassNeeds.pieces."""
    cuts: list[Cut] = []
    for width, group in pieces.groupby("width_mm", sort=True):
        cuts += _cut_all(lessons, group, _trade(unit, "tape", rolls_of_width(unit, float(width)), group))
    return sorted(cuts, key=lambda c: (c.lesson, c.width_mm))


def cut_dressings(unit: Unit, lessons: Sequence[TrainingClass], dressings: pd.DataFrame) -> list[Cut]:
    """Cut the dressing pieces of every class from sheets, as cut_tape does tape.

    A piece larger than every sheet is a ValueError here; sheet_problems tells it to a person first.
    """
    if not len(dressings):
        return []
    cuts = _cut_all(lessons, dressings, _trade(unit, "barrier", sheets_of(unit), dressings))
    return sorted(cuts, key=lambda c: c.lesson)


def _cut_all(lessons: Sequence[TrainingClass], pieces: pd.DataFrame, trade: _Trade) -> list[Cut]:
    """The cuts of each course. The kinds to buy are chosen for all classes at once, in whole packs.

    Where that choice is not the least that all pieces together could cost, the free choice of every session is
    weighed too: so a course never costs more than its sessions would as classes of their own.
    """
    wanted = set(pieces["lesson"])
    groups = [group for course in courses(lessons) if (group := [i for i in course if i in wanted])]
    whole = len(wanted) == 1 or (len(groups) == 1 and lessons[groups[0][0]].cut == AT_ONCE)

    def cut_from(kinds: pd.DataFrame) -> list[Cut]:
        single = len(groups) > 1 and not whole
        return [cut for group in groups for cut in _cut_course(lessons, group, pieces, trade, kinds, single)]

    if whole:
        return cut_from(trade.kinds)
    offers = [o for g in groups for o in _own(lessons[g[0]], trade, f" {g[0]}")] + _to_buy(trade.kinds)
    pooled = trade.cut(pieces, offers)
    chosen = trade.kinds[[pooled.opened[str(item)] > 0 for item in trade.kinds["item"]]]
    chosen = chosen if _all_fit(pieces, chosen) else trade.kinds
    found = cut_from(chosen)
    if len(chosen) == len(trade.kinds) or _money(found, trade) <= pooled.cost + 1e-9:
        return found
    freely = cut_from(trade.kinds)
    return freely if _money(freely, trade) < _money(found, trade) - 1e-9 else found


def _money(cuts: Sequence[Cut], trade: _Trade) -> float:
    """Money for what is bought, in whole packs."""
    opened: Counter[str] = Counter()
    for cut in cuts:
        opened.update({cut.source[n][0]: k for n, k in cut.plan.opened.items() if cut.source[n][1] == BOUGHT})
    price = {row["item"]: (row["pack"], row["price"]) for row in trade.kinds.to_dict("records")}
    return float(sum(-(-count // price[item][0]) * price[item][1] for item, count in opened.items() if count))


def _cut_course(
    lessons: Sequence[TrainingClass], group: Sequence[int], pieces: pd.DataFrame, trade: _Trade, kinds: pd.DataFrame,
    single: bool,
) -> list[Cut]:
    """Cut one course, session by session or at once: from the ends of rolls opened before, stock past its date, the
    box, rolls left of packs opened before, and new packs. single: rolls one by one, as packs are shared with others.
    """
    whole = lessons[group[0]].cut == AT_ONCE
    keep = float(pieces.loc[pieces["lesson"].isin(group), "length_mm"].min())
    width, half = (float(pieces["width_mm"].iloc[0]), pieces["width_share"] < 1) if trade.is_tape else (0.0, False)
    own, spare, ends = _own(lessons[group[0]], trade), Counter[str](), Counter[tuple[str, float]]()
    pack = dict(zip(kinds["item"], kinds["pack"].astype(int)))
    rows, cuts = {row["item"]: row for row in trade.every.to_dict("records")}, []
    for part in [tuple(group)] if whole else [(index,) for index in group]:
        offers = [*_carried(ends, rows), *own, *_to_buy(kinds, single)]
        if not single:
            offers += [(_stock(rows[item], f"{item} (of a pack before)", 0.0, 1, left), item, BOUGHT)
                       for item, left in spare.items() if left]
        mine = pieces["lesson"].isin(part)
        plan = trade.cut(pieces[mine], offers)
        source = {stock.name: (str(item), kind) for stock, item, kind in offers}
        own = [(replace(stock, available=(stock.available or 0) - plan.opened[stock.name]), item, kind)
               for stock, item, kind in own]
        for stock, item, kind in offers:
            if kind == CARRIED:
                ends[item, stock.length_mm] -= plan.opened[stock.name]
            elif kind == BOUGHT:
                bought = 0 if stock.available is not None else pack[item] * -(-plan.opened[stock.name] // pack[item])
                spare[item] += bought - plan.opened[stock.name]
        if trade.is_tape:
            for row in plan.plan[plan.plan["waste_mm"] >= keep - 1e-9].to_dict("records"):
                ends[source[row["roll"]][0], row["waste_mm"]] += int(row["count"])
        ends, lie = +ends, Counter[float]()
        for (_, length), count in ends.items():
            lie[length] += count
        halves = int(pieces.loc[mine & half, "count"].sum())
        cuts.append(Cut(part, plan, source, width, halves, keep, tuple(sorted(lie.items(), reverse=True))))
    return cuts


def _own(lesson: TrainingClass, trade: _Trade, tag: str = "") -> list[Offer]:
    """What the class has, free of charge and limited; stock past its date goes first."""
    return [
        (_stock(row, f"{row['item']} ({kind}{tag})", 0.0, 1, stock[row["item"]], kind == PAST_DATE), row["item"],
         kind)
        for kind, stock in ((PAST_DATE, lesson.expired), (OWN, lesson.have))
        for row in trade.every.to_dict("records") if stock.get(row["item"])
    ]


def _carried(ends: Counter[tuple[str, float]], rows: Mapping[str, Row]) -> list[Offer]:
    """The longest ends of rolls that were opened before."""
    longest = sorted(ends, key=lambda end: (-end[1], end[0]))[:_MOST_ENDS]
    return [
        (_stock({**rows[item], "length_mm": length}, f"{item} (end of {length:g} mm)", 0.0, 1, ends[item, length],
                     True), item, CARRIED)
        for item, length in longest
    ]


def _to_buy(kinds: pd.DataFrame, single: bool = False) -> list[Offer]:
    """What can be bought, by the pack; single: one by one at its part of the pack's price."""
    return [
        (_stock(row, row["item"], row["price"] / (row["pack"] if single else 1), 1 if single else
                     int(row["pack"])), row["item"], BOUGHT)
        for row in kinds.to_dict("records")
    ]


def sheets_of(unit: Unit) -> pd.DataFrame:
    """Catalogue sheets with both sides known."""
    items = unit.items
    return items[(items["role"] == "barrier") & items["width_mm"].notna() & items["length_mm"].notna()]


def sheet_problems(unit: Unit, lessons: Sequence[TrainingClass], dressings: pd.DataFrame) -> list[Problem]:
    """Dressing pieces that are larger than every sheet."""
    sheets = to_be_had(unit, sheets_of(unit))
    found = []
    for row in dressings.to_dict("records"):
        if not _all_fit(pd.DataFrame([row]), sheets):
            lesson = lessons[row["lesson"]]
            size = f"{row['width_mm']:g} x {row['length_mm']:g} mm"
            found.append(Problem(lesson.file, f"its barrier piece of {size} is larger than every dressing sheet",
                                 "Add a larger sheet to items.csv, or a smaller piece to face.csv.",
                                 column="practice", value=lesson.practices[row["practice"]].size_text))
    return found


def _all_fit(pieces: pd.DataFrame, kinds: pd.DataFrame) -> bool:
    """Whether each piece fits one of the kinds, turned if need be; both with width_mm and length_mm."""
    pieces, sides = (np.sort(f[["width_mm", "length_mm"]].to_numpy(float), axis=1) for f in (pieces, kinds))
    fits = np.all(pieces[:, None, :] <= sides[None, :, :] + 1e-9, axis=2)
    return bool(np.all(np.any(fits, axis=1)))


def share_out_cutting(cuts: Sequence[Cut], lessons: Sequence[TrainingClass]) -> pd.DataFrame:
    """Who cuts what: rolls dealt to the cutters of each class so that all cut about as many pieces.

    Rolls of one pattern stay together as far as that allows. Returns lesson, cutter, width_mm, roll (its item), from,
    pattern, count, pieces (of all these rolls).
    """
    rows = []
    for index in sorted({c.lesson for c in cuts}):
        rolls = [
            (cut.width_mm, *cut.told_source(str(row["roll"])), str(row["pattern"]), int(pieces.sum()))
            for cut in cuts if cut.lesson == index
            for row, pieces in zip(cut.plan.plan.to_dict("records"), cut.plan.cuts)
            for _ in range(int(row["count"]))
        ]
        done, total = 0, sum(r[-1] for r in rolls)
        cutters = lessons[index].cutters
        for *what, pieces in rolls:
            middle = (done + pieces / 2) / total
            rows.append((index, min(int(middle * cutters) + 1, cutters), *what, 1, pieces))
            done += pieces
    keys = ["lesson", "cutter", "width_mm", "roll", "from", "pattern"]
    frame = pd.DataFrame(rows, columns=[*keys, "count", "pieces"])
    return frame.groupby(keys, sort=False, as_index=False).sum()


def compare_with_rules(
    unit: Unit, lessons: Sequence[TrainingClass], pieces: pd.DataFrame, sets: pd.DataFrame, cuts: Sequence[Cut]
) -> pd.DataFrame:
    """The cut plan beside two rules of thumb, all rolls at list price: method, rolls, opened_mm, waste_share, value.

    Like with like: the rules cut the lengths of roll that the plan opens. "longest piece first": all pieces of the
    class, greedy, from the plan's rolls and roll ends, then from further rolls of their longest. "every learner her own
    roll": each learner's pieces from rolls of her own, spare sets from further ones, of the length that costs least.
    """
    methods = ("cut together", "longest piece first", "every learner her own roll")
    totals = {method: np.zeros(3) for method in methods}
    wanted = 0.0
    by_item = unit.items.set_index("item")
    for cut in cuts:
        mine = pieces[pieces["lesson"].isin(cut.covers) & (pieces["width_mm"] == cut.width_mm)]
        wanted += float((mine["length_mm"] * mine["count"]).sum())
        # The end of a roll that was opened before is no further roll, tape or money.
        opened = [(roll.length_mm, _one_roll(by_item.loc[item]) * (kind != CARRIED), cut.plan.opened[roll.name])
                  for roll in cut.plan.stock if cut.plan.opened[roll.name] for item, kind in [cut.source[roll.name]]]
        opened.sort(key=lambda kind: (kind[1].any(), -kind[0]))
        rows = [by_item.loc[i] for i in dict.fromkeys(cut.source[n][0] for n, k in cut.plan.opened.items() if k)]
        everyone = []
        for lesson in cut.covers:
            own, spare = _learner_and_spare(
                lessons[lesson], mine[mine["lesson"] == lesson], sets[sets["lesson"] == lesson])
            everyone += [(own, lessons[lesson].learners), (spare, 1)]
        totals["cut together"] += sum(count * one for _, one, count in opened)
        longest = max(rows, key=lambda row: row["length_mm"])
        wholly = _by_length(mine["length_mm"], mine["count"])
        endless = (float(longest["length_mm"]), _one_roll(longest), int(mine["count"].sum()))
        totals["longest piece first"] += _greedy_from([*opened, endless], wholly)
        totals["every learner her own roll"] += _cheapest_greedy(rows, everyone)
    told = [
        (method, int(number), tape, 1.0 - wanted / tape if tape else 0.0, value)
        for method, (number, tape, value) in totals.items()
    ]
    return pd.DataFrame(told, columns=["method", "rolls", "opened_mm", "waste_share", "value"])


def _one_roll(row: pd.Series) -> np.ndarray:
    """Rolls, tape (mm) and money of one roll at list price."""
    return np.array([1.0, row["length_mm"], row["price"] / row["pack"]])


def _greedy_from(kinds: Sequence[tuple[float, np.ndarray, int]], wanted: pd.Series) -> np.ndarray:
    """Rolls, tape and money of the longest piece first from these kinds in turn: (mm, what one counts, how many)."""
    left, total = wanted.to_numpy(), np.zeros(3)
    for length, one, most in kinds:
        for pattern, times in first_fit_decreasing(wanted.index, left, to_tenths(length, up=False), most):
            left = left - times * np.array(pattern)
            total += times * one
    return total


def _cheapest_greedy(kinds: Sequence[pd.Series], groups: Sequence[tuple[pd.Series, int]]) -> np.ndarray:
    """Rolls, tape and money of cutting each group greedily from one kind, the cheapest that holds every piece."""
    longest = max(size for wanted, _ in groups for size, count in wanted.items() if count)
    long_enough = [row for row in kinds if to_tenths(row["length_mm"], up=False) >= longest]
    totals = [sum((times * _greedy_from([(row["length_mm"], _one_roll(row), int(wanted.sum()))], wanted)
                   for wanted, times in groups), np.zeros(3)) for row in long_enough]
    return min(totals, key=lambda total: float(total[2]))


def _by_length(lengths: pd.Series, counts: pd.Series) -> pd.Series:
    """Pieces by their length in tenths, the longest first."""
    tenths = [to_tenths(float(length), up=True) for length in lengths]
    return counts.groupby(tenths).sum().sort_index(ascending=False)


def _learner_and_spare(lesson: TrainingClass, pieces: pd.DataFrame, sets: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Pieces by length of one learner's goes, and of all spare sets."""
    total = sets.groupby("practice")[["goes", "sets"]].sum()
    each = pieces["count"] // pieces["practice"].map(total["sets"])
    own = each * pieces["practice"].map(lambda p: lesson.practices[p].goes_per_learner)
    spare = each * pieces["practice"].map(total["sets"] - total["goes"])
    return _by_length(pieces["length_mm"], own), _by_length(pieces["length_mm"], spare)
