"""Memory of a film of many frames: the frames of a finished card, over and over.

Usage: python tests/benchmarks/film_memory.py CONFIG [FRAMES]

Prints the process's memory after every hundred frames: it should not grow with their number.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil

from limbward.config import with_jobs
from limbward.config.loading import load_config
from limbward.products.film import PHASES, film_of
from limbward.products.shots import counted_off, cuts, read_shots
from limbward.sequences.film import write_films
from limbward.sequences.timelapse import choose, film_scale
from limbward.workspace import Workspace

SIDE = 480


def main(path: Path, count: int) -> None:
    """Make the film and watch the memory."""
    config = with_jobs(load_config(path), 1)
    workspace = Workspace(config.resolve(config.workspace))
    shots = read_shots(config, workspace, PHASES, None, "film")
    shots = shots.take(choose(shots, None))
    shots = shots.take(np.arange(count) % len(shots))
    views = shots.views(SIDE, film_scale(shots, 2.4, SIDE), "solar_north")
    film = film_of(config, shots, views)
    process, done, begun = psutil.Process(), 0, time.perf_counter()

    def advance() -> None:
        nonlocal done
        done += 1
        if done % 100 == 0:
            size = process.memory_info().rss / 1e6
            print(f"{done} frames: {size:.0f} MB, {time.perf_counter() - begun:.0f} s", flush=True)

    with tempfile.TemporaryDirectory() as folder:
        made = counted_off(cuts(config, shots, shots.sun[:, :2], views), advance)
        pictures = write_films({"mp4": f"{folder}/film.mp4"}, film.pictures(made), config.film.rate)
    print(f"{pictures} pictures")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1000)
