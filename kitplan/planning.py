"""Run the parts by what they declare, unit in, plan out: the one place where they meet."""

from __future__ import annotations

import hashlib
from collections import ChainMap
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pandas as pd

from kitplan import __version__
from kitplan.beside import beside
from kitplan.demand.best_knowledge import with_best_knowledge
from kitplan.demand.bounds import within_bounds
from kitplan.demand.occupancy import arrivals_per_day, mean_airways
from kitplan.demand.resecure import long_run_rates
from kitplan.demand.scenarios import draw_ahead
from kitplan.demand.use import counted_per_day, expected_use
from kitplan.demand.values import Demand, ItemChoice
from kitplan.gate import hold
from kitplan.parts import Part, declared
from kitplan.parts.results import NotPlanned, Results, own_copy
from kitplan.parts.work import Basis, Progress, Work
from kitplan.read.problems import InputError, UnsafePlan
from kitplan.read.values import Unit

if TYPE_CHECKING:
    from kitplan.parts.par.values import Readiness
    from kitplan.read.last_plan import Earlier

STREAMS = ("plan", "verify")
"""Scenarios that par levels are planned on, and those that they are verified on."""


@dataclass(frozen=True, eq=False, repr=False)
class Plan(Results):
    """What was planned for one unit: the result of every part that ran, each an attribute under its own name.

    number: eight characters that name the plan, on every paper of it. seed: of every random number in it.
    item_choice: item that serves each role. airways: one row a kind of airway, long-run rates (`long_run_rates`) with
    mean_airways, arrivals_per_day and counted_per_day (re-secures of an airway a day over whole stays). expected: item,
    expected_units in one protection interval by rates.
    results, skipped: as in Results. warnings: sentences.
    """

    unit: Unit
    seed: int
    version: str
    number: str
    item_choice: ItemChoice
    airways: pd.DataFrame
    expected: pd.DataFrame
    results: Mapping[str, object] = field(default_factory=dict)
    skipped: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    drawn: Callable[[str], Demand] | None = None

    def __repr__(self) -> str:
        parts = ", ".join(self.parts) or "none"
        head = f"Plan {self.number} of {self.unit.name!r}, seed {self.seed}, kitplan {self.version}; parts: {parts}"
        if "par" not in self.results:
            return f"<{head}>"
        ready = self.par.readiness
        stock = f"{self.par.value:,.0f} {self.unit.currency} at par"
        return f"<{head}; ready {100 * ready.verified:.1f} % (target {100 * ready.target:.1f} %), {stock}>"

    def demand(self, stream: str = "plan") -> Demand:
        """Scenarios of one protection interval: "plan", which par levels are planned on, or "verify".

        Raises ValueError for another name, NotPlanned where the plan carries none.
        """
        if stream not in STREAMS:
            raise ValueError(f"{stream!r}: no such scenarios; a plan has {' and '.join(STREAMS)}")
        if self.drawn is None:
            raise NotPlanned("this plan carries no scenarios")
        return own_copy(self.drawn(stream))

    @property
    def inputs(self) -> dict[str, str]:
        """SHA-256 of every file that was read for it, by name."""
        classes = self.unit.class_checksums if "training" in self.parts else {}
        return dict(sorted({**self.unit.checksums, **classes}.items()))

    @property
    def readiness(self) -> Readiness:
        """The chance that nothing runs short in an interval, as planned and as verified."""
        return self.par.readiness

    def save(self, folder: Path | str) -> Path:
        """Write the plan into a folder, as `kitplan plan` does: workbooks, tables, prints, and what opens it again.

        All or nothing. Returns the folder. Raises NotPlanned for a plan without par levels, and OSError.
        """
        from kitplan.outputs import write_plan

        _, written = write_plan(self, Path(folder), remove_stale=True)
        return written.folder

    def with_result(self, part: str, value: object) -> Plan:
        return replace(self, results=ChainMap({part: value}, cast("dict[str, object]", self.results)))


def plan_number(unit: Unit, seed: int, version: str) -> str:
    """Eight characters that name a plan: the same for the same inputs, policies, seed and version.

    It stands in plan.json and on every sheet, so that a filled-in count can be matched with its plan.
    """
    policies = (unit.stock, unit.bedside, unit.planning, unit.forecast, unit.seasons)
    parts = [version, str(seed), repr(policies), *(f"{k}={v}" for k, v in sorted(unit.checksums.items()))]
    code = hashlib.sha256("\n".join(parts).encode()).hexdigest()[:8].upper()
    return f"{code[:4]}-{code[4:]}"


def _no_progress(_: str) -> None:
    return None


def plan_unit(
    unit: Unit,
    seed: int | None = None,
    parts: Collection[str] | None = None,
    progress: Progress | None = None,
    processes: int = 1,
) -> Plan:
    """Plan a unit. The same unit and seed give the same plan.

    seed: of every random number (default: the unit's). parts: names of the parts to run (default: all that the unit's
    files allow; one asked for by name raises where its files are missing). progress: is told what is being done.
    processes: with two, parts that look at no other are made beside the rest (`beside.cores`).
    Raises ValueError for a name that is no part, InputError, UnsafePlan, and Contradiction where kitplan is at fault.
    """
    wanted = _wanted(parts)
    seed = unit.planning.seed if seed is None else seed
    unit = own_copy(replace(unit, planning=replace(unit.planning, seed=seed)))
    unit, fewer = ready_to_plan(unit)
    basis = Basis(unit, progress or _no_progress)
    theirs = _begun_beside(basis, seed, wanted, parts) if processes > 1 else None
    trouble = _kits_trouble(basis, parts)
    work = Work(unit, seed, basis, basis.cheapest if _without_kits(parts) else basis.item_choice)
    said = (fewer, trouble and f"No bedside kits: {trouble}.")
    plan = Plan(
        unit, seed, __version__, plan_number(unit, seed, __version__), work.item_choice, _airways(work),
        _expected(work, not _without_kits(parts)), skipped={"kits": trouble} if trouble else {},
        warnings=tuple(filter(None, said)), drawn=work.demand,
    )
    return _run(plan, work, wanted, parts, theirs)


def with_parts(plan: Plan, parts: Collection[str], progress: Progress | None = None) -> Plan:
    """The plan with these parts run anew on its own unit, seed and scenarios, and those they need where it lacks them.

    For a part that a saved plan does not have, or has of other counts or par levels held than the unit's now.
    """
    wanted = [part for part in _wanted(parts) if part.name in parts or part.name not in plan.parts]
    work = Work(plan.unit, plan.seed, Basis(plan.unit, progress or _no_progress), plan.item_choice, plan.drawn)
    return _run(plan, work, wanted, parts)


def _run(
    plan: Plan, work: Work, wanted: Iterable[Part], asked: Collection[str] | None,
    theirs: Iterator[dict[str, object]] | None = None,
) -> Plan:
    """Run parts one by one; skip what the unit's files do not allow unless it was asked for. theirs: made beside."""
    made: dict[str, object] = {}
    for part in wanted:
        by_name = asked is not None and part.name in asked
        faults = plan.unit.faults_of(part.name)
        if faults and by_name:
            raise InputError(faults, f"reading what the part {part.name} needs")
        reason = _not_allowed(plan.unit, part)
        if reason and not by_name:
            plan = replace(plan, skipped={**plan.skipped, part.name: reason})
            continue
        if theirs is not None and part.alone and part.name not in made:
            for theirs_made in theirs:
                made |= theirs_made
        if part.name not in made:
            made[part.name] = _value(part, replace(work, results=plan.results, skipped=plan.skipped))
        plan = _with_part(plan, part, made[part.name])
    ran = {name: value for name, value in plan.results.items() if name in made}
    hold(replace(work, results=ran), plan.airways, plan.expected)
    return plan


def _not_allowed(unit: Unit, part: Part) -> str | None:
    """Why a unit's files do not allow a part, None where they do."""
    faults = unit.faults_of(part.name)
    return f"{faults[0].file} is wrong" if faults else part.lacks(unit)


def _begun_beside(
    basis: Basis, seed: int, wanted: Iterable[Part], asked: Collection[str] | None
) -> Iterator[dict[str, object]] | None:
    """Begin the parts that look at no other in a second process; None where there are none.

    They and all others need the kit designs first: that process makes these too, while this one draws the airways.
    """
    alone = tuple(part.name for part in wanted if part.alone and not _not_allowed(basis.unit, part))
    if not alone or _without_kits(asked):
        return None
    theirs = beside(_made_alone, basis.unit, seed, alone)
    if any(part.name == "par" for part in wanted):
        for stream in STREAMS:
            draw_ahead(basis.unit, basis.unit.planning.scenarios_of(stream), seed, stream, basis.tables)
    basis.designs, basis.kits_trouble = next(theirs)
    return theirs


def _made_alone(unit: Unit, seed: int, parts: Collection[str]) -> Iterator[Any]:
    """The kit designs with what kept the unit from them, then the results of parts that look at no other, together."""
    basis = Basis(unit, _no_progress)
    yield basis.designs, basis.kits_trouble
    work = Work(unit, seed, basis, basis.item_choice)
    yield {name: _value(declared()[name], work) for name in parts}


def _value(part: Part, work: Work) -> object:
    """What the part gives; it is shown the results that it needs and no others."""
    work.basis.tell(part.title)
    return part.make(work.only(part.needs))


def _with_part(plan: Plan, part: Part, value: object) -> Plan:
    if value is None:
        return replace(plan, skipped={part.name: part.empty, **plan.skipped})
    if not isinstance(value, part.result_type()):
        raise TypeError(f"{part.name} gave a {type(value).__name__} in place of its declared {part.result}")
    plan = plan.with_result(part.name, value)
    return replace(plan, warnings=tuple(dict.fromkeys((*plan.warnings, *part.warns(value)))))


def _wanted(parts: Collection[str] | None) -> list[Part]:
    """The parts to run and those whose results they need, in running order. Raises ValueError for an unknown name."""
    runs = {name: part for name, part in declared().items() if part.run}
    asked = list(runs) if parts is None else list(parts)
    unknown = [name for name in asked if name not in runs]
    if unknown:
        raise ValueError(f"{', '.join(map(repr, unknown))}: no such part; a plan has {', '.join(runs)}")
    for name in asked:
        asked += [need for need in runs[name].needs if need not in asked]
    return [part for name, part in runs.items() if name in asked]


def _without_kits(parts: Collection[str] | None) -> bool:
    """True where nothing that was asked for rests on the kits."""
    return parts is not None and set(parts) <= {"rates"}


def ready_to_plan(unit: Unit) -> tuple[Unit, str | None]:
    """The unit with what its log teaches, `within_bounds`; and what no item of the catalogue can serve.

    All that `plan` would refuse, for `check` too. Raises InputError with everything found.
    """
    from kitplan.parts.kits.requirements import unservable

    unit = with_best_knowledge(unit)
    problems = unservable(unit)
    try:
        bounded = within_bounds(unit)
    except InputError as error:
        problems += error.problems
    if problems:
        raise InputError(problems, "asking whether this unit can be planned")
    return bounded


def _kits_trouble(basis: Basis, parts: Collection[str] | None) -> str:
    """Why the unit has no kits, "" where it has. Raises UnsafePlan where they were asked for by name."""
    if _without_kits(parts) or basis.designs is not None:
        return ""
    if parts is not None and "kits" in parts:
        raise UnsafePlan(basis.kits_trouble)
    return basis.kits_trouble


def _airways(work: Work) -> pd.DataFrame:
    unit = work.unit
    return long_run_rates(unit).assign(
        mean_airways=mean_airways(unit), arrivals_per_day=arrivals_per_day(unit),
        counted_per_day=counted_per_day(unit, work.tables),
    )


def _expected(work: Work, with_kits: bool) -> pd.DataFrame:
    unit = work.unit
    days = unit.stock.protection_interval_days
    units = expected_use(unit, work.item_choice, days, work.tables)
    if with_kits and work.designs is not None and unit.bedside.kits_in_par:
        from kitplan.parts.kits.accounts import leftovers_expected

        units = units + leftovers_expected(work.designs.needs, work.designs.traffic(unit), days)
    return pd.DataFrame({"item": unit.items["item"], "expected_units": units})


def with_changes(plan: Plan, earlier: Earlier | None, head: Mapping[str, Any]) -> Plan:
    """The plan with what it changed against the one before it; the same plan made again keeps what it said then.

    earlier: what the folder holds already. head: first lines of the record to be written.
    """
    from kitplan.parts.par.changes import Changes, compare_with

    if earlier is None or "par" not in plan.parts or earlier.record.get("unit") != plan.unit.name:
        return plan
    if earlier.number != plan.number:
        changes = compare_with(earlier, plan.par.levels, head, plan.unit.stock.readiness)
        return plan.with_result("changes", changes)
    said = earlier.record.get("changes")
    if earlier.changes is None or not isinstance(said, dict):
        return plan
    causes = tuple(str(c) for c in said.get("causes", []))
    return plan.with_result("changes", Changes(earlier.changes, str(said.get("before", "")), causes))
