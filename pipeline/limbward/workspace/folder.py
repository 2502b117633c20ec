"""Where artefacts lie, how they are written whole or not at all, and who may write."""

from __future__ import annotations

import json
import os
import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from filelock import FileLock, Timeout

from limbward.errors import LimbwardError
from limbward.workspace import own
from limbward.workspace.ledger import Ledger, digest_of
from limbward.workspace.writing import TEMPORARY, atomic_path, set_aside, to_json, write_text

if TYPE_CHECKING:  # tables take a tenth of a second to load, which a preview has not
    from astropy.table import Table

# What a killed run leaves; it is removed only if it is listed besides.
HALF_WRITTEN = re.compile(re.escape(TEMPORARY) + r"[0-9a-f]{8}-.+", re.DOTALL)
PRIVATE = "state/"  # the program's own notes, which nobody edits to keep


class Workspace:
    """The folder of everything a run makes.

    Parameters
    ----------
    root : Path
        Made when something is written to it.

    Notes
    -----
    An artefact is named by its path below the root with forward slashes (``corona.fits``,
    ``tables/ingest.ecsv``); a name that ends in ``/`` stands for a folder and all that is in it.
    """

    frames = "frames.ecsv"
    contacts = "contacts.json"
    responses = "responses.json"
    clock = "clock.json"
    pointing = "pointing.json"
    stars = "stars.json"
    corona = "corona.fits"
    sun = "sun.fits"
    noise = "noise.json"
    composite_tif = "composite.tif"
    composite_png = "composite.png"
    annotated = "pictures/composite-annotated.png"
    side_by_side = "pictures/side-by-side.png"
    polar = "pictures/polar.png"
    tone = "pictures/tone.json"
    report = "report.html"
    provenance = "provenance.json"
    reduced = "reduced/"
    previews = "previews/"
    stacked = "stacked/"
    chromosphere = "sequences/chromosphere.fits"

    def __init__(self, root: Path) -> None:
        self.root = root
        self._claimed = False

    def path(self, artefact: str) -> Path:
        """Return where an artefact lies.

        Parameters
        ----------
        artefact : str
            Its name, such as ``Workspace.corona``.

        Raises
        ------
        LimbwardError
            If the name, or a link in its way, leads out of the workspace.
        """
        if not self.holds(artefact):
            raise LimbwardError(
                f"{artefact!r} leads out of the workspace {self.root}; remove the link or the "
                "record that leads there, or give another --workspace."
            )
        return self.root / artefact

    def holds(self, artefact: object) -> bool:
        """Return whether something is the name of a place in the workspace, links followed."""
        if not isinstance(artefact, str) or "\0" in artefact:
            return False
        name = PurePosixPath(artefact)
        if name.is_absolute() or ".." in name.parts:
            return False
        real = os.path.realpath(self.root / artefact)
        return Path(real).is_relative_to(os.path.realpath(self.root))

    @contextmanager
    def writing(self, artefact: str, *, grows: bool = False) -> Iterator[Path]:
        """Yield a path to write an artefact to; it takes its place when the block ends well.

        A file there that this program has not written, or that was changed since, is not replaced
        but kept under another name; see `take_kept`.

        Parameters
        ----------
        artefact : str
        grows : bool
            Whether more is to be appended to it afterwards.

        Raises
        ------
        ConfigError
            If the folder is not empty and no workspace.
        LimbwardError
            If it cannot be written.
        """
        self.claim()
        path = self.path(artefact)

        def settle(part: Path) -> None:
            if os.path.lexists(path) and not artefact.startswith(PRIVATE):
                self.keep(artefact)
            if not artefact.startswith(PRIVATE):
                size = part.stat().st_size if grows else None
                self._ledger.add(artefact, digest_of(part), size)

        with atomic_path(path, settle) as part:
            self._ledger.add_begun(part.relative_to(self.root).as_posix())
            yield part

    def claim(self) -> None:
        """Make the folder a workspace unless it is one; see `own.claim`."""
        if not self._claimed:
            own.claim(self.root)
            self._claimed = True

    def proves(self, artefact: str) -> bool:
        """Return whether an artefact is there and holds what this program wrote."""
        path = self.path(artefact)
        return own.is_workspace(self.root) and self._ledger.proves(artefact, path)

    def remove(self, artefact: str) -> None:
        """Delete an artefact; one that was changed since it was written is kept.

        A file that was never written by this program stays as it is.
        """
        if self.proves(artefact):
            self.path(artefact).unlink()
        elif self._ledger.knows(artefact) and os.path.lexists(self.path(artefact)):
            self.keep(artefact)

    def keep(self, artefact: str, *, always: bool = False) -> str:
        """Give a file another name if this program has not written it as it is; return the name.

        Parameters
        ----------
        artefact : str
        always : bool
            Whether one that it has written is kept as well.
        """
        path = self.path(artefact)
        proven = self.proves(artefact)
        if proven and not always:
            return artefact
        kept = set_aside(path).relative_to(self.root).as_posix()
        if not proven:
            self._ledger.add_kept(artefact, kept)
        return kept

    def take_kept(self) -> list[str]:
        """Return a sentence for each file kept under another name since the last call."""
        return [
            f"{name} had been changed since limbward wrote it; that version is kept as {kept}."
            for name, kept in self._ledger.take_kept()
        ]

    @property
    def _ledger(self) -> Ledger:
        return _ledger_of(self.root.absolute())

    @staticmethod
    def table(stage: str) -> str:
        """Return the name of a stage's table."""
        return f"tables/{stage}.ecsv"

    @staticmethod
    def state(stage: str) -> str:
        """Return the name of the record of a stage's last run."""
        return f"state/{stage}.json"

    @staticmethod
    def enhanced(name: str) -> tuple[str, str, str]:
        """Return the names of an enhancement's FITS, TIFF and PNG."""
        return (f"enhanced/{name}.fits", f"enhanced/{name}.tif", f"enhanced/{name}.png")

    def read_json(self, artefact: str) -> Any:
        """Return what a JSON artefact holds.

        Raises
        ------
        LimbwardError
            If it is not there or not JSON.
        """
        path = self.path(artefact)
        try:
            return json.loads(path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            raise LimbwardError(f"{path} is not there; run the stages that make it.") from None
        except ValueError as error:
            raise LimbwardError(f"{path} is damaged ({error}); delete it and run again.") from error
        except RecursionError:
            raise LimbwardError(f"{path} is damaged; delete it and run again.") from None
        except OSError as error:
            raise LimbwardError(f"{path} cannot be read ({error.strerror}).") from error

    def write_json(self, artefact: str, value: Any) -> None:
        """Write a JSON artefact; NumPy scalars and arrays are taken, NaN is an error."""
        self.write_text(artefact, to_json(value))

    def write_text(self, artefact: str, text: str, *, grows: bool = False) -> None:
        """Write an artefact of UTF-8 text, with the line ends it has; see `writing`."""
        with self.writing(artefact, grows=grows) as part:
            part.write_bytes(text.encode("utf-8"))

    def read_table(self, artefact: str) -> Table:
        """Return an ECSV artefact as a Table with units.

        Empty or blank text comes back masked: ECSV does not tell the two apart.

        Raises
        ------
        LimbwardError
            If it is not there or not ECSV.
        """
        return read_table(self.path(artefact))

    def write_table(self, artefact: str, table: Table) -> None:
        """Write a Table or QTable as ECSV."""
        with self.writing(artefact) as part:
            table.write(part, format="ascii.ecsv")

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other runs out while the block runs.

        The operating system drops the lock with the process that held it, so a run that was
        killed blocks no later one; half-written files it left are removed.

        Raises
        ------
        LimbwardError
            If another run is at work here; the sentence says which.
        """
        self.claim()
        holder = self.path("state/lock.json")
        lock = FileLock(self.path("state/lock"))
        try:
            lock.acquire(timeout=0)
        except Timeout:
            raise LimbwardError(
                f"Another run is using {self.root}{_described(holder)}. "
                "Wait for it, or give this run another --workspace."
            ) from None
        except OSError as error:
            raise LimbwardError(
                f"Nothing can be written to the workspace {self.root} ({error.strerror}); give "
                "another --workspace."
            ) from error
        try:
            self._remove_half_written()
            self._ledger.take_kept()  # of earlier runs, which have told of them
            now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
            me = {"pid": os.getpid(), "host": socket.gethostname(), "since": now}
            write_text(holder, to_json(me))
            yield
        finally:
            holder.unlink(missing_ok=True)
            lock.release()

    def _remove_half_written(self) -> None:
        for name in self._ledger.begun():
            if self.holds(name) and HALF_WRITTEN.fullmatch(PurePosixPath(name).name):
                left = self.path(name)
                if left.is_file() and not left.is_symlink():
                    left.unlink(missing_ok=True)


@cache
def _ledger_of(root: Path) -> Ledger:
    """Return the list of a workspace; one for each, so that it is read once by a process."""
    return Ledger(root / PRIVATE / "written.jsonl")


def _described(holder: Path) -> str:
    """Return who holds the lock, as far as it is written down."""
    try:
        who = json.loads(holder.read_text(encoding="utf-8"))
        return f" (process {who['pid']} on {who['host']}, since {who['since']})"
    except (OSError, ValueError, KeyError, TypeError):
        return ""  # it has only just begun, or is about to end


def read_table(path: Path) -> Table:
    """Return an ECSV file as a Table with units; see `Workspace.read_table`."""
    from astropy.table import Table

    try:
        return Table.read(path, format="ascii.ecsv")
    except FileNotFoundError:
        raise LimbwardError(f"{path} is not there; run the stages that make it.") from None
    except Exception as error:  # astropy's readers raise all kinds for a damaged file
        raise LimbwardError(f"{path} is damaged ({error}); delete it and run again.") from error
