"""The weekly round: receive, count, questions, order, build kits, and the book that remembers it."""

from kitplan.parts import Part

PART = Part(
    "order", "Levels for the round, and the order of the last count", "kitplan.parts.orders.model:WeeklyRound",
    "kitplan.parts.orders.model:planned_round", needs=("par", "kits"),
    warns=lambda weekly: weekly.back_order.unfilled if weekly.back_order else (),
)
