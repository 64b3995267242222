"""Months ahead, and why past months cost what they did."""

from kitplan.parts import Part

PART = Part(
    "forecast", "Months ahead, and why past months cost what they did", "kitplan.parts.forecast.model:ManagerView",
    "kitplan.parts.forecast.model:look_ahead", alone=True,
)
