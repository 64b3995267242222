"""Who practises what, when and where in a class, and how many durable things that takes.

With stations doing different practices at one time (rotation "staggered"), a thing that only one practice needs
moves from station to station at each change, so fewer are needed; with rotation "together", or with no minutes to
change, every station needs its own.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.demand.whole import whole_down, whole_up
from kitplan.read.class_values import Durable, Practice, TrainingClass

_MOST_ORDERED = 7
"""Practices whose orders are all tried, 720 of them."""


@dataclass(frozen=True)
class Thing:
    """A durable thing of one kind, with the practices of the class that need it.

    price: money for one, NaN when unknown. by_pack: the price is the catalogue's, so whole packs are bought.
    """

    name: str
    item: str
    per_station: int
    shared: bool
    have: int
    price: float
    by_pack: bool
    practices: frozenset[int]


@dataclass(frozen=True)
class Timetable:
    """practice: int ndarray, shape (n_rounds, n_stations), which practice each station does in each round.

    rounds: frame round, starts_after_minutes, minutes. things: frame thing, item, needed, have, shared, price, by_pack.
    moves: frame before_round, thing, count, from_station, to_station (stations from 1; 0 is the store).
    """

    practice: np.ndarray
    rounds: pd.DataFrame
    things: pd.DataFrame
    moves: pd.DataFrame

    @property
    def minutes(self) -> float:
        """Minutes from the first round to the end of the last."""
        last = self.rounds.iloc[-1]
        return float(last["starts_after_minutes"] + last["minutes"])


def sets_at_stations(lesson: TrainingClass, practice: Practice) -> tuple[np.ndarray, np.ndarray]:
    """Goes of learners and sets of supplies (goes and spare) at each station, two int ndarrays, shape (n_stations,).

    The spare share is taken of the whole class, rounded up, and dealt to stations by their learners (largest
    remainder), so that no station has fewer sets than goes.
    """
    learners = np.array([lesson.learners_at(s) for s in range(lesson.stations)])
    goes = learners * practice.goes_per_learner
    sets = int(whole_up(goes.sum() * (1.0 + lesson.spare_share)))
    return goes, largest_remainder(sets, learners)


def largest_remainder(total: int, weights: np.ndarray) -> np.ndarray:
    """Deal `total` whole things in proportion to weights: whole parts first, then the largest remainders."""
    quota = total * weights / weights.sum()
    dealt = whole_down(quota)
    order = np.argsort(-(quota - dealt), kind="stable")
    dealt[order[: total - int(dealt.sum())]] += 1
    return dealt


def plan_timetable(lesson: TrainingClass, things: Sequence[Thing]) -> Timetable:
    """Rounds in which every station does every practice once, in the order that needs the fewest things.

    Staggered: station s does practice (r + s) mod P in round r. Orders of practices are compared by the money (or,
    without prices, the number) of things that they need at one time; all orders up to 7 practices, else as given.
    """
    count = len(lesson.practices)
    orders = [tuple(range(count))]
    if lesson.rotation == "staggered" and count <= _MOST_ORDERED:
        orders = [(0, *rest) for rest in itertools.permutations(range(1, count))]
    grids = (_grid(lesson, order) for order in orders)
    grid = min(grids, key=lambda g: _cost(lesson, things, g))
    rounds = _rounds(lesson, grid)
    needed = [_needed(lesson, thing, grid) for thing in things]
    frame = pd.DataFrame({
        "thing": [t.name for t in things], "item": [t.item for t in things], "needed": needed,
        "have": [min(t.have, n) for t, n in zip(things, needed)],
        "shared": [_moves_about(lesson, t) for t in things], "price": [t.price for t in things],
        "by_pack": [t.by_pack for t in things],
    })
    return Timetable(grid, rounds, frame, _moves(lesson, things, grid))


def _grid(lesson: TrainingClass, order: Sequence[int]) -> np.ndarray:
    count = len(order)
    rounds, stations = np.arange(count)[:, None], np.arange(lesson.stations)[None, :]
    shift = stations if lesson.rotation == "staggered" else 0 * stations
    return np.array(order)[(rounds + shift) % count]


def _moves_about(lesson: TrainingClass, thing: Thing) -> bool:
    return thing.shared and lesson.rotation == "staggered" and lesson.change_minutes > 0 and lesson.stations > 1


def _needed(lesson: TrainingClass, thing: Thing, grid: np.ndarray) -> int:
    """Most that stand in use at one time where it may move, else one lot for every station that ever needs it."""
    used = np.isin(grid, list(thing.practices)) * thing.per_station
    return int(used.sum(axis=1).max() if _moves_about(lesson, thing) else used.max(axis=0).sum())


def _cost(lesson: TrainingClass, things: Sequence[Thing], grid: np.ndarray) -> tuple[float, int]:
    short = [max(_needed(lesson, thing, grid) - thing.have, 0) for thing in things]
    money = sum(n * (0.0 if math.isnan(t.price) else t.price) for n, t in zip(short, things))
    return money, sum(short)


def _rounds(lesson: TrainingClass, grid: np.ndarray) -> pd.DataFrame:
    """A round lasts as long as its slowest station; places at a station work side by side."""
    starts, rows = 0.0, []
    for number, practices in enumerate(grid, 1):
        minutes = max(
            math.ceil(lesson.learners_at(s) * lesson.practices[p].goes_per_learner / lesson.places_per_station)
            * lesson.minutes_per_attempt
            for s, p in enumerate(practices)
        )
        rows.append((number, starts, minutes))
        starts += minutes + lesson.change_minutes
    return pd.DataFrame(rows, columns=["round", "starts_after_minutes", "minutes"])


def _moves(lesson: TrainingClass, things: Sequence[Thing], grid: np.ndarray) -> pd.DataFrame:
    """What is carried where before each round: a station's lot stays where it is unless another needs it."""
    rows: list[tuple[int, str, int, int, int]] = []
    for thing in things:
        need = np.isin(grid, list(thing.practices))
        if not _moves_about(lesson, thing):
            rows += [(1, thing.name, thing.per_station, 0, int(s) + 1) for s in np.flatnonzero(need.any(axis=0))]
            continue
        at, store = np.zeros(lesson.stations, dtype=bool), int(need.sum(axis=1).max())
        for number, wanted in enumerate(need, 1):
            for station in np.flatnonzero(wanted & ~at):
                source = 0 if store else int(np.flatnonzero(at & ~wanted)[0]) + 1
                rows.append((number, thing.name, thing.per_station, source, int(station) + 1))
                at[station] = True
                if source:
                    at[source - 1] = False
                else:
                    store -= 1
    columns = ["before_round", "thing", "count", "from_station", "to_station"]
    return pd.DataFrame(rows, columns=columns).sort_values(
        ["before_round", "to_station"], kind="stable", ignore_index=True
    )


def things_of(
    lesson: TrainingClass, durable: Durable, item_for: Sequence[str], catalogue: Mapping[str, tuple[str, float]]
) -> list[Thing]:
    """Split a durable thing by the item that serves each practice; a free name stays one thing.

    item_for: one a practice of the class ("" where no item serves it). catalogue: item -> (description, price of one).
    """
    wanted: dict[str, list[int]] = {}
    for index, (practice, item) in enumerate(zip(lesson.practices, item_for)):
        if durable.serves(practice) and (item or not durable.role):
            wanted.setdefault(item, []).append(index)
    found = []
    for item, practices in wanted.items():
        description, listed = catalogue.get(item, (durable.name, math.nan))
        given = not math.isnan(durable.price)
        have = durable.have if len(wanted) == 1 else 0
        found.append(Thing(
            description if durable.role else durable.name, item, durable.per_station, durable.shared,
            have + lesson.have.get(item, 0), durable.price if given else listed, bool(item) and not given,
            frozenset(practices),
        ))
    return found
