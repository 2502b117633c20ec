"""A run started by the page: in a process of its own, so that it can be cancelled at any moment.

The process is given a config and a workspace and calls what `limbward run` calls; what it tells
goes to standard output, a JSON object a line. It ends when the server ends, since its standard
input closes then.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from limbward.errors import ConfigError, LimbwardError
from limbward.work.reporting import Advance

PATIENCE_S = 10.0  # until a run that was told to end is killed
LINES = 200  # of what it said are kept
# Ctrl-C in the terminal is for the server to handle.
_APART: dict[str, Any] = {"start_new_session": True}
if sys.platform == "win32":
    _APART = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}


class Making:
    """The run, or export, that the page has started last; one at a time.

    Attributes
    ----------
    status : dict
        ``state`` (idle, running, done, failed, cancelled), ``what``, ``stage``, ``label``,
        ``done``, ``total``, ``said`` (notes and warnings), ``seconds``, ``error``, ``files``.
    """

    def __init__(self) -> None:
        self.status: dict[str, Any] = {"state": "idle"}
        self._process: subprocess.Popen[str] | None = None
        self._lock = threading.Lock()

    def start(self, what: str, arguments: Sequence[str]) -> None:
        """Start a command of this module.

        Raises
        ------
        LimbwardError
            If one is at work.
        """
        with self._lock:
            if self.status["state"] == "running":
                raise LimbwardError("Something is already being made. Wait for it, or cancel it.")
            self._process = subprocess.Popen(
                [sys.executable, "-m", "limbward.review.making", *arguments],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
                **_APART,
            )
            self.status = {"state": "running", "what": what, "said": [], "files": []}
            self.status |= {"stage": "", "label": "", "done": 0, "total": None, "error": ""}
            thread = threading.Thread(
                target=self._follow, args=(self._process, self.status), daemon=True
            )
            thread.start()

    def _follow(self, process: subprocess.Popen[str], status: dict[str, Any]) -> None:
        begun = time.monotonic()
        assert process.stdout is not None
        for line in process.stdout:
            try:
                told = json.loads(line)
            except ValueError:  # a library that prints
                continue
            if "said" in told:
                status["said"] = [*status["said"], told["said"]][-LINES:]
            else:
                status.update(told)
            status["seconds"] = round(time.monotonic() - begun, 1)
        code = process.wait()
        status["seconds"] = round(time.monotonic() - begun, 1)
        if status["state"] == "running":
            done = code == 0
            status["state"] = "done" if done else "failed"
            if not done and not status["error"]:
                status["error"] = f"It ended unexpectedly (status {code})."

    def cancel(self) -> None:
        """End what is at work; files that are finished stay, none is left half written."""
        process, status = self._process, self.status
        if process is None or status["state"] != "running":
            return
        status["state"] = "cancelled"
        process.terminate()
        try:
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def close(self) -> None:
        """Cancel what is at work, since the server ends."""
        self.cancel()


class _Teller:
    """Tells what a run does as JSON, a line each."""

    def __init__(self) -> None:
        self._lock = threading.Lock()

    def tell(self, **what: Any) -> None:
        with self._lock:
            sys.stdout.write(json.dumps(what) + "\n")
            sys.stdout.flush()

    def stage(self, name: str) -> None:
        """Begin a stage."""
        self.tell(stage=name, label="", done=0, total=None)

    @contextmanager
    def progress(self, total: int | None, label: str) -> Iterator[Advance]:
        """Tell progress through ``total`` pieces while a block runs."""
        done, told_at = 0, 0.0
        self.tell(label=label, done=0, total=total)

        def advance(pieces: int = 1) -> None:
            nonlocal done, told_at
            done += pieces
            if done == total or time.monotonic() - told_at > 0.1:
                told_at = time.monotonic()
                self.tell(label=label, done=done, total=total)

        yield advance

    def note(self, text: str) -> None:
        """Say something worth knowing."""
        self.tell(said={"kind": "note", "text": text})

    def warn(self, text: str) -> None:
        """Say something the person should act on."""
        self.tell(said={"kind": "warning", "text": text})


def first_stage(config: Any) -> str | None:
    """Return the stage from which a run begins: without the card, that after the merge."""
    from limbward.config.inputs import card_paths

    try:
        card_paths(config)
    except ConfigError:
        return "enhance"
    return None


def _run(path: str, workspace: str) -> None:
    from limbward.config.loading import load_config
    from limbward.runs.runner import run_stages
    from limbward.workspace import Workspace

    config = load_config(path)
    run_stages(config, Workspace(Path(workspace)), _Teller(), first=first_stage(config))


def _export(path: str, workspace: str, *sizes: str) -> None:
    from limbward.config.loading import load_config
    from limbward.products.export import export
    from limbward.workspace import Workspace

    teller = _Teller()
    made = export(load_config(path), Workspace(Path(workspace)), teller, sizes)
    teller.tell(files=made)


def _end_with_parent() -> None:
    sys.stdin.read()
    signal.raise_signal(signal.SIGTERM)


def main(arguments: Sequence[str]) -> int:
    """Do what the page asked for; return the exit status."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    work = {"run": _run, "export": _export}[arguments[0]]
    try:
        work(*arguments[1:])
    except (LimbwardError, OSError, MemoryError) as error:
        _Teller().tell(error=str(error) or type(error).__name__)
        return 1
    except Exception as error:  # told on the page, as the commands tell it
        _Teller().tell(error=f"Unexpected {type(error).__name__}: {error}.")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
