"""Recipes: what one re-secure uses. A technique is data (techniques.toml), not code."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from kitplan.read.blocks import keys_of, read_block
from kitplan.read.columns import Column
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.grids import Grid
from kitplan.read.headers import header_names
from kitplan.read.routes import read_routes
from kitplan.read.settings import parse_toml, said_source
from kitplan.read.source import Source
from kitplan.read.values import Assumption, Piece, Route, Step, Technique


@dataclass(frozen=True)
class Recipes:
    """What techniques.toml holds. file: its name. techniques, routes: by name, every route that a recipe serves.

    cuff: how far a cuff moves the patient that a size in mm stands for, and up to which size (both mm).
    """

    file: str
    techniques: Mapping[str, Technique]
    routes: Mapping[str, Route]
    cuff: tuple[float, float] = field(default=(0.0, 0.0))

    @property
    def in_mm(self) -> bool:
        return all(route.scale == "mm" for route in self.routes.values())

    def sized(self, known: Mapping[str, Column], grid: Grid) -> dict[str, Column]:
        """The columns of a table: without `size` where all sizes are in mm and it stands for tube_mm."""
        alone = self.in_mm and "tube_mm" not in header_names(grid, known)
        return {name: column for name, column in known.items() if name != "size" or not alone}


def read_techniques(source: Source, findings: Findings, cuff: tuple[float, float] = (0.0, 0.0)) -> Recipes:
    """Return every recipe and route that can be read; faults are noted."""
    content, file = source.toml("techniques.toml"), "techniques.toml"
    shipped = parse_toml("config/techniques.toml", source.shipped_toml("techniques.toml"), findings) or {}
    settings = shipped if content is None else parse_toml(file, content, findings) or {}
    file = file if content is not None else "config/techniques.toml"
    blocks = {k: _block(file, k, settings, findings) for k in ("route", "steps")}
    own_routes = {} if content is None else blocks["route"]
    routes = read_routes(file, own_routes, shipped.get("route", {}), findings)
    shared = {**shipped.get("steps", {}), **blocks["steps"]}
    found = {}
    for name, block in settings.items():
        if name in blocks:
            continue
        if not isinstance(block, Mapping):
            findings.fault(file, "is not a recipe", "Begin a recipe with its name: [oral_two_y].", column=name)
            continue
        technique = _technique(file, name, block, shared, findings)
        if technique is not None:
            found[name] = technique
    if not found and not findings.faults:
        findings.fault(file, "holds no recipe", "Copy the starter's techniques.toml and change it.")
    _check_defaults(file, found, findings)
    for name in routes_of(found):
        if name not in routes:
            routes[name] = Route(name)
            findings.warn(file, f"describes no route {name}: a mask and a bag are planned for each bedside",
                          f"Write [route.{name}] with emergency = [\"mask\", \"bag\"], or emergency = [] where your "
                          "policy keeps none.", column=f"route.{name}", moves=2)
    return Recipes(file, found, routes, cuff)


def _block(file: str, name: str, settings: Mapping[str, Any], findings: Findings) -> Mapping[str, Any]:
    block = settings.get(name, {})
    if isinstance(block, Mapping):
        return block
    findings.fault(file, "is not a block", f"Begin it with [{'route.NAME' if name == 'route' else name}].", column=name)
    return {}


def technique_for(name: str, techniques: Mapping[str, Technique]) -> str | None:
    """Return the recipe that a census row means by its name or title, or None."""
    key = key_of(name)
    return next((n for n, t in techniques.items() if key in (key_of(n), key_of(t.title))), None)


def default_technique(route: str, techniques: Mapping[str, Technique]) -> str | None:
    """Return the recipe used where a census row of this route names none: its default, or its only one."""
    able = [t for t in techniques.values() if route in t.routes]
    chosen = [t for t in able if t.default] or (able if len(able) == 1 else [])
    return chosen[0].name if chosen else None


def routes_of(techniques: Mapping[str, Technique]) -> list[str]:
    """Return every route that a recipe serves, in order."""
    return list(dict.fromkeys(r for t in techniques.values() for r in t.routes))


def technique_assumptions(used: Mapping[str, Technique], file: str) -> list[Assumption]:
    """Return one line a used recipe: what it takes and where that comes from."""
    lines = []
    for technique in used.values():
        parts = [f"{p.count} {p.shape}{' (half width)' if p.half_width else ''}" for p in technique.pieces]
        parts += [f"{role} {quantity:g}" for role, quantity in technique.uses.items()]
        lines.append(Assumption("Recipes", technique.title, "; ".join(parts), "per re-secure",
                                said_source(technique.provenance or "no source given", file)))
    return lines


def _technique(
    file: str, name: str, block: Mapping[str, Any], shared: Mapping[str, Any], findings: Findings
) -> Technique | None:
    """The recipe as far as it can be read: one that holds a fault is known by its name to the files that use it."""
    before = len(findings.faults)
    given = read_block(file, name, block, keys_of("recipe"), findings)
    routes = tuple(key_of(route) for route in given.get("routes", ()))
    if not routes:
        findings.fault(file, "names no route", 'Write routes = ["oral"].', column=f"{name}.routes")
    pieces = [_piece(file, f"{name}.pieces[{i}]", p, findings) for i, p in enumerate(given["pieces"], 1)]
    uses = {key: MappingProxyType({key_of(role): q for role, q in given[key].items() if q > 0})
            for key in ("uses", "uses_with_barrier")}
    if not pieces and not uses["uses"] and len(findings.faults) == before:
        findings.fault(file, "uses nothing", f"Give it pieces, or quantities under [{name}.uses].", column=name)
    steps = _steps(file, name, given["steps"], shared, findings)
    if not routes:
        return None
    told = {"title": name, "tape_width_mm": None} | given | uses
    return Technique(**told | {"name": name, "routes": routes, "pieces": tuple(pieces), "steps": steps})


_ONLY = ("barrier", "no barrier", "pairs", "alone")


def _steps(
    file: str, name: str, lines: object, shared: Mapping[str, Any], findings: Findings, inner: bool = False
) -> tuple[Step, ...]:
    """The words of a recipe's steps, in order; "@name" stands for the lines of that name under [steps]."""
    where = f"steps.{name}" if inner else f"{name}.steps"
    found: list[Step] = []
    for number, line in enumerate(lines if isinstance(lines, list) else [None], 1):
        if isinstance(line, str) and line.startswith("@") and not inner:
            if line[1:] in shared:
                found += _steps(file, line[1:], shared[line[1:]], shared, findings, inner=True)
            else:
                findings.fault(file, "names lines that [steps] does not hold", suggestion(line[1:], shared),
                               column=where, value=line)
            continue
        step = {"say": line} if isinstance(line, str) else line
        if not (isinstance(step, Mapping) and isinstance(step.get("say"), str) and step["say"].isprintable()
                and step["say"].strip() and set(step) <= {"say", "only"} and step.get("only", "pairs") in _ONLY):
            findings.fault(file, "is not a step", 'Write "what to do", or { say = "what to do", only = "barrier" } '
                           f"(only: {', '.join(_ONLY)}).", column=f"{where}[{number}]")
            continue
        found.append(Step(step["say"].strip(), str(step.get("only", ""))))
    return tuple(found)


def _piece(file: str, where: str, block: Mapping[str, Any], findings: Findings) -> Piece:
    given = read_block(file, where, block, keys_of("piece"), findings)
    if "shape" not in block:
        findings.fault(file, "has no shape", "Write shape = \"strip\", \"Y\" or \"H\".", column=f"{where}.shape")
    if ("span" in block) == ("length_mm" in block):
        findings.fault(file, "needs a length", "Give either span (a factor of the face span) or length_mm.",
                       column=where)
    piece = Piece(**given)
    key = {"Y": "uncut_mm", "H": "bridge_mm"}.get(piece.shape)
    if key and not getattr(piece, key):
        findings.warn(file, f"is slit from end to end: this {piece.shape} falls apart",
                      f"Write {key} = 40, say: the length that stays whole.", column=f"{where}.{key}")
    return piece


def _check_defaults(file: str, techniques: Mapping[str, Technique], findings: Findings) -> None:
    for route in routes_of(techniques):
        names = [t.name for t in techniques.values() if t.default and route in t.routes]
        if len(names) > 1:
            findings.fault(file, f"is a second default for the route {route}, beside {names[0]}",
                           "Keep default = true on one recipe a route.", column=f"{names[1]}.default")
