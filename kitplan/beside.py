"""Work that waits for nothing, done beside what this process does: the same results, sooner."""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import sys
import warnings
from collections.abc import Callable, Iterator, Sequence
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from kitplan.interruptions import end_when_asked, go_on, started_deaf


def cores() -> int:
    """Processes that this program may use for one unit: two where a process can be split and has cores to run on.

    Elsewhere a process would begin from nothing, and read and learn everything again.
    """
    return min(len(os.sched_getaffinity(0)), 2) if sys.platform == "linux" else 1


def beside(*steps: Callable[[], object]) -> Iterator[Any]:
    """Start to do `steps`, one after another, in a second process split from this one; each result as it is asked for.

    Where that process fails or is lost the steps are done here, so that faults are raised here as well.
    """
    ours, theirs = get_context("fork").Pipe(duplex=False)
    process = get_context("fork").Process(target=_send, args=(theirs, ours, steps), daemon=True)
    with started_deaf(), warnings.catch_warnings():
        # A request to end waits until the new process listens for its own: till then it would wake the listener here.
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
        # The other thread of this process only waits for a signal: it holds nothing that a split one could wait for.
        warnings.simplefilter("ignore", DeprecationWarning)
        process.start()
    theirs.close()
    return _received(ours, process, steps)


def _received(connection: Connection, process: BaseProcess, steps: Sequence[Callable[[], object]]) -> Iterator[Any]:
    left = list(steps)
    with contextlib.suppress(EOFError, OSError):  # gone between two results, or within one
        while left:
            result = pickle.loads(connection.recv_bytes())
            del left[0]
            yield result
    process.join()
    go_on()
    # What a lost process had done is not done again: a step keeps for the later ones what it worked out.
    for step in left:
        yield step()


def _send(connection: Connection, other_end: Connection, steps: Sequence[Callable[[], object]]) -> None:
    end_when_asked(quiet=True)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})
    other_end.close()  # so that the pipe breaks when the process that waits is gone
    for step in steps:
        try:
            connection.send_bytes(pickle.dumps(step(), protocol=pickle.HIGHEST_PROTOCOL))
        except Exception:
            return  # nothing sent: the other process does the work and meets the fault itself
