"""Where today's par levels stand, and the cheapest way from there to the target."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.common import progress, run_safely, say, unit_options
from kitplan.commands.plan_in_use import plan_in_use, plan_option

if TYPE_CHECKING:
    from kitplan.read.values import Unit


@click.command("audit")
@unit_options
@plan_option
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, which: str | None) -> None:
    """Audit the par levels that UNIT holds today (present_par.csv, or a sheet present_par), beside its plan in DIR.

    Says how ready they are, which items are most often the one missing and what stands idle, and lists changes in
    order, best bargain first: stop after any of them. Writes audit.xlsx, tables/audit.csv and audit.json.
    Exit code 1, nothing written: a limit is below what emergency equipment needs.
    """
    from kitplan.outputs import part_files, refuse_unsafe
    from kitplan.planning import with_parts
    from kitplan.write.writer import check_target, write_outputs

    with progress() as report:
        used = plan_in_use(unit_path, out, which, seed, report)
        _require_present_par(unit_path, used.plan.unit)
        check_target(used.folder, ("audit.xlsx", "audit.json", "tables/audit.csv"))
        refuse_unsafe(used.plan)
        plan = used.plan
        if not used.same_shelf or "audit" not in plan.parts:
            plan = with_parts(plan, ("audit",), report)
        report("Writing")
        written = write_outputs(used.folder, part_files(plan, "audit"))
    used.say()
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: open audit.xlsx.")
    for sentence in plan.audit.sentences(plan.unit.currency):
        click.echo(sentence)


def _require_present_par(unit_path: Path, unit: Unit) -> None:
    from kitplan.read.problems import InputError, Problem

    if faults := unit.faults_of("audit"):
        raise InputError(faults, "reading today's par levels")
    if unit.present_par is None:
        place = "present_par.csv" if unit_path.is_dir() else f"{unit_path.name} [present_par]"
        fault = "there are no present par levels to audit"
        raise InputError(
            [Problem(place, None, None, None, fault, "Give item and par_packs, one row an item.")], "auditing"
        )
