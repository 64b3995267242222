"""The best that a unit's folder knows about how often: its log before a learnt block, that before the shipped guess."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from kitplan.demand.estimate import Learnt, learn
from kitplan.demand.posterior import DRAWS, census_means
from kitplan.demand.resecure import hastened, hazard_factors, long_run_rates, rate_ratios
from kitplan.demand.streams import even_normals
from kitplan.demand.use import use_model
from kitplan.demand.values import kept
from kitplan.read.values import Unit, UseRate


def with_best_knowledge(unit: Unit) -> Unit:
    """Return the unit with its hazards at the mean of what is known best, and draws of the rate about that mean.

    What the unit states is known. Else its log comes first, then use that was counted, then use that the stores issued,
    then the range of the guess; learn = false leaves all but that alone. Every part then plans on one rate.
    """
    doubt = unit.doubt
    if doubt.rate_ratio is not None:
        return unit
    if doubt.learn and unit.log is not None and (learnt := what_the_log_says(unit)).pooled is not None:
        rng = np.random.default_rng([unit.planning.seed, 41])
        ratio = learnt.pooled.draw(DRAWS, rng) / learnt.pooled.mean
        return replace(unit, frequency=learnt.frequency(unit), doubt=replace(doubt, rate_ratio=ratio, rate_from="log"))
    if doubt.rate_range is None:
        return unit
    use, source = (doubt.use_rate, "counts") if doubt.learn else (None, "")
    if use is None and doubt.learn and unit.issues is not None:
        use, source = what_the_issues_say(unit), "issues"
        unit = replace(unit, doubt=replace(doubt, use_rate=use))
    if use is None:
        return _moved(unit, rate_ratios(unit, DRAWS), "guess")
    rates = long_run_rates(unit)["re_secures_per_day"].to_numpy(float)
    draws = np.exp(use.log_mean + use.log_sd * even_normals(unit.planning.seed, "rate", DRAWS)) / rates.mean()
    return _moved(unit, draws[:, None] * np.ones((1, unit.n_strata)), source)


def what_the_issues_say(unit: Unit) -> UseRate | None:
    """The rate that stock issues tell; None where they are too few, or of months without a census to set against."""
    from kitplan.demand.rate_from_use import issued, learn_from, use_rate

    uses = issued(unit)
    if not uses:
        return None
    # What left the store went to the airways counted, not to those that may come or three beds more.
    unit = replace(unit, census=replace(unit.census, expected=unit.census.expected[:0]))
    model, (shown, came) = use_model(unit), census_means(unit)  # issues are of the census's own months, not of its end
    airways = long_run_rates(unit).assign(mean_airways=shown, arrivals_per_day=came)
    per_day = shown @ (model.per_day + model.arrivals[:, None] * model.per_arrival)
    days = unit.stock.protection_interval_days
    expected = pd.DataFrame({"item": unit.items["item"].to_numpy(), "expected_units": per_day * days})
    found = learn_from(unit, airways, expected, uses, whole_packs=True)
    return use_rate(found, airways) if found else None


def _moved(unit: Unit, ratio: np.ndarray, rate_from: str) -> Unit:
    """The unit at the mean of its rates drawn; ratio: draws over the rates of Unit.frequency, (n_draws, n_strata)."""
    middle = ratio.mean(axis=0)
    factor = hazard_factors(unit, middle[None])[0]
    return replace(unit, frequency=hastened(unit.frequency, factor), doubt=replace(
        unit.doubt, rate_ratio=ratio / middle, rate_from=rate_from, hastened=factor))


def as_use_taught(known: Unit, other: Unit, like: np.ndarray) -> Unit:
    """`other`, a copy with another routine or recipe, with its hazards hastened as past use says of the unit itself.

    Past use teaches a total. Read anew under the other routine, the same total would come out, and the difference that
    was asked about be taken away. known: the unit `with_best_knowledge`; other: as it was read. like: kinds of `other`
    -> kinds of `known`. Where use teaches nothing, `other` stays as it is.
    """
    doubt = known.doubt
    if doubt.rate_from not in _OF or doubt.rate_ratio is None or doubt.hastened is None:
        return other
    factor = doubt.hastened[like]
    return replace(other, frequency=hastened(other.frequency, factor), doubt=replace(
        other.doubt, rate_ratio=doubt.rate_ratio[:, like], rate_from=doubt.rate_from, use_rate=doubt.use_rate,
        hastened=factor))


@kept(4, lambda unit: ((unit.log, unit.census), ()))
def what_the_log_says(unit: Unit) -> Learnt:
    """What the log teaches: the same for a unit as read and as planned with what was learnt."""
    return learn(unit)


_OF = {"counts": "counts", "issues": "stock issues"}


def said_of_rate(unit: Unit) -> str:
    """One sentence: where the re-secure rate comes from, and how sure it is."""
    doubt, one, acts = unit.doubt, unit.words.one, unit.words.acts
    if doubt.rate_from in ("counts", "issues") and doubt.use_rate is not None:
        sd = doubt.use_rate.log_sd  # in the middle the mean, which every number of the plan rests on
        low, mean, high = np.exp(doubt.use_rate.log_mean + sd * np.array([-1.645, sd / 2, 1.645]))
        return (f"How often: learnt from {doubt.use_rate.days} days of {_OF[doubt.rate_from]}, {mean:.2f} {acts} for "
                f"each {one} a day ({low:.2f} to {high:.2f}).")
    if doubt.rate_from == "log" and doubt.rate_ratio is not None:
        low, high = np.quantile(doubt.rate_ratio.mean(axis=1), [0.05, 0.95])
        return ("How often: learnt from the unit's own log, "
                f"sure to {100 * (low - 1):+.0f} % and {100 * (high - 1):+.0f} %.")
    if doubt.rate_range is None:
        return "How often: the unit's own numbers, taken as known."
    low, high = doubt.rate_range
    own = "the range that the unit gives" if not _shipped(unit) else "the shipped guess"
    return f"How often: {own}, {low:g} to {high:g} {acts} for each {one} a day. A log of three months would tell."


def _shipped(unit: Unit) -> bool:
    return any(a.name == "rate_range" and not a.source.startswith("this unit") for a in unit.assumptions)
