"""What leaves the stock room, step by step: each restock tops kits up with what was used from them."""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd
from typing import Any
from zlib import crc32

import numpy as np
import pandas as pd

from kitplan.demand.posterior import Posterior
from kitplan.demand.values import ItemChoice
from kitplan.parts.simulate import check_play
from kitplan.parts.simulate.future_play import Airways, play_future
from kitplan.read.values import Unit

AT_ONCE = 32
"""Replications played side by side: enough to fill arrays."""
MOST_AT_ONCE, MOST_PLAYED = 3e6, 3e7
"""Most that is played side by side, and in all, as `load` counts it: 0.6 GB, and about a minute of one core."""


@dataclass(frozen=True)
class Clock:
    """Steps of the stock room: step_checks checks each, so that reviews and receipts fall on whole steps."""

    step_checks: int
    review_steps: int
    lead_steps: int
    steps_per_day: float

    @property
    def interval_steps(self) -> int:
        """Review plus lead time in steps."""
        return self.review_steps + self.lead_steps


def stock_clock(unit: Unit) -> Clock:
    """One day a step where review and lead time are whole days, else the longest step that divides both."""
    review = max(round(unit.stock.review_days * unit.checks_per_day), 1)
    lead = round(unit.stock.protection_interval_days * unit.checks_per_day) - review
    step = gcd(gcd(review, lead), unit.checks_per_day)
    return Clock(step, review // step, lead // step, unit.checks_per_day / step)


def load(posterior: Posterior, days: int) -> float:
    """What one replication of so many days asks of the machine: its airways, and a third for each of their days."""
    return max(float(posterior.seen(days).sum(axis=1).mean() + posterior.mean_airways.sum() * days / 3), 1.0)


def play_issues(
    unit: Unit, item_choice: ItemChoice, days: int, replications: int, seed: int, name: str,
    posterior: Posterior,
) -> np.ndarray:
    """Units issued, int32, shape (steps, replications, n_items), in `days` days of independent copies of the unit.

    name: separates one set of draws from another with the same seed. posterior: what is not known, drawn first in each
    copy, which then lives new years.
    """
    parts, at_once = [], int(np.clip(MOST_AT_ONCE / load(posterior, days), 1, AT_ONCE))
    for begin in range(0, replications, at_once):
        rng = np.random.default_rng(np.random.SeedSequence([seed, crc32(name.encode()), begin]))
        copies = range(begin, min(begin + at_once, replications))
        airways = play_future(posterior, copies, replications, days, rng)
        parts.append(_issues_of(unit, item_choice, airways, days, len(copies), rng))
    return np.concatenate(parts, axis=1)


def _issues_of(
    unit: Unit, item_choice: ItemChoice, airways: Airways, days: int, replications: int, rng: np.random.Generator
) -> np.ndarray:
    clock = stock_clock(unit)
    steps = int(days * unit.checks_per_day) // clock.step_checks
    attempts = check_play.play_checks(unit, airways, rng)
    names = {str(item): i for i, item in enumerate(unit.items["item"])}
    issued = np.zeros((len(names), replications * steps), dtype=np.int32)
    issues = _Issues(unit, airways, attempts, clock, steps, issued)
    alone = item_choice.frame[item_choice.frame["share"] >= 1.0]
    for row in alone.itertuples():
        issues.use(names[str(row.item)], row)
    issues.side_by_side(item_choice.frame[item_choice.frame["share"] < 1.0], names, rng)
    issues.open_shared(rng)
    return np.ascontiguousarray(issued.reshape(len(names), replications, steps).transpose(2, 1, 0))


class _Issues:
    """Issues of the stock room: cell = replication x steps + step, of what falls into the days that are played."""

    def __init__(
        self, unit: Unit, airways: Airways, attempts: check_play.Attempts, clock: Clock, steps: int, issued: np.ndarray
    ) -> None:
        self.unit, self.issued, self.steps = unit, issued, steps
        self.replications = issued.shape[1] // max(steps, 1)
        per_day = unit.checks_per_day
        restock = max(round(unit.bedside.restock_hours * per_day / 24.0), 1)
        self.catalogue = unit.items
        self.part_used: dict[int, np.ndarray] = {}
        owner = attempts.airway
        cell = self._cell(airways.replication[owner], attempts.tick, restock, clock)
        self.events = {g: np.flatnonzero((cell >= 0) & (airways.stratum[owner] == g)) for g in range(unit.n_strata)}
        self.cell, self.count, self.before = cell, attempts.count, attempts.before
        arrives = np.floor(airways.start * per_day).astype(np.int64)
        arrival_cell = self._cell(airways.replication, arrives, 1, clock)
        self.arrivals = {g: arrival_cell[(arrival_cell >= 0) & (airways.stratum == g)] for g in range(unit.n_strata)}

    def _cell(self, replication: np.ndarray, tick: np.ndarray, restock: int, clock: Clock) -> np.ndarray:
        """Cell in which the stock room issues what was used at `tick`: at the next restock; -1 beyond the end."""
        issue = (tick // restock + 1) * restock - 1
        step = issue // clock.step_checks
        return np.where((tick >= 0) & (step < self.steps), replication * self.steps + step, -1)

    def use(self, column: int, row: Any) -> None:
        """Count the uses of one role that has one item."""
        item = self.catalogue.iloc[column]
        events = self.events[row.stratum]
        if item["scope"] == "patient" and not self._used_up(row):
            np.add.at(self.issued[column], self.arrivals[row.stratum], max(round(row.need), 1))
            return
        count, cell = self.count[events], self.cell[events]
        if item["scope"] == "event":
            taken = count * int(-(-float(row.need) // float(item["contains"])))
        elif item["scope"] == "patient":
            before = self.before[events]
            opened = self._opened(row, item, int((before + count).max(initial=0)))
            taken = opened[before + count] - opened[before]
        else:
            used = self.part_used.setdefault(column, np.zeros(self.issued.shape[1]))
            np.add.at(used, cell, count * float(row.need) / float(item["contains"]))
            return
        self._issue(column, cell, taken)

    def _issue(self, column: int, cell: np.ndarray, taken: np.ndarray) -> None:
        self.issued[column] += np.bincount(cell, weights=taken, minlength=self.issued.shape[1]).astype(np.int32)

    def _used_up(self, row: Any) -> bool:
        """Whether the stratum's recipe uses the role up; else it is held once an airway (mask, bag)."""
        stratum = self.unit.strata.loc[row.stratum]
        technique = self.unit.techniques[str(stratum["technique"])]
        roles = set(technique.uses) | (
            set(technique.uses_with_barrier) if stratum["skin"] == "barrier" else set()
        )
        return row.role in roles or (row.role == "tape" and bool(technique.pieces))

    def _opened(self, row: Any, item: pd.Series, most: int) -> np.ndarray:
        """Items opened for one patient after 0..most re-secures."""
        stratum = self.unit.strata.loc[row.stratum]
        if row.role == "tape":
            technique = self.unit.techniques[str(stratum["technique"])]
            lengths = check_play.lengths_cut_mm(technique, stratum, float(item["width_mm"]))
            return check_play.rolls_opened(lengths, float(item["length_mm"]), most)
        holds = float(item["contains"])
        if row.role == "barrier" and item["width_mm"] > 0:
            holds *= check_play.rectangles_from_sheet(
                item["width_mm"], item["length_mm"], stratum["barrier_width_mm"], stratum["barrier_length_mm"]
            )
        return -(-np.arange(most + 1) * float(row.need) // holds).astype(np.int64)

    def side_by_side(self, rows: pd.DataFrame, names: dict[str, int], rng: np.random.Generator) -> None:
        """Roles that several items serve side by side (glove sizes): each use falls to one of them by lot."""
        for _, group in rows.groupby(["stratum", "role"], sort=False):
            events = self.events[int(group["stratum"].iloc[0])]
            left, share_left = self.count[events] * int(np.ceil(float(group["need"].iloc[0]) - 1e-9)), 1.0
            for item, share in zip(group["item"], group["share"]):
                taken = rng.binomial(left, min(float(share) / max(share_left, 1e-12), 1.0))
                self._issue(names[str(item)], self.cell[events], taken)
                left, share_left = left - taken, share_left - float(share)

    def open_shared(self, rng: np.random.Generator) -> None:
        """Items shared until empty: one is taken into use whenever the one in use is empty."""
        for column, used in self.part_used.items():
            running = np.cumsum(used.reshape(self.replications, self.steps), axis=1) + rng.random(
                (self.replications, 1)
            )
            opened = np.floor(running + 1e-9)
            self.issued[column] += np.diff(opened, axis=1, prepend=0.0).astype(np.int32).ravel()


def windows(issued: np.ndarray, interval_steps: int) -> np.ndarray:
    """Units issued in back-to-back intervals, shape (n_intervals, replications, n_items)."""
    count = len(issued) // interval_steps
    return issued[:count * interval_steps].reshape(count, interval_steps, *issued.shape[1:]).sum(axis=1)
