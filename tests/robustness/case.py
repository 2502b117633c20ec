"""One line of the catalogue of hostile inputs: what is there, what is said, what is left."""

from __future__ import annotations

import contextlib
import faulthandler
import hashlib
import io
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from limbward.cli import main

TIMEOUT_S = 120.0
# Commands that take long to begin: alone, a run spends 4 s of a processor on what it imports and on
# a server of processes before it looks at its first file.
HERE = {"run", "check", "enhance", "sheet", "clips"}


@dataclass(frozen=True)
class Case:
    """A hostile input.

    Attributes
    ----------
    name : str
        The input in words.
    make : callable
        Builds it in an empty folder and returns the arguments of the command, which runs there.
    status : int
        The exit status asked for.
    says : str
        A regular expression that what the command prints must match.
    changes : str, optional
        A regular expression for the paths of files that the command may change or delete though
        they were there before; nothing by default.
    """

    name: str
    make: Callable[[Path], list[str]]
    status: int
    says: str
    changes: str = r"(?!)"


def state(root: Path) -> dict[str, str]:
    """Return a digest of each file, and where each link leads, by its path below a folder."""
    found = {}
    for path in sorted(root.rglob("*")):
        name = path.relative_to(root).as_posix()
        if path.is_symlink():
            found[name] = f"link to {os.readlink(path)}"
        elif path.is_file():
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def lost(before: dict[str, str], after: dict[str, str], changes: str = r"(?!)") -> list[str]:
    """Return the files that are gone or changed, but for those that may be."""
    return [n for n, d in before.items() if after.get(n) != d and not re.search(changes, n)]


def run_alone(arguments: list[str], root: Path) -> tuple[int, str]:
    """Run a command in a process of its own; return its exit status and what it said."""
    done = subprocess.run(
        [sys.executable, "-m", "limbward", *arguments],
        cwd=root,
        capture_output=True,
        text=True,
        errors="replace",
        stdin=subprocess.DEVNULL,
        timeout=TIMEOUT_S,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


def run_here(arguments: list[str], root: Path) -> tuple[int, str]:
    """Run a command in this process, which ends with a traceback if that lasts too long."""
    said = io.StringIO()
    faulthandler.dump_traceback_later(TIMEOUT_S, exit=True)
    try:
        with (
            contextlib.chdir(root),
            contextlib.redirect_stdout(said),
            contextlib.redirect_stderr(said),
        ):
            main(arguments)
    except SystemExit as left:
        return int(left.code or 0), said.getvalue()
    finally:
        faulthandler.cancel_dump_traceback_later()
    return 0, said.getvalue()


def faults(case: Case, root: Path) -> list[str]:
    """Run a case in an empty folder; return a sentence for everything that came out wrong."""
    arguments = case.make(root)
    before = state(root)
    run = run_here if arguments[0] in HERE else run_alone
    try:
        status, said = run(arguments, root)
    except subprocess.TimeoutExpired:
        return [f"still running after {TIMEOUT_S:.0f} s"]
    found = [f"{name} is gone or changed" for name in lost(before, state(root), case.changes)]
    if status != case.status:
        found.append(f"exit status {status}, not {case.status}")
    if "Unexpected" in said or "Traceback" in said:
        found.append("no sentence of its own")
    if not re.search(case.says, " ".join(said.split())):
        found.append(f"nothing like {case.says!r}")
    return [f"{fault}\n{said}" for fault in found]
