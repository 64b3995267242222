"""What is not known about a unit, what that costs, and how plans of its own past would have held."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.parts.doubt.model import Doubts
    from kitplan.parts.work import Work


def _run(work: Work) -> Doubts:
    from kitplan.parts.doubt.model import look_at_doubt

    return look_at_doubt(work.unit, work.item_choice, work.tables, work.seed)


PART = Part(
    "doubt", "What is not known, and what it costs", "kitplan.parts.doubt.model:Doubts", _run, needs=("par",),
    alone=True,
)
