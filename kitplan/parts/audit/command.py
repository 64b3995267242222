"""Where today's par levels stand, and the cheapest way from there to the target."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.common import run_safely, say, unit_options
from kitplan.commands.part import run_part

if TYPE_CHECKING:
    from kitplan.planning import Plan
    from kitplan.read.values import Unit


@click.command("audit")
@unit_options
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None) -> None:
    """Audit the par levels that UNIT holds today (present_par.csv, or a sheet present_par).

    Says how ready they are, which items are most often the one missing and what stands idle, and lists changes in
    order, best bargain first: stop after any of them. Writes audit.xlsx, tables/audit.csv and audit.json.
    Exit code 1, nothing written: a limit is below what emergency equipment needs.
    """
    from kitplan.outputs import refuse_unsafe

    def prepare(unit: Unit) -> Unit:
        _require_present_par(unit_path, unit.present_par is not None)
        return unit

    def settle(plan: Plan) -> Plan:
        refuse_unsafe(plan)
        return plan

    plan, written = run_part("audit", unit_path, out, seed, ("tables/audit.csv",), prepare, settle)
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: open audit.xlsx.")
    for sentence in plan.audit.sentences(plan.unit.currency):
        click.echo(sentence)


def _require_present_par(unit_path: Path, there: bool) -> None:
    from kitplan.read.problems import InputError, Problem

    if not there:
        place = "present_par.csv" if unit_path.is_dir() else f"{unit_path.name} [present_par]"
        fault = "there are no present par levels to audit"
        raise InputError(
            [Problem(place, None, None, None, fault, "Give item and par_packs, one row an item.")], "auditing"
        )
