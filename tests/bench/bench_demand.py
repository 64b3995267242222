"""The demand engine against a plain Python loop and against a general event-simulation library, on one model.

    python tests/bench/bench_demand.py [--scenarios 20000] [--years 100]

The model is the small unit of tests/conftest.py: three kinds of airway, mean stay 6 days, checks every six hours, worn
securements loosening the faster, some airways more prone than others. Each engine gives use in protection intervals of
9 days; the table shows intervals a second and the ratio in this one run, and how well means and readiness agree.
"""

from __future__ import annotations

import argparse
import math
import random
import sys
import time
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent / "published")]

import event_model  # noqa: E402

from kitplan.demand.item_choice import attempt_tables, fill_roles  # noqa: E402
from kitplan.demand.scenarios import draw_demand  # noqa: E402
from kitplan.parts.simulate.issue_play import play_issues, windows  # noqa: E402
from tests.conftest import known, make_unit  # noqa: E402

ITEMS = ("tape-25-short", "saline-5", "wipe-prep", "mask-42", "bag-450", "dressing-10")
DAYS = 9


def plain_loop(intervals: int, seed: int) -> np.ndarray:
    """Use of ITEMS in each interval by nested loops: airway by airway, check by check, no arrays."""
    chance = random.Random(seed)
    rows = []
    mu = math.log(event_model.MEAN_STAY) - event_model.LOG_SD**2 / 2
    for _ in range(intervals):
        used = dict.fromkeys(ITEMS, 0)
        for stratum, mean in enumerate(event_model.MEANS):
            start = -20 * event_model.MEAN_STAY
            while True:
                start += chance.expovariate(mean / event_model.MEAN_STAY)
                if start >= DAYS:
                    break
                stop = start + chance.lognormvariate(mu, event_model.LOG_SD)
                if stop > 0:
                    one_airway(chance, stratum, start, stop, used)
        rows.append([used[i] for i in ITEMS])
    return np.array(rows)


def one_airway(chance: random.Random, stratum: int, start: float, stop: float, used: dict[str, int]) -> None:
    prone = chance.gammavariate(1 / event_model.SPREAD**2, event_model.SPREAD**2)
    tape, dressing, worn = event_model.Tape(event_model.TAPE_LENGTHS[stratum]), 0, 0
    if start >= 0:
        for item in ("mask-42", "bag-450"):
            if item != "mask-42" or stratum < 2:
                used[item] += 1
    check = math.floor(start * 4)
    secured = True
    while True:
        if secured:
            inside = (start >= 0) if check == math.floor(start * 4) else check > 0
            worn = 0
            while True:
                rolls = tape.cut(3)
                sheets = 0
                if stratum == 1:
                    dressing += 2
                    while dressing > 0:
                        sheets += 1
                        dressing -= 8
                if inside:
                    used["tape-25-short"] += rolls
                    used["saline-5"] += 1
                    used["wipe-prep"] += 2
                    used["dressing-10"] += sheets
                if chance.random() >= event_model.REDO:
                    break
        check += 1
        if check / 4 > min(stop, DAYS):
            return
        worn += 1
        strain = (worn * 6 / 70) ** 1.5 - ((worn - 1) * 6 / 70) ** 1.5 + 0.05
        secured = chance.random() < 1 - math.exp(-prone * strain)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scenarios", type=int, default=20_000)
    parser.add_argument("--years", type=int, default=100)
    given = parser.parse_args()
    unit = make_unit()
    names = unit.items["item"].tolist()
    keep = [names.index(i) for i in ITEMS]
    tables = attempt_tables(unit)
    item_choice = fill_roles(unit, tables)

    def engine() -> np.ndarray:
        return draw_demand(
            unit, item_choice, DAYS, given.scenarios, 1, "bench", tables, posterior=known(unit)
        ).units[:, keep]

    def play() -> np.ndarray:
        issued = play_issues(unit, item_choice, 4 * 365, 64, 1, "bench", known(unit))[:, :, keep]
        return np.concatenate(list(windows(issued, DAYS)))

    def loop() -> np.ndarray:
        return plain_loop(given.scenarios // 20, 1)

    def library() -> np.ndarray:
        pack = {n: int(p) for n, p in zip(names, unit.items["pack"])}
        store = event_model.run(dict.fromkeys(names, 10**6), pack, given.years, 1)
        per_interval = [store.used[i] / (given.years * 364) * DAYS for i in ITEMS]
        return np.tile(per_interval, (int(given.years * 364 / DAYS), 1))

    print(
        f"{'engine':<36}{'intervals':>10}{'seconds':>9}{'a second':>10}{'ratio':>8}   mean use of {', '.join(ITEMS)}"
    )
    base = 0.0
    for name, run in (
        ("plain Python loop", loop),
        ("event-simulation library (SimPy)", library),
        ("check-by-check play (simulate)", play),
        ("demand engine (plan)", engine),
    ):
        began = time.perf_counter()
        use = run()
        seconds = time.perf_counter() - began
        rate = len(use) / seconds
        base = base or rate
        means = "  ".join(f"{m:.2f}" for m in use.mean(axis=0))
        print(f"{name:<36}{len(use):>10,}{seconds:>9.2f}{rate:>10,.0f}{rate / base:>8.1f}   {means}")


if __name__ == "__main__":
    main()
