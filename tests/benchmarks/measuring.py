"""What a command costs: seconds by the clock, of the processor, and the memory of all processes."""

import ctypes
import os
import resource
import subprocess
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass

import psutil

SAMPLE_S = 0.1


@dataclass
class Cost:
    """Wall and processor seconds, and the peak memory in bytes."""

    wall_s: float
    cpu_s: float
    peak: float = 0.0


def memory_of(process: psutil.Process) -> float:
    """Return the proportional set size of a process and all below it, bytes."""
    total = 0.0
    for each in [process, *process.children(recursive=True)]:
        try:
            total += each.memory_full_info().pss
        except (psutil.Error, OSError):
            continue
    return total


def _adopt_orphans() -> None:
    """Become the parent of processes whose parent ends first; Linux only, prctl(2).

    The server that forks workers ends after the run does, and with it counts what they cost.
    """
    set_child_subreaper = 36
    ctypes.CDLL(None).prctl(set_child_subreaper, 1, 0, 0, 0)


def _children() -> set[int]:
    return {child.pid for child in psutil.Process().children()}


def _wait_for_orphans(own: set[int]) -> None:
    """Wait for all children but this process's own, of which a server of its pool never ends."""
    while others := _children() - own:
        for pid in others:
            with suppress(ChildProcessError):
                os.waitpid(pid, 0)


def timed(
    command: list[str], cores: set[int] | None = None, environment: Mapping[str, str] | None = None
) -> Cost:
    """Run a command; return what it and its children cost.

    Memory is the proportional set size, so that pages that processes share count once.
    """
    _adopt_orphans()
    own = _children()
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    process = subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        env=None if environment is None else {**os.environ, **environment},
        preexec_fn=None if cores is None else lambda: os.sched_setaffinity(0, cores),
    )
    peak = 0.0

    def watch() -> None:
        nonlocal peak
        try:
            seen = psutil.Process(process.pid)
            while process.poll() is None:
                peak = max(peak, memory_of(seen))
                time.sleep(SAMPLE_S)
        except psutil.Error:
            return

    watcher = threading.Thread(target=watch)
    watcher.start()
    _, error = process.communicate()
    watcher.join()
    wall = time.perf_counter() - begun
    _wait_for_orphans(own)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} failed:\n{error.decode()}")
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(wall, cpu, peak)


def processor_s() -> float:
    """Return the processor time of this process and of the children that have ended."""
    own, children = (
        resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def measure(work: Callable[[], None]) -> Cost:
    """Time a call in this process."""
    begun, cpu = time.perf_counter(), processor_s()
    work()
    return Cost(time.perf_counter() - begun, processor_s() - cpu)
