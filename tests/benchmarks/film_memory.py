"""Memory of a film of many frames: the frames of a finished card, over and over.

Usage: python -m tests.benchmarks.film_memory CONFIG [FRAMES [SIDE]]

Prints the most memory of all processes together since the last fifty frames: it should not grow
with their number.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil

from limbward.config import with_jobs
from limbward.config.loading import load_config
from limbward.products.film import PHASES, film_of, giving_back
from limbward.products.shots import counted_off, cuts, read_shots
from limbward.sequences.film import write_films
from limbward.sequences.timelapse import choose, film_scale
from limbward.workspace import Workspace
from tests.benchmarks.measuring import SAMPLE_S, memory_of

SIDE = 480


def main(path: Path, count: int, side: int) -> None:
    """Make the film and watch the memory."""
    config = with_jobs(load_config(path), 1)
    workspace = Workspace(config.resolve(config.workspace))
    shots = read_shots(config, workspace, PHASES, None, "film")
    shots = shots.take(choose(shots, None))
    shots = shots.take(np.arange(count) % len(shots))
    views = shots.views(side, film_scale(shots, 2.4, side), "solar_north")
    film = film_of(config, shots, views)
    process, done, begun, most = psutil.Process(), 0, time.perf_counter(), 0.0

    def watch() -> None:
        nonlocal most
        while True:
            most = max(most, memory_of(process))
            time.sleep(SAMPLE_S)

    def advance() -> None:
        nonlocal done, most
        done += 1
        if done % 50 == 0:
            passed = time.perf_counter() - begun
            print(f"{done} frames: {most / 1e6:.0f} MB, {passed:.0f} s", flush=True)
            most = 0.0

    threading.Thread(target=watch, daemon=True).start()
    with tempfile.TemporaryDirectory() as folder:
        made = counted_off(cuts(config, shots, shots.sun[:, :2], views), advance)
        shown = giving_back(film.pictures(made))
        pictures = write_films({"mp4": f"{folder}/film.mp4"}, shown, config.film.rate)
    print(f"{pictures} pictures")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[2:]]
    main(Path(sys.argv[1]), *(given + [1000, SIDE][len(given) :]))
