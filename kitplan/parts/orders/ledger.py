"""What the order book adds up to: what should lie on the shelf, in kits and on order, and where everything went.

Lines are taken by day, and within a day in the order they were written, an answer in the place of its question: what
came on the day of a count and was typed in after it is taken to have come after it (and asked about), but where the
count held more than there could be without it. A count is the truth of its day: what it misses against the lines
before it was used. So for every item, in single items and at every moment,

    first count + received + found = on the shelf + in kits + used + taken out (out of date, sent back, recalled, class)

where found (more counted than could be there) is negative use. Lots go first expired, first out, unless a line
names one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import groupby

from kitplan.demand.rate_from_use import Use
from kitplan.read.order_book import Line, OrderBook

_NO_DATE = date.max


@dataclass(frozen=True, slots=True)
class Lot:
    """Single items of one lot. expires None, lot "": not known."""

    units: int
    expires: date | None = None
    lot: str = ""


@dataclass(frozen=True)
class Kit:
    """A built kit. where: shelf, bedside or gone. contents: (item, its lots)."""

    number: str
    design: str
    built: date
    where: str
    contents: tuple[tuple[str, tuple[Lot, ...]], ...]

    @property
    def first_expiry(self) -> date | None:
        dates = [lot.expires for _, lots in self.contents for lot in lots if lot.expires]
        return min(dates, default=None)

    def in_date(self, day: date) -> bool:
        """Whether nothing in it is out of date on a day."""
        return (self.first_expiry or _NO_DATE) >= day

    def units(self, item: str, day: date = date.min) -> int:
        """Single items of one item in it that are in date on a day."""
        return sum(lot.units for name, lots in self.contents if name == item for lot in lots
                   if (lot.expires or _NO_DATE) >= day)

    def lacks(self, content: Mapping[str, int]) -> dict[str, int]:
        """What is missing in it of what a card lists (item -> single items): another plan may have made it."""
        return {item: units - self.units(item) for item, units in content.items() if self.units(item) < units}


@dataclass(frozen=True)
class OpenOrder:
    """What has not come of one line of an order. units: single items. pack: pack size when it was ordered."""

    number: str
    item: str
    ordered: date
    pack: int
    units: int

    @property
    def packs(self) -> int:
        """Packs still to come, a begun one whole."""
        return -(-self.units // self.pack)


@dataclass(frozen=True)
class Spell:
    """One item between two counts. All in single items; used = opening + received - to_kits - out - closing.

    to_kits: into kits on the shelf, less what came back out of them. issued: in kits that went to bedsides, less
    what came back in them, over the same days.
    """

    item: str
    start: date
    end: date
    opening: int
    received: int
    to_kits: int
    out: int
    closing: int
    issued: int = 0

    @property
    def used(self) -> int:
        """What left the shelf loose; below 0 when more was found than could be there."""
        return self.opening + self.received - self.to_kits - self.out - self.closing

    @property
    def days(self) -> int:
        return (self.end - self.start).days


@dataclass
class _Account:
    """One item as it goes. total may fall below 0 where more was taken than the book knew of."""

    total: int = 0
    lots: list[Lot] = field(default_factory=list)
    counted: date | None = None
    opening: int = 0
    flows: dict[str, int] = field(default_factory=lambda: dict.fromkeys(("received", "to_kits", "out", "issued"), 0))

    def add(self, lot: Lot) -> None:
        owed = min(max(-self.total, 0), lot.units)
        self.total += lot.units
        if lot.units > owed:
            self.lots = merged([*self.lots, replace(lot, units=lot.units - owed)])

    def take(self, units: int, expires: date | None = None, lot: str = "", day: date = date.min) -> tuple[Lot, ...]:
        """Take units out, of the lot named first, then first expired first; what no lot has is of an unknown one.

        day: what was out of date by then is taken last; left out, it is no different.
        """
        self.total -= units
        named = [x for x in self.lots if (lot and x.lot == lot) or (not lot and expires and x.expires == expires)]
        others = sorted((x for x in self.lots if x not in named), key=lambda x: (x.expires or _NO_DATE) < day)
        taken, kept = first_out([*named, *others], units)
        self.lots = merged(kept)
        if lot or expires:
            return (Lot(units, expires, lot),)
        left = units - sum(x.units for x in taken)
        return tuple([*taken, Lot(left)] if left else taken)

    def count(self, lots: list[Lot]) -> int:
        """Put what was counted in place of what is known; undated items are of the lots that would be left last.

        A date on the only line of an item is the first date there, as Count asks for: lots known to last longer stay.
        """
        closing = sum(x.units for x in lots)
        named = [x for x in lots if x.lot or x.expires]
        if len(lots) == len(named) == 1 and closing:
            named = self._of_first_date(named[0])
        bare = closing - sum(x.units for x in named)
        known = {(x.expires, x.lot) for x in named}
        for source in reversed([x for x in self.lots if (x.expires, x.lot) not in known and (x.expires or x.lot)]):
            part = min(source.units, bare)
            named, bare = [*named, replace(source, units=part)], bare - part
        self.lots = merged([*named, Lot(bare)])
        self.total = closing
        return closing

    def _of_first_date(self, seen: Lot) -> list[Lot]:
        """The lots of a count that names the first date alone: one item of it at least, and of later ones all known."""
        same = [x for x in self.lots if (not seen.lot or x.lot == seen.lot)
                and (not seen.expires or x.expires == seen.expires)]
        first = same[0] if same else seen
        later = [x for x in self.lots if x not in same and (x.lot or x.expires)
                 and (x.expires or _NO_DATE) >= (first.expires or date.min)]
        found, left = [], seen.units - 1
        for lot in reversed([*same[1:], *later]):
            found.append(replace(lot, units=min(lot.units, left)))
            left -= found[-1].units
        return [replace(first, units=left + 1), *found]


def merged(lots: Iterable[Lot]) -> list[Lot]:
    """Lots first expired first, one entry a lot, without empty ones."""
    sums: dict[tuple[date | None, str], int] = {}
    for lot in lots:
        sums[lot.expires, lot.lot] = sums.get((lot.expires, lot.lot), 0) + lot.units
    found = [Lot(units, expires, name) for (expires, name), units in sums.items() if units > 0]
    return sorted(found, key=lambda x: (x.expires or _NO_DATE, x.lot))


def first_out(lots: Iterable[Lot], units: int) -> tuple[list[Lot], list[Lot]]:
    """(what is taken, what stays) where so many units are taken, the first lot first."""
    taken, kept = [], []
    for lot in lots:
        part = min(lot.units, units)
        units -= part
        taken += [replace(lot, units=part)] if part else []
        kept += [replace(lot, units=lot.units - part)] if lot.units > part else []
    return taken, kept


def uses_of(now: Standing) -> list[Use]:
    """Use between counts, in kits that went to bedsides too, for what it teaches of the rate."""
    return [Use(s.item, s.used + s.issued, s.days) for s in now.spells]


@dataclass(frozen=True)
class Standing:
    """Where things stand. shelf: item -> lots loose on the shelf. expected: item -> single items loose on the shelf.

    counted: item -> day of its last count; last: what was counted then. open: what has not come. kits: number -> kit,
    gone ones included. spells: use between counts, oldest first. asked: lines not yet answered, but for
    those of a count that a later one of the item has replaced. day: the last day in the book. found: deliveries typed
    after the count of their day that the count had found (by entry), for it held more than there could be without.
    """

    shelf: Mapping[str, tuple[Lot, ...]]
    expected: Mapping[str, int]
    counted: Mapping[str, date]
    last: Mapping[str, int]
    open: tuple[OpenOrder, ...]
    kits: Mapping[str, Kit]
    spells: tuple[Spell, ...]
    asked: tuple[Line, ...]
    day: date | None
    found: tuple[int, ...] = ()

    @property
    def last_count(self) -> date | None:
        return max(self.counted.values(), default=None)

    def is_counted(self, item: str, review_days: float) -> bool:
        """At the last count, or less than a review before it and not in doubt since."""
        day, last = self.counted.get(item), self.last_count
        if day is None or last is None or day == last:
            return day is not None
        return (last - day).days < review_days and all(x.item != item or x.table != "counts" for x in self.asked)

    def kits_at(self, where: str, design: str | None = None) -> list[Kit]:
        """Kits on the shelf or at bedsides, earliest date first."""
        found = [k for k in self.kits.values() if k.where == where and design in (None, k.design)]
        return sorted(found, key=lambda k: (k.first_expiry or _NO_DATE, k.built, k.number))

    def in_kits(self, item: str, day: date = date.min) -> int:
        """Single items of one item in the kits on the shelf that are in date on a day."""
        return sum(k.units(item, day) for k in self.kits_at("shelf"))

    def expects(self, item: str) -> int | None:
        """What should lie loose on the shelf; None of what was never counted and did not come."""
        there = max(self.expected.get(item, 0), 0)
        return there if there or item in self.counted else None

    def lots(self, item: str) -> list[Lot]:
        """Its lots, loose and in the kits on the shelf, first expired first."""
        in_kits = [lot for kit in self.kits_at("shelf") for name, lots in kit.contents if name == item for lot in lots]
        return sorted([*self.shelf.get(item, ()), *in_kits], key=lambda lot: lot.expires or _NO_DATE)

    def to_come(self, item: str) -> int:
        """Single items on order."""
        return sum(o.units for o in self.open if o.item == item)


def standing(book: OrderBook, until: date | None = None) -> Standing:
    """Add the book up. until: leave out later days."""
    lines = [line for line in book.lines if until is None or line.day <= until]
    work = _Work()
    day_order = sorted(lines, key=lambda line: (line.day, line.place))
    # Lines of one count of one item stand together: they are one fact.
    for _, group in groupby(day_order, lambda x: (x.number, x.item, x.day) if x.event == "counted" else id(x)):
        work.take(list(group))
    answered = {line.answers for line in lines}
    last = {line.item: (line.day, line.place) for line in day_order if line.event == "counted"}
    asked = tuple(x for x in lines if x.event == "asked" and x.entry not in answered
                  and not (x.table == "counts" and last.get(x.item, (x.day, 0)) > (x.day, x.entry)))
    return work.result(asked, max((line.day for line in lines), default=None))


class _Work:
    def __init__(self) -> None:
        self.accounts: dict[str, _Account] = {}
        self.open: dict[tuple[str, str], OpenOrder] = {}
        self.kits: dict[str, Kit] = {}
        self.spells: dict[tuple[str, date], Spell] = {}
        self.found: set[int] = set()

    def take(self, group: list[Line]) -> None:
        line = group[0]
        if line.event in ("asked", "withdrawn", "kits"):
            return
        if line.event == "counted":
            self._count(line, group)
        elif line.table == "orders":
            self._order(line)
        elif line.table == "deliveries":
            self._deliver(line)
        else:
            self._kit(line)

    def _account(self, item: str) -> _Account:
        return self.accounts.setdefault(item, _Account())

    def _count(self, line: Line, group: list[Line]) -> None:
        account = self._account(line.item)
        closing, flows, key = account.count([Lot(x.units, x.expires, x.lot) for x in group]), account.flows, (
            line.item, line.day)
        if account.counted is not None and account.counted < line.day:
            self.spells[key] = Spell(line.item, account.counted, line.day, account.opening, closing=closing, **flows)
        elif key in self.spells:  # a second count of the same day takes the first one's place
            both = {name: getattr(self.spells[key], name) + flows[name] for name in flows}
            self.spells[key] = replace(self.spells[key], closing=closing, **both)
        account.counted, account.opening = line.day, closing
        account.flows = dict.fromkeys(flows, 0)

    def _order(self, line: Line) -> None:
        key, sign = (line.number, line.item), 1 if line.event == "ordered" else -1
        now = self.open.get(key, OpenOrder(line.number, line.item, line.day, line.pack, 0))
        self.open[key] = replace(now, units=max(now.units + sign * line.units, 0))

    def _deliver(self, line: Line) -> None:
        account = self._account(line.item)
        if line.event == "received":
            there = account.total
            account.add(Lot(line.units, line.expires, line.lot))
            spell = self.spells.get((line.item, line.day))
            if spell is not None and spell.used < 0 <= there:  # typed after the count of its day, and found by it
                self.spells[line.item, line.day] = replace(spell, received=spell.received + line.units)
                account.count([Lot(there)])
                self.found.add(line.entry)
            else:
                account.flows["received"] += line.units
            key = (line.number, line.item)
            if key in self.open:
                self.open[key] = replace(self.open[key], units=max(self.open[key].units - line.units, 0))
        else:
            account.take(line.units, line.expires, line.lot)
            account.flows["out"] += line.units

    def _kit(self, line: Line) -> None:
        kit = self.kits.get(line.number)
        if line.event == "built":
            kit = kit or Kit(line.number, line.design, line.day, "shelf", ())
            self.kits[line.number] = replace(kit, contents=(*kit.contents, (line.item, self._into_kit(line))))
        elif kit is None or kit.where == "gone":
            return
        elif line.event == "refilled":
            self._refill(kit, line)
        elif line.event in ("to_bedside", "back"):
            where, sign = ("bedside", 1) if line.event == "to_bedside" else ("shelf", -1)
            for item, lots in kit.contents if kit.where != where else ():
                self._account(item).flows["issued"] += sign * sum(x.units for x in lots)
            self.kits[line.number] = replace(kit, where=where)
        else:
            self._end(kit, line.event, line.note)

    def _into_kit(self, line: Line) -> tuple[Lot, ...]:
        account = self._account(line.item)
        account.flows["to_kits"] += line.units
        return account.take(line.units, line.expires, line.lot, line.day)

    def _refill(self, kit: Kit, line: Line) -> None:
        """What was used out of the kit is put back from the shelf: the oldest of that item counts as used."""
        fresh, left, contents = self._into_kit(line), line.units, []
        self._account(line.item).flows["issued"] += line.units
        for item, lots in kit.contents:
            used, kept = first_out(lots, left if item == line.item else 0)
            left -= sum(x.units for x in used)
            contents.append((item, tuple(kept)))
        self.kits[kit.number] = replace(kit, contents=(*contents, (line.item, fresh)))

    def _end(self, kit: Kit, event: str, note: str) -> None:
        """used_up: its items were used at the bedside; taken_apart: back on the shelf; thrown_away: lost.

        Of a kit that a recall took apart (it has a note) it stays known what it held.
        """
        for item, lots in kit.contents:
            account, units = self._account(item), sum(x.units for x in lots)
            if event == "taken_apart":
                for lot in lots:
                    account.add(lot)
                account.flows["to_kits"] -= units
                account.flows["issued"] -= units if kit.where == "bedside" else 0
            elif event == "used_up":
                account.flows["issued"] += units if kit.where == "shelf" else 0
        held = () if event == "taken_apart" and not note else kit.contents
        self.kits[kit.number] = replace(kit, where="gone", contents=held)

    def result(self, asked: tuple[Line, ...], day: date | None) -> Standing:
        return Standing({item: tuple(a.lots) for item, a in self.accounts.items()},
                        {item: a.total for item, a in self.accounts.items()},
                        {item: a.counted for item, a in self.accounts.items() if a.counted},
                        {item: a.opening for item, a in self.accounts.items() if a.counted},
                        tuple(o for o in self.open.values() if o.units > 0), self.kits,
                        tuple(self.spells.values()), asked, day, tuple(sorted(self.found)))
