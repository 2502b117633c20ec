"""How a process that decodes frames begins and ends; it imports little, to begin soon."""

from __future__ import annotations

import faulthandler
import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager

# A frame of 60 megapixels takes some 10 s; a slow card reads 10 MB/s. What takes ten times that
# long does not end.
LIMIT_S = 120.0
LIMIT_S_PER_MB = 1.0
# Beside what the process has taken by then. Measuring takes up to 30 bytes a pixel of a monochrome
# frame, of which an uncompressed file holds 2 at least; mosaics take half of that.
ROOM = 1_200_000_000
ROOM_PER_BYTE = 16

_own = False  # whether this process was started for decoding, and for nothing else


def start_worker() -> None:
    """Prepare a process: Ctrl-C is the parent's business, and LibRaw's remarks are nobody's.

    LibRaw prints to standard error what it also returns as an error, which becomes a note.
    """
    global _own
    _own = True
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with open(os.devnull, "w") as nowhere:
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
    room : int, optional
        Bytes that the block may take; what asks for more gets a MemoryError.
    """
    if multiprocessing.parent_process() is None:  # not ours to end
        yield
        return
    with open(os.devnull, "w") as nowhere, _walled(room):
        try:
            faulthandler.dump_traceback_later(seconds, exit=True, file=nowhere)
        except RuntimeError as error:  # no thread can be started
            raise MemoryError(str(error)) from error
        try:
            yield
        finally:
            faulthandler.cancel_dump_traceback_later()


@contextmanager
def _walled(room: int | None) -> Iterator[None]:
    """Give the block no more memory than that, where the system can be asked to.

    Linux counts all private memory that can be written to as data (since 4.7), and so neither the
    libraries nor the shared memory that pixels are put in.
    """
    taken = _data_bytes()
    if room is None or taken is None or not _own:
        yield
        return
    import resource

    before, most = resource.getrlimit(resource.RLIMIT_DATA)
    limits = [n for n in (taken + room, before, most) if n != resource.RLIM_INFINITY]
    resource.setrlimit(resource.RLIMIT_DATA, (min(limits), most))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_DATA, (before, most))


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
