"""Today's par levels on trial."""

from kitplan.parts import Part

PART = Part(
    "audit", "Audit of today's par levels", "kitplan.parts.audit.model:Audit", "kitplan.parts.audit.model:audit_today",
    needs=("par",),
    lacks=lambda unit: None if unit.present_par is not None else "no present_par.csv, and no sheet present_par",
)
