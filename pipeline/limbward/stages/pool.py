"""Measuring many files in processes, of which any may crash."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context

from limbward.errors import LimbwardError
from limbward.stages.measuring import (
    Row,
    Task,
    measure_file,
    ready,
    start_worker,
    unreadable_row,
)

IN_FLIGHT = 2  # files handed out a process: one at work, one waiting; a crash loses only these


def measure_all(
    tasks: Mapping[str, Task], jobs: int | None, work: Callable[[Task], Row] = measure_file
) -> Iterator[tuple[str, Row]]:
    """Measure files in several processes and yield each row, with its key, when it is there.

    A file that crashes its process (a decoder may) takes down the pool and those at work beside
    it. They are then measured one by one in processes of their own, which shows the culprit; it
    gets a row as unreadable, and the others go on.

    Parameters
    ----------
    tasks : mapping
        By key.
    jobs : int or None
        Processes; None is one a core.
    work : callable
        A function of a module, which a new process can import.

    Yields
    ------
    tuple of key and row

    Raises
    ------
    LimbwardError
        If no process can be started at all.
    """
    waiting = list(tasks.items())[::-1]
    workers = max(1, min(jobs or _cores(), len(waiting)))
    while waiting:
        flight: dict[Future[Row], tuple[str, Task]] = {}
        pool = _new_pool(workers)
        try:
            while waiting or flight:
                while waiting and len(flight) < IN_FLIGHT * workers:
                    flight[pool.submit(work, waiting[-1][1])] = waiting[-1]
                    waiting.pop()  # only now: a pool that is broken takes no more
                done, _ = wait(flight, return_when=FIRST_COMPLETED)
                for future in done:
                    row = future.result()
                    yield flight.pop(future)[0], row
        except BrokenProcessPool:
            pass  # `flight` holds the culprit
        finally:
            pool.shutdown(cancel_futures=True)
        for key, task in flight.values():
            yield key, _measure_alone(task, work)


def _measure_alone(task: Task, work: Callable[[Task], Row]) -> Row:
    with _new_pool(1) as pool:
        try:
            return pool.submit(work, task).result()
        except BrokenProcessPool:
            pass
    with _new_pool(1) as pool:
        try:
            pool.submit(ready).result()
        except BrokenProcessPool as error:
            raise LimbwardError(
                "No process can be started to decode frames in. Run limbward from its command "
                "line, or guard the calling script with if __name__ == '__main__'."
            ) from error
    return unreadable_row(task.file, "The decoder crashed on it; copy it from the card again.")


def _new_pool(workers: int) -> Executor:
    # Forked processes deadlock in decoders that use OpenMP, so processes are spawned.
    return ProcessPoolExecutor(workers, get_context("spawn"), initializer=start_worker)


def _cores() -> int:
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
