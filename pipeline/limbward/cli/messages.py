"""How much the commands say, and failures as a sentence and an exit status."""

from __future__ import annotations

import codecs
import io
import logging
import sys
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from limbward.errors import ConfigError, LimbwardError

if TYPE_CHECKING:
    from limbward.work.reporting import Reporter


@dataclass
class _Talk:
    """How much to say."""

    verbose: bool = False
    quiet: bool = False


_talk = _Talk()


def _set_verbose(value: bool) -> None:
    if value:
        _talk.verbose = True
        logging.basicConfig(stream=sys.stderr, format="%(name)s: %(message)s")
        logging.getLogger("limbward").setLevel(logging.DEBUG)


def _set_quiet(value: bool) -> None:
    _talk.quiet = _talk.quiet or value


Verbose = Annotated[
    bool,
    typer.Option(
        "--verbose", "-v", callback=_set_verbose, help="Log more, and show where an error arose."
    ),
]
Quiet = Annotated[
    bool,
    typer.Option("--quiet", "-q", callback=_set_quiet, help="Show warnings only, no progress."),
]


def make_reporter() -> Reporter:
    """Return the reporter that the options ask for."""
    from limbward.cli import progress

    return progress.make_reporter(quiet=_talk.quiet)


# What the messages have beside ASCII, for output that cannot show it: Windows gives pipes and files
# an old code page, and a container without a locale has ASCII.
IN_ASCII = {
    "−": "-", "–": "-", "±": "+/-", "°": " deg", "×": "x", "→": "->", "…": "...", "☉": "sun",
    "≥": ">=", "≤": "<=", "µ": "u", "σ": "sigma", "²": "2", "½": "1/2", "“": '"', "”": '"',
    "‘": "'", "’": "'",
}  # fmt: skip


def _in_ascii(error: UnicodeError) -> tuple[str, int]:
    """Write out what a stream cannot show; anything unknown is a question mark."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    wanted = error.object[error.start : error.end]
    return "".join(IN_ASCII.get(c, "?") for c in wanted), error.end


codecs.register_error("limbward", _in_ascii)


def show_what_can_be_shown() -> None:
    """Keep a sentence from failing by a sign that the output's encoding does not have."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="limbward")


@contextmanager
def plain_endings() -> Iterator[None]:
    """Exit with 1 if the work failed and with 2 if it was asked wrongly, and say so in a sentence.

    Warnings of libraries become a line each, too.
    """
    _talk.verbose = _talk.quiet = False
    show_what_can_be_shown()
    show_warning = warnings.showwarning
    warnings.showwarning = _warn_once()
    try:
        yield
    except ConfigError as error:
        _fail(str(error), 2)
    except LimbwardError as error:
        _fail(str(error), 1)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        _fail(f"{where}{error.strerror or error}.", 1)
    except MemoryError:
        _fail("There is not enough memory. Close other programs, or run with --jobs 1.", 1)
    except Exception as error:  # the last place where it can be said in a sentence
        said = str(error) or "no further text"
        _fail(
            f"Unexpected {type(error).__name__}: {said}. "
            "Run again with --verbose to see where it arose.",
            1,
        )
    finally:
        warnings.showwarning = show_warning


def _warn_once() -> Callable[..., None]:
    """Return what shows a library's warning as one plain line, the same one only once."""
    shown = set()

    def show(message: Warning | str, category: type, filename: str, line: int, *_: Any) -> None:
        text = str(message)
        if text not in shown:
            shown.add(text)
            where = f" ({filename}:{line}: {category.__name__})" if _talk.verbose else ""
            print(f"warning: {text}{where}", file=sys.stderr)

    return show


def _fail(message: str, status: int) -> None:
    from limbward.work.reporting import visible

    if _talk.verbose:
        traceback.print_exc()
    print(visible(message), file=sys.stderr)
    sys.exit(status)
