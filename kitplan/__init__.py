"""kitplan: tube-securement supplies, planned from a census of airways.

The public face. Everything is loaded when it is first used, so that `import kitplan` is instant.

>>> import kitplan
>>> unit = kitplan.load_unit(kitplan.sample_units()["mill_lane"])
>>> plan = kitplan.plan(unit, parts=["par"])
>>> list(plan.par.levels.columns[:4])
['item', 'description', 'role', 'par_packs']
>>> plan.readiness.target
0.97
>>> plan.readiness.low <= plan.readiness.verified <= plan.readiness.high
True
>>> plan.audit
Traceback (most recent call last):
...
kitplan.parts.results.NotPlanned: the part 'audit' is not in this plan
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from kitplan.parts.hospital.command import plan_folder as plan_folder
    from kitplan.parts.par.explanation import explain as explain
    from kitplan.parts.results import NotPlanned as NotPlanned
    from kitplan.planning import Plan as Plan
    from kitplan.planning import plan_unit as plan
    from kitplan.read.problems import InputError as InputError
    from kitplan.read.problems import UnsafePlan as UnsafePlan
    from kitplan.read.unit import load_unit as load_unit
    from kitplan.read.values import Unit as Unit
    from kitplan.resources import sample_units as sample_units
    from kitplan.saved.folder import open_plan as open_plan

__version__ = "0.1.0"

_WHERE = {
    "load_unit": "read.unit:load_unit", "plan": "planning:plan_unit", "open_plan": "saved.folder:open_plan",
    "explain": "parts.par.explanation:explain", "sample_units": "resources:sample_units", "Unit": "read.values:Unit",
    "Plan": "planning:Plan", "InputError": "read.problems:InputError", "UnsafePlan": "read.problems:UnsafePlan",
    "NotPlanned": "parts.results:NotPlanned", "plan_folder": "parts.hospital.command:plan_folder",
}

__all__ = [
    "InputError", "NotPlanned", "Plan", "Unit", "UnsafePlan", "__version__", "explain", "load_unit", "open_plan",
    "plan", "plan_folder", "sample_units",
]

if not TYPE_CHECKING:

    def __getattr__(name):
        if name not in _WHERE:
            raise AttributeError(f"module 'kitplan' has no attribute {name!r}")
        module, _, attribute = _WHERE[name].partition(":")
        return getattr(import_module(f"kitplan.{module}"), attribute)

    def __dir__():
        return __all__
