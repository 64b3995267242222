"""Today's par levels on trial: how ready they are, what is missing most, and the cheapest changes that mend it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand.fit import as_held, holds_other_items
from kitplan.demand.item_choice import fill_roles
from kitplan.demand.values import Demand, ItemChoice
from kitplan.parts.par import solved
from kitplan.parts.par.instance import Checked, ParInstance
from kitplan.parts.par.model import ask
from kitplan.parts.par.tables import present_levels, stand
from kitplan.parts.par.values import ParPlan, StandingPar
from kitplan.parts.work import Work
from kitplan.read.money import exact
from kitplan.read.problems import counted
from kitplan.read.values import Unit
from kitplan.solve.collapse import collapse, own_quantiles
from kitplan.solve.descent import descend
from kitplan.solve.par_program import cheapest
from kitplan.solve.verify import joint_readiness, ready_scenarios, shortage_chances

FLOOR, RAISE, LOWER = "floor", "raise", "lower"
"""Why a par level changes: emergency or minimum stock is missing, readiness needs it, money stands idle."""

MOST_ROUNDS = 3
"""Times the changes are made a little larger when verification finds them short of the target."""


@dataclass(frozen=True, repr=False)
class Audit(Result, writes={"audit": "table"}):
    """Present par levels judged on scenarios that no plan was made on, and the way to the target.

    table: one row an item, changed ones first in the order of their steps; columns as columns.csv "audit".
    present, proposed: readiness, value and litres before and after all steps. idle_value, idle_litres: what
    stands on the shelf today beyond the proposal. notes: sentences.
    """

    table: pd.DataFrame
    present: StandingPar
    proposed: StandingPar
    idle_value: float
    idle_litres: float
    notes: tuple[str, ...] = ()

    @property
    def steps(self) -> pd.DataFrame:
        """Changed items, in order."""
        return self.table[self.table["step"] > 0]

    def sentences(self, currency: str) -> list[str]:
        """The result for a person: where she stands, what is missing, what to do first."""
        now, then = self.present.readiness, self.proposed.readiness
        sentences = [
            f"Today's par levels are ready in {100 * now.verified:.1f} % of intervals ({now.how_sure()}), for "
            f"{exact(self.present.value, currency)} of stock."
        ]
        missing = self.table[self.table["missing_share"] > 0].nlargest(3, "missing_share")
        if len(missing):
            names = ", ".join(f"{r.item} ({100 * r.missing_share:.0f} %)" for r in missing.itertuples())
            sentences.append(f"When something runs short, most often it is {names}.")
        if self.idle_value > 0:
            sentences.append(
                f"Beyond the proposal, {exact(self.idle_value, currency)} and {self.idle_litres:,.1f} L stand idle."
            )
        steps = self.steps
        if not len(steps):
            sentences.append("Nothing needs to change.")
        else:
            change = self.proposed.value - self.present.value
            sentences.append(
                f"{counted(len(steps), 'change')} bring{'' if len(steps) > 1 else 's'} it to "
                f"{100 * then.verified:.1f} % ({exact(change, currency, '+')}); begin with {steps['item'].iloc[0]}."
            )
        return [*sentences, *self.notes]


def audit_today(work: Work) -> Audit:
    """The audit of a unit beside its plan, with the items that it holds today."""
    shelf, par, notes = work, work.par, list[str]()
    if holds_other_items(work.unit, work.item_choice):
        held = as_held(work.unit)
        shelf = work.with_items(held, fill_roles(held, work.tables))
        par = solved(shelf, frontier=False)
        notes = say_swaps(work.unit, work.item_choice, shelf.item_choice, work.par, par)
    return audit_par(shelf.unit, shelf.demand("plan"), shelf.demand("verify"), par, notes)


def say_swaps(unit: Unit, planned: ItemChoice, held: ItemChoice, plan: ParPlan, as_is: ParPlan) -> list[str]:
    """Say which items the plan would hold in place of those held today, and what that is worth."""
    chosen, today = (set(item_choice.frame["item"]) for item_choice in (planned, held))
    there, here = ([i for i in unit.items["item"] if i in names] for names in (chosen - today, today - chosen))
    if not there:
        return []
    gain = as_is.value - plan.value
    worth = f"for {exact(abs(gain), unit.currency)} {'less' if gain >= 0 else 'more'} stock at par"
    role = dict(zip(unit.items["item"], unit.items["role"]))
    olds = {r: ", ".join(i for i in here if role[i] == r) for r in map(role.get, there)}
    bought = [", ".join(i for i in there if role[i] == r) + (f" in place of {old}" if old else "")
              for r, old in olds.items()]
    gone = {i for i in here if role[i] in olds} & set(unit.stock.unavailable)
    why = "" if not any(olds.values()) else f", because {', '.join(sorted(gone))} cannot be had" if gone else (
        ", because it costs less to use")
    return [f"Judged with the items held today. The plan buys {', '.join(bought)}{why}, {worth}."]


def audit_par(
    unit: Unit,
    demand: Demand,
    verify: Demand,
    plan: ParPlan,
    notes: Sequence[str] = (),
) -> Audit:
    """Judge the unit's present par levels and find the ordered changes that reach the plan's readiness.

    demand, verify, plan: as given to and by `solve_par`. notes: sentences to pass on with the result. Floors that are
    not held come first, then the least money that reaches the target from what is there, best bargain first, then what
    can be taken away without going under it. She can stop after any step. Raises ValueError if the unit gave no
    present par.
    """
    instance = ask(unit, demand)
    present = present_levels(instance)
    if present is None:
        raise ValueError("this unit gave no present par levels")
    target, checked = plan.readiness.target, Checked(verify, instance.needed(verify))
    proposed, found = _propose(instance, present, checked.needs, plan)
    steps = _order_steps(instance, present, proposed, checked.needs)
    table = _table(instance, present, proposed, checked.needs, steps)
    idle = np.maximum(-_most_added(instance, present, proposed), 0)
    return Audit(
        table, stand(instance, present, checked, target), stand(instance, proposed, checked, target),
        float(idle @ instance.price), float(idle @ instance.litres),
        (*notes, *found),
    )


def _propose(
    instance: ParInstance, present: np.ndarray, verify_needs: np.ndarray, plan: ParPlan
) -> tuple[np.ndarray, list[str]]:
    """Return the levels to go to: today's, with the cheapest additions, less what is then idle by a pack or more."""
    units = plan.levels.set_index("item")["par_units"]
    best = instance.unit.items["item"].iloc[instance.order].map(units).to_numpy(np.int64)
    needs, n = instance.needs, len(instance.needs)
    if plan.answer != "met":
        return best, ["The plan is held by a limit; the steps lead to the best within it."]
    today = instance.columns(present)
    held = np.maximum(today, instance.floor)
    required = int(np.count_nonzero(np.all(needs <= instance.columns(best), axis=1)))
    wanted = min(plan.readiness.target, joint_readiness(verify_needs, best))
    for _ in range(MOST_ROUNDS):
        raised = held
        if np.count_nonzero(np.all(needs <= held, axis=1)) < required:
            solved = cheapest(needs, instance.cost, required, held, instance.gap, instance.time_limit)
            if solved.par is None:
                return best, []
            raised = solved.par.astype(np.int64)
        lower = np.maximum(own_quantiles(needs, required), instance.floor)
        lower = np.where(raised > today, raised, np.minimum(lower, raised))
        found = descend(collapse(needs, lower, raised), instance.cost, required).cheapest_with(required)
        lowered = instance.levels(raised if found is None else found)
        lowered = np.where((lowered < present) & (present - lowered < instance.packing.pack), present, lowered)
        if not all(limit.kept_by(instance.columns(lowered)) for limit in instance.limits):
            return best, ["Additions alone would pass a limit: the steps lead to the plan itself."]
        verified = joint_readiness(verify_needs, lowered)
        if verified >= wanted or required >= n:
            return lowered, []
        required = min(n, required + max(1, int(np.ceil((wanted - verified) * n))))
    return best, []


def _most_added(instance: ParInstance, present: np.ndarray, proposed: np.ndarray) -> np.ndarray:
    """Single items more that ordering can bring at most, by item: one that was not stocked brings a whole pack."""
    return instance.packing.largest(proposed) - instance.packing.largest(present)


def _order_steps(
    instance: ParInstance, present: np.ndarray, proposed: np.ndarray, needs: np.ndarray
) -> list[tuple[int, str]]:
    """Return (item, kind) in the order to do them: missing floors, additions by bargain, then what is idle."""
    change, money = proposed - present, instance.price * _most_added(instance, present, proposed)
    floors = [int(i) for i in np.flatnonzero((change > 0) & (present < instance.floor[: len(present)]))]
    floors.sort(key=lambda i: (not instance.critical[i], money[i]))
    raised = [int(i) for i in np.flatnonzero(change > 0) if int(i) not in set(floors)]
    highest = np.maximum(present, proposed)
    by_bargain = _best_bargain_first(needs, present, highest, money, raised)
    idle = [int(i) for i in np.flatnonzero(change < 0)]
    idle.sort(key=lambda i: float(money[i]))
    return [*((i, FLOOR) for i in floors), *((i, RAISE) for i in by_bargain), *((i, LOWER) for i in idle)]


def _best_bargain_first(
    needs: np.ndarray,
    present: np.ndarray,
    highest: np.ndarray,
    money: np.ndarray,
    items: Sequence[int],
) -> list[int]:
    """Order additions so that each prefix gives much readiness for its money.

    Found backwards: from all additions made, the one whose undoing saves most money for each scenario lost
    comes last. (Forwards, two items that are short together would each seem worth nothing.)
    """
    left = list(items)
    lacking = needs[:, left] > present[left]
    ready = ready_scenarios(needs, highest)
    order: list[int] = []
    columns = list(range(len(left)))
    while columns:
        lost = np.count_nonzero(lacking[ready][:, columns], axis=0)
        rate = np.array([money[left[c]] for c in columns]) / np.maximum(lost, 0.5)
        worst = columns.pop(int(np.argmax(rate)))
        ready = ready & ~lacking[:, worst]
        order.append(left[worst])
    return order[::-1]


def _table(
    instance: ParInstance,
    present: np.ndarray,
    proposed: np.ndarray,
    needs: np.ndarray,
    steps: Sequence[tuple[int, str]],
) -> pd.DataFrame:
    """Return Audit.table: changed items in the order of steps, then the rest in catalogue order."""
    items = instance.unit.items.iloc[instance.order]
    packing = instance.packing
    short = needs > present
    unready = short.any(axis=1)
    table = pd.DataFrame(
        {
            "item": items["item"],
            "description": items["description"],
            "present_packs": packing.packs(present),
            "proposed_packs": packing.packs(proposed),
            "change_packs": packing.packs(proposed) - packing.packs(present),
            "present_units": present,
            "proposed_units": proposed,
            "change_units": proposed - present,
            "change_value": _most_added(instance, present, proposed) * instance.price,
            "shortage_chance_present": short.mean(axis=0),
            "shortage_chance_proposed": shortage_chances(needs, proposed),
            "missing_share": short[unready].mean(axis=0) if unready.any() else 0.0,
            "step": 0,
            "kind": "",
            "readiness_after": np.nan,
            "value_after": np.nan,
            "litres_after": np.nan,
        }
    )
    at = present.copy()
    for number, (item, kind) in enumerate(steps, start=1):
        at[item] = proposed[item]
        row = table.index[item]
        table.loc[row, ["step", "kind"]] = [number, kind]
        table.loc[row, "readiness_after"] = joint_readiness(needs, at)
        table.loc[row, "value_after"] = instance.largest_value(at)
        table.loc[row, "litres_after"] = instance.largest_litres(at)
    table = table.loc[instance.unit.items.index]
    changed = table[table["step"] > 0].sort_values("step", kind="stable")
    return pd.concat([changed, table[table["step"] == 0]]).reset_index(drop=True)
