"""What work tells the person who waits for it: the protocol, and a reporter that says nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from typing import Protocol


class Advance(Protocol):
    """Counts pieces of work done; may be called from any thread."""

    def __call__(self, pieces: int = 1) -> None:
        """Count ``pieces`` more."""


class Reporter(Protocol):
    """Where stages say what they do."""

    def stage(self, name: str) -> None:
        """Begin a stage."""

    def progress(self, total: int | None, label: str) -> AbstractContextManager[Advance]:
        """Show progress through ``total`` pieces (None: not known) while a block runs."""

    def note(self, text: str) -> None:
        """Say something worth knowing."""

    def warn(self, text: str) -> None:
        """Say something the person should act on or bear in mind."""


class SilentReporter:
    """Says nothing; for tests and for use as a library. Keeps the warnings."""

    def __init__(self) -> None:
        self.warnings: list[str] = []

    def stage(self, name: str) -> None:
        """Say nothing."""

    def progress(self, total: int | None, label: str) -> AbstractContextManager[Advance]:
        """Say nothing."""
        return nullcontext(_ignore)

    def note(self, text: str) -> None:
        """Say nothing."""

    def warn(self, text: str) -> None:
        """Keep the warning."""
        self.warnings.append(text)


@contextmanager
def counted(reporter: Reporter, label: str) -> Iterator[Callable[[int, int], None]]:
    """Yield a callable that shows (done, total); the total is known from its first call on."""
    with ExitStack() as stack:
        advance: Advance | None = None
        before = 0

        def count(done: int, total: int) -> None:
            nonlocal advance, before
            if advance is None:
                advance = stack.enter_context(reporter.progress(total, label))
            advance(done - before)
            before = done

        yield count


def visible(text: str) -> str:
    r"""Return text in which what would steer a terminal, or turn its text round, is written out.

    Names of files and what cameras write come from outside.

    Examples
    --------
    >>> visible("a\x1b[2Jb")
    'a\\x1b[2Jb'
    """
    return "".join(
        c if c.isprintable() or c == "\n" else c.encode("unicode_escape").decode() for c in text
    )


def _ignore(pieces: int = 1) -> None:
    """Count nothing."""
