"""The merge in bands of rows, so that it needs no more memory than it may have.

Of a result of 24 megapixels the running sums take 0.9 GB and the frames at hand half of that; both
grow with the sensor. A band needs its own rows of the sums, and of each frame the rows that it
looks at. Frames are decoded once, to a file, or anew for each band where the disk has no room.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame
from limbward.errors import LimbwardError
from limbward.geometry.grid import Grid
from limbward.radiance import taps
from limbward.radiance.batch import BATCH, Limits
from limbward.radiance.calibrate import Calibration
from limbward.radiance.kernels.weights import EDGE_FADE_PX
from limbward.radiance.merge import (
    USUAL,
    Cut,
    Merged,
    MergeFrame,
    MoonBox,
    Running,
    map_affine,
    on_moon,
)
from limbward.radiance.registered import sharpness
from limbward.radiance.scatter import Coarse, beyond_noise, widen
from limbward.radiance.scratch import Room, let_go

Pixels = NDArray[np.float32]
# Takes rows of the frames, returns them as `limbward.radiance.merge.merge` takes frames.
Decode = Callable[[slice], Iterable[tuple[int, RawFrame | LimbwardError]]]
Calibrations = Callable[[int, RawFrame], Calibration]

ROWS = 48  # a band's rows are a multiple: blocks and pieces of work are then those of a whole merge
# Rows of a frame beyond those of a band: weights must not fade at the cut as they do at the frame's
# edges, and taps, bloom and hot pixels look at neighbours.
MARGIN = int(EDGE_FADE_PX) + 8
EDGE = 9  # places along an edge
MOST = 12  # bands; where each decodes all frames once more, six take twice the time of one
SUMS_BYTES = 38  # per pixel of the result
EASY_BYTES = 0.4e9  # of a band, of which more cost nothing: four at 24 megapixels
BASE_BYTES = 0.45e9  # of the main process without pixels
WORKER_BYTES = 0.06e9  # of a process that decodes, beside what all share, without pixels
DECODER_BYTES = 2  # per pixel of a frame: the decoder's own numbers, of which ours are a copy


@dataclass(frozen=True)
class Band:
    """Rows ``first`` to before ``last`` of the result."""

    first: int
    last: int


@dataclass(frozen=True)
class Sizes:
    """What a merge takes in memory.

    Attributes
    ----------
    grid : Grid
        Of the result.
    frame_pixels, pixel_bytes : int
        Of a frame, and of one of its pixels in memory.
    maps_bytes : int
        Of the maps of all frames on the small grid.
    calibration_bytes : int
        Of a pixel's dark, flat and mark as hot.
    """

    grid: Grid
    frame_pixels: int
    pixel_bytes: int
    maps_bytes: int = 0
    calibration_bytes: int = 0

    def shared(self, workers: int) -> float:
        """Return the bytes of sums and frames, of which a band has its part."""
        frame = self.frame_pixels
        at_hand = BATCH * (self.pixel_bytes + 1) + (workers + 1) * self.pixel_bytes
        sums = SUMS_BYTES * self.grid.width * self.grid.height
        return sums + frame * (at_hand + self.calibration_bytes)

    def bands(self, memory: float, workers: int) -> float:
        """Return how many bands so many bytes suffice for, with all processes.

        Each of ``workers`` decodes a frame, of which the decoder has its own copy, and hands over
        the rows of a band. Infinite if that alone is too much.
        """
        fixed = BASE_BYTES + self.maps_bytes
        fixed += workers * (WORKER_BYTES + self.frame_pixels * (DECODER_BYTES + self.pixel_bytes))
        return self.shared(workers) / (memory - fixed) if memory > fixed else np.inf


def bands_within(
    memory: float, sizes: Sizes, workers: int, shelved: bool = False
) -> tuple[list[Band], int]:
    """Return bands, of about as many rows each, that memory suffices for.

    Parameters
    ----------
    memory : float
        Bytes for the run with all its processes.
    sizes : Sizes
    workers : int
        Processes that may decode.
    shelved : bool
        Whether frames are decoded once for all bands: more bands then cost nothing, and of a large
        result there are so many that each takes `EASY_BYTES`.

    Returns
    -------
    list of Band
        At most `MOST`, whether memory suffices or not.
    int
        How many processes decode: as many as decode all bands soonest, since what each holds is
        lost to the bands; of equals those that decode least.
    """
    tried = {n: sizes.bands(memory, n) for n in range(workers, 0, -1)}
    within = {n: int(np.ceil(wanted)) for n, wanted in tried.items() if wanted <= MOST} or {1: MOST}
    best = min(within, key=lambda n: ((1 if shelved else within[n]) / n, within[n]))
    number = within[best]
    if shelved:
        number = min(max(number, int(np.ceil(sizes.shared(best) / EASY_BYTES))), MOST)
    return bands_of(sizes.grid, number), best


def bands_of(grid: Grid, number: int) -> list[Band]:
    """Return so many bands of about as many rows each, or as many as a small grid has."""
    number = max(1, min(number, grid.height // ROWS))
    edges = np.rint(np.linspace(0, grid.height / ROWS, number + 1)).astype(int) * ROWS
    edges[-1] = grid.height
    return [Band(int(a), int(b)) for a, b in pairwise(edges)]


@dataclass(frozen=True)
class Strip:
    """A band of a merge.

    Attributes
    ----------
    band : Band
    merged : Merged
        Its rows; SIGMA without what all bands together tell of the scatter.
    coarse : Coarse
    disc : Merged or None
        Rows of the Moon's disc.
    disc_top : int
        The first of them in the Moon's box.
    pattern : ndarray of int8
        The tile of the frames' mosaic.
    """

    band: Band
    merged: Merged
    coarse: Coarse
    disc: Merged | None
    pattern: NDArray[np.int8]
    disc_top: int = 0


@dataclass(frozen=True)
class Merging:
    """What is merged, as `limbward.radiance.merge.merge` takes it; ``frame_height`` is in rows."""

    frames: Sequence[MergeFrame]
    frame_height: int
    grid: Grid
    factor: int
    predicted: Pixels
    limits: Limits = USUAL
    box: MoonBox | None = None
    change: Pixels | None = None


def merge_band(
    merging: Merging,
    band: Band,
    decode: Decode,
    calibrations: Calibrations,
    progress: Callable[[], None] | None = None,
) -> Strip:
    """Merge a band of the result, to the bit as it is when all is merged at once.

    Parameters
    ----------
    merging : Merging
    band : Band
    decode : callable
        Takes the rows of the frames that are wanted, and returns frames of these rows as
        `limbward.radiance.merge.merge` takes whole ones as ``decoded``, always in the same order.
    calibrations, progress
        As `limbward.radiance.merge.merge` takes them; calibrations are of whole frames.
    """
    frames, grid, box = merging.frames, merging.grid, merging.box
    part = None if box is None else _rows_of_box(box, band, grid.height)
    seen = rows_seen(frames, band, grid.width, merging.frame_height, box, part)
    running = Running(
        frames,
        (band.first, band.last),
        grid.width,
        map_affine(grid, merging.factor),
        merging.predicted,
        merging.limits,
        Cut(seen.start, seen.stop, merging.frame_height),
    )
    if box is not None and part is not None:
        running.add_disc(box, part)
    parts = _Rows(calibrations, seen)
    failed = running.take(decode(seen), parts, progress)
    parts.let_go()
    coarse = Coarse.of(running.sums)
    made = running.sums.result()
    disc = None if running.disc is None else running.disc.result()
    merged = Merged(made.radiance, made.sigma, made.count, failed)
    return Strip(band, merged, coarse, disc, running.pattern, 0 if part is None else part[0])


def join_bands(
    merging: Merging, strips: Iterable[Strip], room: Room
) -> tuple[Merged, Merged | None]:
    """Return the merge that bands, from the top, are of.

    Parameters
    ----------
    merging : Merging
    strips : iterable of Strip
        Each is asked for when the one before has been taken.
    room : callable
        Takes shape and type of an array of the result and returns one, such as one on disk.

    Returns
    -------
    Merged
        The sky. A frame that could not be read for one band has failed, though it may be in others.
    Merged or None
        The Moon's disc in its box.
    """
    grid, frames = merging.grid, merging.frames
    out = _nothing(grid.height, grid.width, room)
    light, sigma, count = out.radiance, out.sigma, out.count
    failed: dict[int, str] = {}
    coarse: list[Coarse] = []
    box = merging.box
    disc = None if box is None else _nothing(box.height, box.width, room)
    found_disc = False
    pattern: NDArray[np.int8] | None = None
    for strip in strips:
        here, made = slice(strip.band.first, strip.band.last), strip.merged
        light[:, here], sigma[:, here], count[here] = made.radiance, made.sigma, made.count
        failed |= made.failed
        coarse.append(strip.coarse)
        if strip.disc is not None and disc is not None:
            found_disc = True
            rows = slice(strip.disc_top, strip.disc_top + len(strip.disc.count))
            disc.radiance[:, rows], disc.sigma[:, rows] = strip.disc.radiance, strip.disc.sigma
            disc.count[rows] = strip.disc.count
            let_go(disc.radiance, disc.sigma, disc.count)
        pattern = strip.pattern if len(made.failed) < len(frames) else pattern
        del strip, made  # before there is another
        let_go(light, sigma, count)
    if pattern is not None:
        sharp = sharpness([f.weight for f in frames])
        place = map_affine(grid, merging.factor)
        whole = Coarse.below_each_other(coarse)
        extra = beyond_noise(whole, frames, taps.build(pattern), sharp, place, merging.change)
        widen(sigma, light, extra)
    return Merged(light, sigma, count, failed), disc if found_disc else None


def merge_in_bands(
    merging: Merging,
    bands: Sequence[Band],
    decode: Decode,
    calibrations: Calibrations,
    room: Room,
    progress: Callable[[], None] | None = None,
) -> tuple[Merged, Merged | None]:
    """Merge frames into one linear picture, band by band.

    Parameters
    ----------
    merging : Merging
    bands : sequence of Band
        From the top.
    decode : callable
        As `merge_band` takes it; called for each band.
    calibrations
        As `limbward.radiance.merge.merge` takes them.
    room : callable
        As `join_bands` takes it.
    progress : callable, optional
        Called for each frame in each band.

    Returns
    -------
    Merged, Merged or None
        Of `join_bands`.
    """
    strips = (merge_band(merging, band, decode, calibrations, progress) for band in bands)
    return join_bands(merging, strips, room)


def rows_seen(
    frames: Sequence[MergeFrame],
    band: Band,
    width: int,
    height: int,
    box: MoonBox | None = None,
    box_rows: tuple[int, int] | None = None,
) -> slice:
    """Return the rows of the frames of which a band may take anything.

    Parameters
    ----------
    frames : sequence of MergeFrame
    band : Band
    width : int
        Columns of the result.
    height : int
        Rows of a frame.
    box : MoonBox, optional
    box_rows : (int, int), optional
        The rows of the Moon's box that are merged with the band.

    Returns
    -------
    slice
        It begins at a multiple of 12 rows, and so with a tile of any mosaic.
    """
    # Along the edges, since a lens bends them.
    across = np.linspace(0.0, width, EDGE)
    places = np.array([[x, y, 1.0] for x in across for y in (band.first, band.last)])
    views = [(f, places) for f in frames]
    if box is not None and box_rows is not None:
        inside = np.array([[x, y, 1.0] for x in (0, box.width) for y in box_rows])
        views += [(on_moon(f, box), inside) for f in frames]
    reached = np.concatenate([f.lens.bent(*(f.affine @ at.T))[1] for f, at in views])
    first = int(np.clip(reached.min() - MARGIN, 0.0, max(height - 2 * MARGIN, 0))) // 12 * 12
    last = int(np.clip(np.ceil(reached.max()) + MARGIN, first + 2 * MARGIN, height))
    return slice(first, last)


def rows_of(
    decoded: Iterable[tuple[int, RawFrame | LimbwardError]], rows: slice
) -> Iterator[tuple[int, RawFrame | LimbwardError]]:
    """Yield rows of whole frames."""
    for k, raw in decoded:
        if isinstance(raw, LimbwardError):
            yield k, raw
        else:
            yield k, replace(raw, data=raw.data[..., rows, :])


class _Rows:
    """Calibrations of frames' rows; the same object for the same calibration."""

    def __init__(self, calibrations: Calibrations, rows: slice) -> None:
        self._calibrations, self._rows = calibrations, rows
        self._known: dict[int, tuple[Calibration, Calibration]] = {}

    def __call__(self, k: int, raw: RawFrame) -> Calibration:
        whole = self._calibrations(k, raw)
        if id(whole) not in self._known:
            part = Calibration(
                None if whole.dark is None else whole.dark[..., self._rows, :],
                None if whole.inverse_flat is None else whole.inverse_flat[..., self._rows, :],
                None if whole.hot is None else whole.hot[..., self._rows, :],
            )
            # The whole one is kept as well: its identity is not given to another meanwhile.
            self._known[id(whole)] = whole, part
        return self._known[id(whole)][1]

    def let_go(self) -> None:
        """Take what lies on disk out of memory."""
        for whole, _ in self._known.values():
            let_go(whole.dark, whole.inverse_flat, whole.hot)


def _rows_of_box(box: MoonBox, band: Band, height: int) -> tuple[int, int] | None:
    """Return which of a box's rows are merged with a band, None if there are none.

    The first of them is a multiple of `ROWS` in the box, as in a merge at once. What of the box is
    outside the result's ``height`` rows goes with the bands at its edges.
    """
    ends = {0: 0, height: box.height}
    first, last = (
        ends.get(edge, min(max(-(-(edge - box.top) // ROWS) * ROWS, 0), box.height))
        for edge in (band.first, band.last)
    )
    return None if last <= first else (first, last)


def _nothing(height: int, width: int, room: Room) -> Merged:
    """Return room for a merge."""
    shape = 3, height, width
    return Merged(room(shape, np.float32), room(shape, np.float32), room(shape[1:], np.uint16))
