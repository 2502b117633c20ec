"""Small registered versions of all frames: what the ratios and the weights are made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (
    distance_transform_edt,
    map_coordinates,
    maximum_filter,
    minimum_filter,
)

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, reduced_affine
from limbward.geometry.law import mean_corona
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.radiance.exposures import by_exposure
from limbward.radiance.noise import NoiseModel

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

LONG_SIDE = 384  # pixels of the small grid: 100 frames of three colours take 120 MB
INNERMOST = 1.05  # solar radii; nearer the limb a small pixel spans too much brightness
BEHIND = 0.85  # solar radii
# Frames of the shortest exposures are left out, the shortest first, where all of them together have
# this share of the weight; it costs at most 3 % of variance and saves two thirds of the merge.
NEGLIGIBLE = (0.015, 0.03)
SURE = 0.75  # of the ceiling
NEAR_CLIP = 0.9  # of the level at which samples end: bins above may hold some of them
FEW, MANY = 6.0, 18.0  # frames: with few, noise matters more than a tenth of the sharpness


@dataclass(frozen=True)
class FrameView:
    """One frame as the merge sees it before its pixels are decoded.

    Attributes
    ----------
    planes : ndarray of float32, shape (3, h, w)
        The frame reduced: mean R, G, B above black, ADU; NaN where saturated.
    factor : int
        By how much it is reduced.
    affine : ndarray, shape (2, 3)
        From the full grid to the full frame as its lens draws it without distortion.
    exposure_s : float
        Nominal exposure, seconds at the reference ISO and f-number.
    sun, moon : Disc
        In the full frame.
    ceiling : float
        Signal above black up to which the frame is used, ADU.
    noise : NoiseModel
        Of one raw sample.
    lens : Lens
    """

    planes: Pixels
    factor: int
    affine: Floats
    exposure_s: float
    sun: Disc
    moon: Disc
    ceiling: float
    noise: NoiseModel
    lens: Lens = STRAIGHT


@dataclass(frozen=True)
class RegisteredFrames:
    """Frames registered on the Sun on a small grid.

    Attributes
    ----------
    grid : Grid
        The full-size grid; ``factor`` of its pixels make one here.
    signal : ndarray of float32, shape (N, 3, h, w)
        ADU above black; NaN where a frame has nothing: saturated, behind the Moon, outside.
    open : ndarray of bool, shape (N, h, w)
        Where all of the small pixel sees the sky in the frame, saturated or not.
    predicted : ndarray of float32, shape (3, h, w)
        Radiance, ADU/s; finite and positive everywhere.
    exposure : ndarray, shape (N,)
        Seconds, nominal.
    samples : ndarray, shape (N,)
        Raw samples in one value of ``signal``.
    sun_radius_px : float
        On the full-size grid.
    """

    grid: Grid
    factor: int
    signal: Pixels
    open: NDArray[np.bool_]
    predicted: Pixels
    sun_radius_px: float
    exposure: Floats
    samples: Floats
    ceiling: Floats
    noise: list[NoiseModel]


def mean_law(rho: Floats, innermost: float = 1.0) -> Floats:
    """Return the mean brightness of the corona, in that of the solar disc.

    Inside ``innermost``, solar radii, it does not rise further.
    """
    return mean_corona(np.maximum(rho, innermost))


def _distance(shape: tuple[int, ...], x: float, y: float) -> Floats:
    rows, columns = np.arange(shape[-2]), np.arange(shape[-1])
    return np.hypot(columns[None, :] - x, rows[:, None] - y)


def _register(
    view: FrameView, grid: Grid, factor: int, margin_px: float
) -> tuple[Pixels, NDArray[np.bool_]]:
    """Return a frame on the small grid (3, h, w), and where it sees the sky."""
    small = grid.reduced(factor)
    affine = reduced_affine(view.affine, factor, view.factor, grid)
    f = view.factor

    def to_reduced(value: float) -> float:
        return (value + 0.5) / f - 0.5

    # The corona is divided by its mean law before it is resampled: interpolating the steep law
    # itself would add 0.3 % at 1.3 solar radii, more or less with the sub-pixel shift.
    law = mean_law(
        _distance(view.planes.shape, to_reduced(view.sun.x), to_reduced(view.sun.y))
        * (f / view.sun.radius)
    )
    rows, columns = np.indices((small.height, small.width), dtype=np.float64)
    x = affine[0, 0] * columns + affine[0, 1] * rows + affine[0, 2]
    y = affine[1, 0] * columns + affine[1, 1] * rows + affine[1, 2]
    x, y = view.lens.reduced(f).bent(x, y)
    h, w = view.planes.shape[1:]
    inside = (x >= 0) & (x <= w - 1) & (y >= 0) & (y <= h - 1)
    well_inside = (x >= 1) & (x <= w - 2) & (y >= 1) & (y <= h - 2)
    from_moon = np.hypot(x - to_reduced(view.moon.x), y - to_reduced(view.moon.y)) * f
    # Open only where all of the small pixel is, or a pixel beside it might be left with nothing.
    is_open = well_inside & (from_moon > view.moon.radius + margin_px + 0.75 * factor)
    # The bins that a value is interpolated from reach 1.5 bins and their diagonal away.
    clear = inside & (from_moon > view.moon.radius + margin_px + 2.2 * f)
    from_sun = np.hypot(x - to_reduced(view.sun.x), y - to_reduced(view.sun.y))
    rho = from_sun * (f / view.sun.radius)
    clear &= rho > INNERMOST
    out = np.full((3, small.height, small.width), np.nan, np.float32)
    at = np.stack([y[clear], x[clear]])
    for c in range(3):
        flat = map_coordinates(view.planes[c] / law, at, order=1, mode="nearest")
        out[c][clear] = flat * mean_law(rho[clear])
    return out, is_open


def _continued(image: Pixels, law: Floats) -> Pixels:
    """Return the image with its gaps filled and kept positive.

    A gap has the mean law, times what the nearest place that is known has of it: at the limb that
    is the place further out in the same direction.
    """
    good = np.isfinite(image)
    if not good.any():
        return np.full(image.shape, 1.0, np.float32)
    flat = image / law
    nearest = distance_transform_edt(~good, return_distances=False, return_indices=True)
    positive = flat[good & (flat > 0)]
    floor = 0.1 * float(np.percentile(positive, 1.0)) if positive.size else 1e-6
    return np.asarray(np.maximum(flat[tuple(nearest)], floor) * law, np.float32)


def predict(
    signal: Pixels, exposure: Floats, grid: Grid, factor: int, sun_radius_px: float
) -> Pixels:
    """Return the radiance on the small grid, ADU/s, filled everywhere.

    The sum of the signals over the sum of the exposures that are not saturated: best for photon
    noise, and blind to the noise of any one frame.
    """
    small = grid.reduced(factor)
    distance = _distance((small.height, small.width), small.sun_x, small.sun_y)
    # Continued behind the Moon, so that places at its limb are interpolated right.
    law = mean_law(distance * (factor / sun_radius_px), BEHIND)
    out = np.empty((3, small.height, small.width), np.float32)
    for c in range(3):
        valid = np.isfinite(signal[:, c])
        light = np.where(valid, signal[:, c], 0.0).sum(axis=0, dtype=np.float64)
        time = np.tensordot(exposure, valid.astype(np.float64), axes=1)
        image = np.full(light.shape, np.nan, np.float32)
        image[time > 0] = (light[time > 0] / time[time > 0]).astype(np.float32)
        out[c] = _continued(image, law)
    return out


def register_frames(
    views: Sequence[FrameView],
    grid: Grid,
    moon_margin_px: float = 2.0,
    long_side: int = LONG_SIDE,
    clip: float = np.inf,
) -> RegisteredFrames:
    """Register frames on the Sun on a small grid.

    Parameters
    ----------
    views : sequence of FrameView
    grid : Grid
        The grid of the merge.
    moon_margin_px : float
        Full pixels outside the lunar limb that are left out.
    long_side : int
        Of the small grid, pixels.
    clip : float
        ADU above black at which samples end below the declared white level: the reduced frames
        hold such samples, unmarked, and what is near is left out.
    """
    factor = max(1, -(-max(grid.width, grid.height) // long_side))
    small = grid.reduced(factor)
    shape = (len(views), 3, small.height, small.width)
    signal = np.empty(shape, np.float32)
    is_open = np.empty((shape[0], *shape[2:]), bool)
    for k, view in enumerate(views):
        signal[k], is_open[k] = _register(view, grid, factor, moon_margin_px)
        if np.isfinite(clip):
            # The mean of a bin with clipped samples in it is lower than those, and is spoilt too.
            bright = maximum_filter(np.nan_to_num(signal[k], nan=0.0), size=(1, 3, 3))
            signal[k][bright > NEAR_CLIP * clip] = np.nan
    exposure = np.array([v.exposure_s for v in views], np.float64)
    sun_radius_px = float(np.median([v.sun.radius for v in views]))
    return RegisteredFrames(
        grid=grid,
        factor=factor,
        signal=signal,
        open=is_open,
        predicted=predict(signal, exposure, grid, factor, sun_radius_px),
        sun_radius_px=sun_radius_px,
        exposure=exposure,
        # A bin holds factor**2 samples, a quarter of them red and a quarter blue.
        samples=np.array([max(1.0, v.factor**2 / 4.0) for v in views]),
        ceiling=np.array([v.ceiling for v in views], np.float64),
        noise=[v.noise for v in views],
    )


def smoothstep(t: Pixels) -> Pixels:
    """Return 0 below 0, 1 above 1, and a cubic without kinks between."""
    u = np.clip(t, 0.0, 1.0)
    return np.asarray(u * u * (3.0 - 2.0 * u), np.float32)


def weight_maps(
    registered: RegisteredFrames,
    factor: Floats,
    linear: Floats | None = None,
    transmission: Pixels | None = None,
) -> tuple[Pixels, Pixels]:
    """Return the weight of each frame on the small grid, (N, 3, h, w), and the radiance there.

    Parameters
    ----------
    registered : RegisteredFrames
    factor : ndarray, shape (N,)
        True exposures in units of the nominal ones.
    linear : ndarray, shape (3,), optional
        Up to which part of the ceiling the sensor is linear in R, G, B; 1 if not given.
    transmission : ndarray of float32, shape (N, h, w), optional
        Of what lay before the corona in each frame; the registered signals are without it.

    Notes
    -----
    The inverse of the variance of the radiance that a frame gives, from the predicted radiance and
    the noise of the camera (Granados et al., CVPR 2010; near the Cramér-Rao bound, Aguerrebere et
    al., SIAM J. Imaging Sci. 7 (2014) 1). Weights from the noisy sample itself would favour low
    values.
    """
    true = factor * registered.exposure
    predicted = predict(
        registered.signal, true, registered.grid, registered.factor, registered.sun_radius_px
    )
    brightest = maximum_filter(predicted, size=(1, 3, 3))
    dimmest = minimum_filter(predicted, size=(1, 3, 3))
    out = np.empty(registered.signal.shape, np.float32)
    total = np.zeros(registered.signal.shape[1:], np.float64)
    part = np.ones((3, 1, 1)) if linear is None else np.reshape(linear, (3, 1, 1))
    for k, noise in enumerate(registered.noise):
        ceiling = registered.ceiling[k] * part
        through = np.float32(1.0) if transmission is None else transmission[k]
        level = predicted * true[k] * through
        # The kernel lets the weight fade towards saturation, pixel by pixel.
        possible = dimmest * true[k] < ceiling
        out[k] = possible * ((true[k] * through) ** 2 / noise.variance(np.minimum(level, ceiling)))
        # Counted on only where no sample around is near saturation: a spot that the prediction does
        # not show must find the short exposures still there.
        sure = minimum_filter(np.isfinite(registered.signal[k]), size=(1, 3, 3))
        sure &= brightest * true[k] < SURE * ceiling
        total += out[k] * (sure & registered.open[k])
    below = np.zeros_like(total)
    for group in by_exposure(registered.exposure):
        for k in group:
            below += out[k] * registered.open[k]
        share = below / np.maximum(total, 1e-30)
        above = (share - NEGLIGIBLE[0]) / (NEGLIGIBLE[1] - NEGLIGIBLE[0])
        keep = smoothstep(np.asarray(above, np.float32))
        # Where no frame is sure to be there, what there is stays.
        keep[total <= 0.0] = 1.0
        for k in group:
            out[k] *= keep
    return out, predicted


def sharpness(weights: Sequence[Pixels]) -> Pixels:
    """Return where so many frames see the corona that dithering can sharpen it, (3, h, w).

    Parameters
    ----------
    weights : sequence of ndarray, shape (3, h, w)
        Of all frames, on the small grid.

    Returns
    -------
    ndarray of float32
        0 where up to `FEW` frames count and 1 from `MANY` on, counted as (sum w)**2 / sum w**2
        (L. Kish, *Survey Sampling*, 1965).
    """
    return smoothstep(np.asarray((effective_number(weights) - FEW) / (MANY - FEW), np.float32))


def effective_number(weights: Sequence[Pixels]) -> Floats:
    """Return ``(sum w)**2 / sum w**2`` of weights, by place; 0 where there is no weight."""
    total = np.zeros(weights[0].shape, np.float64)
    squares = np.zeros_like(total)
    for weight in weights:
        total += weight
        squares += weight.astype(np.float64) ** 2
    return np.asarray(total**2 / np.maximum(squares, np.finfo(float).tiny))
