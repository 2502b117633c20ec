"""The one decorator of compiled code, and where what it compiles is kept between runs.

Numba keeps machine code beside the source and looks only at the file in which the outermost
function stands: a constant or an inner kernel changed in another file would go unnoticed, and an
upgrade leaves the old code behind. Here the folder is named by a digest of every source file that
a kernel can take anything from, of numba and LLVM, of Python and of the processor. Two versions of
the program, and two machines that share a home, then have each their own.

The folders stand, in this order, in the first of these that can be written to:

1. ``NUMBA_CACHE_DIR``, if it is set;
2. the user's cache folder;
3. a folder of the user's own among the temporary files.

With none of them each run compiles anew. Folders that no run has used for `KEEP_DAYS` are removed.
"""

from __future__ import annotations

import os
import shutil
import stat
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from hashlib import blake2b
from importlib.metadata import PackageNotFoundError, version
from itertools import pairwise
from pathlib import Path
from typing import Any, ParamSpec, TypeVar, overload

import llvmlite.binding
import numba
from filelock import FileLock
from numba.core.compiler_lock import global_compiler_lock
from platformdirs import user_cache_dir

from limbward.imports import PACKAGE, sources, stamp

KEEP_DAYS = 30.0
PARTS = 4  # into which a thread's share of the work is cut
WAIT_S = 120.0  # for what another process compiles; the longest takes a tenth of that
TOUCH_DAYS = 1.0  # a folder in use is marked as used at most this often
# Every kernel may reorder sums and fuse products, but keeps NaN and infinity: samples have both.
SUMS = frozenset({"contract", "reassoc", "nsz"})

_lock = threading.Lock()
# One a core that this process may use, or as NUMBA_NUM_THREADS says.
_most_threads: int = numba.config.NUMBA_NUM_THREADS
P = ParamSpec("P")
R = TypeVar("R")


@overload
def kernel(function: Callable[P, R]) -> Callable[P, R]: ...


@overload
def kernel(
    *,
    fastmath: bool | frozenset[str] = False,
    inline: str = "never",
    inner: bool = False,
) -> Callable[[Callable[P, R]], Callable[P, R]]: ...


def kernel(
    function: Callable[..., Any] | None = None,
    *,
    fastmath: bool | frozenset[str] = False,
    inline: str = "never",
    inner: bool = False,
) -> Any:
    """Compile a function on its first call, without the interpreter's lock.

    Parameters
    ----------
    function : callable
        Of numbers, arrays and flat named tuples of them.
    fastmath : bool or set of str
        LLVM's flags; `SUMS` for loops of sums and products.
    inline : str
        ``always`` to compile it into its callers only.
    inner : bool
        Whether kernels call it. LLVM then writes it into each of them. A call would be to one of
        two copies, optimised differently: the function's own where this process has compiled it,
        and the caller's where that comes from the disk. They differ in the last bits.

    Returns
    -------
    callable
        ``py_func`` of it is the function as it was.
    """

    def decorate(plain: Callable[..., Any]) -> Any:
        flags = set(fastmath) if isinstance(fastmath, frozenset) else fastmath
        # A division by nothing gives infinity or NaN, as NumPy's does. Python's error would be a
        # branch in the loop, and LLVM makes no vector code of a loop with branches.
        options = {"nogil": True, "fastmath": flags, "inline": inline, "error_model": "numpy"}
        if inner:
            options["forceinline"] = True
        # Numba reads its setting when it decorates. It is put back, so that other packages in this
        # process keep their code where they had it.
        with _lock:
            folder = _folder(plain.__module__)
            if folder is None:
                return numba.njit(**options)(plain)
            before = numba.config.CACHE_DIR
            numba.config.CACHE_DIR = str(folder)
            try:
                return _compiled_once(numba.njit(cache=True, **options)(plain), folder)
            finally:
                numba.config.CACHE_DIR = before

    return decorate if function is None else decorate(function)


def _compiled_once(dispatcher: Any, folder: Path) -> Any:
    """Let one process at a time compile the kernels of a folder; the others load what it leaves.

    Processes that begin together meet the same kernels together: on two cores the first run took
    twice the processor time for each.
    """
    compile_one = dispatcher.compile

    def compile_or_wait(signature: Any) -> Any:
        # Numba's own lock first: a thread that has it may come for this one.
        with global_compiler_lock, ExitStack() as stack:
            with suppress(OSError, NotImplementedError):  # no lock, or a very long wait: without it
                stack.enter_context(_lock_of(folder, os.getpid()).acquire(timeout=WAIT_S))
            return compile_one(signature)

    dispatcher.compile = compile_or_wait
    return dispatcher


@cache
def _lock_of(folder: Path, process: int) -> FileLock:
    """Return a process's own lock; one that it has from before it was forked cannot be taken."""
    return FileLock(folder / "lock")


def in_threads(function: Callable[..., None], count: int, *arguments: Any, first: int = 0) -> None:
    """Call a function on parts of a range, as many at a time as there are cores.

    Numba's own loops over ``prange`` compile the body three times, once for each layer around it.

    Parameters
    ----------
    function : callable
        A kernel, or what spends its time in kernels: they do without the interpreter's lock. Called
        with the first item, the one behind the last, and ``arguments``. No item may touch what
        another one does.
    count : int
        The number of items.
    *arguments
        Handed on.
    first : int
        Number of the first item.
    """
    threads = min(_most_threads, count)
    if threads <= 1:
        function(first, first + count, *arguments)
        return
    # Some parts are done sooner than others: each thread takes the next when it has done one.
    edges = [first + count * k // (PARTS * threads) for k in range(PARTS * threads + 1)]
    with ThreadPoolExecutor(threads) as pool:
        for done in [
            pool.submit(function, begin, end, *arguments)
            for begin, end in pairwise(edges)
            if begin < end
        ]:
            done.result()


@contextmanager
def at_most(threads: int | None) -> Iterator[None]:
    """Let `in_threads` have no more threads than this; None leaves the number as it is."""
    global _most_threads
    before = _most_threads
    _most_threads = max(1, min(threads or before, before))
    try:
        yield
    finally:
        _most_threads = before


@cache
def _folder(module: str) -> Path | None:
    """Return where the compiled kernels of a module are kept, or None."""
    home = _home()
    if home is None:
        return None
    folder = home / f"{module.rpartition('.')[2]}-{digest(module)}"
    try:
        folder.mkdir(exist_ok=True)
        if time.time() - folder.stat().st_mtime > TOUCH_DAYS * 86400.0:
            os.utime(folder)
    except OSError:  # removed or protected meanwhile: this run compiles anew
        return None
    return folder


def digest(module: str, package: Path = PACKAGE) -> str:
    """Return what tells apart the machine code of a module's kernels.

    Parameters
    ----------
    module : str
        Full name.
    package : Path
        The folder of the package that it is in.
    """
    found = blake2b(_machine(), digest_size=12)
    top = len(str(package))
    for path in sources(module, package):
        found.update(str(path)[top:].encode() + b"\0")
        found.update(stamp(path))
    return found.hexdigest()


@cache
def _machine() -> bytes:
    """Return what else the machine code depends on."""
    target = llvmlite.binding
    return repr(
        (
            numba.__version__,
            version_of("llvmlite"),
            version_of("numpy"),
            sys.version,
            target.get_process_triple(),
            target.get_host_cpu_name(),
            sorted(target.get_host_cpu_features().items()),
        )
    ).encode()


def version_of(package: str) -> str:
    """Return the version of an installed package, or nothing if it does not say."""
    try:
        return version(package)
    except PackageNotFoundError:
        return ""


@cache
def _home() -> Path | None:
    """Return the folder of the folders, or None if none can be written to; tidy it up."""
    places = []
    if numba.config.CACHE_DIR:
        places.append(Path(numba.config.CACHE_DIR, "limbward"))
    places.append(Path(user_cache_dir("limbward", appauthor=False), "compiled"))
    for place in places:
        if _usable(place):
            prune(place)
            return place
    user = os.getuid() if hasattr(os, "getuid") else "user"
    place = Path(tempfile.gettempdir(), f"limbward-compiled-{user}")
    return place if _usable(place) and _own(place) else None


def _usable(place: Path) -> bool:
    """Return whether files can be written to a folder, made if it is not there."""
    try:
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        tempfile.TemporaryFile(dir=place).close()
    except OSError:
        return False
    return True


def _own(place: Path) -> bool:
    """Return whether nobody else can have put anything into a folder: it is loaded and run."""
    if not hasattr(os, "getuid"):
        return True
    state = place.lstat()
    return (
        stat.S_ISDIR(state.st_mode)
        and state.st_uid == os.getuid()
        and not state.st_mode & (stat.S_IWGRP | stat.S_IWOTH)
    )


def prune(place: Path, keep_days: float = KEEP_DAYS) -> None:
    """Remove the folders that no run has used for a while.

    A run that has just such a folder open compiles what it misses and makes the folder anew.

    Parameters
    ----------
    place : Path
    keep_days : float
    """
    oldest = time.time() - keep_days * 86400.0
    try:
        for entry in os.scandir(place):
            if entry.is_dir(follow_symlinks=False) and entry.stat().st_mtime < oldest:
                shutil.rmtree(entry.path, ignore_errors=True)
    except OSError:  # another run tidies up at the same time
        return
