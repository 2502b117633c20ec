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


def start_worker() -> None:
    """Prepare a process: Ctrl-C is the parent's business, and LibRaw's remarks are nobody's.

    LibRaw prints to standard error what it also returns as an error, which becomes a note.
    """
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


@contextmanager
def limited(seconds: float) -> Iterator[None]:
    """End this process if the block takes longer, even if native code does not return.

    To whoever waits for the process it has crashed, as it would have by a fault of memory.
    """
    if multiprocessing.parent_process() is None:  # not ours to end
        yield
        return
    with open(os.devnull, "w") as nowhere:
        try:
            faulthandler.dump_traceback_later(seconds, exit=True, file=nowhere)
        except RuntimeError as error:  # no thread can be started
            raise MemoryError(str(error)) from error
        try:
            yield
        finally:
            faulthandler.cancel_dump_traceback_later()


def ready() -> bool:
    """Return True: a process that can be started can do this."""
    return True
