"""Two units side by side."""

from kitplan.parts import Part

PART = Part(
    "compare", "Two units side by side", "kitplan.parts.compare.model:Comparison", needs=("par", "kits", "forecast"),
)
