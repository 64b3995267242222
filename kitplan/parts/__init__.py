"""One folder a part: its mathematics, its sheets, its prints, its command, and PART, what it declares of itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from kitplan.parts.work import Work
    from kitplan.read.values import Unit

RUNNING = ("par", "kits", "audit", "orders", "seasons", "rates", "training", "doubt", "forecast", "simulate", "compare")
"""Folders that declare a part, in the order in which a plan runs them; last what may be made beside the others."""


@dataclass(frozen=True)
class Part:
    """What a part declares of itself; a plan runs it by nothing else.

    name: as the user types it and its files are named. title: what is being done, for the line of progress.
    result: where the type of its result stands, "module:Class". run: "module:function" that makes it of a Work; "" for
    a part that only its own command makes. needs: parts whose results it reads, made first where the unit's files allow
    them. lacks: why it cannot run on a unit, or None. empty: what a run that gives None means. warns: sentences of the
    result that belong among the plan's warnings. alone: its run looks at no other result, so that it may be made
    beside the others.
    """

    name: str
    title: str
    result: str
    run: str = ""
    needs: tuple[str, ...] = ()
    lacks: Callable[[Unit], str | None] = lambda _: None
    empty: str = ""
    warns: Callable[[Any], Iterable[str]] = lambda _: ()
    alone: bool = False

    def result_type(self) -> type:
        found: type = _named(self.result)
        return found

    def make(self, work: Work) -> object:
        """The result for a unit; None for a part that then means `empty`."""
        return _named(self.run)(work)


def _named(place: str) -> Any:
    """What "module:name" names."""
    module, _, name = place.partition(":")
    return getattr(import_module(module), name)


@cache
def declared() -> dict[str, Part]:
    """Every part by its name, in the order in which a plan runs them."""
    parts: list[Part] = [import_module(f"kitplan.parts.{folder}").PART for folder in RUNNING]
    return {part.name: part for part in parts}
