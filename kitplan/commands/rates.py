"""How often securements are renewed in this unit, learnt from its log."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import load, out_folder, printable, progress, run_safely, say, unit_options


@click.command("rates")
@unit_options
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None) -> None:
    """Learn UNIT's re-secure rates from its log: by route, size, technique and skin, with intervals and reasons.

    Writes rates.xlsx, tables/ and rates.json, and resecure_learnt.toml: a [resecure] block that `kitplan plan UNIT
    --learnt FILE` plans on, or that you paste into unit.toml. With fewer than twenty events the defaults stay.
    """
    from kitplan.export.writer import check_target, write_outputs

    folder = out_folder(unit_path, out)
    with progress() as report:
        report("Reading")
        unit = load(unit_path, seed)
        check_target(folder, ("rates.xlsx", "rates.json", "tables/rates.csv", "resecure_learnt.toml"))
        from kitplan.plan import plan_unit

        plan = plan_unit(unit, seed, ("rates",), report)
        learnt = plan.parts["rates"]
        report("Writing")
        from kitplan.export.outputs import part_files

        written = write_outputs(folder, part_files(plan, "rates"), retire=True)
    for note in (*learnt.notes, *learnt.warnings):
        say(f"Look at: {note}")
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: open rates.xlsx.")
    for sentence in learnt.sentences():
        click.echo(printable(sentence))
    if learnt.used:
        from kitplan.demand.learnt_block import block_text

        click.echo("\n" + printable(block_text(unit, learnt)))
