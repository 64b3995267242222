"""Kill whole commands at random moments, and run two at once, over one plan folder and one order book.

    python tests/bench/kill_runs.py [KILLS_OF_PLAN] [KILLS_OF_BOOK] [PAIRS]

Each run is a fork that is killed before its n-th change of a file in the unit's folder, n drawn among all of them, or
after a random share of its time of the processor. After a kill the plan folder holds one whole plan, old or new; the
book holds every line that it held; then the same command runs to its end, and nothing stands twice. Two at once: plan
and plan, count and count, plan and order. What `plan` computes is computed once beforehand, for two seeds in turn: it
touches no file, and all reading and writing is the command's own.
"""

from __future__ import annotations

import io
import json
import os
import random
import re
import shutil
import signal
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import replace
from datetime import date, timedelta
from hashlib import sha256
from pathlib import Path

import kitplan
import kitplan.planning
from kitplan.cli import main as kitplan_command
from kitplan.read.order_book import Line, read_book
from kitplan.resources import config_file, sample_units
from kitplan.saved.folder import open_plan

CHANGES = ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.link", "os.chmod")
"""Audit events of the interpreter that may change a file."""
MONDAY = date(2024, 1, 1)
ITEMS = ("saline_5ml", "gauze_5cm_pair", "mask_50mm")


def make_unit(folder: Path, scenarios: int = 400) -> Path:
    """A copy of the small sample that plans in a second."""
    shutil.copytree(sample_units()["mill_lane"], folder)
    policy = config_file("policy.toml").read_text(encoding="utf-8")
    for key in ("scenarios", "verify_scenarios", "max_scenarios"):
        policy = re.sub(rf"(\[planning\.{key}\]\nvalue = )\d+", rf"\g<1>{scenarios}", policy)
    (folder / "policy.toml").write_text(policy, encoding="utf-8")
    toml = (folder / "unit.toml").read_text(encoding="utf-8")
    (folder / "unit.toml").write_text(toml.replace("readiness = 0.97", "readiness = 0.9"), encoding="utf-8")
    return folder


def call(arguments: Sequence[object]) -> int:
    """One command in this process, silent; its exit code."""
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        try:
            kitplan_command([str(a) for a in arguments])
        except SystemExit as ended:
            return int(ended.code or 0)
    return 0


def start(arguments: Sequence[object], before: Callable[[], None] = lambda: None) -> int:
    """Begin a command in a fork; its process number."""
    child = os.fork()
    if child == 0:
        code = 70
        try:
            before()
            code = call(arguments)
        finally:
            os._exit(code)
    return child


def ended(child: int) -> int:
    """Exit code of a fork, negative for the signal that killed it."""
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def die_before_change(number: int, folder: Path) -> Callable[[], None]:
    """Kill this process before its n-th change of a file under `folder`."""
    left, place = [number], os.fspath(folder)

    def heard(event: str, values: tuple[object, ...]) -> None:
        if event in CHANGES and place in str(values[0]) and (event != "open" or _writes(values)):
            left[0] -= 1
            if left[0] == 0:
                os.kill(os.getpid(), signal.SIGKILL)

    return lambda: sys.addaudithook(heard)


def _writes(values: tuple[object, ...]) -> bool:
    return bool(int(values[2] or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))  # type: ignore[call-overload]


def die_after_seconds(seconds: float) -> Callable[[], None]:
    """Kill this process after so many seconds of the processor."""
    return lambda: signal.setitimer(signal.ITIMER_VIRTUAL, max(seconds, 1e-3))


def whole_plan(folder: Path) -> str:
    """The number of the one plan that a folder holds. AssertionError where files of two plans are mixed."""
    record = json.loads((folder / "plan.json").read_text())
    week = json.loads((folder / "order.json").read_text()) if (folder / "order.json").exists() else {}
    later = week.get("outputs", {}) if week.get("plan_number") == record["plan_number"] else {}
    for name, mark in record["outputs"].items():
        found = sha256((folder / name).read_bytes()).hexdigest()
        assert found in (mark, later.get(name)), f"{name} is of neither the plan nor its week"
    number: str = open_plan(folder).number
    assert number == record["plan_number"]
    return number


def facts(unit: Path) -> list[Line]:
    """The lines of the book; read_book refuses one that is changed or missing."""
    return list(read_book(unit).lines)


class Week:
    """The steps of week after week on one unit: a count, then an order, then what came."""

    def __init__(self, unit: Path) -> None:
        self.unit, self.number = unit, 0

    def step(self, chance: random.Random) -> list[object]:
        """The next step's command."""
        week, kind = divmod(self.number, 3)
        self.number += 1
        day = MONDAY + timedelta(weeks=week)
        sheet = self.unit.parent / "sheet.csv"
        if kind == 0:
            rows = [f"{item},{chance.randint(0, 3)},{chance.randint(0, 9)}" for item in ITEMS]
            sheet.write_text("item,packs,loose_units\n" + "\n".join(rows) + "\n")
            return ["count", sheet, "--unit", self.unit, "--on", day]
        if kind == 1:
            return ["order", self.unit, "--on", day]
        sheet.write_text(f"item,packs,lot,expires\n{chance.choice(ITEMS)},2,L{self.number},2029-01-31\n")
        return ["receive", sheet, "--unit", self.unit, "--on", day]


def length(arguments: Sequence[object], unit: Path) -> tuple[int, float]:
    """How many changes a command makes in a copy of the unit, and its seconds of the processor."""
    with tempfile.TemporaryDirectory() as place:
        copy = Path(shutil.copytree(unit, Path(place) / unit.name))
        moved = [copy if a == unit else a for a in arguments]
        told, seen = os.pipe()
        count = [0]

        def heard(event: str, values: tuple[object, ...]) -> None:
            count[0] += event in CHANGES and os.fspath(copy) in str(values[0]) and (event != "open" or _writes(values))

        child = os.fork()
        if child == 0:
            sys.addaudithook(heard)
            began = os.times().user
            call(moved)
            os.write(seen, json.dumps([count[0], os.times().user - began]).encode())
            os._exit(0)
        os.close(seen)
        found = json.loads(os.read(told, 100))
        os.close(told)
        ended(child)
    return int(found[0]), float(found[1])


def kill_one(arguments: Sequence[object], unit: Path, how: Callable[[], None]) -> tuple[bool, str]:
    """Kill a command and look at what is left, then run it again. (True where it was killed, "old" or "new")."""
    plan, lines = whole_plan(unit / "plan"), facts(unit)
    code = ended(start(arguments, how))
    assert code in (0, -signal.SIGKILL, -signal.SIGVTALRM), code
    found, left = whole_plan(unit / "plan"), facts(unit)
    assert left[: len(lines)] == lines, "a line of the book was lost"
    again = ended(start(arguments))
    assert again in (0, 1), f"the command did not run again: {again}"
    after = facts(unit)
    assert after[: len(left)] == left
    grown = [x for x in after[len(lines):] if x.table != "counts" or x.event == "counted"]
    twice = Counter((x.table, x.day, x.event, x.item, x.lot, x.number, x.packs) for x in grown)
    assert max(twice.values(), default=1) == 1, f"a line stands twice: {twice.most_common(1)}"
    whole_plan(unit / "plan")
    return code < 0, "new" if (found, len(left)) != (plan, len(lines)) else "old"


def compute_beforehand(unit: Path) -> None:
    """Let `plan` find what it computes for the seeds 2 and 3 computed already."""
    compute = kitplan.planning.plan_unit
    made = {seed: kitplan.plan(kitplan.load_unit(unit), seed=seed) for seed in (2, 3)}

    def computed(unit: kitplan.Unit, seed: int, *more: object) -> kitplan.Plan:
        return replace(made[seed], unit=replace(made[seed].unit, path=unit.path)) if seed in made else compute(
            unit, seed, *more)

    kitplan.planning.plan_unit = computed  # type: ignore[assignment]


def kills(of_plan: int, of_book: int, seed: int = 1) -> None:
    """Kill so many plans and so many steps of the week, and print what they left."""
    chance = random.Random(seed)
    for name, number in (("book", of_book), ("plan", of_plan)):
        with tempfile.TemporaryDirectory() as place:
            unit = make_unit(Path(place) / "mill_lane")
            assert call(["plan", unit]) == 0
            week, left, moments = Week(unit), Counter[str](), {}
            compute_beforehand(unit)
            for k in range(number):
                command = ["plan", unit, "--seed", 2 + k % 2] if name == "plan" else week.step(chance)
                if command[0] not in moments:
                    moments[command[0]] = length(command, unit)
                most, seconds = moments[command[0]]
                how = (die_before_change(chance.randint(1, most), unit) if k % 2 else
                       die_after_seconds(chance.uniform(0, seconds)))
                killed, what = kill_one(command, unit, how)
                left[what if killed else "ended first"] += 1
                if k % 50 == 49:
                    print(f"  {name}, {k + 1} so far: {dict(left)}", flush=True)
            print(f"{name}: {number} kills: {dict(left)}; each was followed by the same command", flush=True)


def pairs(number: int, seed: int = 1) -> None:
    """Run two commands at once so many times, and print how they ended."""
    chance = random.Random(seed)
    for first, second in (("plan", "plan"), ("count", "count"), ("plan", "order")):
        with tempfile.TemporaryDirectory() as place:
            unit = make_unit(Path(place) / "mill_lane")
            assert call(["plan", unit]) == 0
            compute_beforehand(unit)
            codes: Counter[tuple[int, ...]] = Counter()
            for k in range(number):
                codes[pair(first, second, unit, k, chance)] += 1
            print(f"{first} and {second} at once: {number} times, exit codes {dict(codes)}", flush=True)


def pair(first: str, second: str, unit: Path, k: int, chance: random.Random) -> tuple[int, ...]:
    """Two commands at once; both must have worked, and the folder and the book must be whole."""
    lines = facts(unit)
    commands = [_of_pair(name, unit, 2 * k + at, chance) for at, name in enumerate((first, second))]
    commands = chance.sample(commands, 2)
    children = [start(command) for command in commands]
    codes = tuple(ended(child) for child in children)
    for command, code in zip(commands, codes):
        if code == 2:  # the other was at work for longer than this one waits
            assert ended(start(command)) in (0, 1)
    number, now = whole_plan(unit / "plan"), facts(unit)
    assert number
    assert now[: len(lines)] == lines
    assert set(codes) <= {0, 1, 2}, codes
    if first == "count":
        counted = {x.number for x in now[len(lines):] if x.table == "counts"}
        assert len(counted) == 2, "one of two counts was lost"
    return codes


def _of_pair(name: str, unit: Path, k: int, chance: random.Random) -> list[object]:
    day = MONDAY + timedelta(days=k)
    if name == "plan":
        return ["plan", unit, "--seed", 2 + k % 2]
    sheet = unit.parent / f"sheet-{k}.csv"
    sheet.write_text("item,packs,loose_units\n" + "".join(f"{i},{chance.randint(0, 2)},1\n" for i in ITEMS))
    more = ["--older"] if name == "count" else []
    return [name, sheet, "--unit", unit, "--on", day, *more]


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]] + [200, 300, 30][len(sys.argv) - 1:]
    kills(*given[:2])
    pairs(given[2])
