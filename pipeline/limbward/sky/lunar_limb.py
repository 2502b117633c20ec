"""The Moon's true limb, from its relief: what stands out furthest along the line of sight.

References
----------
Relief: LOLA's gridded record LDEM_16 (D. E. Smith et al., Geophys. Res. Lett. 37 (2010) L18204;
NASA PDS, LRO-L-LOLA-4-GDR-V1.0), 16 pixels a degree, metres above a sphere of 1737.4 km about the
centre of mass, which is also the centre of the ephemeris.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.sky.ephemeris import ARCSEC, EARTH_EQUATORIAL_RADIUS_KM, Radii
from limbward.sky.kept import keep, kept, place_of
from limbward.sky.libration import DATA, TurnedMoon
from limbward.sky.limb_profile import LimbProfile

Floats = NDArray[np.float64]

SPHERE_KM = 1737.4
ROWS, COLUMNS, A_DEGREE = 2880, 5760, 16
COUNT_KM = 0.0005
POINTS = 3600
# What is packed reaches so far; at a solar eclipse the libration is never larger.
LONGEST, WIDEST = 8.5, 2.0
# Degrees from the limb, along the line of sight. Within NEAR all is interpolated; beyond, down to
# REACH, only what a look at the nearest pixel does not rule out (in 100 000 pairs of neighbouring
# pixels none differs from a place between them by more than MARGIN_KM).
NEAR, REACH, STEP = 1.5, 5.95, 1.0 / A_DEGREE
MARGIN_KM = 1.5


@dataclass(frozen=True)
class LunarLimb:
    """The limb as an observer sees it, at 3600 position angles.

    Attributes
    ----------
    position_angle : ndarray, shape (P,)
        Degrees from celestial north (true equator of date) through east, about the Moon's centre.
    radius_arcsec : ndarray, shape (P,)
        Angle on the sky between the centre of mass and the limb.
    distance_km : float
        From the observer to the Moon's centre.
    longitude, latitude : ndarray, shape (P,)
        Selenographic, degrees, of the place that stands out furthest.
    """

    position_angle: Floats
    radius_arcsec: Floats
    distance_km: float
    longitude: Floats
    latitude: Floats

    def place(self, position_angle: float) -> tuple[float, float]:
        """Return selenographic longitude and latitude of what makes the limb somewhere, degrees."""
        k = round(position_angle / 360.0 * POINTS) % POINTS
        return float(self.longitude[k]), float(self.latitude[k])

    def profile(self, radii: Radii | None = None) -> LimbProfile:
        """Return the limb's height in arcsec above the mean limb of ``radii.k_penumbra``."""
        mean = (radii or Radii()).k_penumbra * EARTH_EQUATORIAL_RADIUS_KM
        smooth = np.arcsin(mean / self.distance_km) * ARCSEC
        return LimbProfile(self.position_angle, self.radius_arcsec - smooth)


def limb_of(moon: TurnedMoon) -> LunarLimb:
    """Return the limb of a Moon that is turned so, at the first of its instants.

    Parameters
    ----------
    moon : TurnedMoon
        Near a solar eclipse, from `limbward.sky.libration.turned_moon`.

    Raises
    ------
    LimbwardError
        If the libration is larger than at any solar eclipse, when the Moon shows other edges than
        those that come with limbward.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from limbward.sky.ephemeris import Site
    >>> from limbward.sky.libration import turned_moon
    >>> from limbward.sky.lunar_limb import limb_of
    >>> limb = limb_of(turned_moon(Time("2026-08-12T17:46:00"), Site(65.0, -25.0)))
    >>> bool(abs(limb.profile().height_arcsec).max() < 4)
    True
    """
    if abs(moon.longitude[0]) > LONGEST or abs(moon.latitude[0]) > WIDEST:
        raise LimbwardError(
            f"The Moon is turned by {moon.longitude[0]:.1f} and {moon.latitude[0]:.1f} degrees: "
            "its edge there is known for solar eclipses only."
        )
    angle = np.arange(POINTS, dtype=np.float64) * (360.0 / POINTS)
    a = np.radians(angle)[:, None]
    outwards = np.cos(a) * moon.north[0] + np.sin(a) * moon.east[0]
    towards, distance = moon.towards[0], float(moon.distance_km[0])
    # The horizon of a sphere lies a quarter of a degree on the observer's side of its middle.
    horizon = np.degrees(np.arcsin(SPHERE_KM / distance))
    near = np.radians(horizon + np.arange(-NEAR, NEAR + STEP / 2, STEP))
    tangent = _tangent(_heights(*_places(outwards, towards, near)), near, distance)
    best = np.argmax(tangent, axis=1)
    highest = np.take_along_axis(tangent, best[:, None], axis=1)[:, 0]
    tilt = near[best]
    beyond = np.arange(NEAR + STEP, REACH, STEP)
    far = np.radians(horizon + np.concatenate([-beyond[::-1], beyond]))
    row, column = _places(outwards, towards, far)
    # How high a place has to be to stand out; few are.
    needed = distance * highest[:, None] / (np.cos(far) + highest[:, None] * np.sin(far))
    nearest = _counts()[
        np.clip((row + 0.5).astype(np.int32), 0, ROWS - 1),
        (column + 0.5).astype(np.int32) % COLUMNS,
    ]
    at, which = np.nonzero(nearest > (needed - (SPHERE_KM + MARGIN_KM)) / COUNT_KM)
    high = _tangent(_heights(row[at, which], column[at, which]), far[which], distance)
    for k in np.flatnonzero(high > highest[at]):
        if high[k] > highest[at[k]]:
            highest[at[k]], tilt[at[k]] = high[k], far[which[k]]
    places = np.cos(tilt)[:, None] * outwards + np.sin(tilt)[:, None] * towards
    return LunarLimb(
        position_angle=angle,
        radius_arcsec=np.arctan(highest) * ARCSEC,
        distance_km=distance,
        longitude=np.degrees(np.arctan2(places[:, 1], places[:, 0])),
        latitude=np.degrees(np.arcsin(places[:, 2])),
    )


def _tangent(height_km: Floats, tilt: Floats, distance: float) -> Floats:
    """Return the tangent of the angle on the sky between the Moon's centre and a place."""
    radius = SPHERE_KM + height_km
    return radius * np.cos(tilt) / (distance - radius * np.sin(tilt))


def _places(
    outwards: Floats, towards: Floats, tilt: Floats
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return rows and columns of the map, (P, T), for places tilted towards the observer."""
    # Single precision is 2e-5 degrees, 0.6 m, and twice as fast.
    c, s = np.cos(tilt).astype(np.float32), np.sin(tilt).astype(np.float32)
    x, y, z = (
        np.float32(outwards[:, i : i + 1]) * c + np.float32(towards[i]) * s for i in range(3)
    )
    scale = np.float32(np.degrees(1.0) * A_DEGREE)
    half = np.float32(0.5)  # the first pixel's middle is half a pixel from the pole and meridian
    row = np.float32(ROWS // 2) - half - np.arcsin(np.clip(z, -1.0, 1.0)) * scale
    column = np.arctan2(y, x) * scale - half
    return row, np.where(column < 0, column + np.float32(COLUMNS), column)


def _heights(row: NDArray[np.float32], column: NDArray[np.float32]) -> Floats:
    """Return heights above the sphere, kilometres, interpolated between four pixels."""
    counts = _counts()
    row = np.clip(row, 0, ROWS - 1)
    top, left = row.astype(np.int32), column.astype(np.int32)
    down, across = row - top, column - left
    below, right = np.minimum(top + 1, ROWS - 1), (left + 1) % COLUMNS
    left = left % COLUMNS
    upper = counts[top, left] * (1 - across) + counts[top, right] * across
    lower = counts[below, left] * (1 - across) + counts[below, right] * across
    return (upper * (1 - down) + lower * down) * COUNT_KM


@cache
def _counts() -> NDArray[np.int16]:
    """Return the map, (2880, 5760), half metres; zero where nothing can stand on the limb.

    Unpacking takes 0.1 s, a seventh of `limbward contacts`, so it is kept unpacked.
    """
    source = DATA / "lunar_limb.npz"
    said = source.stat()
    path = place_of(f"relief-{said.st_size}-{said.st_mtime_ns}.npy")
    found = kept(path, mapped=True)
    if found is not None and found.shape == (ROWS, COLUMNS) and found.dtype == np.int16:
        return np.asarray(found)
    unpacked = _unpacked(source)
    keep(unpacked, path)
    return unpacked


def _unpacked(source: Path) -> NDArray[np.int16]:
    with np.load(source) as packed:
        steps = packed["high"].astype(np.uint16)
        steps <<= 8
        steps |= packed["low"]
        first, length = packed["first"], packed["length"]
    values = np.cumsum(steps, dtype=np.uint16).view(np.int16)
    found = np.zeros(ROWS * COLUMNS, np.int16)
    done = 0
    for start, count in zip(first.tolist(), length.tolist(), strict=True):
        found[start : start + count] = values[done : done + count]
        done += count
    return found.reshape(ROWS, COLUMNS)
