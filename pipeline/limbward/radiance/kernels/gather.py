"""The samples of a few frames added to the running sums.

Row by row of the result, each frame's samples are made linear, weighed and interpolated; the
frames' values are then compared with one another and with what the sums hold, so that a satellite,
a bird or a cosmic ray is left out, and added. Taking a few frames at a time halves the traffic to
the sums, which are larger than any cache.
"""

from __future__ import annotations

import numpy as np

from limbward.compiled import SUMS, in_threads, kernel
from limbward.radiance.kernels.bent import bent_affine, piece_width
from limbward.radiance.kernels.inputs import (
    BLOCK,
    BatchSamples,
    Cells,
    Floats,
    Maps,
    Memory,
    Numbers,
    Piece,
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
from limbward.radiance.kernels.sums import add, collect, differ_by, finish, grow, tally, uncover
from limbward.radiance.kernels.weights import enlarge, weigh
from limbward.radiance.taps import RADIUS

CHUNK = 48  # rows of the result to a piece of work: 8 % of the rows are made linear twice
TILE = 1024  # columns of a piece of work: its buffers stay in the cache of a core
SLACK = 16  # columns of a frame beyond those of a piece: taps, and what a turn adds in CHUNK rows


def columns_on_map(maps: Maps, width: int) -> tuple[Numbers, Pixels]:
    """Return where the columns of the result lie on the small grid.

    That is the column at which each cell begins, (w,), and how far each is to the next cell, (W,).
    """
    map_width = maps.weight.shape[3]
    place = np.clip(maps.affine[0] * np.arange(width) + maps.affine[1], 0.0, map_width - 1.0)
    cell = np.minimum(place.astype(np.int64), max(map_width - 2, 0))
    edges = np.searchsorted(cell, np.arange(map_width)).astype(np.int64)
    edges[-1] = width
    return edges, (place - cell).astype(np.float32)


def first_columns(affine: Floats, upper: int, tw: int) -> Numbers:
    """Return the first column of each frame that a piece needs, a multiple of tw."""
    corner = affine[:, 0, 2] + affine[:, 0, 1] * upper
    corner = np.minimum(corner, corner + affine[:, 0, 1] * CHUNK)
    return np.maximum(0, np.floor(corner).astype(np.int64) - 2 * RADIUS) // tw * tw


@kernel(inner=True)
def add_up(y: int, left: int, columns: Numbers, row: Row, memory: Memory, sums: Sums) -> None:
    """Add a row of all frames to row y of the sums; ``columns`` (B, 2) have any weight."""
    for b in range(len(columns)):
        begin, end = columns[b]
        here, good = slice(left + begin, left + end), row.good[b, begin:end]
        # Rows are cut from the whole arrays at once: numba knows only of these that their values
        # lie side by side, and makes vector code of loops over them.
        for c in range(3):
            values, errors = row.values[b, c, begin:end], row.errors[b, c, begin:end]
            weights = row.weights[b, c, begin:end]
            light, weight = sums.light[c, y, here], sums.weight[c, y, here]
            variance = sums.variance[c, y, here]
            differ_by(
                values, errors, weights, good, light, weight, variance,
                memory.part[begin:end], memory.squares[c, begin:end], memory.noise[c, begin:end],
            )  # fmt: skip
            add(values, errors, weights, good, light, weight, variance)
        red, green, blue = row.weights[b, 0], row.weights[b, 1], row.weights[b, 2]
        tally(red[begin:end], green[begin:end], blue[begin:end], good, sums.counted[y, here])


@kernel(fastmath=SUMS)
def gather_piece(
    piece: Piece,
    frames: BatchSamples,
    views: Views,
    table: Table,
    maps: Maps,
    cells: Cells,
    memory: Memory,
    row: Row,
    trial: Trial,
    sums: Sums,
) -> None:
    """Add B frames to a piece of the sums, whose own columns ``views.affine`` counts."""
    n_frames, width = frames.raw.shape[0], memory.veil.shape[1]
    columns, veil, power, sharp = memory.columns, memory.veil, memory.power, memory.sharp
    for y in range(piece.upper, piece.lower):
        low, high = width, 0
        enlarge(y, maps.sharp, cells, sharp)
        for b in range(n_frames):
            a, values, weights = views.affine[b], row.values[b], row.weights[b]
            # Outside a frame's columns, what an earlier row has left is multiplied by 0.
            weights[:, columns[b, 0] : columns[b, 1]] = np.float32(0.0)
            begin, end = weigh(y, b, a, frames, views, maps, cells, piece.inside, weights)
            columns[b, 0], columns[b, 1] = begin, end
            if end <= begin:
                continue
            low, high = min(low, begin), max(high, end)
            here = (begin, end)
            if abs(a[0, 0] - 1.0) < ALIGNED and abs(a[1, 0]) < ALIGNED:
                ring = Ring(
                    memory.rings[b], memory.which[b], memory.base[b], memory.linear, memory.run
                )
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
                    flat = frames.flat[table.plane[c]]
                    grow(y, begin, end, a, frames.first, flat, row.errors[b, c])
        if high > low:
            if piece.reject:
                judge(y - sums.first, low, high, piece.left, row, sums, trial)
            add_up(y - sums.first, piece.left, columns, row, memory, sums)
        below = y + 1 - sums.first
        if below % BLOCK == 0 or y + 1 == piece.lower:
            block = (below - 1) // BLOCK
            for c in range(3):
                collect(piece.left, memory.squares[c], sums.scatter[c, block])
                collect(piece.left, memory.noise[c], sums.expected[c, block])


def gather(
    frames: BatchSamples,
    views: Views,
    table: Table,
    maps: Maps,
    options: tuple[bool, bool],
    sums: Sums,
    lenses: Floats,
) -> None:
    """Add B frames to the sums.

    ``options`` are whether only the Moon's disc is merged, instead of what is outside, and whether
    outliers are left out; ``lenses`` (B, 4) are as of `limbward.radiance.kernels.bent.piece_width`.
    """
    height, width = sums.light.shape[1], sums.light.shape[2]
    tile = piece_width(lenses, TILE)
    down, across = -(-height // CHUNK), -(-width // tile)
    end = sums.first + height
    on_map = columns_on_map(maps, width)
    n_frames, n_planes = frames.raw.shape[:2]
    tw = frames.black.shape[2]

    def gather_pieces(first: int, last: int) -> None:
        for number in range(first, last):
            upper, left = sums.first + number // across * CHUNK, number % across * tile
            size = min(tile, width - left)
            piece = Piece(upper, min(end, upper + CHUNK), left, *options)
            affine = views.affine.copy()
            affine[:, :, 2] += views.affine[:, :, 0] * left
            if lenses[:, 2].any():
                affine = bent_affine(affine, lenses, size, (piece.upper, piece.lower))
            base = first_columns(affine, upper, tw)
            gather_piece(
                piece, frames, views._replace(affine=affine), table, maps,
                cells_of(maps, on_map, left, size), new_memory(n_planes, tw, base, size),
                new_row(n_frames, size), new_trial(size), sums,
            )  # fmt: skip

    in_threads(gather_pieces, down * across)


def cells_of(maps: Maps, on_map: tuple[Numbers, Pixels], left: int, width: int) -> Cells:
    """Return where a piece lies on the small grid."""
    map_width = maps.weight.shape[3]
    place = maps.affine.copy()
    place[1] += maps.affine[0] * left
    row, level = np.empty((4, map_width), np.float32), np.empty(map_width, np.float32)
    return Cells(place, on_map[0] - left, on_map[1][left : left + width], row, level)


def new_memory(n_planes: int, tw: int, base: Numbers, width: int) -> Memory:
    """Return memory for a piece, of frames of which ``base`` (B,) are the first columns."""
    n_frames, ring_width = len(base), -(-(width + SLACK) // tw)
    return Memory(
        np.zeros((n_frames, 2), np.int64),
        np.empty((4, width), np.float32),
        np.ones((3, width), np.float32),
        np.empty((3, width), np.float32),
        np.empty(width, np.float32),
        np.zeros((3, width), np.float32),
        np.zeros((3, width), np.float32),
        np.empty((n_frames, n_planes, RING, tw, ring_width), np.float32),
        np.full((n_frames, RING), -1, np.int64),
        base,
        np.empty(ring_width * tw, np.float32),
        np.empty((tw, RUN), np.float32),
    )


def new_row(n_frames: int, width: int) -> Row:
    """Return a row without weight."""
    return Row(
        np.zeros((n_frames, 3, width), np.float32),
        np.zeros((n_frames, 3, width), np.float32),
        np.zeros((n_frames, 3, width), np.float32),
        np.ones((n_frames, width), np.float32),
    )


def new_trial(width: int) -> Trial:
    """Return memory for the search for outliers."""
    reference, limit, total, worst, second, number = np.zeros((6, width), np.float32)
    ranks = np.empty((SORTED + 2, width), np.float32)
    return Trial(reference, limit, total, worst, second, number, ranks)
