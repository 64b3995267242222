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

from kitplan.parts.training.requirements import rolls_of_width
from kitplan.read.class_values import AT_ONCE, TrainingClass, courses
from kitplan.read.problems import Problem
from kitplan.read.values import Unit
from kitplan.solve.cutting import CutPlan, Roll, cut_stock, first_fit_decreasing, to_tenths
from kitplan.solve.sheet_cutting import Sheet, SheetPlan, cut_sheets

PAST_DATE, OWN, BOUGHT, CARRIED = "practice only", "class box", "to buy", "session before"
"""Where a unit comes from. CARRIED: the end of a roll that an earlier session of the course opened."""
_MOST_ENDS = 6
"""Lengths of roll ends that a session may cut from, the longest first; the others stay in the box."""


Row = Mapping[Any, Any]
Source = Mapping[str, tuple[str, str]]
"""Name of a roll or sheet in a plan -> (catalogue item, where it comes from)."""
Offer = tuple[Any, str, str]
"""(Roll or Sheet, catalogue item, where it comes from)."""


@dataclass(frozen=True)
class TapeCut:
    """Tape of one width cut for one class, or for all sessions of a course at once.

    lesson: before which it is cut. covers: for which. source: roll in `plan` -> (catalogue item, where it comes from).
    halves: half-width strips, whose other half is thrown away. keep_mm: ends as long as this are kept. ends: what
    lies in the box afterwards: (mm, how many), the longest first.
    """

    lesson: int
    width_mm: float
    plan: CutPlan
    source: Source
    covers: tuple[int, ...] = ()
    halves: int = 0
    keep_mm: float = 0.0
    ends: tuple[tuple[float, int], ...] = ()


@dataclass(frozen=True)
class SheetCut:
    """Dressing sheets cut for one class, or for all sessions of a course at once; fields as in TapeCut."""

    lesson: int
    plan: SheetPlan
    source: Source
    covers: tuple[int, ...] = ()


class _Trade:
    """What tape and dressings differ in: what is cut from, how, and what an opened one leaves for the next session."""

    def __init__(self, kinds: pd.DataFrame, every: pd.DataFrame) -> None:
        self.kinds = kinds
        self.every = every

    def stock(self, row: Row, *rest: Any) -> Roll | Sheet:
        return Roll(rest[0], float(row["length_mm"]), *rest[1:])

    def cut(self, pieces: pd.DataFrame, offers: Sequence[Offer]) -> CutPlan | SheetPlan:
        return cut_stock(pieces["length_mm"], pieces["count"], [o[0] for o in offers])

    def fit(self, pieces: pd.DataFrame, kinds: pd.DataFrame) -> bool:
        return bool(len(kinds)) and kinds["length_mm"].max() >= pieces["length_mm"].max()

    def ends(self, plan: Any, source: Source, keep_mm: float) -> Counter[tuple[str, float]]:
        found: Counter[tuple[str, float]] = Counter()
        for row in plan.plan.to_dict("records"):
            if row["waste_mm"] >= keep_mm - 1e-9:
                found[source[row["roll"]][0], row["waste_mm"]] += int(row["count"])
        return found


class _Dressings(_Trade):
    """Sheets; their off-cuts are no rectangles and go to the waste."""

    def stock(self, row: Row, *rest: Any) -> Roll | Sheet:
        return Sheet(rest[0], float(row["width_mm"]), float(row["length_mm"]), *rest[1:])

    def cut(self, pieces: pd.DataFrame, offers: Sequence[Offer]) -> CutPlan | SheetPlan:
        return cut_sheets(pieces[["width_mm", "length_mm"]].to_numpy(), pieces["count"], [o[0] for o in offers])

    def fit(self, pieces: pd.DataFrame, kinds: pd.DataFrame) -> bool:
        return bool(len(kinds)) and _all_fit(pieces, kinds)

    def ends(self, plan: Any, source: Source, keep_mm: float) -> Counter[tuple[str, float]]:
        return Counter()


@dataclass(frozen=True)
class _Cut:
    """One session's plan, or a course's. ends: (item, mm) of roll ends in the box afterwards -> how many."""

    lessons: tuple[int, ...]
    plan: Any
    source: Source
    ends: Counter[tuple[str, float]]


def cut_tape(unit: Unit, lessons: Sequence[TrainingClass], pieces: pd.DataFrame) -> list[TapeCut]:
    """Cut the tape of every class, width by width. pieces: ClassNeeds.pieces."""
    cuts = []
    for width, group in pieces.groupby("width_mm", sort=True):
        kinds = rolls_of_width(unit, float(width))
        preferred = kinds[kinds["item"] == unit.prefer.get("tape")]
        every = unit.items[(unit.items["role"] == "tape") & np.isclose(unit.items["width_mm"].astype(float), width)]
        trade = _Trade(kinds, every)
        trade.kinds = preferred if trade.fit(group, preferred) else kinds
        for course in _cut_all(lessons, group, trade):
            every_length = group.loc[group["lesson"].isin([i for cut in course for i in cut.lessons]), "length_mm"]
            for cut in course:
                mine = group[group["lesson"].isin(cut.lessons)]
                ends: Counter[float] = Counter()
                for (_, length), count in cut.ends.items():
                    ends[length] += count
                halves = int(mine.loc[mine["width_share"] < 1, "count"].sum())
                cuts.append(TapeCut(cut.lessons[0], float(width), cut.plan, cut.source, cut.lessons, halves,
                                    float(every_length.min()), tuple(sorted(ends.items(), reverse=True))))
    return sorted(cuts, key=lambda c: (c.lesson, c.width_mm))


def cut_dressings(unit: Unit, lessons: Sequence[TrainingClass], dressings: pd.DataFrame) -> list[SheetCut]:
    """Cut the dressing pieces of every class from sheets, as cut_tape does tape.

    A piece larger than every sheet is a ValueError here; sheet_problems tells it to a person first.
    """
    if not len(dressings):
        return []
    every = sheets_of(unit)
    trade = _Dressings(every, every)
    preferred = every[every["item"] == unit.prefer.get("barrier")]
    trade.kinds = preferred if trade.fit(dressings, preferred) else every
    cuts = [SheetCut(cut.lessons[0], cut.plan, cut.source, cut.lessons)
            for course in _cut_all(lessons, dressings, trade) for cut in course]
    return sorted(cuts, key=lambda c: c.lesson)


def _cut_all(lessons: Sequence[TrainingClass], pieces: pd.DataFrame, trade: _Trade) -> list[list[_Cut]]:
    """The cuts of each course. The kinds to buy are chosen for all classes at once, in whole packs.

    Where that choice is not the least that all pieces together could cost, the free choice of every session is
    weighed too: so a course never costs more than its sessions would as classes of their own.
    """
    wanted = set(pieces["lesson"])
    groups = [group for course in courses(lessons) if (group := [i for i in course if i in wanted])]
    if len(wanted) == 1 or (len(groups) == 1 and lessons[groups[0][0]].cut == AT_ONCE):
        return [_cut_course(lessons, group, pieces, trade, trade.kinds, False) for group in groups]
    offers = [o for g in groups for o in _own(lessons[g[0]], trade, f" {g[0]}")] + _to_buy(trade.kinds, trade)
    pooled = trade.cut(pieces, offers)
    chosen = trade.kinds[[pooled.opened[str(item)] > 0 for item in trade.kinds["item"]]]
    chosen = chosen if trade.fit(pieces, chosen) else trade.kinds
    found = [_cut_course(lessons, group, pieces, trade, chosen, len(groups) > 1) for group in groups]
    if len(chosen) == len(trade.kinds) or _money(found, trade) <= pooled.cost + 1e-9:
        return found
    freely = [_cut_course(lessons, group, pieces, trade, trade.kinds, len(groups) > 1) for group in groups]
    return freely if _money(freely, trade) < _money(found, trade) - 1e-9 else found


def _money(courses_cut: Sequence[Sequence[_Cut]], trade: _Trade) -> float:
    """Money for what is bought, in whole packs."""
    opened: Counter[str] = Counter()
    for cut in (c for course in courses_cut for c in course):
        opened.update({cut.source[n][0]: k for n, k in cut.plan.opened.items() if cut.source[n][1] == BOUGHT})
    price = {row["item"]: (row["pack"], row["price"]) for row in trade.kinds.to_dict("records")}
    return float(sum(-(-count // price[item][0]) * price[item][1] for item, count in opened.items() if count))


def _cut_course(
    lessons: Sequence[TrainingClass], group: Sequence[int], pieces: pd.DataFrame, trade: _Trade, kinds: pd.DataFrame,
    single: bool,
) -> list[_Cut]:
    """Cut one course, session by session or at once: from the ends of rolls opened before, stock past its date, the
    box, rolls left of packs opened before, and new packs. single: rolls one by one, as packs are shared with others.
    """
    whole = lessons[group[0]].cut == AT_ONCE
    keep = float(pieces.loc[pieces["lesson"].isin(group), "length_mm"].min())
    own, spare, ends = _own(lessons[group[0]], trade), Counter[str](), Counter[tuple[str, float]]()
    pack = dict(zip(kinds["item"], kinds["pack"].astype(int)))
    rows, cuts = {row["item"]: row for row in trade.every.to_dict("records")}, []
    for part in [tuple(group)] if whole else [(index,) for index in group]:
        offers = [*_carried(ends, rows, trade), *own, *_to_buy(kinds, trade, single)]
        if not single:
            offers += [(trade.stock(rows[item], f"{item} (of a pack before)", 0.0, 1, left), item, BOUGHT)
                       for item, left in spare.items() if left]
        plan = trade.cut(pieces[pieces["lesson"].isin(part)], offers)
        source = {stock.name: (str(item), kind) for stock, item, kind in offers}
        own = [(replace(stock, available=stock.available - plan.opened[stock.name]), item, kind)
               for stock, item, kind in own]
        for stock, item, kind in offers:
            if kind == CARRIED:
                ends[item, stock.length_mm] -= plan.opened[stock.name]
            elif kind == BOUGHT:
                bought = 0 if stock.available is not None else pack[item] * -(-plan.opened[stock.name] // pack[item])
                spare[item] += bought - plan.opened[stock.name]
        ends = +(ends + trade.ends(plan, source, keep))
        cuts.append(_Cut(part, plan, source, ends.copy()))
    return cuts


def _own(lesson: TrainingClass, trade: _Trade, tag: str = "") -> list[Offer]:
    """What the class has, free of charge and limited; stock past its date goes first."""
    return [
        (trade.stock(row, f"{row['item']} ({kind}{tag})", 0.0, 1, stock[row["item"]], kind == PAST_DATE), row["item"],
         kind)
        for kind, stock in ((PAST_DATE, lesson.expired), (OWN, lesson.have))
        for row in trade.every.to_dict("records") if stock.get(row["item"])
    ]


def _carried(ends: Counter[tuple[str, float]], rows: Mapping[str, Row], trade: _Trade) -> list[Offer]:
    """The longest ends of rolls that were opened before."""
    longest = sorted(ends, key=lambda end: (-end[1], end[0]))[:_MOST_ENDS]
    return [
        (trade.stock({**rows[item], "length_mm": length}, f"{item} (end of {length:g} mm)", 0.0, 1, ends[item, length],
                     True), item, CARRIED)
        for item, length in longest
    ]


def _to_buy(kinds: pd.DataFrame, trade: _Trade, single: bool = False) -> list[Offer]:
    """What can be bought, by the pack; single: one by one at its part of the pack's price."""
    return [
        (trade.stock(row, row["item"], row["price"] / (row["pack"] if single else 1), 1 if single else
                     int(row["pack"])), row["item"], BOUGHT)
        for row in kinds.to_dict("records")
    ]


def sheets_of(unit: Unit) -> pd.DataFrame:
    """Catalogue sheets with both sides known that are to be had."""
    items = unit.items
    found = items[(items["role"] == "barrier") & items["width_mm"].notna() & items["length_mm"].notna()]
    had = found[~found["item"].isin(unit.stock.unavailable)]
    return had if len(had) else found


def sheet_problems(unit: Unit, lessons: Sequence[TrainingClass], dressings: pd.DataFrame) -> list[Problem]:
    """Dressing pieces that are larger than every sheet."""
    sheets = sheets_of(unit)
    found = []
    for row in dressings.to_dict("records"):
        if not _all_fit(pd.DataFrame([row]), sheets):
            lesson = lessons[row["lesson"]]
            size = f"{row['width_mm']:g} x {row['length_mm']:g} mm"
            found.append(Problem(
                lesson.file, None, "practice", lesson.practices[row["practice"]].size_text,
                f"its barrier piece of {size} is larger than every dressing sheet",
                "Add a larger sheet to items.csv, or a smaller piece to face.csv.",
            ))
    return found


def _all_fit(dressings: pd.DataFrame, sheets: pd.DataFrame) -> bool:
    pieces = np.sort(dressings[["width_mm", "length_mm"]].to_numpy(float), axis=1)
    sides = np.sort(sheets[["width_mm", "length_mm"]].to_numpy(float), axis=1)
    fits = np.all(pieces[:, None, :] <= sides[None, :, :] + 1e-9, axis=2)
    return bool(np.all(np.any(fits, axis=1)))


def share_out_cutting(cuts: Sequence[TapeCut], lessons: Sequence[TrainingClass]) -> pd.DataFrame:
    """Who cuts what: rolls dealt to the cutters of each class so that all cut about as many pieces.

    Rolls of one pattern stay together as far as that allows. Returns lesson, cutter, width_mm, roll (its item), from,
    pattern, count, pieces (of all these rolls).
    """
    rows = []
    for index in sorted({c.lesson for c in cuts}):
        rolls = [
            (cut.width_mm, *cut.source[str(row["roll"])], str(row["pattern"]), int(pieces.sum()))
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
    unit: Unit, lessons: Sequence[TrainingClass], pieces: pd.DataFrame, sets: pd.DataFrame, cuts: Sequence[TapeCut]
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
        rolls = {roll.name: (roll.length_mm, *cut.source[roll.name]) for roll in cut.plan.rolls}
        # The end of a roll that was opened before is no further roll, tape or money.
        opened = [(rolls[name][0], _one_roll(by_item.loc[rolls[name][1]]) * (rolls[name][2] != CARRIED), count)
                  for name, count in cut.plan.opened.items() if count]
        opened.sort(key=lambda kind: (kind[1].any(), -kind[0]))
        rows = list({item: by_item.loc[item] for _, item, _ in (rolls[n] for n, k in cut.plan.opened.items() if k)}
                    .values())
        everyone = []
        for lesson in cut.covers:
            own, spare = _learner_and_spare(
                lessons[lesson], mine[mine["lesson"] == lesson], sets[sets["lesson"] == lesson])
            everyone += [(own, lessons[lesson].learners), (spare, 1)]
        totals["cut together"] += sum(count * one for _, one, count in opened)
        longest = max(rows, key=lambda row: row["length_mm"])
        opened.append((float(longest["length_mm"]), _one_roll(longest), int(mine["count"].sum())))
        totals["longest piece first"] += _greedy_from(opened, dict(_by_length(mine["length_mm"], mine["count"])))
        totals["every learner her own roll"] += _cheapest_greedy(rows, everyone)
    told = [
        (method, int(number), tape, 1.0 - wanted / tape if tape else 0.0, value)
        for method, (number, tape, value) in totals.items()
    ]
    return pd.DataFrame(told, columns=["method", "rolls", "opened_mm", "waste_share", "value"])


def _one_roll(row: pd.Series) -> np.ndarray:
    """Rolls, tape (mm) and money of one roll at list price."""
    return np.array([1.0, row["length_mm"], row["price"] / row["pack"]])


def _greedy_from(kinds: Sequence[tuple[float, np.ndarray, int]], wanted: Mapping[int, int]) -> np.ndarray:
    """Rolls, tape and money of the longest piece first from these kinds in turn: (mm, what one counts, how many)."""
    sizes, left, total = list(wanted), np.array(list(wanted.values())), np.zeros(3)
    for length, one, most in kinds:
        for pattern, times in first_fit_decreasing(sizes, left, to_tenths(length, up=False), most):
            left = left - times * np.array(pattern)
            total += times * one
    return total


def _by_length(lengths: pd.Series, counts: pd.Series) -> list[tuple[int, int]]:
    total: dict[int, int] = {}
    for length, count in zip(lengths, counts):
        size = to_tenths(float(length), up=True)
        total[size] = total.get(size, 0) + int(count)
    return sorted(total.items(), reverse=True)


def _learner_and_spare(
    lesson: TrainingClass, pieces: pd.DataFrame, sets: pd.DataFrame
) -> tuple[dict[int, int], dict[int, int]]:
    """Pieces (length in tenths -> count) of one learner's goes, and of all spare sets."""
    total = sets.groupby("practice")[["goes", "sets"]].sum()
    each = pieces["count"] // pieces["practice"].map(total["sets"])
    own = each * pieces["practice"].map(lambda p: lesson.practices[p].goes_per_learner)
    spare = each * pieces["practice"].map(total["sets"] - total["goes"])
    return dict(_by_length(pieces["length_mm"], own)), dict(_by_length(pieces["length_mm"], spare))


def _cheapest_greedy(kinds: Sequence[pd.Series], groups: Sequence[tuple[Mapping[int, int], int]]) -> np.ndarray:
    """Rolls, tape (mm) and money when each group (pieces, how often) is cut greedily from one kind of roll."""
    best = np.full(3, np.inf)
    for row in kinds:
        capacity = to_tenths(float(row["length_mm"]), up=False)
        if any(n and size > capacity for wanted, _ in groups for size, n in wanted.items()):
            continue
        rolls = sum(times * sum(n for _, n in first_fit_decreasing(list(wanted), list(wanted.values()), capacity))
                    for wanted, times in groups)
        total = rolls * _one_roll(row)
        if total[2] < best[2]:
            best = total
    return best
