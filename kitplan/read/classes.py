"""The educator's class: class.toml (or several class*.toml, a season) read into checked, frozen values.

A course is one file with [[session]] blocks: each says what differs on its day, the rest of the file holds for all.
Stock in [have] is in date and set aside for the class; stock in [expired_for_practice] is past its date, marked
"practice only, not for patients" and kept apart. Both are counted in single items (rolls, sheets, ampoules).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kitplan.read.blocks import Setting, keys_of, read_block
from kitplan.read.cells import Bad
from kitplan.read.class_values import Durable, Practice, TrainingClass
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.routes import SIZE_COLUMNS, Size, size_of, size_values
from kitplan.read.settings import parse_toml
from kitplan.read.sizes import face_row, off_grid, sizes_from_expected
from kitplan.read.source import Source, is_class, names_in
from kitplan.read.strata import goes_round, measures_of, needs_face
from kitplan.read.techniques import Recipes, technique_for
from kitplan.read.values import Route, Technique

_SESSION: Mapping[str, Setting] = keys_of("session")
"""What may differ from one session of a course to the next."""
_CLASS: Mapping[str, Setting] = {**_SESSION, **keys_of("class")}
_PRACTICE, _DURABLE, _STOCK = keys_of("practice"), keys_of("durable"), keys_of("class_stock")
_OF_ALL = {key: ("holds for the whole class, and not for one block", (
    f"Write [{key}] on a line of its own, after the sessions." if key in ("have", "expired_for_practice") else
    "Move it up, above the first line that begins with [.")) for key in _CLASS}
"""Key that may have slipped into a block below it -> fault and mend."""


@dataclass(frozen=True)
class PracticeSizes:
    """Outer diameter and face measures for any tube size, from the unit's own tables or the shipped ones.

    tubes, face: frames of read_tubes and read_face; files: their names, for messages.
    """

    recipes: Recipes
    tubes: pd.DataFrame
    face: pd.DataFrame
    files: tuple[str, str]

    def row(self, technique: str, route: str, size: Size, cuffed: str, patient_kg: float) -> pd.Series | None:
        """A row like Unit.strata without its skin, or None where a table has no such size."""
        recipe = self.recipes.techniques[technique]
        values: dict[str, object] = {"route": route, "technique": technique, "patient_kg": patient_kg}
        values |= dict(zip(SIZE_COLUMNS, size_values(size, cuffed, self.recipes.cuff)))
        at = face_row(values, self.face) if len(self.face) else None
        measured = measures_of(values, at, self.tubes, self.face, self.files[1])
        if (at is None and needs_face(recipe, True)) or (np.isnan(measured["outer_mm"]) and goes_round(recipe)):
            return None
        return pd.Series(values | measured, dtype=object)

    def doubt(self, size: Size, patient_kg: float) -> str:
        """What is odd about a size in mm, "" for nothing; as in a census, 1 mm from the sizes of a weight is."""
        number = np.array([size.number])
        if size.scale != "mm" or off_grid(number, self.tubes)[1][0]:
            return "is between the usual sizes" if size.scale == "mm" else ""
        apart = sizes_from_expected(number, np.array([patient_kg]), self.tubes)[0]
        return f"is {apart:g} mm from the sizes usual for {patient_kg:g} kg" if apart >= 1.0 - 1e-9 else ""

    def mend(self) -> str:
        """What to do about a size that the tables do not hold."""
        sizes = self.tubes["tube_mm"]
        span = f" from {sizes.min():g} to {sizes.max():g}" if len(sizes) else ""
        return f"Write a tube size{span}, or add the size to {' and '.join(self.files)}."


def class_files(path: Path) -> list[Path]:
    """Class files of a unit folder (or beside a workbook): class.toml and class*.toml, by name."""
    folder = path if path.is_dir() else path.parent
    return [folder / name for name in sorted(names_in(folder), key=str.casefold) if is_class(name)]


def read_classes(
    source: Source, files: Sequence[Path], techniques: Mapping[str, Technique], items: pd.DataFrame,
    sizes: PracticeSizes, findings: Findings,
) -> tuple[tuple[TrainingClass, ...], dict[str, str]]:
    """Read class files against a unit's recipes, catalogue and size tables; every fault is noted.

    Returns (classes by day, checksums by file name). Two classes of one title are told apart by their file.
    """
    classes, checksums = [], {}
    for path in files:
        content = source.class_file(path)
        settings = None if content is None else parse_toml(path.name, content, findings)
        if content is None or settings is None:
            continue
        checksums[path.name] = hashlib.sha256(content).hexdigest()
        before = len(findings.faults)
        read = [
            _ClassReader(path.name, block, own, techniques, items, sizes, findings).read()
            for block, own in _sessions(path.name, settings, findings)
        ]
        # What is wrong for every session is told once.
        findings.faults[:], findings.warnings[:] = dict.fromkeys(findings.faults), dict.fromkeys(findings.warnings)
        if len(findings.faults) == before:
            if "session" in settings:
                in_order = enumerate(sorted(read, key=_by_time), 1)
                read = [replace(s, session=n, title=f"{s.course}, session {n}") for n, s in in_order]
            classes += read
    titles = [c.title for c in classes]
    apart = [replace(c, title=f"{c.title} ({c.file})", course=f"{c.course} ({c.file})")
             if titles.count(c.title) > 1 else c for c in classes]
    return tuple(sorted(apart, key=_by_time)), checksums


def _by_time(lesson: TrainingClass) -> tuple[bool, date, int]:
    return lesson.day is None, lesson.day or date.min, -1 if lesson.start_minute is None else lesson.start_minute


def _sessions(
    file: str, settings: Mapping[str, Any], findings: Findings
) -> Iterator[tuple[dict[str, Any], dict[str, str]]]:
    """(all settings that hold for a session, its own keys -> the block that they stand in) of each session."""
    blocks = settings.get("session", [{}])
    if not isinstance(blocks, list) or not blocks or not all(isinstance(b, Mapping) for b in blocks):
        findings.fault(file, "is not a list of blocks", "Begin each with [[session]] on a line of its own.",
                       column="session")
        blocks = [{}]
    for number, block in enumerate(blocks, 1):
        read_block(file, f"session {number}", block, _SESSION, findings, _OF_ALL)
        own = {key: value for key, value in block.items() if key in _SESSION}
        other = {"stations": "learners_per_station", "learners_per_station": "stations"}
        hidden = {"session", *(other[key] for key in own if key in other)}
        common = {key: value for key, value in settings.items() if key not in hidden}
        yield common | own, dict.fromkeys(own, f"session {number}")


_AS_GIVEN = ("pairs", "spare_share", "minutes_per_attempt", "change_minutes", "places_per_station", "rotation",
             "bedside_items", "place", "trainer", "cut")


class _ClassReader:
    """Reads one session of one file; every fault is noted, nothing is guessed. own: key -> its session's block."""

    def __init__(
        self, file: str, settings: Mapping[str, Any], own: Mapping[str, str], techniques: Mapping[str, Technique],
        items: pd.DataFrame, sizes: PracticeSizes, findings: Findings,
    ) -> None:
        self.file = file
        self.settings = settings
        self.own = own
        self.findings = findings
        self.techniques = techniques
        self.items = {key_of(i): i for i in items["item"]}
        self.described = dict(zip(items["item"], items["description"]))
        self.shared = set(items.loc[items["share"] > 0, "item"])
        self.roles = list(dict.fromkeys(items["role"]))
        self.sizes = sizes

    def place_of(self, key: str) -> str:
        """A key with the session that it stands in: "session 2.learners"."""
        session = self.own.get(re.split(r"[ .]", key)[0], "")
        return f"{session}.{key}" if session else key

    def fault(self, key: str, fault: str, mend: str, value: object = None) -> None:
        self.findings.fault(self.file, fault, mend, column=self.place_of(key), value=value)

    def warn(self, key: str, fault: str, mend: str, value: object = None) -> None:
        self.findings.warn(self.file, fault, mend, column=self.place_of(key), value=value, moves=0)

    def read(self) -> TrainingClass:
        """The class as far as it can be read; it may be used where no fault was noted."""
        before = len(self.findings.faults)
        given = read_block(self.file, self.place_of, self.settings, _CLASS, self.findings)
        if "learners" not in self.settings:
            self.fault("learners", "is missing: a class needs learners", "Write how many: learners = 12.")
        learners = given.get("learners", 1)
        stations = self._stations(given)
        practices = tuple(p for n, block in enumerate(given.get("practice", ()), 1)
                          for p in self._practice(f"practice {n}", block, given["attempts"]))
        if not given.get("practice") and ("practice" not in self.settings or given.get("practice") == []):
            self.fault("practice", "is missing: nothing is practised",
                       "Add a [[practice]] block with technique and tube_mm.")
        title, day = given.get("title", Path(self.file).stem), given.get("date")
        found = TrainingClass(
            file=self.file, title=title, course=title, day=day, start_minute=given.get("start"), learners=learners,
            stations=stations, practices=practices, cutters=given.get("cutters", stations),
            durables=tuple(self._durable(f"durable {n}", b) for n, b in enumerate(given["durable"], 1)),
            have=self._stock("have", given["have"], day),
            expired=self._stock("expired_for_practice", given["expired_for_practice"], None),
            sizes_worn=self._known("sizes_worn", given["sizes_worn"], self.shared,
                                   "is no item of the catalogue that comes in shares"),
            loose=self._known("loose", given["loose"], self.roles, "has no item in the catalogue"),
            **{key: given[key] for key in _AS_GIVEN},
        )
        if len(self.findings.faults) == before:
            self._look(found)
        return found

    def _known(self, key: str, words: Iterable[str], known: Iterable[str], fault: str) -> tuple[str, ...]:
        """The words as they are known; those that are not are noted, each with the nearest."""
        found = [self.findings.one_of(word, sorted(known), self.file, self.place_of(key), fault) for word in words]
        return tuple(word or "" for word in found)

    def _stations(self, given: Mapping[str, Any]) -> int:
        """How many stations; they are held against the learners only where these could be read."""
        learners = given.get("learners", _SESSION["learners"].high)
        if "stations" in self.settings and "learners_per_station" in self.settings:
            self.fault("stations", "stands beside learners_per_station", "Keep one of the two.")
        if "stations" not in given:
            return -(-int(learners) // int(given["learners_per_station"]))
        if given["stations"] > learners:
            self.fault("stations", f"is more than the {learners} learners",
                       f"Write at most {learners}: every station needs a learner.", given["stations"])
        return min(given["stations"], learners)

    def _practice(self, key: str, block: Mapping[str, Any], attempts: int) -> list[Practice]:
        given = read_block(self.file, self.place_of(key), block, _PRACTICE, self.findings, _OF_ALL)
        written = given.get("technique")
        technique = technique_for(written, self.techniques) if isinstance(written, str) else None
        if technique is None:
            fault = "is missing" if written is None else "is not a technique of this unit"
            self.fault(f"{key}.technique", fault, suggestion(str(written or ""), self.techniques), written)
            return []
        route = self._route(key, given.get("route"), technique)
        if not self.techniques[technique].steps:
            self.warn(f"{key}.technique", "has a recipe without words: its step card lists the set and no steps",
                      f'Write steps = ["first", "second"] under [{technique}] in techniques.toml.', technique)
        cuffed = {None: "", True: "cuffed", False: "uncuffed"}[given.get("cuffed")]
        found = []
        for column, size in self._sizes(key, given, self.sizes.recipes.routes.get(route) or Route(route)):
            row = self.sizes.row(technique, route, size, cuffed, given["patient_kg"])
            if row is None:
                self.fault(f"{key}.{column}", "is a size that no table holds", self.sizes.mend(), size.text)
                continue
            if doubt := self.sizes.doubt(size, given["patient_kg"]):
                self.warn(f"{key}.{column}", doubt, "Check the size.", size.text)
            row["skin"] = given["skin"]
            found.append(Practice(technique, route, str(row["size"]), given["skin"], given["times"],
                                  given.get("attempts", attempts), row))
        return found

    def _route(self, key: str, value: object, technique: str) -> str:
        routes = self.techniques[technique].routes
        if value is None:
            return routes[0]
        if not isinstance(value, str) or key_of(value) not in routes:
            self.fault(f"{key}.route", f"is not a route of {technique}", suggestion(str(value), routes), value)
        return key_of(str(value))

    def _sizes(self, key: str, given: Mapping[str, Any], route: Route) -> list[tuple[str, Size]]:
        """(key, size) of each size of a practice, on the scale of its route."""
        if "tube_mm" in given and "size" in given:
            self.fault(f"{key}.size", "is a second size beside tube_mm", "Keep one of the two.", given["size"])
            return []
        in_mm = "tube_mm" in given or ("size" not in given and route.scale == "mm")
        column = "tube_mm" if in_mm else "size"
        value = given.get(column, [] if route.scale != "none" else "")
        if value == []:
            self.fault(f"{key}.{column}", f"is missing: a practice needs a {'tube ' if in_mm else ''}size",
                       "Write the tube's internal diameter: tube_mm = 3.5, or several: [3.0, 3.5]." if in_mm else
                       f'Write it on the scale {route.scale}: size = "8 Fr", say.')
        sizes = []
        for each in value if isinstance(value, list) else [value]:
            number = not isinstance(each, bool) and isinstance(each, int | float)
            if in_mm:
                size = size_of(route, float(each), "") if number and 0 < each <= 12 else Bad(
                    "is not a tube size", "Write millimetres, as 3.5.")
            else:
                size = size_of(route, float("nan"), f"{each:g}" if number else str(each))
            if isinstance(size, Bad):
                self.fault(f"{key}.{column}", size.fault, size.mend, each)
            else:
                sizes.append((column, size))
        return sizes

    def _durable(self, key: str, block: Mapping[str, Any]) -> Durable:
        given = read_block(self.file, key, block, _DURABLE, self.findings, _OF_ALL)
        written, role = given["item"], key_of(given["role"])
        if sum(k in block for k in ("name", "item", "role")) == 0 or (written and role):
            self.fault(key, "needs one of name, item and role",
                       'Write name = "what it is", or item (from the catalogue), or role (sized to the practice).')
        item = "".join(self._known(f"{key}.item", filter(None, [written]), self.items.values(),
                                   "is not in the catalogue"))
        self._known(f"{key}.role", filter(None, [role]), self.roles, "has no item in the catalogue")
        techniques = tuple(technique_for(name, self.techniques) or "" for name in given["techniques"])
        titles = [*self.techniques, *(t.title for t in self.techniques.values())]
        self._known(f"{key}.techniques", given["techniques"], titles, "is not a technique of this unit")
        name = " ".join((given["name"] or (str(self.described[item]) if item else role)).split())
        given |= {"name": name[:1].upper() + name[1:], "item": item, "role": role, "techniques": techniques}
        return Durable(**given)

    def _stock(self, name: str, block: object, day: date | None) -> dict[str, int]:
        """Single items by catalogue name: a number, or { units = 25, expires = 2027-01-31 }.

        day: of the class; stock that is past its date by then has to be marked and kept apart.
        """
        if not isinstance(block, Mapping):
            self.fault(name, "is not a block", f"Write [{name}] on a line, then item = number.")
            return {}
        found: dict[str, int] = {}
        for written, value in block.items():
            key, item = f"{name}.{written}", self.items.get(key_of(written))
            if item is None:
                self.fault(key, "is not in the catalogue", suggestion(written, self.items.values()))
                continue
            if item in found:
                self.fault(key, "stands twice", "Keep one line an item.")
            if isinstance(value, Mapping):
                given = read_block(self.file, key, value, _STOCK, self.findings)
            else:
                given = read_block(self.file, name, {written: value}, {written: _STOCK["units"]}, self.findings)
                given["units"] = given[written]
            expires = given.get("expires")
            if expires is not None and day is not None and expires < day:
                self.fault(key, f"is past its date on the day of the class, {day}",
                           "Leave this line out, or mark them 'practice only, not for patients' and move it "
                           "to [expired_for_practice].", expires)
            found[item] = given["units"]
        return {item: n for item, n in found.items() if n}

    def _look(self, found: TrainingClass) -> None:
        """Things worth a look that do not stop the class."""
        fewest = found.learners // found.stations
        if found.places_per_station > max(1, -(-fewest // 2) if found.pairs else fewest):
            self.warn("places_per_station", "is more than the learners at a station can fill",
                      f"{fewest} learners stand at a station.", found.places_per_station)
        for number, thing in enumerate(found.durables, 1):
            if thing.role and thing.have and len({p.size_text for p in found.practices if thing.serves(p)}) > 1:
                self.warn(f"durable {number}.have", "does not say of which size, and is counted only where one item "
                          "serves every practice", "Write how many there are of each item under [have].", thing.have)
        if all(d.item or d.role for d in found.durables):  # a manikin may be called anything
            self.warn("durable", "names no manikin", "Add a [[durable]] block for each manikin.")
