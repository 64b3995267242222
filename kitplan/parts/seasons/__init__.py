"""Par levels by month, where the census shows a season."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.read.values import Unit


def _lacks(unit: Unit) -> str | None:
    from kitplan.parts.seasons.model import no_season

    return no_season(unit)


PART = Part(
    "seasons", "Par levels by month", "kitplan.parts.seasons.model:Seasons", "kitplan.parts.seasons.model:plan_seasons",
    needs=("par",), lacks=_lacks,
    empty="too few windows of some month in the census, or limits that keep par levels from their target all year",
)
