"""Work that waits for nothing, done beside what this process does: the same result, sooner."""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import sys
import warnings
from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import TypeVar

from kitplan.interruptions import end_when_asked, started_deaf

T = TypeVar("T")


def cores() -> int:
    """Processes that this program may use for one unit: two where a process can be split and has cores to run on.

    Elsewhere a process would begin from nothing, and read and learn everything again.
    """
    return min(len(os.sched_getaffinity(0)), 2) if sys.platform == "linux" else 1


def beside(work: Callable[[], T]) -> Callable[[], T]:
    """Start `work` in a second process split from this one; what is returned waits for its result.

    Where that process fails or is lost the work is done here, so that faults are raised here as well.
    """
    ours, theirs = get_context("fork").Pipe(duplex=False)
    process = get_context("fork").Process(target=_send, args=(theirs, ours, work), daemon=True)
    with started_deaf(), warnings.catch_warnings():
        # A request to end waits until the new process listens for its own: till then it would wake the listener here.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
        # The other thread of this process only waits for a signal: it holds nothing that a split one could wait for.
        warnings.simplefilter("ignore", DeprecationWarning)
        process.start()
    theirs.close()

    def result() -> T:
        try:
            found: T = pickle.loads(ours.recv_bytes())
        except EOFError:
            found = work()
        process.join()
        return found

    return result


def _send(connection: Connection, other_end: Connection, work: Callable[[], object]) -> None:
    end_when_asked(quiet=True)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
    other_end.close()  # so that the pipe breaks when the process that waits is gone
    try:
        content = pickle.dumps(work(), protocol=pickle.HIGHEST_PROTOCOL)
    except Exception:
        return  # nothing sent: the other process does the work and meets the fault itself
    with contextlib.suppress(BrokenPipeError):
        connection.send_bytes(content)
