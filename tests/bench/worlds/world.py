"""Units of known truth: their folders as a unit would keep them, and years of their future to judge levels by.

Nothing of kitplan is imported: airways arrive, stay and are looked at one check after the other with numpy's own
random numbers, and a stock room is counted and filled by whole packs. What is true of a world is in `World`; what its
unit gets to see is in the folder that `write_unit` makes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

CHECKS_A_DAY = 4
DAYS_A_YEAR = 365.25
WARM_DAYS = 150
REVIEW_DAYS, LEAD_DAYS = 7, 2
FIRST_DAY = datetime(2025, 1, 6)

KINDS = (
    # route, tube size in mm, skin protection, share of arrivals
    ("oral", 3.5, "none", 0.30),
    ("oral", 4.0, "none", 0.25),
    ("oral", 3.0, "barrier", 0.18),
    ("nasal", 4.0, "none", 0.14),
    ("oral", 5.5, "none", 0.09),
    ("oral", 7.0, "none", 0.04),
)

ITEMS = (
    # name, role, contains, scope, pack, price of a pack, litres of a pack, fits from and to in mm, taken by
    ("gloves", "gloves", 1, "event", 50, 9.00, 2.6, "", "", 2),
    ("wipe", "prep_wipe", 1, "event", 25, 12.50, 0.5, "", "", 2),
    ("saline_5ml", "saline", 5, "event", 20, 6.00, 0.5, "", "", 1),
    ("gauze_pair", "gauze", 2, "event", 50, 5.50, 1.1, "", "", 1),
    ("dressing", "barrier", 1, "event", 10, 28.00, 0.5, "", "", 2),
    ("roll_small", "roll", 6, "patient", 24, 14.40, 1.0, 2.0, 3.5, 1),
    ("roll_middle", "roll", 6, "patient", 12, 13.20, 1.0, 4.0, 5.5, 1),
    ("roll_large", "roll", 5, "patient", 6, 12.60, 1.0, 6.0, 10.0, 1),
    ("mask_50mm", "mask", 1, "patient", 5, 21.50, 1.3, 2.0, 3.5, 1),
    ("mask_70mm", "mask", 1, "patient", 5, 22.50, 2.4, 4.0, 5.5, 1),
    ("mask_100mm", "mask", 1, "patient", 5, 24.00, 4.2, 6.0, 10.0, 1),
    ("bag_500ml", "bag", 1, "patient", 1, 17.00, 3.0, 2.0, 10.0, 1),
)
NAMES = tuple(item[0] for item in ITEMS)
PACK = np.array([item[4] for item in ITEMS])
PRICE = np.array([item[5] for item in ITEMS])

# The wear and reasons that the program ships with (config/resecure.toml), so that a unit which says nothing can be
# true to them; a world multiplies all of them by one factor.
SCALE_HOURS, SHAPE, REASONS_PER_DAY, SPREAD, REDO = 70.0, 1.5, 0.12 + 0.03 + 0.05 + 0.02, 0.4, 0.06
GUESS_LOW, GUESS_HIGH = 0.3, 1.0
"""Re-secures an airway-day, redos and admissions left out, that the guess is 90 % sure of: common practice."""


@dataclass(frozen=True)
class World:
    """What is true, and what its unit gets to see.

    shape: "stays", "counts" or "snapshot". months: length of history. burst: coefficient of variation of the gamma
    factor that all arrivals of a spell of `burst_weeks` share. swing: height of the yearly wave over its mean.
    grown: how many times as many come in the last `grown_months` of the history, and from then on, as came before.
    A snapshot sees one kind of airway: a look on one day says nothing of kinds that are not there.
    knowledge: "known" (one constant chance a check, stated), "log" (the last log_months re-secures written down) or
    "guess" (nothing). rate: re-secures an airway-day, redos and admissions left out. stay_log_sd: of log-normal stays.
    """

    name: str
    seed: int
    shape: str = "stays"
    months: float = 18.0
    burst: float = 0.0
    swing: float = 0.0
    knowledge: str = "known"
    rate: float = 0.55
    mean_airways: float = 6.0
    mean_stay: float = 5.0
    stay_log_sd: float = 1.0
    burst_weeks: int = 1
    grown: float = 1.0
    grown_months: float = 4.0
    log_months: float = 3.0
    readiness: float = 0.98

    @property
    def days(self) -> int:
        """Days of history, whole weeks."""
        return round(self.months * DAYS_A_YEAR / 12 / 7) * 7

    @property
    def arrivals_a_day(self) -> float:
        return self.mean_airways / self.mean_stay


@dataclass(frozen=True)
class Airways:
    """Airways of several series of days side by side; flat arrays. start, end: days since the first day counted."""

    series: np.ndarray
    kind: np.ndarray
    start: np.ndarray
    end: np.ndarray


@dataclass(frozen=True)
class Secured:
    """Securements: which airway, on which tick (quarters of a day), tries it took, tries of that airway before."""

    airway: np.ndarray
    tick: np.ndarray
    tries: np.ndarray
    before: np.ndarray


def arrive(world: World, days: int, series: int, rng: np.random.Generator) -> Airways:
    """Play arrivals and stays from long before the first day, `series` times independently."""
    span = WARM_DAYS + days
    day = np.arange(-WARM_DAYS, days)
    phase = rng.uniform(0, DAYS_A_YEAR) if series == 1 else 0.0
    wave = 1 + world.swing * np.cos(2 * np.pi * (day - phase) / DAYS_A_YEAR)
    spell = 7 * world.burst_weeks
    factor = np.ones((series, -(-span // spell)))
    if world.burst > 0:
        shape = world.burst**-2
        factor = rng.gamma(shape, 1 / shape, factor.shape)
    mean = world.arrivals_a_day * wave[None, :] * np.repeat(factor, spell, axis=1)[:, :span]
    if series == 1:
        mean[:, day < world.days - world.grown_months * DAYS_A_YEAR / 12] /= world.grown
    come = rng.poisson(mean)
    where, when = np.nonzero(come)
    many = come[where, when]
    series_of, start = np.repeat(where, many), np.repeat(when, many) - WARM_DAYS + rng.random(many.sum())
    kind = np.zeros(len(start), dtype=int)
    if world.shape != "snapshot":
        kind = rng.choice(len(KINDS), len(start), p=[k[3] for k in KINDS])
    sigma = world.stay_log_sd
    stay = rng.lognormal(np.log(world.mean_stay) - sigma**2 / 2, sigma, len(start))
    return Airways(series_of, kind, start, start + stay)


def secure(world: World, airways: Airways, rng: np.random.Generator) -> Secured:
    """Look at every airway at every quarter day of its stay and renew what is found wanting."""
    enter = np.floor(airways.start * CHECKS_A_DAY).astype(int)
    checks = np.maximum(np.floor(airways.end * CHECKS_A_DAY).astype(int) - enter, 0)
    order = np.argsort(-checks, kind="stable")
    enter, checks = enter[order], checks[order]
    flat = world.knowledge == "known"
    prone = np.ones(len(order)) if flat else rng.gamma(SPREAD**-2, SPREAD**2, len(order))
    hazard = _hazards(world, int(checks.max(initial=0)) + 1)
    age, tried = np.zeros(len(order), dtype=int), np.zeros(len(order), dtype=int)
    found = []

    def take(which: np.ndarray, number: int) -> None:
        tries = rng.geometric(1 - REDO, len(which))
        found.append((which, enter[which] + number, tries, tried[which].copy()))
        tried[which] += tries
        age[which] = 0

    take(np.arange(len(order)), 0)
    present = np.searchsorted(-checks, -np.arange(1, checks.max(initial=0) + 1), side="right")
    for number, count in enumerate(present, start=1):
        age[:count] += 1
        chance = -np.expm1(-prone[:count] * hazard[age[:count]])
        take(np.flatnonzero(rng.random(count) < chance), number)
    which, tick, tries, before = (np.concatenate(part) for part in zip(*found))
    return Secured(order[which], tick, tries, before)


def _hazards(world: World, n: int) -> np.ndarray:
    """Cumulative hazard added by each check of a securement's life, shape (n + 1,); entry 0 is not used."""
    if world.knowledge == "known":
        return np.full(n + 1, -np.log1p(-world.rate / CHECKS_A_DAY))
    return factor_for(world.rate) * _wear(n)


def _wear(n: int) -> np.ndarray:
    hours = np.arange(n + 1) * 24 / CHECKS_A_DAY
    loose = (hours / SCALE_HOURS) ** SHAPE
    return np.diff(loose, prepend=0.0) + REASONS_PER_DAY / CHECKS_A_DAY


def factor_for(rate: float) -> float:
    """Factor on the shipped wear and reasons under which an airway is renewed `rate` times a day in the long run."""
    prone = np.random.default_rng(1).gamma(SPREAD**-2, SPREAD**2, 4000)
    low, high = 1e-3, 100.0
    total = np.cumsum(_wear(400)[1:])
    for _ in range(50):
        middle = np.sqrt(low * high)
        alive = np.exp(-middle * prone[:, None] * np.concatenate([[0.0], total])[None, :])
        low, high = (middle, high) if np.mean(CHECKS_A_DAY / alive.sum(axis=1)) < rate else (low, middle)
    return float(middle)


def use(world: World, airways: Airways, secured: Secured, days: int, series: int) -> np.ndarray:
    """Items that leave the stock room, int array (days, series, items)."""
    out = np.zeros((days, series, len(ITEMS)), dtype=np.int32)
    day, kind = secured.tick // CHECKS_A_DAY, airways.kind[secured.airway]
    inside = (day >= 0) & (day < days)
    tube = np.array([k[1] for k in KINDS])
    barrier = np.array([k[2] == "barrier" for k in KINDS])
    after = secured.before + secured.tries
    first = secured.before == 0
    for column, (_, role, contains, scope, _, _, _, low, high, taken) in enumerate(ITEMS):
        fits = np.ones(len(KINDS), bool) if low == "" else (tube >= low) & (tube <= high)
        if role == "barrier":
            fits &= barrier
        mine = inside & fits[kind]
        if scope == "event":
            units = secured.tries * taken
        elif role in ("mask", "bag"):
            units = first.astype(int)
        else:
            units = -(-after // contains) - -(-secured.before // contains)
        cell = day[mine] * series + airways.series[secured.airway[mine]]
        out[:, :, column] = np.bincount(cell, units[mine], days * series).reshape(days, series)
    return out


@dataclass(frozen=True)
class Future:
    """A long true future: counts every REVIEW_DAYS, use of each interval and use up to each count.

    interval: int (K, S, I), use from a count to the arrival of the next count's order. upto: int (K, S, I), use from
    the first day to the count. start: int (S, I), random position of the packs on the first day.
    """

    interval: np.ndarray
    upto: np.ndarray
    start: np.ndarray

    def position(self, level: np.ndarray) -> np.ndarray:
        """On the shelf and on order after each count: the least whole packs that bring it to `level` or more.

        Use moves the position down and packs move it up by multiples of the pack, so what is left over the level is
        (first residual - use) modulo the pack; `fill` plays the same rule step by step.
        """
        return level + np.mod(self.start - self.upto, PACK)

    def ready(self, level: np.ndarray) -> float:
        """Share of intervals in which nothing ran short, with levels (I,) in single items, ordered by whole packs."""
        return float(np.mean(np.all(self.interval <= self.position(np.asarray(level)), axis=2)))

    def short(self, level: np.ndarray) -> np.ndarray:
        """Share of intervals in which each item ran short, shape (I,)."""
        return np.mean(self.interval > self.position(np.asarray(level)), axis=(0, 1))


def future(world: World, years: float = 400.0, series: int = 40, seed: int | None = None) -> Future:
    """Play years of the world's own future, all seasons alike."""
    rng = np.random.default_rng([world.seed if seed is None else seed, 77])
    days = round(years * DAYS_A_YEAR / series / 7) * 7 + LEAD_DAYS + REVIEW_DAYS
    airways = arrive(world, days, series, rng)
    out = use(world, airways, secure(world, airways, rng), days, series)
    total = np.concatenate([np.zeros((1, *out.shape[1:]), dtype=np.int64), np.cumsum(out, axis=0)])
    counts = np.arange(0, days - REVIEW_DAYS - LEAD_DAYS + 1, REVIEW_DAYS)
    start = rng.integers(0, PACK, (series, len(ITEMS)))
    return Future(total[counts + REVIEW_DAYS + LEAD_DAYS] - total[counts], total[counts], start)


def fill(use_of_weeks: np.ndarray, level: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Play counts one by one for `Future.position`: use between counts (K, I) -> position after each count (K, I)."""
    position, after = level + start, []
    for used in use_of_weeks:
        after.append(position)
        position = position - used
        position = position + PACK * np.maximum(-(-(level - position) // PACK), 0)
    return np.array(after)


def mean_value(level: np.ndarray) -> float:
    """Money on the shelf and on order after a count, on the mean: packs leave it anywhere from s to s + Q - 1."""
    return float((np.asarray(level) + (PACK - 1) / 2) @ (PRICE / PACK))


def write_unit(world: World, folder: Path) -> World:
    """Write what the unit of this world gets to see; return the world (its seed moved on where nobody was there)."""
    rng = np.random.default_rng([world.seed, 11])
    airways = arrive(world, world.days, 1, rng)
    here = (airways.start < world.days) & (airways.end > world.days - 1)
    if not here.any():
        return write_unit(replace(world, seed=world.seed + 100_003), folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "items.csv").write_text(_items_csv(), encoding="utf-8")
    (folder / "techniques.toml").write_text(_TECHNIQUES, encoding="utf-8")
    (folder / "unit.toml").write_text(_unit_toml(world), encoding="utf-8")
    (folder / "census.csv").write_text(_census(world, airways), encoding="utf-8")
    if world.knowledge == "log":
        log = _log(world, airways, secure(world, airways, rng))
        (folder / "resecure_log.csv").write_text(log, encoding="utf-8")
    return world


def _items_csv() -> str:
    lines = ["item,role,contains,scope,pack,price,litres,fits_from_mm,fits_to_mm"]
    return "\n".join(lines + [",".join(str(value) for value in item[:-1]) for item in ITEMS]) + "\n"


_USES = "gloves = 2\nprep_wipe = 2\nsaline = 5\ngauze = 2\nroll = 1\n"
_TECHNIQUES = "".join(
    f'[{route}_one]\ntitle = "{route.title()}, made up"\nroutes = ["{route}"]\ndefault = true\npeople = 2\n'
    f"[{route}_one.uses]\n{_USES}[{route}_one.uses_with_barrier]\nbarrier = 2\n"
    for route in ("oral", "nasal")
)


def _unit_toml(world: World) -> str:
    lines = [f'name = "{world.name} (INVENTED)"', 'currency = "USD"']
    if world.shape != "stays":
        lines += [f"mean_stay_days = {world.mean_stay}", f"stay_log_sd = {world.stay_log_sd}"]
    lines += [
        "[stock]", f"review_days = {REVIEW_DAYS}", f"lead_days = {LEAD_DAYS}", f"readiness = {world.readiness}",
        "[bedside]", f"beds = {int(4 * world.mean_airways) + 4}", "[resecure]",
    ]
    if world.knowledge == "known":
        lines += [f"flat_per_check = {world.rate / CHECKS_A_DAY:.6f}", "airway_spread = 0", f"redo = {REDO}"]
    return "\n".join(lines) + "\n"


def _stamp(day: float) -> str:
    return (FIRST_DAY + timedelta(minutes=int(day * 1440))).strftime("%Y-%m-%d %H:%M")


def _census(world: World, airways: Airways) -> str:
    """Stays: all that began since the first day. Counts: who is there at noon. Snapshot: noon of the last day."""
    if world.shape == "stays":
        lines = ["airway,route,tube_mm,start,end,skin"]
        shown = np.flatnonzero((airways.start >= 0) & (airways.start < world.days))
        for i in shown[np.argsort(airways.start[shown])]:
            route, tube, skin, _ = KINDS[airways.kind[i]]
            end = _stamp(airways.end[i]) if airways.end[i] < world.days else ""
            lines.append(f"A{i},{route},{tube},{_stamp(airways.start[i])},{end},{skin}")
        return "\n".join(lines) + "\n"
    dated = world.shape == "counts"
    lines = ["date,route,tube_mm,airways,skin" if dated else "route,tube_mm,airways,skin"]
    for day in range(world.days) if dated else [world.days - 1]:
        there = (airways.start <= day + 0.5) & (airways.end > day + 0.5)
        if not dated and not there.any():
            there = (airways.start < world.days) & (airways.end > world.days - 1)
        count = np.bincount(airways.kind[there], minlength=len(KINDS))
        date = (FIRST_DAY + timedelta(days=day)).strftime("%Y-%m-%d,") if dated else ""
        shown = np.flatnonzero(count) if count.any() or not dated else [0]
        lines += [f"{date}{KINDS[g][0]},{KINDS[g][1]},{count[g]},{KINDS[g][2]}" for g in shown]
    return "\n".join(lines) + "\n"


def _log(world: World, airways: Airways, secured: Secured) -> str:
    """Re-secures of the last log_months: not the securing on arrival, nor a second try."""
    since = max(world.days - world.log_months * DAYS_A_YEAR / 12, 0.0)
    day = secured.tick / CHECKS_A_DAY
    named = world.shape == "stays"
    known = (day >= since) & (day < world.days) & (secured.before > 0)
    known &= (airways.start[secured.airway] >= 0) | (not named)
    lines = ["date,time,airway,reason" if named else "date,time,route,tube_mm,skin,reason"]
    for row in np.flatnonzero(known)[np.argsort(day[known], kind="stable")]:
        airway = secured.airway[row]
        route, tube, skin, _ = KINDS[airways.kind[airway]]
        who = f"A{airway}" if named else f"{route},{tube},{skin}"
        lines.append(f"{_stamp(day[row]).replace(' ', ',')},{who},loose")
    return "\n".join(lines) + "\n"


def guess_at(quantile: float) -> float:
    """Re-secures an airway-day at a quantile of the guess: log-normal, GUESS_LOW to GUESS_HIGH in 90 %."""
    from statistics import NormalDist

    middle, spread = (np.log(GUESS_LOW) + np.log(GUESS_HIGH)) / 2, np.log(GUESS_HIGH / GUESS_LOW) / 2 / 1.6448536
    return float(np.exp(middle + spread * NormalDist().inv_cdf(quantile)))


def grid(copies: int = 1, seed: int = 1) -> list[World]:
    """Worlds over shape x history x burst x swing x what is known of the rate; 56 for each copy.

    The true rates stand at even quantiles of what the guess allows within every shape, in an order drawn by lot, so
    that a mean over the worlds of a cell is a mean over the guess.
    """
    rng = np.random.default_rng(seed)
    worlds = []
    shapes = (("stays", 6.0), ("stays", 18.0), ("counts", 6.0), ("counts", 18.0), ("snapshot", 0.25))
    for shape, months in shapes:
        for knowledge in ("known", "log", "guess"):
            if shape == "snapshot" and knowledge == "log":
                continue
            ways = [(burst, swing) for burst in (0.0, 0.35) for swing in (0.0, 0.25)] * copies
            quantiles = (rng.permutation(len(ways)) + 0.5) / len(ways)
            for number, ((burst, swing), quantile) in enumerate(zip(ways, quantiles)):
                name = f"{shape}-{months:g}-{knowledge}-{'burst' if burst else 'calm'}-{'swing' if swing else 'level'}"
                worlds.append(
                    World(f"{name}-{number // 4}", int(rng.integers(1, 10**6)), shape, months, burst, swing,
                          knowledge, guess_at(quantile))
                )
    return worlds
