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

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame
from limbward.errors import LimbwardError
from limbward.radiance import taps as taps_module
from limbward.radiance.calibrate import Calibration, calibrate, planes
from limbward.radiance.gather import gather
from limbward.radiance.grid import Circle, Grid
from limbward.radiance.noise import NoiseModel

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

MOON_FADE_PX = 6.0  # over which a frame's weight falls to nothing at its Moon
KERNEL_REACH_PX = 1.2  # of the samples' weight, 99 % lies nearer: dark samples stay out of the sum


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
    moon : Circle
        In the frame.
    noise : NoiseModel
        Of one raw sample.
    weight : ndarray of float32, shape (3, h, w)
        On the small grid.
    """

    affine: Floats
    exposure_s: float
    offset: Floats
    moon: Circle
    noise: NoiseModel
    weight: Pixels


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


def add_frame(
    sums: Accumulator,
    frame: MergeFrame,
    image: Pixels,
    taps: taps_module.Taps,
    map_affine: Floats,
    moon_margin_px: float,
    inverse_flat: Pixels | None = None,
    inside: bool = False,
) -> None:
    """Add one calibrated frame to the sums.

    Parameters
    ----------
    sums : Accumulator
    frame : MergeFrame
    image : ndarray of float32, shape (P, H, W)
        From `limbward.radiance.calibrate.calibrate`.
    taps : Taps
        Of the frame's colour filters.
    map_affine : ndarray, shape (3,)
        Scale and shifts from pixels of the result to the weight map.
    moon_margin_px : float
        Pixels beside the lunar limb that are left out.
    inverse_flat : ndarray, optional
        By which ``image`` was multiplied; only for the noise.
    inside : bool
        Whether the Moon's disc is merged, instead of what is outside.
    """
    height, width = image.shape[1:]
    shift = taps.dy.astype(np.int64) * width + taps.dx
    margin = -moon_margin_px - KERNEL_REACH_PX if inside else moon_margin_px + KERNEL_REACH_PX
    moon = np.array(
        [frame.moon.x, frame.moon.y, max(frame.moon.radius + margin, 0.0), MOON_FADE_PX]
    )
    flat = np.empty((0, 0), np.float32)
    if inverse_flat is not None:
        flat = planes(inverse_flat).reshape(image.shape[0], -1)
    gather(
        image.reshape(image.shape[0], -1),
        flat,
        np.ascontiguousarray(frame.affine, np.float64),
        np.array([*taps.tile, height, width], np.int64),
        shift,
        taps.first,
        taps.weight,
        taps.power,
        taps.plane,
        frame.weight,
        np.asarray(map_affine, np.float64),
        moon,
        inside,
        1.0 / frame.exposure_s,
        np.asarray(frame.offset, np.float64),
        frame.noise.gain,
        frame.noise.read**2,
        frame.noise.spread**2,
        sums.light,
        sums.weight,
        sums.variance,
        sums.count,
    )


def _prefetch(
    n: int, load: Callable[[int], RawFrame]
) -> Iterator[tuple[int, RawFrame | LimbwardError]]:
    """Decode one frame ahead of the merge, which keeps two raw frames in memory."""

    def attempt(k: int) -> RawFrame | LimbwardError:
        try:
            return load(k)
        except LimbwardError as error:
            return error

    with ThreadPoolExecutor(max_workers=1) as pool:
        waiting = pool.submit(attempt, 0) if n else None
        for k in range(n):
            assert waiting is not None
            frame = waiting.result()
            waiting = pool.submit(attempt, k + 1) if k + 1 < n else None
            yield k, frame


@dataclass(frozen=True)
class MoonBox:
    """Where the Moon's disc goes in the result: its circle and the top-left pixel of its box."""

    moon: Circle
    left: int
    top: int
    side: int


def moon_box(moon: Circle) -> MoonBox:
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
    load: Callable[[int], RawFrame],
    grid: Grid,
    factor: int,
    calibrations: Callable[[int, RawFrame], Calibration],
    *,
    saturation: float = 0.9,
    moon_margin_px: float = 2.0,
    bloom_px: float = 2.0,
    box: MoonBox | None = None,
    progress: Callable[[int], None] | None = None,
) -> tuple[Merged, Merged | None]:
    """Merge frames into one linear picture.

    Parameters
    ----------
    frames : sequence of MergeFrame
    load : callable
        Decodes frame k; a `LimbwardError` leaves that frame out.
    grid : Grid
        Of the result.
    factor : int
        Of the small grid of the weights.
    calibrations : callable
        Returns the calibration of frame k, decoded.
    saturation : float
        Fraction of the white level up to which the sensor is linear.
    moon_margin_px, bloom_px : float
        Pixels beside the lunar limb and beside saturated pixels that are left out.
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
    image: Pixels | None = None
    for k, raw in _prefetch(len(frames), load):
        if isinstance(raw, LimbwardError):
            failed[k] = str(raw)
        else:
            key = repr((raw.pattern.shape, raw.pattern.tobytes())).encode()
            if key not in known:
                known[key] = taps_module.build(raw.pattern)
            calibration = calibrations(k, raw)
            image = calibrate(raw, calibration, saturation, bloom_px, out=image)
            flat = calibration.inverse_flat
            add_frame(sums, frames[k], image, known[key], place, moon_margin_px, flat)
            if disc is not None and box is not None:
                on_moon = _on_moon(frames[k], box)
                add_frame(disc, on_moon, image, known[key], np.zeros(3), 2.0, flat, inside=True)
        if progress is not None:
            progress(k + 1)
    merged = sums.result()
    surface = disc.result() if disc is not None else None
    return Merged(merged.radiance, merged.sigma, merged.count, failed), surface


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
