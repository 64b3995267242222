"""The lists of a class: what stands at each station, what to buy, what is left over and where it goes."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.fit import fitting_items, nearest_size
from kitplan.demand.whole import whole_down, whole_up
from kitplan.parts.training.cuts import BOUGHT, OWN, PAST_DATE, Cut
from kitplan.parts.training.requirements import ClassNeeds, rows_of
from kitplan.parts.training.timetable import Thing, Timetable, largest_remainder, things_of
from kitplan.read.class_values import Durable, TrainingClass, courses
from kitplan.read.values import Unit

FROM = {PAST_DATE: "practice_only", OWN: "own", BOUGHT: "buy"}
"""Where whole units of an item come from, and the column of what a class takes."""
LOOSE = "; loose, not sterile: the class file allows it for practice on manikins, never for patients"


def class_things(unit: Unit, lesson: TrainingClass) -> list[Thing]:
    """Durable things of a class; a thing named by its role becomes the catalogue item nearest each tube size."""
    catalogue = {
        r["item"]: (str(r["description"]), float(r["price"]) / float(r["pack"])) for r in unit.catalogue
    }
    things: list[Thing] = []
    for durable in lesson.durables:
        items = [_item_for(unit, durable, p.size) for p in lesson.practices]
        things += things_of(lesson, durable, items, catalogue)
    return things


def _item_for(unit: Unit, durable: Durable, size: pd.Series) -> str:
    if not durable.role:
        return durable.item
    found = fitting_items(unit, durable.role, size)
    nearest = nearest_size(unit, durable.role, list(zip(found.index, found.to_dict("records"))), size)
    return str(nearest[0][1]["item"]) if nearest else ""


def station_supplies(lessons: Sequence[TrainingClass], needs: ClassNeeds, supplies: pd.DataFrame) -> pd.DataFrame:
    """Items at each station: lesson, station, item, taken (new ones), begun (from the session before), units (both).

    supplies: choose_items. Where two items serve one practice, the first stations take the first item. All are whole:
    what is shared within a station is rounded up, and in a course what is left of it goes on to the same station of the
    next session. Nobody begins a pair of gloves: of sizes that stand side by side as many as are used stand there.
    """
    rows = []
    for (lesson, practice, _role), group in supplies.groupby(["lesson", "practice", "role"], sort=False):
        mine = rows_of(needs.sets, lesson, practice)
        waiting = mine["sets"].to_numpy(int)
        total = int(waiting.sum())
        side_by_side = group["sets"].sum() > total
        left = waiting.copy()
        for row in group.to_dict("records"):
            dealt = waiting if side_by_side else _fill_in_order(left, int(row["sets"]))
            left = left if side_by_side else left - dealt
            each = row["units"] / row["sets"]
            rows += [(lesson, s, row["item"], side_by_side, each * n) for s, n in enumerate(dealt) if n]
    frame = pd.DataFrame(rows, columns=["lesson", "station", "item", "sizes", "units"]).astype({"units": float})
    whole = frame.groupby(["lesson", "station", "item", "sizes"], sort=False, as_index=False)["units"].sum()
    box = {lesson: number for number, group in enumerate(courses(lessons)) for lesson in group}
    here = [whole["lesson"].map(box), whole["station"], whole["item"]]
    until = whole.sort_values("lesson", kind="stable")["units"].groupby(here).cumsum().sort_index()
    before = until - whole["units"]
    whole["taken"] = whole_up(until) - whole_up(before)
    begun = whole_up(before) - whole_down(before)
    whole["begun"] = np.where(whole.pop("sizes"), whole_up(whole["units"]) - whole["taken"], begun)
    whole["units"] = whole["taken"] + whole["begun"]
    return whole


def _fill_in_order(left: np.ndarray, sets: int) -> np.ndarray:
    before = np.concatenate([[0], np.cumsum(left)[:-1]])
    return np.clip(sets - before, 0, left)


def items_taken(
    lessons: Sequence[TrainingClass], at_stations: pd.DataFrame, tape: Sequence[Cut], sheets: Sequence[Cut]
) -> pd.DataFrame:
    """Whole units of each consumable item by class: lesson, item, practice_only (past its date: first), own, buy."""
    rows: list[tuple[object, ...]] = []
    box = {lesson: group[0] for group in courses(lessons) for lesson in group}
    gone: Counter[tuple[int, str, str]] = Counter()
    for (lesson, item), units in at_stations.groupby(["lesson", "item"])["taken"].sum().items():
        left, used = int(units), []
        for kind, stock in ((PAST_DATE, lessons[lesson].expired), (OWN, lessons[lesson].have)):
            used.append(min(left, stock.get(item, 0) - gone[box[lesson], item, kind]))
            gone[box[lesson], item, kind] += used[-1]
            left -= used[-1]
        rows.append((lesson, item, *used, left))
    rows += [
        (cut.lesson, item, *(opened * (kind == origin) for origin in FROM)) for cut in (*tape, *sheets)
        for name, opened in cut.plan.opened.items() for item, kind in [cut.source[name]] if opened and kind in FROM
    ]
    frame = pd.DataFrame(rows, columns=["lesson", "item", *FROM.values()])
    return frame.groupby(["lesson", "item"], sort=False, as_index=False).sum()


def shopping_list(
    unit: Unit, lessons: Sequence[TrainingClass], needs: ClassNeeds, taken: pd.DataFrame,
    tables: Sequence[Timetable],
) -> pd.DataFrame:
    """What to bring and buy for all classes: consumables in catalogue order, then durable things.

    Columns as config/columns.csv training_list; packs and value cover buy_units only. A durable thing without a
    price is to be borrowed: its packs and value are empty.
    """
    rows: list[tuple[Any, ...]] = []
    loose = {role for lesson in lessons for role in lesson.loose}
    for entry in unit.catalogue:
        mine = taken[taken["item"] == entry["item"]]
        if not len(mine):
            continue
        old, own, buy = mine[[*FROM.values()]].sum().tolist()
        packs = int(whole_up(buy / entry["pack"]))
        rows.append((
            entry["item"], entry["description"], "used up", old + own + buy, entry["counted_as"], old, own, buy,
            int(entry["pack"]), packs, packs * entry["price"],
            _why(lessons, needs, mine) + (LOOSE if entry["role"] in loose and not entry["sterile"] else ""),
        ))
    rows += _durable_rows(unit, lessons, tables, {row[0]: row[9] * row[8] - row[7] for row in rows})
    return pd.DataFrame(rows, columns=[
        "item", "description", "kind", "units", "unit", "practice_only_units", "own_units", "buy_units", "pack",
        "packs", "value", "because",
    ]).astype({"packs": float, "value": float})


def _why(lessons: Sequence[TrainingClass], needs: ClassNeeds, taken: pd.DataFrame) -> str:
    if len(lessons) > 1:
        units = zip(taken["lesson"], taken[[*FROM.values()]].sum(axis=1))
        return "; ".join(f"{count:,} for {short_title(lessons, lesson)}" for lesson, count in units if count)
    goes, sets = int(needs.sets["goes"].sum()), int(needs.sets["sets"].sum())
    return f"{lessons[0].learners} learners, {goes:,} tries in all, {sets - goes:,} spare"


def short_title(lessons: Sequence[TrainingClass], lesson: int) -> str:
    """A class by its title, by its day where titles are long; of one course alone, a session by its number."""
    if len(courses(lessons)) == 1 and len(lessons) > 1:
        return f"session {lessons[lesson].session}"
    days = {x.day for x in lessons if x.day}
    long = max(len(x.title) for x in lessons) > 20
    return f"{lessons[lesson].day}" if long and len(days) == len(lessons) else lessons[lesson].title


def _durable_rows(
    unit: Unit, lessons: Sequence[TrainingClass], tables: Sequence[Timetable], rest: Mapping[Any, int]
) -> list[tuple[object, ...]]:
    """Durable things: classes held at one time need theirs side by side and bring what each has, others one after
    another. rest: item -> what is left of the packs bought to be used up, which serves before another pack is bought.
    """
    catalogue = {row["item"]: row for row in unit.catalogue}
    together = held_together(lessons, [t.minutes for t in tables])
    frames = [t.things.assign(lesson=i, day=together[i]) for i, t in enumerate(tables)]
    things = pd.concat(frames, ignore_index=True)
    carried = {thing for t in tables for thing in t.moves.loc[t.moves["from_station"] > 0, "thing"]}
    rows: list[tuple[object, ...]] = []
    for (name, item), group in things.groupby(["thing", "item"], sort=False):
        needed, have = (int(most) for most in group.groupby("day")[["needed", "have"]].sum().max())
        first = group.iloc[0]
        pack = int(catalogue[item]["pack"]) if first["by_pack"] else 1
        left = rest.get(item, 0) if first["by_pack"] else 0
        packs = float(max(-(-(needed - have - left) // pack), 0))
        value = 0.0 if have == needed else packs * pack * float(first["price"])
        packs = math.nan if math.isnan(value) else packs
        about = "moved between stations" if name in carried else "every station keeps its own"
        rows.append((
            item or name, name, "durable", needed, catalogue.get(item, {}).get("counted_as", "piece"), 0, have,
            needed - have, pack, packs, value,
            f"most in use at one time; {about}" + ("; no price: borrow it" if math.isnan(value) else ""),
        ))
    return rows


def held_together(lessons: Sequence[TrainingClass], minutes: Sequence[float]) -> list[int]:
    """A number a class, the same for classes of one day that overlap in time.

    Without a start a class lasts the whole day. Classes that touch are taken to overlap: nothing can be carried over
    in no time. Undated classes are held on days of their own.
    """
    numbers = [-1] * len(lessons)
    spans = []
    for index, (lesson, length) in enumerate(zip(lessons, minutes)):
        start = lesson.start_minute
        day = (1, lesson.day.toordinal()) if lesson.day else (0, index)
        spans.append((day, -math.inf if start is None else start, math.inf if start is None else start + length, index))
    number, open_day, open_until = -1, None, -math.inf
    for day, begins, ends, index in sorted(spans):
        if day != open_day or begins > open_until:
            number, open_day, open_until = number + 1, day, -math.inf
        open_until = max(open_until, ends)
        numbers[index] = number
    return numbers


def station_lists(
    unit: Unit, lessons: Sequence[TrainingClass], needs: ClassNeeds, at_stations: pd.DataFrame,
    tables: Sequence[Timetable],
) -> pd.DataFrame:
    """What stands at each station: lesson, station (from 1), kind, item, description, quantity, unit."""
    rows = sorted([*_pieces(needs), *_supplies(unit, at_stations), *_things(unit, lessons, tables)],
                  key=lambda row: row[:2])
    return pd.DataFrame(rows, columns=["lesson", "station", "kind", "item", "description", "quantity", "unit"])


def _pieces(needs: ClassNeeds) -> Iterator[tuple[Any, ...]]:
    """Pieces of tape, then of dressings: those of a practice are dealt to the stations by its sets."""
    found: Counter[tuple[Any, ...]] = Counter()
    for piece in (*needs.pieces.to_dict("records"), *needs.dressings.to_dict("records")):
        what = ("tape piece", f"tape {piece['width_mm']:g} mm", piece_text(piece)) if "shape" in piece else (
            "dressing piece", "barrier dressing", f"{piece['width_mm']:g} x {piece['length_mm']:g} mm")
        sets = rows_of(needs.sets, piece["lesson"], piece["practice"])
        dealt = largest_remainder(int(piece["count"]), sets["sets"].to_numpy(int))
        for station, quantity in zip(sets["station"], dealt.tolist()):
            found[piece["lesson"], station + 1, *what] += quantity
    return ((*key, quantity, "piece") for key, quantity in found.items())


def _supplies(unit: Unit, at_stations: pd.DataFrame) -> Iterator[tuple[Any, ...]]:
    """Items in the catalogue's order."""
    units = at_stations.groupby(["item", "lesson", "station"])["units"].sum()
    there = units.index.get_level_values("item")
    for item in unit.items[unit.items["item"].isin(there)].to_dict("records"):
        for (lesson, station), quantity in units[item["item"]].items():
            yield (lesson, station + 1, "supplies", item["item"], item["description"], int(quantity),
                   item["counted_as"])


def _things(
    unit: Unit, lessons: Sequence[TrainingClass], tables: Sequence[Timetable]
) -> Iterator[tuple[Any, ...]]:
    """Durable things, and in which rounds those that are moved about stand there."""
    called = dict(zip(unit.items["item"], unit.items["counted_as"]))
    for index, (lesson, table) in enumerate(zip(lessons, tables)):
        for thing, moved in zip(class_things(unit, lesson), table.things["shared"]):
            used = np.isin(table.practice, list(thing.practices))
            for station in np.flatnonzero(used.any(axis=0)).tolist():
                here = used[:, station]
                when = f" ({_rounds(np.flatnonzero(here) + 1)})" if moved and not here.all() else ""
                yield (index, station + 1, "durable", thing.item or thing.name, f"{thing.name}{when}",
                       thing.per_station, called.get(thing.item, "piece"))


def _rounds(numbers: np.ndarray) -> str:
    """Rounds in words: "round 2", "rounds 1 and 3"."""
    *most, last = (str(n) for n in numbers)
    return f"rounds {', '.join(most)} and {last}" if most else f"round {last}"


def piece_text(piece: Mapping[str, object]) -> str:
    """A tape piece in words: "Y, 110 mm, slit to 50 mm from the end, 8 mm tabs"."""
    half = "half-width " if float(piece["width_share"]) < 1 else ""  # type: ignore[arg-type]
    words = [f"{half}{piece['shape']}, {piece['length_mm']:g} mm"]
    if piece["shape"] == "Y":
        words.append(f"slit to {piece['uncut_mm']:g} mm from the end")
    if piece["shape"] == "H":
        words.append(f"slit from both ends to {piece['bridge_mm']:g} mm in the middle")
    if piece["tab_mm"]:
        words.append(f"{piece['tab_mm']:g} mm tabs")
    if piece["use"]:
        words.append(str(piece["use"]))
    return ", ".join(words)
