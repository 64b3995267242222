"""The educator's class."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kitplan.parts import Part

if TYPE_CHECKING:
    from kitplan.parts.training.model import TrainingPlan
    from kitplan.parts.work import Work
    from kitplan.read.values import Unit


def _run(work: Work) -> TrainingPlan:
    from kitplan.parts.training.model import plan_training

    return plan_training(work.unit, work.unit.classes, work.unit.class_checksums, work.item_choice)


def _lacks(unit: Unit) -> str | None:
    return None if unit.classes else "no class.toml"


PART = Part(
    "training", "The class: supplies, rounds and cut plans", "kitplan.parts.training.model:TrainingPlan", _run,
    lacks=_lacks, warns=lambda training: training.warnings, alone=True,
)
