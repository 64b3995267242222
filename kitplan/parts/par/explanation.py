"""How one item's number came about, told from the census to the pack, in the numbers that the plan used."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from kitplan.parts.par.summary import percent
from kitplan.planning import Plan
from kitplan.read.catalogue import item_fits
from kitplan.read.findings import suggestion
from kitplan.read.money import money
from kitplan.read.problems import InputError, Problem, counted
from kitplan.read.round_sheets import Names
from kitplan.read.values import READINESS
from kitplan.write.shelf import order_rule, role_title, unit_of_issue

_USED_UP_BY = {"event": "each re-secure", "patient": "one patient (the rest is thrown away)",
               "unit": "the whole unit until empty"}


def explain(plan: Plan, item: str) -> str:
    """How the par level of an item came about, told from the census to whole packs.

    item: what a count may call it too (Names). Raises InputError for an unknown one.
    """
    name = Names.of(plan.unit.items).find(item)
    if name is None:
        names = [*plan.unit.items["item"].astype(str), *plan.unit.items["description"].astype(str)]
        raise InputError([Problem("items.csv", "no item has this name", suggestion(item, names), column="item",
                                  value=item)],
                         "looking up the item")
    return explain_item(plan, name)


def explain_item(plan: Plan, item: str) -> str:
    """The story of one item as paragraphs of text; its last step is the `because` of the sheet Par levels."""
    items = plan.unit.items
    row = items[items["item"] == item].iloc[0]
    spoken = str(row["description"])
    head = f"{spoken} ({item}): {role_title(str(row['role'])).lower()}, {unit_of_issue(int(row['pack']))}, " \
           f"{money(float(row['price']), plan.unit.currency)}, used up by {_USED_UP_BY[row['scope']]}."
    stock = plan.unit.stock
    if item in stock.unavailable:
        long = f" for {stock.unavailable_weeks:g} weeks" if stock.unavailable_weeks else ""
        head += f" CANNOT BE HAD{long} (unavailable, under [stock] in unit.toml)."
    served = plan.item_choice.frame[plan.item_choice.frame["item"] == item]
    if served.empty:
        return "\n".join([head, "", *_unused(plan, row), "", *_par(plan, served, item)])
    lines = [head]
    for number, (title, step) in enumerate(_STEPS, 1):
        lines += ["", f"{number}. {title}", *step(plan, served)]
    return "\n".join(lines)


def _census(plan: Plan, served: pd.DataFrame) -> list[str]:
    days = plan.unit.stock.protection_interval_days
    rows = plan.airways[plan.airways["stratum"].isin(served["stratum"])]
    one, many = plan.unit.words.one, plan.unit.words.many
    lines = [
        f"   {_label(plan, r.stratum)}: {r.mean_airways:.2f} {many} on a mean day planned for, "
        f"{days * r.mean_airways:.1f} {one}-days and {days * r.arrivals_per_day:.1f} new {many} in {days:g} days"
        for r in rows.itertuples()
    ]
    return [*lines, f"   Together {days * rows['mean_airways'].sum():.1f} {one}-days in one interval of {days:g} days "
                    f"(count every {plan.unit.stock.review_days:g} + delivery {plan.unit.stock.lead_days:g})."]


def _frequency(plan: Plan, served: pd.DataFrame) -> list[str]:
    lines = []
    rows = plan.airways[plan.airways["stratum"].isin(served["stratum"])]
    for rate, group in rows.groupby(rows["re_secures_per_day"].round(6), sort=False):
        attempts = float(group["attempts_per_day"].iloc[0])
        names = "; ".join(_label(plan, s) for s in group["stratum"]) if len(group) < len(rows) else "all of them"
        lines.append(f"   {float(rate):.3f} a day for each {plan.unit.words.one}, {attempts:.3f} with redos: {names}")
    return lines


def _recipe(plan: Plan, served: pd.DataFrame) -> list[str]:
    from kitplan.demand.item_choice import airway_roles

    once = airway_roles(plan.unit)
    lines = []
    for (role, required), group in served.groupby(["role", "need"], sort=False):
        use_unit = plan.unit.items.set_index("item").at[group["item"].iloc[0], "use_unit"]
        amount = f"{required:g} {use_unit}{'' if required == 1 or len(str(use_unit)) < 3 else 's'}"
        if role == "tape":
            amount = "one set of tape pieces"
        elif role in once:
            amount = f"one for each {plan.unit.words.one}, however often it is re-secured"
        yields = "; ".join(dict.fromkeys(filter(None, (_yield_of(r) for r in group.itertuples()))))
        which = f"{len(group)} of " if len(group) < len(served) else "all " if len(served) > 1 else ""
        kinds = f"{which}{_kinds(plan, len(served))}"
        lines.append(f"   {amount}: {kinds}" + (f"; {yields}" if yields else ""))
    return lines


def _yield_of(row: Any) -> str:
    share = "" if row.share >= 1 else f", {100 * row.share:.0f} % of the uses fall to it"
    if not np.isnan(row.items_per_use):
        return f"{counted(row.items_per_use, 'item')} each time{share}"
    if not np.isnan(row.uses_per_item):
        return f"one serves {row.uses_per_item:g} re-secures{share}"
    return share.removeprefix(", ")


def _choice(plan: Plan, served: pd.DataFrame) -> list[str]:
    reasons = served.groupby("because", sort=False)["stratum"]
    return [f"   {because} ({_which(plan, strata)})" for because, strata in reasons]


def _expected(plan: Plan, served: pd.DataFrame) -> list[str]:
    from kitplan.demand.use import use_rates

    item = str(served["item"].iloc[0])
    days = plan.unit.stock.protection_interval_days
    parts = use_rates(plan.unit, plan.item_choice)
    parts = parts[parts["item"] == item].merge(plan.airways, on="stratum")
    running = float((parts["per_airway_day"] * parts["mean_airways"]).sum() * days)
    arriving = float((parts["per_arrival"] * parts["arrivals_per_day"]).sum() * days)
    known = plan.expected.set_index("item").at[item, "expected_units"]
    rest = round(round(float(known), 1) - round(running, 1) - round(arriving, 1), 1)
    left = " and for what is left in kits" if plan.unit.bedside.kits_in_par else ""
    more = f" {'+' if rest > 0 else '-'} {abs(rest):.1f} for what the history leaves open{left}" if rest else ""
    one, many = plan.unit.words.one, plan.unit.words.many
    return [f"   {running:.1f} for {one}-days + {arriving:.1f} for new {many}{more} = {float(known):.1f} units"]


def _spread(plan: Plan, served: pd.DataFrame) -> list[str]:
    demand, item = plan.demand(), str(served["item"].iloc[0])
    units = demand.units[:, demand.items.index(item)]
    middle, high, top = (int(q) for q in np.quantile(units, (0.5, 0.95, 0.99), method="inverted_cdf"))
    return [f"   {demand.n_scenarios:,} scenarios (seed {demand.seed}): mean {units.mean():.1f} units; "
            f"half of them need at most {middle:,}, 95 % at most {high:,}, 99 % at most {top:,}, "
            f"the worst {int(units.max()):,}"]


def _par(plan: Plan, served: pd.DataFrame, item: str | None = None) -> list[str]:
    par, item = plan.par, item or str(served["item"].iloc[0])
    row = par.levels[par.levels["item"] == item].iloc[0]
    lines = ["   None is held and none is ordered."] if not row["par_units"] else [
             f"   {order_rule(int(row['par_units']), int(row['pack']))} After ordering up to "
             f"{row['largest_units']:,} are there, worth {money(float(row['mean_value']), plan.unit.currency)} on the "
             f"mean; runs short in {percent(float(row['shortage_chance']), 2)} of intervals."]
    if row["floor_packs"] > 0:
        lines.append("   It has a floor: no budget and no shelf limit goes below that.")
    if plan.unit.bedside.kits_from_shelf and "kits" in plan.parts and item in set(plan.kits.contents["item"]):
        lines.append("   It lies in kits that are filled from this shelf: the level covers what more kits in use take.")
    lines.append(f"   All items together: {percent(par.readiness.verified)} (target {percent(par.readiness.target)}) "
                 f"is {READINESS}.")
    return [*lines, f"   Because: {row['because']}"]


def _unused(plan: Plan, row: pd.Series) -> list[str]:
    """Why no airway of the census uses the item."""
    strata = plan.unit.strata
    fits = np.array([item_fits(row, airway) for airway in strata.to_dict("records")])
    if not fits.any():
        floors = dict(zip(plan.par.levels["item"], plan.par.levels["floor_packs"]))
        held = " It is held for a change to the next size." if floors.get(row["item"], 0) > 0 else ""
        return [f"No {plan.unit.route(strata['route'].iloc[0]).device} of the census has a size that it fits.{held}"]
    frame = plan.item_choice.frame
    others = frame[(frame["role"] == row["role"]) & frame["stratum"].isin(strata.index[fits])]
    if others.empty:
        return [f"No recipe of the census uses the role {row['role']}."]
    lines = [f"Another item fills its role for every {plan.unit.words.one} that it would fit:"]
    for (item, because), group in others.groupby(["item", "because"], sort=False):
        lines.append(f"   {item}: {because} ({_which(plan, group['stratum'])})")
    return lines


_STEPS: tuple[tuple[str, Callable[[Plan, pd.DataFrame], list[str]]], ...] = (
    ("Census: who uses it", _census),
    ("How often they are re-secured", _frequency),
    ("What one re-secure takes of it", _recipe),
    ("Why this item and not another", _choice),
    ("Expected use in one interval", _expected),
    ("How much that varies", _spread),
    ("Par level", _par),
)


def _kinds(plan: Plan, n: int) -> str:
    return f"{counted(n, 'kind')} of {plan.unit.words.one}"


def _which(plan: Plan, strata: pd.Series) -> str:
    return _label(plan, int(strata.iloc[0])) if len(strata) == 1 else _kinds(plan, len(strata))


def _label(plan: Plan, stratum: int) -> str:
    return str(plan.unit.strata.at[stratum, "label"])
