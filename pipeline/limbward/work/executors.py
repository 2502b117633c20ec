"""Where work is done: processes of this machine, or a Dask cluster."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from multiprocessing import get_context
from multiprocessing.context import BaseContext
from typing import Any

from limbward.errors import ConfigError, LimbwardError
from limbward.work.worker import ready, start_worker

OpenPool = Callable[[int], Executor]  # takes a number of workers
Crash = BrokenProcessPool  # what a future raises whose process has died

CONNECT_S = 20.0
# What workers import, most of it for long; with all of it loaded before they are forked each begins
# at once, without our own modules in 0.4 s of processor time, without the others in 2.4 s.
LOADED_BEFORE = [
    "astropy.io.fits",
    "astropy.table",
    "av",
    "numba",
    "pydantic",
    "rawpy",
    "scipy.ndimage",
    "scipy.optimize",
    "tifffile",
    "limbward.stages.measuring",
    "limbward.work.decoding",
]


@dataclass(frozen=True)
class Crew:
    """Those who do the work.

    Attributes
    ----------
    open_pool : callable
        Opens a pool of so many workers as a `concurrent.futures.Executor`.
    workers : int
        How many to ask for.
    shares_memory : bool
        Whether they run on this machine; else pixels are sent through a pipe.
    """

    open_pool: OpenPool
    workers: int
    shares_memory: bool


def local_pool(workers: int) -> Executor:
    """Return a pool of new processes of this machine, which are started when there is work."""
    return ProcessPoolExecutor(workers, beginning(), initializer=start_worker)


@cache
def beginning() -> BaseContext:
    """Return how processes begin: afresh, since decoders that use OpenMP deadlock once forked.

    On Linux they are forked from a server that has loaded the libraries and has run nothing; the
    frameworks of macOS do not bear that, and Windows cannot.
    """
    if sys.platform == "linux":
        from multiprocessing import forkserver

        forkserver.set_forkserver_preload(LOADED_BEFORE)
        # The server's socket has its place among temporary files: they may be full, or their path
        # longer than the 107 bytes that a socket's may have.
        with suppress(OSError):
            forkserver.ensure_running()
            return get_context("forkserver")
    return get_context("spawn")


def local_crew(jobs: int | None = None) -> Crew:
    """Return processes of this machine; None is one a core."""
    return Crew(local_pool, jobs or cores(), shares_memory=True)


def require_processes(open_pool: OpenPool) -> None:
    """Raise if no process can be started at all, which looks like a crash in each.

    Raises
    ------
    LimbwardError
    """
    with open_pool(1) as pool:
        try:
            pool.submit(ready).result()
        except Crash as error:
            raise LimbwardError(
                "Cannot start a process to decode frames in. Run limbward from its command "
                "line, or guard the calling script with if __name__ == '__main__'."
            ) from error


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class ClusterPool(Executor):
    """A Dask cluster's executor that tells a worker's death as a pool of processes does."""

    def __init__(self, client: Any) -> None:
        # A task whose worker dies is not tried again: its file would take the next one down too.
        self._inner = client.get_executor(pure=False, retries=0)

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Send a call to the cluster."""
        from distributed.scheduler import KilledWorker

        outer: Future[Any] = Future()

        def tell(inner: Future[Any]) -> None:
            error = inner.exception()
            if isinstance(error, KilledWorker):
                outer.set_exception(Crash(str(error)))
            elif error is not None:
                outer.set_exception(error)
            else:
                outer.set_result(inner.result())

        self._inner.submit(fn, *args, **kwargs).add_done_callback(tell)
        return outer

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Wait for what is at work, or cancel it; the cluster goes on."""
        self._inner.shutdown(wait=wait and not cancel_futures)


@contextmanager
def crew(jobs: int | None, executor: str, scheduler: str | None) -> Iterator[Crew]:
    """Open what a run's work is done in.

    Parameters
    ----------
    jobs : int or None
        Processes, or tasks at a time on a cluster; None is as many as there are cores or threads.
    executor : {'local', 'dask'}
    scheduler : str or None
        Address of the Dask scheduler.

    Yields
    ------
    Crew

    Raises
    ------
    ConfigError
        If a cluster is wanted whose library is not installed.
    LimbwardError
        If the cluster cannot be reached.
    """
    if executor == "local":
        yield local_crew(jobs)
        return
    try:
        from distributed import Client
    except ImportError as error:
        raise ConfigError(
            "run.executor is dask, which is not installed: pip install 'limbward[dask]'."
        ) from error
    try:
        client = Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise LimbwardError(
            f"The Dask scheduler {scheduler} cannot be reached ({error})."
        ) from error
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise LimbwardError(f"The Dask scheduler {scheduler} has no workers.")
        yield Crew(lambda workers: ClusterPool(client), jobs or threads, shares_memory=False)
