"""What is done at one station, in pieces that any worker can do which sees its files.

A piece takes the station and a few numbers and returns a few numbers: photographs, tables and
pictures go through the files, never through whoever hands out the pieces.
"""

from __future__ import annotations

import multiprocessing
from collections import Counter
from dataclasses import dataclass, replace
from math import ceil
from pathlib import Path

from limbward.compiled import at_most
from limbward.config import Config, place_and_time
from limbward.config.inputs import find_inputs
from limbward.config.stations import Station
from limbward.errors import LimbwardError
from limbward.runs.pending import pending_stages
from limbward.runs.place import require_own_place
from limbward.runs.runner import run_stages
from limbward.runs.stage import ORDER
from limbward.stages.ingest import measure_part, moon_sun_ratio
from limbward.stages.merge_ahead import Ahead, decode_part, merge_part, prepare_merge
from limbward.stations.far import Far
from limbward.work.reporting import Reporter, SilentReporter
from limbward.work.worker import one_thread_of_blas
from limbward.workspace import Workspace

TOLD = 300  # letters of a reason that are handed on
NOT_FREE = (
    "The Dask workers may not start processes of their own, which keep a damaged file from taking "
    "a worker down. Start them with DASK_DISTRIBUTED__WORKER__DAEMON=False in their environment."
)


@dataclass(frozen=True)
class Plan:
    """What is to be done at a station.

    Attributes
    ----------
    frames, size : int
        Files on its cards, and their bytes.
    parts : int
        Parts of the card that are to be measured; 0 if it has been.
    ratio : float
        The Moon's radius over the Sun's.
    fault : str
        Why nothing can be done; empty if something can.
    """

    frames: int = 0
    size: int = 0
    parts: int = 0
    ratio: float = 0.0
    fault: str = ""


@dataclass(frozen=True)
class Outcome:
    """What became of a station.

    Attributes
    ----------
    ran : tuple of str
        Stages that were run; the others were up to date.
    corona : bool
        Whether there is a corona.fits.
    fault : str
        Why the run failed, or why there is no corona; empty if there is one.
    failed : bool
        Whether the run failed.
    """

    ran: tuple[str, ...] = ()
    corona: bool = False
    fault: str = ""
    failed: bool = False


@dataclass(frozen=True)
class Cut:
    """A station whose merge is to be done in pieces before it is finished.

    Attributes
    ----------
    merges : tuple of Ahead
    ran : tuple of str
        Stages that were run before.
    """

    merges: tuple[Ahead, ...]
    ran: tuple[str, ...] = ()


def may_start_processes() -> bool:
    """Return whether this process may start others."""
    return not multiprocessing.current_process().daemon


def plan_station(station: Station, frames_per_task: int) -> Plan:
    """Look at a station: how much there is to do, and whether it can be done."""
    if station.config is None:
        return Plan(fault=station.fault)
    try:
        if not may_start_processes():
            raise LimbwardError(NOT_FREE)
        if station.is_far:
            return _plan_far(station)
        require_own_place(station.config, station.root)
        sky = place_and_time.eclipse(station.config)
        files = find_inputs(station.config)[0].files
        names, trouble = pending_stages(station.config, Workspace(station.root))
        if trouble:
            raise LimbwardError(trouble)
    except Exception as error:  # one station must not stop the others
        return Plan(fault=told(error))
    parts = ceil(len(files) / frames_per_task) if "ingest" in names else 0
    return Plan(len(files), sum(f.size for f in files), parts, moon_sun_ratio(sky))


def _plan_far(station: Station) -> Plan:
    assert station.config is not None
    place_and_time.eclipse(station.config)
    if station.urls:
        sizes = [f.size for f in Far(station, "").files]
    else:
        sizes = [f.size for f in find_inputs(station.config)[0].files]
    return Plan(len(sizes), sum(max(size, 0) for size in sizes))


def measure_frames(station: Station, part: int, parts: int, ratio: float) -> str:
    """Measure a part of a station's card; return what went wrong.

    Whatever it is, the run that follows meets it, too, and tells it.
    """
    assert station.config is not None
    try:
        measure_part(with_one_job(station.config), Workspace(station.root), part, parts, ratio)
    except Exception as error:
        return told(error)
    return ""


def settle_station(station: Station, until: str, frames_per_task: int, *_: object) -> Outcome | Cut:
    """Run the stages of a station that are out of date, up to a merge worth cutting into pieces.

    Parameters
    ----------
    station : Station
    until : str
        The last stage.
    frames_per_task : int
        See `limbward.stages.merge_ahead.prepare_merge`.
    *_
        What has to be done before.

    Returns
    -------
    Outcome or Cut
        It does not raise.
    """
    assert station.config is not None
    merges = ORDER.index(until) >= ORDER.index("merge")
    if station.is_far or not merges:
        return finish_station(station, until)
    config, workspace = with_one_job(station.config), Workspace(station.root)
    try:
        runs = run_stages(config, workspace, SilentReporter(), last="align")
        with workspace.locked():
            ahead = prepare_merge(config, workspace, frames_per_task)
    except Exception:  # the run meets it again, and tells it
        return finish_station(station, until)
    ran = tuple(run.name for run in runs if not run.skipped)
    if ahead:
        return Cut(tuple(ahead), ran)
    outcome = finish_station(station, until)
    return replace(outcome, ran=(*ran, *outcome.ran))


def decode_frames(station: Station, of: Ahead, part: int) -> str:
    """Decode some of the frames of a merge to files; return what went wrong.

    Whatever it is, the run that follows merges them itself and meets it, too.
    """
    assert station.config is not None
    try:
        decode_part(with_one_job(station.config), Workspace(station.root), of, part)
    except Exception as error:
        return told(error)
    return ""


def merge_rows(station: Station, of: Ahead, band: int, *_: object) -> str:
    """Merge a band of rows to a file; return what went wrong, as `decode_frames` does."""
    try:
        with one_thread_of_blas(), at_most(1):
            merge_part(Workspace(station.root), of, band)
    except Exception as error:
        return told(error)
    return ""


def finish_station(
    station: Station, until: str, jobs: int | None = 1, *_: object, reporter: Reporter | None = None
) -> Outcome:
    """Run the stages of a station that are out of date.

    Parameters
    ----------
    station : Station
    until : str
        The last stage.
    jobs : int, optional
        Processes that decode frames meanwhile; None is one a core.
    *_
        What has to be done before.
    reporter : Reporter, optional

    Returns
    -------
    Outcome
        It does not raise: a station that fails is a row with its reason.
    """
    assert station.config is not None
    reporter = reporter or SilentReporter()
    try:
        if station.is_far:
            return _finish_far(station, until, jobs, reporter)
        return _run(station.config, station.root, until, jobs, reporter)
    except Exception as error:
        return Outcome(fault=told(error), failed=True)


def _finish_far(station: Station, until: str, jobs: int | None, reporter: Reporter) -> Outcome:
    far = Far(station, until)
    earlier = far.earlier()
    if earlier is not None:
        return Outcome(corona=earlier["corona"], fault=earlier["fault"])
    with far.brought() as (config, root):
        outcome = _run(config, root, until, jobs, reporter)
        far.keep(root, {"corona": outcome.corona, "fault": outcome.fault})
    return outcome


def _run(config: Config, root: Path, until: str, jobs: int | None, reporter: Reporter) -> Outcome:
    workspace = Workspace(root)
    runs = run_stages(with_one_job(config, jobs), workspace, reporter, last=until)
    ran = tuple(run.name for run in runs if not run.skipped)
    corona = workspace.path(Workspace.corona).exists()
    wanted = ORDER.index(until) >= ORDER.index("merge")
    return Outcome(ran, corona, "" if corona or not wanted else why_no_corona(workspace))


def with_one_job(config: Config, jobs: int | None = 1) -> Config:
    """Return a config whose work is done in so many processes of this machine."""
    run = config.run.model_copy(update={"jobs": jobs, "executor": "local", "scheduler": None})
    return config.model_copy(update={"run": run})


def why_no_corona(workspace: Workspace) -> str:
    """Return why a run made no corona, from what it says of its frames."""
    try:
        table = workspace.read_table(Workspace.frames)
        phases = [str(p) for p in table["phase"]]
        notes = [str(n) for n in table["note"]]
    except (LimbwardError, KeyError) as error:
        return told(error)
    totality = [n for p, n in zip(phases, notes, strict=True) if p == "totality"]
    if not totality:
        counts = ", ".join(f"{n} {p}" for p, n in Counter(phases).most_common())
        return f"No frame shows totality ({counts})."
    said = Counter(n for n in totality if n not in ("", "--"))
    if not said:
        return f"None of {len(totality)} frames of totality was merged."
    note, number = said.most_common(1)[0]
    return f"No frame was merged; of {number} of {len(totality)} frames of totality: {note}"[:TOLD]


def told(error: BaseException) -> str:
    """Return an error as a sentence that fits into a row."""
    plain = isinstance(error, LimbwardError)
    text = str(error) if plain else f"Unexpected {type(error).__name__}: {error}"
    return " ".join(text.split())[:TOLD]
