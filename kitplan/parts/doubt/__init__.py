"""What is not known about a unit, what that costs, and how plans of its own past would have held."""

from kitplan.parts import Part

PART = Part(
    "doubt", "What is not known, and what it costs", "kitplan.parts.doubt.model:Doubts",
    "kitplan.parts.doubt.model:look_at_doubt", needs=("par",), alone=True,
)
