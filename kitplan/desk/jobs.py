"""Plans at work: one process a unit, what it is at, and how it ended."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any


@dataclass
class Job:
    """A plan being made. doing: what it is at. end: {} while it runs, then what the worker said last."""

    process: subprocess.Popen[str]
    started: float = field(default_factory=time.monotonic)
    doing: list[str] = field(default_factory=list)
    end: dict[str, Any] = field(default_factory=dict)

    def listen(self) -> None:
        """Take up what the worker says until it ends."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with contextlib.suppress(ValueError):  # half a line of a process that was ended, or a library's own word
                said = json.loads(line)
                if "end" in said:
                    self.end = said
                else:
                    self.doing.append(said["doing"])
        self.process.wait()
        self.end = self.end or {"end": "stopped", "text": "Stopped. Nothing was written that was not already complete."}

    @property
    def seconds(self) -> float:
        return time.monotonic() - self.started


class Jobs:
    """At most one plan at work for each unit."""

    def __init__(self) -> None:
        self._jobs: dict[Path, Job] = {}
        self._lock = threading.Lock()

    def start(self, unit: Path, out: Path) -> None:
        """Begin to plan, unless this unit is being planned already."""
        with self._lock:
            job = self._jobs.get(unit)
            if job is not None and not job.end:
                return
            call = [sys.executable, "-m", "kitplan.desk.worker", str(unit), str(out)]
            process = subprocess.Popen(call, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL,
                                       stderr=subprocess.DEVNULL, text=True, encoding="utf-8")
            job = self._jobs[unit] = Job(process)
        threading.Thread(target=job.listen, daemon=True).start()

    def of(self, unit: Path) -> Job | None:
        """The last job of a unit."""
        return self._jobs.get(unit)

    def cancel(self, unit: Path) -> None:
        """End a plan at work; what lay in the folder stays."""
        job = self._jobs.get(unit)
        if job is not None and not job.end:
            job.process.terminate()

    def end_all(self) -> None:
        for unit in list(self._jobs):
            self.cancel(unit)
