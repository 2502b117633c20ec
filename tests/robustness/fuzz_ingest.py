"""Ingest DNG files with some of their bytes changed: nothing may crash, hang or leave its place.

    python -m tests.robustness.fuzz_ingest --files 2000

measures so many mutated files as a run does, in worker processes, and ends with status 1 if a
decoder crashed, a file took longer than 10 s, or a file outside the workspace was touched.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from limbward.camera.card import find_files
from limbward.stages.measuring import Task, measure_all, measure_file
from limbward.work.executors import local_crew
from limbward.workspace.ingest_rows import Row
from tests.camera.files import BAYER, SIX, dng, noise

HANG_S = 10.0
SHAPE = (48, 64)
TOOK = "took_s"


@dataclass
class Tally:
    """What became of the mutated files."""

    tried: int = 0
    crashes: list[str] = field(default_factory=list)
    hangs: list[str] = field(default_factory=list)
    touched: list[str] = field(default_factory=list)
    phases: Counter[str] = field(default_factory=Counter)
    slowest_s: float = 0.0

    @property
    def ok(self) -> bool:
        """Whether nothing went wrong."""
        return not (self.crashes or self.hangs or self.touched)


def seeds(root: Path) -> list[bytes]:
    """Return the DNG files that are mutated: several mosaics, sizes and sets of tags."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    disc = 8000.0 / (1 + np.exp(np.hypot(x - 32, y - 24) - 14)) + rng.normal(512, 4, SHAPE)
    files = [
        dng(root / "a.dng", disc.astype(np.uint16)),
        dng(root / "b.dng", noise(SHAPE), pattern=BAYER["GBRG"], margins=(2, 2, 2, 2)),
        dng(root / "c.dng", noise(SHAPE), pattern=SIX, subsec_digits=3, offset_hours=3.0),
        dng(root / "d.dng", noise(SHAPE), pattern=[[1]], orientation=6),
    ]
    return [file.read_bytes() for file in files]


def mutated(originals: list[bytes], count: int, seed: int) -> Iterator[bytes]:
    """Yield files with bits flipped, bytes set to telling values, or parts cut or repeated.

    Nine changes in ten fall where the structure is, before the pixels: in the first 4 kB and the
    last 1 kB.
    """
    rng = np.random.default_rng(seed)
    for number in range(count):
        data = bytearray(originals[number % len(originals)])
        for _ in range(int(rng.geometric(0.3))):
            size = len(data)
            reach = min(4096, size) if rng.random() < 0.6 else size
            place = int(rng.integers(reach))
            if rng.random() < 0.3:
                place = max(0, size - 1 - int(rng.integers(min(1024, size))))
            kind = rng.random()
            if kind < 0.45:
                data[place] ^= 1 << int(rng.integers(8))
            elif kind < 0.75:
                data[place] = int(rng.choice([0, 1, 0x7F, 0x80, 0xFF]))
            elif kind < 0.92:  # a whole 32-bit number, such as an offset or a count
                word = int(rng.choice([0, 8, size, 2**31 - 1, 2**31, 2**32 - 1, 60000]))
                data[place : place + 4] = word.to_bytes(4, "little")
            elif kind < 0.96:
                del data[place : place + int(rng.integers(1, 64))]
            else:
                data[place:place] = data[place : place + int(rng.integers(1, 64))]
        yield bytes(data)


def timed(task: Task) -> Row:
    """Measure a file as ingest does, and note how long it took."""
    begun = time.monotonic()
    row = measure_file(task)
    return row | {TOOK: time.monotonic() - begun}


def state_of(root: Path, leave_out: Path) -> dict[str, tuple[int, int, str]]:
    """Return size, time and checksum of every file but those of the workspace."""
    found = {}
    for path in sorted(root.rglob("*")):
        if path.is_file() and leave_out not in path.parents:
            status = path.stat()
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            found[str(path.relative_to(root))] = (status.st_size, status.st_mtime_ns, digest)
    return found


def fuzz(root: Path, count: int, seed: int, jobs: int = 2) -> Tally:
    """Measure mutated files below ``root``, which must be empty."""
    card, workspace = root / "card", root / "workspace"
    card.mkdir()
    workspace.mkdir()
    for number, data in enumerate(mutated(seeds(root / "seeds"), count, seed)):
        (card / f"m{number:05d}.dng").write_bytes(data)
    before = state_of(root, workspace)
    files = find_files([card], root).files
    tasks = {f.file: Task(f, workspace, 1.04) for f in files}
    tally = Tally(tried=len(tasks))
    for key, row in measure_all(tasks, local_crew(jobs), timed):
        tally.phases[row["phase"]] += 1
        took = row.get(TOOK)
        if took is None:  # its process ended, so that another wrote the row
            tally.crashes.append(f"{key}: {row['note'][-1]}")
            continue
        tally.slowest_s = max(tally.slowest_s, took)
        if took > HANG_S:
            tally.hangs.append(f"{key}: {took:.1f} s")
    after = state_of(root, workspace)
    tally.touched = sorted(n for n in before.keys() | after.keys() if before.get(n) != after.get(n))
    return tally


def main() -> int:
    """Run the trial from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="An empty folder for the files.")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = options.keep or Path(folder)
        os.chdir(root)  # what writes to the working directory is found there
        os.environ["TMPDIR"] = os.environ["HOME"] = str(root)
        tally = fuzz(root, options.files, options.seed)
    print(
        f"{tally.tried} files, {len(tally.crashes)} crashes, {len(tally.hangs)} hangs, "
        f"{len(tally.touched)} files outside the workspace touched, "
        f"slowest {tally.slowest_s:.2f} s, {dict(tally.phases)}"
    )
    print("\n".join([*tally.crashes, *tally.hangs, *tally.touched]))
    return 0 if tally.ok else 1


if __name__ == "__main__":
    sys.exit(main())
