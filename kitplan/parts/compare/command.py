"""What if: two units, or two versions of one, side by side."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from kitplan.commands import common
from kitplan.commands.plan_in_use import plan_in_use, unchanged_plan


@click.command("compare")
@click.argument("unit_a", metavar="A", type=common.GivenPath())
@click.argument("unit_b", metavar="B", type=common.GivenPath())
@click.option("--out", metavar="DIR", type=common.GivenPath(file_okay=False), help="Where to write.  [default: A/plan]")
@common.seed_option
@common.run_safely()
def command(unit_a: Path, unit_b: Path, out: Path | None, seed: int | None) -> None:
    """Compare two units, or two versions of one: money, use, readiness and par levels, and which cause moved what.

    Copy a unit's folder, change one thing in the copy (a technique, a longer wear, a barrier for everyone, a roll
    length, three beds more), and compare. Speaks of the plan in A/plan, and of B's own where B's files are as they
    were; what is planned now takes the same random numbers, so that a difference is a cause and not luck. Writes
    compare.xlsx, tables/ and compare.json.
    """
    from kitplan.outputs import part_files
    from kitplan.parts.compare import model as compare
    from kitplan.planning import plan_unit
    from kitplan.read.unit import load_unit
    from kitplan.write.writer import check_target, write_outputs

    with common.Progress() as report:
        first = plan_in_use(unit_a, out, None, seed, report)
        a, seed = first.plan.unit, first.plan.seed
        check_target(first.folder, ("compare.xlsx", "compare.json", "tables/compare_causes.csv"))
        second = unchanged_plan(unit_b, seed, report)
        other = load_unit(unit_b, seed) if second else common.load(unit_b, seed)
        asked = None if first.changed else compare.asked_of(load_unit(unit_a, seed), other)
        second = None if asked else second
        b = asked or (second.plan.unit if second else other)
        made = {id(a): first.plan} | ({id(b): second.plan} if second else {})

        comparison = compare.compare_units(
            a, b, lambda unit: made.get(id(unit)) or plan_unit(unit, seed, ("kits", "par"), report), asked is not None,
            compare.expected(first.plan.results))
        checksums = {**a.checksums, **{f"B: {name}": value for name, value in b.checksums.items()}}
        plan = replace(first.plan, unit=replace(a, checksums=checksums), results={"compare": comparison})
        report("Writing")
        written = write_outputs(first.folder, part_files(plan, "compare"), remove_stale=True)
    first.say()
    common.tell(second.line if second else f"{b.name}, from {unit_b}, is planned now with the same seed.")
    common.tell_written(written, "open compare.xlsx", comparison.sentences())
