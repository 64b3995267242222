"""Years of weekly rounds beside a stock room that really exists: nothing lost, nothing invented, limits hold.

Random rounds: packs that change size, weeks without a round, deliveries in parts, counts entered twice, counts
corrected on the same day, kits built, issued, refilled, brought back and taken apart, stock out of date, a recall.
"""

import itertools
from dataclasses import replace
from datetime import timedelta

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from kitplan.parts.orders.build import built, plan_builds
from kitplan.parts.orders.ledger import standing
from kitplan.parts.orders.ordering import make_order
from kitplan.parts.orders.recall import find_recall, recall_lines
from kitplan.parts.orders.round_plan import Catalogue, Level, RoundPlan
from kitplan.parts.orders.steps import answer, count, order_lines, receive
from kitplan.read.order_book import OrderBook
from kitplan.read.round_sheets import RoundSheets
from tests.parts.round_play import Shelf, Truth, day_of, generator, in_packs
from tests.parts.typed_rows import answered, came, kit_row, kits_seen, seen

PACKS = {"gauze": 12, "gloves": 50, "mask": 5, "bag": 1, "tape": 6}
USE = {"gauze": 5.0, "gloves": 14.0, "mask": 0.25, "bag": 0.25, "tape": 0.8}
LEVELS = {"gauze": 75, "gloves": 190, "mask": 12, "bag": 12, "tape": 18}
KIT = {"gauze": 2, "mask": 1, "bag": 1}
LEAD = 2


def plan_of(packs):
    levels = tuple(Level(i, i, f"A-{k}", packs[i], 10.0, LEVELS[i], round(USE[i] * 3), USE[i],
                         i in ("mask", "bag")) for k, i in enumerate(PACKS))
    return RoundPlan("USD", 7, LEAD, levels, {"A": KIT}, {"A": 3})


def catalogue_of(packs):
    return Catalogue(dict(packs), dict.fromkeys(packs, 10.0), {i: i for i in packs}, dict.fromkeys(packs, "A"),
                     frozenset({"mask", "bag"}))


class Play:
    """The true stock room and the book that is kept of it."""

    def __init__(self, seed):
        self.rng = generator(seed)
        self.packs = dict(PACKS)
        self.truth = Truth({i: Shelf() for i in PACKS})
        self.book = OrderBook()
        self.waiting = []  # (day, order number, item, pack, packs)
        self.unwritten = []  # (day, sheets): came, and nobody wrote it down
        self.lot = 0
        for item in PACKS:
            self.truth.shelves[item].add(LEVELS[item])
            self.truth.note("first", item, LEVELS[item])
        self.short_days = 0
        self.count(day_of(-1))

    def write(self, step):
        lines = getattr(step, "lines", step)
        self.book = self.book.grown(lines, "P")

    @property
    def plan(self):
        return plan_of(self.packs)

    @property
    def catalogue(self):
        return catalogue_of(self.packs)

    @property
    def next_count(self):
        return standing(self.book).last_count + timedelta(days=7)

    def a_day(self, day):
        """Use at bedsides, kits issued, opened and brought back; kits are moved in the book as they are moved."""
        for item, mean in USE.items():
            wanted = int(self.rng.poisson(mean))
            got = sum(u for u, *_ in self.truth.shelves[item].take(wanted))
            self.truth.note("used", item, got)
            self.short_days += got < wanted
        ready = [k for k in self.truth.kits.values() if k["where"] == "shelf"]
        if ready and self.rng.random() < 0.3:
            self.move(ready[0]["number"], "bedside", "to_bedside", day)
        away = [k for k in self.truth.kits.values() if k["where"] == "bedside"]
        if away and self.rng.random() < 0.3:
            self.refill(away[-1]["number"], day)
        if away and self.rng.random() < 0.3:
            self.end(away[0]["number"], day)

    def move(self, number, where, event, day):
        self.truth.kits[number]["where"] = where
        self.write(built([kit_row(1, "", 0, number, event)], self.book, standing(self.book), self.plan, day, "kits"))

    def refill(self, number, day):
        """One gauze out of the kit was used; one from the shelf takes its place."""
        kit = self.truth.kits[number]
        done = any(x.event == "refilled" and x.day == day and x.number == number for x in self.book.of("kits"))
        if done or not self.truth.shelves["gauze"].units:
            return
        old = next(x for x in kit["lots"] if x[0] == "gauze")
        kit["lots"].remove(old)
        fresh = [("gauze", *x) for x in self.truth.shelves["gauze"].take(1, self.next_count)]
        left = [("gauze", old[1] - 1, *old[2:])] if old[1] > 1 else []
        kit["lots"] += left + fresh
        kit["content"] = [(x[0], x[1]) for x in kit["lots"]]
        self.truth.note("used", "gauze", 1)
        row = kit_row(1, "", 0, number, "refilled", "gauze", 1)
        self.write(built([row], self.book, standing(self.book), self.plan, day, "kits"))
        again = built([row], self.book, standing(self.book), self.plan, day, "kits")
        assert not again.lines, "the same refill read twice"

    def end(self, number, day):
        event = ["used_up", "back", "taken_apart", "thrown_away"][int(self.rng.integers(4))]
        if event == "back":
            self.move(number, "shelf", event, day)
            return
        kit = self.truth.kits.pop(number)
        for item, units, expires, lot in kit["lots"]:
            if event == "taken_apart":
                self.truth.shelves[item].add(units, expires, lot)
            else:
                self.truth.note("used" if event == "used_up" else "thrown", item, units)
        self.write(built([kit_row(1, "", 0, number, event)], self.book, standing(self.book), self.plan, day, "kits"))

    def deliveries(self, day, *, lost=False, parts=True):
        """What is due comes, some of it in two parts; each lot has a date."""
        rows = []
        for entry in [w for w in self.waiting if w[0] <= day]:
            self.waiting.remove(entry)
            _, number, item, pack, packs = entry
            now = packs if not parts or self.rng.random() < 0.8 else int(self.rng.integers(0, packs + 1))
            if now < packs:
                self.waiting.append((day + timedelta(days=3), number, item, pack, packs - now))
            if now:
                self.lot += 1
                expires = day + timedelta(days=int(self.rng.integers(40, 900)))
                self.truth.shelves[item].add(now * pack, expires, f"L{self.lot}")
                self.truth.note("received", item, now * pack)
                rows.append(came(1, number, item, now, 0, pack, expires, f"L{self.lot}"))
        sheets = RoundSheets("receive", {"receive": tuple(rows)})
        if rows and lost:
            self.unwritten.append((day, sheets))
        elif rows:
            self.write(receive(sheets, self.book, self.plan, self.catalogue, day))
            again = receive(sheets, self.book, self.plan, self.catalogue, day)
            assert not again.lines, "the same delivery read twice"

    def write_down(self):
        """Deliveries that were forgotten are typed in after the count, with the day they came."""
        for day, sheets in self.unwritten:
            self.write(receive(sheets, self.book, self.plan, self.catalogue, day))
        self.unwritten = []

    def counted(self, day):
        rows = []
        for item, shelf in self.truth.shelves.items():
            gone = shelf.past(day)
            thrown = sum(x[0] for x in gone)
            self.truth.note("thrown", item, thrown)
            packs, loose = in_packs(shelf.units, self.packs[item])
            rows.append(seen(1, item, packs, loose, self.packs[item], thrown_away=thrown))
        ready = sum(k["where"] == "shelf" for k in self.truth.kits.values())
        return RoundSheets("count", {"count": (*rows, kits_seen("A", ready))})

    def count(self, day):
        sheets = self.counted(day)
        if self.rng.random() < 0.2:  # a slip of the pen, corrected the same day
            wrong = tuple(replace(r, packs=max(r.packs - 1, 0)) for r in sheets.of("count")[:2])
            self.write(count(replace(sheets, rows={"count": wrong}), self.book, self.plan, self.catalogue, day))
        self.write(count(sheets, self.book, self.plan, self.catalogue, day))
        again = count(sheets, self.book, self.plan, self.catalogue, day)
        assert not again.lines, "the same count read twice"
        assert "already" in again.told[-1]

    def answer(self, day):
        """A count was asked about only where more truly lies there than should; it is so, and the person says so."""
        asked = standing(self.book).asked
        for line in asked:
            assert (line.table, line.day, line.units) == ("counts", day, self.truth.shelves[line.item].units)
            assert line.units > self.plan.level[line.item].top_units
            assert any(r.item == line.item for _, sheets in self.unwritten for r in sheets.of("receive"))
        if asked:
            self.write(answer([answered(2, line.entry, True, None, None) for line in asked], self.book, "answers"))

    def order(self, day):
        now = standing(self.book)
        order = make_order(self.plan, now, self.catalogue)
        for row in order.lines.itertuples():
            level = self.plan.level[row.item]
            assert row.position_units + row.order_units <= max(level.top_units, row.position_units)
            if not row.because.startswith("not counted") and "not counted" not in row.because:
                assert row.position_units + row.order_units >= level.level_units
        lines = order_lines(order, self.book, self.catalogue, day)
        self.write(lines)
        self.never_under(order)
        self.waiting += [(day + timedelta(days=LEAD), x.number, x.item, x.pack, x.packs) for x in lines]
        again = make_order(self.plan, standing(self.book), self.catalogue)
        assert not again.wanted, "the same order made twice"

    def never_under(self, order):
        """What is truly there and truly on its way reaches the level, whatever went before."""
        known = standing(self.book)
        for row in order.lines.itertuples():
            waiting = sum(w[3] * w[4] for w in self.waiting if w[2] == row.item) + row.order_units
            kits = sum(u for k in self.truth.kits.values() if k["where"] == "shelf"
                       for i, u in k["content"] if i == row.item)
            spoiling = row.on_hand_units + row.in_kits_units - row.cover_units
            assert self.truth.shelves[row.item].units + kits + waiting - spoiling >= row.par_units
            assert known.expected[row.item] == self.truth.shelves[row.item].units

    def build(self, day):
        plans = plan_builds(self.plan, standing(self.book), self.book, day)
        rows = []
        for plan in plans:
            done = sum(x.event == "built" and x.day == day and x.item == "mask" for x in self.book.of("kits"))
            if plan.build:
                rows.append(kit_row(1, plan.design, plan.build + done, "", ""))
            for number, content in plan.kits.items():
                lots = [(item, *lot) for item, units in KIT.items()
                        for lot in self.truth.shelves[item].take(units, self.next_count)]
                assert sum(x[1] for x in lots) == sum(KIT.values()), "built from what is not there"
                assert {i: sum(x.units for x in ls) for i, ls in content.items()} == KIT
                self.truth.kits[number] = {"number": number, "where": "shelf", "lots": lots,
                                           "content": [(x[0], x[1]) for x in lots]}
        self.write(built(rows, self.book, standing(self.book), self.plan, day, "kits"))
        now = standing(self.book)
        for item in ("mask", "bag"):
            assert now.in_kits(item) <= LEVELS[item], "an emergency item of the kits beyond its level"

    def check(self, counted_today):
        """The book agrees with what is truly there."""
        now = standing(self.book)
        ended = {x.number: x.event for x in self.book.of("kits") if x.event in ("used_up", "thrown_away")}
        for item, shelf in now.expected.items():
            assert self.truth.balances(item)
            gone = {event: sum(now.kits[n].units(item) for n, e in ended.items() if e == event)
                    for event in ("used_up", "thrown_away")}
            gone["used_up"] += sum(x.units for x in self.book.of("kits") if x.event == "refilled" and x.item == item)
            spells = [s for s in now.spells if s.item == item]
            for before, after in itertools.pairwise(spells):
                assert after.opening == before.closing
            if counted_today:
                assert shelf == now.last[item] == self.truth.shelves[item].units
                at_bedsides = sum(kit.units(item) for kit in now.kits_at("bedside"))
                assert now.in_kits(item) + at_bedsides == self.truth.in_kits(item)
                assert sum(s.used for s in spells) + gone["used_up"] == self.truth.used.get(item, 0)
                assert sum(s.out for s in spells) + gone["thrown_away"] == self.truth.thrown.get(item, 0)
            assert sum(x.units for x in now.shelf[item]) == max(shelf, 0)


def play(seed, days, *, calm=False):
    """calm: every week its round, no pack changes, nothing forgotten."""
    room = Play(seed)
    for number in range(days):
        day = day_of(number)
        room.a_day(day)
        if not calm and number % 50 == 49:
            item = list(PACKS)[int(room.rng.integers(len(PACKS)))]
            room.packs[item] = max(1, room.packs[item] + int(room.rng.integers(-2, 3)))
        lost = not calm and room.rng.random() < 0.1
        room.deliveries(day, lost=lost, parts=not calm)
        if number % 7 == 0 and (calm or room.rng.random() < 0.85):
            room.count(day)
            room.answer(day)
            room.write_down()
            room.check(counted_today=True)
            room.order(day)
            room.build(day)
        room.check(counted_today=False)
    return room


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 10**6))
def test_nothing_is_lost_and_nothing_invented(seed):
    play(seed, 120)


def test_two_years_of_calm_weeks_are_ready_and_within_the_limits():
    room = play(5, 730, calm=True)
    assert room.short_days <= 4
    now = standing(room.book)
    for level in room.plan.levels:
        position = now.expected[level.item] + now.in_kits(level.item) + now.to_come(level.item)
        assert position <= level.top_units


def test_a_recalled_lot_is_found_wherever_it_is():
    room = play(11, 200)
    lots = [x.lot for kit in standing(room.book).kits.values() if kit.where != "gone" for _, ls in kit.contents
            for x in ls if x.lot] or [room.book.of("deliveries")[-1].lot]
    now = standing(room.book)
    recall = find_recall(lots[0], room.book, now, room.plan)
    there = {k["number"] for k in room.truth.kits.values() if any(x[3] == lots[0] for x in k["lots"])}
    assert there <= set(recall.places["kit"])
    room.write(recall_lines(recall, now, day_of(200)))
    after = find_recall(lots[0], room.book, standing(room.book), room.plan)
    assert set(after.places["where"]) <= {"gone"}
