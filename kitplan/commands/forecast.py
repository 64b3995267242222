"""How much next month, how sure, and why past months cost what they did."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from kitplan.commands.common import load, out_folder, printable, progress, run_safely, say, unit_options


@click.command("forecast")
@unit_options
@click.option(
    "--months", type=click.IntRange(1, 60), default=None, help="Months ahead.  [default: from unit.toml]"
)
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, months: int | None) -> None:
    """Forecast UNIT's supplies by month, in items, packs and money, with 80 and 95 % bands.

    Where stock_issues.csv is there, past months are split into census, frequency, use per event, unexplained and
    price. Writes forecast.xlsx (its first sheet is one page for the manager), tables/ and forecast.json.
    """
    from kitplan.export.writer import check_target, write_outputs

    folder = out_folder(unit_path, out)
    with progress() as report:
        report("Reading")
        unit = load(unit_path, seed)
        check_target(folder, ("forecast.xlsx", "forecast.json", "tables/monthly_use.csv"))
        if months is not None:
            unit = replace(unit, forecast=replace(unit.forecast, months=months))
        from kitplan.plan import plan_unit

        plan = plan_unit(unit, seed, ("forecast",), report)
        view = plan.parts["forecast"]
        report("Writing")
        from kitplan.export.outputs import part_files

        written = write_outputs(folder, part_files(plan, "forecast"), retire=True)
    for note in view.notes():
        say(f"Look at: {note}")
    for sentence in written.sentences():
        say(sentence)
    click.echo(f"Written to {written.folder}: open forecast.xlsx.")
    for sentence in view.sentences():
        click.echo(printable(sentence))
