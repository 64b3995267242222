"""Cutting patterns by column generation: the part that rolls of tape and dressing sheets share.

Gilmore & Gomory, Operations Research 1961;9:849 and 1963;11:863 (from memory). A pattern says how many of
each piece one stock length (or sheet) gives. The linear relaxation over all patterns is solved by
generating the patterns that its prices ask for; its value is a bound below which no plan can go. The
integer plan then comes from a mixed-integer program over every pattern met on the way, widened by patterns
for what rounding leaves over.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from kitplan.demand.whole import whole_up
from kitplan.solve.program import Program

Column = tuple[int, tuple[int, ...]]
"""(index of the supply, how many of each piece)."""

Pricer = Callable[[np.ndarray, np.ndarray], Sequence[np.ndarray]]
"""Given worth and largest number of each piece, the pattern of greatest worth for each supply, in order."""

TOLERANCE = 1e-7
SEVERAL_GAP = 0.005
"""Relative gap at which a plan from several kinds of stock is accepted, so that the answer does not hang on how fast
the machine is; plans of few rolls are solved to the end, because one roll is more than that."""
_GIVEN_BACK = 2
"""Times that each pattern of a relaxation is given back to the search for what rounding leaves."""
_MAX_ROUNDS = 2000
_SECONDS = 30.0
"""After which an integer program gives the best that it found."""


@dataclass(frozen=True)
class Supply:
    """One kind of stock as the program sees it.

    price: money for one pack of `pack` rolls or sheets. available: most that there are, None for no limit.
    burden: what opening one costs when money is equal (its size; less for stock that should go first).
    """

    price: float = 1.0
    pack: int = 1
    available: int | None = None
    burden: float = 1.0


@dataclass(frozen=True)
class PatternPlan:
    """How many times each pattern is cut.

    supply: shape (n_patterns,), index of the supply of each pattern. patterns: shape (n_patterns, n_pieces).
    counts: shape (n_patterns,). packs: shape (n_supplies,), packs bought or taken. cost: money for packs.
    lp_bound: value of the linear relaxation over all patterns, which no plan undercuts.
    ceiling: the least amount of money at or above lp_bound that whole packs can cost (both NaN when short).
    short: shape (n_pieces,), pieces that limited supplies could not give (all 0 for a complete plan).
    """

    supply: np.ndarray
    patterns: np.ndarray
    counts: np.ndarray
    packs: np.ndarray
    cost: float
    lp_bound: float
    ceiling: float
    short: np.ndarray

    @property
    def opened(self) -> np.ndarray:
        """Rolls or sheets cut from each supply, shape (n_supplies,)."""
        return np.bincount(self.supply, weights=self.counts, minlength=self.packs.size).astype(int)


@dataclass(frozen=True)
class _Relaxation:
    """A solved linear relaxation; the worths are its dual prices."""

    value: float
    use: np.ndarray
    piece_worth: np.ndarray
    supply_worth: np.ndarray
    short: float


class _Master:
    """The restricted master program over a growing pool of patterns."""

    def __init__(self, demand: np.ndarray, supplies: Sequence[Supply], pool: dict[Column, None]) -> None:
        self.demand = demand
        self.supplies = supplies
        self.pool = pool

    def build(self, integer: bool) -> tuple[Program, list[int], list[int]]:
        """Least money for packs, where being short costs more than any roll: the program, cuts and pieces missing.

        Every piece is met (or counted short); no more is opened than the packs hold.
        """
        supply = np.array([column[0] for column in self.pool], dtype=int)
        patterns = np.array([column[1] for column in self.pool], dtype=float).reshape(len(supply), -1)
        program = Program("cutting", "min")
        used = np.flatnonzero(self.demand)
        cut = program.variables("cut", len(supply), integer=integer)
        most = [None if s.available is None else s.available // s.pack for s in self.supplies]
        packs = program.variables("packs", len(most), high=most, integer=integer)
        short = program.variables("short", len(used))
        for k, piece in enumerate(used):
            met = np.flatnonzero(patterns[:, piece])
            program.row(
                f"piece_{piece}", [*(cut[p] for p in met), short[k]], [*patterns[met, piece], 1.0],
                low=float(self.demand[piece]),
            )
        for index, kind in enumerate(self.supplies):
            mine = np.flatnonzero(supply == index)
            program.row(
                f"supply_{index}", [packs[index], *(cut[p] for p in mine)],
                [float(kind.pack), *[-1.0] * mine.size], low=0.0,
            )
        program.objective(packs, [s.price for s in self.supplies])
        program.objective(short, 1000.0 * max(1.0, *(s.price / s.pack for s in self.supplies)))
        return program, cut, short

    def relax(self) -> _Relaxation:
        program, cut, short = self.build(integer=False)
        solution = program.solve(integer=False)
        worth = np.zeros(self.demand.size)
        used = np.flatnonzero(self.demand)
        worth[used] = [solution.dual(f"piece_{i}") for i in used]
        supply_worth = np.array([solution.dual(f"supply_{r}") for r in range(len(self.supplies))])
        return _Relaxation(
            solution.report.objective, solution.values(cut), np.maximum(worth, 0.0),
            np.maximum(supply_worth, 0.0), float(solution.values(short).sum()),
        )

    def solve_whole(self, gap: float, time_limit: float | None = None) -> _Whole:
        """Whole packs and patterns at least money."""
        program, cut, _ = self.build(integer=True)
        solution = program.solve(integer=True, gap=gap, time_limit=time_limit)
        if not solution.solved:
            return _NONE
        times = np.rint(solution.values(cut)).astype(int).tolist()
        return self.weigh({c: n for c, n in zip(self.pool, times) if n > 0})

    def weigh(self, cuts: dict[Column, int]) -> _Whole:
        """Take out surplus pieces and count packs, money and missing pieces of a plan in whole numbers."""
        cuts = trim_surplus(cuts, self.demand)
        opened = [0] * len(self.supplies)
        made = np.zeros(self.demand.size, dtype=int)
        for (supply, pattern), times in cuts.items():
            opened[supply] += times
            made += times * np.array(pattern)
        packs = [-(-n // s.pack) for n, s in zip(opened, self.supplies)]
        over = any(s.available is not None and n > s.available for n, s in zip(opened, self.supplies))
        cost = math.inf if over else float(sum(n * s.price for n, s in zip(packs, self.supplies)))
        burden = sum(n * s.burden for n, s in zip(opened, self.supplies))
        return _Whole(cost, int(np.maximum(self.demand - made, 0).sum()), cuts, packs, burden)


@dataclass(frozen=True)
class _Whole:
    """A plan in whole numbers: cuts maps a pattern to how often it is cut, short counts missing pieces."""

    cost: float
    short: int
    cuts: dict[Column, int]
    packs: list[int]
    burden: float = math.inf


_NONE = _Whole(math.inf, np.iinfo(np.int64).max, {}, [])


def solve_patterns(
    demand: np.ndarray,
    supplies: Sequence[Supply],
    start: Iterable[Column],
    price_out: Pricer,
    *,
    rules: Iterable[dict[Column, int]] = (),
) -> PatternPlan:
    """Cut `demand` pieces from `supplies` at least money.

    demand: int ndarray, shape (n_pieces,). start: patterns to begin with, among them every piece on its own.
    price_out: see Pricer; with unlimited `most` it gives the classic relaxation, whose bound the
    literature uses. rules: plans of simple rules, than which the answer is never worse. Rounding comes first, so most
    cutting problems need no integer program.
    Surplus pieces are taken out of the plan again, so that no more than `demand` is cut.
    """
    if not demand.size:
        none = np.zeros(0, dtype=int)
        packs = np.zeros(len(supplies), dtype=int)
        return PatternPlan(none, none.reshape(0, 0), none, packs, 0.0, 0.0, 0.0, none)
    if len(supplies) == 1 and (supplies[0].pack, supplies[0].price) != (1, 1.0):
        return _by_the_piece(demand, supplies[0], start, price_out, rules)
    master = _Master(demand, supplies, dict.fromkeys(start))
    lp = _generate(master, price_out, np.full(demand.size, np.iinfo(np.int32).max))
    ceiling = _ceiling(lp.value, supplies)
    best = _NONE
    for plan in rules:
        master.pool.update(dict.fromkeys(plan))
        best = _better(best, master.weigh(plan))
    rounded, seen = _round_relaxation(master, lp, price_out)
    master.pool.update(dict.fromkeys(seen))
    best = _better(best, master.weigh(rounded))
    if len(supplies) > 1 or best.short or best.cost > ceiling + TOLERANCE:  # else nothing is left to save
        best = _better(best, master.solve_whole(_useful_gap(lp.value, ceiling, supplies), _SECONDS))
    if len(supplies) > 1 and not best.short:
        best = _lighter(master, price_out, best)
    return _plan(master, lp, ceiling, best)


def _lighter(master: _Master, price_out: Pricer, best: _Whole) -> _Whole:
    """At the money of a plan, open least: cut anew from what its packs and the free stock hold, at a burden each.

    What is bought one by one stays free to change, at its money before its burden. The relaxation is rounded as for
    money; then most of its whole part is kept, and only the few rolls that are left are searched. So the work does not
    grow with the class, and no clock ends it.
    """
    dear = 10.0 * max(s.burden for s in master.supplies) / max(max(s.price for s in master.supplies), TOLERANCE)
    stock = [
        Supply(s.burden + (dear * s.price if s.pack == 1 else 0.0), 1,
               s.available if s.available is not None or s.pack == 1 else n * s.pack)
        for n, s in zip(best.packs, master.supplies)
    ]
    light = _Master(master.demand, stock, dict.fromkeys(master.pool))
    lp = _generate(light, price_out, np.full(master.demand.size, np.iinfo(np.int32).max))
    rounded, seen = _round_relaxation(light, lp, price_out)
    light.pool.update(dict.fromkeys(seen))
    best = _better(best, master.weigh(rounded))
    return _better(best, master.weigh(_search_the_rest(light, lp)))


def _search_the_rest(light: _Master, lp: _Relaxation) -> dict[Column, int]:
    """Most of the whole part of a relaxation, and the best way to cut the rest from the patterns that are known."""
    cuts = {c: n for c, n in zip(list(light.pool), np.floor(lp.use + 1e-7).astype(int) - _GIVEN_BACK) if n > 0}
    made = sum((n * np.array(pattern) for (_, pattern), n in cuts.items()), np.zeros(light.demand.size, dtype=int))
    need = np.maximum(light.demand - made, 0)
    clipped = ((r, tuple(int(min(a, n)) for a, n in zip(c, need))) for r, c in light.pool)
    rest = _Master(need, _rest(light.supplies, cuts), {c: None for c in clipped if any(c[1])})
    if rest.pool:
        for column, n in rest.solve_whole(0.2 * SEVERAL_GAP).cuts.items():
            cuts[column] = cuts.get(column, 0) + n
    return cuts


def _by_the_piece(
    demand: np.ndarray, supply: Supply, start: Iterable[Column], price_out: Pricer,
    rules: Iterable[dict[Column, int]],
) -> PatternPlan:
    """One kind of stock: fewest rolls are fewest packs, so count rolls and turn them into packs and money."""
    single = replace(supply, price=1.0, pack=1)
    plan = solve_patterns(demand, [single], start, price_out, rules=rules)
    packs = -(-plan.packs // supply.pack)
    least = plan.ceiling if math.isnan(plan.ceiling) else int(whole_up(plan.ceiling / supply.pack))
    return replace(
        plan, packs=packs, cost=float(packs[0] * supply.price), lp_bound=plan.lp_bound * supply.price / supply.pack,
        ceiling=least * supply.price,
    )


def bound_only(
    demand: np.ndarray, supplies: Sequence[Supply], start: Iterable[Column], price_out: Pricer
) -> float:
    """Value of the relaxation over all patterns, without an integer plan; NaN where limited supplies fall short."""
    master = _Master(demand, supplies, dict.fromkeys(start))
    lp = _generate(master, price_out, np.full(demand.size, np.iinfo(np.int32).max))
    return lp.value if lp.short <= TOLERANCE else math.nan


def _generate(master: _Master, price_out: Pricer, most: np.ndarray) -> _Relaxation:
    """Solve the relaxation over all patterns: add those whose worth is above their supply's, until none is."""
    for _ in range(_MAX_ROUNDS):
        lp = master.relax()
        fresh = _improving(master, lp, price_out(lp.piece_worth, most))
        if not fresh:
            return lp
        master.pool.update(dict.fromkeys(fresh))
    raise RuntimeError("column generation did not settle")


def _improving(master: _Master, lp: _Relaxation, patterns: Sequence[np.ndarray]) -> list[Column]:
    """New patterns that are worth more than their supply."""
    found = []
    for index, pattern in enumerate(patterns):
        column = (index, tuple(int(v) for v in pattern))
        price = float(lp.supply_worth[index])
        if float(lp.piece_worth @ pattern) > price + 1e-9 * max(1.0, price) and column not in master.pool:
            found.append(column)
    return found


def _quantum(supplies: Sequence[Supply]) -> float:
    """Largest amount of money of which every pack's price is a whole multiple; 0 where prices have no such step."""
    fine = [s.price * 10_000 for s in supplies]
    if any(abs(v - round(v)) > 1e-6 for v in fine):
        return 0.0
    return math.gcd(*(round(v) for v in fine)) / 10_000


def _ceiling(bound: float, supplies: Sequence[Supply]) -> float:
    quantum = _quantum(supplies)
    return quantum * math.ceil(bound / quantum - 1e-6) if quantum > 0 else bound


def _useful_gap(bound: float, ceiling: float, supplies: Sequence[Supply]) -> float:
    """Relative gap at which a plan at the ceiling is accepted and one step above it is not."""
    step = _quantum(supplies)
    if ceiling <= 0 or step <= 0 or len(supplies) > 1:
        return SEVERAL_GAP
    return max(1e-6, min((ceiling - bound) / ceiling, 0.99 * step / (ceiling + step)))


def _better(old: _Whole, new: _Whole) -> _Whole:
    """A plan within its limits before one beyond them, then fewer missing pieces, then less money, then less burden."""
    mine, yours = ((math.isinf(plan.cost), plan.short) for plan in (new, old))
    if mine != yours:
        return new if mine < yours else old
    if mine[0] or abs(new.cost - old.cost) > TOLERANCE:
        return new if new.cost < old.cost else old
    return new if new.burden < old.burden - TOLERANCE else old


def _round_relaxation(
    master: _Master, lp: _Relaxation, price_out: Pricer
) -> tuple[dict[Column, int], list[Column]]:
    """Round the relaxation down, relax what is left to cut, and so on until nothing is left.

    Returns the plan that comes of it, and every pattern that the relaxations on the way used.
    """
    cuts: dict[Column, int] = {}
    seen: list[Column] = []
    need, pool, use, worth = master.demand.copy(), list(master.pool), lp.use, lp.piece_worth
    while need.any() and use.any():
        whole = np.floor(use + 1e-7).astype(int)
        if not whole.any():
            whole[_dearest(pool, use, worth, need)] = 1
        for p in np.flatnonzero(whole):
            column = pool[p]
            times = min(int(whole[p]), _times_wanted(column, need))
            if times:
                cuts[column] = cuts.get(column, 0) + times
                need = np.maximum(need - times * np.array(column[1]), 0)
        if not need.any():
            break
        clipped = ((r, tuple(int(min(a, n)) for a, n in zip(c, need))) for r, c in master.pool)
        sub = _Master(need, _rest(master.supplies, cuts), {c: None for c in clipped if any(c[1])})
        rest = _generate(sub, price_out, need)
        pool, use, worth = list(sub.pool), rest.use, rest.piece_worth
        seen += [column for column, amount in zip(pool, use) if amount > TOLERANCE]
        if rest.short > TOLERANCE:
            break
    return cuts, [*seen, *cuts]


def _rest(supplies: Sequence[Supply], cuts: Mapping[Column, int]) -> list[Supply]:
    """The supplies with what is cut taken off those that are limited."""
    gone = [sum(times for (kind, _), times in cuts.items() if kind == k) for k in range(len(supplies))]
    return [s if s.available is None else replace(s, available=max(s.available - n, 0))
            for s, n in zip(supplies, gone)]


def _times_wanted(column: Column, need: np.ndarray) -> int:
    """How often a pattern can be cut while at least one of its pieces is still wanted each time."""
    pattern = np.array(column[1])
    given = pattern > 0
    return int(np.max(-(-need[given] // pattern[given])))


def _dearest(pool: list[Column], use: np.ndarray, worth: np.ndarray, need: np.ndarray) -> int:
    """Of the patterns a relaxation uses, the one whose wanted pieces are worth most (then the most used)."""
    used = np.flatnonzero(use > TOLERANCE)
    value = [float(worth @ np.minimum(pool[p][1], need)) for p in used]
    return int(max(zip(value, use[used], -used, strict=True))[2] * -1)


def _plan(master: _Master, lp: _Relaxation, ceiling: float, best: _Whole) -> PatternPlan:
    order = sorted(best.cuts, key=lambda c: (c[0], tuple(-v for v in c[1])))
    patterns = np.array([c[1] for c in order], dtype=int).reshape(len(order), master.demand.size)
    counts = np.array([best.cuts[c] for c in order], dtype=int)
    short = np.maximum(master.demand - counts @ patterns, 0)
    bound, least = (lp.value, ceiling) if lp.short <= TOLERANCE else (math.nan, math.nan)
    return PatternPlan(
        supply=np.array([c[0] for c in order], dtype=int), patterns=patterns, counts=counts,
        packs=np.array(best.packs, dtype=int), cost=best.cost, lp_bound=bound, ceiling=least, short=short,
    )


def trim_surplus(cuts: dict[Column, int], demand: np.ndarray) -> dict[Column, int]:
    """Take surplus pieces out of the rolls that hold fewest; a roll left with nothing is not opened at all."""
    columns = [c for c, times in cuts.items() for _ in range(times)]
    rolls = np.array([c[1] for c in columns], dtype=int).reshape(len(columns), demand.size)
    surplus = np.maximum(rolls.sum(axis=0) - demand, 0)
    for roll in np.argsort(rolls.sum(axis=1), kind="stable"):
        if not surplus.any():
            break
        gone = np.minimum(rolls[roll], surplus)
        rolls[roll] -= gone
        surplus -= gone
    trimmed: dict[Column, int] = {}
    for (supply, _), roll in zip(columns, rolls.tolist()):
        if any(roll):
            column = (supply, tuple(roll))
            trimmed[column] = trimmed.get(column, 0) + 1
    return trimmed
