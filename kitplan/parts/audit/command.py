"""Where today's par levels stand, and the cheapest way from there to the target."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.cluster import cluster_option, is_folder_of_units
from kitplan.commands.common import Progress, out_folder, run_safely, tell_written, unit_options
from kitplan.commands.plan_in_use import PlanInUse, plan_in_use, plan_option
from kitplan.read.problems import InputError, Problem

if TYPE_CHECKING:
    from kitplan.planning import Plan


@click.command("audit")
@unit_options
@plan_option
@cluster_option
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, which: str | None, cluster: str | None) -> None:
    """Audit the par levels that UNIT holds today (present_par.csv, or a sheet present_par), against its plan.

    Says how ready they are, which items are most often the one missing and what stands idle, and lists changes in
    order, best bargain first: stop after any of them. Writes audit.xlsx, tables/audit.csv and audit.json.
    Exit code 1, nothing written: a limit is below what emergency equipment needs. A folder of units is audited unit by
    unit, each beside its plan, and all-units-audit.xlsx shows the least ready first.
    """
    if is_folder_of_units(unit_path, cluster):
        from kitplan.parts.hospital.command import audit_and_tell

        audit_and_tell(unit_path, out_folder(unit_path, out), seed, cluster)
        return
    from kitplan.outputs import part_files
    from kitplan.write.writer import check_target, write_outputs

    with Progress() as report:
        used = plan_in_use(unit_path, out, which, seed, report)
        check_target(used.folder, ("audit.xlsx", "audit.json", "tables/audit.csv"))
        plan = audited(used, unit_path, report)
        report("Writing")
        written = write_outputs(used.folder, part_files(plan, "audit"))
    used.say()
    tell_written(written, "open audit.xlsx", plan.audit.sentences(plan.unit.currency))


def audited(used: PlanInUse, unit_path: Path, report: Progress) -> Plan:
    """The plan with an audit of the par levels that the unit holds now. Raises InputError, UnsafePlan."""
    from kitplan.outputs import refuse_unsafe
    from kitplan.planning import with_parts

    if faults := used.plan.unit.faults_of("audit"):
        raise InputError(faults, "reading today's par levels")
    if used.plan.unit.present_par is None:
        place = "present_par.csv" if unit_path.is_dir() else f"{unit_path.name} [present_par]"
        fault = "there are no present par levels to audit"
        raise InputError([Problem(place, fault, "Give item and par_packs, one row an item.")], "auditing")
    refuse_unsafe(used.plan)
    if used.same_shelf and "audit" in used.plan.parts:
        return used.plan
    return with_parts(used.plan, ("audit",), report)
