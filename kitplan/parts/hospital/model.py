"""Many units: plan every unit of a folder, two at a time, and look at all of them together.

Each unit is planned and written by a process of its own kind (spawned, so that nothing is inherited), and
only a small summary comes back: memory does not grow with the plans. A unit that cannot be planned is listed
and the others go on.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from kitplan.interruptions import end_when_asked, started_deaf
from kitplan.parts.hospital.central_store import CentralStore, Holding, Pooling, pool_slow_items

if TYPE_CHECKING:
    from kitplan.planning import Plan
    from kitplan.read.values import Unit

PROCESSES = 2
SLOW_SHARE = 0.5
"""An item is slow in a unit that uses at most this share of one pack in a protection interval."""

TRANSPORT_SCENARIOS = 4000

_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")

Write = Callable[["Plan", Path], None]

HOLDING_COLUMNS = ["unit", "item", "par_packs", "par_units", "value", "litres", "expected_units"]
UNIT_COLUMNS = ["unit", "name", "currency", "readiness", "value", "litres", "items_held", "answer"]
FAILED_COLUMNS = ["unit", "kind", "fault"]


@dataclass(frozen=True)
class Job:
    """One unit to be planned: its name among the others, where it is, where its plan goes."""

    name: str
    path: Path
    out: Path


@dataclass(frozen=True)
class _How:
    """What is the same for every job."""

    seed: int | None
    parts: tuple[str, ...] | None
    transport_days: float
    paper: str | None = None


@dataclass(frozen=True)
class Done:
    """What comes back from a planned unit. rows: HOLDING_COLUMNS of items held. fault: what kept a part from it."""

    job: str
    unit_name: str
    currency: str
    readiness: float
    value: float
    litres: float
    answer: str
    rows: pd.DataFrame
    slow: tuple[Holding, ...]
    remarks: tuple[str, ...]
    fault: str = ""


@dataclass(frozen=True)
class Failed:
    """A unit that was not planned. kind: "input", "unsafe" or "stopped" (its process ended, or a defect); "part" for
    one that was planned but for a part.
    """

    job: str
    kind: str
    fault: str


@dataclass(frozen=True)
class Hospital:
    """All units together.

    units: UNIT_COLUMNS; holdings: HOLDING_COLUMNS; failed: FAILED_COLUMNS. pooling: what one central store
    would hold and save, among the units of the commonest currency; None with fewer than two units. remarks:
    unit -> warnings.
    """

    units: pd.DataFrame
    holdings: pd.DataFrame
    failed: pd.DataFrame
    pooling: Pooling | None
    currency: str
    store: CentralStore
    remarks: Mapping[str, tuple[str, ...]]

    def tables(self) -> dict[str, pd.DataFrame]:
        """File stem -> frame, as written under tables/."""
        out = {"units": self.units, "holdings": self.holdings, "not_planned": self.failed}
        if self.pooling is not None:
            out |= {"pooling": self.pooling.items, "pooling_units": self.pooling.units}
        return out


def find_units(folder: Path) -> list[Path]:
    """Unit folders (with a unit.toml) and unit workbooks directly inside `folder`, by name.

    Empty for a folder that is a unit itself. Names that begin with a point, a tilde or ~$ are left alone.
    """
    if not folder.is_dir() or (folder / "unit.toml").exists():
        return []
    inside = [p for p in sorted(folder.iterdir()) if not p.name.startswith((".", "~"))]
    return [p for p in inside if (p / "unit.toml").is_file() or (p.suffix.lower() == ".xlsx" and p.is_file())]


def jobs_for(units: Sequence[Path], out: Path) -> list[Job]:
    """A job a unit; a workbook that shares its name with a folder keeps its ending in the name."""
    folders = {p.name for p in units if p.is_dir()}
    names = [
        p.name if p.is_dir() else p.stem if p.stem not in folders else p.name.replace(".", "-") for p in units
    ]
    return [Job(name, path, out / name) for name, path in zip(names, units)]


def plan_many(
    jobs: Sequence[Job],
    write: Write,
    *,
    seed: int | None = None,
    parts: tuple[str, ...] | None = None,
    store: CentralStore | None = None,
    processes: int = PROCESSES,
    progress: Callable[[str], None] | None = None,
    paper: str | None = None,
) -> Hospital:
    """Plan all jobs and put the summaries together; the result does not depend on which ended first.

    write: a function of a module (it is sent to other processes by name) that writes one plan; it may raise
    UnsafePlan. parts: as in `plan_unit`. paper: of all prints, None for each unit's own.
    """
    store = store or CentralStore(1.0)
    say = progress or (lambda _: None)
    ended: dict[str, Done | Failed] = {}
    for result in _run(jobs, write, _How(seed, parts, store.transport_days, paper), processes):
        ended[result.job] = result
        say(f"{len(ended)} of {len(jobs)} units planned, last {result.job}")
    say("putting the units together")
    return _together([ended[job.name] for job in jobs], store)


def _run(jobs: Sequence[Job], write: Write, how: _How, processes: int) -> Iterator[Done | Failed]:
    """Results as they come. When a process dies, what it may have been at is tried again alone."""
    again: list[Job] = []
    waiting = list(reversed(jobs))
    while waiting:
        with _pool(processes) as pool:
            for job, result in _through(pool, waiting, write, how, processes):
                if result is None:
                    again.append(job)
                else:
                    yield result
    for job in again:
        with _pool(1) as pool:
            for _, result in _through(pool, [job], write, how, 1):
                yield result or Failed(job.name, "stopped", "its process ended, perhaps for lack of memory")


def _through(
    pool: ProcessPoolExecutor, waiting: list[Job], write: Write, how: _How, processes: int
) -> Iterator[tuple[Job, Done | Failed | None]]:
    """Keep the pool busy, a few jobs ahead, until nothing waits or the pool breaks (None for jobs it
    lost).
    """
    busy: dict[Future[Any], Job] = {}
    broken = False
    while busy or (waiting and not broken):
        while waiting and not broken and len(busy) < processes + 1:
            job = waiting.pop()
            try:
                with started_deaf():
                    busy[pool.submit(plan_one, job, write, how)] = job
            except BrokenProcessPool:
                waiting.append(job)
                broken = True
        for future in wait(busy, return_when=FIRST_COMPLETED).done:
            job = busy.pop(future)
            try:
                yield job, future.result()
            except BrokenProcessPool:
                broken = True
                yield job, None


def _pool(processes: int) -> ProcessPoolExecutor:
    """Spawned processes, each with one thread for linear algebra: two of them fill two cores."""
    for name, value in _ONE_THREAD.items():
        os.environ.setdefault(name, value)
    return ProcessPoolExecutor(processes, mp_context=get_context("spawn"), initializer=end_when_asked,
                               initargs=(True,))


def plan_one(job: Job, write: Write, how: _How) -> Done | Failed:
    """Plan and write one unit; runs in a process of its own. Faults come back as values."""
    from kitplan.planning import plan_unit
    from kitplan.read.problems import InputError, UnsafePlan
    from kitplan.read.unit import load_unit

    try:
        unit = load_unit(job.path, how.seed)
        unit = replace(unit, paper=how.paper or unit.paper)
        plan = plan_unit(unit, how.seed, how.parts)
        write(plan, job.out)
        return _summary(job, plan, how.transport_days)
    except InputError as error:
        return Failed(job.name, "input", str(error))
    except UnsafePlan as error:
        return Failed(job.name, "unsafe", str(error))
    except OSError as error:
        return Failed(job.name, "input", str(error))
    except Exception as error:
        return Failed(job.name, "stopped", f"{type(error).__name__}: {error} (a defect of kitplan)")


def _summary(job: Job, plan: Plan, transport_days: float) -> Done:
    unit, par = plan.unit, plan.par
    levels = par.levels[par.levels["par_packs"] > 0]
    rows = levels[["item", "par_packs", "par_units", "value", "litres", "expected_units"]].assign(
        unit=job.name
    )
    remarks = (*(str(w) for w in unit.warnings), *plan.warnings)
    return Done(
        job.name,
        unit.name,
        unit.currency,
        par.readiness.verified,
        par.value,
        par.litres,
        par.answer,
        rows[HOLDING_COLUMNS].reset_index(drop=True),
        _slow_items(job.name, plan, transport_days),
        remarks,
        "\n".join(map(str, unit.faults)),
    )


def _slow_items(name: str, plan: Plan, transport_days: float) -> tuple[Holding, ...]:
    """Items of which the unit holds a pack or more and uses little; emergency equipment is never among
    them.
    """
    from kitplan.demand.scenarios import draw_demand

    unit, par = plan.unit, plan.par
    demand = plan.demand()
    levels = par.levels.reset_index(drop=True)
    slow = ~_emergency(unit) & (levels["par_packs"] > 0).to_numpy()
    slow &= levels["expected_units"].to_numpy(float) <= SLOW_SHARE * unit.items["pack"].to_numpy(float)
    if not slow.any():
        return ()
    stretch, days = int(np.ceil(transport_days)) + 1, int(np.ceil(unit.stock.protection_interval_days))
    path = draw_demand(
        unit, plan.item_choice, float(days + stretch - 1), TRANSPORT_SCENARIOS, plan.seed, "transport", by_day=True
    ).path
    assert path is not None
    busiest = _busiest_stretch(path.units[:, :, slow], stretch)
    out = []
    for column, i in enumerate(np.flatnonzero(slow)):
        item, level = unit.items.iloc[i], levels.iloc[i]
        chance = max(float(level["shortage_chance"]), 1.0 / demand.n_scenarios)
        out.append(
            Holding(
                name,
                str(item["item"]),
                int(item["pack"]),
                float(item["price"]),
                float(item["litres"]),
                int(level["par_packs"]),
                float(level["mean_value"]),
                chance,
                _pmf(demand.units[:, i]),
                _pmf(busiest[:, column]),
                float(level["expected_units"]) / unit.stock.protection_interval_days,
            )
        )
    return tuple(out)


def _busiest_stretch(used: np.ndarray, stretch: int) -> np.ndarray:
    """Most used in any `stretch` days that end within the interval; used: (n_scenarios, n_days, n_items), up to each
    day's end, from stretch - 1 days before the interval on.
    """
    before = np.concatenate([np.zeros_like(used[:, :1]), used], axis=1)
    return (before[:, stretch:] - before[:, :-stretch]).max(axis=1)


def _emergency(unit: Unit) -> np.ndarray:
    """Critical items and every item with a floor in the stock room or at a bedside: they stay where they
    are.
    """
    items = unit.items
    floors = (items["min_bedside"].fillna(0) > 0) | (items["min_stock"].fillna(0) > 0)
    return (items["critical"].astype(bool) | floors).to_numpy()


def _pmf(units: np.ndarray) -> np.ndarray:
    return np.bincount(units) / len(units)


def _together(results: Sequence[Done | Failed], store: CentralStore) -> Hospital:
    done = [r for r in results if isinstance(r, Done)]
    listed = [Failed(r.job, "part", r.fault) if isinstance(r, Done) else r for r in results if r.fault]
    failed = pd.DataFrame([(r.job, r.kind, r.fault) for r in listed], columns=FAILED_COLUMNS)
    units = pd.DataFrame(
        [
            (d.job, d.unit_name, d.currency, d.readiness, d.value, d.litres, len(d.rows), d.answer)
            for d in done
        ],
        columns=UNIT_COLUMNS,
    )
    frames = [d.rows for d in done]
    holdings = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=HOLDING_COLUMNS)
    counts = units["currency"].value_counts()
    currency = str(sorted(counts.index[counts == counts.max()])[0]) if len(counts) else ""
    same = [d for d in done if d.currency == currency]
    pooling = pool_slow_items([h for d in same for h in d.slow], store) if len(same) > 1 else None
    return Hospital(
        units, holdings, failed, pooling, currency, store, {d.job: d.remarks for d in done if d.remarks}
    )
