"""`kitplan labels`: bin labels on sheets of any grid."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import load, out_folder, progress, run_safely, say, unit_options


@click.command("labels")
@unit_options
@click.option("--rows", type=click.IntRange(1, 20), default=8, show_default=True, help="Labels down the sheet.")
@click.option("--columns", type=click.IntRange(1, 6), default=2, show_default=True, help="Labels across the sheet.")
@click.option("--margin-top", type=click.FloatRange(0, 80), default=12.0, show_default=True,
              help="Blank at top and bottom, mm.")
@click.option("--margin-side", type=click.FloatRange(0, 80), default=8.0, show_default=True,
              help="Blank at left and right, mm.")
@click.option("--gap-across", type=click.FloatRange(0, 30), default=3.0, show_default=True,
              help="Blank between columns, mm.")
@click.option("--gap-down", type=click.FloatRange(0, 30), default=0.0, show_default=True,
              help="Blank between rows, mm.")
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, rows: int, columns: int,
            margin_top: float, margin_side: float, gap_across: float, gap_down: float) -> None:
    """Bin labels of UNIT's par list in shelf order, with par, order point and bar codes.

    Takes the plan in DIR, or plans first. Writes bin-labels.pdf.
    """
    from kitplan.parts.orders.bin_labels import LabelGrid, bin_labels_pdf
    from kitplan.parts.orders.saved_plan import last_plan
    from kitplan.write.writer import check_target, write_outputs

    grid = LabelGrid(rows, columns, margin_top, margin_side, gap_across, gap_down)
    folder = out_folder(unit_path, out)
    name = "bin-labels.pdf"
    with progress() as report:
        unit = load(unit_path, seed)
        try:
            list(grid.places(unit.paper))
        except ValueError as error:
            raise click.UsageError(f"{error}. Ask for fewer rows or columns, or smaller margins.") from None
        check_target(folder, (name,))
        last = last_plan(unit, folder, seed, report)
        written = write_outputs(folder, {name: bin_labels_pdf(last.points.levels, unit.paper, grid)})
    for warning in last.warnings:
        say(f"Look at: {warning}")
    click.echo(f"Written to {written.folder}: print {name} at 100 %.")
