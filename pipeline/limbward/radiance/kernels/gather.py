"""The samples of a few frames added to the running sums.

Row by row of the result, each frame's samples are made linear, weighed and interpolated; the
frames' values are then compared with one another and with what the sums hold, so that a satellite,
a bird or a cosmic ray is left out, and added. Taking a few frames at a time halves the traffic to
the sums, which are larger than any cache.
"""

from __future__ import annotations

import numpy as np
from numba import prange

from limbward.compiled import SUMS, kernel
from limbward.radiance.kernels.inputs import (
    BLOCK,
    BatchSamples,
    Cells,
    Floats,
    Maps,
    Numbers,
    Pixels,
    Ring,
    Row,
    Sums,
    Table,
    Trial,
    Views,
)
from limbward.radiance.kernels.outliers import SORTED, judge
from limbward.radiance.kernels.sampling import ALIGNED, RING, RUN, sample_aligned, sample_turned
from limbward.radiance.kernels.sums import add, differ_by, finish, grow, tally, uncover
from limbward.radiance.kernels.weights import enlarge, weigh
from limbward.radiance.taps import RADIUS

CHUNK = 48  # rows of the result to a piece of work: 8 % of the rows are made linear twice
TILE = 1024  # columns of a piece of work: its buffers stay in the cache of a core
SLACK = 16  # columns of a frame beyond those of a piece: taps, and what a turn adds in CHUNK rows


@kernel(fastmath=SUMS, inner=True)
def columns_on_map(maps: Maps, width: int) -> tuple[Numbers, Pixels]:
    """Return where the columns of the result lie on the small grid.

    That is the column at which each cell begins, (w,), and how far each is to the next cell, (W,).
    """
    map_width = maps.weight.shape[3]
    place = np.minimum(
        np.maximum(maps.affine[0] * np.arange(width) + maps.affine[1], 0.0), map_width - 1.0
    )
    cell = np.minimum(place.astype(np.int32), max(map_width - 2, 0))
    edges = np.searchsorted(cell, np.arange(map_width)).astype(np.int64)
    edges[-1] = width
    return edges, (place - cell).astype(np.float32)


@kernel(inner=True)
def first_columns(affine: Floats, upper: int, tw: int) -> Numbers:
    """Return the first column of each frame that a piece needs, a multiple of tw."""
    base = np.zeros(len(affine), np.int64)
    for b in range(len(affine)):
        corner = affine[b, 0, 2] + affine[b, 0, 1] * upper
        corner = min(corner, corner + affine[b, 0, 1] * CHUNK)
        base[b] = max(0, int(np.floor(corner)) - 2 * RADIUS) // tw * tw
    return base


@kernel(inner=True)
def add_up(y: int, left: int, columns: Numbers, row: Row, sums: Sums) -> None:
    """Add a row of all frames to the sums; ``columns`` (B, 2) are those that have any weight."""
    for b in range(len(columns)):
        begin, end = columns[b]
        here = slice(left + begin, left + end)
        weights, good = row.weights[b, :, begin:end], row.good[b, begin:end]
        for c in range(3):
            differ_by(
                row.values[b, c, begin:end], row.errors[b, c, begin:end], weights[c], good,
                sums.light[c, y, here], sums.weight[c, y, here], sums.variance[c, y, here],
                left + begin, sums.scatter[c, y // BLOCK], sums.expected[c, y // BLOCK],
            )  # fmt: skip
            add(
                row.values[b, c, begin:end], row.errors[b, c, begin:end], weights[c], good,
                sums.light[c, y, here], sums.weight[c, y, here], sums.variance[c, y, here],
            )  # fmt: skip
        tally(weights, good, sums.counted[y, here])


@kernel(inner=True)
def new_row(n_frames: int, width: int) -> Row:
    """Return a row without weight."""
    return Row(
        np.zeros((n_frames, 3, width), np.float32),
        np.zeros((n_frames, 3, width), np.float32),
        np.zeros((n_frames, 3, width), np.float32),
        np.ones((n_frames, width), np.float32),
    )


@kernel(inner=True)
def new_trial(width: int) -> Trial:
    """Return memory for the search for outliers."""
    return Trial(
        np.empty(width, np.float32),
        np.empty(width, np.float32),
        np.zeros(width, np.float32),
        np.zeros(width, np.float32),
        np.zeros(width, np.float32),
        np.zeros(width, np.float32),
        np.empty((SORTED + 2, width), np.float32),
    )


@kernel(inner=True)
def cells_of(maps: Maps, on_map: tuple[Numbers, Pixels], left: int, width: int) -> Cells:
    """Return where a piece lies on the small grid."""
    map_width = maps.weight.shape[3]
    place = maps.affine.copy()
    place[1] += maps.affine[0] * left
    row, level = np.empty((4, map_width), np.float32), np.empty(map_width, np.float32)
    return Cells(place, on_map[0] - left, on_map[1][left : left + width], row, level)


@kernel(fastmath=SUMS, inner=True)
def gather_piece(
    upper: int,
    left: int,
    frames: BatchSamples,
    views: Views,
    table: Table,
    maps: Maps,
    on_map: tuple[Numbers, Pixels],
    options: tuple[bool, bool],
    sums: Sums,
) -> None:
    """Add B frames to a piece of the sums, from row ``upper`` and column ``left`` on."""
    inside, reject = options
    n_frames, n_planes = frames.raw.shape[0], frames.raw.shape[1]
    tw = frames.black.shape[2]
    width = min(TILE, sums.light.shape[2] - left)
    # Outside a frame's columns, what an earlier row has left is multiplied by 0.
    row, trial = new_row(n_frames, width), new_trial(width)
    veil = np.empty((4, width), np.float32)
    power, sharp = np.ones((3, width), np.float32), np.empty((3, width), np.float32)
    ring_width = (width + SLACK + tw - 1) // tw
    linear, run = np.empty(ring_width * tw, np.float32), np.empty((tw, RUN), np.float32)
    rings = np.empty((n_frames, n_planes, RING, tw, ring_width), np.float32)
    which = np.full((n_frames, RING), -1, np.int64)
    columns = np.zeros((n_frames, 2), np.int64)
    # The affines from this piece's own columns.
    affine = views.affine.copy()
    affine[:, :, 2] += views.affine[:, :, 0] * left
    base = first_columns(affine, upper, tw)
    cells = cells_of(maps, on_map, left, width)
    for y in range(upper, min(sums.light.shape[1], upper + CHUNK)):
        low, high = width, 0
        enlarge(y, maps.sharp, cells, sharp)
        for b in range(n_frames):
            a, values, weights = affine[b], row.values[b], row.weights[b]
            weights[:, columns[b, 0] : columns[b, 1]] = np.float32(0.0)
            begin, end = weigh(y, b, a, frames, views, maps, cells, inside, weights)
            columns[b, 0], columns[b, 1] = begin, end
            if end <= begin:
                continue
            low, high = min(low, begin), max(high, end)
            here = (begin, end)
            if abs(a[0, 0] - 1.0) < ALIGNED and abs(a[1, 0]) < ALIGNED:
                ring = Ring(rings[b], which[b], base[b], linear, run)
                sample_aligned(
                    y, here, a, frames.raw[b], frames, table, ring, weights, values, power
                )
            else:
                sample_turned(y, here, a, frames.raw[b], frames, table, weights, values, power)
            if maps.veil.size > 0:
                enlarge(y, maps.veil[b], cells, veil)
            for c in range(3):
                finish(
                    values[c, begin:end], row.errors[b, c, begin:end], weights[c, begin:end],
                    power[c, begin:end], views.noise[b], views.offset[b, c],
                    views.inverse_exposure[b], sharp[c, begin:end],
                )  # fmt: skip
                if maps.veil.size > 0:
                    uncover(
                        values[c, begin:end], row.errors[b, c, begin:end], veil[0, begin:end],
                        veil[1 + c, begin:end],
                    )  # fmt: skip
                if frames.flat.size > 0:
                    grow(y, begin, end, a, frames.flat[table.plane[c]], row.errors[b, c])
        if high <= low:
            continue
        if reject:
            judge(y, low, high, left, row, sums, trial)
        add_up(y, left, columns, row, sums)


@kernel(parallel=True, fastmath=SUMS)
def gather(
    frames: BatchSamples,
    views: Views,
    table: Table,
    maps: Maps,
    options: tuple[bool, bool],
    sums: Sums,
) -> None:
    """Add B frames to the sums.

    ``options`` are whether only the Moon's disc is merged, instead of what is outside, and whether
    outliers are left out.
    """
    height, width = sums.light.shape[1], sums.light.shape[2]
    on_map = columns_on_map(maps, width)
    down, across = (height + CHUNK - 1) // CHUNK, (width + TILE - 1) // TILE
    for piece in prange(down * across):
        upper, left = piece // across * CHUNK, piece % across * TILE
        gather_piece(upper, left, frames, views, table, maps, on_map, options, sums)
