"""A whole run against LibRaw's own demosaic and against a plain script, on the same frames.

    python tests/benchmarks/merge_speed.py [--folder DIR] [--megapixels 24] [--rounds 1]

Simulates 24 frames of totality once (DIR keeps them), warms the file cache and the compiled
kernels, and times, in turn and in one process tree after another:

a  ``limbward run`` on 12, 24 and 48 of them (the 48 are the 24 and as many copies that differ in
   their last byte); until the merge, and for 24 frames the whole run;
b  ``rawpy.postprocess`` of each frame (linear demosaic, 16 bit, no brightening) by as many
   processes as there are cores;
c  a plain script with OpenCV and NumPy: demosaic, phase correlation, warpAffine, weighted mean.

It prints wall and processor seconds, the ratios that matter, and the peak memory of all processes
of a run (proportional set size, so that shared pages count once). Other work on the machine
disturbs wall times more than processor times. Needs the packages of the extra `benchmarks`.
"""

import argparse
import ctypes
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import psutil
import rawpy

from limbward.simulate.card import simulate_card
from limbward.simulate.scenario import adapt, demo_scenario

BRACKET = (1 / 2000, 1 / 500, 1 / 125, 1 / 30, 1 / 8, 1 / 2)
COUNTS = (12, 24, 48)
SAMPLE_S = 0.1
INGEST_TO_MERGE = ("ingest", "timing", "align", "merge")


@dataclass
class Cost:
    """Wall and processor seconds, and the peak memory in bytes."""

    wall_s: float
    cpu_s: float
    peak: float = 0.0


def simulate(folder: Path, megapixels: float, workers: int) -> list[dict]:
    """Simulate the frames if they are not there; return their truth."""
    if not (folder / "truth.json").exists():
        scenario = adapt(
            demo_scenario(megapixels),
            plan={
                "partial_frames": 0,
                "contact_frames": 0,
                "darks": 0,
                "flats": 0,
                "jpegs": 0,
                "truncated": 0,
                "bracket_s": BRACKET,
                "brackets": 4,
            },
            clock={"utc_offset_hours": 0.0, "offset_s": 0.0, "drift_s_per_hour": 0.0},
        )
        simulate_card(folder, scenario, seed=1, jobs=workers)
    return json.loads((folder / "truth.json").read_text())["frames"]


def session(folder: Path, frames: list[dict], count: int) -> tuple[Path, list[Path]]:
    """Make a card of so many of the frames and its config."""
    camera = json.loads((folder / "truth.json").read_text())["cameras"][0]
    root = folder / f"session-{count}"
    shutil.rmtree(root, ignore_errors=True)
    (root / "card").mkdir(parents=True)
    chosen = frames[:count] + frames[: max(0, count - len(frames))]
    paths = []
    for n, frame in enumerate(chosen):
        source, target = folder / frame["file"], root / "card" / f"F{n:04d}.DNG"
        if n < len(frames):
            os.link(source, target)
        else:  # the same file twice would be taken for a copy
            shutil.copyfile(source, target)
            with target.open("ab") as file:
                file.write(b"\0")
        paths.append(target)
    # A time signal was photographed with every eighth frame: the clock is not what is timed.
    references = "".join(
        f'    - {{file: card/F{n:04d}.DNG, utc: "{frame["time_utc"]}"}}\n'
        for n, frame in enumerate(chosen[:24])
        if n % 8 == 0
    )
    (root / "limbward.yaml").write_text(
        "site: {latitude: 65.0, longitude: -23.4, height: 40.0}\n"
        "eclipse: 2026-08-12\ninput: {cards: [card]}\n"
        f"timing:\n  references:\n{references}"
        # As the partial phases would tell.
        f"align: {{up_position_angle: {camera['up_position_angle']}, "
        f"pixel_scale_arcsec: {camera['pixel_scale_arcsec']}}}\n"
    )
    return root / "limbward.yaml", paths


def _memory(process: psutil.Process) -> float:
    total = 0.0
    for each in [process, *process.children(recursive=True)]:
        try:
            total += each.memory_full_info().pss
        except (psutil.Error, OSError):
            continue
    return total


def _adopt_orphans() -> None:
    """Become the parent of processes whose parent ends first; Linux only, prctl(2).

    The server that forks workers ends after the run does, and with it counts what they cost.
    """
    set_child_subreaper = 36
    ctypes.CDLL(None).prctl(set_child_subreaper, 1, 0, 0, 0)


def _wait_for_orphans() -> None:
    with suppress(ChildProcessError):
        while True:
            os.waitpid(-1, 0)


def timed(command: list[str], cores: set[int] | None = None) -> Cost:
    """Run a command; return what it and its children cost."""
    _adopt_orphans()
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    process = subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        preexec_fn=None if cores is None else lambda: os.sched_setaffinity(0, cores),
    )
    peak = 0.0

    def watch() -> None:
        nonlocal peak
        try:
            seen = psutil.Process(process.pid)
            while process.poll() is None:
                peak = max(peak, _memory(seen))
                time.sleep(SAMPLE_S)
        except psutil.Error:
            return

    watcher = threading.Thread(target=watch)
    watcher.start()
    _, error = process.communicate()
    watcher.join()
    wall = time.perf_counter() - begun
    _wait_for_orphans()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} failed:\n{error.decode()}")
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Cost(wall, cpu, peak)


def run(config: Path, *options: str, cores: set[int] | None = None) -> tuple[Cost, float]:
    """Run the pipeline afresh; return its cost, and the seconds of ingest to merge."""
    shutil.rmtree(config.parent / "workspace", ignore_errors=True)
    cost = timed([sys.executable, "-m", "limbward", "run", str(config), *options], cores)
    stages = json.loads((config.parent / "workspace" / "provenance.json").read_text())["stages"]
    return cost, sum(s["seconds"] for s in stages if s["name"] in INGEST_TO_MERGE)


def demosaic(path: str) -> int:
    """Develop one frame as (b) says."""
    with rawpy.imread(path) as raw:
        picture = raw.postprocess(
            demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
            gamma=(1, 1),
            output_bps=16,
            no_auto_bright=True,
        )
    return int(picture[0, 0, 0])


def processor_s() -> float:
    """Return the processor time of this process and of the children that have ended."""
    own, children = (
        resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def measure(work: Callable[[], None]) -> Cost:
    """Time a call in this process."""
    begun, cpu = time.perf_counter(), processor_s()
    work()
    return Cost(time.perf_counter() - begun, processor_s() - cpu)


def rawpy_alone(paths: list[Path], workers: int) -> Cost:
    """Time (b), the start of its processes included in processor seconds only."""
    os.environ["OMP_NUM_THREADS"] = "1"  # the processes share the cores; threads would fight
    cpu = processor_s()
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        list(pool.map(demosaic, [str(paths[0])] * workers))
        begun = time.perf_counter()
        list(pool.map(demosaic, [str(p) for p in paths]))
        wall = time.perf_counter() - begun
    del os.environ["OMP_NUM_THREADS"]
    return Cost(wall, processor_s() - cpu)


def plain_script(paths: list[Path], exposures: list[float]) -> None:
    """Merge frames as (c) says."""
    import cv2

    total = weight = first = None
    for path, exposure in zip(paths, exposures, strict=True):
        with rawpy.imread(str(path)) as raw:
            mosaic, black = raw.raw_image_visible.copy(), raw.black_level_per_channel[0]
            white = raw.white_level
        picture = cv2.cvtColor(mosaic, cv2.COLOR_BayerRGGB2RGB).astype(np.float32)
        small = cv2.resize(picture[..., 1], None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        small = np.log(np.maximum(small - black, 1.0))
        first = small if first is None else first
        (dx, dy), _ = cv2.phaseCorrelate(first, small)
        shift = np.float32([[1, 0, -4 * dx], [0, 1, -4 * dy]])
        good = (picture.max(axis=2) < 0.9 * white).astype(np.float32) * exposure
        value = (picture - black) / exposure
        size = (picture.shape[1], picture.shape[0])
        value = cv2.warpAffine(value, shift, size, flags=cv2.INTER_LINEAR)
        good = cv2.warpAffine(good, shift, size, flags=cv2.INTER_LINEAR)[..., None]
        total = value * good if total is None else total + value * good
        weight = good if weight is None else weight + good
    np.divide(total, weight, out=total, where=weight > 0)


def report(name: str, cost: Cost, frames: int) -> None:
    """Print a cost."""
    memory = f", peak {cost.peak / 1e9:.2f} GB" if cost.peak else ""
    print(
        f"{name}: {cost.wall_s:.1f} s ({cost.wall_s / frames:.3f} a frame), processor "
        f"{cost.cpu_s:.1f} s ({cost.cpu_s / frames:.3f} a frame){memory}",
        flush=True,
    )


def ratios(title: str, wall: float, cpu: float, asked: str) -> None:
    """Print a figure by the clock and by processor seconds."""
    print(f"{title}: {wall:.2f} by the clock, {cpu:.2f} by processor time (asked: {asked})")


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--megapixels", type=float, default=24.0)
    parser.add_argument("--last", default="report", help="last stage of the whole run")
    parser.add_argument("--one-worker", action="store_true", help="also time one core alone")
    arguments = parser.parse_args()
    folder = arguments.folder or Path(tempfile.mkdtemp(prefix="limbward-benchmark-"))
    workers = len(os.sched_getaffinity(0))
    frames = simulate(folder, arguments.megapixels, workers)
    sessions = {n: session(folder, frames, n) for n in COUNTS}
    run(sessions[12][0], "--until", arguments.last)  # compiles the kernels
    for path in sessions[48][1]:
        path.read_bytes()

    print(f"{arguments.megapixels:g} megapixels, {workers} cores")
    until, staged = {}, {}
    for n in COUNTS:
        until[n], staged[n] = run(sessions[n][0], "--until", "merge")
        report(f"a, until the merge, {n} frames", until[n], n)
    whole, _ = run(sessions[24][0], "--until", arguments.last)
    report(f"a, until the {arguments.last}, 24 frames", whole, 24)
    paths = sessions[24][1]
    libraw = rawpy_alone(paths, workers)
    report("b, LibRaw's demosaic, 24 frames", libraw, 24)
    exposures = [float(f["exposure_s"]) for f in frames]
    script = measure(lambda: plain_script(paths, exposures))
    report("c, OpenCV and NumPy, 24 frames", script, 24)

    marginal = (staged[48] - staged[12]) / 36
    marginal_cpu = (until[48].cpu_s - until[12].cpu_s) / 36
    ratios("marginal a / b", marginal / libraw.wall_s * 24, marginal_cpu / libraw.cpu_s * 24, "1.0")
    ratios("marginal a / c", marginal / script.wall_s * 24, marginal_cpu / script.cpu_s * 24, "1.0")
    ratios("whole a / b", whole.wall_s / libraw.wall_s, whole.cpu_s / libraw.cpu_s, "2.5")
    peak = max(c.peak for c in (*until.values(), whole))
    print(f"peak memory: {peak / 1e9:.2f} GB (asked: 2.0)")
    print(f"peak, 48 frames / 12: {until[48].peak / until[12].peak:.2f} (asked: 1.1)")
    if arguments.one_worker:
        alone, _ = run(sessions[24][0], "--until", "merge", "--jobs", "1", cores={0})
        report("a on one core with one worker, 24 frames", alone, 24)
        print(f"throughput of 2 over 1: {alone.wall_s / until[24].wall_s:.2f} (asked: 1.7)")


if __name__ == "__main__":
    main()
