"""Demand scenarios: units of each item that leave the stock room in one interval, all items from the same babies.

One scenario draws who is there, how prone each airway is to loosen (frailty), its attempts by the exact renewal
count, and what was opened for it before. Items therefore move together; they are never drawn one by one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from kitplan.demand.item_choice import AttemptTables, attempt_tables
from kitplan.demand.occupancy import (
    interval_checks,
    sample_episodes,
)
from kitplan.demand.posterior import Known, Posterior, fit_posterior
from kitplan.demand.rate_grid import RisingCounts, alike_models, factor_grid
from kitplan.demand.resecure import frailty_nodes, frequency_models
from kitplan.demand.streams import fingerprints, name_key, uniforms
from kitplan.demand.use import lengthen, mean_use
from kitplan.demand.values import Demand, DemandPath, Episodes, ItemChoice
from kitplan.read.values import Unit

_LOTS_AT_ONCE = 1 << 16
"""Lots that are drawn in one go: their memory stays in the processor's cache."""


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
    if posterior is None and days == unit.stock.protection_interval_days:
        episodes, before, during = _own_airways(Known(unit), tables, days, n_scenarios, seed, stream)
        posterior = fit_posterior(unit).of_stream(stream)
    else:
        posterior = posterior or fit_posterior(unit).of_stream(stream)
        episodes, before, during = _airways(unit, tables, posterior, days, n_scenarios, seed, stream)
    play = _Play(unit, item_choice, episodes, seed, stream)
    re_secures, units = play.used(before, during, episodes.fresh)
    return Demand(
        tuple(unit.items["item"]), units, re_secures, days, seed, stream, episodes.draw, episodes.day_of_year,
        mean_use(unit, item_choice, days, posterior, tables) if means else np.zeros((0, 0)),
        play.path(before, during, days) if by_day else None,
    )


def _airways(
    unit: Unit, tables: AttemptTables, posterior: Posterior, days: float, n_scenarios: int, seed: int, stream: str
) -> tuple[Episodes, np.ndarray, np.ndarray]:
    """Airways, and attempts of each before and in the interval."""
    episodes = sample_episodes(unit, days, n_scenarios, seed, stream, posterior)
    return episodes, *_attempts(unit, episodes, tables, posterior, seed, stream)


@lru_cache(maxsize=2)
def _own_airways(
    known: Known, tables: AttemptTables, days: float, n_scenarios: int, seed: int, stream: str
) -> tuple[Episodes, np.ndarray, np.ndarray]:
    """`_airways` by all that the unit knows; kept, for the audit asks again for the same airways with other items."""
    posterior = fit_posterior(known.unit).of_stream(stream)
    return _airways(known.unit, tables, posterior, days, n_scenarios, seed, stream)


def draw_ahead(unit: Unit, n_scenarios: int, seed: int, stream: str, tables: AttemptTables) -> None:
    """Draw the airways of protection intervals before it is known which items they take; `draw_demand` finds them."""
    days = unit.stock.protection_interval_days
    _own_airways(Known(unit), _reaching(unit, days, tables), days, n_scenarios, seed, stream)


def _reaching(unit: Unit, days: float, tables: AttemptTables | None) -> AttemptTables:
    """The tables, or longer ones where an interval has more checks."""
    n_checks = interval_checks(unit, days)
    return tables if tables is not None and tables.n_short >= n_checks else attempt_tables(unit, n_checks)


def arrivals_and_attempts(
    unit: Unit, tables: AttemptTables, days: float, n_scenarios: int, seed: int, stream: str
) -> tuple[np.ndarray, np.ndarray]:
    """Airways that arrive in an interval and attempts in it, both (n_scenarios, n_strata): no items are counted."""
    tables = _reaching(unit, days, tables)
    posterior = fit_posterior(unit).of_stream(stream)
    episodes, _, during = _airways(unit, tables, posterior, days, n_scenarios, seed, stream)
    return episodes.by_stratum(unit.n_strata, episodes.fresh), episodes.by_stratum(unit.n_strata, weights=during)


def used_by(
    unit: Unit, item_choice: ItemChoice, episodes: Episodes, tables: AttemptTables, posterior: Posterior, seed: int,
    stream: str,
) -> np.ndarray:
    """Items that given airways use, int32 (n_scenarios, n_items): their re-secures are drawn."""
    before, during = _attempts(unit, episodes, tables, posterior, seed, stream)
    return _Play(unit, item_choice, episodes, seed, stream).used(before, during, episodes.fresh)[1]


@dataclass(frozen=True)
class _Play:
    """Airways of all scenarios, and what their attempts take off the shelf."""

    unit: Unit
    item_choice: ItemChoice
    episodes: Episodes
    seed: int
    stream: str

    def used(self, before: np.ndarray, during: np.ndarray, arrived: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Attempts by stratum, (n_scenarios, n_strata), and items used, (n_scenarios, n_items), both int32.

        before, during: attempts of each airway before the interval and in it; arrived: bool, came in it.
        """
        unit = self.unit
        re_secures = self.episodes.by_stratum(unit.n_strata, weights=during).astype(np.int32)
        fresh = self.episodes.by_stratum(unit.n_strata, arrived)
        column = {name: i for i, name in enumerate(unit.items["item"])}
        takes = _takes(unit, self.item_choice, column)
        units = _used_by_attempts(self.item_choice, takes, column, re_secures, self.seed, self.stream)
        units += np.rint(fresh.astype(float) @ takes.per_arrival).astype(np.int64)
        earlier, now = before.astype(np.int32), during.astype(np.int32)
        for item, opens in takes.opened.items():
            units[:, column[item]] += _items_opened(opens, self.episodes, earlier, now)
        return re_secures, units.astype(np.int32)

    def path(self, before: np.ndarray, during: np.ndarray, days: float) -> DemandPath:
        """The interval day by day: an airway's attempts lie anywhere in its time, each alike."""
        episodes, n_strata = self.episodes, self.unit.n_strata
        begin, end = np.clip(episodes.start, 0, days), np.clip(episodes.stop, 0, days)
        owner = np.repeat(np.arange(len(during)), during.astype(np.int64))
        number = np.arange(len(owner)) - np.repeat(np.cumsum(during) - during, during.astype(np.int64))
        airway = fingerprints(episodes.scenario, episodes.key)
        place = uniforms(self.seed, f"{self.stream}/when", airway[owner], number.astype(np.int64))
        moment = begin[owner] + place * (end - begin)[owner]
        there_at_first = episodes.by_stratum(n_strata, episodes.start < 0)
        units, kits = [], []
        for day in np.append(np.arange(1, int(np.ceil(days))), days):
            so_far = np.bincount(owner[moment <= day], minlength=len(during)).astype(float)
            units.append(self.used(before, so_far, episodes.fresh & (episodes.start <= day))[1])
            here = (episodes.start <= day) & (episodes.stop > day)
            kits.append((episodes.by_stratum(n_strata, here) - there_at_first).astype(np.int16))
        return DemandPath(np.stack(units, axis=1), np.stack(kits, axis=1))


@dataclass(frozen=True)
class _Takes:
    """What attempts and arrivals take, as matrices of shape (n_strata, n_items).

    per_attempt: whole items an attempt takes. per_arrival: items held once an airway. part_of_one: share of a shared
    item that an attempt uses up. opened: item -> stratum -> items opened after 0, 1, ... attempts of one patient.
    """

    per_attempt: np.ndarray
    per_arrival: np.ndarray
    part_of_one: np.ndarray
    opened: dict[str, dict[int, np.ndarray]]


def _takes(unit: Unit, item_choice: ItemChoice, column: dict[str, int]) -> _Takes:
    """Sort the rows of the item choice by how their items leave the shelf; roles shared between items come later."""
    per_attempt, per_arrival, part_of_one = np.zeros((3, unit.n_strata, len(column)))
    opened: dict[str, dict[int, np.ndarray]] = {}
    for row in item_choice.frame.itertuples(index=False):
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
    """Items that attempts use whosever they are, int64 (n_scenarios, n_items)."""
    attempts, every = re_secures.astype(float), np.arange(len(re_secures))
    units = np.rint(attempts @ takes.per_attempt).astype(np.int64)
    for name, i in column.items():
        if takes.part_of_one[:, i].any():
            phase = uniforms(seed, f"{stream}/part used", every, np.uint64(name_key(name)))
            units[:, i] += np.floor(attempts @ takes.part_of_one[:, i] + phase).astype(np.int64)
    _split_shared(units, column, item_choice, re_secures, seed, stream)
    return units


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
    used = _used_by_attempts(after, _takes(unit, after, column), column, demand.re_secures, demand.seed, demand.stream)
    means = mean_use(unit, after, demand.days, fit_posterior(unit).of_stream(demand.stream), tables)
    return replace(demand, units=np.where(anew, used, demand.units).astype(np.int32), mean_by_draw=means)


def _attempts(
    unit: Unit, episodes: Episodes, tables: AttemptTables, posterior: Posterior, seed: int, stream: str
) -> tuple[np.ndarray, np.ndarray]:
    """Attempts of each airway before and during the interval (float arrays, one entry an episode)."""
    airway = fingerprints(episodes.scenario, episodes.key)
    points, u_during, u_before = (
        uniforms(seed, f"{stream}/{use}", airway) for use in ("frailty", "attempts", "earlier")
    )
    before, during = np.zeros((2, len(points)))
    for mine, counts in _nodes(unit, episodes, tables, posterior, points):
        prior, fresh = episodes.prior_checks[mine].astype(np.int64), episodes.fresh[mine]
        old, new, prior = mine[~fresh], mine[fresh], prior[~fresh]
        ages, known = np.minimum(prior, counts.present.shape[1] - 1), np.minimum(prior, counts.fresh.shape[1] - 1)
        cell = ages * counts.present.shape[2] + episodes.checks[old]
        during[old] = _invert(counts.present.reshape(len(counts.present), -1), cell, u_during[old])
        during[new] = _invert(counts.fresh, episodes.checks[new].astype(np.int64), u_during[new])
        before[old] = _invert(counts.fresh, known, u_before[old]) + np.rint(counts.pace * (prior - known))
    return before, during


def _nodes(
    unit: Unit, episodes: Episodes, tables: AttemptTables, posterior: Posterior, points: np.ndarray
) -> Iterator[tuple[np.ndarray, RisingCounts]]:
    """Episodes and the chances of their attempts. Where the rate is not known, hazards carry its factor too.

    The factors then lie on a grid, and each airway takes one of the two grid points beside its own factor by lot, so
    that the mean hazard is kept.
    """
    doubtful = bool((posterior.hazard != 1.0).any())
    if not doubtful:
        models, model = frequency_models(unit)[0], tables.which[episodes.stratum]
        for m, table in enumerate(tables.tables):
            mine = np.nonzero(model == m)[0]
            node = np.searchsorted(np.cumsum(table.weights)[:-1], points[mine], side="right")
            yield from _by_node(mine, node, tables.on_grid(unit, models.loc[m].to_dict(), table.nodes))
        return
    rows, which, factor = alike_models(unit)
    rate = posterior.hazard * factor
    for m, row in enumerate(rows):
        mine = np.nonzero(which[episodes.stratum] == m)[0]
        nodes, weights = frailty_nodes(float(row["airway_spread"]), unit.planning.frailty_nodes)
        edges = np.concatenate([[0.0], np.cumsum(weights)])
        point = np.minimum(np.searchsorted(edges, points[mine], side="right") - 1, len(nodes) - 1)
        lot = (points[mine] - edges[point]) / weights[point]
        wanted = nodes[point] * rate[episodes.draw[episodes.scenario[mine]], episodes.stratum[mine]]
        grid = factor_grid(wanted)
        wanted = np.clip(wanted, grid[0], grid[-1])
        low = np.clip(np.searchsorted(grid, wanted, side="right") - 1, 0, len(grid) - 2)
        up = (wanted - grid[low]) / (grid[low + 1] - grid[low])
        yield from _by_node(mine, low + (lot < up), tables.on_grid(unit, row, grid))


def _by_node(
    mine: np.ndarray, node: np.ndarray, counts: tuple[RisingCounts, ...]
) -> Iterator[tuple[np.ndarray, RisingCounts]]:
    """Episodes sorted by their node, each lot with the chances of that node."""
    few = node.astype(np.int16)  # short numbers are sorted by counting them
    order = np.argsort(few, kind="stable")
    ends = np.concatenate([[0], np.cumsum(np.bincount(few, minlength=len(counts)))])
    for start, stop, chances in zip(ends, ends[1:], counts):
        yield mine[order[start:stop]], chances


def _invert(rising: np.ndarray, row: np.ndarray, u: np.ndarray) -> np.ndarray:
    """Draw counts by inverting the cumulative chances rising[:, row] at u, for all elements at once.

    Counts are small, so the elements still above are walked up count by count: each step reads one short column
    that stays in the cache, which a binary search over whole rows does not.
    """
    counts = np.zeros(len(u), dtype=np.int64)
    left = np.arange(len(u))
    for column in rising:
        above = u > column[row]
        left, row, u = left[above], row[above], u[above]
        if not len(left):
            break
        counts[left] += 1
    return counts


def _items_opened(
    opens: dict[int, np.ndarray], episodes: Episodes, before: np.ndarray, during: np.ndarray
) -> np.ndarray:
    """Patient-scope items opened in the interval: opened by its end less opened before it, airway by airway.

    before, during: int32 attempts of each airway.
    """
    strata = np.array(sorted(opens))
    place = np.full(int(episodes.stratum.max(initial=0)) + 1, -1, dtype=np.int32)
    place[strata[strata < len(place)]] = np.flatnonzero(strata < len(place))
    where = place[episodes.stratum]
    mine = np.flatnonzero((where >= 0) & (during > 0))
    where, start = where[mine], before[mine]
    stop = start + during[mine]
    end = int(stop.max(initial=0))
    table = np.stack([lengthen(opens[g], end + 1) for g in strata]).astype(np.int32).ravel()
    first = where * np.int32(end + 1)
    opened = table[first + stop] - table[first + start]
    some = np.flatnonzero(opened)
    return np.bincount(
        episodes.scenario[mine[some]], weights=opened[some], minlength=episodes.n_scenarios
    ).astype(np.int64)


def _split_shared(
    units: np.ndarray,
    column: dict[str, int],
    item_choice: ItemChoice,
    re_secures: np.ndarray,
    seed: int,
    stream: str,
) -> None:
    """Add the items that share a role (glove sizes): each use goes to one of them by its share.

    The n-th use of a scenario always goes to the same item, so that more uses never take fewer of any item.
    """
    shared = item_choice.frame[item_choice.frame["share"] < 1.0]
    for role, rows in shared.groupby("role", sort=False):
        first = rows.drop_duplicates("item")
        uses = np.zeros(len(units), dtype=np.int64)
        for row in rows.drop_duplicates("stratum").itertuples(index=False):
            uses += re_secures[:, row.stratum] * int(np.ceil(row.need - 1e-9))
        edges = np.cumsum(first["share"].to_numpy(float))[:-1]
        rng = np.random.PCG64(name_key(seed, stream, "share", role))
        bounds = np.minimum(np.round(edges * 2**16), 2**16 - 1).astype(np.uint16)
        most = uses.astype(np.min_scalar_type(int(uses.max(initial=0))))
        below = np.zeros((len(edges), len(uses)), dtype=most.dtype)
        fours, step = -(-len(uses) // 4), max(_LOTS_AT_ONCE // len(uses), 1)
        for begin in range(0, int(uses.max(initial=0)), step):
            number = np.arange(begin, begin + step)[:, None]
            u = rng.random_raw(step * fours).view(np.uint16).reshape(step, -1)[:, : len(uses)]
            left = most > number
            for so_far, bound in zip(below, bounds):
                so_far += np.add.reduce(((u < bound) & left).view(np.uint8), axis=0, dtype=most.dtype)
        split = np.diff(np.vstack([np.zeros_like(uses), below, uses]), axis=0)
        for name, taken in zip(first["item"], split):
            units[:, column[str(name)]] += taken
