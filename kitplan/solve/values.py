"""What a solve hands on."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class SolverReport:
    """What a solve ended with. bound: proven bound on the objective (LP relaxation or branch and bound).

    status: "optimal", "feasible" (stopped at a limit with a solution), "infeasible", "unbounded" or "failed".
    gap: (objective - bound) / |objective|, 0 when the objective is 0; of the bound where readiness is maximised, which
    may be near 0. seconds: how long it took; not kept with a saved plan, for it is never the same twice.
    """

    name: str
    status: str
    objective: float
    lp_bound: float
    bound: float
    gap: float
    seconds: float = field(default=0.0, metadata={"kept": False})
