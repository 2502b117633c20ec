"""Pictures of beads by straightforward means that share nothing with what dates them.

The Moon is a polygon from the relief's own pixels, projected one by one; the Sun is made of small
patches, each of which shows or does not, and falls on a pixel; a picture is their sum, blurred.
Limb darkening is Allen's where the package has Neckel's. Only the ephemeris, the libration and the
unpacked map are the package's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.time import Time, TimeDelta
from scipy import fft

from limbward.camera.luminance import Plane
from limbward.geometry.disc import Disc
from limbward.limb.rim import rim_light
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Radii, Site, view
from limbward.sky.libration import turned_moon
from limbward.sky.lunar_limb import _counts
from limbward.sky.real_limb import real_limb

SUN_KM = 149597870.7 * np.sin(np.radians(959.95 / 3600.0))
# Allen's Astrophysical Quantities, 4th ed., 14.7, at 550 nm.
DARKENING = np.array([0.30, 0.93, -0.23])
DEGREE = 3600.0
FINE = 2  # places between the map's pixels, each way


def polygon(time: Time, site: Site) -> tuple[np.ndarray, np.ndarray]:
    """Return the Moon's outline: angles in degrees, radii in arcsec, every 0.05 degrees."""
    moon = turned_moon(time, site)
    towards, north, east = moon.towards[0], moon.north[0], moon.east[0]
    distance = float(moon.distance_km[0])
    heights = _counts()
    step = 1.0 / 16.0 / FINE
    best = np.full(7200, -np.inf)
    # A strip of a few rows at a time, to keep memory small.
    for first in range(0, 2880 - 1, 40):
        rows = np.arange(first, min(first + 40, 2879), 1.0 / FINE)
        columns = np.arange(0, 5760, 1.0 / FINE)
        latitude = np.radians(90.0 - (rows + 0.5) * step * FINE)[:, None]
        longitude = np.radians((columns + 0.5) * step * FINE)[None]
        c = np.cos(latitude)
        p = np.stack(
            [c * np.cos(longitude), c * np.sin(longitude), np.sin(latitude) + 0 * longitude]
        )
        up = np.tensordot(towards, p, 1)
        y, x = np.nonzero(np.abs(up) < np.sin(np.radians(5.5)))
        if not y.size:
            continue
        r, k = rows[y], columns[x]
        i, j = r.astype(int), k.astype(int)
        f, g = r - i, k - j
        j1 = (j + 1) % 5760
        h = (heights[i, j] * (1 - g) + heights[i, j1] * g) * (1 - f)
        h = h + (heights[i + 1, j] * (1 - g) + heights[i + 1, j1] * g) * f
        radius = 1737.4 + 0.0005 * h
        here = p[:, y, x]
        away = distance - radius * up[y, x]
        e, n = radius * (east @ here) / away, radius * (north @ here) / away
        size = np.degrees(np.arctan(np.hypot(e, n))) * DEGREE
        cell = np.round(np.degrees(np.arctan2(e, n)) % 360.0 * 20.0).astype(int) % 7200
        np.maximum.at(best, cell, size)
    angle = np.arange(7200) * 0.05
    # Towards the poles the pixels are dense, at the equator 0.03 degrees apart: no cell is empty.
    assert np.isfinite(best).all()
    return angle, best


@dataclass(frozen=True)
class Optics:
    """Arcsec a pixel, how the picture is turned, and how it is blurred."""

    scale: float = 2.5
    up_deg: float = 0.0
    mirrored: bool = False
    sigma_arcsec: float = 3.0
    wings: tuple[tuple[float, float], ...] = ((0.006, 12.0), (0.0015, 60.0), (0.0004, 300.0))
    # Of the mean Sun in 1 s, over the range: ISO 100 at f/8.
    rate: float = 2.7e7


@dataclass(frozen=True)
class Eclipse:
    """A place and an outline of the Moon (degrees, arcsec) at greatest eclipse."""

    site: Site
    greatest: Time
    angle: np.ndarray
    radius: np.ndarray
    greatest_km: float
    sun_km: float = SUN_KM


def sunlight(eclipse: Eclipse, t: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return what shows of the Sun at ``t``: places from the Moon's centre, east and north, arcsec,
    and the light of each, mean disc times square arcsec."""
    sky = view(
        Time([eclipse.greatest]) + TimeDelta(t, format="sec"),
        eclipse.site,
        radii=Radii(solar_radius_km=eclipse.sun_km),
    )
    moon = np.array([sky.moon_east_arcsec[0], sky.moon_north_arcsec[0]])
    size = float(sky.sun_radius_arcsec[0])
    depth = np.concatenate([np.arange(0.01, 1.0, 0.02), np.arange(1.05, 9.0, 0.1)])
    thick = np.where(depth < 1.0, 0.02, 0.1)
    middle = np.degrees(np.arctan2(-moon[0], -moon[1]))
    around = np.radians(np.arange(middle - 75.0, middle + 75.0, 0.02))
    d, a = (x.ravel() for x in np.meshgrid(depth, around, indexing="ij"))
    area = (thick[:, None] * (size - depth[:, None]) * np.radians(0.02) + 0 * around).ravel()
    e, n = (size - d) * np.sin(a) - moon[0], (size - d) * np.cos(a) - moon[1]
    place = np.degrees(np.arctan2(e, n)) % 360.0
    # The Moon comes nearer or recedes by 40 m a second.
    near = eclipse.greatest_km / turned_moon(sky.time, eclipse.site).distance_km[0]
    outline = near * np.interp(place, eclipse.angle, eclipse.radius, period=360.0)
    shows = np.hypot(e, n) > outline
    mu = np.sqrt(1.0 - (1.0 - d[shows] / size) ** 2)
    bright = DARKENING[0] + DARKENING[1] * mu + DARKENING[2] * mu**2
    mean = DARKENING[0] + 2 / 3 * DARKENING[1] + DARKENING[2] / 2
    return e[shows], n[shows], bright / mean * area[shows]


def picture(
    eclipse: Eclipse, optics: Optics, t: float, exposure_s: float, rng: np.random.Generator
) -> tuple[Plane, tuple[float, float, float]]:
    """Return a frame's green plane, 1 its range, and the Moon's centre and radius in it, pixels."""
    e, n, light = sunlight(eclipse, t)
    radius = float(eclipse.radius.mean()) / optics.scale
    side = int(2.5 * radius) // 2 * 2
    cx, cy = side / 2 + rng.uniform(-5.0, 5.0, 2)
    up = np.radians(optics.up_deg)
    left, high = e * np.cos(up) - n * np.sin(up), e * np.sin(up) + n * np.cos(up)
    x = cx + (left if optics.mirrored else -left) / optics.scale
    y = cy - high / optics.scale
    cell = np.round(y).astype(int) * side + np.round(x).astype(int)
    image = np.bincount(cell, light, side * side)[: side * side].reshape(side, side)
    image = image / optics.scale**2
    rows, columns = np.indices((side, side))
    away = np.hypot(columns - cx, rows - cy) / radius
    image += np.where(away > 1.0, 2.6e-6 * np.maximum(away, 1.0) ** -8.0, 0.0)
    fy, fx = fft.fftfreq(side), fft.rfftfreq(side)
    q2 = fy[:, None] ** 2 + fx**2
    transfer = 0.0
    rest = 1.0 - sum(part for part, _ in optics.wings)
    for part, sigma in ((rest, optics.sigma_arcsec), *optics.wings):
        width = np.hypot(sigma, optics.sigma_arcsec) if part < 0.5 else sigma
        transfer = transfer + part * np.exp(-2.0 * (np.pi * width / optics.scale) ** 2 * q2)
    image = fft.irfft2(fft.rfft2(image) * transfer, (side, side))
    image *= optics.rate * exposure_s
    electrons = 4e4
    image = image + rng.normal(size=image.shape) * np.sqrt(
        np.maximum(image, 0.0) / electrons + 2e-4**2
    )
    clipped = image > 1.0
    return Plane(image.astype(np.float32), clipped, 1.0, (0.0, 0.0)), (cx, cy, radius)


# Total eclipses and places near their central lines, degrees north and east, so that the Moon is
# turned differently in each.
ECLIPSES = (
    ("1999-08-11", 45.1, 24.3),
    ("2001-06-21", -11.2, 2.9),
    ("2002-12-04", -39.3, 59.6),
    ("2006-03-29", 23.3, 16.8),
    ("2008-08-01", 65.6, 72.0),
    ("2009-07-22", 24.2, 144.1),
    ("2010-07-11", -19.7, -121.9),
    ("2012-11-13", -40.0, -161.3),
    ("2015-03-20", 64.4, -6.6),
    ("2016-03-09", 10.1, 148.8),
    ("2017-08-21", 37.1, -87.5),
    ("2019-07-02", -17.2, -109.0),
    ("2020-12-14", -40.5, -68.0),
    ("2024-04-08", 25.5, -104.1),
    ("2026-08-12", 65.0, -25.0),
    ("2027-08-02", 25.2, 33.2),
)
EXPOSURES = (1 / 1000, 1 / 2000, 1 / 4000)


@dataclass(frozen=True)
class Session:
    """Short frames around C2 and C3 of a camera, and what is true of them.

    ``start_s`` (N,) is when exposures began, from greatest eclipse; the clock, read to whole
    seconds, is ``offset_s`` fast. ``totality_s`` is that of a smooth Moon.
    """

    eclipse: Eclipse
    optics: Optics
    start_s: np.ndarray
    exposure_s: np.ndarray
    rims: np.ndarray
    offset_s: float
    totality_s: tuple[float, float]

    @property
    def reading_s(self) -> np.ndarray:
        """What the clock read."""
        return np.floor(self.start_s + self.offset_s)


def relief(rng: np.random.Generator, rms: float, longest: int, shortest: int, fall: float):
    """Return heights every 0.05 degrees that no Moon has, of waves around the limb."""
    waves = np.zeros(3601, complex)
    k = np.arange(longest, shortest)
    waves[k] = (rng.normal(size=k.size) + 1j * rng.normal(size=k.size)) / k**fall
    heights = np.fft.irfft(waves, 7200)
    return heights / heights.std() * rms


def session(
    which: int, seed: int, moon: str = "real", sides: str = "both", frames: int = 9
) -> Session:
    """Return a session whose camera, clock, place in the path and instants are drawn at random.

    Parameters
    ----------
    which : int
        Of ``ECLIPSES``.
    seed : int
    moon : {'real', 'smooth', 'random'}
        ``random`` has mountains as high as the real one's.
    sides : {'both', 'C2', 'C3'}
    frames : int
        A contact.

    Notes
    -----
    The Moon that is painted is rougher than the map by 0.04 arcsec, its centre is measured to 0.4
    pixels, and the camera is 2 times more or less sensitive than another.
    """
    date, latitude, longitude = ECLIPSES[which]
    rng = np.random.default_rng(seed)
    site = Site(latitude + rng.uniform(-0.15, 0.15), longitude + rng.uniform(-0.15, 0.15), 100.0)
    circumstances = local_circumstances(date, site)
    greatest = circumstances.contacts["greatest"].time
    angle, radius = polygon(greatest, site)
    contacts = real_limb(circumstances, site).contacts
    if moon != "real":
        radius = np.full_like(radius, radius.mean())
    if moon == "random":
        radius = radius + relief(rng, 0.8, 6, 300, 1.0)
    distance_km = float(turned_moon(greatest, site).distance_km[0])
    outline = radius + relief(rng, 0.04, 20, 1500, 0.5)
    eclipse = Eclipse(site, greatest, angle, outline, distance_km)
    optics = Optics(
        scale=rng.uniform(1.5, 5.0),
        up_deg=rng.uniform(0.0, 360.0),
        mirrored=bool(rng.integers(2)),
        sigma_arcsec=rng.uniform(1.5, 5.0),
        rate=2.7e7 * np.exp(0.7 * rng.normal()),
    )
    second, third = ((t - greatest).to_value("s") for t in (contacts.second, contacts.third))
    middle = []
    if sides != "C3":
        middle.append(second + np.sort(rng.uniform(-7.0, 1.5, frames)))
    if sides != "C2":
        middle.append(third + np.sort(rng.uniform(-1.5, 7.0, frames)))
    t = np.concatenate(middle)
    exposure = np.resize(EXPOSURES, t.size)
    rims = []
    for instant, each in zip(t, exposure, strict=True):
        plane, (x, y, r) = picture(eclipse, optics, instant, each, rng)
        off = 0.4 * rng.normal(size=3)
        rims.append(rim_light(plane, Disc(x + off[0], y + off[1], r + off[2]), 1.0))
    smooth = [(circumstances.contacts[c].time - greatest).to_value("s") for c in ("C2", "C3")]
    return Session(
        eclipse,
        optics,
        t - exposure / 2,
        exposure,
        np.array(rims),
        rng.uniform(-1800.0, 1800.0),
        (smooth[0], smooth[1]),
    )
