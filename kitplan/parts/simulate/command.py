"""Do the par levels hold? Years of the stock room played day by day."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import Progress, run_safely, tell_written, unit_options
from kitplan.commands.plan_in_use import plan_in_use, plan_option


@click.command("simulate")
@unit_options
@plan_option
@click.option("--years", metavar="N", type=click.IntRange(1, 50), default=1, show_default=True,
              help="Years to play.")
@click.option("--copies", metavar="N", type=click.IntRange(2, 2000), default=256, show_default=True,
              help="Independent copies of the unit that are played.")
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, which: str | None, years: int, copies: int) -> None:
    """Play years of UNIT day by day and see how often its par levels run short.

    The unit's plan, its present par and rules of thumb meet the same years. Writes simulate.xlsx,
    tables/simulation.csv and more, and simulate.json.
    """
    from kitplan.demand.fit import as_held
    from kitplan.demand.item_choice import fill_roles
    from kitplan.outputs import part_files
    from kitplan.parts.simulate.model import simulate
    from kitplan.write.writer import check_target, write_outputs

    with Progress() as report:
        used = plan_in_use(unit_path, out, which, seed, report)
        plan, unit = used.plan, used.plan.unit
        check_target(used.folder, ("simulate.xlsx", "simulate.json", "tables/simulation.csv"))
        held = fill_roles(as_held(unit)) if unit.present_par is not None else None
        result = simulate(
            unit,
            plan.item_choice,
            plan.par,
            present_item_choice=held,
            years=years,
            replications=copies,
            seed=plan.seed,
            progress=report,
        )
        report("Writing")
        plan = plan.with_result("simulate", result)
        written = write_outputs(used.folder, part_files(plan, "simulate"))
    used.say()
    tell_written(written, "open simulate.xlsx", result.sentences(unit.currency))
