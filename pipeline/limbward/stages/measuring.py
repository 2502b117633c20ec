"""What ingest does with files: rows of what each shows, made in other processes."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import nan
from pathlib import Path

from limbward.camera.bands import is_narrow
from limbward.camera.card import IMAGE_KINDS, MADE_OF_RAW, CardFile
from limbward.camera.classify import Content, named_content
from limbward.camera.exif import read_exif
from limbward.camera.raw import UnreadableFrame, read_raw, samples_declared
from limbward.camera.response import Response
from limbward.config.bodies import band_said
from limbward.config.frames import BodyRule
from limbward.errors import LimbwardError
from limbward.limb.frame import limbs_if_any, look_at
from limbward.phase.light import light_of
from limbward.regular import sha256
from limbward.stars.points import find_points, may_show_stars
from limbward.work.executors import Crew
from limbward.work.map import Failure, FileMap
from limbward.work.map import Task as FileTask
from limbward.work.reach import UNREACHED, failure_to_reach, reached_again
from limbward.workspace import Workspace
from limbward.workspace.columns import table_text
from limbward.workspace.ingest_rows import (
    Row,
    add_exif,
    add_limbs,
    add_look,
    blank_row,
    light_columns,
)
from limbward.workspace.names import artefact_name
from limbward.workspace.stored import StoredCrop, write_reduced

NOT_MEASURED = {
    "video": "A video; `limbward clips` can use it.",
    "other": "Not a photograph.",
}


# As seen with frames of 61 and 100 megapixels in which stars are looked for: the main process and
# the one that forks, a process that measures, and what it takes besides for each sample.
MAIN_BYTES, WORKER_BYTES, SAMPLE_BYTES = 0.3e9, 0.1e9, 9.0


@dataclass(frozen=True)
class Task:
    """A file to measure.

    Attributes
    ----------
    file : CardFile
    root : Path
        Of the workspace.
    radius_ratio : float
        Moon's radius over the Sun's.
    stated : {'dark', 'flat', 'bias'} or None
        What the configuration says the frame is.
    response : Response or None
        The curve that makes its values linear, if they are not.
    response_name : str
        Of that curve in responses.json.
    in_place : bool
        Whether a JPEG stands in for its RAW frame, which cannot be decoded.
    bodies : tuple of BodyRule
        Those of which the config says in what light they see.
    """

    file: CardFile
    root: Path
    radius_ratio: float
    stated: Content | None = None
    response: Response | None = None
    response_name: str = ""
    in_place: bool = False
    bodies: tuple[BodyRule, ...] = ()


def unreadable_row(file: CardFile, reason: str) -> Row:
    """Return the row of a file that cannot be decoded, with what can be said without decoding."""
    row = blank_row(file)
    row["phase"] = "unreadable"
    try:
        row["sha256"] = sha256(file.path)
        add_exif(row, read_exif(file.path, decode=False))
    except OSError as error:
        # That it cannot be read is what the reason says; whether that may pass, this column.
        row[UNREACHED] = failure_to_reach(error)
    row["note"].append(reason)
    return row


def measure_all(
    tasks: Mapping[str, Task],
    crew: Crew,
    work: Callable[[Task], Row] | None = None,
    memory: float | None = None,
) -> Iterator[tuple[str, Row]]:
    """Measure files in several processes and yield each row, with its key, when it is there.

    Parameters
    ----------
    tasks : mapping
        By key.
    crew : Crew
    work : callable, optional
        `measure_file`, or what does more than that.
    memory : float, optional
        Bytes to keep within, with all processes: of large frames fewer are measured at a time.

    Yields
    ------
    tuple of key and row
        A file that crashes its process, or that takes too much time or memory, gets a row as
        unreadable.

    Raises
    ------
    LimbwardError
        If no process can be started at all, or what is measured cannot be written.
    """
    with FileMap(crew) as files:
        todo = (FileTask(key, task.file.path, (task,)) for key, task in tasks.items())
        most = None
        if memory is not None and tasks and crew.shares_memory:
            most = _at_a_time(files, [t.file for t in tasks.values()], crew.workers, memory)
        for done, result in files.each(work or measure_file, todo, in_flight=most):
            if isinstance(result, Failure):
                yield done.key, _failed_row(files, tasks[done.key].file, result)
            else:
                yield done.key, result


def _at_a_time(
    files: FileMap, those: Sequence[CardFile], workers: int, memory: float
) -> int | None:
    """Return how many files may be measured at a time, None if that is as many as there can be."""
    frames = [file for file in those if file.kind in IMAGE_KINDS]
    if workers == 1 or not frames:
        return None
    # Its bytes say most of a frame's size, but not how well it is compressed.
    largest = max(frames, key=lambda file: file.size)
    samples = files.one(samples_declared, FileTask(0, largest.path, (largest.path,)))
    if isinstance(samples, Failure):
        return None
    each = WORKER_BYTES + SAMPLE_BYTES * samples
    most = max(1, int((memory - MAIN_BYTES) / each))
    return most if most < workers else None


def _failed_row(files: FileMap, file: CardFile, failure: Failure) -> Row:
    passing = {UNREACHED: errno.ENOMEM} if failure.kind == "memory" else {}
    said = (file, failure.sentence)
    row = files.one(unreadable_row, FileTask(file.file, file.path, said))
    if isinstance(row, Failure):  # not even its Exif can be read
        row = blank_row(file) | {"phase": "unreadable", "note": [failure.sentence]}
    return row | passing


def measure_file(task: Task) -> Row:
    """Return the row of a file: checksum, Exif, and what its pixels show.

    Writes ``reduced/NAME.npz`` (arrays ``planes``, ``factor``, and the edge points
    ``sun_limb`` and ``moon_limb``; of totality ``crop``, the corona around the Moon, ``rim``,
    the light along its limb, and ``points``, what may be stars) and ``previews/NAME.jpg``. A file
    that cannot be measured gives a row that says why.

    Raises
    ------
    LimbwardError
        If the workspace cannot be written to, which says nothing about the file.
    MemoryError
        If there is too little memory just now; other processes may be using it.
    """
    file = task.file
    name = table_text(file.file)
    if name != file.file:
        row = blank_row(file) | {"file": name, "phase": "unreadable"}
        row["note"].append(
            "The name has characters that a table cannot hold, or is not valid Unicode; rename the "
            "file."
        )
        return row
    row = blank_row(file)
    try:
        row["sha256"] = sha256(file.path)
        if file.kind in IMAGE_KINDS:
            add_exif(row, read_exif(file.path))
        if file.kind not in IMAGE_KINDS:
            row["note"] = [NOT_MEASURED[file.kind]]
        elif file.kind in MADE_OF_RAW and file.paired_with and not task.in_place:
            row["note"] = [f"The RAW file {file.paired_with} is used instead."]
        else:
            _measure_pixels(task, row)
    except UnreadableFrame as error:
        _give_up(row, file, error, str(error))
    except OSError as error:
        reason = f"{file.path.name} cannot be read ({error.strerror or error})."
        _give_up(row, file, error, reason)
    except (LimbwardError, MemoryError):
        raise
    except Exception as error:  # one frame that upsets the code must not stop the others
        reason = f"It could not be measured ({type(error).__name__}: {error})."
        _give_up(row, file, error, reason)
    return row


def _give_up(row: Row, file: CardFile, error: Exception, reason: str) -> None:
    """Make a row that of an unreadable file, and tell whether the failure may pass."""
    row["phase"] = "unreadable"
    row["note"].append(reason)
    failure = failure_to_reach(error)
    if failure is None and "sha256" in row:
        failure = reached_again(file.path, row["sha256"])
    if failure is not None:
        row[UNREACHED] = failure


def _band(task: Task, row: Row) -> str:
    focal = row.get("focal_length")
    said = band_said(
        task.bodies,
        task.file.file,
        row.get("camera") or "",
        row.get("serial") or "",
        nan if focal is None else float(focal),
    )
    return said or row.get("band") or ""


def _measure_pixels(task: Task, row: Row) -> None:
    frame = read_raw(task.file.path)
    declared = frame.encoding
    row["camera_note"] = [*row.get("camera_note", []), *frame.notes]
    if task.response is not None:
        frame = task.response.apply(frame)
    row["range_adu"] = frame.white - float(frame.black.mean())
    look = look_at(
        frame,
        exposure_s=row.get("exposure"),
        named=named_content(task.file.file),
        stated=task.stated,
    )
    band = _band(task, row)
    points = None
    lit = look.content == "light" and not is_narrow(band)
    if lit and may_show_stars(look.plane, look.range_adu, row.get("exposure")):
        points = find_points(frame, look.plane)
    del frame  # nobody holds it while limbs are measured
    add_look(row, look, stated=task.stated)
    row["declared"], row["response"] = declared, task.response_name
    if task.in_place:
        row["note"].append(f"Used instead of {task.file.paired_with}, which cannot be decoded.")
    if look.note:
        row["note"].append(look.note)
    workspace = Workspace(task.root)
    # What was measured before the curve was known is of other pixels, and keeps its own name.
    name = artefact_name(task.file.file) + (f"-{task.response_name}" if task.response_name else "")
    row["preview"] = f"{Workspace.previews}{name}.jpg"
    with workspace.writing(row["preview"]) as part:
        look.preview.save(part, "JPEG", quality=85)
    # A spectral line shows the Sun larger than the ephemeris knows it, so nothing ties its radius.
    ratio = None if is_narrow(band) else task.radius_ratio
    limbs = limbs_if_any(look, ratio, stated=task.stated)
    # Beside a Moon that is clipped in green, green light tells nothing.
    moon = limbs.found.moon if limbs is not None and limbs.in_green else None
    circle = None if moon is None else (moon.x, moon.y, moon.radius)
    light = light_of(look.plane, look.range_adu, circle)
    row.update(light_columns(light))
    if limbs is None:
        return
    row["reduced"] = f"{Workspace.reduced}{name}.npz"
    cut = limbs.crop
    write_reduced(
        workspace,
        row["reduced"],
        sun_limb=limbs.found.sun_limb,
        moon_limb=limbs.found.moon_limb,
        planes=limbs.reduced.planes,
        factor=limbs.reduced.factor,
        crop=None if cut is None else StoredCrop(cut.values, cut.scale, cut.origin),
        rim=limbs.rim,
        points=points,
    )
    add_limbs(row, limbs, in_proportion=light.in_proportion)
