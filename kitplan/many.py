"""Units by the folder: each is done by a worker of an executor, of which nothing is asked but `submit`.

What travels is bytes. The unit's files go to the worker, which works in a temporary folder of its own, and the files
that it made come back; only this process writes where people look. So a worker may be a machine that shares nothing
with this one, one that dies leaves nothing behind, and however often a unit is tried it is written once. A unit that
cannot be done is listed and the others go on; no more than a few are on their way, so that memory does not grow.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path
from queue import SimpleQueue
from types import ModuleType
from typing import Any

from kitplan import __version__
from kitplan.interruptions import begin_process, one_thread_each, started_deaf
from kitplan.read.carried import book_files, unit_files
from kitplan.read.order_book import book_home, book_lock
from kitplan.read.problems import InputError, UnsafePlan
from kitplan.read.source import written_name
from kitplan.write.writer import checksum, file_sentence, lies_inside, one_writer, outputs_in, write_outputs

PROCESSES = 2
AT_ONCE = 16
"""Units on their way to and from an executor that was given."""
_KEEPING_MEMORY = {"MALLOC_TRIM_THRESHOLD_": "1000000000", "MALLOC_MMAP_THRESHOLD_": "1000000000"}
"""A worker keeps the memory of a table for the next, where its library heeds this: else it takes a fortieth longer."""

INPUT, UNSAFE, LOST, DEFECT = "input", "unsafe", "lost", "defect"
"""Why a unit was not done: its files, its limits, its worker or executor, kitplan itself."""

_PLACE, _LEFT_SECONDS = "kitplan-unit-", 86_400.0
"""How the name of a worker's folder begins; age at which one that nobody holds was left by a worker that was killed."""

_one_unit_at_a_time = threading.Lock()


@dataclass(frozen=True)
class Job:
    """One unit: its name among the others, where it is, and the folder of its outputs."""

    name: str
    path: Path
    out: Path


@dataclass(frozen=True)
class Made:
    """What a worker made of a unit. files: of its folder of outputs; book: of its order book, where that has grown;
    value: what is said of the unit among the others, small.
    """

    files: Mapping[str, bytes]
    value: Any
    book: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Task:
    """What is done with every unit.

    do: a function of a module, which is sent by name: do(job name, unit, plan, how), with the unit's files at the path
    `unit` and, in the folder `plan`, those of `takes` that its folder of outputs holds; it may raise InputError and
    UnsafePlan.
    how: what is the same for every unit. remove_stale: as in `write_outputs`.
    """

    do: Callable[[str, Path, Path, Any], Made]
    how: Any = None
    takes: tuple[str, ...] = ()
    remove_stale: bool = False


@dataclass(frozen=True)
class Done:
    """A unit that was done and written. told: what a person should know of files that were there before."""

    job: str
    value: Any
    told: tuple[str, ...] = ()


@dataclass(frozen=True)
class Failed:
    """A unit that was not done. kind: INPUT, UNSAFE, LOST or DEFECT."""

    job: str
    kind: str
    fault: str


@dataclass(frozen=True)
class Parcel:
    """What goes to a worker. shown: the unit's path here, for messages. unit: the name of its folder or workbook among
    `files`. plan: what its folder of outputs holds of what the task takes.
    """

    job: str
    shown: str
    unit: str
    files: Mapping[str, bytes]
    plan: Mapping[str, bytes]

    @classmethod
    def of(cls, job: Job, task: Task) -> Parcel:
        """Raises InputError and OSError, as reading the unit would."""
        path, files = job.path.resolve(), unit_files(job.path)
        if path.is_dir():
            files = {f"{path.name}/{name}": content for name, content in files.items()}
        plan = {name: (job.out / name).read_bytes() for name in task.takes if (job.out / name).is_file()}
        return cls(job.name, str(job.path), path.name, files, plan)

    def unpack(self, place: Path) -> tuple[Path, Path]:
        """Write everything below a place; returns where the unit and its folder of outputs are there."""
        for folder, files in (("units", self.files), ("plan", self.plan)):
            for name, content in files.items():
                (place / folder / name).parent.mkdir(parents=True, exist_ok=True)
                (place / folder / name).write_bytes(content)
        return place / "units" / self.unit, place / "plan"


def find_units(folder: Path) -> list[Path]:
    """Unit folders (with a unit.toml) and unit workbooks directly inside `folder`, by name.

    Empty for a folder that is a unit itself. Names that begin with a point, a tilde or ~$ are left alone.
    """
    if not folder.is_dir() or (folder / "unit.toml").exists():
        return []
    inside = [p for p in sorted(folder.iterdir()) if not p.name.startswith((".", "~"))]
    return [p for p in inside if (p.suffix.lower() == ".xlsx" and p.is_file()) or _may_hold_unit(p)]


def _may_hold_unit(folder: Path) -> bool:
    """True where a folder has a unit.toml, and where it cannot be looked into: it is listed with the reason."""
    try:
        return (folder / "unit.toml").is_file()
    except PermissionError:
        return True


def jobs_for(units: Sequence[Path], out: Path) -> list[Job]:
    """A job a unit; a workbook that shares its name with a folder keeps its ending in the name."""
    folders = {p.name for p in units if p.is_dir()}
    names = [
        p.name if p.is_dir() else p.stem if p.stem not in folders else p.name.replace(".", "-") for p in units
    ]
    return [Job(name, path, out / name) for name, path in zip(map(written_name, names), units)]


def papers_together(together: Path) -> dict[Path, Path]:
    """Unit -> where its papers lie, of the units that were planned into one folder; empty where none were."""
    if not (together / "all-units.json").is_file():
        return {}
    return {job.path: job.out for job in jobs_for(find_units(together.parent), together)}


def for_each(
    jobs: Sequence[Job],
    task: Task,
    executor: Executor | None = None,
    at_once: int | None = None,
    progress: Callable[[str], None] | None = None,
) -> list[Done | Failed]:
    """Do a task with every unit and write what was made; in the order of the jobs, whichever ended first.

    executor: anything with the `submit` of `concurrent.futures` (default: two processes of this machine); it is left
    open. Where it has several threads in one process, units take turns there. at_once: units on their way at one time
    (default: 16 for an executor that was given). progress: is told how many are done.
    """
    ended: dict[str, Done | Failed] = {}
    for result in _results(jobs, task, executor, at_once or (PROCESSES + 1 if executor is None else AT_ONCE)):
        ended[result.job] = result
        if progress is not None:
            progress(f"{len(ended)} of {len(jobs)} units done, last {result.job}")
    return [ended[job.name] for job in jobs]


def work(parcel: Parcel, task: Task) -> tuple[str, str, Made | Failed]:
    """Do a task with one unit, in a worker. Returns the job's name, kitplan's version there, and what came out."""
    _clear_left()
    with _one_unit_at_a_time, tempfile.TemporaryDirectory(prefix=_PLACE) as place, one_writer(Path(place)):
        unit = Path(place)
        try:
            unit, plan = parcel.unpack(Path(place))
            return parcel.job, __version__, task.do(parcel.job, unit, plan, task.how)
        except (InputError, OSError) as error:
            kind, fault = INPUT, _told(error)
        except UnsafePlan as error:
            kind, fault = UNSAFE, str(error)
        except Exception as error:
            kind, fault = DEFECT, f"{type(error).__name__}: {error} (a defect of kitplan)"
        return parcel.job, __version__, Failed(parcel.job, kind, fault.replace(str(unit), parcel.shown))


def _clear_left() -> None:
    """Delete what workers left that were killed: nobody holds it any more, and it is no place just being made."""
    for place in Path(tempfile.gettempdir()).glob(f"{_PLACE}*"):
        with contextlib.suppress(OSError):
            if time.time() - place.stat().st_mtime > _LEFT_SECONDS:
                with one_writer(place, 0.0):
                    shutil.rmtree(place)


def _told(error: InputError | OSError) -> str:
    return file_sentence(error) if isinstance(error, OSError) else str(error)


def _results(jobs: Sequence[Job], task: Task, executor: Executor | None, at_once: int) -> Iterator[Done | Failed]:
    """Results as they come. What a worker may have been at when it died is tried again alone."""
    waiting, again = deque(jobs), []
    while waiting:
        before = len(waiting)
        with _pool(executor, PROCESSES) as pool:
            for job, result in _through(pool, waiting, task, at_once):
                if result is None:
                    again.append(job)
                else:
                    yield result
        if executor is not None or len(waiting) == before:
            break
    for job in again:
        with _pool(executor, 1) as pool:
            tried = [result for _, result in _through(pool, deque([job]), task, 1)]
        yield (tried and tried[0]) or Failed(job.name, LOST, "its worker ended, perhaps for lack of memory")
    for job in waiting:
        yield Failed(job.name, LOST, "the executor takes no more work")


def _through(
    pool: Executor, waiting: deque[Job], task: Task, at_once: int
) -> Iterator[tuple[Job, Done | Failed | None]]:
    """Keep a pool busy until nothing waits or it takes no more; None for a unit that was lost with its worker."""
    came: SimpleQueue[Future[Any]] = SimpleQueue()
    busy: dict[Future[Any], tuple[Job, dict[str, str]]] = {}
    takes_more = True
    while busy or (waiting and takes_more):
        while waiting and takes_more and len(busy) < at_once:
            job = waiting.popleft()
            try:
                marks = _book_marks(job)
                parcel = Parcel.of(job, task)
            except (InputError, OSError) as error:
                yield job, Failed(job.name, INPUT, _told(error))
                continue
            try:
                with started_deaf():
                    future = pool.submit(work, parcel, task)
            except Exception:  # broken, closed or shut down: every kind of executor says it in its own way
                waiting.appendleft(job)
                takes_more = False
            else:
                busy[future] = job, marks
                future.add_done_callback(came.put)
        if busy:
            future = came.get()
            job, marks = busy.pop(future)
            yield job, _written(job, task, future, marks)


def _book_marks(job: Job) -> dict[str, str]:
    return {name: checksum(content) for name, content in book_files(job.path).items()}


def _written(job: Job, task: Task, future: Future[Any], marks: Mapping[str, str]) -> Done | Failed | None:
    """Write what came back. marks: checksums of the order book that was sent; another run may have written it since."""
    try:
        returned = future.result()
    except (BrokenExecutor, CancelledError):
        return None
    except Exception as error:
        return Failed(job.name, LOST, f"its worker could not do it: {type(error).__name__}: {str(error)[:300]}")
    if fault := _rubbish(job, returned):
        return Failed(job.name, LOST, fault)
    made: Made | Failed = returned[2]
    if isinstance(made, Failed):
        return made
    try:
        with one_writer(book_lock(job.path)):  # a step of the week writes into the same folder
            if _book_marks(job) != marks:
                return Failed(job.name, INPUT, "its order book was written by another run meanwhile. Run again.")
            if made.book:
                write_outputs(book_home(job.path) / "book", made.book)
            written = write_outputs(job.out, made.files, remove_stale=task.remove_stale)
    except OSError as error:
        return Failed(job.name, INPUT, file_sentence(error))
    return Done(job.name, made.value, tuple(written.sentences()))


def _rubbish(job: Job, returned: object) -> str:
    """What is wrong with what a worker returned, "" for nothing: it may be another version's, or cut."""
    match returned:
        case (job.name, str() as version, Made() | Failed() as made):
            if version != __version__:
                return f"its worker has kitplan {version}, this is {__version__}: install the same everywhere"
        case _:
            return "its worker returned something that is no unit's"
    if isinstance(made, Failed):
        return ""
    every = [*made.files.items(), *made.book.items()]
    sound = all(isinstance(name, str) and isinstance(content, bytes) and lies_inside(name) for name, content in every)
    records = [outputs_in(content) for name, content in made.files.items() if sound and name.endswith(".json")]
    if not sound or any(checksum(made.files.get(n, b"")) != code for codes in records for n, code in codes.items()):
        return "its worker returned files that do not belong together"
    return ""


class _Processes(ProcessPoolExecutor):
    """Processes that do not run the script that called: run again in each, it would plan the folder anew."""

    def submit(self, *given: Any, **named: Any) -> Future[Any]:
        main, sys.modules["__main__"] = sys.modules["__main__"], ModuleType("__main__")
        try:
            return super().submit(*given, **named)
        finally:
            sys.modules["__main__"] = main


def _pool(executor: Executor | None, processes: int) -> AbstractContextManager[Executor]:
    """The executor that was given; else spawned processes, each with one thread for linear algebra."""
    if executor is not None:
        return nullcontext(executor)
    one_thread_each()
    for name, kept in _KEEPING_MEMORY.items():
        os.environ.setdefault(name, kept)
    return _Processes(processes, mp_context=get_context("spawn"), initializer=begin_process, initargs=(True,))
