"""Proof by play: years of the stock room, day by day."""

from kitplan.parts import Part

PART = Part(
    "simulate", "Years of the stock room, day by day", "kitplan.parts.simulate.model:SimulationResult", needs=("par",),
)
