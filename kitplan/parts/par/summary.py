"""A plan in words: the three sentences that end a run and open the workbook."""

from __future__ import annotations

import numpy as np

from kitplan.parts.par.instance import SELDOM_WHOLE, floor_units, present_units
from kitplan.parts.par.values import ParPlan, Readiness
from kitplan.planning import Plan
from kitplan.read.catalogue import invented_prices
from kitplan.read.money import money
from kitplan.read.problems import counted
from kitplan.read.values import NAME_YOURS, NO_CURRENCY, READINESS, Unit


def three_sentences(plan: Plan) -> tuple[str, str, str]:
    """What the par levels cost, how ready they are, and what to look at first."""
    par = plan.par
    return _cost(plan, par), _ready(plan, par), look_first(plan)


def not_yet_own(unit: Unit, *, rates: bool = True) -> list[str]:
    """What of the numbers is invented or a guess until the unit has put in its own: a sentence each.

    rates: say it of the re-secure rate as well as of prices.
    """
    remarks = []
    invented = invented_prices(unit.items)
    if invented:
        which = "The prices" if len(invented) == len(unit.items) else f"The prices of {len(invented)} items"
        remarks.append(f"{which} are INVENTED: put your own into the table items before you act on a sum of money.")
    ground = {line.name: line.source for line in unit.assumptions if line.topic == "How often"}
    given = any(ground.get(name, "").startswith(("this unit's own", "learnt:"))
                for name in ("loosening_scale_hours", "flat_per_check"))
    if rates and ground and not given and not unit.doubt.rate_learnt:
        remarks.append("How often a securement is renewed is a GUESS: keep a log and run kitplan rates. Until then "
                       "every quantity is in proportion to that guess.")
    return remarks


def percent(share: float, digits: int = 1) -> str:
    """0.983 -> 98.3 %; never rounded up to 100 %."""
    text = f"{100 * share:.{digits}f}"
    if share < 1 and float(text) >= 100:
        text = f"{100 - 10.0 ** -digits:.{digits}f}"
    return f"{text} %"


def _cost(plan: Plan, par: ParPlan) -> str:
    held = par.levels[par.levels["par_packs"] > 0]
    return (
        f"Cost: after ordering, {counted(len(held), 'item')} worth {money(par.mean_value, plan.unit.currency)} on the "
        f"mean are on the shelf and on order; never more than {money(par.value, plan.unit.currency)} and "
        f"{par.litres:,.0f} L.{f' {NAME_YOURS}' if plan.unit.currency == NO_CURRENCY else ''}"
    )


def _ready(plan: Plan, par: ParPlan) -> str:
    ready = par.readiness
    days = plan.unit.stock.protection_interval_days
    met = "meets" if ready.verified >= ready.target else "misses"
    if par.answer != "met":
        met = ("is the best within your limits against" if ready.verified >= SELDOM_WHOLE else
               "is what your limits leave, every item but emergency equipment cut alike, against")
    return (
        f"Readiness: {percent(ready.verified)} is {READINESS} ({days:g} days); this {met} the target of "
        f"{percent(ready.target)}. {how_sure(ready)}{_left_out(plan.unit)}"
    )


def _left_out(unit: Unit) -> str:
    """What readiness cannot speak of, because the census does not tell it; "" where it tells."""
    said = ""
    if unit.census.shape == "snapshot":
        said = (f" A single day's count knows only the {unit.words.many} that were there that day: this holds for "
                "their kinds and those named by [[expect]], and for no other; name what may come.")
    if unit.census.shape != "stays" and not unit.census.mean_stay_days:
        said += f" No mean stay is known (mean_stay_days): the {unit.words.many} counted are taken to stay for good."
    return said


def how_sure(ready: Readiness) -> str:
    """One sentence on what is not known: how far readiness may lie from what is printed."""
    said = ready.how_sure()
    return f"{said[0].upper()}{said[1:]}." if ready.known else f"It is {said}."


def look_first(plan: Plan) -> str:
    """The one thing most worth a look: a limit that binds, a floor not held, a warning, or the tightest item."""
    par = plan.par
    if par.answer != "met" and par.binding:
        return f"Look first at your limits: {_sentence(par.binding[0])}"
    below = _below_floor_today(plan.unit)
    if below:
        return f"Look first at emergency equipment: {below}"
    if any(warning.moves for warning in plan.unit.warnings):
        more = len(plan.unit.warnings) - 1
        rest = f" ({counted(more, 'more warning')} on the sheet Input checks)" if more else ""
        return f"Look first at the input: {_sentence(str(plan.unit.warnings[0]))}{rest}"
    change = _largest_change(plan, par)
    if change:
        return change
    tightest = par.levels.loc[par.levels["shortage_chance"].idxmax()]
    return (
        f"Look first at {tightest['description']}: ordered when under "
        f"{tightest['par_units']:,}, it is the item most likely to run short "
        f"({percent(tightest['shortage_chance'], 2)} of intervals)."
    )


def _sentence(text: str) -> str:
    text = text.strip()
    return text if text.endswith((".", "!", "?")) else text + "."


def _below_floor_today(unit: Unit) -> str | None:
    """Emergency items whose present par is under the floor, as one sentence."""
    present = present_units(unit)
    if present is None:
        return None
    floor = floor_units(unit)
    below = np.flatnonzero(unit.items["critical"].to_numpy(bool) & (present < floor))
    if not len(below):
        return None
    first = unit.items.iloc[below[0]]
    more = f", and so have {len(below) - 1} more" if len(below) > 1 else ""
    return (f"{first['description']} has a present par of {present[below[0]]:,}, under its floor of "
            f"{floor[below[0]]:,}{more}.")


def _largest_change(plan: Plan, par: ParPlan) -> str | None:
    present = plan.unit.present_par
    if present is None:
        return None
    held = dict(zip(present["item"], present["par_packs"]))
    levels = par.levels[par.levels["item"].isin(list(held))]
    short = [(row.par_units - held[row.item] * row.pack, row) for row in levels.itertuples()]
    more, row = max(short, key=lambda pair: pair[0] / max(pair[1].par_units, 1))
    if more <= 0:
        return None
    return (
        f"Look first at {row.description}: your par of {held[row.item] * row.pack:,.0f} is {more:,.0f} "
        f"under what the plan wants ({row.par_units:,})."
    )
