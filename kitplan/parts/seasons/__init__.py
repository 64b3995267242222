"""Par levels by month, where the census shows a season."""

from importlib import import_module

from kitplan.parts import Part

PART = Part(
    "seasons", "Par levels by month", "kitplan.parts.seasons.model:Seasons", "kitplan.parts.seasons.model:plan_seasons",
    needs=("par",), lacks=lambda unit: import_module("kitplan.parts.seasons.model").no_season(unit),
    empty="too few windows of some month in the census, or limits that keep par levels from their target all year",
)
