"""The educator's class: class.toml (or several class*.toml, a season) read into checked, frozen values.

A course is one file with [[session]] blocks: each says what differs on its day, the rest of the file holds for all.
Stock in [have] is in date and set aside for the class; stock in [expired_for_practice] is past its date, marked
"practice only, not for patients" and kept apart. Both are counted in single items (rolls, sheets, ampoules).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from kitplan.read.cells import Bad
from kitplan.read.class_block import Block
from kitplan.read.class_values import AT_ONCE, BEFORE_EACH, Durable, Practice, TrainingClass
from kitplan.read.findings import Findings, key_of, suggestion
from kitplan.read.practice_sizes import PracticeSizes
from kitplan.read.routes import Size, size_of
from kitplan.read.settings import parse_toml, refuse_unknown
from kitplan.read.source import Source
from kitplan.read.strata import SKINS
from kitplan.read.techniques import technique_for
from kitplan.read.values import Route, Technique

SESSION_KEYS = (
    "date", "start", "place", "trainer", "learners", "stations", "learners_per_station", "pairs", "attempts",
    "spare_share", "minutes_per_attempt", "change_minutes", "places_per_station", "rotation", "cutters", "sizes_worn",
    "practice",
)
"""What may differ from one session of a course to the next."""
KEYS = (
    *SESSION_KEYS, "title", "session", "cut", "durable", "have", "expired_for_practice", "bedside_items", "loose",
)
PRACTICE_KEYS = ("technique", "route", "tube_mm", "size", "cuffed", "skin", "patient_kg", "times", "attempts")
DURABLE_KEYS = (
    "name", "item", "role", "per_station", "shared", "have", "price", "fits_from_mm", "fits_to_mm", "techniques",
)

LEARNERS_PER_STATION = 6
"""About six learners to an instructor and a station [common practice, no source]."""
ATTEMPTS = 2
"""Two or three attempts each [common practice, no source]."""
SPARE_SHARE = 0.10
"""Ten per cent spare [common practice, no source]."""
MINUTES_PER_ATTEMPT = 6.0
"""Minutes of one go at a practice [estimate, no source]."""
CHANGE_MINUTES = 5.0
"""Minutes between rounds, in which people and things change stations [estimate, no source]."""

_MOST_LEARNERS, _MOST_GOES = 5000, 100
"""Beyond these a number is taken for a slip; a larger school plans several classes."""
_CLOCK = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)\Z")


def class_files(path: Path) -> list[Path]:
    """Class files of a unit folder (or beside a workbook): class.toml and class*.toml, by name."""
    folder = path if path.is_dir() else path.parent
    if not folder.is_dir():
        return []
    found = [p for p in folder.iterdir() if re.fullmatch(r"class.*\.toml", p.name, re.IGNORECASE)]
    return sorted((p for p in found if p.is_file()), key=lambda p: p.name.casefold())


def read_classes(
    source: Source, files: Sequence[Path], techniques: Mapping[str, Technique], items: pd.DataFrame,
    sizes: PracticeSizes, findings: Findings,
) -> tuple[tuple[TrainingClass, ...], dict[str, str]]:
    """Read class files against a unit's recipes, catalogue and size tables; every fault is noted.

    Returns (classes by day, checksums by file name).
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
            classes += _numbered(sorted(read, key=_by_time)) if "session" in settings else read
    return _with_own_titles(sorted(classes, key=_by_time)), checksums


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
        _refuse(file, f"session {number}", block, SESSION_KEYS, findings)
        own = {key: value for key, value in block.items() if key in SESSION_KEYS}
        other = {"stations": "learners_per_station", "learners_per_station": "stations"}
        hidden = {"session", *(other[key] for key in own if key in other)}
        common = {key: value for key, value in settings.items() if key not in hidden}
        yield common | own, dict.fromkeys(own, f"session {number}")


def _refuse(
    file: str, where: str, block: Mapping[str, Any], known: Sequence[str], findings: Findings
) -> None:
    """Note every key that a block does not have; one of the whole class has slipped below a block."""
    for key in [k for k in block if k not in known and k in KEYS]:
        mend = (f"Write [{key}] on a line of its own, after the sessions." if isinstance(block[key], Mapping) else
                "Move it up, above the first line that begins with [.")
        findings.fault(file, "holds for the whole class, and not for one block", mend, column=f"{where}.{key}")
    refuse_unknown(file, where, {k: v for k, v in block.items() if k not in KEYS}, known, findings)


def _numbered(sessions: Sequence[TrainingClass]) -> list[TrainingClass]:
    return [replace(s, session=n, title=f"{s.course}, session {n}") for n, s in enumerate(sessions, 1)]


def _with_own_titles(classes: Sequence[TrainingClass]) -> tuple[TrainingClass, ...]:
    """Two classes of one title are told apart by their file."""
    titles = [c.title for c in classes]
    return tuple(
        replace(c, title=f"{c.title} ({c.file})", course=f"{c.course} ({c.file})") if titles.count(c.title) > 1 else c
        for c in classes
    )


class _ClassReader(Block):
    """Reads one session of one file; every fault is noted, nothing is guessed."""

    def __init__(
        self, file: str, settings: Mapping[str, Any], own: Mapping[str, str], techniques: Mapping[str, Technique],
        items: pd.DataFrame, sizes: PracticeSizes, findings: Findings,
    ) -> None:
        super().__init__(file, settings, own, findings)
        self.techniques = techniques
        self.items = {key_of(i): i for i in items["item"]}
        self.described = dict(zip(items["item"], items["description"]))
        self.shared = set(items.loc[items["share"] > 0, "item"])
        self.roles = list(dict.fromkeys(items["role"]))
        self.sizes = sizes

    def read(self) -> TrainingClass:
        """The class as far as it can be read; it may be used where no fault was noted."""
        before = len(self.findings.faults)
        learners = self._learners()
        known = learners if len(self.findings.faults) == before else _MOST_LEARNERS
        refuse_unknown(self.file, "", self.given, KEYS, self.findings)
        pairs = self._flag(self.given, "pairs", True)
        attempts = self._whole(self.given, "attempts", ATTEMPTS, low=1, most=_MOST_GOES)
        stations = self._stations(known)
        rotation = key_of(str(self.given.get("rotation", "staggered")))
        if rotation not in ("staggered", "together"):
            self.fault("rotation", "is not a way to take turns", 'Write "staggered" or "together".',
                       self.given["rotation"])
        practices = self._practices(attempts)
        day, title = self._day(self.given, "date"), self._title()
        found = TrainingClass(
            file=self.file, title=title, course=title, day=day, start_minute=self._start(), learners=learners,
            stations=stations, pairs=pairs, spare_share=self._share(),
            minutes_per_attempt=self._number(self.given, "minutes_per_attempt", MINUTES_PER_ATTEMPT, over=0.0),
            change_minutes=self._number(self.given, "change_minutes", CHANGE_MINUTES),
            places_per_station=self._whole(self.given, "places_per_station", 1, low=1), rotation=rotation,
            cutters=self._whole(self.given, "cutters", stations, low=1), practices=practices,
            durables=self._durables(), have=self._stock("have", day),
            expired=self._stock("expired_for_practice", None),
            bedside_items=self._flag(self.given, "bedside_items", True), sizes_worn=self._worn(),
            loose=self._loose(), place=self._words("place"), trainer=self._words("trainer"), cut=self._cut(),
        )
        if len(self.findings.faults) == before:
            self._look(found)
        return found

    def _cut(self) -> str:
        value = self.given.get("cut", BEFORE_EACH)
        found = {key_of(way): way for way in (BEFORE_EACH, AT_ONCE)}.get(key_of(str(value)))
        if found is None:
            self.fault("cut", "is not a time to cut", f'Write "{BEFORE_EACH}" or "{AT_ONCE}".', value)
        return found or BEFORE_EACH

    def _loose(self) -> tuple[str, ...]:
        given = self.given.get("loose", [])
        found = [key_of(str(role)) for role in (given if isinstance(given, list) else [given])]
        for role in found:
            if role not in self.roles:
                self.fault("loose", "has no item in the catalogue", suggestion(role, sorted(self.roles)), role)
        return tuple(found)

    def _worn(self) -> tuple[str, ...]:
        given = self.given.get("sizes_worn", [])
        names = given if isinstance(given, list) else [given]
        found = [self.items.get(key_of(str(name)), "") for name in names]
        for name, item in zip(names, found):
            if item not in self.shared:
                self.fault("sizes_worn", "is no item of the catalogue that comes in shares",
                           f"Write some of: {', '.join(sorted(self.shared))}.", name)
        return tuple(found)

    def _title(self) -> str:
        title = self.given.get("title", Path(self.file).stem)
        if not isinstance(title, str) or not title.strip():
            self.fault("title", "is not a title", 'Write a title in quotation marks: title = "Spring class".', title)
            return self.file
        return " ".join(title.split())

    def _learners(self) -> int:
        if "learners" not in self.given:
            self.fault("learners", "is missing: a class needs learners", "Write how many: learners = 12.")
            return 1
        if isinstance(self.given["learners"], list | dict):
            self.fault("learners", "is a list where a number belongs",
                       "Write only how many learners there are; no names are needed or wanted.")
            return 1
        mend = "A class needs learners: write 1 or more."
        return self._whole(self.given, "learners", 1, low=1, most=_MOST_LEARNERS, mend=mend)

    def _stations(self, learners: int) -> int:
        if "stations" in self.given and "learners_per_station" in self.given:
            self.fault("stations", "stands beside learners_per_station", "Keep one of the two.")
        if "stations" in self.given:
            stations = self._whole(self.given, "stations", 1, low=1)
            if stations > learners:
                self.fault("stations", f"is more than the {learners} learners",
                           f"Write at most {learners}: every station needs a learner.", stations)
            return min(stations, learners)
        each = self._whole(self.given, "learners_per_station", LEARNERS_PER_STATION, low=1)
        return -(-learners // each)

    def _share(self) -> float:
        value = self._number(self.given, "spare_share", SPARE_SHARE)
        if value > 1:
            self.fault("spare_share", "is a share above 1", "Write a share from 0 to 1: ten per cent is 0.10.", value)
        return value

    def _start(self) -> int | None:
        value = self.given.get("start")
        if value is None:
            return None
        clock = _CLOCK.match(str(value).strip()[:5]) if not isinstance(value, int | float) else None
        if clock is None:
            self.fault("start", "is not a time of day", 'Write it as start = "13:30".', value)
            return None
        return int(clock[1]) * 60 + int(clock[2])

    def _practices(self, attempts: int) -> tuple[Practice, ...]:
        blocks = self.given.get("practice")
        if not blocks or not isinstance(blocks, list):
            self.fault("practice", "is missing: nothing is practised",
                       "Add a [[practice]] block with technique and tube_mm.")
            return ()
        found = []
        for number, block in enumerate(blocks, 1):
            key = f"practice {number}"
            if isinstance(block, Mapping):
                found += self._practice(key, block, attempts)
            else:
                self.fault(key, "is not a block", "Begin it with [[practice]] on a line of its own.")
        return tuple(found)

    def _practice(self, key: str, block: Mapping[str, Any], attempts: int) -> list[Practice]:
        _refuse(self.file, self.place_of(key), block, PRACTICE_KEYS, self.findings)
        technique = self._technique(key, block)
        skin = key_of(str(block.get("skin", "none")))
        if skin not in SKINS:
            self.fault(f"{key}.skin", "is not a kind of skin protection", 'Write "none" or "barrier".', block["skin"])
        route = self._route(key, block, technique)
        times = self._whole(block, "times", 1, low=1, key=key, most=_MOST_GOES)
        goes = self._whole(block, "attempts", attempts, low=1, key=key, most=_MOST_GOES)
        kg = self._number(block, "patient_kg", float("nan"), over=0.0, key=key)
        cuffed = {None: "", True: "cuffed", False: "uncuffed"}[
            self._flag(block, "cuffed", False, key=key) if "cuffed" in block else None]
        if technique is None:
            return []
        if not self.techniques[technique].steps:
            self.warn(f"{key}.technique", "has a recipe without words: its step card lists the set and no steps",
                      f'Write steps = ["first", "second"] under [{technique}] in techniques.toml.', technique)
        found = []
        for column, size in self._sizes(key, block, route):
            row = self.sizes.row(technique, route, size, cuffed, kg)
            if row is None:
                self.fault(f"{key}.{column}", "is a size that no table holds", self.sizes.mend(), size.text)
                continue
            if self.sizes.between_steps(size):
                self.warn(f"{key}.{column}", "is between the usual sizes", "Check the size.", size.text)
            row["skin"] = skin
            found.append(Practice(technique, route, str(row["size"]), str(skin), times, goes, row))
        return found

    def _technique(self, key: str, block: Mapping[str, Any]) -> str | None:
        value = block.get("technique")
        if value is None:
            self.fault(f"{key}.technique", "is missing", suggestion("", self.techniques))
            return None
        technique = technique_for(value, self.techniques) if isinstance(value, str) else None
        if technique is None:
            self.fault(f"{key}.technique", "is not a technique of this unit",
                       suggestion(str(value), self.techniques), value)
        return technique

    def _route(self, key: str, block: Mapping[str, Any], technique: str | None) -> str:
        value = block.get("route")
        if technique is None:
            return ""
        routes = self.techniques[technique].routes
        if value is None:
            return routes[0]
        if not isinstance(value, str) or key_of(value) not in routes:
            self.fault(f"{key}.route", f"is not a route of {technique}", suggestion(str(value), routes), value)
        return key_of(str(value))

    def _sizes(self, key: str, block: Mapping[str, Any], name: str) -> list[tuple[str, Size]]:
        """(key, size) of each size of a practice, on the scale of its route."""
        route = self.sizes.recipes.routes.get(name) or Route(name)
        if "tube_mm" in block and "size" in block:
            self.fault(f"{key}.size", "is a second size beside tube_mm", "Keep one of the two.", block["size"])
            return []
        column = "size" if "size" in block or route.scale != "mm" else "tube_mm"
        value = block.get(column, [] if route.scale != "none" else "")
        if value == [] and not block.get("tube_mm"):
            self.fault(f"{key}.{column}", "is missing: a practice needs a size" if column == "size" else
                       "is missing: a practice needs a tube size",
                       "Write the tube's internal diameter: tube_mm = 3.5, or several: [3.0, 3.5]." if column ==
                       "tube_mm" else f"Write it on the scale {route.scale}: size = \"8 Fr\", say.")
            return []
        value = block.get("tube_mm", value)
        column = "tube_mm" if "tube_mm" in block else column
        sizes = []
        for given in value if isinstance(value, list) else [value]:
            number = not isinstance(given, bool) and isinstance(given, int | float)
            if column == "tube_mm" and not (number and 0 < given <= 12):
                self.fault(f"{key}.tube_mm", "is not a tube size", "Write millimetres, as 3.5.", given)
                continue
            mm = float(given) if column == "tube_mm" else float("nan")
            size = size_of(route, mm, "" if column == "tube_mm" else f"{given:g}" if number else str(given))
            if isinstance(size, Bad):
                self.fault(f"{key}.{column}", size.fault, size.mend, given)
            else:
                sizes.append((column, size))
        return sizes

    def _durables(self) -> tuple[Durable, ...]:
        blocks = self.given.get("durable", [])
        if not isinstance(blocks, list) or not all(isinstance(b, Mapping) for b in blocks):
            self.fault("durable", "is not a list of blocks", "Begin each with [[durable]] on a line of its own.")
            return ()
        return tuple(self._durable(f"durable {n}", b) for n, b in enumerate(blocks, 1))

    def _durable(self, key: str, block: Mapping[str, Any]) -> Durable:
        _refuse(self.file, key, block, DURABLE_KEYS, self.findings)
        written, role = str(block.get("item", "")), key_of(str(block.get("role", "")))
        item = self.items.get(key_of(written), "")
        if sum(k in block for k in ("name", "item", "role")) == 0 or (written and role):
            self.fault(key, "needs one of name, item and role",
                       'Write name = "what it is", or item (from the catalogue), or role (sized to the practice).')
        if written and not item:
            self.fault(f"{key}.item", "is not in the catalogue", suggestion(written, self.items.values()), written)
        if role and role not in self.roles:
            self.fault(f"{key}.role", "has no item in the catalogue", suggestion(role, sorted(self.roles)), role)
        given = block.get("techniques", [])
        techniques = []
        for value in given if isinstance(given, list) else [given]:
            technique = technique_for(value, self.techniques) if isinstance(value, str) else None
            techniques.append(technique or "")
            if technique is None:
                self.fault(f"{key}.techniques", "is not a technique of this unit",
                           suggestion(str(value), self.techniques), value)
        name = str(block.get("name") or item or role)
        if item and "name" not in block:
            name = str(self.described[item])
        return Durable(
            name=" ".join(name.split()), item=item, role=role,
            per_station=self._whole(block, "per_station", 1, low=1, key=key),
            shared=self._flag(block, "shared", True, key=key), have=self._whole(block, "have", 0, key=key),
            price=self._number(block, "price", float("nan"), key=key),
            fits_from_mm=self._number(block, "fits_from_mm", float("nan"), key=key),
            fits_to_mm=self._number(block, "fits_to_mm", float("nan"), key=key),
            techniques=tuple(techniques),
        )

    def _stock(self, name: str, day: date | None) -> dict[str, int]:
        """Single items by catalogue name: a number, or { units = 25, expires = 2027-01-31 }.

        day: of the class; stock that is past its date by then has to be marked and kept apart.
        """
        block = self.given.get(name, {})
        if not isinstance(block, Mapping):
            self.fault(name, "is not a block", f"Write [{name}] on a line, then item = number.")
            return {}
        found: dict[str, int] = {}
        mend = "Stock is 0 or more: count it again."
        for written, value in block.items():
            key, item = f"{name}.{written}", self.items.get(key_of(written))
            if item is None:
                self.fault(key, "is not in the catalogue", suggestion(written, self.items.values()))
            elif item in found:
                self.fault(key, "stands twice", "Keep one line an item.")
            elif isinstance(value, Mapping):
                refuse_unknown(self.file, key, value, ("units", "expires"), self.findings)
                found[item] = self._whole(value, "units", 0, key=key, mend=mend)
                self._in_date(key, self._day(value, "expires", f"{key}.expires"), day)
            else:
                found[item] = self._whole(block, written, 0, key=name, mend=mend)
        return {item: n for item, n in found.items() if n}

    def _in_date(self, key: str, expires: date | None, day: date | None) -> None:
        if expires is not None and day is not None and expires < day:
            self.fault(key, "is past its date on the day of the class",
                       "Throw it away, or mark it 'practice only, not for patients', keep it apart, and move this "
                       "line to [expired_for_practice].", expires)

    def _look(self, found: TrainingClass) -> None:
        """Things worth a look that do not stop the class."""
        if found.pairs and found.learners % 2:
            self.warn("learners", "is an odd number for pairs", "One learner works with the instructor.",
                      found.learners)
        fewest = found.learners // found.stations
        if found.places_per_station > max(1, fewest // 2 if found.pairs else fewest):
            self.warn("places_per_station", "is more than the learners at a station can fill",
                      f"{fewest} learners stand at a station.", found.places_per_station)
        if not any("manikin" in d.name.casefold() for d in found.durables):
            self.warn("durable", "names no manikin", "Add a [[durable]] block for each manikin.")
