"""`--cluster ADDRESS`: the units of a folder done by the workers of a dask.distributed cluster."""

from __future__ import annotations

import contextlib
import errno
import logging
import re
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from concurrent.futures import Executor

_SECONDS = 10.0
_ADDRESS = re.compile(r"(tcp|tls)://\S+:\d+")

cluster_option = click.option(
    "--cluster", metavar="ADDRESS", default=None,
    help="Folder of units: have them done by a dask cluster that you trust, tcp://HOST:8786.  "
         "[default: two processes of this computer]",
)


class NoCluster(OSError):
    """The cluster cannot be used (exit code 2). mend: what to do."""

    def __init__(self, address: str, fault: str, mend: str) -> None:
        super().__init__(errno.ECONNREFUSED, fault, address)
        self.mend = mend


def is_folder_of_units(path: Path, cluster: str | None) -> bool:
    """True for a folder that holds units and is none itself. Refuses a cluster for anything else: raises NoCluster."""
    if path.is_dir() and not (path / "unit.toml").exists():
        from kitplan.many import find_units

        if find_units(path):
            return True
    if cluster is not None:
        raise NoCluster("--cluster", "is for a folder of units", "Leave it out, or name the folder that holds them.")
    return False


@contextlib.contextmanager
def workers(cluster: str | None) -> Iterator[tuple[Executor | None, int | None]]:
    """The executor of a cluster and how many units it keeps busy; (None, None) without an address. Raises NoCluster."""
    if cluster is None:
        yield None, None
        return
    if not _ADDRESS.fullmatch(cluster):
        raise NoCluster(cluster, "is no address of a scheduler", "Give it as `dask scheduler` prints it: tcp://HOST:8786.")
    try:
        client_of: Any = import_module("distributed").Client
    except ImportError:
        raise NoCluster(cluster, "needs dask.distributed", "Install it: pip install 'kitplan[cluster]'.") from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client = client_of(cluster, timeout=_SECONDS, set_as_default=False)
    except OSError as error:
        raise NoCluster(cluster, f"does not answer within {_SECONDS:.0f} seconds",
                        "Check the address, and that `dask scheduler` runs there.") from error
    with client:
        threads = sum(client.nthreads().values())
        if threads == 0:
            raise NoCluster(cluster, "has no workers", f"Start some: dask worker {cluster} --nthreads 1.")
        yield client.get_executor(pure=False), 2 * threads + 1
