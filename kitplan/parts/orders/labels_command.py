"""`kitplan labels`: bin labels on sheets of any grid."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.common import progress, run_safely, unit_options
from kitplan.commands.plan_in_use import plan_in_use, plan_option


@click.command("labels")
@unit_options
@plan_option
@click.option("--rows", metavar="N", type=click.IntRange(1, 20), default=8, show_default=True,
              help="Labels down the sheet.")
@click.option("--columns", metavar="N", type=click.IntRange(1, 6), default=2, show_default=True,
              help="Labels across the sheet.")
@click.option("--margin-top", metavar="MM", type=click.FloatRange(0, 80), default=12.0, show_default=True,
              help="Blank at top and bottom.")
@click.option("--margin-side", metavar="MM", type=click.FloatRange(0, 80), default=8.0, show_default=True,
              help="Blank at left and right.")
@click.option("--gap-across", metavar="MM", type=click.FloatRange(0, 30), default=3.0, show_default=True,
              help="Blank between columns.")
@click.option("--gap-down", metavar="MM", type=click.FloatRange(0, 30), default=0.0, show_default=True,
              help="Blank between rows.")
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, which: str | None, rows: int, columns: int,
            margin_top: float, margin_side: float, gap_across: float, gap_down: float) -> None:
    """Bin labels of UNIT's par list in shelf order, with the number to order under and bar codes.

    Writes bin-labels.pdf.
    """
    from kitplan.parts.orders.bin_labels import LabelGrid, bin_labels_pdf
    from kitplan.planning import with_parts
    from kitplan.write.writer import check_target, write_outputs

    grid = LabelGrid(rows, columns, margin_top, margin_side, gap_across, gap_down)
    name = "bin-labels.pdf"
    with progress() as report:
        used = plan_in_use(unit_path, out, which, seed, report)
        plan = used.plan if "order" in used.plan.parts else with_parts(used.plan, ("order",), report)
        try:
            list(grid.places(plan.unit.paper))
        except ValueError as error:
            raise click.UsageError(f"{error}. Ask for fewer rows or columns, or smaller margins.") from None
        check_target(used.folder, (name,))
        written = write_outputs(used.folder, {name: bin_labels_pdf(plan.orders.plan.levels, plan.unit.paper, grid)})
    used.say()
    click.echo(f"Written to {written.folder}: print {name} at 100 %.")
