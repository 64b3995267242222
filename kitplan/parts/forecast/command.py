"""How much next month, how sure, and why past months cost what they did."""

from __future__ import annotations

from pathlib import Path

import click

from kitplan.commands.cluster import cluster_option, is_folder_of_units
from kitplan.commands.common import out_folder, run_safely, say, tell_written, unit_options
from kitplan.commands.part import run_part


@click.command("forecast")
@unit_options
@cluster_option
@run_safely()
def command(unit_path: Path, out: Path | None, seed: int | None, cluster: str | None) -> None:
    """Forecast UNIT's supplies by month, in items, packs and money, with 80 and 95 % bands.

    Where stock_issues.csv is there, past months are split into census, frequency, use per event, unexplained and
    price. Writes months.xlsx (its first sheet is one page for the manager), tables/ and forecast.json; with a budget
    year ([budget] in unit.toml, or budget.csv) also where it will land, and budget-page.pdf, one page for the director.
    A folder of units is forecast unit by unit, and all-units-months.xlsx adds them up.
    """
    if is_folder_of_units(unit_path, cluster):
        from kitplan.parts.hospital.command import forecast_and_tell

        forecast_and_tell(unit_path, out_folder(unit_path, out), seed, cluster)
        return
    plan, written = run_part("forecast", unit_path, out, seed, ("tables/monthly_use.csv",))
    view = plan.forecast
    for note in view.notes():
        if not note.startswith("No stock issues in"):  # reading the unit told it, with the file
            say(f"Look at: {note}")
    tell_written(written, "open months.xlsx", view.sentences())
