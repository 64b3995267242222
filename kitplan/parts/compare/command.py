"""What if: two units, or two versions of one, side by side."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands.common import (
    load,
    out_folder,
    out_option,
    printable,
    progress,
    run_safely,
    say,
    seed_option,
)

if TYPE_CHECKING:
    from kitplan.parts.compare.model import Planned
    from kitplan.planning import Plan
    from kitplan.read.values import Unit


@click.command("compare")
@click.argument("unit_a", metavar="A", type=click.Path(path_type=Path))
@click.argument("unit_b", metavar="B", type=click.Path(path_type=Path))
@out_option
@seed_option
@run_safely()
def command(unit_a: Path, unit_b: Path, out: Path | None, seed: int | None) -> None:
    """Compare two units, or two versions of one: money, use, readiness and par levels, and which cause moved what.

    Copy a unit's folder, change one thing in the copy (a technique, a longer wear, a barrier for everyone, a roll
    length, three beds more), and compare. Both are planned with the same random numbers, so that a difference is a
    cause and not luck. Writes compare.xlsx, tables/ and compare.json to DIR (default: A/plan).
    """
    from kitplan.write.writer import check_target, write_outputs

    folder = out_folder(unit_a, out)
    with progress() as report:
        report("Reading")
        a, b = load(unit_a, seed), load(unit_b, seed)
        check_target(folder, ("compare.xlsx", "compare.json", "tables/compare_causes.csv"))
        seed = a.planning.seed if seed is None else seed
        from kitplan.parts.compare import model as compare
        from kitplan.planning import plan_unit

        plans: list[Plan] = []

        def planned(unit: Unit) -> Planned:
            made = plan_unit(unit, seed, ("kits", "par"), report)
            plans.append(made)
            return compare.Planned(made.item_choice, made.par, made.kits if "kits" in made.parts else None)

        comparison = compare.compare_units(a, b, planned)
        checksums = {**a.checksums, **{f"B: {name}": value for name, value in b.checksums.items()}}
        plan = replace(plans[0], unit=replace(a, checksums=checksums), results={"compare": comparison})
        report("Writing")
        from kitplan.outputs import part_files

        written = write_outputs(folder, part_files(plan, "compare"), remove_stale=True)
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: open compare.xlsx.")
    for sentence in comparison.sentences():
        click.echo(printable(sentence))
