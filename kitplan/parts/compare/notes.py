"""What whoever compares should know before a difference is believed."""

from __future__ import annotations

import pandas as pd

from kitplan.parts.par.values import ParPlan
from kitplan.read.problems import some_of
from kitplan.read.values import Unit

GOES_ON = ("How often is learnt from past use of A; B goes on from there with its own routine and recipes. So A has to "
           "be the unit as it works now.")
_APART = 0.1
"""A year here and the months ahead that lie no further apart, as a share, are taken for the same."""


def one_past_use(a: Unit, b: Unit) -> bool:
    """Whether both learn how often from the same stock issues, or the same counts."""
    if a.doubt.rate_from != b.doubt.rate_from or a.doubt.rate_from not in ("counts", "issues"):
        return False
    if a.doubt.rate_from == "counts":
        return a.doubt.use_rate == b.doubt.use_rate
    return a.issues is not None and b.issues is not None and a.issues.equals(b.issues)


def rates_rest_on(a: Unit, b: Unit) -> tuple[str, ...]:
    """Say it where one side's rates are learnt and the other's are not: that difference is knowledge, not practice."""
    learnt = [unit.doubt.rate_ratio is not None for unit in (a, b)]
    totals = {a.doubt.rate_from, b.doubt.rate_from} <= {"counts", "issues"}
    if totals and a.frequency["planned_hours"].mean() != b.frequency["planned_hours"].mean():
        return ("planned_hours differs, but both learn how often from what was used in the past, under one routine: "
                "what another routine changes is not in these sums. Say learn = false under [resecure] in both.",)
    same = totals and a.issues is not None and b.issues is not None and a.issues.equals(b.issues)
    if same and a.doubt.use_rate != b.doubt.use_rate:
        return ("Both learn how often from the same issues, which are explained by other recipes in A and in B: what "
                "stands at how often is no difference of practice. Say learn = false under [resecure] in both.",)
    if learnt[0] == learnt[1]:
        return ()
    knows, guesses = ("A", "B") if learnt[0] else ("B", "A")
    return (f"How often airways are renewed is learnt in {knows} from its log or counts, and not in {guesses}: that "
            f"part of the difference is what is known and not what is done. Give {guesses} the same log, or say "
            "learn = false under [resecure] in both.",)


def other_prices_paid(a: Unit, b: Unit) -> tuple[str, ...]:
    """Say that prices paid and rises are not in the sums, to someone who changed them."""
    given = [None if unit.prices is None else unit.prices.reset_index(drop=True) for unit in (a, b)]
    if given[0] is given[1] is None:
        return ()
    if given[0] is not None and given[0].equals(given[1]):
        return _paid_otherwise(a, b, given[0])
    return ("The table prices is not the same in both. Prices paid and rises move the months ahead and the budget year "
            "(kitplan forecast) and no sum here: to compare another price, write it into items.csv.",)


def _paid_otherwise(a: Unit, b: Unit, prices: pd.DataFrame) -> tuple[str, ...]:
    """Items whose list price was changed, but that the table prices holds a price of, which the forecast goes by."""
    lists = [(unit.items["price"] / unit.items["pack"]).set_axis(unit.items["item"]) for unit in (a, b)]
    paid = prices.loc[prices["price"].notna(), "item"]
    changed = [item for item in dict.fromkeys(paid) if lists[0].get(item) != lists[1].get(item)]
    return () if not changed else (
        f"The sums are at the prices of items.csv. The months ahead (kitplan forecast) go by the table prices, which "
        f"holds a price of {some_of(changed)}: they do not move until it changes there.",)


def beside_the_months_ahead(a: Unit, year: float, ahead: float) -> tuple[str, ...]:
    """Say it where the twelve months ahead of A, on its own level of use, lie far from the money of a year here."""
    if a.issues is None or not abs(ahead - year) > _APART * year:
        return ()
    return (f"The months ahead of A go by what it issued and paid, and come to {ahead:,.0f} {a.currency} in twelve "
            f"months. All sums here, the difference too, are at recipe and list prices: as much too "
            f"{'large' if ahead < year else 'small'} for a budget.",)


def not_as_asked(a: ParPlan, b: ParPlan) -> tuple[str, ...]:
    """Say it where a shelf or a budget leaves a side less ready than it asks: its stock looks cheap for that alone."""
    return tuple(f"{side} is not as ready as asked: {'; '.join(par.binding)}."
                 for side, par in (("A", a), ("B", b)) if par.answer != "met")


def beds_without_airways(a: Unit, b: Unit, airways_a: float, airways_b: float) -> tuple[str, ...]:
    """Use follows airways and not beds: say how to play more beds to someone who changed the beds alone."""
    beds_a, beds_b = a.bedside.beds, b.bedside.beds
    if not beds_a or not beds_b or abs(airways_b - airways_a) > 1e-9:
        return ()
    wording = f"Beds go from {beds_a} to {beds_b}, the airways stay: use follows airways, not beds."
    if beds_b < beds_a:
        return (f"{wording} Shorten the census of the second unit to match.",)
    more = airways_a / beds_a * (beds_b - beds_a)
    return () if beds_a == beds_b else (
        f"{wording} As full as now, {beds_b - beds_a} more beds hold {more:.1f} airways more: add [[expect]] lines for "
        f"the usual kinds, with beyond_census = true and mean_airways that add up to {more:.1f}.",
    )
