"""Running the stages that are out of date, in order."""

from __future__ import annotations

import difflib
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib import import_module

from limbward.config import Config
from limbward.errors import ConfigError, LimbwardError
from limbward.runs.place import require_own_place
from limbward.runs.records import Records
from limbward.runs.stage import ORDER, Stage
from limbward.work.memory import give_back
from limbward.work.reporting import Reporter
from limbward.work.worker import one_thread_of_blas
from limbward.workspace import Workspace
from limbward.workspace.frames import SOURCES, assemble_frames
from limbward.workspace.provenance import StageRun, recording


def load_stages() -> tuple[Stage, ...]:
    """Return the stages in the order of a run, each from its module's ``STAGE``."""
    return tuple(import_module(f"limbward.stages.{name}").STAGE for name in ORDER)


def run_stages(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    *,
    first: str | None = None,
    last: str | None = None,
    force: bool = False,
    stages: Sequence[Stage] | None = None,
) -> list[StageRun]:
    """Run the stages that are out of date.

    Parameters
    ----------
    config : Config
    workspace : Workspace
        Locked meanwhile.
    reporter : Reporter
    first : str, optional
        Begin with this stage, and run it and those after it even if they are up to date.
    last : str, optional
        End after this stage.
    force : bool
        Run stages even if they are up to date.
    stages : sequence of Stage, optional
        All of `load_stages` by default.

    Returns
    -------
    list of StageRun
        Of the stages from ``first`` to ``last``.

    Raises
    ------
    ConfigError
        If there is no such stage or ``first`` comes after ``last``.
    LimbwardError
        If a stage fails. What earlier stages made stays, and so do the artefacts of earlier runs,
        without a record, so that the stage is run again next time.
    """
    stages = load_stages() if stages is None else stages
    require_own_place(config, workspace.root)
    begin, end = _span([stage.name for stage in stages], first, last)
    runs: list[StageRun] = []
    with workspace.locked():
        records = Records(config, workspace)
        for stage in stages[:begin]:
            if records.read(stage) is None:
                raise LimbwardError(
                    f"The stage {stage.name} has never run in {workspace.root}, so {first} cannot "
                    "start: run without --from."
                )
        _say_outdated([s for s in stages[:begin] if _is_outdated(s, records, reporter)], reporter)
        kept = [stage.name for stage in stages[:begin] if records.read(stage)]
        _refresh_frames(records, stages, kept)
        with recording(config, workspace, runs):
            for stage in stages[begin:end]:
                retry = stage.is_unfinished is not None and stage.is_unfinished(workspace)
                if not (force or first or retry) and records.is_current(stage):
                    reporter.note(f"{stage.name}: up to date")
                    record = records.read(stage) or {}
                    runs.append(StageRun(stage.name, True, record.get("seconds", 0.0)))
                    continue
                runs.append(_run(stage, records, reporter, stages))
                _refresh_frames(records, stages, kept)
    return runs


def _is_outdated(stage: Stage, records: Records, reporter: Reporter) -> bool:
    try:
        return not records.is_current(stage)
    except ConfigError as error:  # the card is not connected; its frames may not be needed
        reporter.warn(f"It is not known whether {stage.name} is up to date: {error}")
        return False


def _say_outdated(stages: Sequence[Stage], reporter: Reporter) -> None:
    if not stages:
        return
    *others, last = (stage.name for stage in stages)
    names = f"{', '.join(others)} and {last} are" if others else f"{last} is"
    was, it = ("were", "them") if others else ("was", "it")
    reporter.warn(f"{names} out of date and {was} not run; `limbward run CONFIG` updates {it}.")


def _span(names: list[str], first: str | None, last: str | None) -> tuple[int, int]:
    for name in (first, last):
        if name is not None and name not in names:
            nearest = difflib.get_close_matches(name, names, 1)
            hint = f"; did you mean {nearest[0]!r}?" if nearest else "."
            raise ConfigError(f"No stage is called {name!r}{hint} There are {', '.join(names)}.")
    begin = 0 if first is None else names.index(first)
    end = len(names) if last is None else names.index(last) + 1
    if begin >= end:
        raise ConfigError(f"The stage {first} comes after {last}, so there is nothing to run.")
    return begin, end


def _run(stage: Stage, records: Records, reporter: Reporter, stages: Sequence[Stage]) -> StageRun:
    """Run a stage and record it."""
    config, workspace = records.config, records.workspace
    reporter.stage(stage.name)
    reads = records.digests(stage.inputs(config))
    for name, digest in reads.items():
        if digest is None:
            _explain_missing(stage, name, records, stages)
    owned = records.owned(stage)
    records.forget(stage)
    before = {name: _identity(workspace, name) for name in owned}
    begun = time.perf_counter()
    with altered_inputs(stage.name, records, stages, reads, reporter), one_thread_of_blas():
        stage.run(config, workspace, reporter)
    give_back()
    seconds = time.perf_counter() - begun
    for name in owned:
        if before[name] is not None and _identity(workspace, name) == before[name]:
            workspace.remove(name)  # of an earlier run, and no longer true
    for kept in workspace.take_kept():
        reporter.warn(kept)
    records.write(stage, reads=reads, seconds=seconds)
    return StageRun(stage.name, False, round(seconds, 3))


def run_product(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    name: str,
    run: Callable[[Config, Workspace, Reporter], None],
) -> None:
    """Make a product of a finished run.

    Parameters
    ----------
    config : Config
    workspace : Workspace
        Locked meanwhile.
    reporter : Reporter
    name : str
        Of the product.
    run : callable
        Makes it.

    Raises
    ------
    LimbwardError
        If it cannot be made.
    """
    require_own_place(config, workspace.root)
    reporter.stage(name)
    stages = load_stages()
    with workspace.locked():
        records = Records(config, workspace)
        made = [(records.read(stage) or {"writes": {}})["writes"] for stage in stages]
        reads = records.digests(dict.fromkeys(artefact for writes in made for artefact in writes))
        with altered_inputs(name, records, stages, reads, reporter), one_thread_of_blas():
            run(config, workspace, reporter)
        for kept in workspace.take_kept():
            reporter.warn(kept)


@contextmanager
def altered_inputs(
    name: str,
    records: Records,
    stages: Sequence[Stage],
    reads: Mapping[str, str | None],
    reporter: Reporter,
) -> Iterator[None]:
    """Say which inputs differ from what the stages wrote, and that they are why the block failed.

    Someone may have edited them for good, so they are used. Where they upset the code, the digests
    tell a damaged file from a fault of the program.

    Raises
    ------
    LimbwardError
        In place of any other error, if an input is not as it was written.
    """
    altered = records.altered(stages, reads)
    for artefact in altered:
        if not artefact.endswith("/"):
            reporter.warn(f"{artefact} has changed since the run that made it.")
    try:
        yield
    except (LimbwardError, MemoryError):
        raise
    except Exception as error:
        if not altered:
            raise
        raise LimbwardError(
            f"{name} cannot use {', '.join(altered)}, which is damaged or has changed since the "
            f"run that made it ({type(error).__name__}: {error}). Delete it, and run `limbward "
            "run` without --from."
        ) from error


def _identity(workspace: Workspace, name: str) -> tuple[int, int] | None:
    """Return what changes when a file is written again; None for folders and what is not there."""
    path = workspace.path(name)
    if not path.is_file():
        return None
    status = path.stat()
    return status.st_ino, status.st_mtime_ns


def _explain_missing(stage: Stage, name: str, records: Records, stages: Sequence[Stage]) -> None:
    """Raise if an artefact is missing that an earlier stage had made."""
    for maker in stages:
        if name in (records.read(maker) or {"writes": {}})["writes"]:
            raise LimbwardError(
                f"The stage {stage.name} needs {name}, made by the stage {maker.name}, but it is "
                f"missing: run with --from {maker.name}, or without --from."
            )


def _refresh_frames(records: Records, stages: Sequence[Stage], kept: Sequence[str]) -> None:
    """Write frames.ecsv from the tables that are true now: none after one that is out of date.

    Tables of stages in ``kept`` count as true: the run was told to build on them.
    """
    current = []
    for stage in stages:
        if stage.name in SOURCES:
            if not (stage.name in kept or records.is_current(stage)):
                break
            current.append(stage.name)
    if current:
        try:
            assemble_frames(records.workspace, current)
        except (LimbwardError, MemoryError):
            raise
        except Exception as error:  # of what is in the tables, which are files that anyone may edit
            tables = ", ".join(Workspace.table(name) for name in current)
            raise LimbwardError(
                f"{tables} do not fit together ({type(error).__name__}: {error}); run `limbward "
                "run` without --from, which makes them again."
            ) from error
