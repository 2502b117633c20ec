"""The picture with its radial fall taken out: what most filters start from, made once.

`flattened` keeps its last result, so that the filters of several enhancements, and all filters
that work in angle, share one normalisation and one unwrapping of the same merge.
"""

from __future__ import annotations

import threading
import weakref
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field
from scipy.ndimage import gaussian_filter1d

from limbward.compiled import kernel
from limbward.filters.annulus import (
    MIN_PIXELS,
    annulus_profiles,
    normalised,
    refine,
    spread_out,
)
from limbward.filters.polar import Polar, blur_cells, unwrap
from limbward.geometry.disc import Geometry
from limbward.radiance.scratch import by_rows

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

LUMINANCE = np.array([0.25, 0.5, 0.25], np.float32)  # a colour filter array's share of the light
SMOOTH_RINGS = 4.0
GRID_DEG, GRID_RINGS = 1.0, 2.0  # blur of the structure around a ring
MEMORY = 0.05  # solar radii over which the structure is remembered where it leaves the frame


class ColourParams(BaseModel):
    """What all filters that work on brightness have in common."""

    model_config = ConfigDict(extra="forbid")

    channels: Literal["luminance", "each"] = Field(
        default="luminance",
        description="luminance filters the mean of the colours and returns it in all three; each "
        "filters every colour on its own.",
    )


class RingParams(ColourParams):
    """What all filters that normalise by annuli have in common."""

    width_px: float = Field(default=1.0, gt=0, le=100, description="Width of an annulus, pixels.")
    coverage: float = Field(
        default=0.97,
        ge=0,
        le=1,
        description="Fraction of the circle that an annulus must show to be normalised by its own "
        "mean and deviation; where it shows less, it is normalised so that structure continues "
        "unchanged. 0 normalises every annulus on its own.",
    )


@dataclass(frozen=True)
class Flat:
    """One plane, normalised: ``z = (plane - mean) / deviation``.

    Attributes
    ----------
    z : ndarray of float32, shape (H, W)
    mean, deviation : ndarray of float64
        At ``(k + 0.5) * width_px`` from the Sun's centre.
    own : ndarray of bool
        Annuli normalised by their own mean and deviation.
    polar : Polar
        ``z`` unwrapped.
    """

    z: Pixels
    mean: Floats
    deviation: Floats
    own: NDArray[np.bool_]
    polar: Polar
    width_px: float


_last: dict[str, Any] = {}
_lock = threading.Lock()


def planes_of(image: Pixels, channels: str) -> list[Pixels]:
    """Return the planes that a filter works on: the luminance, or the channels.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
    channels : str
        ``luminance`` or ``each``.
    """
    if channels == "each" or len(image) != 3:
        return [np.asarray(plane, np.float32) for plane in image]
    light = np.empty(image.shape[1:], np.float32)
    for rows in by_rows(len(light), image):
        band = image[0, rows] * LUMINANCE[0]
        band += image[1, rows] * LUMINANCE[1]
        band += image[2, rows] * LUMINANCE[2]
        light[rows] = band
    return [light]


def noise_of(sigma: Pixels, channels: str) -> list[Pixels]:
    """Return the noise of `planes_of`."""
    if channels == "each" or len(sigma) != 3:
        return [np.asarray(plane, np.float32) for plane in sigma]
    square = np.square(sigma[0] * LUMINANCE[0])
    for c in (1, 2):
        square += np.square(sigma[c] * LUMINANCE[c])
    return [np.sqrt(square, out=square)]


def flattened(image: Pixels, geometry: Geometry, params: ColourParams) -> list[Flat]:
    """Return the planes of a picture, normalised and unwrapped; the last answer is remembered.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
        Must not be changed afterwards while it is filtered.
    geometry : Geometry
    params : ColourParams or RingParams
        Without rings of its own, a filter uses those of the defaults.
    """
    rings = params if isinstance(params, RingParams) else RingParams(channels=params.channels)
    key = (geometry, rings.channels, rings.width_px, rings.coverage, image.shape)
    with _lock:
        if _last.get("key") == key and _last["image"]() is image:
            return list(_last["flats"])
    flats = [
        _flatten(plane, geometry, rings.width_px, rings.coverage)
        for plane in planes_of(image, rings.channels)
    ]
    for flat in flats:
        flat.z.flags.writeable = False
    with _lock:
        _last.update(key=key, image=weakref.ref(image, _forget), flats=flats)
    return flats


def smoothed(flat: Flat) -> Flat:
    """Return a plane normalised by a mean and a deviation that do not follow the pixels' grid.

    Both depend on how the grid lies in an annulus a pixel wide, by 2 % of the deviation at 50
    pixels from the Sun's centre, and jump from one annulus to the next. A filter that compares
    neighbouring annuli would show that.
    """
    geometry = flat.polar.geometry
    even = np.exp(gaussian_filter1d(np.log(flat.deviation), SMOOTH_RINGS, mode="nearest"))
    ratio = flat.deviation / even
    polar = _rescaled(flat.polar, np.zeros(even.size, np.float32), (1.0 / ratio).astype("f4"))
    off = _off_the_structure(polar)
    z = flat.z * spread_out(ratio, flat.z.shape, geometry, flat.width_px)
    z -= spread_out(off, flat.z.shape, geometry, flat.width_px)
    polar = _rescaled(polar, off.astype("f4"), np.ones(off.size, np.float32))
    return replace(flat, z=z, mean=flat.mean + even * off, deviation=even, polar=polar)


def _off_the_structure(polar: Polar) -> Floats:
    """Return how far above that of the structure around it the mean of each ring is.

    Both are over the same pixels, so that a ring seen in part is compared with that part.
    """
    pixels = np.maximum(polar.count.sum(axis=1, dtype=float), 1.0)
    mean = polar.first.sum(axis=1, dtype=float) / pixels
    off = np.zeros(mean.size)
    for _ in range(2):  # a ring that is off pulls the structure around it a fifth of the way
        first = polar.first - off.astype(np.float32)[:, None] * polar.count
        smooth = blur_cells(first, polar.count, GRID_DEG, GRID_RINGS)
        off += mean - off - (smooth * polar.count).sum(axis=1, dtype=float) / pixels
    return np.where(pixels >= MIN_PIXELS, off, 0.0)


def _forget(_: object) -> None:
    _last.clear()


def _flatten(plane: Pixels, geometry: Geometry, width_px: float, coverage: float) -> Flat:
    mean, deviation = annulus_profiles(plane, geometry, width_px)
    z = np.empty(plane.shape, np.float32)

    def normalise() -> None:
        normalised(plane, geometry, width_px, mean, deviation, z)

    normalise()
    polar = unwrap(z, geometry, mean.size, width_px)
    own = polar.coverage() >= coverage
    own &= polar.count.sum(axis=1) >= MIN_PIXELS
    if own.any() and not own.all() and coverage > 0.0:
        shift, scale = carried_on(polar, own, geometry.sun_radius_px * MEMORY / width_px)
        if (shift != 0.0).any() or (scale != 1.0).any():
            mean = mean + deviation * shift
            deviation = deviation * scale
            # Their neighbours are interpolated with these, and need a little correction.
            refine(plane, geometry, width_px, mean, deviation, own)
            normalise()
            polar = _rescaled(polar, shift.astype(np.float32), scale.astype(np.float32))
    return Flat(z, mean, deviation, own, polar, width_px)


def _rescaled(polar: Polar, shift: Pixels, scale: Pixels) -> Polar:
    """Return what unwrapping ``(z - shift) / scale`` would give, both one a ring."""
    a, b = shift[:, None], scale[:, None]
    second = (polar.second - 2.0 * a * polar.first + a * a * polar.count) / (b * b)
    first = (polar.first - a * polar.count) / b
    return replace(polar, first=first.astype(np.float32), second=second.astype(np.float32))


def carried_on(polar: Polar, own: NDArray[np.bool_], memory_rings: float) -> tuple[Floats, Floats]:
    """Return mean and deviation for rings that are seen in part, from the structure beside them.

    Where a streamer leaves the frame, the mean of what is left jumps, and a normalised picture
    shows an arc. So a ring seen in part gets the mean and the deviation that the nearer rings had
    *in the angles that it still shows*.

    Parameters
    ----------
    polar : Polar
        Of the picture in which every ring has the mean 0 and the deviation 1.
    own : ndarray of bool, shape (R,)
        Rings seen whole.
    memory_rings : float
        Over which the nearer rings are averaged, by falling weights.

    Returns
    -------
    shift, scale : ndarray of float64, shape (R,)
        To be taken off and divided by.
    """
    count, first, second = polar.count, polar.first, polar.second
    rings, angles = count.shape
    shift, scale = np.zeros(rings), np.ones(rings)
    whole = np.nonzero(own)[0]
    keep = 1.0 - 1.0 / max(memory_rings, 3.0)
    ring = np.arange(rings)
    # Each walk decides about the rings beyond the whole ones.
    for walk, decides in (
        (ring[whole[0] :], ring > whole[0]),
        (ring[whole[-1] :: -1], ring < whole[0]),
    ):
        state = np.zeros((3, angles))
        carry(count, first, second, own, walk, decides, keep, state, shift, scale)
    return shift, scale


@kernel
def carry(
    count: Pixels,
    first: Pixels,
    second: Pixels,
    own: NDArray[np.bool_],
    walk: NDArray[np.intp],
    decides: NDArray[np.bool_],
    keep: float,
    state: Floats,
    shift: Floats,
    scale: Floats,
) -> None:
    """Walk from ring to ring; ``state`` is the memory of count, sum and sum of squares."""
    weight, mean, square = state[0], state[1], state[2]
    a, b = 0.0, 1.0
    for k in walk:
        if own[k]:
            a, b = 0.0, 1.0
        else:
            total = x = xx = m1 = s1 = 0.0
            for j in range(weight.size):
                if count[k, j] > 0 and weight[j] > 0:
                    total += count[k, j]
                    x += first[k, j]
                    xx += second[k, j]
                    m1 += count[k, j] * mean[j] / weight[j]
                    s1 += count[k, j] * square[j] / weight[j]
            if total >= MIN_PIXELS:
                m0, m1 = x / total, m1 / total
                s0 = np.sqrt(max(xx / total - m0 * m0, 1e-12))
                s1 = np.sqrt(max(s1 / total - m1 * m1, 1e-12))
                b = min(max(s0 / s1, 1e-3), 1e3)
                a = m0 - b * m1
            if decides[k]:
                shift[k], scale[k] = a, b
        for j in range(weight.size):
            n, x, xx = float(count[k, j]), float(first[k, j]), float(second[k, j])
            weight[j] = keep * weight[j] + n
            mean[j] = keep * mean[j] + (x - a * n) / b
            square[j] = keep * square[j] + (xx - 2.0 * a * x + a * a * n) / (b * b)
            if n == 0:  # what left the frame long ago is not forgotten, only outweighed by now
                weight[j] /= keep
                mean[j] /= keep
                square[j] /= keep


def nearest(known: NDArray[np.intp], ring: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return, for each ring, the nearest of the known ones, which ascend."""
    after = known[np.clip(np.searchsorted(known, ring), 0, known.size - 1)]
    before = known[np.clip(np.searchsorted(known, ring) - 1, 0, known.size - 1)]
    return np.where(np.abs(before - ring) < np.abs(after - ring), before, after)


def by_plane(
    image: Pixels, geometry: Geometry, params: ColourParams, work: Callable[[Flat], Pixels]
) -> Pixels:
    """Return a picture filtered plane by plane.

    A filtered luminance is returned in each colour: a view of one plane, which cannot be written.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
    geometry : Geometry
    params : ColourParams
    work : callable
        From `Flat` to a new plane (H, W).
    """
    return in_colours([work(flat) for flat in flattened(image, geometry, params)], image)


def in_colours(planes: list[Pixels], image: Pixels) -> Pixels:
    """Return filtered planes in the shape of the picture; one plane becomes a view in each colour.

    At 24 megapixels two copies would take 200 MB and half a second.
    """
    if len(planes) == 1:
        return np.broadcast_to(planes[0], image.shape)
    return np.stack(planes)
