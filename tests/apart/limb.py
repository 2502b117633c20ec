"""The Moon's real limb: each pixel of a map of heights put into space and seen from the site.

Shares nothing with the package: the whole grid (LDEM_16 of NASA's PDS) and the kernel of the Moon's
orientation as `python -m tests.real_files.fetch` gets them, turned by hand, and projected forwards
instead of searched for along lines of sight.
"""

from __future__ import annotations

import functools
import os
from pathlib import Path

import numpy as np

from .corona import MoonLimb
from .ephemeris import ARCSEC, LIGHT_KM_S, Site, tangent_axes

ROOT = Path(__file__).resolve().parents[2]
REFERENCE_KM = 1737.4
BANDS = 4096  # position angles of a profile, as those of an invented limb
TABLE_S = 900.0
J2000 = 2451545.0
# NAIF, moon_080317.tf: from principal axes of DE421 to mean Earth and polar axis, arcsec about the
# third, the second and the first axis.
MEAN_EARTH = ((2, -67.92), (1, -78.56), (0, -0.30))


def _file(package: str, name: str) -> Path:
    path = Path(os.environ.get("LIMBWARD_REAL_FILES", ROOT / "build/real-files")) / package / name
    if not path.exists():
        raise SystemExit(f"{path} is not there: python -m tests.real_files.fetch")
    return path


@functools.cache
def near_limb() -> tuple[np.ndarray, np.ndarray]:
    """Directions (n, 3) and radii (km) of places within 17 degrees of the mean limb, on a grid of
    32 places a degree: between pixels heights are interpolated, as a surface is."""
    counts = np.fromfile(_file("pdsimage", "LDEM_16.IMG"), "<i2").reshape(2880, 5760)
    k = np.arange(5760) / 16 + 1 / 32
    columns = np.flatnonzero((np.abs(k - 90) < 17) | (np.abs(k - 270) < 17))
    places, radii = [], []
    polar = np.r_[0:272, 2608:2880]
    for rows, cols in ((np.arange(2880), columns), (polar, np.arange(5760))):
        for down in (0.0, 0.5):
            for across in (0.0, 0.5):
                high = counts[np.ix_(rows, cols)].astype(np.float32)
                below, beside = np.minimum(rows + 1, 2879), (cols + 1) % 5760
                if down:
                    high = 0.5 * (high + counts[np.ix_(below, cols)])
                if across:
                    right = counts[np.ix_(rows, beside)].astype(np.float32)
                    if down:
                        right = 0.5 * (right + counts[np.ix_(below, beside)])
                    high = 0.5 * (high + right)
                lat = np.radians(90 - (rows + 0.5 + down) / 16)[:, None]
                lon = np.radians((cols + 0.5 + across) / 16)[None, :]
                way = np.stack(
                    np.broadcast_arrays(
                        np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)
                    ),
                    -1,
                )
                places.append(way.reshape(-1, 3).astype(np.float32))
                radii.append((REFERENCE_KM + 0.0005 * high).ravel().astype(np.float32))
    return np.concatenate(places), np.concatenate(radii)


def _about(axis: int, angle: float) -> np.ndarray:
    """Turn of the axes by an angle, (3, 3)."""
    c, s = np.cos(angle), np.sin(angle)
    out = np.eye(3)
    i, j = [k for k in range(3) if k != axis]
    sign = -1 if axis == 1 else 1
    out[i, i] = out[j, j] = c
    out[i, j], out[j, i] = sign * s, -sign * s
    return out


def to_moon(tdb_days: float) -> np.ndarray:
    """GCRS axes to those of the map, (3, 3)."""
    from jplephem.pck import DAF, PCK

    with _file("lunarsky", "moon_pa_de421_1900-2050.bpc").open("rb") as stream:
        node, tilt, spin = PCK(DAF(stream)).segments[0].compute(J2000, tdb_days, False)
    out = _about(2, float(spin)) @ _about(0, float(tilt)) @ _about(2, float(node))
    for axis, angle in MEAN_EARTH:
        out = _about(axis, angle * ARCSEC) @ out
    return out


def profile(site: Site, seconds: float) -> np.ndarray:
    """Height of the limb over the Moon's smooth radius, arcsec, on the plane of the scene."""
    seen = site.look(seconds)
    km = float(seen.moon_km[0])
    tt = site.jd0 - J2000 + seconds / 86400 + (37 + 32.184) / 86400
    turn = to_moon(tt - km / LIGHT_KM_S / 86400)
    moon = seen.moon[0] * km
    away = turn @ seen.moon[0]
    ways, radii = near_limb()
    low = ways @ away.astype(np.float32)
    near = np.abs(low) < 0.11  # sine of 6.3 degrees
    points = (ways[near] * radii[near, None]).astype(float) @ turn + moon
    centre = seen.equatorial("sun")[0]
    east, north = tangent_axes(centre)
    v = points @ seen.to_date[0].T
    middle = seen.equatorial("moon")[0]
    off = [(v @ a) / (v @ centre) - (middle @ a) / (middle @ centre) for a in (east, north)]
    angle = np.arctan2(off[0], off[1]) % (2 * np.pi)
    size = np.hypot(*off) / ARCSEC
    # The highest of each twelfth of a degree: a pixel of the map is a sixteenth.
    coarse = 4320
    highest = np.full(coarse, -np.inf)
    np.maximum.at(highest, (angle * (coarse / (2 * np.pi))).astype(int) % coarse, size)
    at = (np.arange(BANDS) / BANDS * coarse - 0.5) % coarse
    low_at = np.floor(at).astype(int)
    part = at - low_at
    smooth = highest[low_at] * (1 - part) + highest[(low_at + 1) % coarse] * part
    return (smooth - float(site.radii(seen)[1][0])).astype(np.float32)


class RealLimb(MoonLimb):
    """The limb of a site and a time: ``turn`` sets the time."""

    def __init__(self, site: Site, seed: int, earthshine: float) -> None:
        super().__init__(0.0, seed, earthshine)
        self.site, self.rms = site, 1.0
        self._known: dict[int, np.ndarray] = {}

    def turn(self, seconds: float) -> None:
        k = int(np.floor(seconds / TABLE_S))
        for j in (k, k + 1):
            if j not in self._known:
                self._known[j] = profile(self.site, j * TABLE_S)
        part = seconds / TABLE_S - k
        self.profile = (1 - part) * self._known[k] + part * self._known[k + 1]
