"""Demand scenarios: units of each item that leave the stock room in one interval, all items from the same babies.

One scenario draws who is there, how prone each airway is to loosen (frailty), its attempts by the exact renewal
count, and what was opened for it before. Items therefore move together; they are never drawn one by one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from kitplan.demand.attempts import draw_attempts, hazard_lots
from kitplan.demand.bounds import at_most
from kitplan.demand.intervals import Intervals, intervals
from kitplan.demand.item_choice import AttemptTables, attempt_tables
from kitplan.demand.occupancy import interval_checks
from kitplan.demand.posterior import Posterior, fit_posterior, known
from kitplan.demand.search import passed
from kitplan.demand.shared_roles import shared_roles, split_uses
from kitplan.demand.streams import name_key, uniforms
from kitplan.demand.use import lengthen, mean_use
from kitplan.demand.values import Demand, DemandPath, Episodes, ItemChoice, kept
from kitplan.read.values import Unit


def draw_demand(
    unit: Unit,
    item_choice: ItemChoice,
    days: float,
    n_scenarios: int,
    seed: int,
    stream: str,
    tables: AttemptTables | None = None,
    posterior: Posterior | None = None,
    by_day: bool = False,
    means: bool = True,
) -> Demand:
    """Draw `n_scenarios` intervals of `days` days.

    posterior: what is not known (default: the half of the unit's own that belongs to the stream). by_day: tell how
    use and kits in circulation move within the interval too (`Demand.path`). means: tell `Demand.mean_by_draw` too.
    Returns Demand with units int32, shape (n_scenarios, n_items), columns in catalogue order.
    """
    tables = _reaching(unit, days, tables)
    own = posterior is None and days == unit.stock.protection_interval_days
    asked = intervals(unit, days, n_scenarios, seed, stream, posterior)
    takes = _takes(unit, item_choice)
    ends = range(1, math.ceil(days) + 1) if by_day else ()
    airways = _own_airways(asked, tables) if own and not by_day else _airways(asked, tables, ends, takes)
    arrived, re_secures, kits, opened = _counted_all(takes, airways)
    units = _used(unit, item_choice, takes, arrived, re_secures, opened, seed, stream)
    return Demand(
        tuple(unit.items["item"]), units[-1], re_secures[-1], days, seed, stream, asked.draw,
        asked.begins.astype(np.float32),
        mean_use(unit, item_choice, days, asked.posterior, tables) if means else np.zeros((0, 0)),
        DemandPath(units.swapaxes(0, 1).copy(), kits.swapaxes(0, 1).copy()) if by_day else None,
    )


@dataclass(frozen=True)
class _Airways:
    """What some scenarios' airways did up to some moments of the interval, the last one its end.

    arrived, re_secures: airways that came, and attempts, int32 (n_moments, n_scenarios, n_strata). kits: airways in
    place less those at the interval's beginning, int16, the same shape, its last axis empty where not asked for. The
    rest are airways with an attempt in the interval, stratum after stratum, of the strata asked for: ends, where each
    stratum begins and ends, (n_strata + 1,); scenario and attempts before the interval, (n,); in it, (n_moments, n).
    """

    arrived: np.ndarray
    re_secures: np.ndarray
    kits: np.ndarray
    ends: np.ndarray
    scenario: np.ndarray
    before: np.ndarray
    during: np.ndarray


def _at_its_end(n_strata: int, episodes: Episodes, before: np.ndarray, during: np.ndarray) -> _Airways:
    """before, during: attempts of each airway."""
    some, ends = _with_attempts(n_strata, episodes, during)
    return _Airways(
        episodes.by_stratum(n_strata, episodes.fresh).astype(np.int32)[None],
        episodes.by_stratum(n_strata, weights=during).astype(np.int32)[None],
        np.zeros((1, episodes.n_scenarios, 0), dtype=np.int16),
        ends, episodes.scenario[some], before[some], during[None, some],
    )


def _with_attempts(n_strata: int, episodes: Episodes, during: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places of the airways that have an attempt, stratum after stratum, and where each stratum begins and ends."""
    some = np.flatnonzero(during)
    stratum = episodes.stratum[some]
    ends = np.append(0, np.cumsum(np.bincount(stratum, minlength=n_strata)))
    return some[np.argsort(stratum, kind="stable")], ends


def _when(asked: Intervals, episodes: Episodes, some: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Owner and moment, in days, of each attempt of the airways `some`, so many each: secures on admission when the
    airway comes, and the next too where they fail; others at one of its checks in the interval, each alike.
    """
    owner, frequency = np.repeat(np.arange(len(some)), count), asked.unit.frequency
    number = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    place = uniforms(asked.seed, f"{asked.stream}/when", episodes.name[some][owner], number)
    start, stop, stratum = np.maximum(episodes.start[some], 0), episodes.stop[some], episodes.stratum[some]
    checks = asked.unit.checks_per_day
    first = np.floor(start * checks) / checks
    last = np.floor(np.minimum(stop, asked.days) * checks) / checks
    when = np.maximum(first[owner] + place * (last - first)[owner], start[owner])
    admission = np.rint(frequency["admission_secures"].to_numpy(float))[stratum]
    after = number - np.where(episodes.fresh[some], admission, -1)[owner]
    at_once = (after < 0) | (after == 0) & (place < frequency["redo"].to_numpy(float)[stratum][owner])
    return owner, np.where(at_once, start[owner], when)


def _day_by_day(
    asked: Intervals, moments: np.ndarray, told: np.ndarray, episodes: Episodes, before: np.ndarray, during: np.ndarray
) -> _Airways:
    """moments: days, ascending, the last at or after the interval's end. told: strata, bool, whose airways are told of
    one by one.
    """
    n_strata, n_moments = asked.unit.n_strata, len(moments)
    some, ends = _with_attempts(n_strata, episodes, during)

    def until(when: np.ndarray) -> np.ndarray:
        return passed(moments, 0, 1, n_moments - 1, when)

    def so_far(moment: np.ndarray, cell: np.ndarray, *shape: int) -> np.ndarray:
        """How many there have been in each of the cells by each moment, int32 (n_moments, *shape)."""
        n_cells = math.prod(shape)
        count = np.bincount(moment * n_cells + cell, minlength=n_moments * n_cells)
        found = count.astype(np.int32).reshape(n_moments, *shape)
        for last, by_then in itertools.pairwise(found):
            by_then += last
        return found

    owner, when = _when(asked, episodes, some, during[some])
    shape, cell = (episodes.n_scenarios, n_strata), episodes.cell(n_strata)
    moment, gone = until(when), episodes.stop <= asked.days
    arrived = so_far(until(episodes.start[episodes.fresh]), cell[episodes.fresh], *shape)
    mine = told[episodes.stratum[some]]
    rank, theirs = np.cumsum(mine) - 1, mine[owner]
    return _Airways(
        arrived,
        so_far(moment, cell[some][owner], *shape),
        (arrived - so_far(until(episodes.stop[gone]), cell[gone], *shape)).astype(np.int16),
        np.append(0, np.cumsum(mine))[ends], episodes.scenario[some][mine], before[some][mine],
        so_far(moment[theirs], rank[owner[theirs]], int(mine.sum())),
    )


def _played(asked: Intervals, tables: AttemptTables, moments: int) -> Iterator[tuple[Episodes, np.ndarray, np.ndarray]]:
    """Airways, and attempts of each before the interval and in it, a block of scenarios at a time."""
    some, blocks = asked.pilot(), asked.blocks(moments)
    seen = asked.episodes(some)
    n_checks = interval_checks(asked.unit, asked.days)
    hazards = hazard_lots(asked.unit, asked.posterior, seen, n_checks, tables, asked.seed, asked.stream)
    drawn = iter([seen]) if blocks == [some] else map(asked.episodes, blocks)
    del seen
    for episodes in drawn:
        yield episodes, *draw_attempts(episodes, hazards, asked.seed, asked.stream)


def _airways(
    asked: Intervals, tables: AttemptTables, moments: Sequence[float] = (), takes: _Takes | None = None
) -> Iterator[_Airways]:
    """At the interval's end; or up to each of the moments, with airways of the strata that open items for a patient."""
    theirs = [stratum for opens in (takes.opened.values() if takes else ()) for stratum in opens]
    told = np.isin(np.arange(asked.unit.n_strata), theirs)
    for played in _played(asked, tables, max(len(moments), 1)):
        if moments:
            yield _day_by_day(asked, np.array(moments, dtype=float), told, *played)
        else:
            yield _at_its_end(asked.unit.n_strata, *played)


_MOST_KEPT = 1_500_000
"""Airways that are kept for the next who asks for them, at 12 bytes each; of larger units they are drawn again."""


def _own_airways(asked: Intervals, tables: AttemptTables) -> Iterable[_Airways]:
    """`_airways` by all that the unit knows; kept where they are few."""
    if asked.airways * asked.n_scenarios > _MOST_KEPT:
        return _airways(asked, tables)
    return _kept_airways(asked.unit, tables, asked.days, asked.n_scenarios, asked.seed, asked.stream)


@kept(2, known)
def _kept_airways(
    unit: Unit, tables: AttemptTables, days: float, n_scenarios: int, seed: int, stream: str
) -> tuple[_Airways, ...]:
    """For the audit asks again for the same airways with other items."""
    return tuple(_airways(intervals(unit, days, n_scenarios, seed, stream), tables))


def draw_ahead(unit: Unit, n_scenarios: int, seed: int, stream: str, tables: AttemptTables) -> None:
    """Draw the airways of protection intervals before it is known which items they take; `draw_demand` finds them."""
    days = unit.stock.protection_interval_days
    if not unit.bedside.kits_from_shelf:
        _own_airways(intervals(unit, days, n_scenarios, seed, stream), _reaching(unit, days, tables))


def _reaching(unit: Unit, days: float, tables: AttemptTables | None) -> AttemptTables:
    """The tables, or longer ones where an interval has more checks than a stay of theirs."""
    tables, n_checks = tables or attempt_tables(unit), interval_checks(unit, days)
    return tables if tables.n_long >= n_checks else attempt_tables(unit, n_checks)


def arrivals_by_stratum(unit: Unit, days: float, n_scenarios: int, seed: int, stream: str) -> np.ndarray:
    """Airways that arrive in `days` days, int32 (n_scenarios, n_strata)."""
    asked = intervals(unit, days, n_scenarios, seed, stream)
    return np.concatenate([asked.arrivals(rows) for rows in asked.blocks()]).astype(np.int32)


DAYS_SCENARIOS = 4000
"""Stretches of days: the quantile of one item or kit needs fewer than the joint readiness of all."""


@dataclass(frozen=True)
class Days:
    """Some days on end, drawn once for all who ask for a part of them: a lead time, the time between counts.

    moments: days since they began, ascending. arrived, re_secures: airways that came by then and attempts, int32
    (n_moments, n_scenarios, n_strata); opened: items opened for patients of each of `takes.opened`, the same way.
    """

    unit: Unit
    takes: _Takes
    moments: tuple[float, ...]
    arrived: np.ndarray
    re_secures: np.ndarray
    opened: np.ndarray
    seed: int

    def arrivals(self, days: float) -> np.ndarray:
        """Airways that arrive in the first of the days, int32 (n_scenarios, n_strata)."""
        return np.asarray(self.arrived[self.moments.index(days)])

    def attempts(self, days: float) -> np.ndarray:
        """Attempts in the first of the days, int32 (n_scenarios, n_strata)."""
        return np.asarray(self.re_secures[self.moments.index(days)])

    def units(self, item_choice: ItemChoice, until: Sequence[float]) -> np.ndarray:
        """Items used by each of these moments, int32 (n_moments, n_scenarios, n_items). item_choice: the one that the
        days were drawn with, or some of its roles.
        """
        takes, at = _takes(self.unit, item_choice), [self.moments.index(days) for days in until]
        opened = self.opened[at][..., [list(self.takes.opened).index(item) for item in takes.opened]]
        return _used(self.unit, item_choice, takes, self.arrived[at], self.re_secures[at], opened, self.seed, _DAYS)


_DAYS = "days"
"""The stream that they are drawn from."""


def draw_days(unit: Unit, item_choice: ItemChoice, seed: int, days: int = 0) -> Days:
    """Days on end told day by day: a protection interval and a day more, or `days` where that is more. The lead time,
    the time between counts and the interval are moments too.
    """
    stock = unit.stock
    reach = max(math.ceil(stock.protection_interval_days) + 1, days)
    within = stock.lead_days, stock.review_days, stock.protection_interval_days
    return _drawn_days(unit, _takes(unit, item_choice), within, reach, seed)


@kept(1, known)
def _drawn_days(unit: Unit, takes: _Takes, within: tuple[float, ...], reach: int, seed: int) -> Days:
    asked = intervals(unit, float(reach), at_most(DAYS_SCENARIOS, unit, reach), seed, _DAYS)
    moments = tuple(sorted({float(m) for m in (*range(1, reach + 1), *within) if m > 0}))
    blocks = _airways(asked, _reaching(unit, reach, None), moments, takes)
    arrived, re_secures, _, opened = _counted_all(takes, blocks)
    return Days(unit, takes, moments, arrived, re_secures, opened, seed)


def used_by(
    unit: Unit, item_choice: ItemChoice, episodes: Episodes, tables: AttemptTables, posterior: Posterior, seed: int,
    stream: str,
) -> np.ndarray:
    """Items that given airways use, int32 (n_scenarios, n_items): their re-secures are drawn."""
    n_checks = max(int(episodes.checks.max(initial=1)), 1)
    hazards = hazard_lots(unit, posterior, episodes, n_checks, tables, seed, stream)
    before, during = draw_attempts(episodes, hazards, seed, stream)
    takes = _takes(unit, item_choice)
    arrived, re_secures, _, opened = _counted(takes, _at_its_end(unit.n_strata, episodes, before, during))
    return _used(unit, item_choice, takes, arrived, re_secures, opened, seed, stream)[-1]


def _counted(takes: _Takes, airways: _Airways) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """What is counted of airways: arrived, re_secures and kits, and what was opened of each of `takes.opened`, int32
    (n_moments, n_scenarios, n_opened).
    """
    opened = np.zeros((*airways.arrived.shape[:2], len(takes.opened)), dtype=np.int32)
    for k, opens in enumerate(takes.opened.values()):
        opened[..., k] = _items_opened(opens, airways)
    return airways.arrived, airways.re_secures, airways.kits, opened


def _counted_all(takes: _Takes, airways: Iterable[_Airways]) -> tuple[np.ndarray, ...]:
    """`_counted` of all blocks together."""
    return tuple(np.concatenate(parts, axis=1) for parts in zip(*(_counted(takes, block) for block in airways)))


def _used(
    unit: Unit, item_choice: ItemChoice, takes: _Takes, arrived: np.ndarray, re_secures: np.ndarray,
    opened: np.ndarray, seed: int, stream: str,
) -> np.ndarray:
    """Items used up to each moment, int32 (n_moments, n_scenarios, n_items)."""
    column = {name: i for i, name in enumerate(unit.items["item"])}
    units = _used_by_attempts(item_choice, takes, column, re_secures, seed, stream)
    _add_whole(units, arrived.astype(float), takes.per_arrival)
    units[..., [column[item] for item in takes.opened]] += opened
    return units


@dataclass(frozen=True, eq=False)
class _Takes:
    """What attempts and arrivals take, as matrices of shape (n_strata, n_items).

    per_attempt: whole items an attempt takes. per_arrival: items held once an airway. part_of_one: share of a shared
    item that an attempt uses up. opened: item -> stratum -> items opened after 0, 1, ... attempts of one patient.
    """

    per_attempt: np.ndarray
    per_arrival: np.ndarray
    part_of_one: np.ndarray
    opened: dict[str, dict[int, np.ndarray]]


@lru_cache(maxsize=16)
def _takes(unit: Unit, item_choice: ItemChoice) -> _Takes:
    """Sort the rows of the item choice by how their items leave the shelf; roles shared between items come later."""
    column = {name: i for i, name in enumerate(unit.items["item"])}
    per_attempt, per_arrival, part_of_one = np.zeros((3, unit.n_strata, len(column)))
    opened: dict[str, dict[int, np.ndarray]] = {}
    for row in item_choice.frame.itertuples():
        cell = row.stratum, column[row.item]
        if row.share < 1.0:
            continue
        if row.scope == "event":
            per_attempt[cell] += row.items_per_use
        elif row.scope == "unit":
            part_of_one[cell] += 1.0 / row.uses_per_item
        elif (row.stratum, row.item) in item_choice.opened:
            opened.setdefault(row.item, {})[row.stratum] = item_choice.opened[row.stratum, row.item]
        else:
            per_arrival[cell] += row.need
    return _Takes(per_attempt, per_arrival, part_of_one, opened)


def _used_by_attempts(
    item_choice: ItemChoice, takes: _Takes, column: dict[str, int], re_secures: np.ndarray, seed: int, stream: str
) -> np.ndarray:
    """Items that attempts use whosever they are, int32 (..., n_scenarios, n_items); re_secures (..., n_strata)."""
    attempts, every = re_secures.astype(float), np.arange(re_secures.shape[-2])
    units = np.zeros((*re_secures.shape[:-1], len(column)), dtype=np.int32)
    _add_whole(units, attempts, takes.per_attempt)
    for name, i in column.items():
        if takes.part_of_one[:, i].any():
            phase = uniforms(seed, f"{stream}/part used", every, np.uint64(name_key(name)))
            units[..., i] += np.floor(attempts @ takes.part_of_one[:, i] + phase).astype(np.int32)
    for role in shared_roles(item_choice):
        for name, taken in zip(role.items, split_uses(role, re_secures, seed, stream)):
            units[..., column[name]] += taken
    return units


def _add_whole(units: np.ndarray, counts: np.ndarray, takes: np.ndarray) -> None:
    """Add the whole items that counts (..., n_strata) take to units (..., n_items); takes: (n_strata, n_items)."""
    for i in np.flatnonzero(takes.any(axis=0)):
        units[..., i] += np.rint(counts @ takes[:, i]).astype(np.int32)


_PATIENTS_OWN = ["stratum", "role", "item", "need", "share"]


def with_other_items(
    unit: Unit, demand: Demand, before: ItemChoice, after: ItemChoice, tables: AttemptTables
) -> Demand | None:
    """The same intervals with the items of `after`, exactly as `draw_demand` would draw them.

    demand: drawn with those of `before`, nothing added to it. None where patients' own items differ: what was opened
    for an airway before its interval is not kept with a demand.
    """
    own = [choice.frame.loc[choice.frame["scope"] == "patient", _PATIENTS_OWN] for choice in (before, after)]
    if not own[0].reset_index(drop=True).equals(own[1].reset_index(drop=True)):
        return None
    column = {name: i for i, name in enumerate(demand.items)}
    shared = {name for choice in (before, after) for name in choice.frame.loc[choice.frame["share"] < 1.0, "item"]}
    anew = (unit.items["scope"] != "patient").to_numpy() | unit.items["item"].isin(shared).to_numpy()
    attempts = demand.re_secures[None]
    used = _used_by_attempts(after, _takes(unit, after), column, attempts, demand.seed, demand.stream)[0]
    means = mean_use(unit, after, demand.days, fit_posterior(unit).of_stream(demand.stream), tables)
    return replace(demand, units=np.where(anew, used, demand.units), mean_by_draw=means)


def _items_opened(opens: dict[int, np.ndarray], airways: _Airways) -> np.ndarray:
    """Patient-scope items opened in the interval up to each moment, int32 (n_moments, n_scenarios): by then less those
    before it, airway by airway.
    """
    opened = np.zeros(airways.arrived.shape[:2])
    for stratum, table in opens.items():
        mine = slice(airways.ends[stratum], airways.ends[stratum + 1])
        scenario, before, during = airways.scenario[mine], airways.before[mine], airways.during[:, mine]
        table = lengthen(table, int((before + during[-1]).max(initial=0)) + 1)
        so_far = np.zeros_like(during[-1])
        for in_this, attempts in zip(opened, during):
            more = np.flatnonzero(attempts > so_far)
            new = table.take((before + attempts)[more]) - table.take((before + so_far)[more])
            in_this += np.bincount(scenario[more], new, len(in_this))
            so_far = attempts
    return np.cumsum(opened, axis=0).astype(np.int32)
