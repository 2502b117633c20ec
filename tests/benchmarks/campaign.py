"""What a campaign of many stations costs, and how right what it joins is.

    python -m tests.benchmarks.campaign stations FOLDER [--stations 24] [--still] [--score]
    python -m tests.benchmarks.campaign joined [--stations 24] [--still]
    python -m tests.benchmarks.campaign scheduler [--frames 100000]
    python -m tests.benchmarks.campaign cards FOLDER [--stations 6] [--frames 8] [--megapixels 0.05]
    python -m tests.benchmarks.campaign kills FOLDER [--kills 20]
    python -m tests.benchmarks.campaign largest FOLDER [--frames 32] [--per-task 4]

``stations`` simulates cards along a real path, runs ``limbward campaign`` and compares what is made
of them with what is true (see ``tests/benchmarks/stations.py``); with ``--score`` it only compares.
``joined`` paints merges of stations along a path, of three plate scales, with wrong gains, skies
and headers and something that moves (or not), and compares what is made of them with what was
painted.
``scheduler`` hands out pieces that do nothing but sleep. ``cards`` simulates cards, measures them
with one worker and with two, and with a quarter of the stations; ``kills`` measures them while
workers are killed at random moments and compares the bytes. ``largest`` does the pieces of one
station after each other and says what part of its processor time the largest takes, and how long
the longest chain of them is, with the merge in pieces and without; it compares the bytes of both.
Processor time is of all processes.
"""

from __future__ import annotations

import argparse
import os
import pickle
import random
import resource
import shutil
import signal
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from limbward.config.campaign import CampaignRun, CombineConfig
from limbward.config.loading import load_config
from limbward.config.stations import Station as RunStation
from limbward.stations import spread
from limbward.stations.combine import join
from limbward.stations.hands import OwnHands
from limbward.stations.spread import cluster, run_spread
from limbward.stations.tally import Tally
from limbward.stations.work import (
    Cut,
    Outcome,
    Plan,
    decode_frames,
    finish_station,
    measure_frames,
    merge_rows,
    plan_station,
    settle_station,
)
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace

from ..apart.card import simulate
from ..campaign.paint import SUN_ARCSEC, Blob, Station
from ..stations.test_join import write
from ..stations.test_spread import contents
from .stations import stations

BLOB = Blob(position_angle=100.0, radius=1.3, speed_kms=300.0)
SLEEP_S = 0.0


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def joined(folder: Path, number: int, still: bool) -> None:
    """Paint, join and compare."""
    rng = np.random.default_rng(4)
    given, merges = {}, {}
    for k in range(number):
        scale = (12.0, 18.0, 27.0)[k % 3]
        station = Station(
            side=int(6.2 * SUN_ARCSEC / scale) | 1,
            scale_arcsec=scale,
            up_deg=rng.uniform(-180, 180),
            west=rng.normal(0, 6) / SUN_ARCSEC,
            north=rng.normal(0, 6) / SUN_ARCSEC,
            turn_deg=rng.normal(0, 0.2) if k != 5 else 25.0,  # one that hardly knew north
            size=1 + rng.normal(0, 3e-4),
            gain=tuple(np.exp(rng.normal(0, 1)) * np.array([1.0, 1.1, 0.9])),
            sky=rng.uniform(0, 0.2),
            noise=0.012 * (3.0 if k == 7 else 1.0),  # one behind thin cloud
            seconds=3600.0 * k / max(number - 1, 1),
            moon=(rng.uniform(-0.05, 0.05), rng.uniform(-0.01, 0.01)),
            seed=100 + k,
            blobs=() if still else (BLOB,),
        )
        given[f"s{k:04d}"] = station
        merges[f"s{k:04d}"] = write(folder, f"s{k:04d}", station)
    workspace = Workspace(folder / "out")
    workspace.claim()
    began, busy = time.monotonic(), time.process_time()
    done = join(merges, CombineConfig(radii=2.8), workspace, OwnHands(), SilentReporter())
    print(
        f"{number} stations joined in {time.process_time() - busy:.1f} s of processor time, "
        f"{time.monotonic() - began:.1f} s; {len(done.names)} in the mean, peak {_peak_mb():.0f} MB"
    )
    names = done.names
    true = np.array(
        [[given[n].west, given[n].north, given[n].turn_deg, given[n].size] for n in names]
    )
    got = np.array(
        [[p.west, p.north, p.turn_deg, p.scale] for p in (done.fits[n].placing for n in names)]
    )
    off = got - true
    off -= np.median(off, axis=0)
    finest = min(s.scale_arcsec for s in given.values())
    pixels = np.hypot(off[:, 0], off[:, 1]) * SUN_ARCSEC / finest
    at_two = pixels + 2.0 * SUN_ARCSEC / finest * np.hypot(np.radians(off[:, 2]), off[:, 3])
    own = at_two * finest / [given[n].scale_arcsec for n in names]
    print(
        f"common frame: centre rms {np.sqrt(np.mean(pixels**2)):.3f} px, worst {pixels.max():.3f}; "
        f"at 2 solar radii rms {np.sqrt(np.mean(at_two**2)):.3f}, worst {at_two.max():.3f} px of "
        f"the finest, {own.max():.3f} px of its own"
    )
    for c, s in enumerate(done.scales):
        relative = np.log(s.gain * [given[n].gain[c] for n in names])
        relative -= np.median(relative)
        print(f"gain {'RGB'[c]}: rms {100 * np.std(relative):.2f} %, worst "
              f"{100 * np.abs(relative).max():.2f} %")  # fmt: skip
    print(f"chi-square {done.chi2:.2f}; tracks: {len(done.tracks)}")
    for t in done.tracks:
        print(
            f"  PA {t.position_angle:.1f} (painted {BLOB.position_angle}), {t.speed_kms:.0f} ± "
            f"{t.speed_sigma_kms:.0f} km/s (painted {BLOB.speed_kms:.0f}), chance {t.chance:.3f}"
        )


def fake_plan(station, frames_per_task):
    frames = int(station.fault)
    return Plan(frames, frames, -(-frames // frames_per_task), 1.04)


def fake_measure(station, part, parts, ratio):
    time.sleep(SLEEP_S)
    return ""


def fake_settle(station, until, frames_per_task, *_):
    time.sleep(SLEEP_S)
    return Outcome()


WHAT = ("stations", "joined", "scheduler", "cards", "kills", "largest")
_written = [0]


def count_writes() -> None:
    """Count what this process writes to the others of the cluster."""
    from distributed.comm.tcp import TCP

    original = TCP.write

    async def counted(self, *a, **k):
        size = await original(self, *a, **k)
        _written[0] += size or 0
        return size

    TCP.write = counted


def written() -> int:
    return _written[0]


def scheduler(frames: int, stations: int, per_task: int) -> None:
    """Hand out as many pieces as so many frames make."""
    spread.plan_station, spread.measure_frames = fake_plan, fake_measure
    spread.settle_station = fake_settle
    each = frames // stations
    config = load_config(Path(__file__).parent.parent.parent / "configs" / "tracked-telescope.yaml")
    mine = [RunStation(f"s{k:05d}", config, Path("/nowhere"), str(each)) for k in range(stations)]
    run = CampaignRun(executor="dask", workers=2)
    with cluster(run, SilentReporter()) as client:
        count_writes()
        client.run(count_writes)
        began, busy = time.monotonic(), time.process_time()
        run_spread(client, mine, "report", per_task, Tally(lambda line: None))
        wall, cpu = time.monotonic() - began, time.process_time() - busy
        total = written() + sum(client.run(written).values())
    tasks = stations * (2 + -(-each // per_task))
    print(
        f"{frames} frames of {stations} stations, {per_task} a task: {tasks} tasks "
        f"({tasks / frames:.3f} a frame), {total / frames / 1e3:.2f} kB a frame through sockets, "
        f"{wall:.0f} s ({cpu:.0f} s of processor time of client and scheduler, "
        f"{1e3 * cpu / tasks:.2f} ms a task), peak {_peak_mb():.0f} MB; "
        f"a station is {len(pickle.dumps(mine[0]))} bytes"
    )


def _cards(folder: Path, stations: int, frames: int, megapixels: float) -> list[RunStation]:
    few = {"bursts": False, "darks": 0, "flats": 0, "partials": "none", "dates": ("2026-08-12",)}
    out = []
    for k in range(stations):
        card = folder / f"s{k:02d}"
        if not (card / "limbward.yaml").exists():
            card.mkdir(parents=True, exist_ok=True)
            simulate("calm", card, megapixels, k + 1, totality_frames=frames, **few)
        config = load_config(card / "limbward.yaml")
        out.append(RunStation(card.name, config, card / "unused"))
    return out


def _busy_s() -> float:
    """Processor time of this process and of all below it, as long as they live."""
    total = 0.0
    parents: dict[int, list[int]] = {}
    times: dict[int, float] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                rest = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            pid = int(entry.name)
            parents.setdefault(int(rest[1]), []).append(pid)
            # Its own and that of children it has waited for.
            times[pid] = sum(map(int, rest[11:15])) / os.sysconf("SC_CLK_TCK")
    todo = [os.getpid()]
    while todo:
        pid = todo.pop()
        total += times.get(pid, 0.0)
        todo += parents.get(pid, [])
    return total


def _timed(stations: list[RunStation], name: str, workers: int, until: str) -> tuple[float, float]:
    mine = [replace(s, root=s.root.with_name(name)) for s in stations]
    for s in mine:
        shutil.rmtree(s.root, ignore_errors=True)
    run = CampaignRun(executor="dask", workers=workers)
    with cluster(run, SilentReporter()) as client:
        # A worker imports once, however many stations there are.
        run_spread(client, [], until, 4, Tally(lambda line: None))
        client.run(_warm)
        began, busy = time.monotonic(), _busy_s()
        done = run_spread(client, mine, until, 4, Tally(lambda line: print(" ", line)))
        wall, cpu = time.monotonic() - began, _busy_s() - busy
    failed = [n for n, (_, o) in done.items() if o.failed]
    print(
        f"{name}: {len(mine)} stations, {workers} workers: {wall:.1f} s, {cpu:.1f} s of processor "
        f"time; failed: {failed}"
    )
    return wall, cpu


def _warm() -> None:
    from limbward.runs.runner import load_stages
    from limbward.work.executors import local_crew
    from limbward.work.worker import ready

    load_stages()
    with local_crew(1).open_pool(1) as pool:
        pool.submit(ready).result()


def cards(folder: Path, number: int, frames: int, megapixels: float, until: str) -> None:
    """One worker against two, all stations against a quarter."""
    stations = _cards(folder, number, frames, megapixels)
    _timed(stations[:1], "warm", 1, until)
    one, cpu_one = _timed(stations, "one", 1, until)
    two, cpu_two = _timed(stations, "two", 2, until)
    _, cpu_few = _timed(stations[: max(1, number // 4)], "few", 2, until)
    part = max(1, number // 4) * frames
    whole = number * frames
    print(
        f"speed-up of two workers {one / two:.2f} by the clock, processor time {cpu_one:.1f} and "
        f"{cpu_two:.1f} s ({2 * cpu_one / cpu_two:.2f} on idle cores); a frame costs "
        f"{cpu_two / whole:.3f} s of {whole} and {cpu_few / part:.3f} s of {part}"
    )


def kills(
    folder: Path, number: int, frames: int, megapixels: float, count: int, until: str
) -> None:
    """Kill workers at random moments and compare the bytes."""
    stations = _cards(folder, number, frames, megapixels)
    _timed(stations, "whole", 2, until)
    rng = random.Random(1)
    done, differ = 0, 0
    while done < count:
        mine = [replace(s, root=s.root.with_name("killed")) for s in stations]
        for s in mine:
            shutil.rmtree(s.root, ignore_errors=True)
        run = CampaignRun(executor="dask", workers=2)
        with cluster(run, SilentReporter()) as client:
            stop = threading.Event()
            killed = [0]

            def disturb(client=client, stop=stop, killed=killed, left=count - done):
                while not stop.wait(rng.uniform(3.0, 30.0)) and killed[0] < left:
                    try:
                        pids = list(client.run(os.getpid).values())
                        os.kill(rng.choice(pids), signal.SIGKILL)
                        killed[0] += 1
                    except Exception as error:
                        print("  not killed:", error)

            thread = threading.Thread(target=disturb)
            thread.start()
            found = run_spread(client, mine, until, 2, Tally(lambda line: print(" ", line)))
            stop.set()
            thread.join()
        done += killed[0]
        failed = [f"{n}: {o.fault}" for n, (_, o) in found.items() if o.failed]
        for s, other in zip(stations, mine, strict=True):
            whole = contents(s.root.with_name("whole"))
            differ += whole != contents(other.root)
        print(f"{done} kills so far; stations that differ: {differ}; failed: {failed}")


def largest(folder: Path, frames: int, megapixels: float, per_task: int) -> None:
    """Do the pieces of one station one after the other, its merge whole and in pieces."""
    more = {"bursts": False, "darks": 4, "flats": 4, "partial_minutes": 8.0}
    if not (folder / "limbward.yaml").exists():
        simulate("usual", folder, megapixels, 3, totality_frames=frames, **more)
    config = load_config(folder / "limbward.yaml")
    _warm()
    digests = {}
    for name, cut in (("whole", False), ("pieces", True)):
        station = RunStation(name, config, folder / name)
        shutil.rmtree(station.root, ignore_errors=True)
        spent: dict[str, list[float]] = {}

        def timed(kind, work, *arguments, spent=spent):
            before = _busy_s()
            result = work(*arguments)
            spent.setdefault(kind, []).append(_busy_s() - before)
            return result

        plan = timed("plan", plan_station, station, per_task)
        for part in range(plan.parts):
            timed("measure", measure_frames, station, part, plan.parts, plan.ratio)
        settled = timed("settle", settle_station, station, "merge", per_task if cut else 10**6)
        if isinstance(settled, Cut):
            for of in settled.merges:
                for part in range(of.decodings):
                    assert not timed("decode", decode_frames, station, of, part)
                for band in range(of.bands):
                    assert not timed("merge", merge_rows, station, of, band)
            settled = timed("finish", finish_station, station, "merge", 1)
        assert settled.corona, settled
        digests[name] = {k: v for k, v in contents(station.root).items() if "jsonl" not in k}
        digests[name] |= contents(station.root, ("*.fits",))
        total = sum(map(sum, spent.values()))
        chain = sum(map(max, spent.values()))
        print(f"{name}: {plan.frames} files, {total:.1f} s of processor time")
        for kind, times in spent.items():
            part = 100 / total
            print(
                f"  {kind:8} {len(times):3} pieces, {part * sum(times):5.1f} %, the largest "
                f"{part * max(times):5.1f} %"
            )
        print(
            f"  largest piece {100 * max(map(max, spent.values())) / total:.1f} %; the longest "
            f"chain {100 * chain / total:.1f} %: at most {total / chain:.1f} times as fast"
        )
        for stage in ("ingest", "timing", "align", "merge"):
            record = Workspace(station.root).read_json(f"state/{stage}.json")
            print(f"  {stage} in its last piece: {record['seconds']:.1f} s by the clock")
    print("same bytes:", digests["whole"] == digests["pieces"], len(digests["whole"]), "files")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("what", choices=list(WHAT))
    parser.add_argument("folder", type=Path, nargs="?", default=Path("build/campaign"))
    parser.add_argument("--stations", type=int)
    parser.add_argument("--frames", type=int)
    parser.add_argument("--megapixels", type=float)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--per-task", type=int, default=16)
    parser.add_argument("--until", default="timing")
    parser.add_argument("--still", action="store_true", help="nothing moves")
    parser.add_argument("--score", action="store_true", help="compare what an earlier call made")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    size = given.megapixels or (0.1 if given.what == "stations" else 0.05)
    if given.what == "stations":
        stations(given.folder, given.stations or 24, size, given.still, given.score)
    elif given.what == "joined":
        joined(given.folder, given.stations or 24, given.still)
    elif given.what == "scheduler":
        scheduler(given.frames or 100_000, given.stations or 150, given.per_task)
    elif given.what == "cards":
        cards(given.folder, given.stations or 6, given.frames or 8, size, given.until)
    elif given.what == "largest":
        largest(given.folder, given.frames or 32, given.megapixels or 0.4, given.per_task)
    else:
        kills(given.folder, given.stations or 3, given.frames or 6, size, given.kills, given.until)


if __name__ == "__main__":
    sys.exit(main())
