"""The merge in bands of rows, so that it needs no more memory than it may have.

Of a result of 24 megapixels the running sums take 0.9 GB and the frames at hand half of that; both
grow with the sensor. A band needs its own rows of the sums, and of each frame the rows that it
looks at. Frames are decoded anew for each band, the card being read as often.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from limbward.camera.frame import RawFrame
from limbward.errors import LimbwardError
from limbward.geometry.grid import Grid
from limbward.radiance.batch import BATCH, Limits
from limbward.radiance.calibrate import Calibration
from limbward.radiance.kernels.weights import EDGE_FADE_PX
from limbward.radiance.merge import USUAL, Merged, MergeFrame, MoonBox, Running, map_affine, on_moon
from limbward.radiance.scatter import Coarse, beyond_noise, widen
from limbward.radiance.scratch import let_go

Pixels = NDArray[np.float32]
Room = Callable[[tuple[int, ...], DTypeLike], NDArray[Any]]
Decode = Callable[[], Iterable[tuple[int, RawFrame | LimbwardError]]]
Calibrations = Callable[[int, RawFrame], Calibration]

ROWS = 48  # a band's rows are a multiple: blocks and pieces of work are then those of a whole merge
# Rows of a frame beyond those of a band: weights must not fade at the cut as they do at the frame's
# edges, and taps, bloom and hot pixels look at neighbours.
MARGIN = int(EDGE_FADE_PX) + 8
EDGE = 9  # places along an edge
MOST = 12  # bands; each decodes all frames once more, and six take twice the time of one
SUMS_BYTES = 38  # per pixel of the result
BASE_BYTES = 0.45e9  # of the main process without pixels
WORKER_BYTES = 0.06e9  # of a process that decodes, beside what all share, without pixels


@dataclass(frozen=True)
class Band:
    """Rows ``first`` to before ``last`` of the result."""

    first: int
    last: int


def bands_within(
    memory: float, grid: Grid, frame_pixels: int, pixel_bytes: int, workers: int
) -> list[Band]:
    """Return the fewest bands, of about as many rows each, that memory suffices for.

    Parameters
    ----------
    memory : float
        Bytes for the run with all its processes.
    grid : Grid
        Of the result.
    frame_pixels, pixel_bytes : int
        Of a frame, and of one of its pixels in memory.
    workers : int
        Processes that decode; each has a frame, and another one is handed over.

    Notes
    -----
    There are at most `MOST`, whether memory suffices or not.
    """
    fixed = BASE_BYTES + workers * WORKER_BYTES
    fixed += frame_pixels * pixel_bytes * (2 * workers + 1)
    shared = SUMS_BYTES * grid.width * grid.height + BATCH * (pixel_bytes + 1) * frame_pixels
    wanted = shared / max(memory - fixed, shared / MOST)
    number = max(1, min(int(np.ceil(wanted)), MOST, grid.height // ROWS))
    edges = np.rint(np.linspace(0, grid.height / ROWS, number + 1)).astype(int) * ROWS
    edges[-1] = grid.height
    return [Band(int(a), int(b)) for a, b in pairwise(edges)]


def merge_in_bands(
    bands: Sequence[Band],
    frames: Sequence[MergeFrame],
    frame_height: int,
    decode: Decode,
    grid: Grid,
    factor: int,
    predicted: Pixels,
    calibrations: Calibrations,
    room: Room,
    *,
    limits: Limits = USUAL,
    box: MoonBox | None = None,
    change: Pixels | None = None,
    progress: Callable[[], None] | None = None,
) -> tuple[Merged, Merged | None]:
    """Merge frames into one linear picture, band by band.

    Parameters
    ----------
    bands : sequence of Band
        From the top.
    frame_height : int
        Rows of a frame.
    decode : callable
        Called for each band; returns what `limbward.radiance.merge.merge` takes as ``decoded``, in
        the same order each time.
    room : callable
        Takes shape and type of an array of the result and returns one, such as one on disk.
    frames, grid, factor, predicted, calibrations, limits, box, change, progress
        As `limbward.radiance.merge.merge` takes them; ``progress`` is called for each frame in
        each band.

    Returns
    -------
    Merged
        The sky. A frame that could not be read for one band has failed, though it may be in others.
    Merged or None
        The Moon's disc in its box.
    """
    shape = 3, grid.height, grid.width
    light, sigma = room(shape, np.float32), room(shape, np.float32)
    count = room(shape[1:], np.uint16)
    place = map_affine(grid, factor)
    failed: dict[int, str] = {}
    coarse: list[Coarse] = []
    discs: list[Merged] = []
    last: Running | None = None
    for band in bands:
        last = None  # its sums go before there are others
        own = None if box is None else _part_of_box(box, band)
        rows = rows_seen(frames, band, grid.width, frame_height, own)
        last = Running(
            [_cut(f, band.first, rows.start) for f in frames],
            (band.last - band.first, grid.width),
            place + np.array([0.0, 0.0, place[0] * band.first]),
            predicted,
            limits,
            own,
        )
        failed |= last.take(_rows_of(decode(), rows), _Rows(calibrations, rows), progress)
        coarse.append(Coarse.of(last.sums))
        here = slice(band.first, band.last)
        made = last.sums.result()
        light[:, here], sigma[:, here], count[here] = made.radiance, made.sigma, made.count
        del made
        let_go(light, sigma, count)
        if last.disc is not None:
            discs.append(last.disc.result())
    if last is not None and last.taps is not None:
        whole = Coarse.below_each_other(coarse)
        widen(sigma, light, beyond_noise(whole, frames, last.taps, last.sharp, place, change))
    return Merged(light, sigma, count, failed), _joined(discs)


def rows_seen(
    frames: Sequence[MergeFrame], band: Band, width: int, height: int, box: MoonBox | None = None
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
        The part of the Moon's box that is merged with the band.

    Returns
    -------
    slice
        It begins at a multiple of 12 rows, and so with a tile of any mosaic.
    """
    # Along the edges, since a lens bends them.
    across = np.linspace(0.0, width, EDGE)
    places = np.array([[x, y, 1.0] for x in across for y in (band.first, band.last)])
    views = [(f, places) for f in frames]
    if box is not None:
        inside = np.array([[x, y, 1.0] for x in (0, box.width) for y in (0, box.height)])
        views += [(on_moon(f, box), inside) for f in frames]
    reached = np.concatenate([f.lens.bent(*(f.affine @ at.T))[1] for f, at in views])
    first = int(np.clip(reached.min() - MARGIN, 0.0, max(height - 2 * MARGIN, 0))) // 12 * 12
    last = int(np.clip(np.ceil(reached.max()) + MARGIN, first + 2 * MARGIN, height))
    return slice(first, last)


def _cut(frame: MergeFrame, top: int, first: int) -> MergeFrame:
    """Return a frame without its rows before ``first``, for a result without those before top."""
    affine = frame.affine.copy()
    affine[:, 2] += affine[:, 1] * top
    affine[1, 2] -= first
    moon = replace(frame.moon, y=frame.moon.y - first)
    lens = replace(frame.lens, y=frame.lens.y - first)
    return replace(frame, affine=affine, moon=moon, lens=lens)


def _rows_of(
    decoded: Iterable[tuple[int, RawFrame | LimbwardError]], rows: slice
) -> Iterator[tuple[int, RawFrame | LimbwardError]]:
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


def _part_of_box(box: MoonBox, band: Band) -> MoonBox | None:
    """Return the rows of a box that are in a band, None if there are none."""
    first, last = max(box.top, band.first), min(box.top + box.height, band.last)
    return None if last <= first else replace(box, top=first, height=last - first)


def _joined(parts: Sequence[Merged]) -> Merged | None:
    if not parts:
        return None
    return Merged(
        np.concatenate([p.radiance for p in parts], axis=1),
        np.concatenate([p.sigma for p in parts], axis=1),
        np.concatenate([p.count for p in parts], axis=0),
    )
