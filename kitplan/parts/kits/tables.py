"""Kit designs told as frames: contents with reasons, who gets which, the curve, and the items each stratum takes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import numpy as np
import pandas as pd

from kitplan.demand.item_choice import airway_of, candidate
from kitplan.demand.occupancy import mean_airways
from kitplan.demand.values import ItemChoice
from kitplan.parts.kits.contents import KitItemChoice, unit_litres, unit_prices
from kitplan.parts.kits.groups import Kit, Place, sizes_in
from kitplan.parts.kits.partition import Partition
from kitplan.parts.kits.requirements import KitNeeds
from kitplan.parts.kits.slots import Slot
from kitplan.read.values import STRATUM_COLUMNS, Unit

_Row = Mapping[str, Any]

CONTENT_COLUMNS = [
    "design", "item", "description", "role", "quantity", "emergency", "value", "litres", "because",
]


def contents_table(unit: Unit, needs: KitNeeds, kits: Sequence[Kit]) -> pd.DataFrame:
    """CONTENT_COLUMNS, one row an item of a design, emergency set first, then catalogue (shelf) order."""
    prices, litres = unit_prices(unit), unit_litres(unit)
    rows = []
    for kit in kits:
        held: dict[int, tuple[int, str]] = {}
        for place, o in ((p, int(o)) for p in kit.places for o in np.flatnonzero(p.held)):
            why = _reason(unit, needs, place, o, kit.members)
            for item, count in place.slot.options[o].items():
                before = held.get(item, (0, ""))
                held[item] = before[0] + int(place.held[o]) * count, "; ".join(filter(None, (before[1], why)))
        order = sorted(held, key=lambda i: (not _is_emergency(unit, i), i))
        rows += [(
            kit.name, *(unit.catalogue[i][c] for c in ("item", "description", "role")), held[i][0],
            "yes" if _is_emergency(unit, i) else "no", held[i][0] * prices[i], held[i][0] * litres[i], held[i][1],
        ) for i in order]
    return pd.DataFrame(rows, columns=CONTENT_COLUMNS)


def _is_emergency(unit: Unit, item: int) -> bool:
    return bool(unit.catalogue[item]["critical"])


def _reason(unit: Unit, needs: KitNeeds, place: Place, option: int, members: np.ndarray) -> str:
    """Why an item is in a design: which need it covers, and whose need is the largest."""
    slot, inside = place.slot, np.flatnonzero(members)
    users = [int(g) for g in inside if place.takes[g] == option]
    item = next(iter(slot.options[option]))
    if all(item in needs.emergency[g] for g in users):
        first = [g for g in users if needs.primary.get((g, slot.role)) == item]
        next_ = [g for g in users if g not in first]
        who = [("fits", first), ("next size for", next_)]
        return "; ".join(f"{how} {sizes_of(unit, whom)}" for how, whom in who if whom)
    most = max(users, key=lambda g: int(slot.bundles[g, option]))
    wording = _serves(unit, needs, slot, option, most)
    same = len({int(slot.bundles[g, option]) for g in users}) == 1
    whose = "" if same and len(users) == len(inside) else f", for {unit.strata.at[most, 'label']}"
    if place.own and len(users) < len(inside) and same:
        whose = f", for {sizes_of(unit, users)}"
    return wording + whose


def _serves(unit: Unit, needs: KitNeeds, slot: Slot, option: int, g: int) -> str:
    """How much of its role a stratum draws from the slot: "2 re-secures x 2", "2 re-secures, 30 % of 4 pair"."""
    re_secures = int(needs.re_secures[g])
    wording = f"{re_secures} {unit.words.acts if re_secures > 1 else unit.words.act}"
    item = next(iter(slot.options[option]))
    per_use = float(slot.per_use[g, option]) * sum(slot.options[option].values())
    if not per_use:
        return wording
    if unit.catalogue[item]["share"] > 0:
        share = per_use * float(unit.catalogue[item]["contains"]) / needs.needs[g][slot.role]
        whole = re_secures * needs.needs[g][slot.role]
        return f"{wording}, {100 * share:.0f} % of {whole:g} {unit.catalogue[item]['use_unit']}s"
    return f"{wording} x {per_use:g}"


def sizes_of(unit: Unit, strata: Sequence[int]) -> str:
    """Routes and sizes of some strata, short: "nasal 3.5 mm; oral 3.5, 4 mm"."""
    by_route: dict[str, list[str]] = {}
    columns = (unit.strata[c].to_numpy()[list(strata)] for c in ("size_number", "route", "size"))
    for _, route, size in sorted(zip(*columns), key=lambda row: row[0]):
        by_route.setdefault(route, []).append(size)
    return "; ".join(f"{route.replace('_', ' ')} {size_list(own)}".strip() for route, own in sorted(by_route.items()))


def size_list(ordered: Iterable[str]) -> str:
    """Sizes of some airways of one route, their common unit once: "3.5, 4.0 mm", "8, 10 Fr"."""
    sizes = [s for s in dict.fromkeys(ordered) if s]
    units = {s.rpartition(" ")[2] for s in sizes}
    if len(units) == 1 and all(" " in s for s in sizes):
        return f"{', '.join(s.rpartition(' ')[0] for s in sizes)} {units.pop()}"
    return ", ".join(sizes)


def strata_table(unit: Unit, needs: KitNeeds, kits: Sequence[Kit]) -> pd.DataFrame:
    """Which design for which airway, in the order of Unit.strata."""
    design = [next(kit.name for kit in kits if kit.members[g]) for g in range(unit.n_strata)]
    frame = unit.strata[STRATUM_COLUMNS].copy()
    frame.insert(0, "design", design)
    for column in ("label", "scale", "size_number"):
        frame[column] = unit.strata[column].to_numpy()
    frame["re_secures"] = needs.re_secures
    frame["mean_airways"] = mean_airways(unit)
    frame["kits_per_month"] = needs.kits_per_month
    return frame.reset_index(drop=True)


def curve_table(unit: Unit, needs: KitNeeds, curve: Sequence[Partition | None], chosen: Partition) -> pd.DataFrame:
    """designs, monthly_cost, bound, gap, largest_litres, saved (against one design fewer), sizes, note; by K.

    sizes: the most different sizes of each emergency role in one kit, "mask 2, bag 2".
    """
    impossible = "mixes sizes" + ("" if unit.bedside.container_litres is None else ", or does not fit the container")
    rows = []
    before = np.nan
    for k, part in enumerate(curve, start=1):
        if part is None:
            rows.append((k, np.nan, np.nan, np.nan, np.nan, np.nan, "", impossible))
            continue
        note = "chosen" if part is chosen else ""
        kinds = [sizes_in(unit, needs, members) for members in part.groups]
        most = {role: max(kind.get(role, 0) for kind in kinds) for role in dict.fromkeys(r for k in kinds for r in k)}
        sizes = ", ".join(f"{role} {count}" for role, count in most.items())
        rows.append((k, part.cost, part.bound, part.gap, part.litres, before - part.cost, sizes, note))
        before = part.cost
    columns = ["designs", "monthly_cost", "bound", "gap", "largest_litres", "saved", "sizes", "note"]
    return pd.DataFrame(rows, columns=columns)


def designs_item_choice(unit: Unit, needs: KitNeeds, kits: Sequence[Kit], base: ItemChoice, chosen: KitItemChoice
                        ) -> ItemChoice:
    """The items that every stratum takes given its design: base, with each role's item replaced where it differs.

    chosen: the items of the program; what is shared in the unit lies in no kit and is taken as chosen.
    """
    frame = base.frame
    shared = {key: i for key, i in chosen.once_open.items() if unit.catalogue[i]["scope"] == "unit"}
    swaps: dict[tuple[int, str], dict[int, float]] = {key: {i: 0.0} for key, i in shared.items()}
    for kit in kits:
        for slot, takes in ((p.slot, p.takes) for p in kit.places if p.slot.name == p.slot.role):
            for g in np.flatnonzero(kit.members & (takes >= 0)).tolist():
                if slot.role in needs.needs[g]:
                    per_use = float(slot.per_use[g, takes[g]])
                    swaps[g, slot.role] = {i: n * per_use for i, n in slot.options[takes[g]].items()}
    parts = []
    for (stratum, role), rows in frame.groupby(["stratum", "role"], sort=False):
        g, taken = int(stratum), swaps.get((stratum, role), {})
        other = taken and [unit.catalogue[i]["item"] for i in taken] != base.serving[g, role]
        parts.append(_swapped(unit, needs, rows, g, taken) if other else rows)
    opened = dict(base.opened)
    for (of, i), table in needs.opened.items():
        opened.setdefault((of, str(unit.catalogue[i]["item"])), table)
    return ItemChoice(pd.concat(parts, ignore_index=True) if parts else frame, opened)


def _swapped(unit: Unit, needs: KitNeeds, rows: pd.DataFrame, g: int, taken: dict[int, float]) -> pd.DataFrame:
    """Rows of one role of one stratum with the items of its design."""
    airway, made = airway_of(unit, g, needs.use[g].stay_attempts), []
    for item, per_use in taken.items():
        row = candidate(airway, unit.catalogue[item], float(rows["need"].iloc[0]), {})
        if per_use > 0:
            cost = per_use * needs.use[g].mean_stay_attempts * unit_prices(unit)[item]
            row |= {"items_per_use": per_use, "cost_per_stay": cost}
        why = "shared in the unit beside the kits" if row["scope"] == "unit" else "the bedside kit holds it"
        made.append(row | {"because": f"{why}; {row['cost_per_stay']:.2f} {unit.currency} a stay"})
    return pd.DataFrame(made, columns=rows.columns)


@dataclass(frozen=True)
class Lookup:
    """sizes: what to read down, smallest first. routes: columns. cells: (size, route) -> what to read there.

    A cell is one design ("B"), or one for each exception ("B", "A with barrier") where skin or technique decide;
    the first is what most of that size and route get. heading: over the sizes ("Tube mm").
    """

    sizes: tuple[str, ...]
    routes: tuple[str, ...]
    cells: dict[tuple[str, str], tuple[str, ...]]
    heading: str


def kit_lookup(strata: pd.DataFrame, unit: Unit) -> Lookup:
    """Build the lookup from KitPlan.strata."""
    titles = {name: t.title for name, t in unit.techniques.items()}
    ordered = strata.sort_values(["scale", "size_number"], kind="stable")
    scales = set(ordered["scale"])
    scale = scales.pop() if len(scales) == 1 and scales <= {"mm", "Fr"} else ""
    shown = {size: size.replace(f" {scale}", "") if scale else size or "any size" for size in ordered["size"]}
    cells = {}
    for (size, route), own in sorted(_by_airway(strata).items()):
        own = sorted(own, key=itemgetter("design"))
        mean = {row["design"]: 0.0 for row in own}
        for row in own:
            mean[row["design"]] += row["mean_airways"]
        main = max(mean, key=lambda design: mean[design])
        cells[shown[size], route.replace("_", " ")] = (
            main, *(f"{row['design']}: {_difference(own, row, titles)}" for row in own if row["design"] != main))
    routes = tuple(sorted({route for _, route in cells}, key=lambda r: (r != "oral", r)))
    heading = f"{unit.words.device.capitalize()} {scale}".strip()
    return Lookup(tuple(dict.fromkeys(shown.values())), routes, cells, heading)


def _by_airway(strata: pd.DataFrame) -> dict[tuple[str, str], list[_Row]]:
    """(size, route) -> the rows of strata_table that share them."""
    found: dict[tuple[str, str], list[_Row]] = {}
    for row in strata.to_dict("records"):
        found.setdefault((row["size"], row["route"]), []).append(row)
    return found


def _difference(own: Sequence[_Row], row: _Row, titles: dict[str, str]) -> str:
    """What tells this airway from the others of its size and route."""
    parts = []
    if len({r["technique"] for r in own}) > 1:
        parts.append(titles.get(row["technique"], str(row["technique"])))
    if len({r["skin"] for r in own}) > 1:
        parts.append("with barrier" if row["skin"] == "barrier" else "without barrier")
    return ", ".join(parts)


def served_lines(strata: pd.DataFrame, titles: dict[str, str]) -> dict[str, list[str]]:
    """Whom each design serves, a line a route: "oral 3.0, 3.5 mm (with barrier)"; more than the size where it decides.
    """
    sizes: dict[str, dict[str, dict[str, list[str]]]] = {}
    for design, route in zip(strata["design"], strata["route"]):
        sizes.setdefault(design, {}).setdefault(route, {})
    airways = _by_airway(strata)
    for (size, route), own in sorted(airways.items(), key=lambda held: float(held[1][0]["size_number"])):
        for design in {row["design"] for row in own}:
            mine = [row for row in own if row["design"] == design]
            alone = len(mine) == len(own)
            which = "" if alone else f" ({' or '.join(_difference(own, row, titles) for row in mine)})"
            sizes[design][route].setdefault(which, []).append(size)
    return {design: [
        f"{route.replace('_', ' ')} {', '.join(size_list(s) + which for which, s in found.items())}".strip()
        for route, found in by_route.items()
    ] for design, by_route in sizes.items()}
