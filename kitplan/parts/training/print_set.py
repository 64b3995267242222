"""Which classes a print is for: a class, or the sessions of a course; pages that are alike are printed once."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan
    from kitplan.read.class_values import TrainingClass

C = TypeVar("C", bound=Hashable)
BLANK = "____________________"


@dataclass(frozen=True)
class PrintSet:
    """The classes of one set of prints. lessons: indexes, one, or those of a course's sessions. foot: unit and plan."""

    training: TrainingPlan
    lessons: tuple[int, ...]
    paper: str
    foot: str

    @property
    def title(self) -> str:
        """Title of the class or the course."""
        return self.first.course or self.first.title

    @property
    def first(self) -> TrainingClass:
        """The class, or the first session."""
        return self.training.lessons[self.lessons[0]]

    def of(self, lessons: Sequence[int]) -> list[TrainingClass]:
        """The classes of these indexes."""
        return [self.training.lessons[i] for i in lessons]

    def alike(self, lessons: Sequence[int], content: Callable[[int], C | None]) -> list[tuple[tuple[int, ...], C]]:
        """Each content that differs, with the classes that share it; None: the class has none."""
        found: dict[C, list[int]] = {}
        for lesson in lessons:
            if (mine := content(lesson)) is not None:
                found.setdefault(mine, []).append(lesson)
        return [(tuple(shared), mine) for mine, shared in found.items()]

    def days(self, lessons: Sequence[int]) -> str:
        """Short, for every page: "18, 19 and 20 Nov 2026", or a line to write the date on."""
        known = sorted({c.day for c in self.of(lessons) if c.day is not None})
        if not known:
            return f"Date {BLANK[:14]}"
        ends = known if len(known) <= 4 else [known[0], known[-1]]
        said = [str(day.day) + f" {day:%b}" * ((day.year, day.month) != (later.year, later.month))
                + f" {day.year}" * (day.year != later.year) for day, later in zip(ends, [*ends[1:], date.max])]
        if len(known) > 4:
            return f"{len(known)} days, {' to '.join(said)}"
        return ", ".join(said[:-1]) + " and " * (len(said) > 1) + said[-1]

    def meetings(self, lessons: Sequence[int]) -> list[str]:
        """A line for each class: "Session 2: Wed 19 November 2026, 13:00, Room 4, trainer", or lines to write on."""
        lines = []
        for course in self.of(lessons):
            number = f"Session {course.session}: " if len(self.lessons) > 1 else ""
            when = course.when_and_where or f"Date and place {BLANK}"
            lines.append(f"{number}{when}. Trainer: {course.trainer or BLANK}")
        return lines
