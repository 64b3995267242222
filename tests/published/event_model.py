"""The small unit once more, written for a general event-simulation library (SimPy) and sharing nothing with
kitplan.

One process an airway, one for the store; plain Python numbers. Read beside tests/conftest.py, whose unit it
is.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

import simpy

CHECKS_A_DAY = 4
SCALE_HOURS, SHAPE, STEADY_A_DAY, SPREAD, REDO = 70.0, 1.5, 0.12 + 0.03 + 0.05, 0.4, 0.06
MEAN_STAY, LOG_SD = 6.0, 1.0
MEANS = (4, 2, 3)
TAPE_LENGTHS = (160, 160, 190)
ROLL = 1372
REVIEW, LEAD = 7, 2


@dataclass
class Store:
    """Stock on the shelf (negative: waiting), what is on its way, and the worst seen in each interval."""

    par: dict[str, int]
    pack: dict[str, int]
    shelf: dict[str, int] = field(default_factory=dict)
    coming: dict[str, int] = field(default_factory=dict)
    used: dict[str, int] = field(default_factory=dict)
    short: bool = False
    ready: list[bool] = field(default_factory=list)
    attempts: int = 0
    airway_checks: int = 0

    def __post_init__(self) -> None:
        self.shelf, self.coming = dict(self.par), dict.fromkeys(self.par, 0)
        self.used = dict.fromkeys(self.par, 0)

    def take(self, item: str, units: int) -> None:
        if units:
            self.shelf[item] -= units
            self.used[item] += units
            self.short |= self.shelf[item] < 0


class Tape:
    """One patient's roll: pieces are cut until one no longer fits."""

    def __init__(self, piece: int) -> None:
        self.piece, self.end = piece, 0

    def cut(self, pieces: int) -> int:
        opened = 0
        for _ in range(pieces):
            if self.end < self.piece:
                self.end, opened = ROLL, opened + 1
            self.end -= self.piece
        return opened


def secure(store: Store, chance: random.Random, stratum: int, tape: Tape, dressing: list[int]) -> None:
    while True:
        store.attempts += 1
        store.take("tape-25-short", tape.cut(3))
        store.take("saline-5", 1)
        store.take("wipe-prep", 2)
        for _ in range(2):
            store.take(chance.choice(["gloves-small", "gloves-medium"]), 1)
        if stratum == 1:
            dressing[0] += 2
            while dressing[0] > 0:
                store.take("dressing-10", 1)
                dressing[0] -= 8
        if chance.random() >= REDO:
            return


def airway(env: simpy.Environment, store: Store, chance: random.Random, stratum: int):
    leaves = env.now + chance.lognormvariate(math.log(MEAN_STAY) - LOG_SD**2 / 2, LOG_SD)
    prone = chance.gammavariate(1 / SPREAD**2, SPREAD**2)
    tape, dressing, worn = Tape(TAPE_LENGTHS[stratum]), [0], 0
    store.take("mask-60" if stratum == 2 else "mask-42", 1)
    store.take("bag-450", 1)
    secure(store, chance, stratum, tape, dressing)
    while True:
        following = (math.floor(env.now * CHECKS_A_DAY + 1e-9) + 1) / CHECKS_A_DAY
        if following > leaves:
            return
        yield env.timeout(following - env.now)
        store.airway_checks += 1
        worn += 1
        hours = 24 / CHECKS_A_DAY
        strain = (worn * hours / SCALE_HOURS) ** SHAPE - ((worn - 1) * hours / SCALE_HOURS) ** SHAPE
        strain += STEADY_A_DAY / CHECKS_A_DAY
        if chance.random() < 1 - math.exp(-prone * strain):
            secure(store, chance, stratum, tape, dressing)
            worn = 0


def arrivals(env: simpy.Environment, store: Store, chance: random.Random, stratum: int):
    while True:
        yield env.timeout(chance.expovariate(MEANS[stratum] / MEAN_STAY))
        env.process(airway(env, store, chance, stratum))


def deliver(env: simpy.Environment, store: Store, order: dict[str, int]):
    yield env.timeout(LEAD)
    for item, units in order.items():
        store.shelf[item] += units
        store.coming[item] -= units


def review(env: simpy.Environment, store: Store):
    while True:
        order = {}
        for item, par in store.par.items():
            lacks = par - store.shelf[item] - store.coming[item]
            order[item] = max(math.ceil(lacks / store.pack[item]), 0) * store.pack[item]
            store.coming[item] += order[item]
        env.process(deliver(env, store, order))
        yield env.timeout(LEAD + 1e-6)
        store.ready.append(not store.short)
        store.short = any(v < 0 for v in store.shelf.values())
        yield env.timeout(REVIEW - LEAD - 1e-6)


def run(par: dict[str, int], pack: dict[str, int], years: float, seed: int, warm_weeks: int = 20) -> Store:
    """Play the unit and its store; the first warm_weeks are played and not counted."""
    chance, env = random.Random(seed), simpy.Environment()
    store = Store(par, pack)
    for stratum in range(3):
        env.process(arrivals(env, store, chance, stratum))
    env.process(review(env, store))
    env.run(until=warm_weeks * 7 + 3)
    store.ready.clear()
    store.used = dict.fromkeys(par, 0)
    store.attempts = store.airway_checks = 0
    env.run(until=warm_weeks * 7 + 3 + years * 364)
    return store
