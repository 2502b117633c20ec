"""Mutate the headers of frames: what is read from them can be true, or is masked with a note.

    python -m tests.robustness.fuzz_headers --headers 20000

gives so many mutated Exif blocks and FITS headers to the parsers and their results to a table, and
ends with status 1 if any raised an exception, took longer than 10 s, or gave a value that cannot
be.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from limbward.camera.exif import read_exif
from limbward.camera.shot import Exif
from limbward.workspace.columns import table_text
from limbward.workspace.ingest_rows import exif_columns
from limbward.workspace.ingest_table import to_table
from tests.camera.files import dng, jpeg, noise, ratio

HANG_S = 10.0
BATCH = 200  # rows of a table
CARD = 80  # bytes of a line of a FITS header
LIMITS = {
    "exposure_s": (1e-7, 1e5),
    "iso": (0, 1e8),
    "f_number": (0.1, 1e4),
    "focal_length_mm": (0.1, 1e6),
    "pixel_pitch_um": (0.5, 30.0),
    "orientation": (1, 8),
    "offset_hours": (-15, 15),
}
TELLING = (
    *("9223372036854775808", "-1", "0", "1E300", "1.0E-320", "9" * 60, "1E999", "-0.0", "T", "F"),
    *(
        "'2026-13-45T99:99:99'",
        "'9999-12-31T23:59:60'",
        "'2026-08-12T17:45:30+23:59'",
        "''",
        "(1,2)",
    ),
    *("'1990-01-01T00:00:00+23:59'", "'TAI'", "NaN", "Inf", "'\x07'", "'" + "x" * 67 + "'"),
    *("(1,2)", "'2026-08-12T17:45:30.1234567890123'"),
)
KEYWORDS = (
    *("DATE-OBS", "DATE-BEG", "EXPTIME", "EXPOSURE", "ISO", "ISOSPEED", "GAIN", "FOCRATIO"),
    *("FOCALLEN", "XPIXSZ", "PIXSIZE1", "INSTRUME", "CAMSER", "SERIAL", "TIMESYS", "SIMPLE"),
    *("NAXIS", "NAXIS1", "BITPIX", "CONTINUE", "HIERARCH a", "XTENSION"),
)


@dataclass
class Tally:
    """What became of the mutated headers."""

    tried: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)
    noted: int = 0
    slowest_s: float = 0.0


def seeds(root: Path) -> list[tuple[str, bytes]]:
    """Return suffix and content of the files that are mutated."""
    frame = dng(root / "a.dng", noise((16, 16)), subsec_digits=3, offset_hours=3.0)
    exif = {0x9003: "2026:08:12 17:45:30", 0x829A: ratio(1, 500), 0x829D: ratio(8, 1), 0x8827: 100}
    more = {
        0x920A: ratio(600, 1),
        0xA20E: ratio(2658, 1),
        0xA210: 3,
        0x9291: "25",
        0x9011: "+02:00",
    }
    position = {7: (ratio(17, 1), ratio(44, 1), ratio(3, 2)), 29: "2026:08:12"}
    picture = jpeg(root / "b.jpg", exif | more, {0x010F: "Invented", 0x0110: "One"}, position)
    lines = ["SIMPLE  =                    T", "BITPIX  =                   16"]
    lines += ["NAXIS   =                    2", "NAXIS1  =                    2"]
    lines += ["NAXIS2  =                    2", "DATE-OBS= '2026-08-12T17:45:30.5'"]
    lines += ["EXPTIME =                  0.5", "ISO     =                  200"]
    lines += ["GAIN    =                  100", "INSTRUME= 'Invented One'", "XPIXSZ  = 3.76"]
    lines += ["FOCALLEN=                600.0", "FOCRATIO=                  8.0", "END"]
    header = "".join(line.ljust(CARD) for line in lines).ljust(2880).encode()
    return [(".dng", frame.read_bytes()), (".jpg", picture.read_bytes()), (".fits", header)]


def mutated(content: bytes, suffix: str, rng: np.random.Generator) -> bytes:
    """Return a header with lines, values or bytes changed."""
    data = bytearray(content)
    for _ in range(int(rng.geometric(0.3))):
        size = len(data)
        if suffix == ".fits" and rng.random() < 0.7:
            at = CARD * int(rng.integers(2, max(3, min(size // CARD, 36))))
            line = f"{rng.choice(KEYWORDS):8}= {rng.choice(TELLING)}"[:CARD].ljust(CARD)
            data[at : at + CARD] = line.encode("latin-1")
            continue
        place, kind = int(rng.integers(max(1, min(size, 1500)))), rng.random()
        if kind < 0.4:
            data[place : place + 1] = bytes([int(rng.integers(256))])
        elif kind < 0.85:
            word = int(rng.choice([0, 1, size, 2**31 - 1, 2**31, 2**32 - 1, 60000, 99]))
            data[place : place + 4] = word.to_bytes(4, "little" if kind < 0.6 else "big")
        elif kind < 0.95:
            del data[place : place + int(rng.integers(1, 64))]
        else:
            del data[place:]
    return bytes(data)


def impossible(exif: Exif) -> list[str]:
    """Return what cannot be true of a frame."""
    found = []
    for name, (low, high) in LIMITS.items():
        value = getattr(exif, name)
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            found.append(f"{name} is {value}")
    for when in (exif.time_camera, exif.gps_utc):
        if when is not None and not (1989 <= when.year <= 2100 and when.tzinfo is None):
            found.append(f"a time is {when}")
    texts = (exif.camera, exif.serial, *exif.notes, *exif.camera_notes)
    found += [f"{text!r} is not printable" for text in texts if not text.isprintable()]
    return found


def fuzz(root: Path, headers: int, seed: int) -> Tally:
    """Parse so many mutated headers in an empty folder."""
    rng, tally = np.random.default_rng(seed), Tally()
    originals = seeds(root)
    rows = []
    for number in range(headers):
        suffix, content = originals[number % len(originals)]
        path = root / f"mutated{suffix}"
        path.write_bytes(mutated(content, suffix, rng))
        tally.tried[suffix] += 1
        begun = time.monotonic()
        row = {"file": table_text(f"{number}{suffix}"), "kind": "raw", "size": 1, "note": []}
        try:
            exif = read_exif(path, decode=False)
            row |= exif_columns(exif) | {"note": list(exif.notes)}
        except Exception as error:  # each of them is what this looks for
            tally.faults.append(f"{number}{suffix}: {type(error).__name__}: {error}")
            continue
        took = time.monotonic() - begun
        tally.slowest_s = max(tally.slowest_s, took)
        tally.noted += bool(exif.notes)
        wrong = impossible(exif) + ([f"{took:.1f} s"] if took > HANG_S else [])
        tally.faults += [f"{number}{suffix}: {fault}" for fault in wrong]
        rows.append(row)
    for first in range(0, len(rows), BATCH):
        try:
            to_table(rows[first : first + BATCH])
        except Exception as error:  # as above
            tally.faults.append(f"a table from {first} on: {type(error).__name__}: {error}")
    return tally


def main() -> int:
    """Run the trial from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--headers", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tally = fuzz(Path(folder), options.headers, options.seed)
    print(
        f"{options.headers} headers, {dict(tally.tried)}, {tally.noted} with a note, slowest "
        f"{tally.slowest_s:.2f} s: {len(tally.faults)} faults"
    )
    print("\n".join(tally.faults[:50]))
    return 1 if tally.faults else 0


if __name__ == "__main__":
    sys.exit(main())
