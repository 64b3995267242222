"""Tape and dressing sheets of a class, cut from whole rolls and sheets: which, by which pattern, by whom.

Nothing here is opened for one patient, so pieces are pooled over the whole class (model.md section 9). Stock past its
date goes first, then what the class has, then what is bought in whole packs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kitplan.parts.training.requirements import rolls_of_width
from kitplan.read.class_values import TrainingClass
from kitplan.read.problems import Problem
from kitplan.read.values import Unit
from kitplan.solve.cutting import CutPlan, Roll, cut_stock, first_fit_decreasing, to_tenths
from kitplan.solve.sheet_cutting import Sheet, SheetPlan, cut_sheets

PAST_DATE, OWN, BOUGHT = "practice only", "class box", "to buy"
"""Where a unit comes from, in the order in which stock is used."""


@dataclass(frozen=True)
class TapeCut:
    """Tape of one width cut for one class.

    source: roll in `plan` -> (catalogue item, where it comes from). halves: half-width strips, whose other half is
    thrown away.
    """

    lesson: int
    width_mm: float
    plan: CutPlan
    source: Mapping[str, tuple[str, str]]
    halves: int = 0


@dataclass(frozen=True)
class SheetCut:
    """Dressing sheets cut for one class; source as in TapeCut."""

    lesson: int
    plan: SheetPlan
    source: Mapping[str, tuple[str, str]]


Row = Mapping[Any, Any]
Offer = tuple[Any, str, str]
"""(Roll or Sheet, catalogue item, where it comes from)."""


def cut_tape(unit: Unit, lessons: Sequence[TrainingClass], pieces: pd.DataFrame) -> list[TapeCut]:
    """Cut the tape of every class, width by width.

    pieces: ClassNeeds.pieces. In a season of several classes the kinds of roll to buy are chosen for all of them at
    once, in whole packs; each class is then cut on its own, because it is held on its own day.
    """
    cuts = []
    for width, group in pieces.groupby("width_mm", sort=True):
        kinds = rolls_of_width(unit, float(width))
        preferred = kinds[kinds["item"] == unit.prefer.get("tape")]
        kinds = preferred if preferred["length_mm"].max() >= group["length_mm"].max() else kinds
        every = unit.items[(unit.items["role"] == "tape") & np.isclose(unit.items["width_mm"].astype(float), width)]
        indexes = sorted(group["lesson"].unique())
        if len(indexes) > 1:
            offers = [o for i in indexes for o in _own(lessons[i], every, _roll, f" {i}")] + _to_buy(kinds, _roll)
            pooled = cut_stock(group["length_mm"], group["count"], [o[0] for o in offers])
            chosen = kinds[[pooled.opened[str(item)] > 0 for item in kinds["item"]]]
            if len(chosen) and chosen["length_mm"].max() >= group["length_mm"].max():
                kinds = chosen
        for index in indexes:
            mine = group[group["lesson"] == index]
            offers = _own(lessons[index], every, _roll) + _to_buy(kinds, _roll, single=len(indexes) > 1)
            plan = cut_stock(mine["length_mm"], mine["count"], [o[0] for o in offers])
            halves = int(mine.loc[mine["width_share"] < 1, "count"].sum())
            cuts.append(TapeCut(int(index), float(width), plan, _sources(offers), halves))
    return sorted(cuts, key=lambda c: (c.lesson, c.width_mm))


def cut_dressings(unit: Unit, lessons: Sequence[TrainingClass], dressings: pd.DataFrame) -> list[SheetCut]:
    """Cut the dressing pieces of every class from sheets, as cut_tape does tape.

    A piece larger than every sheet is a ValueError here; sheet_problems tells it to a person first.
    """
    every = sheets_of(unit)
    preferred = every[every["item"] == unit.prefer.get("barrier")]
    kinds = preferred if len(preferred) and _all_fit(dressings, preferred) else every
    cuts = []
    indexes = sorted(dressings["lesson"].unique())
    if len(indexes) > 1:
        offers = [o for i in indexes for o in _own(lessons[i], every, _sheet, f" {i}")] + _to_buy(kinds, _sheet)
        pooled = cut_sheets(dressings[["width_mm", "length_mm"]].to_numpy(), dressings["count"], [o[0] for o in offers])
        chosen = kinds[[pooled.opened[str(item)] > 0 for item in kinds["item"]]]
        kinds = chosen if _all_fit(dressings, chosen) else kinds
    for index in indexes:
        mine = dressings[dressings["lesson"] == index]
        offers = _own(lessons[index], every, _sheet) + _to_buy(kinds, _sheet, single=len(indexes) > 1)
        plan = cut_sheets(mine[["width_mm", "length_mm"]].to_numpy(), mine["count"], [o[0] for o in offers])
        cuts.append(SheetCut(int(index), plan, _sources(offers)))
    return cuts


def _roll(row: Row, name: str, price: float, pack: int, available: int | None, first: bool) -> Roll:
    return Roll(name, float(row["length_mm"]), price, pack, available, first)


def _sheet(row: Row, name: str, price: float, pack: int, available: int | None, first: bool) -> Sheet:
    return Sheet(name, float(row["width_mm"]), float(row["length_mm"]), price, pack, available, first)


def _own(lesson: TrainingClass, kinds: pd.DataFrame, make: Callable[..., Any], tag: str = "") -> list[Offer]:
    """What the class has, free of charge and limited; stock past its date goes first."""
    return [
        (make(row, f"{row['item']} ({kind}{tag})", 0.0, 1, stock[row["item"]], kind == PAST_DATE), row["item"], kind)
        for kind, stock in ((PAST_DATE, lesson.expired), (OWN, lesson.have))
        for row in kinds.to_dict("records") if stock.get(row["item"])
    ]


def _to_buy(kinds: pd.DataFrame, make: Callable[..., Any], single: bool = False) -> list[Offer]:
    """What can be bought, by the pack; single: one by one at its part of the pack's price."""
    return [
        (make(row, row["item"], row["price"] / (row["pack"] if single else 1), 1 if single else int(row["pack"]),
              None, False), row["item"], BOUGHT)
        for row in kinds.to_dict("records")
    ]


def _sources(offers: Sequence[Offer]) -> dict[str, tuple[str, str]]:
    return {stock.name: (str(item), kind) for stock, item, kind in offers}


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
    class, greedy, from the plan's rolls and then from further ones of their longest. "every learner her own roll":
    each learner's pieces from rolls of her own, spare sets from further rolls, of the length that costs least so.
    """
    methods = ("cut together", "longest piece first", "every learner her own roll")
    totals = {method: np.zeros(3) for method in methods}
    wanted = 0.0
    by_item = unit.items.set_index("item")
    for cut in cuts:
        mine = pieces[(pieces["lesson"] == cut.lesson) & (pieces["width_mm"] == cut.width_mm)]
        wanted += float((mine["length_mm"] * mine["count"]).sum())
        opened = [(by_item.loc[cut.source[roll][0]], count) for roll, count in cut.plan.opened.items() if count]
        opened.sort(key=lambda kind: -kind[0]["length_mm"])
        own, spare = _learner_and_spare(lessons[cut.lesson], mine, sets[sets["lesson"] == cut.lesson])
        everyone = [(own, lessons[cut.lesson].learners), (spare, 1)]
        totals["cut together"] += sum(count * _one_roll(row) for row, count in opened)
        totals["longest piece first"] += _greedy_from(opened, dict(_by_length(mine["length_mm"], mine["count"])))
        totals["every learner her own roll"] += _cheapest_greedy([row for row, _ in opened], everyone)
    rows = [
        (method, int(rolls), opened, 1.0 - wanted / opened if opened else 0.0, value)
        for method, (rolls, opened, value) in totals.items()
    ]
    return pd.DataFrame(rows, columns=["method", "rolls", "opened_mm", "waste_share", "value"])


def _one_roll(row: pd.Series) -> np.ndarray:
    """Rolls, tape (mm) and money of one roll at list price."""
    return np.array([1.0, row["length_mm"], row["price"] / row["pack"]])


def _greedy_from(opened: Sequence[tuple[pd.Series, int]], wanted: Mapping[int, int]) -> np.ndarray:
    """Rolls, tape and money of the longest piece first from these rolls, longest first, then more of the longest."""
    sizes, left, total = list(wanted), np.array(list(wanted.values())), np.zeros(3)
    for row, most in [*opened, (opened[0][0], int(left.sum()))]:
        for pattern, times in first_fit_decreasing(sizes, left, to_tenths(float(row["length_mm"]), up=False), most):
            left = left - times * np.array(pattern)
            total += times * _one_roll(row)
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
        rolls = 0
        for wanted, times in groups:
            sizes = [s for s, n in wanted.items() if n]
            if sizes and sizes[0] > capacity:
                rolls = -1
                break
            counts = [wanted[s] for s in sizes]
            rolls += times * sum(n for _, n in first_fit_decreasing(sizes, counts, capacity))
        total = rolls * _one_roll(row)
        if rolls >= 0 and total[2] < best[2]:
            best = total
    return best
