"""The educator's class."""

from kitplan.parts import Part

PART = Part(
    "training", "The class: supplies, rounds and cut plans", "kitplan.parts.training.model:TrainingPlan",
    "kitplan.parts.training.model:planned_classes", lacks=lambda unit: None if unit.classes else "no class.toml",
    warns=lambda training: training.warnings,
)
