"""Strategies for random valid units: whole folders of files, as a person could have written them.

A unit is drawn as text files, so that readers, planner and writers all meet it. What a shrinker should take apart
(how many items, which scopes, which files) is drawn by hypothesis; long tables are filled from one drawn seed.
Most units drawn are valid; some hold one thing that must be refused with its mend, which is an answer too.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

WORDS = ["oral", "nasal", "口", "нос", "عبر الفم", "ฟัน", "vía alta", "jałowa", "tracheal"]
"""Routes: any word of any script that a recipe names."""
THINGS = ["wipe", "gauze", "saline", "gloves", "scissors", "ties", "swab", "жгут", "湿巾", "żel"]
"""Roles beside tape, barrier, mask and bag."""
SIZES = [2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 6.0, 7.0, 7.5, 8.0, 10.0]
FIRST_DAY = date(2024, 2, 27)
SCENARIOS = 400
"""Scenarios to plan on: few, so that a unit takes a second."""


@dataclass(frozen=True)
class RandomUnit:
    """Files of one unit, by name; item: one name of its catalogue, for the commands that want one."""

    files: Mapping[str, str]
    item: str

    def write(self, folder: Path) -> Path:
        """Write the files into a new folder and return it."""
        folder.mkdir(parents=True)
        for name, text in self.files.items():
            (folder / name).write_text(text, encoding="utf-8")
        return folder

    def with_rows_shuffled(self, seed: int) -> RandomUnit:
        """The same unit with the rows of every table, the catalogue too, in another order."""
        rng = np.random.default_rng(seed)
        files = dict(self.files)
        for name, text in files.items():
            if name.endswith(".csv"):
                head, *rows = text.splitlines(keepends=True)
                files[name] = head + "".join(rows[k] for k in rng.permutation(len(rows)))
        return replace(self, files=files)


def some(*values: object) -> st.SearchStrategy:
    """One of a few values, the plainest first."""
    return st.sampled_from(values)


def rare(strategy: st.SearchStrategy, often: int = 6) -> st.SearchStrategy:
    """The strategy once in so many draws, else None."""
    return st.integers(0, often - 1).flatmap(lambda k: strategy if k == often - 1 else st.none())


@st.composite
def units(draw: st.DrawFn, scenarios: int = SCENARIOS) -> RandomUnit:
    """A unit with its own catalogue, recipes, census and settings."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    routes = draw(st.lists(st.sampled_from(WORDS), min_size=1, max_size=3, unique=True))
    roles = draw(st.lists(st.sampled_from(THINGS), max_size=8, unique=True))
    recipes = draw(_recipes(routes, roles))
    kinds = draw(_kinds(recipes))
    items = draw(_catalogue(rng, recipes))
    names = [row["item"] for row in items]
    files = {"items.csv": _table(items), "techniques.toml": _recipes_toml(recipes)}
    files["census.csv"], days = draw(_census(rng, kinds))
    files["unit.toml"] = draw(_settings(kinds, names, items))
    files["policy.toml"] = draw(_policy(scenarios))
    files |= draw(_records(rng, kinds, names, days))
    if draw(rare(st.just(True))):
        files["class.toml"] = draw(_class(kinds, names))
    return RandomUnit(files, draw(st.sampled_from(names)))


@st.composite
def _recipes(draw: st.DrawFn, routes: Sequence[str], roles: Sequence[str]) -> dict[str, dict]:
    recipes = {}
    for number in range(draw(st.integers(1, 4))):
        mine = routes if number == 0 else draw(st.lists(st.sampled_from(routes), min_size=1, unique=True))
        uses = {r: draw(some(1, 2, 5, 0.5, 0.01, 40)) for r in roles if draw(st.booleans())}
        pieces = draw(st.lists(_piece(), max_size=3))
        if not uses and not pieces:
            pieces = [{"shape": "strip", "count": 1, "length_mm": 100}]
        recipe: dict = {"title": f"Recipe {number + 1}", "routes": list(mine), "default": number == 0}
        recipe |= {"measure": draw(some("mid_cheek", "tragus")), "pieces": pieces, "uses": uses}
        if draw(st.booleans()):
            recipe["uses_with_barrier"] = {"barrier": draw(some(1, 2, 6))}
        if pieces and draw(rare(st.just(True), 3)):
            recipe["tape_width_mm"] = draw(some(12.5, 25, 50))
        recipes[f"recipe_{number + 1}"] = recipe
    return recipes


@st.composite
def _piece(draw: st.DrawFn) -> dict:
    piece: dict = {"shape": draw(some("strip", "Y", "H")), "count": draw(some(1, 2, 6))}
    piece |= {"span": draw(some(1.0, 0.5, 2.0))} if draw(st.booleans()) else {"length_mm": draw(some(100, 3, 450))}
    if draw(st.booleans()):
        piece |= {"extra_mm": draw(some(20, 5)), "uncut_mm": draw(some(50, 0)), "turns": draw(some(1, 3))}
        piece["half_width"] = piece["shape"] == "strip"
    return piece


@st.composite
def _kinds(draw: st.DrawFn, recipes: Mapping[str, dict]) -> list[tuple[str, float, str, str]]:
    pairs = [(route, name) for name, recipe in recipes.items() for route in recipe["routes"]]
    kind = st.tuples(st.sampled_from(pairs), st.sampled_from(SIZES), some("none", "barrier"))
    found = draw(st.lists(kind, min_size=1, max_size=draw(some(2, 6, 12)), unique=True))
    return [(route, size, recipe, skin) for (route, recipe), size, skin in found]


@st.composite
def _catalogue(draw: st.DrawFn, rng: np.random.Generator, recipes: Mapping[str, dict]) -> list[dict]:
    """Up to 80 items: one that fits everything for each role, then any others; scopes of every kind for every role."""
    roles = {"mask", "bag"} | {r for t in recipes.values() for r in (*t["uses"], *t.get("uses_with_barrier", {}))}
    if any(t["pieces"] for t in recipes.values()):
        roles.add("tape")
    scopes = draw(st.lists(some("event", "patient", "unit"), min_size=1, max_size=3, unique=True))
    packs = draw(some([1, 10], [50], [1], [1_000_000, 3]))
    prices = draw(some([5.0, 21.5], [0.0], [0.0, 0.01, 900000.0], [7.0]))
    litres = draw(some([0.5, 2.0], [0.0], [0.0, 30.0]))
    widths = sorted({t["tape_width_mm"] for t in recipes.values() if "tape_width_mm" in t}) or [12.5, 25.0]
    extra = draw(some(0, 3, 20, 66))
    pool = [*sorted(roles), *draw(some([], ["mask", "bag"], ["spare_tube"], ["own thing", "żel"]))]
    wanted = [*sorted(roles), *(["tape"] * (len(widths) - 1) if "tape" in roles else [])]
    wanted += [str(r) for r in rng.choice(pool, extra)]
    emergency = draw(rare(some("unit", "event"), 20)) or "patient"
    rows: list[dict] = []
    for number, role in enumerate(wanted):
        first = number < len(wanted) - extra
        row = {"item": f"{role} {number}", "role": role, "scope": str(rng.choice(scopes)), "pack": rng.choice(packs)}
        row |= {"price": rng.choice(prices), "litres": rng.choice(litres), "contains": rng.choice([1, 5, 0.5, 40])}
        low, high = ("", "") if first else sorted(rng.choice(SIZES, 2)) if rng.random() < 0.5 else ("", "")
        row |= {"fits_from_mm": low, "fits_to_mm": high, "min_bedside": "", "min_stock": "", "critical": ""}
        row |= {"shelf_life_days": rng.choice(["", 1, 400]), "width_mm": "", "length_mm": "", "share": ""}
        row["bin"] = rng.choice(["", "A1", "B2"])
        if role in ("mask", "bag"):
            row |= {"scope": emergency, "contains": 1, "critical": "yes", "min_bedside": 1}
            row["min_stock"] = rng.choice([0, 2, 25])
        elif rng.random() < 0.1:
            row |= {"critical": "yes", "min_bedside": rng.choice([0, 2]), "min_stock": rng.choice([0, 7])}
        if role == "tape":
            length = rng.choice([1370, 9140, 4570]) if first else rng.choice([500, 1370, 9140, 200])
            width = widths[number % len(widths)] if first else rng.choice([12.5, 25.0, 50.0])
            row |= {"width_mm": width, "length_mm": length, "contains": length, "scope": "patient"}
        elif role == "barrier" and rng.random() < 0.6:
            row |= {"width_mm": 200, "length_mm": rng.choice([200, 90]), "scope": "patient"}
        rows.append(row)
    shared = draw(rare(st.sampled_from(sorted(roles - {"mask", "bag", "tape", "barrier"}) or ["none"]), 3))
    mine = [row for row in rows if row["role"] == shared]
    for row in mine:
        row |= {"scope": "event", "contains": 1, "share": 1 / len(mine), "fits_from_mm": "", "fits_to_mm": ""}
    return rows


@st.composite
def _census(
    draw: st.DrawFn, rng: np.random.Generator, kinds: Sequence[tuple]
) -> tuple[str, list[date]]:
    shape = draw(some("snapshot", "counts", "stays"))
    most = draw(some(3, 1, 20, 60))
    head = {"route": 0, "tube_mm": 1, "technique": 2, "skin": 3}
    rows: list[dict] = []
    length = draw(some(30, 1, 7, 200, 1095))
    days = [FIRST_DAY + timedelta(days=k) for k in range(length)]
    if shape == "snapshot":
        rows = [{c: kind[k] for c, k in head.items()} | {"airways": rng.integers(1, most + 1)} for kind in kinds]
        return _table(rows), days
    if shape == "counts":
        known = [d for d in days if rng.random() < 0.98] or days[:1]
        level = np.maximum(rng.integers(0, most + 1, len(kinds)), 1)
        for day in known[: 6000 // len(kinds)]:
            counts = rng.poisson(level)
            rows += [{"date": day} | {c: kind[k] for c, k in head.items()} | {"airways": n}
                     for kind, n in zip(kinds, counts)]
        rows[0]["airways"] = max(rows[0]["airways"], 1)
    else:
        mean = draw(some(4.0, 0.3, 30.0))
        n_stays = max(1, min(int(length * most / mean), draw(some(150, 4, 1500))))
        starts = np.sort(rng.uniform(0, length, n_stays))
        ends = starts + np.maximum(rng.lognormal(np.log(mean), 0.8, n_stays), 0.05)
        for number, (start, end) in enumerate(zip(starts, ends)):
            kind = kinds[rng.integers(len(kinds))]
            still = end >= length
            rows.append({"airway": f"A{number:04d}", "start": _moment(start), "end": "" if still else _moment(end)}
                        | {c: kind[k] for c, k in head.items()})
    slip = draw(rare(some("2205-01-01", "31/02/2025", "2019-01-01", "01/02/24"), 8))
    if slip:
        rows[int(rng.integers(len(rows)))]["date" if shape == "counts" else "start"] = slip
    return _table(rows), days


def _moment(day: float) -> str:
    whole = FIRST_DAY + timedelta(days=int(day))
    return f"{whole} {int(day % 1 * 24):02d}:00"


@st.composite
def _settings(draw: st.DrawFn, kinds: Sequence[tuple], names: Sequence[str], items: Sequence[dict]) -> str:
    top: dict = {"name": "Invented random unit"}
    top |= _kept(draw, mean_stay_days=some(4.5, 0.5, 60.0, 3650.0, 0.1), stay_log_sd=some(1.0, 0.0, 3.0, 0.01))
    stock: dict = {"review_days": draw(some(7, 1, 30, 90)), "lead_days": draw(some(2, 0, 14))}
    stock |= {"readiness": draw(some(0.95, 0.98, 0.5, 0.9999))}
    stock |= _kept(draw, 4, shelf_litres=some(400.0, 30.0, 1.0), budget=some(2000.0, 50.0, 1e6))
    stock |= _kept(draw, 8, unavailable=st.lists(st.sampled_from(names), min_size=1, max_size=2, unique=True))
    bedside: dict = {"designs": draw(some(2, 1, 6))}
    bedside |= _kept(draw, 3, restock_hours=some(24, 1, 168), readiness=some(0.95, 0.5, 0.9999), beds=some(8, 1, 200),
                     kits_in_par=st.booleans(), adjacent_size=st.booleans())
    bedside |= _kept(draw, 8, container_litres=some(12.0, 1.0, 200.0), items_carried=some(10, 3, 60),
                     spare_tube=st.just(True))
    resecure = _kept(
        draw, 5, checks_per_day=some(4, 1, 24, 48), loosening_scale_hours=some(70.0, 5.0, 10_000.0),
        loosening_shape=some(1.5, 1.0, 10.0), soiled_per_day=some(0.1, 0.0, 5.0), skin_per_day=some(0.0, 1.0),
        moved_per_day=some(0.0, 1.0), changed_per_day=some(0.0, 1.0), planned_hours=some(0, 24, 1, 2000),
        airway_spread=some(0.4, 0.0, 3.0, 1e-6), redo=some(0.06, 0.0, 0.9), admission_secures=some(1, 0, 10),
    ) | _kept(draw, 12, flat_per_check=some(0.1, 0.0, 1.0))
    blocks = {"": top, "stock": stock, "bedside": bedside, "resecure": resecure}
    blocks["forecast"] = _kept(draw, 4, months=some(12, 1, 60))
    year = _kept(draw, 3, start=some("2026-01", "2025-07", "2024-01", "2030-04"))
    blocks["budget"] = year | (_kept(draw, 2, amount=some(9000.0, 1.0, 1e9)) if year else {})
    preferred = draw(rare(st.sampled_from(sorted({str(r["role"]) for r in items}))))
    if preferred:
        blocks["prefer"] = {preferred: next(r["item"] for r in items if r["role"] == preferred)}
    text = "".join(f"[{name}]\n" * bool(name) + _toml(block) for name, block in blocks.items() if block)
    for route, size, recipe, skin in draw(rare(st.just(kinds[:2]), 3)) or ():
        line = {"route": route, "tube_mm": draw(some(size, 5.5)), "technique": recipe, "skin": skin}
        text += "[[expect]]\n" + _toml(line | {"mean_airways": draw(some(0.5, 0.01, 20.0))})
    return text


def _kept(draw: st.DrawFn, often: int = 2, **strategies: st.SearchStrategy) -> dict:
    """Each setting once in so many draws."""
    drawn = {key: draw(rare(strategy, often)) for key, strategy in strategies.items()}
    return {key: value for key, value in drawn.items() if value is not None}


@st.composite
def _policy(draw: st.DrawFn, scenarios: int) -> str:
    values: dict = {"scenarios": scenarios, "verify_scenarios": scenarios, "max_scenarios": 3 * scenarios}
    values |= _kept(draw, 6, frailty_nodes=some(8, 1, 16), mip_gap=some(0.001, 0.0, 0.5))
    return "".join(f"[planning.{key}]\nvalue = {value}\n" for key, value in values.items())


@st.composite
def _records(
    draw: st.DrawFn, rng: np.random.Generator, kinds: Sequence[tuple], names: Sequence[str], days: Sequence[date]
) -> dict[str, str]:
    """The optional tables, each there or not."""
    files = {}
    if draw(rare(st.just(True), 3)):
        reasons = ["loose", "soiled", "skin", "moved", "changed", "planned", "unplanned_removal", "other"]
        rows = [{"date": rng.choice(days), "time": f"{rng.integers(24):02d}:15", "route": kind[0], "tube_mm": kind[1],
                 "technique": kind[2], "skin": kind[3], "reason": rng.choice(reasons)}
                for kind in (kinds[rng.integers(len(kinds))] for _ in range(draw(some(40, 1, 400))))]
        files["resecure_log.csv"] = _table(rows)
    if draw(rare(st.just(True), 3)):
        rows = [{"date": rng.choice(days), "item": rng.choice(names), "units": rng.integers(-20, 200)}
                for _ in range(draw(some(30, 1, 300)))]
        files["stock_issues.csv"] = _table(rows)
    if draw(rare(st.just(True), 3)):
        rows = [{"date": FIRST_DAY + timedelta(days=7 * k), "item": rng.choice(names), "price": price, "percent": ""}
                for k, price in enumerate(rng.uniform(0.01, 90, draw(some(3, 1, 30))).round(2))]
        files["prices.csv"] = _table([*rows, {"date": "2026-10-01", "item": "", "price": "", "percent": 4}])
    if draw(rare(st.just(True), 4)):
        files["budget.csv"] = _table([{"month": f"2026-{m:02d}", "amount": draw(some(900, 0, "")),
                                       "spent": draw(some("", 800.5))} for m in range(1, draw(some(12, 1)) + 1)])
    if draw(rare(st.just(True), 3)):
        held = rng.permutation(names)[: int(rng.integers(1, len(names) + 1))]
        files["present_par.csv"] = _table([{"item": i, "par_packs": rng.integers(0, 9)} for i in held])
    if draw(rare(st.just(True), 3)):
        counted = rng.permutation([n for n in names for _ in range(2)])[: int(rng.integers(1, 2 * len(names) + 1))]
        dated = draw(st.booleans())
        rows = [{"item": i, "packs": rng.integers(0, 9), "loose_units": rng.integers(0, 3), "lot": f"L{k}",
                 "expires": FIRST_DAY + timedelta(days=int(rng.choice([1000, 1003, 900, 1400])))}
                | ({"date": FIRST_DAY + timedelta(days=1000)} if dated else {})
                for k, i in enumerate(counted)]
        files["on_hand.csv"] = _table(rows)
    return files


@st.composite
def _class(draw: st.DrawFn, kinds: Sequence[tuple], names: Sequence[str]) -> str:
    text = _toml({"title": "Invented class", "learners": draw(some(6, 1, 60)), "stations": draw(some(1, 3)),
                  "attempts": draw(some(2, 1)), "pairs": draw(st.booleans())})
    for route, size, recipe, skin in kinds[:3]:
        line = {"route": route, "technique": recipe, "tube_mm": size, "skin": skin}
        text += "[[practice]]\n" + _toml(line)
    return text + f"[have]\n{json.dumps(names[0], ensure_ascii=False)} = 3\n"


def _table(rows: Sequence[Mapping]) -> str:
    head = list(rows[0])
    return "".join(",".join(map(str, line)) + "\n" for line in [head, *([r[c] for c in head] for r in rows)])


def _toml(block: Mapping) -> str:
    return "".join(f"{json.dumps(k, ensure_ascii=False)} = {_value(v)}\n" for k, v in block.items())


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(k, ensure_ascii=False)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_value, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def _recipes_toml(recipes: Mapping[str, dict]) -> str:
    return "".join(f"[{name}]\n{_toml(recipe)}" for name, recipe in recipes.items())
