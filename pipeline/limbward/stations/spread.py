"""All stations, one after the other on this machine or spread over a Dask cluster."""

from __future__ import annotations

import logging
import os
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from importlib.util import find_spec
from typing import Any

from limbward.config.campaign import CampaignRun
from limbward.config.stations import Station
from limbward.errors import ConfigError, LimbwardError
from limbward.stations.tally import Tally
from limbward.stations.work import (
    NOT_FREE,
    Cut,
    Outcome,
    Plan,
    decode_frames,
    finish_station,
    may_start_processes,
    measure_frames,
    merge_rows,
    plan_station,
    settle_station,
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

    One piece looks at a station, as many as needed measure its frames, one runs its stages, which
    find the frames measured. That one stops before a merge of many frames: some pieces decode them,
    some merge bands of rows, and another runs the stages to the end, which find the bands. A worker
    that is lost loses only what it had not written yet; its piece is done again by another.

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
    pieces = _Pieces(client, stations, until, frames_per_task)
    plans: dict[str, Plan] = {}
    out: dict[str, tuple[Plan, Outcome]] = {}
    ran: dict[str, tuple[str, ...]] = {}
    flow = as_completed([pieces.look(s) for s in stations], loop=client.loop)
    for future in flow:
        kind, station, frames = pieces.what.pop(future.key)
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
            else:
                flow.update(pieces.begin(station, plan))
        elif kind == "measure":
            plan = plans[station.name]
            tally.done(0, frames, plan.size * frames // max(plan.frames, 1))
        elif isinstance(result, Cut):
            ran[station.name] = result.ran
            flow.update([pieces.merge(station, result, frames)])
        else:
            plan = plans[station.name]
            if not isinstance(result, Outcome):
                result = Outcome(fault=str(result), failed=True)
            result = replace(result, ran=(*ran.get(station.name, ()), *result.ran))
            out[station.name] = plan, result
            tally.done(1, frames, plan.size if frames else 0)
        del future
    return {s.name: out[s.name] for s in stations}


class _Pieces:
    """Hands out the pieces of stations, those of the first station first.

    ``what`` has, by the keys of the futures that somebody waits for, what they are: a kind, the
    station, and the frames that are done with them.
    """

    def __init__(
        self, client: Any, stations: Sequence[Station], until: str, frames_per_task: int
    ) -> None:
        self.what: dict[str, tuple[str, Station, int]] = {}
        self._client, self._until, self._per_task = client, until, frames_per_task
        self._order = {s.name: i for i, s in enumerate(stations)}
        self._run = os.urandom(4).hex()  # keys of one call are not those of another

    def _common(self, station: Station) -> dict[str, Any]:
        return {"pure": False, "retries": 2, "priority": -self._order[station.name]}

    def _one(self, kind: str, station: Station, work: Any, *arguments: Any) -> Any:
        key = f"{kind}-{station.name}-{self._run}"
        return self._client.submit(work, station, *arguments, key=key, **self._common(station))

    def _many(
        self, kind: str, station: Station, work: Any, number: int, *same: Any, **named: Any
    ) -> list[Any]:
        """Hand out ``work(station, *same, k)`` for k below a number, in one message."""
        found: list[Any] = self._client.map(
            work,
            *([given] * number for given in (station, *same)),
            range(number),
            key=[f"{kind}-{station.name}-{k}-{self._run}" for k in range(number)],
            **named,
            **self._common(station),
        )
        return found

    def look(self, station: Station) -> Any:
        """Look at a station."""
        future = self._one("plan", station, plan_station, self._per_task)
        self.what[future.key] = "plan", station, 0
        return future

    def begin(self, station: Station, plan: Plan) -> list[Any]:
        """Measure its frames and run its stages."""
        parts = []
        if plan.parts:
            named = {"parts": plan.parts, "ratio": plan.ratio}
            parts = self._many("measure", station, measure_frames, plan.parts, **named)
        self.what |= {p.key: ("measure", station, _size(plan, k)) for k, p in enumerate(parts)}
        last = self._one("settle", station, settle_station, self._until, self._per_task, *parts)
        self.what[last.key] = "settle", station, 0 if plan.parts else plan.frames
        return [*parts, last]

    def merge(self, station: Station, cut: Cut, frames: int) -> Any:
        """Merge its frames in pieces and run the rest of its stages."""
        bands: list[Any] = []
        for n, of in enumerate(cut.merges):
            decoded = self._many(f"decode{n}", station, decode_frames, of.decodings, of)
            bands += [
                self._one(f"merge{n}-{k}", station, merge_rows, of, k, *decoded)
                for k in range(of.bands)
            ]
        last = self._one("finish", station, finish_station, self._until, 1, *bands)
        self.what[last.key] = "finish", station, frames
        return last


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
