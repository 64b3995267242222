"""Proof by play: new years of a unit and its stock room, day after day, under the plan and under what people do today.

Each copy of the unit draws what is not known first (the fitted parameters) and then lives years that nobody has seen.
Nothing else of the planner's demand or quantiles is used: the unit's input values, which item fills which role, and
the par levels to be tried, ordered as the sheet says. A plan is ready in an interval when no item ran short between
two receipts; `covered` is the planner's own definition (use over review + lead time within what was on the shelf and
on order), which dates can only worsen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from kitplan.brief import Result
from kitplan.demand.posterior import DRAWS, fit_posterior
from kitplan.demand.proportion import wilson_interval
from kitplan.demand.values import ItemChoice
from kitplan.demand.whole import whole_up
from kitplan.parts.par.instance import floor_units, present_units
from kitplan.parts.par.values import ParPlan
from kitplan.parts.simulate.issue_play import MOST_PLAYED, load, play_issues, stock_clock, windows
from kitplan.parts.simulate.stock_ledger import LedgerRun, ReviewRule, play_ledger, within_position
from kitplan.read.days import YEAR_DAYS
from kitplan.read.values import Unit

WARM_INTERVALS = 4
"""Protection intervals played before anything is counted."""

RECORD_YEARS, RECORD_REPLICATIONS = 4, 8
"""Past use that the rules of thumb may look at: long enough for a true mean, so that they are at their best."""

PLAN, PRESENT = "plan", "present par"
"""Names of the rows of the summary that are not rules of thumb."""

STEPS, MOST = 24, 64.0
"""Halvings of the interval in which a rule's factor is sought (to one part in 16 million), and its upper end."""

Rule = Callable[[float], np.ndarray]


@dataclass(frozen=True, repr=False)
class SimulationResult(Result, writes={
    "simulation": "summary", "simulation_items": "items", "simulation_agreement": "agreement",
}):
    """What the play showed.

    summary: one row a way of setting par levels; expired_units and the rates are per year; par_value is what is on the
    shelf and on order after ordering, on the mean. items: one row an item under the plan. agreement: planner against
    new years. Columns as in columns.csv: simulation, simulation_items, simulation_agreement.
    years, replications: unit-years played are their product. asked: replications asked for, where that were more.
    """

    summary: pd.DataFrame
    items: pd.DataFrame
    agreement: pd.DataFrame
    years: int
    replications: int
    asked: int = 0

    def sentences(self, currency: str) -> list[str]:
        summary = self.summary.set_index("plan")
        plan, said = summary.loc[PLAN], self.agreement.iloc[0]
        verdict = "They agree." if said["agrees"] else "They disagree: rest on neither until the cause is found."
        lines = [
            f"In new years that nobody has seen the plan was ready in {100 * plan['readiness']:.1f} % of intervals and "
            f"ran an item short {plan['stockouts_per_year']:.1f} times a year.",
            f"Use within what was on the shelf and on order, the planner's own measure: planned "
            f"{100 * said['planner']:.1f} %, played {100 * said['played']:.1f} %. {verdict}",
        ]
        if self.asked > self.replications:
            lines.append(f"{self.replications} copies were played, and not {self.asked}: so many airways come and are "
                         "secured that more would take too long. What is told is the less sure for it.")
        if "kits in use" in str(said["measure"]):
            lines.append("Par levels also cover what kits in use tie up; the play leaves that out, so it may be "
                         "readier.")
        tuned = summary[summary["tuned"].astype(bool)]
        if len(tuned):
            lines.append(
                f"For the same readiness the best rule of thumb needs {tuned['par_value'].min():,.0f} {currency} on "
                f"the shelf and on order on the mean; the plan needs {plan['par_value']:,.0f}."
            )
        return lines


def simulate(
    unit: Unit,
    item_choice: ItemChoice,
    par: ParPlan,
    *,
    present_item_choice: ItemChoice | None = None,
    years: int = 1,
    replications: int = 256,
    seed: int | None = None,
    progress: Callable[[str], None] | None = None,
) -> SimulationResult:
    """Play `years` years of `replications` copies of the unit under the plan, present par and rules of thumb.

    present_item_choice: which items fill the roles with what the unit holds today, where that is not the plan's
    choice; present par meets the same airways and checks, used up in its own items. Fewer copies are played where
    MOST_PLAYED asks for it.
    Raises ValueError when a year holds no whole interval.
    """
    say = progress or (lambda _: None)
    seed = unit.planning.seed if seed is None else seed
    clock = stock_clock(unit)
    warm = WARM_INTERVALS * clock.interval_steps
    days = int(np.ceil(years * YEAR_DAYS + warm / clock.steps_per_day))
    unknown = fit_posterior(unit)

    def issues(choice: ItemChoice) -> np.ndarray:
        return play_issues(unit, choice, days, replications, seed, "simulate", unknown)

    asked, replications = replications, min(replications, max(int(MOST_PLAYED / load(unknown, days)), 2))
    say(f"playing {replications} x {years} new years, check by check")
    room = _StockRoom(unit, issues(item_choice), warm, seed)
    level = par.levels["par_units"].to_numpy(np.int64)
    say("setting par levels by rules of thumb")
    record_days = int(RECORD_YEARS * YEAR_DAYS)
    records = min(RECORD_REPLICATIONS, max(int(MOST_PLAYED / load(unknown, record_days)), 1))
    past = play_issues(unit, item_choice, record_days, records, seed, "records", unknown)
    pars = {PLAN: level} | _by_rule(room, past, floor_units(unit), level)
    say("playing the stock room")
    run = room.play(np.stack(list(pars.values())))
    rows = [room.row(name, k, run, tried) for k, (name, tried) in enumerate(pars.items())]
    if (present := present_units(unit)) is not None:
        today = room
        if present_item_choice is not None:
            today = _StockRoom(unit, issues(present_item_choice), warm, seed)
        rows.insert(1, today.row(PRESENT, 0, today.play(present[None]), present))
    agreement = _agreement(run, par, unit.bedside.kits_from_shelf)
    return SimulationResult(pd.DataFrame(rows), room.item_rows(run, level, par), agreement, years, replications, asked)


class _StockRoom:
    """One stream of issues against which par levels are tried.

    over: what lies above par on the first day, anywhere in a pack: slow items take years to pass through one.
    """

    def __init__(self, unit: Unit, issued: np.ndarray, warm_steps: int, seed: int) -> None:
        clock = stock_clock(unit)
        self.items, self.issued, self.warm, self.clock = unit.items, issued, warm_steps, clock
        life = unit.items["shelf_life_days"].to_numpy(float) * clock.steps_per_day
        self.rule = ReviewRule(
            clock.review_steps,
            clock.lead_steps,
            unit.items["pack"].to_numpy(float).astype(np.int64),
            np.where(np.isnan(life), np.inf, np.maximum(np.round(life), 1)),
        )
        self.over = np.random.default_rng([seed, 5]).integers(0, self.rule.pack, issued.shape[1:])
        self.unit_price = unit.items["price"].to_numpy(float) / unit.items["pack"].to_numpy(float)

    def play(self, par: np.ndarray) -> LedgerRun:
        return play_ledger(self.issued, par, self.rule, self.warm, self.over)

    def covered_share(self, par: np.ndarray) -> np.ndarray:
        return within_position(self.issued, par, self.rule, self.warm, self.over).mean(axis=(1, 2))

    def row(self, name: str, k: int, run: LedgerRun, level: np.ndarray) -> dict[str, Any]:
        """One row of the summary."""
        years = run.steps / self.clock.steps_per_day / YEAR_DAYS
        ready, covered = share_interval(run.ready[k]), share_interval(run.covered[k])
        return {
            "plan": name, "readiness": ready[0], "low": ready[1], "high": ready[2],
            "covered": covered[0], "covered_low": covered[1], "covered_high": covered[2],
            "stockouts_per_year": run.short_intervals[k].sum(axis=1).mean() / years,
            "orders_per_year": run.order_days[k].mean() / years,
            "order_lines_per_year": run.order_lines[k].mean() / years,
            "expired_units": run.expired[k].sum(axis=1).mean() / years,
            "mean_value": float(run.mean_on_hand[k].mean(axis=0) @ self.unit_price),
            "par_value": float(np.where(level > 0, level + (self.rule.pack - 1) / 2, 0.0) @ self.unit_price),
            "tuned": name.startswith("tuned: "),
        }

    def item_rows(self, run: LedgerRun, level: np.ndarray, par: ParPlan) -> pd.DataFrame:
        """One row an item of the plan (row 0 of the run)."""
        years = run.steps / self.clock.steps_per_day / YEAR_DAYS
        intervals = run.ready.shape[2]
        short = run.short_intervals[0].T / intervals
        seen = [n for s in short if (n := effective_intervals(s, intervals))]
        # An item that was never short says nothing of how alike intervals are: the least of the others speaks for it.
        shares = np.array([share_interval_of_means(s, intervals, min(seen, default=None)) for s in short])
        use = self.issued[self.warm :].sum(axis=0).mean(axis=0)
        span = (len(self.issued) - self.warm) / self.clock.steps_per_day / YEAR_DAYS
        return pd.DataFrame({
            "item": self.items["item"].to_numpy(), "par_units": level, "use_per_year": use / span,
            "shortage_chance_planned": par.levels["shortage_chance"].to_numpy(float),
            "shortage_chance_played": shares[:, 0], "low": shares[:, 1], "high": shares[:, 2],
            "mean_on_hand": run.mean_on_hand[0].mean(axis=0), "expired_units": run.expired[0].mean(axis=0) / years,
        })


def _by_rule(room: _StockRoom, past: np.ndarray, floor_units: np.ndarray, plan: np.ndarray) -> dict[str, np.ndarray]:
    """Par levels by each rule, with factors in common use and tuned to the plan's own `covered` share."""
    interval_steps = room.clock.interval_steps
    whole = windows(past, interval_steps)
    each = rules(whole, max(int(YEAR_DAYS * room.clock.steps_per_day / interval_steps), 1), floor_units)
    pars = {name.format(f): rule(f) for name, (rule, factors) in each.items() for f in factors}
    target = float(room.covered_share(plan[None])[0])
    found = tune([rule for rule, _ in each.values()], room.covered_share, target)
    for (name, (rule, _)), factor in zip(each.items(), found):
        if factor is not None:
            pars["tuned: " + name.replace(".3g", ".4g").format(factor)] = rule(factor)
    return pars


def share_interval(hits: np.ndarray) -> tuple[float, float, float]:
    """Share of True in (replications, intervals) with a 95 % interval that knows intervals of one replication."""
    return share_interval_of_means(hits.mean(axis=1), hits.shape[1])


def effective_intervals(means: np.ndarray, intervals: int) -> float | None:
    """Independent intervals that would tell as much as all replications of `intervals`; None where all are one.

    share (1 - share) / Var(mean), at most all of them, because intervals of one replication are alike.
    """
    share, count = float(means.mean()), len(means)
    if share * (1 - share) <= 1e-12:
        return None
    variance = float(means.var(ddof=1)) / count if count > 1 else 0.0
    return min(share * (1 - share) / max(variance, 1e-300), float(count * intervals))


def share_interval_of_means(
    means: np.ndarray, intervals: int, where_unseen: float | None = None
) -> tuple[float, float, float]:
    """Share and 95 % interval from the means of independent replications, each over `intervals` intervals.

    Wilson's interval at the effective number of intervals. Where the
    share is 0 or 1 nothing tells how alike they are: `where_unseen` intervals, or a whole replication as one.
    """
    share = float(means.mean())
    n = effective_intervals(means, intervals) or where_unseen or float(len(means))
    return share, *wilson_interval(share * n, n)


def _agreement(run: LedgerRun, par: ParPlan, kits_left_out: bool) -> pd.DataFrame:
    """Planner against new years on the planner's own definition; they agree when their 95 % intervals meet.

    Both are means over what is not known. The planner's error: readiness differs from draw to draw of that (its range
    is 90 % of them wide), and each scenario is ready or not. kits_left_out: the par levels also cover what kits in use
    tie up, which is not played, so the play may be readier.
    """
    share, low, high = share_interval(run.covered[0])
    said = par.readiness
    between = (said.high - said.low) / (2 * 1.6449)
    draws = min(DRAWS // 2, said.verify_scenarios)
    error = np.sqrt(between**2 / draws + said.verified * (1 - said.verified) / said.verify_scenarios)
    least, most = max(said.verified - 1.96 * error, 0.0), min(said.verified + 1.96 * error, 1.0)
    kits = "; kits in use are planned for and not played" if kits_left_out else ""
    return pd.DataFrame([{
        "measure": f"readiness: use over review + lead time within what was on the shelf and on order{kits}",
        "planner": said.verified, "planner_low": least, "planner_high": most, "played": share, "played_low": low,
        "played_high": high, "agrees": (low <= most or kits_left_out) and least <= high,
    }])


def rules(intervals: np.ndarray, a_year: int, floor_units: np.ndarray) -> Mapping[str, tuple[Rule, tuple[float, ...]]]:
    """Name -> (par units as a function of the factor, factors in common use), from what a coordinator may know.

    intervals: past use per protection interval, shape (n_intervals, replications, n_items): mean and deviation are of
    all, the most of one year, the first `a_year` of replication 0.
    """
    flat = intervals.reshape(-1, intervals.shape[-1])
    mean, sd, most = flat.mean(axis=0), flat.std(axis=0, ddof=1), intervals[:a_year, 0].max(axis=0)

    def rounded_up(units: np.ndarray) -> np.ndarray:
        return np.asarray(whole_up(np.maximum(units, floor_units)))

    return {
        "{:.3g} x mean use": (lambda k: rounded_up(k * mean), (1.5, 2.0)),
        "mean + {:.3g} sd": (lambda z: rounded_up(mean + z * sd), (1.645, 2.326)),
        "{:.3g} x most ever used": (lambda f: rounded_up(f * most), (1.0,)),
    }


def tune(each: list[Rule], ready: Callable[[np.ndarray], np.ndarray], target: float) -> list[float | None]:
    """Smallest factor of each rule whose ready share reaches `target`, by halving; None where none does.

    ready: par units, shape (n_rules, n_items) -> ready share, shape (n_rules,). All are sought together.
    """
    low, high = np.zeros(len(each)), np.full(len(each), MOST)
    reached = ready(np.stack([rule(f) for rule, f in zip(each, high)])) >= target
    for _ in range(STEPS):
        middle = (low + high) / 2
        enough = ready(np.stack([rule(f) for rule, f in zip(each, middle)])) >= target
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    return [float(f) if ok else None for f, ok in zip(high, reached)]
