"""Bedside kits: contents, designs, builds."""

from kitplan.parts import Part

PART = Part("kits", "Bedside kits: contents, builds, rolls", "kitplan.parts.kits.model:KitPlan",
            "kitplan.parts.kits.model:solve_kits")
