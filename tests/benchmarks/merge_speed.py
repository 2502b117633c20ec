"""A whole run against LibRaw's own demosaic and against a plain script, on the same frames.

Simulates 24 frames of totality once, warms the file cache and the compiled kernels, and times:

a  ``limbward run`` on 12, 24 and 48 of them (the 48 are the 24 and as many copies of which a sample
   differs by one); until the merge, and for 24 frames the whole run;
b  ``rawpy.postprocess`` of each frame (linear demosaic, 16 bit, no brightening) by as many
   processes as there are cores;
c  a plain script with OpenCV and NumPy: demosaic, phase correlation, warpAffine, weighted mean.

`python -m tests.benchmarks` runs it and prints the ratios that matter.
"""

import json
import os
import shutil
import sys
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import rawpy

from limbward.simulate.card import simulate_card
from limbward.simulate.scenario import adapt, demo_scenario
from tests.benchmarks.measuring import Cost, measure, processor_s, timed

BRACKET = (1 / 2000, 1 / 500, 1 / 125, 1 / 30, 1 / 8, 1 / 2)
COUNTS = (12, 24, 48)


def simulate(folder: Path, megapixels: float, workers: int, brackets: int = 4) -> list[dict]:
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
                "brackets": brackets,
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
        else:  # the same picture twice would be merged once
            content = bytearray(source.read_bytes())
            content[len(content) // 4 * 2] ^= 1
            target.write_bytes(content)
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


def run(config: Path, *options: str, cores: set[int] | None = None) -> Cost:
    """Run the pipeline afresh; return its cost."""
    shutil.rmtree(config.parent / "workspace", ignore_errors=True)
    return timed([sys.executable, "-m", "limbward", "run", str(config), *options], cores)


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


def costs(folder: Path, megapixels: float, counts: Sequence[int] = COUNTS) -> dict[str, Cost]:
    """Return what (a), (b) and (c) cost, by the names of the table in the README.

    Parameters
    ----------
    folder : Path
        Keeps the simulated card.
    megapixels : float
    counts : sequence of int
        Of frames; 24 is among them.
    """
    workers = len(os.sched_getaffinity(0))
    frames = simulate(folder, megapixels, workers)
    sessions = {n: session(folder, frames, n) for n in counts}
    run(sessions[min(counts)][0])  # compiles the kernels
    for path in sessions[max(counts)][1]:
        path.read_bytes()
    out = {f"merge-{n}": run(sessions[n][0], "--until", "merge") for n in counts}
    out["run-24"] = run(sessions[24][0])
    out["merge-24-alone"] = run(
        sessions[24][0], "--until", "merge", "--jobs", "1", cores={min(os.sched_getaffinity(0))}
    )
    paths = sessions[24][1]
    out["libraw-24"] = rawpy_alone(paths, workers)
    exposures = [float(f["exposure_s"]) for f in frames]
    out["script-24"] = measure(lambda: plain_script(paths, exposures))
    return out


def ratios(found: Mapping[str, Cost]) -> dict[str, float]:
    """Return what the costs of `costs` are to each other, in processor time where it is a cost."""
    marginal = (found["merge-48"].cpu_s - found["merge-12"].cpu_s) / 36
    return {
        "frame / libraw": marginal / found["libraw-24"].cpu_s * 24,
        "frame / script": marginal / found["script-24"].cpu_s * 24,
        "run / libraw": found["run-24"].cpu_s / found["libraw-24"].cpu_s,
        "two workers / one": found["merge-24-alone"].wall_s / found["merge-24"].wall_s,
        "memory of 48 / 12": found["merge-48"].peak / found["merge-12"].peak,
    }
