"""Merged coronas painted from a formula: nothing of the package makes them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from astropy.io.fits import Header

SUN_ARCSEC = 947.0
SUN_KM = 695_700.0


@dataclass(frozen=True)
class Blob:
    """A Gaussian that moves outwards, as part of the corona at its middle."""

    position_angle: float
    radius: float  # solar radii at time 0
    speed_kms: float
    height: float = 0.06
    width: float = 0.06  # solar radii
    width_deg: float = 4.0


@dataclass(frozen=True)
class Station:
    """How a station sees the corona, and what its header makes of that."""

    side: int = 181
    scale_arcsec: float = 30.0
    up_deg: float = 0.0  # position angle of the picture's up, from solar north
    west: float = 0.0  # solar radii: errors of the header
    north: float = 0.0
    turn_deg: float = 0.0
    size: float = 1.0
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sky: float = 0.0  # part of the corona at 2 solar radii
    noise: float = 0.003  # of the corona at 2 solar radii
    seconds: float = 0.0
    moon: tuple[float, float] = (0.03, 0.0)  # west, north
    moon_radius: float = 1.05
    seed: int = 0
    blobs: tuple[Blob, ...] = field(default=())


def brightness(west, north, seconds=0.0, blobs=()):
    """The corona at places in solar radii: streamers and rays on a steep fall."""
    rho = np.maximum(np.hypot(west, north), 0.9)
    angle = np.arctan2(-west, north)
    fall = 0.05 * rho**-2.5 + 1.4 * rho**-7 + 2.6 * rho**-17
    rays = np.zeros_like(rho)
    for k, (n, phase, bend) in enumerate(
        [(3, 0.3, 0.2), (7, 1.1, -0.3), (13, 2.0, 0.4), (23, 0.7, 0.25), (41, 2.9, -0.2)]
    ):
        rays += 0.25 / (1 + 0.5 * k) * np.sin(n * (angle + bend * np.log(rho)) + phase)
    for b in blobs:
        r = b.radius + b.speed_kms * seconds / SUN_KM
        away = (np.degrees(angle) - b.position_angle + 180) % 360 - 180
        rays += b.height * np.exp(-0.5 * (((rho - r) / b.width) ** 2 + (away / b.width_deg) ** 2))
    return fall * (1.0 + rays)


def paint(s: Station):
    """Return light, sigma (3, H, W, rows from the top) and the header."""
    n = s.side
    u = np.radians(s.up_deg)
    columns, rows = np.meshgrid(np.arange(n, dtype=float), np.arange(n, dtype=float))
    middle = (n + 1) / 2.0
    right, up = columns + 1 - middle, n - rows - middle
    step = s.scale_arcsec / SUN_ARCSEC
    # Up is at position angle u, so north lies that far clockwise of up: to the right.
    west = step * (right * np.cos(u) - up * np.sin(u))
    north = step * (right * np.sin(u) + up * np.cos(u))
    t = np.radians(s.turn_deg)
    dw, dn = (west - s.west) / s.size, (north - s.north) / s.size
    true_west, true_north = dw * np.cos(t) + dn * np.sin(t), -dw * np.sin(t) + dn * np.cos(t)
    truth = brightness(true_west, true_north, s.seconds, s.blobs)
    unit = brightness(np.array([2.0]), np.array([0.0]))[0]
    rng = np.random.default_rng(s.seed)
    sigma = np.sqrt((s.noise * unit) ** 2 + s.noise**2 * unit * truth)
    light = np.stack(
        [g * (truth + s.sky * unit + sigma * rng.standard_normal(truth.shape)) for g in s.gain]
    )
    hidden = np.hypot(true_west - s.moon[0], true_north - s.moon[1]) < s.moon_radius
    light[:, hidden] = np.nan
    noise = np.stack([g * sigma for g in s.gain])
    return light.astype(np.float32), noise.astype(np.float32), header(s, u, middle)


def header(s: Station, u: float, middle: float) -> Header:
    h = Header()
    h["NAXIS1"] = h["NAXIS2"] = s.side
    h["CTYPE1"], h["CTYPE2"] = "HPLN-TAN", "HPLT-TAN"
    h["CRPIX1"] = h["CRPIX2"] = middle
    h["CDELT1"] = h["CDELT2"] = s.scale_arcsec
    h["PC1_1"], h["PC1_2"] = np.cos(u), -np.sin(u)
    h["PC2_1"], h["PC2_2"] = np.sin(u), np.cos(u)
    h["RSUN_OBS"] = SUN_ARCSEC
    return h
