"""The same weeks of one sample played under the label, the count sheet and the order, against the rule of old.

    python tests/bench/bench_round.py PLAN_FOLDER [OLD_PLAN_FOLDER] [--weeks 77] [--copies 40]

PLAN_FOLDER: a plan of the unit. OLD_PLAN_FOLDER: a plan of the same unit by the program as it was (par_units,
order_point_units in tables/order_points.csv); its label ordered under the lead time's point, its sheet up to par.
Now label, sheet and order are one number, so there is one answer.
"""

import argparse
from pathlib import Path

import numpy as np
import pandas as pd

from kitplan.demand.posterior import fit_posterior
from kitplan.parts.orders.ordering import packs_to_level
from kitplan.parts.simulate.issue_play import play_issues
from kitplan.saved.folder import open_plan

LEAD, REVIEW = 2, 7


def play(use, start, under, level, pack, price):
    """(share of weeks with something short, order lines a year, mean value held) of weekly counts and whole packs.

    use: (days, items). Ordered on day 0, 7, ... up to `level` where the position is under `under`, LEAD days ahead.
    """
    shelf, coming, short, lines, value = start.copy(), {}, [], 0, 0.0
    for day, wanted in enumerate(use):
        shelf += coming.pop(day, 0)
        if day % REVIEW == 0:
            position = shelf + sum(coming.values(), np.zeros_like(shelf))
            packs = np.array([packs_to_level(int(s), int(p), int(q)) if p < u else 0
                              for s, p, q, u in zip(level, position, pack, under)])
            coming[day + LEAD] = packs * pack
            lines += int((packs > 0).sum())
            short.append(False)
        short[-1] |= bool((wanted > shelf).any())
        shelf = np.maximum(shelf - wanted, 0)
        value += float(shelf @ (price / pack))
    return np.mean(short), lines * 365.25 / len(use), value / len(use)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("plan", type=Path)
    parser.add_argument("old", type=Path, nargs="?")
    parser.add_argument("--weeks", type=int, default=77)
    parser.add_argument("--copies", type=int, default=40)
    given = parser.parse_args()
    plan = open_plan(given.plan)
    names = plan.unit.items["item"].tolist()
    issued = play_issues(plan.unit, plan.item_choice, given.weeks * 7, given.copies, 5, "bench round",
                         fit_posterior(plan.unit))
    daily = issued.reshape(given.weeks * 7, -1, *issued.shape[1:]).sum(axis=1)  # steps of a day or less
    items = plan.unit.items.set_index("item")
    rules = {"one number": ({x.item: x.level_units for x in plan.orders.plan.levels},) * 2}
    if given.old:
        table = pd.read_csv(given.old / "tables" / "order_points.csv").set_index("item")
        par = table["par_units"].to_dict()
        rules |= {"old label": (table["order_point_units"].to_dict(), par), "old sheet": (par, par)}
    for name, (under, level) in rules.items():
        held = [i for i in level if i in names]
        column = [names.index(i) for i in held]
        of = {k: np.array([float(d[i]) for i in held]) for k, d in (("under", under), ("level", level))}
        pack, price = items.loc[held, "pack"].to_numpy(float), items.loc[held, "price"].to_numpy(float)
        found = np.array([play(daily[:, c][:, column], of["level"], of["under"], of["level"], pack, price)
                          for c in range(given.copies)]).mean(axis=0)
        print(f"{name}: something short in {found[0] * given.weeks:.1f} of {given.weeks} weeks, "
              f"{found[1]:.0f} order lines a year, {found[2]:,.0f} held on average")


if __name__ == "__main__":
    main()
