"""The values of an educator's class: what is practised, where, and what is there already. Built by classes.py."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import pandas as pd


@dataclass(frozen=True)
class Practice:
    """One thing every learner practises: a technique on a manikin of one tube size.

    size_text: with its unit ("3.5 mm"). times: how often in the class. attempts: goes each time; every go uses a fresh
    set of supplies. size: a row like one of Unit.strata (route, size and its columns, technique, skin, outer_mm, spans,
    barrier piece).
    """

    technique: str
    route: str
    size_text: str
    skin: str
    times: int
    attempts: int
    size: pd.Series = field(repr=False, compare=False)

    @property
    def goes_per_learner(self) -> int:
        return self.times * self.attempts


@dataclass(frozen=True)
class Durable:
    """A thing that is not used up.

    name: what to call it; for a role the item is chosen from the catalogue, sized to each practice.
    per_station: how many stand at one station while it is needed. shared: may move between stations.
    have: how many there are already. price: money for one (NaN: from the catalogue, else unknown).
    fits_from_mm, fits_to_mm: tube sizes it serves, NaN for any. techniques: which it serves, () for all.
    """

    name: str
    item: str
    role: str
    per_station: int
    shared: bool
    have: int
    price: float
    fits_from_mm: float
    fits_to_mm: float
    techniques: tuple[str, ...] = ()

    def serves(self, practice: Practice) -> bool:
        """True when this practice needs it."""
        small = practice.size["tube_mm"] < self.fits_from_mm - 1e-9
        large = practice.size["tube_mm"] > self.fits_to_mm + 1e-9
        return not small and not large and (not self.techniques or practice.technique in self.techniques)


AT_ONCE = "all at once"
BEFORE_EACH = "before each session"
"""When the tape and the dressings of a course are cut."""


@dataclass(frozen=True)
class TrainingClass:
    """One class, or one session of a course, checked. have, expired: catalogue item -> single items; the sessions of
    a course share them. start_minute: minutes after midnight.

    course: title of the whole. session: 1, 2, ... in a course, 0 for a class that stands alone. cut: BEFORE_EACH or
    AT_ONCE. loose: roles that may be practised with an item that is not sterile.
    rotation: "staggered" (stations do different practices at one time, so things can be shared) or "together".
    bedside_items: practise with the items that the bedside kits hold. sizes_worn: of items that come in shares (glove
    sizes) those that the people of this class wear; none named: all, by their shares.
    places_per_station: how many learners (or pairs) practise at one station at one time.
    """

    file: str
    title: str
    day: date | None
    start_minute: int | None
    learners: int
    stations: int
    pairs: bool
    spare_share: float
    minutes_per_attempt: float
    change_minutes: float
    places_per_station: int
    rotation: str
    cutters: int
    practices: tuple[Practice, ...]
    durables: tuple[Durable, ...]
    have: Mapping[str, int]
    expired: Mapping[str, int]
    bedside_items: bool = True
    sizes_worn: tuple[str, ...] = ()
    loose: tuple[str, ...] = ()
    course: str = ""
    session: int = 0
    place: str = ""
    trainer: str = ""
    cut: str = BEFORE_EACH

    @property
    def when_and_where(self) -> str:
        """Day, time and place as far as they are known: "Tue 9 March 2027, 13:00, Room 4"."""
        day = "" if self.day is None else f"{self.day:%a} {self.day.day} {self.day:%B %Y}"
        return ", ".join(part for part in (day, self.clock(0) if self.start_minute is not None else "", self.place)
                         if part)

    def clock(self, after_minutes: float) -> str:
        """A time of day where the class has a start, else minutes after it ("+35 min")."""
        if self.start_minute is None:
            return f"+{after_minutes:.0f} min"
        minute = self.start_minute + round(after_minutes)
        return f"{minute // 60 % 24:02d}:{minute % 60:02d}"

    def learners_at(self, station: int) -> int:
        """Learners at station 0, 1, ...: as even as it goes, the first stations take one more."""
        return self.learners // self.stations + (station < self.learners % self.stations)


def courses(lessons: Sequence[TrainingClass]) -> list[list[int]]:
    """Indexes of the sessions of each course, in order; a class that stands alone is a course of its own."""
    found: dict[tuple[str, int], list[int]] = {}
    for index, lesson in enumerate(lessons):
        found.setdefault((lesson.file, -1) if lesson.session else ("", index), []).append(index)
    return list(found.values())
