"""Where artefacts lie, how they are written whole or not at all, and who may write."""

from __future__ import annotations

import errno
import json
import os
import secrets
import shutil
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from filelock import FileLock, Timeout

from limbward.errors import LimbwardError

if TYPE_CHECKING:  # tables take a tenth of a second to load, which a preview has not
    from astropy.table import Table

TEMPORARY = ".writing-"  # begins the name of a file that is not finished

FULL_BYTES = 1 << 20  # a file system with less room than this is full


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
    clock = "clock.json"
    pointing = "pointing.json"
    corona = "corona.fits"
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

    def __init__(self, root: Path) -> None:
        self.root = root

    def path(self, artefact: str) -> Path:
        """Return where an artefact lies.

        Parameters
        ----------
        artefact : str
            Its name, such as ``Workspace.corona``.
        """
        return self.root / artefact

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

    def write_json(self, artefact: str, value: Any) -> None:
        """Write a JSON artefact; NumPy scalars and arrays are taken, NaN is an error."""
        write_text(self.path(artefact), to_json(value))

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
        write_table(self.path(artefact), table)

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
        self._make_root()
        holder = self.path("state/lock.json")
        lock = FileLock(self.path("state/lock"))
        try:
            lock.acquire(timeout=0)
        except Timeout:
            raise LimbwardError(
                f"Another run is at work in {self.root}{_described(holder)}. "
                "Wait for it, or give this run another --workspace."
            ) from None
        except OSError as error:
            raise LimbwardError(
                f"Nothing can be written to the workspace {self.root} ({error.strerror}); give "
                "another --workspace."
            ) from error
        try:
            for left in self.root.rglob(f"{TEMPORARY}*"):
                left.unlink(missing_ok=True)
            now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
            me = {"pid": os.getpid(), "host": socket.gethostname(), "since": now}
            write_text(holder, to_json(me))
            yield
        finally:
            holder.unlink(missing_ok=True)
            lock.release()

    def _make_root(self) -> None:
        try:
            self.path("state").mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise LimbwardError(
                f"The workspace {self.root} cannot be made ({error.strerror})."
            ) from error


def _described(holder: Path) -> str:
    """Return who holds the lock, as far as it is written down."""
    try:
        who = json.loads(holder.read_text(encoding="utf-8"))
        return f" (process {who['pid']} on {who['host']}, since {who['since']})"
    except (OSError, ValueError, KeyError):
        return ""  # it has only just begun, or is about to end


@contextmanager
def atomic_path(path: Path) -> Iterator[Path]:
    """Yield a path to write to; the file takes its place only when the block ends well.

    Parameters
    ----------
    path : Path
        Its folder is made; a file there is replaced.

    Yields
    ------
    Path
        In the same folder, with the same suffixes.

    Raises
    ------
    LimbwardError
        If it cannot be written: a full disk, a folder that takes no files.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> target = Path(tempfile.mkdtemp()) / "a.txt"
    >>> with atomic_path(target) as part:
    ...     _ = part.write_text("whole")
    >>> target.read_text()
    'whole'
    """
    part = path.parent / f"{TEMPORARY}{secrets.token_hex(4)}-{path.name}"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:  # a full disk reaches the writers of pictures in many disguises
        raise LimbwardError(
            f"{path} cannot be written ({_reason(error, path.parent)}); what was finished before "
            "is kept, and the next run goes on from there."
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _reason(error: OSError, folder: Path) -> str:
    """Return why a file could not be written; array writers do not say that a disk is full."""
    if error.strerror:
        return error.strerror
    try:
        full = shutil.disk_usage(folder).free < FULL_BYTES
    except OSError:
        full = False
    return os.strerror(errno.ENOSPC) if full else str(error)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text atomically, with the line ends it has."""
    with atomic_path(path) as part:
        part.write_bytes(text.encode("utf-8"))


def to_json(value: Any) -> str:
    """Return a value as indented JSON with a newline at the end.

    Raises
    ------
    ValueError
        For NaN and infinities, which JSON does not have.
    """

    def plain(item: object) -> object:
        if isinstance(item, np.generic | np.ndarray):
            return item.tolist()
        raise TypeError(f"{type(item).__name__} is not written to JSON")

    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False, default=plain) + "\n"


def read_table(path: Path) -> Table:
    """Return an ECSV file as a Table with units; see `Workspace.read_table`."""
    from astropy.table import Table

    try:
        return Table.read(path, format="ascii.ecsv")
    except FileNotFoundError:
        raise LimbwardError(f"{path} is not there; run the stages that make it.") from None
    except Exception as error:  # astropy's readers raise all kinds for a damaged file
        raise LimbwardError(f"{path} is damaged ({error}); delete it and run again.") from error


def write_table(path: Path, table: Table) -> None:
    """Write a Table or QTable as ECSV, atomically."""
    with atomic_path(path) as part:
        table.write(part, format="ascii.ecsv")
