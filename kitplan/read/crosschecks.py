"""Checks across tables: every role of every recipe in use has an item that fits every kind of airway."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from kitplan.read.catalogue import item_fits, unequipped
from kitplan.read.findings import Findings, key_of, nearest
from kitplan.read.policy import Policy
from kitplan.read.problems import some_of
from kitplan.read.sizes import uncut_of
from kitplan.read.techniques import Recipes
from kitplan.read.values import Route, Technique


def roles_needed(stratum: Mapping[str, Any], recipes: Recipes) -> list[str]:
    """Return the roles that one kind of airway takes, its route's emergency equipment included."""
    technique = recipes.techniques[stratum["technique"]]
    roles = list(technique.uses)
    if technique.pieces:
        roles.insert(0, "tape")
    if stratum["skin"] == "barrier":
        roles += [r for r in technique.uses_with_barrier if r not in roles]
    return [*roles, *(r for r in recipes.routes[stratum["route"]].emergency if r not in roles)]


def check_roles(
    strata: pd.DataFrame, recipes: Recipes, items: pd.DataFrame, items_file: str, policy: Policy, findings: Findings,
) -> None:
    """Note roles that no item fills, and sizes that none of a role's items fits."""
    missing: set[tuple[str, str]] = set()
    unfit: dict[tuple[str, bool], list[str]] = {}
    gone = items["item"].map(key_of).isin([key_of(i) for i in policy.values.get("stock.unavailable", ())])
    every = set(items["role"])
    by_role: dict[str, list[dict[Any, Any]]] = {}
    for item in items[~gone].to_dict("records"):
        by_role.setdefault(item["role"], []).append(item)
    for stratum in strata.to_dict("records"):
        technique = recipes.techniques[stratum["technique"]]
        emergency = recipes.routes[stratum["route"]].emergency
        for role in roles_needed(stratum, recipes):
            if role not in every:
                missing.add((f"route.{stratum['route']}" if role in emergency else technique.name, role))
            elif role not in by_role or not _some_item(by_role[role], role, stratum, technique):
                unfit.setdefault((role, role in emergency), []).append(str(stratum["label"]))
    for name, role in sorted(missing):
        _note_missing(name, role, items, recipes.file, items_file, findings)
    for (role, needed), labels in unfit.items():
        said = " (emergency equipment)" if needed else ""
        because = " while stock.unavailable holds" if (items["role"].eq(role) & gone).any() else ""
        findings.fault(items_file, f"has no {role}{said} that fits {some_of(labels)}{because}",
                       "Add an item, or widen the sizes that one fits (fits_from_mm and fits_to_mm, or size_from and "
                       "size_to).", column="role")
    for role in sorted({r for route in recipes.routes.values() for r in route.emergency}):
        _doubt_idle(role, strata[[role in recipes.routes[r].emergency for r in strata["route"]]], items, items_file,
                    findings)
    _check_sheets(strata, recipes.techniques, items, items_file, findings)


def _doubt_idle(role: str, strata: pd.DataFrame, items: pd.DataFrame, items_file: str, findings: Findings) -> None:
    """Name emergency items whose sizes no route could ever have: their limits stand on a scale that nothing uses."""
    of_role = items[(items["role"] == role) & (items["fits_scale"] != "")]
    idle = of_role[~of_role["fits_scale"].isin(strata["scale"])] if len(strata) else of_role[:0]
    for item, scale in zip(idle["item"], idle["fits_scale"]):
        findings.warn(items_file, f"fits no {role} size of this unit: its sizes are in {scale}",
                      "Give its sizes on the scale of the routes that need it.", column="item", value=item, moves=2)


def _some_item(
    able: Sequence[Mapping[Any, Any]], role: str, stratum: Mapping[str, Any], technique: Technique
) -> bool:
    width = technique.tape_width_mm if role == "tape" else None
    return any(item_fits(item, stratum) and (width is None or abs(float(item["width_mm"]) - width) < 0.51)
               for item in able)


def _note_missing(
    name: str, role: str, items: pd.DataFrame, recipes_file: str, items_file: str, findings: Findings
) -> None:
    if name.startswith("route."):
        findings.fault(items_file, f"has no item of role {role}: emergency equipment belongs at every bedside",
                       f"Add the unit's {role}s with the sizes they go with, or take the role out of emergency under "
                       f"[{name}] in techniques.toml where your policy keeps none.", column="role")
        return
    near = nearest(role, items["role"].unique())
    mend = f"Did you mean {near!r}? Otherwise add an item of that role to {items_file}." if near else (
        f"Add an item of that role to {items_file}, or take the role out of the recipe.")
    findings.fault(recipes_file, f"uses the role {role}, which no item fills", mend, column=f"{name}.uses.{role}")


def _check_sheets(
    strata: pd.DataFrame, techniques: Mapping[str, Technique], items: pd.DataFrame, items_file: str,
    findings: Findings,
) -> None:
    barrier = items[items["role"] == "barrier"]
    sheets = barrier[barrier["width_mm"].notna() & barrier["length_mm"].notna()].to_dict("records")
    for stratum in strata[strata["skin"] == "barrier"].to_dict("records"):
        if "barrier" not in techniques[stratum["technique"]].uses_with_barrier or barrier["width_mm"].isna().any():
            continue
        piece = sorted((stratum["barrier_width_mm"], stratum["barrier_length_mm"]))
        able = [sorted((item["width_mm"], item["length_mm"])) for item in sheets if item_fits(item, stratum)]
        if able and not any(short >= piece[0] and long >= piece[1] for short, long in able):
            findings.fault(items_file, f"has no barrier sheet large enough for {stratum['label']} "
                           f"({piece[0]:g} x {piece[1]:g} mm)", "Add a larger sheet, or correct face.csv.",
                           column="role")


def check_policy_items(
    policy: Policy, items: pd.DataFrame, findings: Findings
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Return `prefer` and `stock.unavailable` with the catalogue's own spelling; faults are noted."""
    role_of, roles = dict(zip(items["item"], items["role"])), list(dict.fromkeys(items["role"]))
    no_role, no_item = "is not a role of any item", "is not an item of the catalogue"
    prefer = {}
    for written_role, written in policy.prefer.items():
        where = f"prefer.{written_role}"
        role = findings.one_of(written_role, roles, policy.file, where, no_role)
        item = findings.one_of(written, items["item"], policy.file, where, no_item) if role else None
        if role and item and role_of[item] != role:
            findings.fault(policy.file, f"fills the role {role_of[item]}", f"Name an item of the role {role}.",
                           column=where, value=written)
        elif role and item:
            prefer[role] = item
    unavailable = [findings.one_of(written, items["item"], policy.file, "stock.unavailable", no_item)
                   for written in policy.values.get("stock.unavailable", ())]
    away = tuple(item for item in unavailable if item)
    if "bedside.on_wall" in policy.own:
        for written in policy.values["bedside.on_wall"]:
            findings.one_of(written, roles, policy.file, "bedside.on_wall", no_role)
    if policy.values.get("stock.unavailable_weeks") is not None and not away:
        findings.warn(policy.file, "says for how long, but nothing is unavailable",
                      'Name the items: unavailable = ["item"].', column="stock.unavailable_weeks")
    return prefer, away


def check_floors(
    strata: pd.DataFrame, routes: Mapping[str, Route], items: pd.DataFrame, items_file: str, findings: Findings
) -> None:
    """Question a catalogue whose emergency equipment has no floor at the bedside for some size."""
    floored, roles_of = items[items["min_bedside"] > 0], {name: route.emergency for name, route in routes.items()}
    for role, bare in unequipped(floored.to_dict("records"), strata.to_dict("records"), roles_of).items():
        findings.warn(items_file, f"asks for no {role} at the bedside of {some_of(bare)}",
                      f"Set min_bedside of a {role} that fits: emergency equipment belongs at every bedside.",
                      column="min_bedside")


def check_pieces(strata: pd.DataFrame, recipes: Recipes, findings: Findings) -> None:
    """Refuse a Y with no slit left on a small face, and question one whose uncut part crosses the middle."""
    small: dict[tuple[str, int, bool], list[str]] = {}
    for row in strata.to_dict("records"):
        technique = recipes.techniques[row["technique"]]
        span = float(row["span_tragus_mm" if technique.measure == "tragus" else "span_mid_cheek_mm"])
        for number, piece in enumerate(technique.pieces, 1):
            length = piece.length_mm if piece.length_mm is not None else (piece.span or 0.0) * span
            uncut = {"Y": uncut_of(piece, span), "H": piece.bridge_mm}.get(piece.shape, 0.0)
            none_left = bool(uncut) and uncut >= length + piece.extra_mm
            if none_left or (piece.shape == "Y" and piece.span is not None and uncut > span / 2 + 1e-9):
                small.setdefault((technique.name, number, none_left), []).append(f"{row['label']} (span {span:g} mm)")
    for (name, number, none_left), labels in small.items():
        say = findings.fault if none_left else findings.warn
        fault = "leaves no slit: its uncut part is as long as the piece for" if none_left else (
            "crosses the middle of the face with its uncut part for")
        say(recipes.file, f"{fault} {some_of(labels)}",
            "Write uncut_share = 0.35 beside uncut_mm, so that the uncut part goes with the face.",
            column=f"{name}.pieces[{number}]")
