"""Any unit, written for a general event-simulation library (SimPy) in plain numbers; it knows nothing of kitplan.

One process an airway, one a kind's arrivals. A kind is told by its rates, and by what each item is needed for.
"""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import dataclass, field

import simpy


@dataclass(frozen=True)
class Need:
    """What one kind of airway takes of one item.

    how: "each" (so many whole items an attempt), "once" (so many an airway), "cut" (pieces of these lengths from an
    item so long, of one patient), "poured" (so much of an item that holds so much, of one patient), "shared" (so much
    of one that whole unit uses up), "either" (so many uses an attempt, each of one of the items by their shares).
    """

    item: str
    how: str
    amount: float = 0.0
    holds: float = 1.0
    lengths: tuple[float, ...] = ()
    others: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Kind:
    """One kind of airway. Rates a day; strain gathers between checks as a power of the hours worn, and steadily.

    hazard: a factor on all strain.
    """

    arrivals: float
    mean_stay: float
    log_sd: float
    checks: int
    scale_hours: float
    shape: float
    steady: float
    flat: float
    hazard: float
    spread: float
    planned_hours: float
    redo: float
    at_admission: int
    needs: tuple[Need, ...]


@dataclass
class Shelf:
    """What has left the shelf, and what of shared items is open."""

    left: Counter[str] = field(default_factory=Counter)
    opened: dict[str, float] = field(default_factory=dict)


class Patient:
    """What one patient has open: an end of tape, a part-used sheet."""

    def __init__(self) -> None:
        self.end: dict[str, float] = {}

    def take(self, need: Need, shelf: Shelf, chance: random.Random) -> None:
        """What one attempt takes of one item."""
        match need.how:
            case "each":
                shelf.left[need.item] += int(need.amount)
            case "either":
                names, shares = zip(*need.others)
                shelf.left.update(chance.choices(names, shares, k=int(need.amount)))
            case "shared":
                inside = shelf.opened.get(need.item, 0.0) - need.amount / need.holds
                fresh = max(math.ceil(-inside - 1e-9), 0)
                shelf.left[need.item] += fresh
                shelf.opened[need.item] = inside + fresh
            case "poured":
                inside = self.end.get(need.item, 0.0) - need.amount
                fresh = max(math.ceil(-inside / need.holds - 1e-9), 0)
                shelf.left[need.item] += fresh
                self.end[need.item] = inside + fresh * need.holds
            case "cut":
                shelf.left[need.item] += self.cut(need)

    def cut(self, need: Need) -> int:
        """Cut the pieces of one attempt from what is open, the oldest end that is long enough first; rolls opened."""
        ends = [self.end.get(need.item, 0.0)]
        for length in need.lengths:
            at = next((k for k, end in enumerate(ends) if end + 1e-6 >= length), None)
            if at is None:
                ends.append(need.holds)
                at = len(ends) - 1
            ends[at] -= length
        self.end[need.item] = ends[-1]
        return len(ends) - 1


def secure(kind: Kind, patient: Patient, shelf: Shelf, chance: random.Random) -> None:
    """One securement, tried again as often as it is spoiled."""
    while True:
        for need in kind.needs:
            patient.take(need, shelf, chance)
        if chance.random() >= kind.redo:
            return


def airway(env: simpy.Environment, kind: Kind, shelf: Shelf, chance: random.Random):
    mean_log = math.log(kind.mean_stay) - kind.log_sd**2 / 2
    leaves = env.now + chance.lognormvariate(mean_log, kind.log_sd)
    prone = kind.hazard * (chance.gammavariate(1 / kind.spread**2, kind.spread**2) if kind.spread else 1.0)
    patient, worn, hours = Patient(), 0, 24 / kind.checks
    for need in kind.needs:
        if need.how == "once":
            shelf.left[need.item] += int(need.amount)
    for _ in range(kind.at_admission):
        secure(kind, patient, shelf, chance)
    while True:
        following = (math.floor(env.now * kind.checks + 1e-9) + 1) / kind.checks
        if following > leaves:
            return
        yield env.timeout(following - env.now)
        worn += 1
        strain = (worn * hours / kind.scale_hours) ** kind.shape - ((worn - 1) * hours / kind.scale_hours) ** kind.shape
        found = kind.flat if kind.flat >= 0 else 1 - math.exp(-prone * (strain + kind.steady / kind.checks))
        if chance.random() < found or (kind.planned_hours and worn * hours >= kind.planned_hours - 1e-9):
            secure(kind, patient, shelf, chance)
            worn = 0


def arrivals(env: simpy.Environment, kind: Kind, shelf: Shelf, chance: random.Random):
    while True:
        yield env.timeout(chance.expovariate(kind.arrivals))
        env.process(airway(env, kind, shelf, chance))


def used_a_day(kinds: list[Kind], days: float, warm: float, runs: int, seed: int) -> list[dict[str, float]]:
    """Items that leave the shelf a day, run by run; the first `warm` days are played and not counted."""
    found = []
    for run in range(runs):
        chance, env, shelf = random.Random(f"{seed} {run}"), simpy.Environment(), Shelf()
        for kind in kinds:
            if kind.arrivals:
                env.process(arrivals(env, kind, shelf, chance))
        env.run(until=warm)
        shelf.left.clear()
        env.run(until=warm + days)
        found.append({item: count / days for item, count in shelf.left.items()})
    return found
