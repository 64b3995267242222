"""`kitplan check`: read everything, report every problem, compute nothing."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kitplan.commands import common
from kitplan.read.problems import InputError

if TYPE_CHECKING:
    from kitplan.read.values import Unit


@click.command("check")
@common.unit_argument
@common.seed_option
@click.option("--strict", is_flag=True, help="Treat every warning as an error.")
def command(unit_path: Path, seed: int | None, strict: bool) -> None:
    """Read every file of UNIT and report what is wrong and what is worth a look.

    Nothing is planned and nothing is written. Exit code 0: it can be planned; 1: all but the parts that it lists;
    2: it cannot as it stands.
    """
    with common.run_safely():
        from kitplan.planning import ready_to_plan
        from kitplan.read.unit import load_unit

        unit = common.with_letter_warnings(load_unit(unit_path, seed))
        ready_to_plan(unit)
        if strict and (unit.warnings or unit.faults):
            raise InputError((*unit.faults, *unit.warnings), "checking strictly (every warning counts)")
        for line in report_lines(unit):
            click.echo(common.printable(line))
        if unit.faults:
            raise SystemExit(common.EXIT_UNSAFE)


def report_lines(unit: Unit) -> list[str]:
    """Return what `check` prints: the census' shape, the kinds of airway, what else was read, the warnings."""
    lines = [unit.name, _census_line(unit), "", *_strata_lines(unit), "", *_table_lines(unit), ""]
    if unit.warnings:
        count = len(unit.warnings)
        lines.append(f"{count} thing{'s' if count != 1 else ''} worth a look:")
        lines += [f"  - {warning}" for warning in unit.warnings]
    if unit.faults:
        lines += common.fault_lines(unit)
        lines.append("The rest can be planned.")
    else:
        lines.append("It can be planned." if unit.warnings else "No problems found. It can be planned.")
    return lines


def _census_line(unit: Unit) -> str:
    census = unit.census
    span = "" if census.first_day is None else f", {census.first_day} to {census.last_day}"
    if census.shape == "stays":
        still = int(census.rows["end"].isna().sum())
        return f"Census: a list of {len(census.rows):,} stays{span}; {still:,} still in place."
    if census.shape == "counts":
        known = census.rows["day"].nunique()
        unknown = f"; {len(census.unknown_days):,} days unknown" if census.unknown_days else ""
        return f"Census: counts on {known:,} days{span}{unknown}."
    day = "" if census.first_day is None else f" on {census.first_day}"
    many = int(census.rows["airways"].sum())
    return f"Census: a snapshot{day} of {many:,} {unit.words.one if many == 1 else unit.words.many}."


def _strata_lines(unit: Unit) -> list[str]:
    present = _present(unit)
    one, many = unit.words.one, unit.words.many
    wide = max(len(f"Kind of {one}"), *(len(label) for label in unit.strata["label"]))
    lines = [f"{f'Kind of {one}':<{wide}} {many:>9}  {'outer mm':>8}  {'cheek mm':>8}"]
    for index, row in unit.strata.iterrows():
        outer = "-" if math.isnan(row["outer_mm"]) else f"{row['outer_mm']:.1f}"
        cheek = "-" if math.isnan(row["span_mid_cheek_mm"]) else f"{row['span_mid_cheek_mm']:.0f}"
        lines.append(f"{row['label']:<{wide}} {present[index]:>{max(9, len(many))}}  {outer:>8}  {cheek:>8}")
    lines.append(f"{many}: " + {
        "stays": "stays in the list; ", "snapshot": "present in the snapshot; ",
        "counts": "mean of the days counted (planned for: where they stand when the census ends); "}[unit.census.shape]
                 + "in brackets: expected beside the census.")
    return lines


def _present(unit: Unit) -> dict[object, str]:
    census = unit.census
    more = {i: f"({m:g})" for i, m in zip(census.expected["stratum"], census.expected["mean_airways"])}
    texts: dict[object, str] = {}
    for stratum, rows in census.rows.groupby("stratum"):
        if census.shape == "stays":
            texts[stratum] = f"{len(rows):,}"
        elif census.shape == "counts":
            texts[stratum] = f"{rows['airways'].sum() / census.rows['day'].nunique():.2f}"
        else:
            texts[stratum] = f"{int(rows['airways'].sum()):,}"
    return texts | {i: f"{texts[i]} +{text}" if i in texts else text for i, text in more.items()}


def _table_lines(unit: Unit) -> list[str]:
    from kitplan.read.values import NAME_YOURS, NO_CURRENCY

    lines = [f"Catalogue: {len(unit.items)} items. Recipes in use: "
             f"{'; '.join(dict.fromkeys(unit.techniques[n].title for n in unit.strata['technique']))}."]
    named = {"re-secure log": unit.log, "stock issues": unit.issues, "present par": unit.present_par,
             "on hand": unit.on_hand, "prices": unit.prices}
    there = [f"{name} ({len(table):,} rows)" for name, table in named.items() if table is not None]
    absent = [name for name, table in named.items() if table is None and name != "prices"]
    there += [f"the budget year from {unit.budget.start}"] if unit.budget is not None else []
    lines.append(f"Also read: {', '.join(there)}." if there else "Also read: nothing.")
    if absent:
        lines.append(f"Not there: {', '.join(absent)}; the parts that need them are left out.")
    lines += [NAME_YOURS] if unit.currency == NO_CURRENCY else []
    lines.append(f"Files read: {', '.join(unit.checksums)}.")
    return lines
