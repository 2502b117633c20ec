"""The list of what was written to a workspace, by content: what may be deleted or replaced."""

from __future__ import annotations

import json
import os
import re
import time
from pathlib import Path
from typing import Any

from limbward.regular import sha256

CLOCK_STEP_S = 0.1  # ten times that of Linux; two changes within it may have one time
SHA256 = re.compile(r"[0-9a-f]{64}")

_digests: dict[tuple[int, int, int, int], str] = {}  # of `known_digest`


class Ledger:
    """Names and SHA-256 of files as they were written, a line each; processes append to it at once.

    A line is written before the file takes its place, so that no kill leaves a file unlisted; the
    content that it replaces is listed, too. Damaged lines prove nothing and are passed over.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._read = 0
        self._inode = 0
        self._written: dict[str, dict[str, int | None]] = {}
        self._kept: list[tuple[str, str]] = []
        self._begun: dict[str, None] = {}

    def add(self, name: str, digest: str, grows: int | None = None) -> None:
        """Enter a file.

        Parameters
        ----------
        name : str
        digest : str
        grows : int, optional
            If more is to be appended to it: of how many bytes the digest is.
        """
        self._append({"file": name, "sha256": digest} | ({} if grows is None else {"bytes": grows}))

    def add_kept(self, name: str, kept: str) -> None:
        """Enter that a file was not proven and lies under another name now."""
        self._append({"file": name, "kept": kept})

    def add_begun(self, part: str) -> None:
        """Enter the name of a file that is being written and has not taken its place."""
        self._append({"file": part, "begun": True})

    def begun(self) -> list[str]:
        """Return the names of files that were begun, there or not."""
        self._refresh()
        return list(self._begun)

    def proves(self, name: str, path: Path) -> bool:
        """Return whether a file's content is that of one written under this name."""
        self._refresh()
        known = self._written.get(name)
        if not known or path.is_symlink() or not path.is_file():
            return False
        whole = digest_of(path)
        return any(
            digest == (whole if size is None else digest_of(path, size))
            for digest, size in known.items()
        )

    def knows(self, name: str) -> bool:
        """Return whether a file was ever written under this name."""
        self._refresh()
        return name in self._written

    def take_kept(self) -> list[tuple[str, str]]:
        """Return the names of files kept since the last call, each with the one it has now."""
        self._refresh()
        kept, self._kept = self._kept, []
        return kept

    def _append(self, line: dict[str, Any]) -> None:
        # A line that was cut off by a kill must not take the next with it: hence the first end.
        text = "\n" + json.dumps(line) + "\n"
        with self._path.open("ab") as file:
            file.write(text.encode("ascii"))

    def _refresh(self) -> None:
        """Read what has been appended since it was last looked at."""
        try:
            with self._path.open("rb") as file:
                status = os.fstat(file.fileno())
                if status.st_ino != self._inode or status.st_size < self._read:
                    self._read, self._inode, self._written = 0, status.st_ino, {}
                file.seek(self._read)
                new = file.read()
        except FileNotFoundError:
            self._read, self._written = 0, {}
            return
        whole = new.rfind(b"\n") + 1  # a line that is being written is read next time
        self._read += whole
        for line in new[:whole].splitlines():
            self._take(line)

    def _take(self, line: bytes) -> None:
        try:
            entry = json.loads(line)
        except ValueError:
            return
        if not isinstance(entry, dict) or not isinstance(entry.get("file"), str):
            return
        name, digest, size = entry["file"], entry.get("sha256"), entry.get("bytes")
        if isinstance(entry.get("kept"), str):
            self._kept.append((name, entry["kept"]))
        elif entry.get("begun") is True:
            self._begun[name] = None
        elif isinstance(digest, str) and SHA256.fullmatch(digest):
            grows = size if isinstance(size, int) and size > 0 else None
            self._written.setdefault(name, {})[digest] = grows


def digest_of(path: Path, size: int | None = None) -> str:
    """Return the SHA-256 of a file, or of its first bytes; empty if it cannot be read."""
    try:
        return known_digest(path) if size is None else sha256(path, size)
    except OSError:
        return ""


def known_digest(path: Path) -> str:
    """Return the SHA-256 of a workspace's file; what this process has read is not read again.

    A corona of 24 megapixels is asked for three times and takes half a second. What is changed is
    told by size and time, unless it is read within a step of the file system's clock of its change.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    status = path.stat()
    # A new name changes none of these.
    key = status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns
    if key in _digests:
        return _digests[key]
    digest = sha256(path)
    if abs(time.time() - status.st_mtime) > CLOCK_STEP_S:
        _digests[key] = digest
    return digest
