"""The streaming merge: raw samples of all frames to one linear picture, never demosaicked.

Each pixel of the result takes, from each frame, the samples of one colour around its place, fits
a plane through them (`limbward.radiance.taps`) and adds the value with the weight that the
predicted radiance gives it (`limbward.radiance.stack`).

References
----------
M. Granados et al., *Optimal HDR reconstruction with linear digital cameras*, CVPR 2010.
C. Aguerrebere et al., *Best algorithms for HDR image generation. A study of performance bounds*,
SIAM J. Imaging Sciences 7 (2014) 1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.radiance import taps as taps_module
from limbward.radiance.calibrate import Calibration, black_tile, mend, planes
from limbward.radiance.kernels.gather import gather
from limbward.radiance.kernels.inputs import Frames, Maps, Sums, Table, Views
from limbward.radiance.noise import NoiseModel
from limbward.radiance.saturation import KERNEL_REACH_PX, saturated_places
from limbward.radiance.stack import sharpness

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

MOON_FADE_PX = 0.5  # over which a weight falls to nothing at the Moon; 6 costs 3 % of variance
TINY = np.float32(1e-30)  # no radiance is below it, none above its inverse
BATCH = 5  # frames in memory at a time: the least whose median shows an outlier


@dataclass(frozen=True)
class MergeFrame:
    """One frame of the merge.

    Attributes
    ----------
    affine : ndarray, shape (2, 3)
        From pixels of the result to pixels of the frame.
    exposure_s : float
        True exposure, seconds at the reference ISO and f-number.
    offset : ndarray, shape (3,)
        Signal in R, G, B that is not the common corona, DN.
    moon : Disc
        In the frame.
    noise : NoiseModel
        Of one raw sample.
    weight : ndarray of float32, shape (3, h, w)
        On the small grid.
    top : ndarray, shape (3,)
        Radiance at which the frame reaches its ceiling; its weight has faded to nothing there.
    """

    affine: Floats
    exposure_s: float
    offset: Floats
    moon: Disc
    noise: NoiseModel
    weight: Pixels
    top: Floats = field(default_factory=lambda: np.full(3, np.inf))


@dataclass
class Accumulator:
    """Running sums of a merge; nothing else of the frames is kept.

    ``light`` is the weighted sum of radiances, ``weight`` that of the weights, ``variance`` that
    of the squared weights times the variances; all (3, H, W). ``count`` (H, W) is the number of
    frames that gave a pixel at least one colour.
    """

    light: Pixels
    weight: Pixels
    variance: Pixels
    count: NDArray[np.uint16]

    @classmethod
    def empty(cls, height: int, width: int) -> Accumulator:
        """Return sums of nothing."""
        shape = (3, height, width)
        return cls(
            np.zeros(shape, np.float32),
            np.zeros(shape, np.float32),
            np.zeros(shape, np.float32),
            np.zeros(shape[1:], np.uint16),
        )

    def result(self) -> Merged:
        """Return radiance and its uncertainty, in place of the sums."""
        none = self.weight <= 0.0
        self.weight[none] = np.nan
        self.light /= self.weight
        np.maximum(self.variance, 0.0, out=self.variance)
        np.sqrt(self.variance, out=self.variance)
        self.variance /= self.weight
        return Merged(self.light, self.variance, self.count)


@dataclass(frozen=True)
class Merged:
    """A linear picture.

    Attributes
    ----------
    radiance : ndarray of float32, shape (3, H, W)
        DN/s at the reference ISO and f-number; NaN where no frame saw the sky.
    sigma : ndarray of float32, shape (3, H, W)
        Photon and read noise of the radiance, one standard deviation. Neighbouring pixels share
        samples, so their errors are correlated over about 2 pixels.
    count : ndarray of uint16, shape (H, W)
        Frames used.
    failed : dict of int to str
        Frames that could not be read, and why.
    """

    radiance: Pixels
    sigma: Pixels
    count: NDArray[np.uint16]
    failed: dict[int, str] = field(default_factory=dict)


@dataclass
class Batch:
    """Frames alike in size, filters and calibration, to be merged together.

    ``pixels`` (B, P, H, W) are raw samples, ``blocked`` (B, H, W) the bits of
    `limbward.radiance.saturation`, ``blocked_rows`` (B, H) where there may be any; the first ``n``
    hold frames, whose numbers are ``frames``.
    """

    pixels: NDArray[Any]
    blocked: NDArray[np.uint8]
    blocked_rows: NDArray[np.bool_]
    black: Pixels
    taps: taps_module.Taps
    calibration: Calibration
    frames: list[int] = field(default_factory=list)


def add_frames(
    sums: Accumulator,
    frames: Sequence[MergeFrame],
    batch: Batch,
    predicted: Pixels,
    sharp: Pixels,
    map_affine: Floats,
    moon_margin_px: float,
    inside: bool = False,
) -> None:
    """Add a few frames to the sums.

    Parameters
    ----------
    sums : Accumulator
    frames : sequence of MergeFrame
        As many as the batch holds.
    batch : Batch
    predicted : ndarray, shape (3, h, w)
        Radiance on the small grid.
    sharp : ndarray of float32, shape (3, h, w)
        From 0, for the least noise, to 1, for sharpness.
    map_affine : ndarray, shape (3,)
        Scale and shifts from pixels of the result to the weight maps.
    moon_margin_px : float
        Pixels beside the lunar limb that are left out.
    inside : bool
        Whether the Moon's disc is merged, instead of what is outside.
    """
    n = len(frames)
    taps = batch.taps
    margin = -moon_margin_px - KERNEL_REACH_PX if inside else moon_margin_px + KERNEL_REACH_PX
    none = np.empty((0, 0, 0), np.float32)
    dark, flat = batch.calibration.dark, batch.calibration.inverse_flat
    samples = Frames(
        raw=batch.pixels[:n],
        black=batch.black,
        dark=none if dark is None else planes(dark),
        flat=none if flat is None else planes(flat),
        blocked=batch.blocked[:n],
        blocked_rows=batch.blocked_rows[:n],
    )
    moons = [[f.moon.x, f.moon.y, max(f.moon.radius + margin, 0.0), MOON_FADE_PX] for f in frames]
    noise = [[f.noise.gain, f.noise.read**2, f.noise.spread**2] for f in frames]
    views = Views(
        affine=np.stack([np.asarray(f.affine, np.float64) for f in frames]),
        moon=np.array(moons),
        inverse_exposure=np.array([1.0 / f.exposure_s for f in frames], np.float32),
        offset=np.array([f.offset for f in frames], np.float32),
        noise=np.array(noise, np.float32),
        top=np.log(np.minimum([f.top for f in frames], 1.0 / TINY)).astype(np.float32),
    )
    maps = Maps(
        weight=np.stack([f.weight for f in frames]),
        predicted=np.log(np.maximum(predicted, TINY)),
        sharp=sharp,
        affine=np.asarray(map_affine, np.float64),
    )
    table = Table(taps.first, taps.dy, taps.dx, taps.weight, taps.power, taps.plane)
    running = Sums(sums.light, sums.weight, sums.variance, sums.count)
    gather(samples, views, table, maps, (inside, not inside), running)


@dataclass(frozen=True)
class MoonBox:
    """Where the Moon's disc goes in the result: its circle and the top-left pixel of its box."""

    moon: Disc
    left: int
    top: int
    side: int


def moon_box(moon: Disc) -> MoonBox:
    """Return the box around a disc."""
    reach = int(np.ceil(moon.radius)) + 2
    return MoonBox(moon, round(moon.x) - reach, round(moon.y) - reach, 2 * reach + 1)


def map_affine(grid: Grid, factor: int) -> Floats:
    """Return scale and shifts from pixels of the grid to those of the small grid."""
    small = grid.reduced(factor)
    return np.array(
        [1.0 / factor, small.sun_x - grid.sun_x / factor, small.sun_y - grid.sun_y / factor]
    )


def merge(
    frames: Sequence[MergeFrame],
    decoded: Iterable[tuple[int, RawFrame | LimbwardError]],
    grid: Grid,
    factor: int,
    predicted: Pixels,
    calibrations: Callable[[int, RawFrame], Calibration],
    *,
    ceiling: float | Floats | Pixels = 0.9,
    moon_margin_px: float = 2.0,
    bloom_px: float = 1.0,
    box: MoonBox | None = None,
    progress: Callable[[int], None] | None = None,
) -> tuple[Merged, Merged | None]:
    """Merge frames into one linear picture.

    Parameters
    ----------
    frames : sequence of MergeFrame
    decoded : iterable of (int, RawFrame or LimbwardError)
        Numbers of frames with their samples, each once, in any order. An error leaves that frame
        out. A frame is copied before the next is asked for. Frames of like exposures should
        follow each other: those of a batch are compared for outliers.
    grid : Grid
        Of the result.
    factor : int
        Of the small grid of the weights.
    predicted : ndarray of float32, shape (3, h, w)
        Radiance on the small grid, from `limbward.radiance.stack.weight_maps`.
    calibrations : callable
        Returns the calibration of frame k, decoded; the same object for the same calibration.
    ceiling : float or ndarray, shape (3,)
        Fraction of the range from black to white up to which the sensor is linear, in R, G, B.
    moon_margin_px, bloom_px : float
        Pixels beside the lunar limb and beside clipped pixels that are left out.
    box : MoonBox, optional
        Where the Moon's disc goes; its surface, lit by the Earth, is then merged too, from the
        same frames registered on the Moon.
    progress : callable, optional
        Called with the number of frames done.

    Returns
    -------
    Merged
        The sky.
    Merged or None
        The Moon's disc in its box, NaN outside it.
    """
    sums = Accumulator.empty(grid.height, grid.width)
    disc = Accumulator.empty(box.side, box.side) if box is not None else None
    place = map_affine(grid, factor)
    failed: dict[int, str] = {}
    known: dict[bytes, taps_module.Taps] = {}
    hot = HotPixels()
    nothing = np.zeros((3, 1, 1), np.float32)
    sharp = sharpness([f.weight for f in frames])
    batch: Batch | None = None
    done = 0

    def flush(batch: Batch) -> None:
        nonlocal done
        those = [frames[k] for k in batch.frames]
        if those:
            add_frames(sums, those, batch, predicted, sharp, place, moon_margin_px)
            if disc is not None and box is not None:
                on_moon = [_on_moon(f, box) for f in those]
                add_frames(disc, on_moon, batch, nothing, nothing, np.zeros(3), 2.0, inside=True)
        batch.frames.clear()

    for k, raw in decoded:
        if isinstance(raw, LimbwardError):
            failed[k] = str(raw)
        else:
            calibration = calibrations(k, raw)
            if batch is None or len(batch.frames) == BATCH or not _fits(batch, raw, calibration):
                if batch is not None:
                    flush(batch)
                batch = _new_batch(batch, raw, calibration, known)
            _put(batch, k, raw, ceiling, bloom_px, hot)
        done += 1
        if progress is not None:
            progress(done)
    if batch is not None:
        flush(batch)
    del batch
    merged = sums.result()
    surface = disc.result() if disc is not None else None
    return Merged(merged.radiance, merged.sigma, merged.count, failed), surface


def _fits(batch: Batch, raw: RawFrame, calibration: Calibration) -> bool:
    """Return whether a frame can share a batch."""
    data = planes(raw.data)
    return (
        batch.pixels.shape[1:] == data.shape
        and batch.pixels.dtype == data.dtype
        and np.array_equal(batch.black, black_tile(raw))
        and batch.taps.pattern == taps_module.pattern_key(raw.pattern)
        and batch.calibration.dark is calibration.dark
        and batch.calibration.inverse_flat is calibration.inverse_flat
    )


def _new_batch(
    old: Batch | None,
    raw: RawFrame,
    calibration: Calibration,
    known: dict[bytes, taps_module.Taps],
) -> Batch:
    """Return an empty batch for frames like one, in the memory of the old one if it fits."""
    key = taps_module.pattern_key(raw.pattern)
    if key not in known:
        known[key] = taps_module.build(raw.pattern)
    data = planes(raw.data)
    shape = (BATCH, *data.shape)
    reuse = old is not None and old.pixels.shape == shape and old.pixels.dtype == data.dtype
    if reuse and old is not None:
        pixels, blocked, rows = old.pixels, old.blocked, old.blocked_rows
    else:
        pixels = np.empty(shape, data.dtype)
        blocked = np.empty((BATCH, *data.shape[1:]), np.uint8)
        rows = np.empty((BATCH, data.shape[1]), bool)
    return Batch(pixels, blocked, rows, black_tile(raw), known[key], calibration)


def _put(
    batch: Batch,
    k: int,
    raw: RawFrame,
    ceiling: float | Floats | Pixels,
    bloom_px: float,
    hot: HotPixels,
) -> None:
    """Copy a frame into a batch, its hot pixels mended and its saturation noted."""
    n = len(batch.frames)
    pixels = batch.pixels[n]
    np.copyto(pixels, planes(raw.data))
    mask = batch.calibration.hot
    if mask is not None:
        dark = batch.calibration.dark
        flagged = planes(mask)
        mend(pixels, flagged, hot.index(mask), raw.pattern, None if dark is None else planes(dark))
    saturated_places(
        pixels,
        raw.pattern,
        float(batch.black.mean()),
        raw.white,
        ceiling,
        bloom_px,
        batch.blocked[n],
        batch.blocked_rows[n],
    )
    batch.frames.append(k)


class HotPixels:
    """Where the pixels of the last mask seen are: searching 24 million takes 10 ms."""

    def __init__(self) -> None:
        self._mask: NDArray[np.bool_] | None = None
        self._index = np.empty(0, np.int64)

    def index(self, mask: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return the flat indices of a mask."""
        if mask is not self._mask:
            self._mask, self._index = mask, np.flatnonzero(mask)
        return self._index


def _on_moon(frame: MergeFrame, box: MoonBox) -> MergeFrame:
    """Return the frame registered on the Moon in its box; weights of dark pixels."""
    linear = frame.affine[:, :2]
    centre = np.array([box.moon.x - box.left, box.moon.y - box.top])
    shift = np.array([frame.moon.x, frame.moon.y]) - linear @ centre
    dark = frame.exposure_s**2 / max(frame.noise.read, 0.1) ** 2
    return MergeFrame(
        affine=np.column_stack([linear, shift]),
        exposure_s=frame.exposure_s,
        offset=frame.offset,
        moon=frame.moon,
        noise=frame.noise,
        weight=np.full((3, 1, 1), dark, np.float32),
    )
