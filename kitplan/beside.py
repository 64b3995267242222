"""Work that waits for nothing, done beside what this process does: the same results, sooner.

A companion is a second process that is split off before anything large is loaded. It does what it is given and then
loads what it will need next, while this process goes on. Work is a function of a module that gives one result after
another; what goes there and what comes back are pickled. Where there is no companion, or it is at work, a process is
split off for the work.
"""

from __future__ import annotations

import contextlib
import copyreg
import itertools
import os
import pickle
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from types import MappingProxyType
from typing import Any

from kitplan.interruptions import begin_process, go_on, started_deaf

Steps = Callable[..., Iterator[Any]]


def _view(values: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(values)


copyreg.pickle(MappingProxyType, lambda view: (_view, (dict(view),)))

_DONE = b""
_waiting: list[tuple[Connection, BaseProcess]] = []
"""The companion, while it has nothing to do."""


def cores() -> int:
    """Processes that this program may use for one unit: two where a process can be split and has cores to run on.

    Elsewhere a process would begin from nothing, and read and learn everything again.
    """
    return min(len(os.sched_getaffinity(0)), 2) if sys.platform == "linux" else 1


def begin_companion(*modules: Sequence[str]) -> None:
    """Split off a companion where there are cores for two processes; it loads the n-th modules after its n-th work."""
    if cores() > 1:
        _waiting.append(_split(_wait_for_work, *modules))


def beside(steps: Steps, *given: object) -> Iterator[Any]:
    """Start to work through `steps(*given)` in a second process; each result as it is asked for.

    Where that process fails or is lost what it had not sent is worked out here, so that faults are raised here as well.
    """
    if not _waiting:
        return _received(*_split(_work_through, steps, given), steps, given)
    connection, process = _waiting.pop()
    work = pickle.dumps((steps, given), protocol=pickle.HIGHEST_PROTOCOL)
    # A thread sends it, for the companion takes it only when it has loaded what it was loading.
    threading.Thread(target=_sent, args=(connection, work), daemon=True).start()
    return _received(connection, process, steps, given, companion=True)


def _sent(connection: Connection, work: bytes) -> None:
    with contextlib.suppress(OSError):  # it is gone: what is received then breaks off
        connection.send_bytes(work)


def _split(serve: Callable[..., None], *given: object) -> tuple[Connection, BaseProcess]:
    ours, theirs = get_context("fork").Pipe()
    process = get_context("fork").Process(target=_begin, args=(theirs, ours, serve, given), daemon=True)
    with started_deaf(), warnings.catch_warnings():
        # A request to end waits until the new process listens for its own: till then it would wake the listener here.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
        # The other thread of this process only waits for a signal: it holds nothing that a split one could wait for.
        warnings.simplefilter("ignore", DeprecationWarning)
        process.start()
    theirs.close()
    return ours, process


def _received(
    connection: Connection, process: BaseProcess, steps: Steps, given: Sequence[object], companion: bool = False
) -> Iterator[Any]:
    came = 0
    with contextlib.suppress(EOFError, OSError):  # gone between two results, or within one
        while content := connection.recv_bytes():
            result = pickle.loads(content)
            came += 1
            yield result
        if companion:
            _waiting.append((connection, process))
        return
    process.join()
    go_on()
    yield from itertools.islice(steps(*given), came, None)


def _begin(connection: Connection, other_end: Connection, serve: Callable[..., None], given: Sequence[object]) -> None:
    """What a process that was split off does. A fault ends it: the other one meets that fault for itself."""
    begin_process(quiet=True)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
    other_end.close()  # so that the pipe breaks when the process that waits is gone
    _waiting.clear()
    with contextlib.suppress(Exception):
        serve(connection, *given)


def _wait_for_work(connection: Connection, *modules: Sequence[str]) -> None:
    for loaded_next in itertools.chain(modules, itertools.repeat(())):
        _work_through(connection, *pickle.loads(connection.recv_bytes()))
        for module in loaded_next:
            import_module(module)


def _work_through(connection: Connection, steps: Steps, given: Sequence[object]) -> None:
    for result in steps(*given):
        connection.send_bytes(pickle.dumps(result, protocol=pickle.HIGHEST_PROTOCOL))
    connection.send_bytes(_DONE)
