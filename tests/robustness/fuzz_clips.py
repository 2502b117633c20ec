"""Read films with some of their bytes changed: nothing may crash the run, hang or stop the others.

    python -m tests.robustness.fuzz_clips --clips 200

reads so many mutated films as `limbward clips` does, in a worker process, and ends with status 1 if
one gave neither samples nor a sentence with its name, took longer than 60 s, or the worker took
more than 2 GB.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from limbward.clips.sampling import MEMORY, sample
from limbward.work.executors import local_crew
from limbward.work.map import Failure, FileMap, Task
from tests.robustness.fuzz_ingest import mutated

HANG_S = 60.0
MOST_BYTES = 2e9
SAMPLES = 8
ENCODERS = {"mp4": "libx264", "mov": "mpeg4", "mkv": "libvpx-vp9", "avi": "mjpeg"}
WIDTH, HEIGHT = 96, 64


@dataclass
class Tally:
    """What became of the mutated films."""

    tried: int = 0
    read: int = 0
    ends: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    slowest_s: float = 0.0
    peak: int = 0


def film(path: Path, count: int = 20, rate: float = 10.0) -> Path:
    """Write a small film of a disc that moves, coded as the suffix asks."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    with av.open(str(path), "w") as container:
        stream = container.add_stream(
            ENCODERS[path.suffix[1:]], rate=Fraction(rate).limit_denominator(10**6)
        )
        stream.width, stream.height = WIDTH, HEIGHT
        stream.pix_fmt = "yuvj420p" if path.suffix == ".avi" else "yuv420p"
        for n in range(count):
            light = 255.0 / (1.0 + np.exp(np.hypot(x - 40 - n / 2, y - 32) - 20.0))
            grey = av.VideoFrame.from_ndarray(light.astype(np.uint8), format="gray")
            picture = grey.reformat(format=stream.pix_fmt)
            picture.pts = n
            for packet in stream.encode(picture):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    return path


def written_over(data: bytes, changes: dict[bytes, list[tuple[int, bytes]]]) -> bytes:
    """Return an MP4 with bytes at offsets behind the name of a box replaced."""
    out = bytearray(data)
    for name, pieces in changes.items():
        at = out.find(name, out.find(b"moov"))  # the first four letters are in its brands, too
        assert at > 0, name
        for offset, piece in pieces:
            out[at + 4 + offset : at + 4 + offset + len(piece)] = piece
    return bytes(out)


def number(value: int, size: int = 4) -> bytes:
    """Return a big-endian number."""
    return value.to_bytes(size, "big")


def bombs(good: bytes) -> dict[str, bytes]:
    """Return films that claim what no device films, made from a sound MP4, by name."""
    vast = number(30000, 2) * 2
    return {
        "vast.mp4": written_over(good, {b"avc1": [(24, vast)]}),
        "vast-track.mp4": written_over(
            good, {b"tkhd": [(76, number(30000 << 16) * 2)], b"avc1": [(24, vast)]}
        ),
        "no-size.mp4": written_over(good, {b"avc1": [(24, bytes(4))]}),
        "ages.mp4": written_over(
            good, {b"mvhd": [(16, number(2**32 - 2))], b"mdhd": [(16, number(2**31 - 1))]}
        ),
        "no-scale.mp4": written_over(good, {b"mdhd": [(12, bytes(4))], b"mvhd": [(12, bytes(4))]}),
        "one-scale.mp4": written_over(good, {b"mdhd": [(12, number(1))]}),
        "no-steps.mp4": written_over(good, {b"stts": [(12, bytes(4))]}),
        "long-steps.mp4": written_over(good, {b"stts": [(12, number(2**28))]}),
        "many-pictures.mp4": written_over(good, {b"stsz": [(8, number(2**32 - 1))]}),
        "unknown.mp4": written_over(good, {b"avc1": [(-4, b"zzzz")]}),
        "late.mp4": written_over(good, {b"mvhd": [(4, number(2**32 - 1))]}),
        "cut.mp4": good[: len(good) // 2],
        "empty.mp4": b"",
    }


def vast_pictures(good: bytes) -> bytes:
    """Return an AVI whose JPEGs are 30000 x 30000, unlike its header; SOF0 of ITU-T T.81, B.2.2."""
    start, side = b"\xff\xc0\x00\x11\x08", number(30000, 2)
    parts = good.split(start)
    assert len(parts) > 2
    return start.join([parts[0], *(side + side + part[4:] for part in parts[1:])])


def peak_bytes() -> int:
    """Return the most memory that this process has held, in bytes."""
    kilo = 1 if sys.platform == "darwin" else 1024
    return kilo * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def cases(root: Path, count: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """Yield films by name: the bombs, then so many mutated ones."""
    sound = [film(root / f"good.{suffix}") for suffix in ENCODERS]
    yield from bombs(sound[0].read_bytes()).items()
    yield "vast.avi", vast_pictures(sound[3].read_bytes())
    originals = [path.read_bytes() for path in sound]
    for n, data in enumerate(mutated(originals, count, seed)):
        yield f"m{n:05d}{sound[n % len(sound)].suffix}", data


def fuzz(root: Path, count: int, seed: int) -> Tally:
    """Read films below ``root``, which must be empty, and a sound one after each."""
    tally = Tally()
    with FileMap(local_crew(1), origin="device") as films:
        for name, data in cases(root, count, seed):
            path = root / name
            path.write_bytes(data)
            begun = time.monotonic()
            try:
                found = films.one(sample, Task(name, path, (path, SAMPLES, 1.04), room=MEMORY))
                if isinstance(found, Failure):
                    tally.ends[found.sentence.replace(name, "_")] += 1
                    if name not in found.sentence:
                        tally.faults.append(f"{name} is not named: {found.sentence}")
                else:
                    assert len(found.found) == len(found.at_s) > 0
                    tally.read += 1
            except Exception as error:
                tally.faults.append(f"{name}: {type(error).__name__}: {error}")
            took = time.monotonic() - begun
            tally.slowest_s = max(tally.slowest_s, took)
            if took > HANG_S:
                tally.faults.append(f"{name}: {took:.1f} s")
            tally.tried += 1
            path.unlink()
            tally.peak = max(tally.peak, films.one(peak_bytes, Task(0, root / "good.mp4", ())))
        path = root / "good.mp4"
        sound = films.one(sample, Task(0, path, (path, SAMPLES, 1.04), room=MEMORY))
        if len(sound.found) != SAMPLES:
            tally.faults.append("the sound film is not read any more")
    if tally.peak > MOST_BYTES:
        tally.faults.append(f"a worker took {tally.peak / 1e9:.2f} GB")
    return tally


def main() -> int:
    """Run the trial from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tally = fuzz(Path(folder), options.clips, options.seed)
    print(
        f"{tally.tried} films, {tally.read} read, {len(tally.faults)} faults, slowest "
        f"{tally.slowest_s:.2f} s, peak {tally.peak / 1e9:.2f} GB"
    )
    for sentence, times in tally.ends.most_common():
        print(f"{times:5d}  {sentence}")
    print("\n".join(tally.faults))
    return 1 if tally.faults else 0


if __name__ == "__main__":
    sys.exit(main())
