"""Telling a person what goes on, on standard error: bars on a terminal, plain lines elsewhere."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TextIO

from rich.console import Console
from rich.markup import escape
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    SpinnerColumn,
    TextColumn,
    TimeRemainingColumn,
)

from limbward.work.reporting import Advance, Reporter, SilentReporter, visible

LINE_EVERY_S = 5.0
LINE_EVERY_FRACTION = 0.1


class LineReporter:
    """Plain lines: start, end, and in long work about every tenth or five seconds."""

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._stream = stream
        self._clock = clock
        self._lock = threading.Lock()

    def _line(self, text: str) -> None:
        self._stream.write(f"{visible(text)}\n")
        self._stream.flush()

    def stage(self, name: str) -> None:
        """Begin a stage."""
        self._line(f"{name}:")

    @contextmanager
    def progress(self, total: int | None, label: str) -> Iterator[Advance]:
        """Show progress through ``total`` pieces while a block runs."""
        begun = said_at = self._clock()
        done = said = 0
        self._line(f"  {label} ..." if total is None else f"  {label}: {total} to do")

        def advance(pieces: int = 1) -> None:
            nonlocal done, said, said_at
            with self._lock:
                done += pieces
                now = self._clock()
                enough = total is not None and done - said >= LINE_EVERY_FRACTION * total
                long = now - begun >= LINE_EVERY_S
                if done != total and long and (enough or now - said_at >= LINE_EVERY_S):
                    self._line(f"  {label}: {done}" + (f" of {total}" if total else ""))
                    said, said_at = done, now

        yield advance
        what = "done" if total is None else f"{done} of {total} done"
        self._line(f"  {label}: {what} in {self._clock() - begun:.1f} s")

    def note(self, text: str) -> None:
        """Say something worth knowing."""
        self._line(f"  {text}")

    def warn(self, text: str) -> None:
        """Say something the person should act on."""
        self._line(f"  warning: {text}")


class BarReporter:
    """Progress bars. Colours follow NO_COLOR, as rich does."""

    def __init__(self, stream: TextIO) -> None:
        self._progress = Progress(
            SpinnerColumn(),
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(elapsed_when_finished=True),
            console=Console(file=stream),
            # A print by some library goes where it was meant to, not into the bars.
            redirect_stdout=False,
        )
        self._open = 0

    def stage(self, name: str) -> None:
        """Begin a stage."""
        self._progress.console.print(f"[bold]{escape(name)}[/bold]")

    @contextmanager
    def progress(self, total: int | None, label: str) -> Iterator[Advance]:
        """Show progress through ``total`` pieces while a block runs."""
        task = self._progress.add_task(escape(label), total=total)
        self._open += 1
        self._progress.start()

        def advance(pieces: int = 1) -> None:
            self._progress.advance(task, pieces)

        try:
            yield advance
            if total is None:
                self._progress.update(task, total=1, completed=1)
        finally:
            self._open -= 1
            if not self._open:
                # What stays on the screen is printed; later bars begin with an empty list.
                self._progress.stop()
                for finished in self._progress.task_ids:
                    self._progress.remove_task(finished)

    def note(self, text: str) -> None:
        """Say something worth knowing."""
        self._progress.console.print(f"  {escape(visible(text))}", highlight=False)

    def warn(self, text: str) -> None:
        """Say something the person should act on."""
        said = escape(visible(text))
        self._progress.console.print(f"  [yellow]warning:[/yellow] {said}", highlight=False)


class QuietReporter(SilentReporter):
    """Warnings only."""

    def __init__(self, stream: TextIO) -> None:
        super().__init__()
        self._stream = stream

    def warn(self, text: str) -> None:
        """Say something the person should act on."""
        super().warn(text)
        self._stream.write(f"warning: {visible(text)}\n")


def make_reporter(*, quiet: bool = False, stream: TextIO | None = None) -> Reporter:
    """Return the reporter that fits the stream.

    Parameters
    ----------
    quiet : bool
        Warnings only.
    stream : file, optional
        Standard error by default. Bars are drawn if it is a terminal that can move its cursor.
    """
    stream = stream or sys.stderr
    if quiet:
        return QuietReporter(stream)
    if stream.isatty() and os.environ.get("TERM") not in ("dumb", ""):
        return BarReporter(stream)
    return LineReporter(stream)
