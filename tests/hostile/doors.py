"""Every door through which bytes from outside come in, as a function that a fuzzer sends bytes through.

A door ends well when it returns, or raises InputError (or, for a form, ValueError) with a fault and a mend; anything
else is a find.
"""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

import kitplan
from kitplan.desk.units import TextTable, number
from kitplan.read.cells import Bad
from kitplan.read.columns import columns_of
from kitplan.read.order_book import TABLES, read_book, read_use_rate
from kitplan.read.pack_code import looks_like_pack_code, read_pack_code
from kitplan.read.problems import InputError, Problem
from kitplan.read.round_sheets import SHEETS, Names, read_round
from kitplan.read.unit import load_unit
from kitplan.resources import config_file, sample_units
from kitplan.saved.folder import PLAN, RECORD, SCENARIOS

UNIT = b'name = "x"\nmean_stay_days = 5\n[stock]\nreview_days = 7\n'
CENSUS = b"route,tube_mm,airways\noral,3.5,4\n"
NAMES = Names(frozenset({"saline_5ml", "mask_50mm"}), lambda text: set(), {"02000000010335": "saline_5ml"})


@dataclass(frozen=True)
class Door:
    """seeds: what a sound input looks like. enter: send bytes through, with a folder of its own to write into."""

    seeds: tuple[bytes, ...]
    enter: Callable[[bytes, Path], object]


def _ends_well(work: Callable[[], object]) -> None:
    problems: tuple[Problem, ...] = ()
    try:
        work()
    except InputError as error:
        problems = tuple(error.problems)
    for problem in problems:
        assert problem.fault
        assert problem.mend
        assert len(str(problem)) < 2000


def _unit_with(name: str, more: Mapping[str, bytes] | None = None) -> Callable[[bytes, Path], None]:
    """A unit whose file `name` is the bytes."""
    def enter(content: bytes, place: Path) -> None:
        for file, own in {"unit.toml": UNIT, "census.csv": CENSUS, **(more or {}), name: content}.items():
            (place / file).write_bytes(own)
        _ends_well(lambda: load_unit(place))
    return enter


def _book(table: str) -> Door:
    """A table of the order book, read as it stands and with --mend."""
    heads = {"counts": "entry,day,plan_number,count,event,item,pack,packs,loose_units,expires,lot,answers,note,check",
             "orders": "entry,day,plan_number,order,event,item,pack,packs,price,note,check",
             "deliveries": "entry,day,plan_number,order,event,item,pack,packs,loose_units,expires,lot,trade_number,"
                           "answers,note,check",
             "kits": "entry,day,plan_number,kit,event,design,item,pack,units,expires,lot,note,check"}
    columns = heads[table].split(",")
    event = columns_of(f"book_{table}")["event"].choices[0]
    row = {"entry": "1", "day": "2026-07-01", "event": event, "item": "mask", "pack": "5", "packs": "2",
           "expires": "2029-01-31", "lot": "L1", "check": "BCDFGH", "kit": "A-1", "design": "A", "order": "1"}
    seed = f"{heads[table]}\n{','.join(row.get(c, '') for c in columns)}\n".encode()

    def enter(content: bytes, place: Path) -> None:
        (place / "book").mkdir(exist_ok=True)
        (place / "book" / f"{table}.csv").write_bytes(content)
        for mend in (False, True):
            _ends_well(lambda m=mend: read_book(place, mend=m))
    return Door((seed,), enter)


def _last(content: bytes, place: Path) -> None:
    """What stands beside the book: the last entry and what the counts have taught."""
    (place / "book").mkdir(exist_ok=True)
    for name in ("last.json", "learnt_rate.json"):
        (place / "book" / name).write_bytes(content)
    _ends_well(lambda: read_book(place))
    _ends_well(lambda: read_book(place, mend=True))
    read_use_rate(place)


def _sheet(table: str, ending: str) -> Callable[[bytes, Path], None]:
    def enter(content: bytes, place: Path) -> None:
        (place / f"sheet.{ending}").write_bytes(content)
        wanted = tuple(SHEETS) if ending == "xlsx" else (table,)
        _ends_well(lambda: read_round(place / f"sheet.{ending}", NAMES, wanted))
    return enter


def _workbook_part(content: bytes, place: Path) -> None:
    """A filled-in workbook in which the bytes stand for one sheet's XML."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as book:
        book.writestr("[Content_Types].xml", "<Types/>")
        book.writestr("xl/workbook.xml", _BOOK)
        book.writestr("xl/_rels/workbook.xml.rels", _RELATIONS)
        book.writestr("xl/worksheets/sheet1.xml", content)
    _sheet("count", "xlsx")(out.getvalue(), place)


_SPACE = "http://schemas.openxmlformats.org"
_BOOK = (f'<workbook xmlns="{_SPACE}/spreadsheetml/2006/main" xmlns:r="{_SPACE}/officeDocument/2006/relationships">'
         '<sheets><sheet name="Count" sheetId="1" r:id="rId1"/></sheets></workbook>')
_RELATIONS = (f'<Relationships xmlns="{_SPACE}/package/2006/relationships"><Relationship Id="rId1" Type="{_SPACE}/'
              'officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/></Relationships>')
_SHEET = (f'<worksheet xmlns="{_SPACE}/spreadsheetml/2006/main"><sheetData><row r="1"><c r="A1" t="inlineStr"><is>'
          '<t>item</t></is></c><c r="B1" t="inlineStr"><is><t>packs</t></is></c></row><row r="2"><c r="A2" '
          't="inlineStr"><is><t>saline_5ml</t></is></c><c r="B2"><v>2</v></c></row></sheetData></worksheet>').encode()


def _code(content: bytes, place: Path) -> None:
    """What a bar-code reader types into a cell."""
    text = content.decode("utf-8", "replace")
    looks_like_pack_code(text)
    found = read_pack_code(text)
    assert not isinstance(found, Bad) or (found.fault and found.mend)


def _form(content: bytes, place: Path) -> None:
    """What a form of the desk types: a number, a corrected cell."""
    text = content.decode("utf-8", "replace")
    with contextlib.suppress(ValueError):
        number(text, "Learners")
    with contextlib.suppress(ValueError):
        number(text, "Learners", whole=True)
    table = TextTable.read(CENSUS)
    again = TextTable.read(table.changed({(2, 0): text}))
    assert again.cells[0] == table.cells[0]


_KEPT: dict[str, Any] = {}


def _mill_lane() -> kitplan.Unit:
    if "unit" not in _KEPT:
        _KEPT["unit"] = load_unit(sample_units()["mill_lane"])
    return _KEPT["unit"]


def _plan_folder(place: Path) -> Path:
    """A saved plan with few scenarios, made once and copied."""
    if "plan" not in _KEPT:
        from dataclasses import replace

        unit = _mill_lane()
        few = replace(unit.planning, scenarios=200, verify_scenarios=200, max_scenarios=400)
        made = kitplan.plan(replace(unit, planning=few), parts=["par"])
        _KEPT["plan"] = made.save(place.parent / "kept-plan")
        for path in sorted(_KEPT["plan"].rglob("*"), reverse=True):
            if path.is_file() and path.name not in (RECORD, Path(PLAN).name, Path(SCENARIOS).name):
                path.unlink()
    return Path(shutil.copytree(_KEPT["plan"], place / "plan", dirs_exist_ok=True))


def _record(content: bytes, place: Path) -> None:
    """plan.json as the bytes."""
    folder = _plan_folder(place)
    (folder / RECORD).write_bytes(content)
    _ends_well(lambda: _all_of(folder))


def _all_of(folder: Path) -> None:
    plan = kitplan.open_plan(folder)
    for part in plan.parts:
        plan.result(part)


def _archive(name: str) -> Callable[[bytes, Path], None]:
    """One of the archives of a saved plan as the bytes, with the checksum in plan.json set to fit."""
    def enter(content: bytes, place: Path) -> None:
        folder = _plan_folder(place)
        _put(folder, name, content)
        _ends_well(lambda: _all_of(folder))
        if name == SCENARIOS:
            assert len(kitplan.open_plan(folder).demand().units)
    return enter


def _put(folder: Path, name: str, content: bytes) -> None:
    (folder / name).write_bytes(content)
    record = json.loads((folder / RECORD).read_text())
    record["outputs"][name] = sha256(content).hexdigest()
    (folder / RECORD).write_text(json.dumps(record))


def _member(content: bytes, place: Path) -> None:
    """A saved plan with one member changed: byte 0 says which, 1 to 3 where, 4 how much goes; the rest is put there."""
    if len(content) < 5:
        return
    folder = _plan_folder(place)
    with zipfile.ZipFile(folder / PLAN) as file:
        members = {name: file.read(name) for name in file.namelist()}
    name = sorted(members)[content[0] % len(members)]
    old = members[name]
    at = int.from_bytes(content[1:4], "big") % (len(old) + 1)
    members[name] = old[:at] + content[5:] + old[at + content[4]:]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as file:
        for member, inside in members.items():
            file.writestr(member, inside)
    _put(folder, PLAN, out.getvalue())
    _ends_well(lambda: _all_of(folder))


_CLASS = (b'learners = 4\nattempts = 2\n[[practice]]\ntechnique = "oral_two_y"\ntube_mm = 3.5\nskin = "none"\n'
          b"[have]\nsaline_5ml = 3\n")

DOORS: dict[str, Door] = {
    "census": Door((CENSUS, b"airway,route,tube_mm,start,end\na1,oral,3.5,2026-01-01,2026-01-04\n"),
                   _unit_with("census.csv")),
    "settings": Door((UNIT,), _unit_with("unit.toml")),
    "recipes": Door((config_file("techniques.toml").read_bytes()[:1500],), _unit_with("techniques.toml")),
    "workbook": Door((b"PK\x03\x04",), _unit_with("census.xlsx")),
    "issues": Door((b"date,item,units,price\n2026-01-02,saline_5ml,20,0.3\n2026-02-02,saline_5ml,-2,0.3\n",),
                   _unit_with("stock_issues.csv")),
    "log": Door((b"date,time,airway,route,tube_mm,reason\n2026-01-02,08:00,A1,oral,3.5,loose\n",),
                _unit_with("resecure_log.csv")),
    "on_hand": Door((b"item,packs,loose_units,expires,lot,date\nsaline_5ml,2,10,2027-01-01,L1,2026-01-01\n",),
                    _unit_with("on_hand.csv")),
    "class": Door((_CLASS,), _unit_with("class-spring.toml")),
    **{f"book-{table}": _book(table) for table in TABLES},
    "book-beside": Door((b'{"last_entry": 3, "gaps": [[1, 2]]}', b'{"log_mean": -0.1, "log_sd": 0.2, "days": 60}'),
                        _last),
    "sheet-receive": Door((b"order,item,packs,loose_units,expires,lot,pack_code,will_not_come\n"
                           b"1,,,,,,0102000000010335,\n",), _sheet("receive", "csv")),
    "sheet-count": Door((b"item,packs,loose_units,pack,expires,lot,thrown_away\nsaline_5ml,2,3,25,2029-01,L1,1\n",),
                        _sheet("count", "csv")),
    "sheet-answers": Door((b"no,right,packs,loose_units\n3,yes,,\n4,,2,1\n",), _sheet("answers", "csv")),
    "sheet-ordered": Door((b"order,item,ordered\n1,saline_5ml,2\n",), _sheet("ordered", "csv")),
    "sheet-kits": Door((b"design,built,kit,moved_to,item,units\nA,2,,,,\n,,A-1,bedside,,\n",), _sheet("kits", "csv")),
    "sheet-workbook": Door((_SHEET,), _workbook_part),
    "pack-code": Door((b"0102000000010335172901311012345", b"(01)02000000010335(17)290131(10)L1", b"4006381333931",
                       b"]C1010200000001033517290131", b"(17)291300"), _code),
    "form": Door((b"12", b"3,5", b'a "b"\r\nc', b"=1+1"), _form),
    "plan-record": Door((f'{{"version": "{kitplan.__version__}", "plan_number": "A", "outputs": {{}}}}'.encode(),
                         b'{"plan_number": "AAAA-1111", "outputs": {"saved/plan.zip": ["x"]}}'), _record),
    "plan-archive": Door((b"PK\x05\x06" + bytes(18),), _archive(PLAN)),
    "plan-scenarios": Door((b"PK\x05\x06" + bytes(18),), _archive(SCENARIOS)),
    "plan-member": Door((b"\x00\x00\x00\x05\x03null", b'\x01\x00\x00\x20\x00{"is":"os:system","of":{}}',
                         b"\x02\x00\x01\x00\x01[]"), _member),
}
