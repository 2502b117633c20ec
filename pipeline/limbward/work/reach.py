"""Files that could not be reached: a failure that says nothing of what is in them, and may pass."""

from __future__ import annotations

import errno
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from limbward.errors import LimbwardError
from limbward.regular import open_regular, sha256

UNREACHED = "unreached"
"""Column of a row, not of the table: the errno of a failure that may pass, 0 for a change."""

# What the system answers to a file's own nonsense, such as a place before its beginning.
OF_THE_CONTENT = frozenset((errno.EINVAL, errno.EOVERFLOW, errno.EFBIG))
OF_ONE_FILE = frozenset((errno.EACCES, errno.EPERM))
SURELY_GONE = 5  # failures in a row on a card of which nothing could be read yet
SAMPLE = 4096  # bytes


def failure_to_reach(error: BaseException) -> int | None:
    """Return the errno of a failure to read a file; None if its content is what is wrong.

    Decoders wrap such failures; libraries use OSError without a number for damaged content.
    """
    seen: BaseException | None = error
    while seen is not None:
        if isinstance(seen, OSError) and seen.errno is not None:
            return None if seen.errno in OF_THE_CONTENT else seen.errno
        seen = seen.__cause__ or seen.__context__
    return None


def reached_again(path: Path, digest: str | None) -> int | None:
    """Return why a file gives no longer the bytes it gave: an errno, 0 if others; None if it does.

    Native decoders do not say whether it was the file or the disk that failed them.
    """
    try:
        return None if sha256(path) == digest else 0
    except OSError as error:
        return failure_to_reach(error)


class CardWatch:
    """Tells a card that is gone from files of it that cannot be read.

    Parameters
    ----------
    roots : sequence of Path
        The cards.
    good : sequence of Path
        Files that could be read before.
    """

    def __init__(self, roots: Sequence[Path], good: Sequence[Path] = ()) -> None:
        self.roots = roots
        self.failed = 0
        self.good: dict[Path | None, Path] = {}
        for path in good:
            self.good[self._root(path)] = path

    def see(self, path: Path, row: Mapping[str, Any]) -> None:
        """Take note of a file's row.

        Raises
        ------
        LimbwardError
            If its card is gone: the files to come would all fail, and none for its own sake.
        """
        code, root = row.get(UNREACHED), self._root(path)
        if code is None:
            self.failed = 0
            self.good[root] = path
            return
        if code in OF_ONE_FILE or code in (0, errno.ENOMEM):
            return
        self.failed += 1
        known = self.good.get(root)
        if not _answers(root, known) or (known is None and self.failed >= SURELY_GONE):
            raise LimbwardError(
                f"{root or path.parent} can no longer be read ({os.strerror(code)} at "
                f"{path.name}). Connect the card again and run the same command: the measurements "
                "are kept, and the run continues from there."
            )

    def _root(self, path: Path) -> Path | None:
        return next((root for root in self.roots if root in (path, *path.parents)), None)


def _answers(root: Path | None, known: Path | None) -> bool:
    """Return whether a card lists what is on it, and a file that was read can be read again."""
    try:
        if root is not None and root.is_dir():
            with os.scandir(root) as entries:
                if next(entries, None) is None:  # the place it was mounted on
                    return False
        elif root is not None:
            root.stat()
        if known is not None:
            with open_regular(known) as file:
                if hasattr(os, "posix_fadvise"):  # from the card, not from memory
                    os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
                file.read(SAMPLE)
    except OSError:
        return False
    return True
