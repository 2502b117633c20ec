"""Filtered frames of the Sun, registered on its limb, to one linear picture of ring or crescent.

The Moon moves before the Sun by half an arcsecond per second, so in a mean of frames its limb would
be smeared. The picture's Moon is therefore that of one frame, the reference: beside its limb only
that frame counts. Elsewhere each frame adds what its own Moon leaves free, some way from its limb;
the weights rise over a few pixels, so that no edge of one frame's share is seen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame
from limbward.compiled import in_threads
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.radiance import taps as taps_module
from limbward.radiance.batch import HotPixels
from limbward.radiance.calibrate import Calibration, black_tile, mend, planes
from limbward.radiance.kernels.disc import sample_frame
from limbward.radiance.kernels.inputs import Table
from limbward.radiance.noise import NoiseModel

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

# What is left out beside a frame's Moon: 2.5 blurs, where 0.6 % of a limb's step is left, and its
# mountains; then the rise. A ring is a twentieth of a solar radius wide: more would leave nothing.
BLURS, RELIEF_ARCSEC, FADE_PX = 2.5, 2.0, 1.5
CLIPPED = 0.97  # of the range, from which on converters bend
LEAST_COMPARED = 100  # pixels
GREEN = 1


@dataclass(frozen=True)
class DiscFrame:
    """One frame of a stack.

    Attributes
    ----------
    affine : ndarray, shape (2, 3)
        From pixels of the picture to pixels of the frame as its lens draws it without distortion.
    light_s : float
        Exposure, seconds at the reference ISO and f-number.
    moon : Disc
        In the picture.
    blur_px : float
        Of the limb, standard deviation.
    noise : NoiseModel
    lens : Lens
    """

    affine: Floats
    light_s: float
    moon: Disc
    blur_px: float
    noise: NoiseModel
    lens: Lens = STRAIGHT


@dataclass(frozen=True)
class DiscStack:
    """A picture of the filtered Sun.

    Attributes
    ----------
    radiance, sigma : ndarray of float32, shape (3, H, W)
        ADU/s at the reference ISO and f-number, as the reference frame has it; NaN where no frame
        shows anything.
    count : ndarray of uint16, shape (H, W)
        Frames used.
    relative : dict of int to float
        By the frames' numbers, how much more light they have than the reference for their exposure.
    failed : dict of int to str
        Frames that are not in it, and why.
    """

    radiance: Pixels
    sigma: Pixels
    count: NDArray[np.uint16]
    relative: dict[int, float]
    failed: dict[int, str]


def stack_discs(
    frames: dict[int, DiscFrame],
    decoded: Iterable[tuple[int, RawFrame | LimbwardError]],
    grid: Grid,
    sun_radius_px: float,
    calibrations: Callable[[int, RawFrame], Calibration],
    progress: Callable[[], None] | None = None,
) -> DiscStack:
    """Stack frames of the Sun's disc.

    Parameters
    ----------
    frames : dict of int to DiscFrame
    decoded : iterable of (int, RawFrame or LimbwardError)
        Their numbers and samples. The first that could be decoded is the reference.
    grid : Grid
        Of the picture.
    sun_radius_px : float
        On the grid.
    calibrations : callable
        Returns the calibration of a frame by its number and samples.
    progress : callable, optional
        Called after each frame.

    Raises
    ------
    LimbwardError
        If no frame could be decoded.
    """
    shape = (grid.height, grid.width)
    light, weight, variance = (np.zeros((3, *shape), np.float32) for _ in range(3))
    count = np.zeros(shape, np.uint16)
    depth = -_away(grid, Disc(grid.sun_x, grid.sun_y, sun_radius_px))
    relative: dict[int, float] = {}
    failed: dict[int, str] = {}
    reference: Pixels | None = None
    free = np.ones(shape, np.float32)
    for k, raw in decoded:
        if progress is not None:
            progress()
        if isinstance(raw, LimbwardError):
            failed[k] = str(raw)
            continue
        frame = frames[k]
        value, power = _sampled(raw, calibrations(k, raw), frame, shape)
        clear = _clear(grid, frame)
        if reference is None:
            reference, free, share = value / np.float32(frame.light_s), clear, np.ones_like(clear)
            relative[k] = 1.0
        else:
            share = clear * free
            both = (share == 1.0) & (depth > BLURS * frame.blur_px)
            relative[k] = _compared(value / frame.light_s, reference, both)
        gathered = np.float32(frame.light_s * relative[k])
        spread = frame.noise.variance(value) * power / gathered**2
        value /= gathered
        seen = np.isfinite(value) & (share > 0)
        w = np.where(seen, share * gathered, np.float32(0.0))
        light += w * np.where(seen, value, np.float32(0.0))
        variance += w**2 * np.where(seen, spread, np.float32(0.0))
        weight += w
        count += seen.any(axis=0)
    if reference is None:
        why = next(iter(failed.values()))
        raise LimbwardError(f"None of the {len(frames)} filtered frames can be decoded: {why}")
    with np.errstate(invalid="ignore", divide="ignore"):
        sigma = np.asarray(np.sqrt(variance) / weight, np.float32)
        return DiscStack(light / weight, sigma, count, relative, failed)


def _away(grid: Grid, disc: Disc) -> Pixels:
    """Return the distance of the picture's pixels from a disc's limb, negative within it."""
    x = np.arange(grid.width, dtype=np.float32) - np.float32(disc.x)
    y = np.arange(grid.height, dtype=np.float32) - np.float32(disc.y)
    return np.asarray(np.hypot(x[None, :], y[:, None]) - np.float32(disc.radius))


def _clear(grid: Grid, frame: DiscFrame) -> Pixels:
    """Return how far a frame's pixels are free of its Moon, from 0 to 1."""
    margin = BLURS * frame.blur_px + RELIEF_ARCSEC / grid.scale_arcsec
    t = np.clip((_away(grid, frame.moon) - np.float32(margin)) / np.float32(FADE_PX), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), np.float32)


def _compared(value: Pixels, reference: Pixels, both: NDArray[np.bool_]) -> float:
    """Return how much brighter a frame is than the reference where both show the Sun."""
    both = both & np.isfinite(value[GREEN]) & np.isfinite(reference[GREEN])
    if both.sum() < LEAST_COMPARED:
        return 1.0
    ratio = float(value[GREEN][both].sum(dtype=float) / reference[GREEN][both].sum(dtype=float))
    return ratio if 0.1 < ratio < 10.0 else 1.0


def _sampled(
    raw: RawFrame, calibration: Calibration, frame: DiscFrame, shape: tuple[int, int]
) -> tuple[Pixels, Pixels]:
    """Return a frame's colours (3, H, W) on the grid, ADU, and what interpolation does to noise."""
    taps = taps_module.build(raw.pattern)
    table = Table(taps.first, taps.dy, taps.dx, taps.weight, taps.power, taps.plane)
    out, power = np.empty((3, *shape), np.float32), np.empty((3, *shape), np.float32)
    linear = _linear(raw, calibration)
    lens = np.array([frame.lens.x, frame.lens.y, frame.lens.per_square])
    in_threads(sample_frame, shape[0], linear, taps.tile, frame.affine, lens, table, out, power)
    return out, power


def _linear(raw: RawFrame, calibration: Calibration) -> Pixels:
    """Return samples (P, H, W) in proportion to light, ADU; NaN where they are clipped."""
    samples = planes(raw.data).copy()
    black = black_tile(raw)
    clipped = samples >= black.mean() + CLIPPED * (raw.white - black.mean())
    dark, flat, hot = calibration.dark, calibration.inverse_flat, calibration.hot
    if hot is not None:
        index = HotPixels().index(hot)
        mend(samples, planes(hot), index, raw.pattern, None if dark is None else planes(dark))
    linear = samples.astype(np.float32)
    if dark is not None:
        linear -= planes(dark)
    else:
        th, tw = black.shape[1:]
        for i in range(th):
            for j in range(tw):
                linear[:, i::th, j::tw] -= black[:, i : i + 1, j : j + 1]
    if flat is not None:
        linear *= planes(flat)
    linear[clipped] = np.nan
    return linear
