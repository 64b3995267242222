"""Which kits to build from what lies on the shelf, with the lots that go into them.

A kit is built only from what is there, and never so many that an emergency item in the kits ready would be more than
its level, or that what stays loose of another item would fall under what may be needed until the next delivery.
Of the lots, those come first that last past the next count: another would soon have to be taken out of the kit again.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from kitplan.parts.orders.ledger import Kit, Lot, Standing, first_out, standing
from kitplan.parts.orders.ordering import urgent_under
from kitplan.parts.orders.round_plan import RoundPlan
from kitplan.parts.orders.steps import Step
from kitplan.read.order_book import Line, OrderBook
from kitplan.read.problems import InputError, Problem
from kitplan.read.round_sheets import Row

_WENT = {"built": "built", "to_bedside": "now at bedsides", "back": "back on the shelf", "refilled": "refilled",
         "used_up": "used up", "taken_apart": "taken apart", "thrown_away": "thrown away"}


@dataclass(frozen=True)
class Build:
    """Kits of one design. wanted: by the plan. ready: on the shelf, in date, whole. build: what can be built now.

    kits: kit number -> what goes in, item -> lots. held_back: why fewer than wanted can be built, "" when not.
    soon: what in them does not last past the next count, as no later lot is left, "" where all does.
    """

    design: str
    wanted: int
    ready: int
    build: int
    kits: Mapping[str, Mapping[str, tuple[Lot, ...]]]
    held_back: str
    soon: str = ""

    @property
    def told(self) -> str:
        """How many are ready and to build, and why not more."""
        more = [f"Not more: {self.held_back}."] * bool(self.held_back) + [f"Look at: {self.soon}."] * bool(self.soon)
        return " ".join([f"Kit {self.design}: {self.ready} ready of {self.wanted}; build {self.build}.", *more])

    def takes(self) -> Iterator[tuple[str, str, Lot]]:
        """(kit number, item, lot) of everything that goes in."""
        return ((number, item, lot) for number, content in self.kits.items() for item, lots in content.items()
                for lot in lots)


def plan_builds(plan: RoundPlan, now: Standing, book: OrderBook, day: date,
                unavailable: Collection[str] = ()) -> tuple[Build, ...]:
    """What to build today, of the design of which fewest stand first, so that none waits for another to be complete."""
    room = {item: _room(item, plan, now, day) for item in {i for d in plan.designs.values() for i in d}}
    ready = {d: sum(k.in_date(day) and not k.lacks(content) for k in now.kits_at("shelf", d))
             for d, content in plan.designs.items()}
    build, why = dict.fromkeys(plan.designs, 0), dict.fromkeys(plan.designs, "")
    waiting = [d for d in plan.designs if ready[d] < plan.builds.get(d, 0)]
    while waiting:
        design = min(waiting, key=lambda d: ready[d] + build[d])
        short = next((i for i, q in plan.designs[design].items() if room[i] < q), None)
        if short is not None:
            why[design] = _held_back(short, plan, now, unavailable)
        else:
            build[design] += 1
            for item, quantity in plan.designs[design].items():
                room[item] -= quantity
        if short is not None or ready[design] + build[design] >= plan.builds.get(design, 0):
            waiting.remove(design)
    shelf = {item: _for_kits(item, now, plan, day) for item in room}
    found = []
    for design in plan.designs:
        kits, number = {}, _next_number(book, design)
        for _ in range(build[design]):
            kits[f"{design}-{number}"] = {i: _take(shelf, i, q) for i, q in plan.designs[design].items()}
            number += 1
        made = Build(design, plan.builds.get(design, 0), ready[design], build[design], kits, why[design])
        until = _next_count(now, plan, day)
        soon = [f"kit {number} has {item} of {lot.expires.isoformat()}, and no later lot is left"
                for number, item, lot in made.takes() if lot.expires and lot.expires <= until]
        found.append(replace(made, soon="; ".join(soon)))
    return tuple(found)


def _next_count(now: Standing, plan: RoundPlan, day: date) -> date:
    return (now.last_count or day) + timedelta(days=round(plan.review_days))


def _room(item: str, plan: RoundPlan, now: Standing, day: date) -> int:
    """Single items that may go into kits today."""
    level = plan.level.get(item)
    loose = sum(lot.units for lot in _in_date(now, item, day))
    if level is None:
        return loose
    if level.critical:
        return min(loose, max(level.level_units - now.in_kits(item, day), 0))
    return max(loose - max(urgent_under(level, plan, now, day)[0], 0), 0)


def _held_back(item: str, plan: RoundPlan, now: Standing, unavailable: Collection[str]) -> str:
    level = plan.level.get(item)
    if level is None or (level.critical and now.expected.get(item, 0) + now.in_kits(item) < level.level_units):
        return f"{item} is short: the shelf has too few in date for another kit"
    if level.critical:
        return (f"more would put more of {item} into kits than its level of {level.level_units} "
                "(levels that cover kits: kits_from_shelf = true in unit.toml)")
    if item in unavailable:
        return (f"{item} cannot be had, and what is left on the shelf is needed; where another item may serve in kits, "
                f"name {item} under unavailable in unit.toml and plan again")
    return f"{item} is short: what is left on the shelf is needed until the order arrives"


def _in_date(now: Standing, item: str, day: date) -> list[Lot]:
    return [lot for lot in now.shelf.get(item, ()) if lot.expires is None or lot.expires >= day]


def _for_kits(item: str, now: Standing, plan: RoundPlan, day: date) -> list[Lot]:
    """Lots in date in the order that kits take them: those that last past the next count, then the others, each first
    expired first. Undated ones come last: of a line that names no lot, the book takes the first to expire.
    """
    until = _next_count(now, plan, day)
    return sorted(_in_date(now, item, day), key=lambda x: 2 if x.expires is None else int(x.expires <= until))


def _take(shelf: dict[str, list[Lot]], item: str, units: int) -> tuple[Lot, ...]:
    """The first of the lots as they stand."""
    taken, shelf[item] = first_out(shelf[item], units)
    return tuple(taken)


def _next_number(book: OrderBook, design: str) -> int:
    """Kits of a design are numbered on for ever: A-1, A-2; so building fewer of another changes no number on a card."""
    own = ((x.number.removeprefix(f"{design}-"), x) for x in book.of("kits") if x.number.startswith(f"{design}-"))
    return book.next_number((int(n), x) for n, x in own if n.isdecimal())


def built(rows: Sequence[Row], book: OrderBook, now: Standing, plan: RoundPlan, day: date, source: str) -> Step:
    """Lines of the kits that a person built on `day` and of kits that went elsewhere. Raises InputError.

    A row says how many kits of a design were built on that day in all: the same sheet read twice builds none twice.
    """
    lines, problems, told = [], [], []
    shelf = {item: _for_kits(item, now, plan, day) for item in now.shelf}
    numbers = {design: _next_number(book, design) for design in plan.designs}
    away = {row.kit for row in rows if row.moved_to}
    for row in rows:
        if row.moved_to:
            kit = now.kits.get(row.kit)
            if kit is None:
                problems.append(Problem(source, "is no kit of this book", "Type the number on the kit's card.",
                                        row=row.row, column="kit", value=row.kit or None))
            else:
                lines += (_refilled(kit, row, shelf, plan, book, day) if row.moved_to == "refilled"
                          else _moved(kit, row, day))
        if not row.built:
            continue
        if row.design not in plan.designs:
            problems.append(Problem(source, "is no kit design of the plan",
                                    f"Use one of {', '.join(plan.designs) or 'none: plan the kits first'}.",
                                    row=row.row, column="design", value=row.design or None))
            continue
        before = {x.number for x in book.of("kits") if x.event == "built" and x.day == day and x.design == row.design}
        ready = sum(k.number not in away for k in now.kits_at("shelf", row.design))
        for more in range(1, row.built - len(before) + 1):
            number = numbers[row.design]
            short = [i for i, q in plan.designs[row.design].items() if sum(x.units for x in shelf.get(i, [])) < q]
            if short and ready + more > plan.builds.get(row.design, 0):  # a slip would order less of what saves a life
                problems.append(Problem(source, f"is more than the {plan.builds.get(row.design, 0)} that "
                                        f"are to stand ready, and the book knows of too few {'; '.join(short)}",
                                        "Type how many were built. If it is right, count these items first.",
                                        row=row.row, column="built", value=str(row.built)))
                break
            if short:
                told.append(f"Kit {row.design}-{number}: the book knew of too few {'; '.join(short)}. It is built as "
                            "you say; count these items again.")
            lines += _kit_lines(f"{row.design}-{number}", row.design, plan.designs[row.design], shelf, plan, day)
            numbers[row.design] += 1
    if problems:
        raise InputError(problems, "reading the kits built")
    for event, where in _WENT.items():
        if made := dict.fromkeys(line.number for line in lines if line.event == event):
            told.append(f"Kits {where}: {', '.join(made)}.")
    if rows and not lines:
        told.append("These kits are in the book already: nothing was changed.")
    return Step(tuple(_known_then(lines, book, day)), tuple(told))


def _known_then(lines: Iterable[Line], book: OrderBook, day: date) -> Iterable[Line]:
    """The lines with the lots that were on the shelf on the day; what came later is in no kit of before."""
    there = standing(book, day).shelf
    for line in lines:
        known = any((lot.expires, lot.lot) == (line.expires, line.lot) for lot in there.get(line.item, ()))
        yield line if known else replace(line, expires=None, lot="")


def _kit_lines(number: str, design: str, content: Mapping[str, int], shelf: dict[str, list[Lot]], plan: RoundPlan,
               day: date) -> Iterable[Line]:
    for item, units in content.items():
        shelf.setdefault(item, [])
        lots = _take(shelf, item, units)
        missing = units - sum(x.units for x in lots)
        level = plan.level.get(item)
        for lot in [*lots, *([Lot(missing)] if missing else [])]:
            yield Line("kits", day, "built", item, level.pack if level else 1, 0, lot.units, lot.expires, lot.lot,
                       number, design)


def _refilled(kit: Kit, row: Row, shelf: dict[str, list[Lot]], plan: RoundPlan, book: OrderBook,
              day: date) -> list[Line]:
    """What was put back into a kit from the shelf, once a day and item."""
    content = {row.item: row.units or 1} if row.item else {
        i: q for i, q in plan.designs.get(kit.design, {}).items() if i in plan.level and not plan.level[i].critical}
    done = {x.item for x in book.of("kits") if x.event == "refilled" and x.day == day and x.number == kit.number}
    content = {i: q for i, q in content.items() if i not in done}
    return [replace(x, event="refilled") for x in _kit_lines(kit.number, kit.design, content, shelf, plan, day)]


def _moved(kit: Kit, row: Row, day: date) -> list[Line]:
    there = {"to_bedside": "bedside", "back": "shelf"}.get(row.moved_to, "gone")
    if kit.where == there or kit.where == "gone":
        return []
    return [Line("kits", day, row.moved_to, number=kit.number, design=kit.design)]
