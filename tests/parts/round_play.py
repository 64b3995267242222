"""A stock room that really exists, as far as a test can: shelves, kits and bedsides with every single item known.

It is played day by day beside the order book. Nothing of the book's own arithmetic is used here: what the book says
is compared with what is truly there.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np

FIRST_DAY = date(2026, 1, 5)


@dataclass
class Shelf:
    """Lots of one item, [units, expires, lot], first expired first."""

    lots: list = field(default_factory=list)

    @property
    def units(self):
        return sum(x[0] for x in self.lots)

    def add(self, units, expires=None, lot=""):
        if units:
            self.lots.append([units, expires, lot])
            self.lots.sort(key=lambda x: (x[1] or date.max, x[2]))

    def take(self, units, until=date.min):
        """Up to `units`, first expired first: [(units, expires, lot)]; what lasts past `until` before what does not,
        and what has no date last.
        """
        taken = []
        for entry in sorted(self.lots, key=lambda x: 2 if x[1] is None else int(x[1] <= until)):
            part = min(units, entry[0])
            taken += [(part, *entry[1:])] if part else []
            entry[0] -= part
            units -= part
        self.lots = [x for x in self.lots if x[0]]
        return taken

    def past(self, day):
        """Take out what is out of date."""
        gone = [x for x in self.lots if x[1] is not None and x[1] < day]
        self.lots = [x for x in self.lots if x not in gone]
        return gone


@dataclass
class Truth:
    """Where every single item went. received, used, thrown, taken: item -> units since the beginning."""

    shelves: dict
    kits: dict = field(default_factory=dict)
    first: dict = field(default_factory=dict)
    received: dict = field(default_factory=dict)
    used: dict = field(default_factory=dict)
    thrown: dict = field(default_factory=dict)

    def note(self, where, item, units):
        book = getattr(self, where)
        book[item] = book.get(item, 0) + units

    def in_kits(self, item):
        return sum(u for kit in self.kits.values() for name, u in kit["content"] if name == item)

    def balances(self, item):
        """Nothing lost and nothing invented in the play itself."""
        came = self.first.get(item, 0) + self.received.get(item, 0)
        went = self.used.get(item, 0) + self.thrown.get(item, 0)
        return came == self.shelves[item].units + self.in_kits(item) + went


def day_of(number):
    return FIRST_DAY + timedelta(days=int(number))


def in_packs(units, pack):
    return divmod(int(units), int(pack))


def random_use(rng, mean):
    return int(rng.poisson(mean))


def generator(seed):
    return np.random.default_rng(seed)
