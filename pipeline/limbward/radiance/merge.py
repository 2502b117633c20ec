"""The streaming merge: raw samples of all frames to one linear picture, never demosaicked.

Each pixel of the result takes, from each frame, the samples of one colour around its place, fits
a plane through them (`limbward.radiance.taps`) and adds the value with the weight that the
predicted radiance gives it (`limbward.radiance.registered`).

References
----------
M. Granados et al., *Optimal HDR reconstruction with linear digital cameras*, CVPR 2010.
C. Aguerrebere et al., *Best algorithms for HDR image generation. A study of performance bounds*,
SIAM J. Imaging Sciences 7 (2014) 1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.radiance.batch import BATCH, Batch, HotPixels, Limits, fits, new_batch, put
from limbward.radiance.calibrate import Calibration, planes
from limbward.radiance.kernels.gather import gather
from limbward.radiance.kernels.inputs import BLOCK, BatchSamples, Maps, Sums, Table, Views
from limbward.radiance.noise import NoiseModel
from limbward.radiance.registered import sharpness
from limbward.radiance.saturation import KERNEL_REACH_PX
from limbward.radiance.scatter import Coarse, beyond_noise, widen
from limbward.radiance.taps import Taps

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

MOON_FADE_PX = 0.5  # over which a weight falls to nothing at the Moon; 6 costs 3 % of variance
TINY = np.float32(1e-30)  # no radiance is below it, none above its inverse
USUAL = Limits()


@dataclass(frozen=True)
class MergeFrame:
    """One frame of the merge.

    Attributes
    ----------
    affine : ndarray, shape (2, 3)
        From pixels of the result to pixels of the frame as its lens draws it without distortion.
    exposure_s : float
        True exposure, seconds at the reference ISO and f-number.
    offset : ndarray, shape (3,)
        Signal in R, G, B that is not the common corona, ADU.
    moon : Disc
        In the frame.
    noise : NoiseModel
        Of one raw sample.
    weight : ndarray of float32, shape (3, h, w)
        On the small grid.
    top : ndarray, shape (3,)
        Radiance at which the frame reaches its ceiling; its weight has faded to nothing there.
    veil : ndarray of float32, shape (4, h, w), optional
        On the small grid: the inverse of the transmission of what lay before the corona, and the
        frame's own sky in R, G, B, ADU/s. Of all frames or of none.
    lens : Lens
    """

    affine: Floats
    exposure_s: float
    offset: Floats
    moon: Disc
    noise: NoiseModel
    weight: Pixels
    top: Floats = field(default_factory=lambda: np.full(3, np.inf))
    veil: Pixels | None = None
    lens: Lens = STRAIGHT


@dataclass(frozen=True)
class Cut:
    """Rows of frames: from ``first`` to before ``last`` of ``height``."""

    first: int
    last: int
    height: int

    @property
    def rows(self) -> slice:
        """Which they are."""
        return slice(self.first, self.last)


@dataclass
class Accumulator:
    """Running sums of a merge; nothing else of the frames is kept.

    ``light`` is the weighted sum of radiances, ``weight`` that of the weights, ``variance`` that
    of the squared weights times the variances; all (3, H, W). ``count`` (H, W) is the number of
    frames that gave a pixel at least one colour. ``scatter`` and ``expected`` say, by blocks, how
    the frames differ. ``first`` is the row of the result that is their first, a multiple of
    `limbward.radiance.kernels.gather.CHUNK`.
    """

    light: Pixels
    weight: Pixels
    variance: Pixels
    count: NDArray[np.uint16]
    scatter: Pixels
    expected: Pixels
    first: int = 0

    @classmethod
    def empty(cls, height: int, width: int, first: int = 0) -> Accumulator:
        """Return sums of nothing."""
        shape = (3, height, width)
        blocks = (3, -(-height // BLOCK), -(-width // BLOCK))
        return cls(
            np.zeros(shape, np.float32),
            np.zeros(shape, np.float32),
            np.zeros(shape, np.float32),
            np.zeros(shape[1:], np.uint16),
            np.zeros(blocks, np.float32),
            np.zeros(blocks, np.float32),
            first,
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
        ADU/s at the reference ISO and f-number; NaN where no frame saw the sky.
    sigma : ndarray of float32, shape (3, H, W)
        Of the radiance, one standard deviation: photon and read noise, the scatter between frames
        beyond them, and the sensor's pattern where frames share it. Neighbouring pixels share
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


def add_frames(
    sums: Accumulator,
    frames: Sequence[MergeFrame],
    batch: Batch,
    predicted: Pixels,
    sharp: Pixels,
    map_affine: Floats,
    moon_margin_px: float,
    inside: bool = False,
    cut: Cut | None = None,
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
    cut : Cut, optional
        Which rows of the frames the batch holds; all by default.
    """
    n = len(frames)
    taps = batch.taps
    margin = -moon_margin_px - KERNEL_REACH_PX if inside else moon_margin_px + KERNEL_REACH_PX
    none = np.empty((0, 0, 0), np.float32)
    dark, flat = batch.calibration.dark, batch.calibration.inverse_flat
    samples = BatchSamples(
        raw=batch.pixels[:n],
        black=batch.black,
        dark=none if dark is None else planes(dark),
        flat=none if flat is None else planes(flat),
        blocked=batch.blocked[:n],
        blocked_rows=batch.blocked_rows[:n],
        first=0 if cut is None else cut.first,
        height=batch.pixels.shape[2] if cut is None else cut.height,
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
    veils = [f.veil for f in frames if f.veil is not None]
    maps = Maps(
        weight=np.stack([f.weight for f in frames]),
        predicted=np.log(np.maximum(predicted, TINY)),
        sharp=sharp,
        veil=np.stack(veils) if veils else np.empty((0, 0, 0, 0), np.float32),
        affine=np.asarray(map_affine, np.float64),
    )
    table = Table(taps.first, taps.dy, taps.dx, taps.weight, taps.power, taps.plane)
    running = Sums(
        sums.light, sums.weight, sums.variance, sums.count, sums.scatter, sums.expected, sums.first
    )
    lenses = np.array([[f.lens.x, f.lens.y, f.lens.per_square, f.lens.corner] for f in frames])
    gather(samples, views, table, maps, (inside, not inside), running, lenses)


@dataclass(frozen=True)
class MoonBox:
    """Where the Moon's disc goes in the result: its circle, and its box by the top-left pixel."""

    moon: Disc
    left: int
    top: int
    width: int
    height: int


def moon_box(moon: Disc) -> MoonBox:
    """Return the box around a disc."""
    reach = int(np.ceil(moon.radius)) + 2
    side = 2 * reach + 1
    return MoonBox(moon, round(moon.x) - reach, round(moon.y) - reach, side, side)


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
    limits: Limits = USUAL,
    box: MoonBox | None = None,
    change: Pixels | None = None,
    progress: Callable[[], None] | None = None,
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
        Radiance on the small grid, from `limbward.radiance.registered.weight_maps`.
    calibrations : callable
        Returns the calibration of frame k, decoded; the same object for the same calibration.
    limits : Limits
    box : MoonBox, optional
        Where the Moon's disc goes; its surface, lit by the Earth, is then merged too, from the
        same frames registered on the Moon.
    change : ndarray of float32, shape (h, w), optional
        Of the frames' transmission, for SIGMA, as `limbward.radiance.scatter.beyond_noise` has it.
    progress : callable, optional
        Called after each frame.

    Returns
    -------
    Merged
        The sky.
    Merged or None
        The Moon's disc in its box, NaN outside it.

    See Also
    --------
    limbward.radiance.bands.merge_in_bands : The same in less memory.
    """
    place = map_affine(grid, factor)
    running = Running(frames, (0, grid.height), grid.width, place, predicted, limits)
    if box is not None:
        running.add_disc(box, (0, box.height))
    failed = running.take(decoded, calibrations, progress)
    coarse = Coarse.of(running.sums)
    merged = running.sums.result()
    if running.taps is not None:
        extra = beyond_noise(coarse, frames, running.taps, running.sharp, place, change)
        widen(merged.sigma, merged.radiance, extra)
    surface = None if running.disc is None else running.disc.result()
    return Merged(merged.radiance, merged.sigma, merged.count, failed), surface


class Running:
    """The sums of a merge, of the sky and of the Moon's disc.

    Parameters
    ----------
    frames : sequence of MergeFrame
    rows : (int, int)
        The first of the result, a multiple of `limbward.radiance.kernels.gather.CHUNK`, and that
        after the last.
    width : int
        Columns of the result.
    place : ndarray, shape (3,)
        Of `map_affine`.
    predicted, limits
        As `merge` takes them.
    cut : Cut, optional
        Which rows of the frames are handed over; all by default.

    Attributes
    ----------
    sums : Accumulator
    disc : Accumulator or None
        The Moon's, if there is a box for it.
    sharp : ndarray of float32, shape (3, h, w)
        As `add_frames` takes it.
    taps : Taps or None
        Those of the frames' mosaic, None as long as there has been no frame.
    pattern : ndarray of int8
        That mosaic's tile.
    """

    def __init__(
        self,
        frames: Sequence[MergeFrame],
        rows: tuple[int, int],
        width: int,
        place: Floats,
        predicted: Pixels,
        limits: Limits,
        cut: Cut | None = None,
    ) -> None:
        self._frames = frames
        self._place, self._predicted = place, predicted
        self._limits = limits
        self._cut = cut
        self._box: MoonBox | None = None
        self.sums = Accumulator.empty(rows[1] - rows[0], width, rows[0])
        self.disc: Accumulator | None = None
        self.sharp = sharpness([f.weight for f in frames])
        self.taps: Taps | None = None
        self.pattern = np.empty((0, 0), np.int8)

    def add_disc(self, box: MoonBox, rows: tuple[int, int]) -> None:
        """Merge rows of the Moon's box, too; the first is a multiple of the rows of a piece."""
        self._box = box
        self.disc = Accumulator.empty(rows[1] - rows[0], box.width, rows[0])

    def take(
        self,
        decoded: Iterable[tuple[int, RawFrame | LimbwardError]],
        calibrations: Callable[[int, RawFrame], Calibration],
        progress: Callable[[], None] | None = None,
    ) -> dict[int, str]:
        """Add frames, and return those that could not be read, and why; else as `merge`."""
        failed: dict[int, str] = {}
        known: dict[bytes, Taps] = {}
        hot = HotPixels()
        batch: Batch | None = None
        for k, raw in decoded:
            if isinstance(raw, LimbwardError):
                failed[k] = str(raw)
            else:
                calibration = calibrations(k, raw)
                if batch is None or len(batch.frames) == BATCH or not fits(batch, raw, calibration):
                    if batch is not None:
                        self._add(batch)
                    batch = new_batch(batch, raw, calibration, known)
                    self.pattern = raw.pattern
                put(batch, k, raw, self._limits, hot)
            if progress is not None:
                progress()
        if batch is not None:
            self._add(batch)
        return failed

    def _add(self, batch: Batch) -> None:
        """Add a batch, and empty it."""
        those = [self._frames[k] for k in batch.frames]
        if those:
            self.taps = batch.taps
            margin = self._limits.moon_margin_px
            add_frames(
                self.sums, those, batch, self._predicted, self.sharp, self._place, margin,
                cut=self._cut,
            )  # fmt: skip
            if self.disc is not None and self._box is not None:
                none = np.zeros((3, 1, 1), np.float32)
                turned = [on_moon(f, self._box) for f in those]
                add_frames(
                    self.disc, turned, batch, none, none, np.zeros(3), 2.0,
                    inside=True, cut=self._cut,
                )  # fmt: skip
        batch.frames.clear()


def on_moon(frame: MergeFrame, box: MoonBox) -> MergeFrame:
    """Return the frame registered on the Moon in its box; weights of dark pixels."""
    linear = frame.affine[:, :2]
    centre = np.array([box.moon.x - box.left, box.moon.y - box.top])
    shift = np.array(frame.lens.straight(frame.moon.x, frame.moon.y)) - linear @ centre
    dark = frame.exposure_s**2 / max(frame.noise.read, 0.1) ** 2
    return MergeFrame(
        affine=np.column_stack([linear, shift]),
        exposure_s=frame.exposure_s,
        offset=frame.offset,
        moon=frame.moon,
        noise=frame.noise,
        weight=np.full((3, 1, 1), dark, np.float32),
        lens=frame.lens,
    )
