"""All stations, one after the other on this machine or spread over a Dask cluster."""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from importlib.util import find_spec
from typing import Any

from limbward.config.campaign import CampaignRun
from limbward.config.stations import Station
from limbward.errors import ConfigError, LimbwardError
from limbward.stations.tally import Tally
from limbward.stations.work import (
    NOT_FREE,
    Outcome,
    Plan,
    finish_station,
    may_start_processes,
    measure_frames,
    plan_station,
    told,
)
from limbward.work.executors import CONNECT_S, cores
from limbward.work.reporting import Reporter

# Of workers that died with a piece in their hands, before the piece is given up. What a damaged
# file does is met in a process of its own, so a worker that dies was most likely ended from
# outside; on rented machines that may happen often.
DEATHS = 10
# How often workers are counted, and how long one may be missing: the first time, then twice as long
# each time, since starting more of them on a machine that is overloaded would not help it.
LOOK_S, MISSING_S = 5.0, 120.0


def run_here(
    stations: Sequence[Station], until: str, jobs: int | None, tally: Tally, reporter: Reporter
) -> dict[str, tuple[Plan, Outcome]]:
    """Run stations one after the other; the frames of each are measured in several processes."""
    plans = {s.name: plan_station(s, 1) for s in stations}
    for plan in plans.values():
        tally.expect(1, plan.frames, plan.size)
    out: dict[str, tuple[Plan, Outcome]] = {}
    for station in stations:
        plan = plans[station.name]
        reporter.stage(f"station {station.name}")
        if plan.fault:
            outcome = Outcome(fault=plan.fault, failed=True)
        else:
            outcome = finish_station(station, until, jobs, reporter=reporter)
        tally.done(1, plan.frames, plan.size)
        out[station.name] = plan, outcome
    return out


def run_spread(
    client: Any,
    stations: Sequence[Station],
    until: str,
    frames_per_task: int,
    tally: Tally,
) -> dict[str, tuple[Plan, Outcome]]:
    """Run stations on a cluster.

    Three kinds of pieces: one looks at a station, as many as needed measure its frames, one runs
    its stages, which find the frames measured. A worker that is lost loses only what it had not
    written yet; its piece is done again by another.

    Parameters
    ----------
    client : distributed.Client
    stations : sequence of Station
    until : str
        The last stage of each.
    frames_per_task : int
    tally : Tally
    """
    from distributed import as_completed

    tally.expect(stations=len(stations))
    plans: dict[str, Plan] = {}
    out: dict[str, tuple[Plan, Outcome]] = {}
    what: dict[str, tuple[str, Station, int]] = {}  # by a future's key: kind, station, frames
    run = os.urandom(4).hex()  # keys of one call are not those of another

    def hand_out(kind: str, station: Station, work: Any, *arguments: Any) -> Any:
        key = f"{kind}-{station.name}-{run}"
        return client.submit(
            work, station, *arguments, key=key, pure=False, retries=2, priority=-order[station.name]
        )

    def hand_out_parts(station: Station, plan: Plan) -> Any:
        # All parts of a station go to the scheduler in one message.
        numbers = range(plan.parts)
        return client.map(
            measure_frames, [station] * plan.parts, numbers, parts=plan.parts, ratio=plan.ratio,
            key=[f"measure-{station.name}-{part}-{run}" for part in numbers],
            pure=False, retries=2, priority=-order[station.name],
        )  # fmt: skip

    order = {s.name: i for i, s in enumerate(stations)}
    futures = []
    for station in stations:
        future = hand_out("plan", station, plan_station, frames_per_task)
        what[future.key] = "plan", station, 0
        futures.append(future)
    flow = as_completed(futures, loop=client.loop)
    del futures
    for future in flow:
        kind, station, frames = what.pop(future.key)
        try:
            result = future.result()
        except Exception as error:  # the cluster's own, too
            result = _lost(error)
        if kind == "plan":
            plan = result if isinstance(result, Plan) else Plan(fault=str(result))
            plans[station.name] = plan
            tally.expect(frames=plan.frames, size=plan.size)
            if plan.fault:
                out[station.name] = plan, Outcome(fault=plan.fault, failed=True)
                tally.done(1, plan.frames, plan.size)
                continue
            parts = hand_out_parts(station, plan) if plan.parts else []
            what |= {p.key: ("measure", station, _size(plan, k)) for k, p in enumerate(parts)}
            last = hand_out("finish", station, finish_station, until, 1, *parts)
            what[last.key] = "finish", station, 0 if plan.parts else plan.frames
            flow.update((*parts, last))
            del parts, last
        elif kind == "measure":
            plan = plans[station.name]
            tally.done(0, frames, plan.size * frames // max(plan.frames, 1))
        else:
            plan = plans[station.name]
            if not isinstance(result, Outcome):
                result = Outcome(fault=str(result), failed=True)
            out[station.name] = plan, result
            tally.done(1, frames, plan.size if frames else 0)
        del future
    return {s.name: out[s.name] for s in stations}


def _size(plan: Plan, part: int) -> int:
    """Return how many frames a part has."""
    return len(range(part, plan.frames, plan.parts))


def _lost(error: BaseException) -> str:
    if type(error).__name__ == "KilledWorker":
        return (
            "The workers that had this station ended each time, as for lack of memory; give them "
            "more memory or fewer threads, and run the same command again."
        )
    return told(error)


@contextmanager
def _kept(local: Any, client: Any, wanted: int) -> Iterator[None]:
    """Start workers in place of those that nobody restarts while the block runs.

    Dask restarts a worker that has died, but not one that dies again while it is being started: a
    cluster would stand still in the end.
    """
    done = threading.Event()

    def watch() -> None:
        whole, patience = time.monotonic(), MISSING_S
        while not done.wait(LOOK_S):
            there = len(client.nthreads())
            if there >= wanted:
                whole = time.monotonic()
            elif time.monotonic() - whole > patience:
                local.scale(len(local.worker_spec) + wanted - there)
                whole, patience = time.monotonic(), 2.0 * patience

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


@contextmanager
def cluster(run: CampaignRun, reporter: Reporter) -> Iterator[Any]:
    """Open a client of the cluster that a campaign's config names, or of one started for it.

    Yields
    ------
    distributed.Client

    Raises
    ------
    ConfigError
        If the library is not installed.
    LimbwardError
        If the cluster cannot be reached, has no workers, or these may not start processes.
    """
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError as error:
        raise ConfigError(
            "run.executor is dask, which is not installed: pip install 'limbward[dask]'."
        ) from error
    with ExitStack() as stack:
        local: Any = None
        if run.scheduler is None:
            stack.enter_context(
                dask.config.set(
                    {
                        "distributed.worker.daemon": False,
                        "distributed.scheduler.allowed-failures": DEATHS,
                    }
                )
            )
            local = stack.enter_context(
                LocalCluster(
                    n_workers=run.workers or cores(),
                    threads_per_worker=1,
                    memory_limit=0,  # each piece has its own limits
                    dashboard_address=":0",  # any port that is free
                    silence_logs=logging.ERROR,
                )
            )
        address = run.scheduler or local
        try:
            client = stack.enter_context(Client(address, timeout=CONNECT_S, set_as_default=False))
        except (OSError, ValueError) as error:
            raise LimbwardError(
                f"The Dask scheduler {run.scheduler} cannot be reached ({error})."
            ) from error
        threads = client.nthreads()
        if not threads:
            raise LimbwardError(f"The Dask scheduler {run.scheduler} has no workers.")
        if not all(client.run(may_start_processes).values()):
            raise LimbwardError(NOT_FREE)
        reporter.note(f"{len(threads)} workers with {sum(threads.values())} threads")
        if find_spec("bokeh") and client.dashboard_link:
            reporter.note(f"dashboard: {client.dashboard_link}")
        if run.scheduler is None:
            stack.enter_context(_kept(local, client, len(threads)))
        yield client
