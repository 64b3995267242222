"""Audits and orders of many units, one row a unit, and what all of them order of each item."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from kitplan.parts.orders.model import WeeklyRound
from kitplan.planning import Plan
from kitplan.read.catalogue import spoken_names
from kitplan.read.money import exact
from kitplan.read.problems import some_of

AUDIT_COLUMNS = ["unit", "name", "currency", "target", "ready", "ready_low", "value", "ready_after", "value_after",
                 "idle_value", "steps", "begin_with"]
ORDER_COLUMNS = ["unit", "name", "currency", "order", "counted", "items", "packs", "urgent", "questions", "value"]
LINE_COLUMNS = ["unit", "item", "description", "pack", "urgent", "order_packs", "order_units", "value"]


@dataclass(frozen=True)
class OrderSummary:
    """What is kept of a unit's order. row: ORDER_COLUMNS; lines: LINE_COLUMNS, what it orders, and whether each is
    critical; told: sentences. spoken: item -> its name for people.
    """

    row: tuple[object, ...]
    lines: pd.DataFrame
    told: tuple[str, ...]
    spoken: Mapping[str, str]


def audit_row(name: str, plan: Plan) -> tuple[object, ...]:
    """AUDIT_COLUMNS of one unit, and what begin_with is called; name: of the unit among the others."""
    audit, unit = plan.audit, plan.unit
    now, then, steps = audit.present.readiness, audit.proposed.readiness, audit.steps
    begin = str(steps["item"].iloc[0]) if len(steps) else ""
    named = spoken_names(unit.items).get(begin, begin)
    return (name, unit.name, unit.currency, now.target, now.verified, now.low, audit.present.value, then.verified,
            audit.proposed.value, audit.idle_value, len(steps), begin, named)


def audit_table(rows: Sequence[tuple[object, ...]]) -> pd.DataFrame:
    """Units that are furthest under their target first."""
    frame = pd.DataFrame(rows, columns=[*AUDIT_COLUMNS, "named"])
    return frame.loc[(frame["ready"] - frame["target"]).sort_values(kind="stable").index].reset_index(drop=True)


def audit_sentences(table: pd.DataFrame) -> list[str]:
    """How many units fall short, and where to begin."""
    short = table[table["ready"] < table["target"]]
    if short.empty:
        return [f"All of {len(table)} units are as ready as they aim to be."]
    worst = short.iloc[0]
    return [f"{len(short)} of {len(table)} units are less ready than they aim to be. Begin with {worst['unit']}: ready "
            f"in {100 * worst['ready']:.1f} % of intervals (target {100 * worst['target']:.1f} %); "
            f"first {worst['named']}."]


def order_summary(name: str, plan: Plan, weekly: WeeklyRound, told: Sequence[str]) -> OrderSummary:
    """What the other units need to know of a unit's order. told: what was taken in."""
    order, unit = weekly.order, plan.unit
    lines = pd.DataFrame(columns=[*LINE_COLUMNS, "critical"])
    counted, number, urgent = "", "", 0
    if order is not None:
        critical = order.lines["item"].isin(unit.items.loc[unit.items["critical"].astype(bool), "item"])
        lines = order.lines.assign(unit=name, critical=critical)[order.lines["order_packs"] > 0][lines.columns]
        counted, number, urgent = order.counted.isoformat(), order.number, len(order.urgent)
    row = (name, unit.name, unit.currency, number, counted, len(lines), int(lines["order_packs"].sum()), urgent,
           len(weekly.questions), float(lines["value"].sum()))
    return OrderSummary(row, lines, tuple(told), spoken_names(unit.items))


def order_tables(summaries: Sequence[OrderSummary]) -> dict[str, pd.DataFrame]:
    """order_units: one row a unit, urgent ones first; order_lines: every line; order_items: each item over all units,
    urgent ones first and emergency equipment first of them.

    Packs of different sizes are different rows, and money of different currencies is not added up.
    """
    units = pd.DataFrame([s.row for s in summaries], columns=ORDER_COLUMNS)
    units = units.sort_values("urgent", ascending=False, kind="stable").reset_index(drop=True)
    frames = [s.lines for s in summaries if len(s.lines)]
    lines = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=[*LINE_COLUMNS, "critical"])
    wanted = lines.merge(units[["unit", "currency"]], on="unit", how="left")
    wanted["for"] = wanted["unit"].astype(str) + " " + wanted["order_packs"].astype(str)
    items = wanted.groupby(["item", "pack", "currency"], sort=True, as_index=False).agg(
        description=("description", "first"), units=("unit", "nunique"), urgent=("urgent", "sum"),
        packs=("order_packs", "sum"), value=("value", "sum"), for_units=("for", ", ".join),
        critical=("critical", "any"),
    )
    rank = (items["urgent"] > 0) * (1 + items.pop("critical"))
    items = items.loc[rank.sort_values(ascending=False, kind="stable").index].reset_index(drop=True)
    return {"order_units": units, "order_lines": lines[LINE_COLUMNS], "order_items": items}


def order_sentences(tables: dict[str, pd.DataFrame]) -> list[str]:
    """What all units order, and which have something urgent or were not counted."""
    units = tables["order_units"]
    totals = units.groupby("currency", sort=True)["value"].sum()
    money = ", ".join(exact(value, currency) for currency, value in totals.items())
    ordering, packs = int((units["packs"] > 0).sum()), int(units["packs"].sum())
    told = [f"{ordering} of {len(units)} units order {packs:,} packs, {money}."]
    urgent = units[units["urgent"] > 0]
    if len(urgent):
        names = some_of(urgent["unit"].tolist(), 6, ", ")
        told.insert(0, f"URGENT, something may run out before the order arrives or was not counted: {names}.")
    uncounted = units.loc[units["counted"] == "", "unit"]
    if len(uncounted):
        told.append(f"Nothing was counted yet in {', '.join(uncounted)}: print the count sheet there.")
    if units["questions"].any():
        told.append(f"Questions to answer in {', '.join(units.loc[units['questions'] > 0, 'unit'])}.")
    return told
