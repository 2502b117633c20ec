"""Measuring many files in processes, of which any may crash."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, wait

from limbward.stages.measuring import (
    Row,
    Task,
    blank_row,
    measure_file,
    unreadable_row,
)
from limbward.work.executors import Crash, OpenPool, cores, require_processes
from limbward.work.executors import local_pool as _new_pool
from limbward.work.reach import UNREACHED

IN_FLIGHT = 2  # files handed out a process: one at work, one waiting; a crash loses only these


def measure_all(
    tasks: Mapping[str, Task],
    jobs: int | None,
    work: Callable[[Task], Row] = measure_file,
    open_pool: OpenPool | None = None,
) -> Iterator[tuple[str, Row]]:
    """Measure files in several processes and yield each row, with its key, when it is there.

    A file that crashes its process (a decoder may) takes down the pool and those at work beside
    it. They are then measured one by one in processes of their own, which shows the culprit; it
    gets a row as unreadable, and the others go on. A file for which there was no memory is measured
    in the end, when no other needs any.

    Parameters
    ----------
    tasks : mapping
        By key.
    jobs : int or None
        Processes; None is one a core.
    work : callable
        A function of a module, which a new process can import.
    open_pool : callable, optional
        Opens pools elsewhere than on this machine.

    Yields
    ------
    tuple of key and row

    Raises
    ------
    LimbwardError
        If no process can be started at all, or what is measured cannot be written.
    """
    opened = open_pool or _new_pool
    starved: dict[str, Task] = {}
    waiting = list(tasks.items())[::-1]
    workers = max(1, min(jobs or cores(), len(waiting)))
    while waiting:
        flight: dict[Future[Row], tuple[str, Task]] = {}
        pool = opened(workers)
        try:
            while waiting or flight:
                while waiting and len(flight) < IN_FLIGHT * workers:
                    flight[pool.submit(work, waiting[-1][1])] = waiting[-1]
                    waiting.pop()  # only now: a pool that is broken takes no more
                done, _ = wait(flight, return_when=FIRST_COMPLETED)
                for future in done:
                    try:
                        row = future.result()
                    except MemoryError:
                        key, task = flight.pop(future)
                        starved[key] = task
                        continue
                    yield flight.pop(future)[0], row
        except Crash:
            pass  # `flight` holds the culprit
        finally:
            pool.shutdown(cancel_futures=True)
        for key, task in flight.values():
            yield key, _measure_alone(task, work, opened)
    for key, task in starved.items():
        yield key, _measure_alone(task, work, opened)


def _measure_alone(task: Task, work: Callable[[Task], Row], opened: OpenPool) -> Row:
    with opened(1) as pool:
        try:
            return pool.submit(work, task).result()
        except MemoryError:
            crashed = False
        except Crash:
            crashed = True
    if crashed:
        require_processes(opened)
        reason = "The decoder crashed on it or did not come to an end; copy it from the card again."
        passing = {}
    else:
        reason = (
            "It needs more memory than there is, or than a photograph of its size can; if it is "
            "sound, free some and run again."
        )
        passing = {UNREACHED: errno.ENOMEM}
    with opened(1) as pool:
        try:
            return pool.submit(unreadable_row, task.file, reason).result() | passing
        except (Crash, MemoryError):  # not even its Exif can be read
            row = blank_row(task.file)
            return row | {"phase": "unreadable", "note": [reason]} | passing
