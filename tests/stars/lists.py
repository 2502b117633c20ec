"""Lists of points as frames of a camera show them, by the geometry of the second simulator."""

from __future__ import annotations

from dataclasses import dataclass

import astropy.units as u
import numpy as np
from astropy.time import Time

from limbward.sky.air import standard_air
from limbward.sky.beside_sun import beside_sun
from limbward.sky.ephemeris import Site as OurSite
from limbward.stars.tracks import Frames
from tests.apart import stars
from tests.apart.ephemeris import ARCSEC, Site
from tests.apart.pose import Camera, Mount, view

PLACE = Site(25.5, 33.2, 100.0, "2027-08-02")  # on the path of that day
GREATEST = 36400.0  # seconds of the day, within a minute
ZERO = 14.0  # magnitude of one ADU a second


@dataclass(frozen=True)
class Card:
    """Frames with what is true of them."""

    frames: Frames
    up: float
    scale: float
    names: list[str]


def epoch() -> Time:
    return Time(PLACE.date, scale="utc") + GREATEST * u.s


def sky(degrees: float = 2.5):
    place = OurSite(PLACE.latitude, PLACE.longitude, PLACE.height)
    return beside_sun(epoch(), place, standard_air(PLACE.height), degrees)


def card(
    seed=0,
    *,
    mirrored=False,
    distortion=0.0,
    roll=0.7,
    magnitudes=(5.0, 8.0),
    most=100,
    decoys=15,
    noise_px=0.1,
    kind="equatorial",
    count=8,
):
    """Return frames over two minutes of a camera with a field of 3.4 by 2.3 degrees."""
    rng = np.random.default_rng([seed, 5])
    camera = Camera(1800, 1200, 0.02, 600.0, mirrored, distortion)
    mount = Mount(
        PLACE, kind, GREATEST - 70.0, roll=roll, off=(60 * ARCSEC, -45 * ARCSEC), periodic=5.0,
        polar=(1e-3, 1e-3),
    )  # fmt: skip
    some = stars.around(PLACE, GREATEST, magnitudes, 2.1)
    times = GREATEST + np.linspace(-60.0, 60.0, count)
    points, suns, moons, radii, named = [], [], [], [], set()
    for t in times:
        now = view(camera, mount, t, rng.normal(0, 0.5, 2))
        at = now.pixels(some.direction)
        inside = (at > 12).all(1) & (at[:, 0] < 1788) & (at[:, 1] < 1188)
        inside &= np.hypot(*(at - np.array(now.sun)).T) > 2.2 * now.sun_arcsec / now.scale
        shown = np.flatnonzero(inside)[:most]
        named |= {f"HIP {some.hip[k]}" for k in shown}
        signal = 10 ** (0.4 * (ZERO - some.magnitude[shown]))
        found = np.column_stack([
            at[shown] + rng.normal(0, noise_px, (shown.size, 2)),
            np.full(shown.size, noise_px), signal, signal / 20.0,
        ])  # fmt: skip
        false = np.column_stack([
            rng.uniform(12, 1788, decoys), rng.uniform(12, 1188, decoys), np.full(decoys, 0.3),
            10 ** (0.4 * (ZERO - rng.uniform(*magnitudes, decoys))), np.ones(decoys),
        ])  # fmt: skip
        false[:, 4] = false[:, 3] / 5.0
        points.append(np.concatenate([found, false]))
        suns.append(complex(*now.sun))
        moons.append(complex(*now.moon))
        radii.append(now.moon_arcsec / now.scale)
    still = view(camera, mount, GREATEST)
    turned = [np.radians(view(camera, mount, t).up_angle - still.up_angle) for t in times]
    frames = Frames(
        points, np.array(suns), np.array(moons), np.array(radii),
        np.array(turned) * (-1.0 if mirrored else 1.0), times - GREATEST, np.ones(count),
        camera.width, camera.height,
    )  # fmt: skip
    return Card(frames, still.up_angle, camera.scale, sorted(named))
