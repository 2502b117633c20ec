"""Parts joined into one picture, a band of rows at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from limbward.picture.blur import Blur, gaussian_blur
from limbward.radiance.join.part import NO_TIE, Part, Tie, read_part
from limbward.radiance.join.plan import JointPlan, Layer
from limbward.radiance.kernels.resample import bilinear

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]
Counts = NDArray[np.uint16]

BAND_PIXELS = 1_500_000  # of a band, besides its margins
REACH = 3.5  # standard deviations of a blur, as `limbward.picture.blur` cuts it off
LEAST_BLUR = 0.09  # pixels squared; less is none


@dataclass(frozen=True)
class Band:
    """Rows of the joint picture from ``top`` on: (3, n, W) each, and the frames counted."""

    top: int
    radiance: Pixels
    sigma: Pixels
    count: Counts


def bands(plan: JointPlan) -> Iterator[Band]:
    """Yield the joint picture, from its top to its bottom."""
    height, width = plan.grid.height, plan.grid.width
    size = max(16, BAND_PIXELS // width)
    for top in range(0, height, size):
        yield _band(plan, top, min(top + size, height))


def _band(plan: JointPlan, top: int, bottom: int) -> Band:
    # A blur, and that of what it gives, for each body: none looks further than this.
    blurs = [layer.tie.blur for layer in plan.layers[1:] if layer.tie.blur > LEAST_BLUR]
    margin = int(np.ceil(sum(2.0 * REACH * np.sqrt(b) for b in blurs))) + 2 if blurs else 0
    upper, lower = max(0, top - margin), min(plan.grid.height, bottom + margin)
    shape = (lower - upper, plan.grid.width)
    first = plan.layers[0].part
    count = np.nan_to_num(_counts(first, plan, NO_TIE, shape, upper)).astype(np.int64)
    maps = []
    for layer in plan.layers[1:]:
        counted = _counts(layer.part, plan, layer.tie, shape, upper)
        count += np.nan_to_num(counted).astype(np.int64)
        maps.append(_on_rows(plan, layer, shape, upper))
    radiance = np.empty((3, *shape), np.float32)
    sigma = np.empty((3, *shape), np.float32)
    for c in range(3):
        value = _exact(first.radiance[c], plan, shape, upper)
        noise = np.square(_exact(first.sigma[c], plan, shape, upper))
        area = np.full(shape, first.area[c], np.float32)
        for layer, (weights, held, fade) in zip(plan.layers[1:], maps, strict=True):
            pixel = layer.part.grid.scale_arcsec / plan.grid.scale_arcsec
            its_area = np.full(shape, layer.part.area[c] * pixel**2, np.float32)
            so_far = Light(value, noise, area)
            own = Light(*_other(layer, plan, c, shape, upper), its_area)
            mix = Mix(weights[c], held[c], fade)
            value, noise, area = _joined(so_far, own, mix, layer.tie.blur)
        radiance[c], sigma[c] = value, np.sqrt(noise)
    count[~np.isfinite(radiance).any(axis=0)] = 0
    rows = slice(top - upper, bottom - upper)
    most = np.iinfo(np.uint16).max
    frames = np.minimum(count[rows], most).astype(np.uint16)
    return Band(top, radiance[:, rows], sigma[:, rows], frames)


class Light(NamedTuple):
    """A picture of one colour, its noise's variance, and over how many pixels that is alike."""

    value: Pixels
    noise: Pixels
    area: Pixels


class Mix(NamedTuple):
    """Weight, held and fade of `limbward.radiance.join.plan.Layer`, by pixels, for one colour."""

    weight: Pixels
    held: Pixels
    fade: Pixels


def _joined(before: Light, other: Light, mix: Mix, blur: float) -> Light:
    """Return a picture after a body has been added whose blur has so much more variance."""
    zero = np.float32(0.0)
    has, its = np.isfinite(before.value), np.isfinite(other.value)
    # Where one of the two is missing, the other stands alone; behind the Moon neither does.
    its &= has | (mix.fade < 0.5)
    both = has & its
    value, light = np.where(has, before.value, zero), np.where(its, other.value, zero)
    soft = value
    blurred = blur > LEAST_BLUR
    if blurred:
        soft = Blur(has.astype(np.float32), float(np.sqrt(blur)))(value)
    difference = np.where(both, light - soft, zero)
    a, h = np.where(both, mix.weight, zero), np.where(both, mix.held, zero)
    added = np.asarray(a * difference, np.float32)
    if blurred:
        added = gaussian_blur(added, float(np.sqrt(blur)))
    f = np.where(its, np.where(has, mix.fade, zero), np.float32(1.0))
    out = f * (value + added) + (1 - f) * (light - h * difference)
    mine, others = _noise_left(before.area, other.area, a, h, f, blur if blurred else 0.0)
    n1, n2 = np.where(has, before.noise, zero), np.where(its, other.noise, zero)
    variance = np.maximum(mine * n1 + others * n2, zero)
    # Of the mean over many pixels.
    wide = (f * (1 - a) + (1 - f) * h) ** 2 * n1 * before.area
    wide += (f * a + (1 - f) * (1 - h)) ** 2 * n2 * other.area
    with np.errstate(invalid="ignore", divide="ignore"):
        area = np.where(variance > 0, wide / variance, before.area)
    for plane in (out, variance):
        plane[~(has | its)] = np.nan
    return Light(*(np.asarray(p, np.float32) for p in (out, variance, area)))


def _noise_left(
    area: Pixels, its_area: Pixels, a: Pixels, h: Pixels, f: Pixels, blur: float
) -> tuple[Pixels, Pixels]:
    """Return the parts of both variances that are in a joint pixel.

    Noise is taken as white noise smoothed by a Gaussian of variance ``s2 = area / (4 pi)``. After
    two blurs of variances that add up to v, its covariance with itself is ``1 / (1 + v / (2 s2))``
    of its variance.
    """
    s2, t2 = (np.maximum(x, 1e-3) / np.float32(4 * np.pi) for x in (area, its_area))
    once, twice, thrice, four = (1.0 / (1.0 + k * blur / (2.0 * s2)) for k in (1, 2, 3, 4))
    its_once, its_twice = (1.0 / (1.0 + k * blur / (2.0 * t2)) for k in (1, 2))
    g = 1 - f
    mine = f**2 * (1 - 2 * a * twice + a**2 * four)
    mine += 2 * f * g * h * (once - a * thrice) + g**2 * h**2 * twice
    others = f**2 * a**2 * its_twice + 2 * f * g * a * (1 - h) * its_once + (g * (1 - h)) ** 2
    return np.asarray(mine), np.asarray(others)


def _exact(plane: NDArray[Any], plan: JointPlan, shape: tuple[int, int], upper: int) -> Pixels:
    """Return rows of the first part's plane on the joint grid, whose pixels are its own."""
    own = plan.layers[0].part.grid
    left = (plan.grid.width - own.width) // 2
    above = (plan.grid.height - own.height) // 2
    out = np.full(shape, np.nan, np.float32)
    y0, y1 = max(upper, above), min(upper + shape[0], above + own.height)
    x0, x1 = max(0, left), min(shape[1], left + own.width)
    if y1 > y0 and x1 > x0:
        out[y0 - upper : y1 - upper, x0:x1] = plane[y0 - above : y1 - above, x0 - left : x1 - left]
    return out


def _counts(part: Part, plan: JointPlan, tie: Tie, shape: tuple[int, int], upper: int) -> Pixels:
    if part is plan.layers[0].part:
        return _exact(part.count, plan, shape, upper)
    return read_part(part.count, part, plan.grid, tie, shape, upper, nearest=True)


def _other(
    layer: Layer, plan: JointPlan, c: int, shape: tuple[int, int], upper: int
) -> tuple[Pixels, Pixels]:
    """Return a body's light as the first would have it, and its variance."""
    part, tie = layer.part, layer.tie
    gain, offset = np.float32(tie.gain[c]), np.float32(tie.offset[c])
    light = read_part(part.radiance[c], part, plan.grid, tie, shape, upper)
    sigma = read_part(part.sigma[c], part, plan.grid, tie, shape, upper, nearest=True)
    return gain * light + offset, np.square(gain * sigma)


def _on_rows(
    plan: JointPlan, layer: Layer, shape: tuple[int, int], upper: int
) -> tuple[Pixels, Pixels, Pixels]:
    """Return a layer's weight, held (3, n, W) and fade (n, W) in rows of the grid."""
    small = plan.grid.reduced(plan.factor)
    place = (
        1.0 / plan.factor,
        small.sun_x - plan.grid.sun_x / plan.factor,
        small.sun_y - plan.grid.sun_y / plan.factor,
    )
    weight, held = (
        np.stack([bilinear(w, place, shape, upper) for w in planes])
        for planes in (layer.weight, layer.held)
    )
    return weight, held, bilinear(layer.fade, place, shape, upper)
