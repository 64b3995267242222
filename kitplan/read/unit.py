"""The door: files in, one checked `Unit` out, or every problem of every file at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd

from kitplan.read.budget import budget_of, read_budget_lines, read_prices
from kitplan.read.catalogue import read_items
from kitplan.read.census import NO_CENSUS, CensusRows, raw_census, read_census
from kitplan.read.class_values import TrainingClass
from kitplan.read.classes import PracticeSizes, class_files, read_classes
from kitplan.read.crosschecks import check_floors, check_pieces, check_policy_items, check_roles
from kitplan.read.findings import Findings
from kitplan.read.frequency import frequency_table
from kitplan.read.headers import RawTable
from kitplan.read.issues import issues_reader, read_issues
from kitplan.read.logs import STOPS, raw_logs, read_on_hand, read_present_par, read_resecure_log
from kitplan.read.order_book import LEARNT, book_home, read_use_rate
from kitplan.read.policy import Policy, read_policy
from kitplan.read.sizes import read_face, read_tubes, size_assumptions
from kitplan.read.source import Source, doubt_names, written_name
from kitplan.read.strata import build_strata, expected_keys, stratum_codes
from kitplan.read.tables import TableReader
from kitplan.read.techniques import Recipes, read_techniques, technique_assumptions
from kitplan.read.values import (
    NO_CURRENCY,
    STRATUM_KEY,
    Assumption,
    BedsidePolicy,
    Census,
    ForecastPolicy,
    PlanningPolicy,
    SeasonPolicy,
    StockPolicy,
    Unit,
)
from kitplan.resources import config_rows


@dataclass(frozen=True)
class _Tables:
    """What was read before kinds of airway are numbered; each with the name of its file."""

    policy: Policy
    recipes: Recipes
    items: pd.DataFrame
    tubes: pd.DataFrame
    face: pd.DataFrame
    census: CensusRows
    expected: pd.DataFrame
    logs: dict[str, RawTable]
    files: dict[str, str]
    classes: tuple[TrainingClass, ...]
    class_checksums: dict[str, str]


def load_unit(path: Path | str, seed: int | None = None, classes: Sequence[Path] = (),
              what_if: Mapping[str, Mapping[str, object]] | None = None) -> Unit:
    """Read a unit folder, its unit.toml, or one .xlsx workbook with the tables as sheets.

    seed: from the command line; None takes policy.toml's. classes: class files to read; () takes those of the folder.
    what_if: block -> key -> value of settings to take instead of the unit's own.
    A fault in a file that only some parts of the plan need does not stop the reading: it stands in Unit.faults, with
    the parts that it stops.

    Raises
    ------
    InputError
        With every problem of every file; only the identity problems when something looks like a patient's identity.
    """
    findings = Findings()
    source = Source(Path(path), findings)
    doubt_names(source, findings)
    tables = _read_tables(source, classes or class_files(Path(path)), what_if or {}, findings)
    strata, face_rows = build_strata(
        pd.concat([tables.census.keys, tables.expected[tables.census.keys.columns].astype(tables.census.keys.dtypes)],
                  ignore_index=True),
        tables.recipes.techniques, tables.tubes, tables.face, (tables.files["tubes"], tables.files["face"]), findings,
    )
    frequency, modifier_lines = frequency_table(strata, tables.policy, findings)
    check_roles(strata, tables.recipes, tables.items, tables.files["items"], tables.policy, findings)
    check_pieces(strata, tables.recipes, findings)
    check_floors(strata, tables.recipes.routes, tables.items, tables.files["items"], findings)
    prefer, unavailable = check_policy_items(tables.policy, tables.items, findings)
    codes = stratum_codes(tables.census.keys, strata)
    logs = _read_logs(tables, codes, strata, findings)
    with findings.stopping(*STOPS["budget"]):
        budget = budget_of(tables.policy, logs["budget"], findings)
    findings.stop_if_faulty()
    assert tables.census is not NO_CENSUS, "a census that could not be read was not noted as a fault"
    used = {n: t for n, t in tables.recipes.techniques.items() if n in set(strata["technique"])}
    sizes = size_assumptions(strata, tables.face, tables.files["face"], tables.tubes, tables.files["tubes"], face_rows)
    assumptions = (*tables.policy.assumptions, *modifier_lines,
                   *technique_assumptions(used, tables.recipes.file), *sizes, *_other_lines(tables, prefer))
    census = _census(tables, codes, strata, findings)
    use = read_use_rate(book_home(Path(path)))
    block = tables.policy.block
    place = written_name(source.path.stem if source.is_workbook else source.folder.resolve().name)
    learnt = {f"book/{LEARNT}": sha256(use[1]).hexdigest()} if use else {}
    return Unit(
        path=Path(path), name=str(tables.policy.values.get("name", place)),
        currency=str(tables.policy.values.get("currency", NO_CURRENCY)), paper=str(tables.policy.values["paper"]),
        strata=strata, census=census, frequency=frequency,
        checks_per_day=int(tables.policy.values["resecure.checks_per_day"]),
        techniques=MappingProxyType(dict(tables.recipes.techniques)), items=tables.items,
        stock=StockPolicy(**block("stock") | {"unavailable": unavailable}), bedside=BedsidePolicy(**block("bedside")),
        planning=PlanningPolicy(**block("planning") | ({} if seed is None else {"seed": seed})),
        forecast=ForecastPolicy(**block("forecast")), seasons=SeasonPolicy(**block("seasons")),
        log=logs["resecure_log"], issues=logs["stock_issues"], present_par=logs["present_par"],
        on_hand=logs["on_hand"], prices=logs["prices"], budget=budget, classes=tables.classes,
        class_checksums=MappingProxyType(tables.class_checksums),
        faults=findings.faults_of_parts(), prefer=MappingProxyType(prefer), assumptions=assumptions,
        routes=MappingProxyType(dict(tables.recipes.routes)), day_first=findings.day_first,
        warnings=findings.ranked(), doubt=replace(tables.policy.doubt(), use_rate=use[0] if use else None),
        checksums=MappingProxyType(dict(sorted((source.checksums | learnt).items()))),
    )


def with_shelf_tables(unit: Unit, path: Path) -> Unit:
    """The unit with its counts and par levels held as its files have them now; its catalogue and all else stay.

    So that a plan is told of today's shelf without being planned anew. A fault stands in Unit.faults, with the parts
    that it stops. Raises InputError for what looks like a patient's identity.
    """
    findings = Findings()
    findings.day_first = unit.day_first
    source = Source(Path(path), findings)
    shelf = ("present_par", "on_hand")
    found = _read_shelf_logs(raw_logs(source, None, findings, shelf), unit.items, findings)
    findings.stop_if_faulty()
    others = tuple(p for p in unit.faults if not set(p.stops) & {stop for name in shelf for stop in STOPS[name]})
    rest = {name: code for name, code in unit.checksums.items() if name.rpartition(".")[0].casefold() not in shelf}
    return replace(unit, path=Path(path), present_par=found["present_par"], on_hand=found["on_hand"],
                   faults=(*others, *findings.faults_of_parts()),
                   checksums=MappingProxyType({**rest, **source.checksums}))


def _read_tables(source: Source, class_paths: Sequence[Path], what_if: Mapping[str, Mapping[str, object]],
                 findings: Findings) -> _Tables:
    policy = read_policy(source, findings, what_if)
    source.headings = policy.columns
    bedside = BedsidePolicy(**policy.block("bedside"))
    recipes = read_techniques(source, findings, (bedside.cuff_step_mm, bedside.cuff_up_to_mm))
    raw = raw_census(source, recipes, findings)
    logs = raw_logs(source, recipes, findings)
    items_file, items = read_items(source, findings, recipes.routes, bedside)
    tubes_file, tubes = read_tubes(source, findings)
    face_file, face = read_face(source, findings)
    with findings.stopping("training"):
        sizes = PracticeSizes(recipes, tubes, face, (tubes_file, face_file))
        paths = class_paths if recipes.techniques else ()
        lessons, checksums = read_classes(source, paths, recipes.techniques, items, sizes, findings)
    expected = expected_keys(policy.file, policy.expect, recipes, tubes, findings)
    longest = float(policy.values.get("longest_stay_days", np.inf))
    census = read_census(raw, recipes, tubes, longest, findings) if raw is not None and recipes.techniques else None
    census = census or NO_CENSUS
    expected = _only_new(expected, census, policy.file, findings)
    files = {"items": items_file, "tubes": tubes_file, "face": face_file}
    return _Tables(policy, recipes, items, tubes, face, census, expected, logs, files, lessons, checksums)


def _only_new(expected: pd.DataFrame, census: CensusRows, file: str, findings: Findings) -> pd.DataFrame:
    """Drop `[[expect]]` lines for kinds that the census has had, and refuse those that stand twice.

    A line that says beyond_census stays: its airways come on top of those counted (more beds, a what-if).
    """
    there = census.rows["airways"] > 0 if "airways" in census.rows else np.ones(len(census.rows), dtype=bool)
    present = pd.MultiIndex.from_frame(census.keys.loc[there, STRATUM_KEY].drop_duplicates())
    asked = pd.MultiIndex.from_frame(expected[STRATUM_KEY])
    counted = asked.isin(present) & ~expected["beyond_census"].to_numpy(bool)
    for position in np.flatnonzero(counted):
        line = expected.iloc[position]
        findings.warn(file, f"is not used: the census has {line['route']} {line['size']}, {line['technique']}, "
                      f"{line['skin']} already",
                      "Delete the line, or say beyond_census = true to add these airways to those counted.",
                      column=f"expect[{position + 1}]", moves=2)
    for position in np.flatnonzero(asked.duplicated()):
        findings.fault(file, "stands twice", "Keep one line for each kind.",
                       column=f"expect[{position + 1}]")
    return expected[~counted].reset_index(drop=True)


def _read_logs(
    tables: _Tables, codes: np.ndarray, strata: pd.DataFrame, findings: Findings
) -> dict[str, pd.DataFrame | None]:
    read = _read_shelf_logs(tables.logs, tables.items, findings)
    if "resecure_log" in tables.logs:
        read["resecure_log"] = _whole("resecure_log", tables.logs, findings, lambda reader: read_resecure_log(
            reader, tables.census, codes, strata, tables.recipes))
    return read


def _read_shelf_logs(
    raws: dict[str, RawTable], items: pd.DataFrame, findings: Findings
) -> dict[str, pd.DataFrame | None]:
    readers = {"stock_issues": read_issues, "present_par": read_present_par, "on_hand": read_on_hand,
               "prices": read_prices, "budget": read_budget_lines}
    found: dict[str, pd.DataFrame | None] = dict.fromkeys(STOPS)
    return found | {name: _whole(name, raws, findings, partial(read, items=items))
                    for name, read in readers.items() if name in raws}


def _whole(
    name: str, raws: dict[str, RawTable], findings: Findings, read: Callable[[TableReader], pd.DataFrame]
) -> pd.DataFrame | None:
    """An optional table, or None where a fault was noted in it: no part may work on the rows that are left."""
    before = len(findings.faults)
    with findings.stopping(*STOPS[name]):
        reader = (issues_reader if name == "stock_issues" else TableReader.of)(raws[name], findings)
        table = None if reader is None else read(reader)
    return table if len(findings.faults) == before else None


def _census(tables: _Tables, codes: np.ndarray, strata: pd.DataFrame, findings: Findings) -> Census:
    rows, policy = tables.census, tables.policy
    frame = rows.rows.assign(stratum=codes)
    if rows.shape == "snapshot":
        frame = frame.groupby("stratum", as_index=False)["airways"].sum()
    elif rows.shape == "counts":
        frame = frame.groupby(["day", "stratum"], as_index=False)["airways"].sum()
    else:
        frame = frame[["airway", "stratum", "start", "end"]].sort_values(["start", "airway"], ignore_index=True)
    mean_stay = policy.values.get("mean_stay_days")
    if mean_stay is None and rows.shape != "stays":
        findings.warn(policy.file, "gives no mean_stay_days: airways are taken to stay for good, and none arrives",
                      "Add mean_stay_days = 5, say, at the top.", column="mean_stay_days", moves=3)
    expected = pd.DataFrame({"stratum": stratum_codes(tables.expected, strata),
                             "mean_airways": tables.expected["mean_airways"].to_numpy(float)})
    return Census(
        shape=rows.shape, rows=frame, first_day=rows.first_day, last_day=rows.last_day,
        mean_stay_days=None if mean_stay is None else float(mean_stay),
        stay_log_sd=float(policy.values["stay_log_sd"]), expected=expected, unknown_days=rows.unknown_days,
    )


def _other_lines(tables: _Tables, prefer: dict[str, str]) -> list[Assumption]:
    own = not tables.files["items"].startswith("config/")
    source = f"this unit's own {tables.files['items']}" if own else (
        "generic catalogue with invented prices: replace it with your own items.csv")
    generic = {(row["item"], row["provenance"]) for row in config_rows("more_equipment.csv")}
    more = sum(row in generic for row in zip(tables.items["item"], tables.items["provenance"])) if own else 0
    source += f"; {more} of them generic rows with invented prices" if more else ""
    lines = [Assumption("Catalogue", "items, packs, prices and volumes", f"{len(tables.items)} items", "", source)]
    lines += [Assumption("Catalogue", f"preferred {role}", item, "", f"this unit's own {tables.policy.file}")
              for role, item in prefer.items()]
    lines += [Assumption("Census", "expected beside the census", f"{line.mean_airways:g}",
                         f"airways of {line.route} {line.size} on a mean day",
                         f"this unit's own {tables.policy.file}") for line in tables.expected.itertuples()]
    return lines
