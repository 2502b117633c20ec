"""How a process that decodes frames begins and ends; it imports little, to begin soon."""

from __future__ import annotations

import faulthandler
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import cache
from typing import TextIO

from threadpoolctl import threadpool_limits

# A frame of 60 megapixels takes some 10 s; a slow card reads 10 MB/s. What takes ten times that
# long does not end.
LIMIT_S = 120.0
LIMIT_S_PER_MB = 1.0
# Where processor time can be limited, a process on a busy machine has so many times as long by the
# clock: frames are not called damaged because of what else runs.
BUSY = 4.0
# Beside what the process has taken by then. Measuring takes up to 30 bytes a pixel of a monochrome
# frame, of which an uncompressed file holds 2 at least; mosaics take half of that.
ROOM = 1_200_000_000
ROOM_PER_BYTE = 16

_lock = threading.Lock()
# What the blocks at work in this process may take: moment it must have ended (monotonic seconds),
# processor time of the process at that, bytes. A cluster's worker has several threads, but timers
# and limit are those of the process.
_active: dict[object, tuple[float, float, int | None]] = {}
_before: tuple[int, int] | None = None  # the limit of memory when no block is at work
_taken = 0  # bytes that the process had then


def one_thread_of_blas() -> AbstractContextManager[object]:
    """Keep this process's linear algebra in one thread: for good, or for the block of a with.

    Its matrices are small and there is a process a core: threads that wait for each other in turns
    made the measuring of frames cost four times the processor time on two busy cores.
    """
    import scipy.linalg  # noqa: F401  # what is not loaded cannot be told: its BLAS and numpy's

    return threadpool_limits(1, user_api="blas")


def start_worker() -> None:
    """Prepare a process: Ctrl-C is the parent's business, and LibRaw's remarks are nobody's.

    LibRaw prints to standard error what it also returns as an error, which becomes a note.
    """
    one_thread_of_blas()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with open(os.devnull, "w", encoding="utf-8") as nowhere:
        os.dup2(nowhere.fileno(), 2)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this process when the one that started it is gone, be it killed.

    It would wait for work for ever otherwise, and hold its memory.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def patience_s(size: int) -> float:
    """Return how long a file of so many bytes may take, in seconds."""
    return LIMIT_S + LIMIT_S_PER_MB * size / 1e6


def room_bytes(size: int) -> int:
    """Return how much memory decoding and measuring a file of so many bytes may take."""
    return ROOM + ROOM_PER_BYTE * size


@contextmanager
def limited(seconds: float, room: int | None = None) -> Iterator[None]:
    """End this process if the block takes longer, even if native code does not return.

    To whoever waits for the process it has crashed, as it would have by a fault of memory.

    Parameters
    ----------
    seconds : float
        Of processor time, and `BUSY` times as many by the clock; by the clock where the system has
        no timer of processor time.
    room : int, optional
        Bytes that the block may take; what asks for more gets a MemoryError. Blocks at work at a
        time in threads of one process share theirs.
    """
    if multiprocessing.parent_process() is None:  # not ours to end
        yield
        return
    me = object()
    with _lock:
        by_clock = seconds * BUSY if hasattr(signal, "setitimer") else seconds
        _active[me] = (time.monotonic() + by_clock, time.process_time() + seconds, room)
        try:
            _set_limits()
        except BaseException:
            del _active[me]
            raise
    try:
        yield
    finally:
        with _lock:
            del _active[me]
            _set_limits()


def _set_limits() -> None:
    """Set timer and memory for the blocks at work; the caller holds the lock."""
    _wall()
    _limit_processor_time()
    if not _active:
        faulthandler.cancel_dump_traceback_later()
        return
    left = min(end for end, _, _ in _active.values()) - time.monotonic()
    try:
        faulthandler.dump_traceback_later(max(left, 0.001), exit=True, file=_nowhere())
    except RuntimeError as error:  # no thread can be started
        raise MemoryError(str(error)) from error


def _limit_processor_time() -> None:
    """Have the system end this process, which SIGPROF does, when it has worked for so long."""
    if not hasattr(signal, "setitimer"):
        return
    left = 0.0  # none
    if _active:
        left = max(max(end for _, end, _ in _active.values()) - time.process_time(), 0.001)
    signal.setitimer(signal.ITIMER_PROF, left)


@cache
def _nowhere() -> TextIO:
    return open(os.devnull, "w", encoding="utf-8")  # for as long as the process lives


def _wall() -> None:
    """Give the blocks no more memory than theirs, where the system can be asked to.

    Linux counts all private memory that can be written to as data (since 4.7), and so neither the
    libraries nor the shared memory that pixels are put in.
    """
    global _before, _taken
    rooms = [room for _, _, room in _active.values()]
    walled = bool(rooms) and None not in rooms
    if _before is None and walled:
        taken = _data_bytes()
        if taken is None:
            return
        import resource

        _before, _taken = resource.getrlimit(resource.RLIMIT_DATA), taken
    if _before is None:
        return
    import resource

    before, most = _before
    limits = [before, most, *([_taken + sum(r or 0 for r in rooms)] if walled else [])]
    known = [n for n in limits if n != resource.RLIM_INFINITY]
    resource.setrlimit(resource.RLIMIT_DATA, (min(known, default=before), most))
    if not rooms:
        _before = None


def _data_bytes() -> int | None:
    """Return the private writable memory of this process; None where the system does not say."""
    try:
        with open("/proc/self/status", encoding="ascii") as status:
            for line in status:
                if line.startswith("VmData:"):
                    return 1024 * int(line.split()[1])
    except OSError:
        pass  # not Linux
    return None


def ready() -> bool:
    """Return True: a process that can be started can do this."""
    return True
