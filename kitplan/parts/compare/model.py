"""What if: two units, or two versions of one, side by side, and which difference moved what.

The way from A to B is walked one cause at a time, in a fixed order; each cause gets the step it makes, so that the
causes add up to the whole difference: number and sizes of airways, technique and skin protection, frequency, recipes,
catalogue and preferences, prices, policy. Another order could share an interaction out differently; the table says so.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand.best_knowledge import as_use_taught, with_best_knowledge
from kitplan.demand.occupancy import mean_airways
from kitplan.demand.use import use_model
from kitplan.demand.values import ItemChoice
from kitplan.parts.compare import notes
from kitplan.parts.compare.bands import year_bands
from kitplan.parts.kits.model import KitPlan, more_than_asked
from kitplan.parts.par.values import ParPlan
from kitplan.read.days import MONTH_DAYS
from kitplan.read.problems import InputError, Problem
from kitplan.read.values import STRATUM_COLUMNS, STRATUM_KEY, Route, Unit

SIZE = ["route", "size"]
_AS_READY = 0.005
"""Readiness that lies no further apart is taken for the same."""


@dataclass(frozen=True)
class Month:
    """A mean month of one unit: money, re-secures (attempts, without admissions), units of each item by name.

    by_kind: airways of each kind (index STRATUM_KEY), money and attempts of one of them.
    """

    value: float
    re_secures: float
    airways: float
    units: pd.Series
    by_kind: pd.DataFrame


@dataclass(frozen=True, repr=False)
class Comparison(Result, writes={
    "compare_money": "money", "compare_items": "items", "compare_causes": "causes", "compare_kits": "kits",
}):
    """Two units side by side; frames as config/columns.csv describes compare_money, _items, _causes and _kits."""

    name_a: str
    name_b: str
    money: pd.DataFrame
    items: pd.DataFrame
    causes: pd.DataFrame
    currency: str
    kits: pd.DataFrame
    words: Route
    notes: tuple[str, ...] = ()

    def sentences(self) -> list[str]:
        """What to say first, in A's words: the difference in money, and the cause that moved most."""
        told = self.words.told
        measures = self.money.set_index("measure")
        row = measures.loc["money used a year"]
        lines = [
            f"{self.name_b} uses {row['b']:,.0f} {self.currency} of supplies a year against {row['a']:,.0f} in "
            f"{self.name_a}: {_signed(row['difference'])}" + told(_surely(row))
        ]
        if len(self.causes):
            moved = self.causes.iloc[self.causes["monthly_value"].abs().argmax()]
            if abs(moved["monthly_value"]) >= 0.5:
                lines.append(
                    f"Most of it: {told(moved['cause'])} ({12 * moved['monthly_value']:+,.0f} {self.currency} a year)."
                )
        par, ready = measures.loc["value of the stock at par"], measures.loc["readiness verified"]
        as_ready = "" if abs(ready["difference"]) < _AS_READY else (
            f", readiness {100 * ready['b']:.1f} % against {100 * ready['a']:.1f} %")
        lines.append(f"Stock at par: {par['b']:,.0f} {self.currency} against {par['a']:,.0f} "
                     f"({_signed(par['difference'])}){as_ready}.")
        return [*lines, *map(told, self.notes)]


def mean_month(unit: Unit, item_choice: ItemChoice | None = None) -> Month:
    """A mean month of the unit by rates: airways x use, and arrivals x what an arrival adds."""
    model = use_model(unit, item_choice)
    airways = mean_airways(unit)
    per_airway = MONTH_DAYS * np.maximum(model.per_day + model.arrivals[:, None] * model.per_arrival, 0.0)
    units = airways @ per_airway
    kinds = unit.strata[STRATUM_KEY].assign(
        airways=airways, value=per_airway @ model.price, attempts=model.counted() * MONTH_DAYS)
    return Month(
        float(units @ model.price),
        float(airways @ model.counted() * MONTH_DAYS),
        float(airways.sum()),
        pd.Series(units, index=list(model.items)),
        kinds.set_index(STRATUM_KEY),
    )


def asked_of(now: Unit, other: Unit) -> Unit | None:
    """`other` as a question about `now`, both as they were read: None where that is `other` itself.

    A copy has the same past use. Where it is run otherwise, reading the same total anew would take the difference away:
    it goes on from what use teaches of `now`.
    """
    known, own = with_best_knowledge(now), with_best_knowledge(other)
    if not notes.one_past_use(known, own):
        return None
    taught = [unit.doubt.use_rate.log_mean if unit.doubt.use_rate else 0.0 for unit in (known, own)]
    alike = abs(taught[0] - taught[1]) < 1e-6 and now.frequency.equals(other.frequency)
    return None if alike else as_use_taught(known, other, most_like(now, other))


def expected(results: Mapping[str, Any]) -> float:
    """Money of the next twelve months by the results of a plan, NaN where it does not forecast so many."""
    view = results.get("forecast")
    return np.nan if view is None else float(view.forecast.total["value"][:12].sum(min_count=12))


def compare_units(
    a: Unit, b: Unit, plan: Callable[[Unit], Any], asked: bool = False, ahead: float = np.nan
) -> Comparison:
    """Compare two units. plan: plans a unit's par levels, and kits where it has any (always with the same seed, so that
    differences are causes). asked: b is what `asked_of` made of it. ahead: of A, as `expected`.

    Raises InputError when the two count in different currencies.
    """
    if a.currency != b.currency:
        fault = f"is not the currency of {a.name} ({a.currency})"
        mend = "Give both units the same currency and convert the prices."
        raise InputError([Problem(f"{b.name}: unit.toml", fault, mend, column="currency", value=b.currency)],
                         "comparing two units")
    a, b = with_best_knowledge(a), with_best_knowledge(b)
    steps = list(_walk(a, b))
    plans = [plan(a)]  # made again only where a step changed something that it rests on
    for (_, before), (_, unit) in itertools.pairwise(steps):
        plans.append(plans[-1] if _same(before, unit) else plan(unit))
    months = [mean_month(unit, planned.item_choice) for (_, unit), planned in zip(steps, plans)]
    pars = [planned.par for planned in plans]
    kits = [planned.kits if "kits" in planned.parts else None for planned in (plans[0], plans[-1])]
    causes = _causes(steps, months, pars)
    years = year_bands(a, b, (plans[0].item_choice, plans[-1].item_choice), most_like(a, b))
    name_a, name_b = (u.name if a.name != b.name else f"{u.name} ({u.path.name})" for u in (a, b))
    return Comparison(
        name_a,
        name_b,
        _money(a, b, months, pars, kits, years),
        _items(months, pars, a, b),
        causes,
        a.currency,
        _kits(kits),
        a.words,
        (*notes.not_as_asked(pars[0], pars[-1]), *([notes.GOES_ON] if asked else notes.rates_rest_on(a, b)),
         *notes.beside_the_months_ahead(a, 12 * months[0].value, ahead), *notes.other_prices_paid(a, b),
         *notes.beds_without_airways(a, b, months[0].airways, months[-1].airways),
         *(more_than_asked(b, kits[1].contents["design"].nunique()) if kits[1] else ())),
    )


def _signed(difference: float) -> str:
    """A whole number with its sign; none for what rounds to nothing."""
    return f"{difference:+,.0f}" if abs(difference) >= 0.5 else "no change"


def _surely(row: pd.Series) -> str:
    """The band of the difference, where it is no mere point."""
    if abs(row["high_difference"] - row["low_difference"]) < 1:
        return "."
    return (f"; in the next twelve months, 8 times in 10, between {row['low_difference']:+,.0f} and "
            f"{row['high_difference']:+,.0f}, by chance and what is not known of how many airways come and how often "
            "they are renewed.")


def _walk(a: Unit, b: Unit) -> Iterator[tuple[str, Unit]]:
    """(cause, unit after it): from A, cause by cause, to B."""
    yield "", a
    like, ratio = most_like(a, b), a.doubt.rate_ratio
    place = replace(
        a,
        census=b.census,
        strata=b.strata,
        frequency=a.frequency.iloc[like].set_axis(b.strata.index),
        doubt=replace(a.doubt, rate_ratio=ratio if ratio is None or ratio.shape[1] == 1 else ratio[:, like]),
        techniques={**b.techniques, **a.techniques},
    )
    yield "number, sizes and securing of airways", place
    place = replace(place, frequency=b.frequency, checks_per_day=b.checks_per_day, doubt=b.doubt)
    yield "how often they are renewed", place
    place = replace(place, techniques=b.techniques)
    yield "recipes", place
    old = (a.items["price"] / a.items["pack"]).set_axis(a.items["item"])  # of one piece, of items that both carry
    price = (b.items["item"].map(old) * b.items["pack"]).fillna(b.items["price"])
    place = replace(place, items=b.items.assign(price=price), prefer=b.prefer)
    yield "catalogue: items, packs, roll lengths, preferences", place
    place = replace(place, items=b.items)
    yield "prices", place
    yield "stock policy: readiness, review, lead, limits", b


def most_like(a: Unit, b: Unit) -> np.ndarray:
    """For each kind of B the one of A whose rate it takes: the same, else the same size, else the same route, else the
    commonest. ndarray (n_strata of B,), positions.
    """
    airways = mean_airways(a)
    known = a.strata[STRATUM_KEY].reset_index(drop=True)
    rows = []
    for want in b.strata[STRATUM_KEY].itertuples(index=False):
        for keys in (STRATUM_KEY, [*SIZE, "technique"], SIZE, ["route", "technique"], ["route"], []):
            same = np.array([known[key] == getattr(want, key) for key in keys]).reshape(-1, len(known)).all(axis=0)
            if same.any():
                rows.append(int(np.nonzero(same)[0][np.argmax(airways[same])]))
                break
    return np.array(rows, dtype=int)


def _same(one: Unit, two: Unit) -> bool:
    """Whether a plan of both rests on the same."""
    used = {*one.strata["technique"], *two.strata["technique"]}
    frames, values = zip(*(
        ((unit.strata, unit.frequency, unit.items, unit.census.rows, unit.census.expected),
         (unit.census.mean_stay_days, [unit.techniques.get(name) for name in used], unit.stock, unit.bedside,
          unit.checks_per_day, dict(unit.prefer)))
        for unit in (one, two)))
    return values[0] == values[1] and all(
        frame.reset_index(drop=True).equals(other.reset_index(drop=True)) for frame, other in zip(*frames))


def _causes(steps: list[tuple[str, Unit]], months: list[Month], pars: list[ParPlan]) -> pd.DataFrame:
    after = pd.DataFrame({
        "cause": [cause for cause, _ in steps], "monthly_value": [month.value for month in months],
        "re_secures": [month.re_secures for month in months],
        "par_value": [par.value for par in pars], "par_litres": [par.litres for par in pars],
    })
    frame = after.set_index("cause").diff().iloc[1:].reset_index()
    # A billionth left over from adding equal things in another order is rounding and no cause.
    causes = _split_first(frame, months[0], months[1]).round({"monthly_value": 9, "re_secures": 9})
    causes.insert(2, "yearly_value", 12 * causes["monthly_value"])
    return causes


def _split_first(frame: pd.DataFrame, a: Month, b: Month) -> pd.DataFrame:
    """Split the first cause in two: airways that are secured in another way than in A, and how many there are.

    Par levels are not split, because a stock room has no par for half a step: their change stands at the part that
    alone differs, or at the larger of the two.
    """
    securing = _converted(a.by_kind, b.by_kind)
    whole = frame.loc[0, ["monthly_value", "re_secures"]].to_numpy(float)
    number = whole - securing
    par = frame.loc[0, ["par_value", "par_litres"]].to_numpy(float)
    number_leads = abs(number[0]) >= abs(securing[0])
    rows = [
        ("number, sizes and stays of airways", *number, *(par * number_leads)),
        ("technique and skin protection", *securing, *(par * (not number_leads))),
    ]
    return pd.concat([pd.DataFrame(rows, columns=frame.columns), frame.iloc[1:]], ignore_index=True)


def _converted(a: pd.DataFrame, b: pd.DataFrame) -> np.ndarray:
    """Money and attempts a month of airways that change their technique or skin within one size, ndarray (2,).

    Within a size, kinds that grow take from kinds that shrink what is there to take; what is left over is more or fewer
    airways of the kind it is. So three plain beds more are no change of technique, whatever the mix was before.
    """
    index = a.index.union(b.index, sort=False)
    per_airway = b[["value", "attempts"]].reindex(index).fillna(a[["value", "attempts"]])
    change = b["airways"].reindex(index, fill_value=0.0) - a["airways"].reindex(index, fill_value=0.0)
    moved = np.zeros(2)
    for _, delta in change.groupby(level=SIZE):
        up, down = delta.clip(lower=0.0), -delta.clip(upper=0.0)
        both = min(up.sum(), down.sum())
        if both > 1e-12:
            each = up / up.sum() - down / down.sum()
            moved += both * (each.to_numpy()[:, None] * per_airway.loc[delta.index].to_numpy()).sum(axis=0)
    return moved


def _money(a: Unit, b: Unit, months: list[Month], pars: list[ParPlan], kits: list[KitPlan | None], years: pd.DataFrame
           ) -> pd.DataFrame:
    first, last, one, two = months[0], months[-1], pars[0], pars[-1]
    a_day = [month.value / max(month.airways * MONTH_DAYS, 1e-9) for month in (first, last)]
    rows = [
        ("money used a year", 12 * first.value, 12 * last.value),
        ("money used a month", first.value, last.value),
        ("re-secures a month", first.re_secures, last.re_secures),
        ("airways in place", first.airways, last.airways),
        ("money used for an airway-day", *a_day),
        ("value of the stock at par", one.value, two.value),
        ("litres at par", one.litres, two.litres),
        ("readiness verified", one.readiness.verified, two.readiness.verified),
        ("readiness target", a.stock.readiness, b.stock.readiness),
    ]
    designs = [float(side.contents["design"].nunique()) for side in kits if side is not None]
    rows += [("kit designs", *designs)] if len(designs) == 2 else []
    frame = pd.DataFrame(rows, columns=["measure", "a", "b"])
    frame = frame.assign(difference=frame["b"] - frame["a"])
    bands = {f"{end}_{row['side']}": [row[end]] for row in years.to_dict("records") for end in ("low", "high")}
    return frame.join(pd.DataFrame(bands))  # of the first row alone, the money used a year


def _kits(sides: list[KitPlan | None]) -> pd.DataFrame:
    """Which design serves each kind of airway on either side, and how many re-secures it holds."""
    columns = [*STRATUM_COLUMNS, "design", "re_secures"]
    frames = (pd.DataFrame(columns=columns) if kits is None else kits.strata[columns] for kits in sides)
    a, b = (frame.set_index(STRATUM_COLUMNS).add_prefix(f"{name}_").reset_index() for name, frame in zip("ab", frames))
    return a.merge(b, how="outer", on=STRATUM_COLUMNS)


def _items(months: list[Month], pars: list[ParPlan], a: Unit, b: Unit) -> pd.DataFrame:
    """Items that either uses or holds: use, money at each unit's own prices, par; the largest difference first."""
    called = pd.concat([b.items, a.items]).drop_duplicates("item").set_index("item")["description"]
    frame = pd.DataFrame({"item": months[0].units.index.union(months[-1].units.index, sort=False)})
    frame["description"] = frame["item"].map(called)
    for side, unit, month, par in (("a", a, months[0], pars[0]), ("b", b, months[-1], pars[-1])):
        price = (unit.items["price"] / unit.items["pack"]).set_axis(unit.items["item"])
        frame[f"{side}_units"] = frame["item"].map(month.units).fillna(0.0)
        frame[f"{side}_value"] = (frame[f"{side}_units"] * frame["item"].map(price)).fillna(0.0)
        frame[f"{side}_par_packs"] = frame["item"].map(par.levels.set_index("item")["par_packs"]).astype(float)
    more = frame["b_value"] - frame["a_value"]
    frame["year_difference"] = 12 * more
    used = (frame[["a_units", "b_units"]].abs().sum(axis=1) > 1e-9) | (
        frame[["a_par_packs", "b_par_packs"]].fillna(0).sum(axis=1) > 0
    )
    order = more[used].abs().sort_values(ascending=False, kind="stable").index
    columns = ["item", "description", "a_units", "b_units", "a_value", "b_value", "year_difference", "a_par_packs",
               "b_par_packs"]
    return frame.loc[order, columns].reset_index(drop=True)
