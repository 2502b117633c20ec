"""The corona, the chromosphere and the prominences of one seed, on a solar-north frame.

The brightness is the published mean law times a structure whose azimuthal mean is 1 at every
height, so that a merged picture can be compared with it. The unit is the mean brightness of the
solar disc.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter1d, map_coordinates

from limbward.geometry.law import mean_corona

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

ANGLES = 4096  # 0.09 degrees, 1.5 arcsec at the limb
HEIGHTS = 320  # geometric from the limb to OUTER, steps of 0.8 %
OUTER = 12.0  # solar radii; beyond, the structure stays as it is there
PINK_TOP = 1.1  # prominences end below this, solar radii
PINK_ANGLES, PINK_HEIGHTS = 8192, 128

# Linear sRGB of hydrogen's red and blue lines with helium's yellow one, as a daylight-balanced
# camera renders a prominence; the corona, scattered sunlight, is (1, 1, 1).
PINK = np.array([1.0, 0.22, 0.38])


@dataclass(frozen=True)
class Streamer:
    """A helmet streamer: wide at its base, drawn in to a cusp, then a stalk.

    Angles in radians, heights in solar radii. ``strength`` is the contrast against the hole.
    """

    angle: float
    base: float
    cusp: float
    stalk: float
    strength: float
    bend: float


@dataclass(frozen=True)
class Corona:
    """The corona of one seed.

    Attributes
    ----------
    structure : ndarray of float32, shape (HEIGHTS, ANGLES)
        Factor on the mean brightness, azimuthal mean 1; rows geometric from 1 to ``OUTER`` solar
        radii, columns position angles from solar north through east, from 0.
    pink : ndarray of float32, shape (PINK_HEIGHTS, PINK_ANGLES)
        Brightness of prominences and chromosphere in the red; rows even from 1 to ``PINK_TOP``.
    """

    structure: Pixels
    pink: Pixels

    def structure_at(self, rho: ArrayLike, angle: ArrayLike) -> Floats:
        """Return the structure factor at heights (solar radii) and solar angles (radians)."""
        r = np.clip(np.asarray(rho, float), 1.0, OUTER)
        row = np.log(r) / np.log(OUTER) * (HEIGHTS - 1)
        column = np.asarray(angle, float) / (2 * np.pi) % 1.0 * ANGLES
        return _lookup(self.structure, row, column)

    def white_at(self, rho: ArrayLike, angle: ArrayLike) -> Floats:
        """Return the corona's brightness; below the limb, that at the limb."""
        r = np.maximum(np.asarray(rho, float), 1.0)
        return mean_corona(r) * self.structure_at(r, angle)

    def pink_at(self, rho: ArrayLike, angle: ArrayLike) -> Floats:
        """Return the brightness of prominences and chromosphere in the red."""
        r = np.asarray(rho, float)
        row = np.clip((r - 1.0) / (PINK_TOP - 1.0), 0.0, 1.0) * (PINK_HEIGHTS - 1)
        column = np.asarray(angle, float) / (2 * np.pi) % 1.0 * PINK_ANGLES
        return np.where((r >= 1.0) & (r < PINK_TOP), _lookup(self.pink, row, column), 0.0)

    def radiance(self, east: ArrayLike, north: ArrayLike) -> Floats:
        """Return the brightness above the photosphere in linear sRGB primaries.

        Parameters
        ----------
        east, north : array_like, any shape
            Offsets from the Sun's centre along solar east and solar north, solar radii.

        Returns
        -------
        ndarray, shape (3, ...)
        """
        e, n = np.asarray(east, float), np.asarray(north, float)
        rho, angle = np.hypot(e, n), np.arctan2(e, n)
        white, pink = self.white_at(rho, angle), self.pink_at(rho, angle)
        return np.stack([white + colour * pink for colour in PINK])


def _lookup(table: Pixels, row: Floats, column: Floats) -> Floats:
    """Interpolate linearly in a table whose columns wrap round."""
    wrapped = np.concatenate([table, table[:, :1]], axis=1)
    at = np.stack(np.broadcast_arrays(row, column))
    flat = map_coordinates(wrapped, at.reshape(2, -1), order=1, output=np.float64)
    return np.asarray(flat).reshape(at.shape[1:])


def _delta(angle: Floats, centre: float | Floats) -> Floats:
    return (angle - centre + np.pi) % (2 * np.pi) - np.pi


def draw_streamers(rng: np.random.Generator, count: int = 6) -> list[Streamer]:
    """Return helmet streamers, half on each side, spread about the Sun's equator."""
    out = []
    for side, n in ((90.0, count - count // 2), (270.0, count // 2)):
        latitudes = np.linspace(-44.0, 44.0, n) + rng.normal(0.0, 9.0, n)
        for latitude in latitudes:
            low = np.cos(np.radians(latitude))  # streamers near the equator are the larger
            out.append(
                Streamer(
                    angle=float(np.radians(side + latitude)),
                    base=float(np.radians(rng.uniform(11.0, 20.0) * low)),
                    cusp=float(1.0 + rng.uniform(0.6, 1.7) * low),
                    stalk=float(np.radians(rng.uniform(2.0, 4.5))),
                    strength=float(rng.uniform(0.25, 0.85) + 0.4 * low),
                    bend=float(np.radians(rng.normal(0.0, 8.0))),
                )
            )
    return out


def _footpoints(streamers: list[Streamer], rho: Floats, angle: Floats) -> Floats:
    """Return where on the limb the field line through each place starts, radians.

    Lines are carried outward by a smooth flow towards the streamers' axes, row after row, so that
    they never cross: between helmets they fan out, above a cusp they run together.
    """
    step = np.log(rho[1] / rho[0])
    displaced = np.zeros((len(rho), len(angle)))
    for row in range(1, len(rho)):
        flow = np.zeros_like(angle)
        for s in streamers:
            off = _delta(angle, s.angle + s.bend * (1.0 - 1.0 / rho[row]))
            rate = 1.5 * np.exp(-(((np.log(rho[row] / s.cusp)) / 0.55) ** 2))
            flow -= rate * off * np.exp(-((off / (1.7 * s.base)) ** 2))
        source = angle - flow * step
        displaced[row] = np.interp(source, angle, displaced[row - 1], period=2 * np.pi)
        displaced[row] -= flow * step
    return angle + displaced


def _threads(
    rng: np.random.Generator, foot: Floats, rho: Floats, width_deg: float, length: float
) -> Floats:
    """Return unit-variance threads that follow field lines.

    Parameters
    ----------
    foot : ndarray, shape (HEIGHTS, ANGLES)
        Where on the limb the field line through a place starts, radians.
    rho : ndarray, shape (HEIGHTS,)
    width_deg : float
        Gaussian width across the threads.
    length : float
        Along them, in e-foldings of height, after which the threads are others.
    """
    knots = int(np.ceil(np.log(OUTER) / length)) + 2
    sigma = width_deg / 360.0 * ANGLES
    noise = gaussian_filter1d(rng.standard_normal((knots, ANGLES)), sigma, axis=1, mode="wrap")
    noise /= noise.std(axis=1, keepdims=True)
    grid = np.arange(ANGLES) / ANGLES * 2 * np.pi
    place = np.log(rho) / length
    out = np.empty_like(foot)
    for row in range(len(rho)):
        k = int(place[row])
        t = (place[row] - k) * np.pi / 2
        mixed = np.cos(t) * noise[k] + np.sin(t) * noise[k + 1]
        out[row] = np.interp(foot[row], grid, mixed, period=2 * np.pi)
    return out


def _build_structure(rng: np.random.Generator) -> Pixels:
    rho = np.geomspace(1.0, OUTER, HEIGHTS)
    angle = np.arange(ANGLES) / ANGLES * 2 * np.pi
    height = rho[:, None]
    streamers = draw_streamers(rng)

    # The holes over the poles are darker than the quiet corona between the streamers.
    field = np.broadcast_to(0.60 - 0.26 * np.cos(angle) ** 6, (HEIGHTS, ANGLES)).copy()
    foot = _footpoints(streamers, rho, angle)
    arches = np.zeros_like(field)
    for s in streamers:
        off = _delta(angle[None, :], s.angle + s.bend * (1.0 - 1.0 / height))
        rise = (height - 1.0) / (s.cusp - 1.0)
        half = s.stalk / (1.0 + 0.12 * (height - 1.0)) + s.base * np.exp(-1.7 * rise**2)
        profile = np.exp(-((np.abs(off) / half) ** 2.1))
        # The contrast of K against F corona and against foreground grows with height.
        contrast = s.strength * (0.4 + 0.6 * (1.0 - np.exp(-(((height - 1.0) / 0.7) ** 2))))
        field += contrast * profile / (1.0 + (height / 9.0) ** 2)
        # Closed arches nested under the cusp.
        nest = np.hypot(off / (s.base + s.stalk), rise)
        ripple = np.sin(2 * np.pi * (nest * rng.uniform(3.5, 6.0) + rng.uniform()))
        arches += np.clip(ripple, 0.0, 1.0) ** 2 * profile * np.exp(-((nest / 0.7) ** 4))

    pole = np.cos(angle) ** 2
    plume_mask = np.clip((pole - 0.72) / 0.15, 0.0, 1.0)[None, :] * np.exp(-(height - 1.0) / 1.6)
    threads = (
        0.050 * _threads(rng, foot, rho, 0.13, 0.5)
        + 0.060 * _threads(rng, foot, rho, 0.4, 0.7)
        + 0.070 * _threads(rng, foot, rho, 1.1, 1.0)
        + 0.060 * _threads(rng, foot, rho, 3.0, 1.5)
    )
    plumes = np.exp(0.28 * _threads(rng, foot, rho, 0.9, 3.0)) - 1.0
    field *= np.exp(threads) * (1.0 + 0.16 * arches) * (1.0 + plumes * plume_mask)
    field /= field.mean(axis=1, keepdims=True)
    return field.astype(np.float32)


def _prominence(rng: np.random.Generator, x: Floats, h: Floats) -> Floats:
    """Return one prominence: knots strung along the strands of an arch, a tree or a hedge.

    ``x`` and ``h`` are the distances along the limb and above it, solar radii.
    """
    top = rng.uniform(0.03, 0.06)
    form = rng.integers(3)
    px, ph = [], []
    for _ in range(int(rng.integers(3, 6))):  # strands
        t = np.sort(rng.uniform(0.0, 1.0, int(rng.integers(9, 16))))
        if form == 0:  # an arch
            spread, high = rng.uniform(0.02, 0.045), top * rng.uniform(0.75, 1.0)
            px.append(spread * np.cos(np.pi * t))
            ph.append(high * np.sin(np.pi * t) ** 0.7)
        elif form == 1:  # a tree that leans over
            lean = rng.uniform(-0.045, 0.045)
            px.append(lean * t**1.7 + rng.normal(0.0, 0.002))
            ph.append(top * t * rng.uniform(0.5, 1.0))
        else:  # a hedge of pillars
            foot = rng.uniform(-0.045, 0.045)
            px.append(foot + rng.uniform(-0.012, 0.012) * t)
            ph.append(top * t * rng.uniform(0.35, 0.9))
    x0 = np.concatenate(px)
    h0 = np.abs(np.concatenate(ph) + rng.normal(0.0, 0.0015, len(x0)))
    out = np.zeros(np.broadcast_shapes(x.shape, h.shape))
    for a, b in zip(x0, h0, strict=True):
        along, across = rng.uniform(0.003, 0.008), rng.uniform(0.0018, 0.004)
        turn = rng.uniform(0.2, np.pi - 0.2)
        u = (x - a) * np.cos(turn) + (h - b) * np.sin(turn)
        v = -(x - a) * np.sin(turn) + (h - b) * np.cos(turn)
        out += rng.uniform(0.2, 0.7) * np.exp(-0.5 * ((u / along) ** 2 + (v / across) ** 2))
    return out * np.clip((PINK_TOP - 1.005 - h) / 0.01, 0.0, 1.0)


def _build_pink(rng: np.random.Generator) -> Pixels:
    angle = np.arange(PINK_ANGLES) / PINK_ANGLES * 2 * np.pi
    h = np.linspace(0.0, PINK_TOP - 1.0, PINK_HEIGHTS)[:, None]
    # The chromosphere: e-folding 0.0013 R (900 km), ragged with spicules.
    ragged = gaussian_filter1d(rng.standard_normal(PINK_ANGLES), 6.0, mode="wrap")
    ragged = np.exp(0.3 * ragged / ragged.std())
    pink = 6e-5 * np.exp(-h / (0.0013 * ragged[None, :]))
    count = int(rng.integers(5, 8))
    places = np.arange(count) + rng.uniform(-0.35, 0.35, count) + rng.uniform(0.0, count)
    centres = places / count * 2 * np.pi
    for centre in centres:
        x = _delta(angle, float(centre))
        near = np.abs(x) < 0.16
        pink[:, near] += rng.uniform(1.0e-5, 2.4e-5) * _prominence(rng, x[None, near], h)
    return np.asarray(pink, dtype=np.float32)


@lru_cache(maxsize=4)
def corona(seed: int) -> Corona:
    """Return the corona of a seed; the same seed gives the same corona.

    Parameters
    ----------
    seed : int

    Returns
    -------
    Corona

    Examples
    --------
    >>> float(corona(1).structure.mean(axis=1).max()) < 1.001
    True
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 1]))
    return Corona(structure=_build_structure(rng), pink=_build_pink(rng))
