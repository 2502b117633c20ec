"""``python make_terrain.py LDEM_16.IMG moon_pa_de421_1900-2050.bpc``: the packaged files.

Writes what the package needs of the Moon's relief and orientation beside itself.
README.md beside this script says where the two sources come from. Nothing of this runs later.
"""

from __future__ import annotations

import argparse
import hashlib
import re
from pathlib import Path
from typing import Any

import numpy as np
from jplephem.daf import DAF
from numpy.typing import NDArray

TARGET = Path(__file__).resolve().parent
SHA256 = {
    "LDEM_16.IMG": "84db3e58bcb5c6631bf2f0c1953df5ef55212f5a5f8145760fd188802f1870ed",
    "LDEM_16.LBL": "bba0e73e67fcef1c1fae63a03053c5ea65b7c63c84a4a9b2b1552d61da01c2be",
    "moon_pa_de421_1900-2050.bpc": (
        "656f90616403d75a75f0cd6c8830fc5b44f8cb4facb5ccb8915e752b397520cf"
    ),
}
SHAPE = (2880, 5760)  # rows from the north pole, columns from longitude 0 eastwards
A_DEGREE = 16

# Topocentric libration at a solar eclipse: 8.5 degrees in longitude, 2 in latitude, since the Moon
# is near its node. 6 degrees from the limb (R + h) cos of it is 9.5 km lower: only the highest
# places, 10.8 km, stand out over a limb that is 1 km high. A tenth more, for interpolation.
LONGITUDE, LATITUDE, REACH = 8.5, 2.0, 6.1
STEP_RAD = 1e-9  # of the orientation's coefficients: 0.2 mas, 2 mm on the Moon


def read(path: Path) -> bytes:
    """Return a file whose SHA-256 is as it should be."""
    content = path.read_bytes()
    if hashlib.sha256(content).hexdigest() != SHA256[path.name]:
        raise SystemExit(f"{path} is not the file that is described in README.md.")
    return content


def near_limb() -> NDArray[np.bool_]:
    """Return which pixels can stand on the limb at a solar eclipse."""
    latitude = np.radians(90.0 - (np.arange(SHAPE[0]) + 0.5) / A_DEGREE)[:, None]
    longitude = np.radians((np.arange(SHAPE[1]) + 0.5) / A_DEGREE)[None, :]
    lowest, highest = np.full(SHAPE, 90.0, np.float32), np.full(SHAPE, -90.0, np.float32)
    # Height above the plane of the limb is extreme at the corners and edges of the box of
    # librations; in between it changes by less than the tenth of a degree that REACH has over.
    for sub_longitude in np.radians(np.linspace(-LONGITUDE, LONGITUDE, 9)):
        for sub_latitude in np.radians([-LATITUDE, 0.0, LATITUDE]):
            sine = np.sin(sub_latitude) * np.sin(latitude) + np.cos(sub_latitude) * np.cos(
                latitude
            ) * np.cos(longitude - sub_longitude)
            above = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
            lowest, highest = np.minimum(lowest, above), np.maximum(highest, above)
    return (lowest <= REACH) & (highest >= -REACH)


def terrain(image: Path) -> dict[str, NDArray[np.generic]]:
    """Return the heights near the limb as differences of neighbours, high and low bytes apart."""
    label = image.with_suffix(".LBL")
    text = read(label).decode("ascii")
    counts = np.frombuffer(read(image), "<i2").reshape(SHAPE)
    for name, value in (("MINIMUM", counts.min()), ("MAXIMUM", counts.max())):
        said = re.search(rf"\b{name} +=\s*(-?\d+)", text)
        if said is None or int(said[1]) != value:
            raise SystemExit(f"{image}: {name} is {value}, and the label says otherwise.")
    inside = near_limb().ravel()
    edges = np.flatnonzero(np.diff(inside, prepend=False, append=False))
    first, end = edges[0::2], edges[1::2]
    kept = counts.ravel()[inside]
    steps = np.diff(kept, prepend=np.int16(0)).view(np.uint16)  # wraps, as the sum does again
    return {
        "first": first.astype(np.int32),
        "length": (end - first).astype(np.int32),
        "high": (steps >> 8).astype(np.uint8),
        "low": (steps & 255).astype(np.uint8),
    }


def orientation(kernel: Path) -> dict[str, NDArray[np.generic]]:
    """Return the Chebyshev series of the Moon's Euler angles, rounded to `STEP_RAD`."""
    read(kernel)
    with kernel.open("rb") as file:
        daf = DAF(file)
        (_, summary), *rest = daf.summaries()
        first_s, last_s, body, frame, kind, start, end = summary
        if rest or (int(body), int(frame), int(kind)) != (31006, 1, 2):
            raise SystemExit(f"{kernel} does not hold what is expected.")
        begin, span_s, size, count = daf.read_array(end - 3, end)
        records = np.array(daf.read_array(start, end - 4)).reshape(int(count), int(size))
    # A record: middle and half its span, in seconds TDB from J2000, then three series.
    if not np.allclose(records[:, 0] - records[:, 1], begin + span_s * np.arange(int(count))):
        raise SystemExit(f"{kernel}: the records do not follow each other.")
    series = records[:, 2:].reshape(int(count), 3, -1)
    whole = np.round(series / STEP_RAD)
    return {
        "begin_s": np.array(begin),
        "span_s": np.array(span_s),
        "first_s": np.array(first_s),
        "last_s": np.array(last_s),
        "step_rad": np.array(STEP_RAD),
        "mean": whole[:, :, 0].astype(np.int64),
        "rest": whole[:, :, 1:].astype(np.int32),
    }


def main() -> None:
    """Make both files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("image", type=Path, help="LDEM_16.IMG, with LDEM_16.LBL beside it")
    parser.add_argument("kernel", type=Path, help="moon_pa_de421_1900-2050.bpc")
    told = parser.parse_args()
    made: dict[str, dict[str, Any]] = {
        "lunar_limb.npz": terrain(told.image),
        "lunar_orientation.npz": orientation(told.kernel),
    }
    for name, arrays in made.items():
        np.savez_compressed(TARGET / name, **arrays)
        content = (TARGET / name).read_bytes()
        print(f"{name}: {len(content)} bytes, sha256 {hashlib.sha256(content).hexdigest()}")


if __name__ == "__main__":
    main()
