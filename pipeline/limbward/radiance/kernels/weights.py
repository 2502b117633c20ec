"""The weights of a row of a frame: from the small grid, faded at edges, limb and ceiling."""

from __future__ import annotations

import numpy as np

from limbward.compiled import SUMS, kernel
from limbward.radiance.kernels.inputs import (
    BatchSamples,
    Bits,
    Cells,
    Flags,
    Floats,
    Maps,
    Numbers,
    Pixels,
    Views,
)
from limbward.radiance.taps import RADIUS

EDGE_FADE_PX = 24.0  # over which a frame's weight falls to nothing at its edges
FADE = np.float32(0.01)  # in the logarithm of the signal: below the ceiling, weights fall to 0
MARGIN = RADIUS + 0.5  # pixels at a frame's edges that have not all their neighbours

Line = tuple[float, float, float, float]  # x, y of column 0 in the frame, and the step per column


@kernel(inline="always")
def smooth(t: np.float32) -> np.float32:
    """Return 0 below 0, 1 above 1, and a cubic without kinks between."""
    u = min(max(t, np.float32(0.0)), np.float32(1.0))
    return u * u * (np.float32(3.0) - np.float32(2.0) * u)


@kernel(inner=True)
def between(first: float, last: float, size: int) -> tuple[int, int]:
    """Return the first and the last of the columns that places lie between."""
    k0 = min(max(int(np.floor(first)), 0), max(size - 2, 0))
    return k0, min(max(int(np.floor(last)) + 1, k0 + 1), size - 1)


@kernel(inner=True)
def rows_at(place: float, size: int) -> tuple[int, int, np.float32]:
    """Return the two rows of the small grid around a place, and how far it is to the second."""
    v = min(max(place, 0.0), size - 1.0)
    v0 = min(int(v), max(size - 2, 0))
    return v0, min(v0 + 1, size - 1), np.float32(v - v0)


@kernel(fastmath=SUMS, inner=True)
def spread(
    begin: int,
    end: int,
    k0: int,
    k1: int,
    start: Numbers,
    part: Pixels,
    row: Pixels,
    level: Pixels,
    out: Pixels,
) -> None:
    """Interpolate a row of the weight map and of what is left below the ceiling, in fades.

    The radiance is interpolated in its logarithm: between places of the small grid at the limb it
    falls by half, and a straight line would lie 6 % above it. Cell k of the small grid, of those
    from ``k0`` to before ``k1``, begins at column ``start[k]``.
    """
    for k in range(k0, k1):
        first, last = max(begin, start[k]), min(end, start[k + 1])
        if first >= last:
            continue
        a, b = row[k], level[k]
        da, db = row[k + 1] - a, level[k + 1] - b
        inner, target = part[first:last], out[first:last]
        if min(b, level[k + 1]) >= np.float32(1.0):
            for i in range(target.size):
                target[i] = a + da * inner[i]
        else:
            for i in range(target.size):
                t = inner[i]
                target[i] = (a + da * t) * smooth(b + db * t)


@kernel(fastmath=SUMS, inner=True)
def enlarge(y: int, small: Pixels, cells: Cells, out: Pixels) -> None:
    """Interpolate a row (C, T) of a map (C, h, w) on the small grid."""
    width, row, start = small.shape[2], cells.row, cells.start
    v0, v1, fv = rows_at(cells.affine[0] * y + cells.affine[2], small.shape[1])
    size = out.shape[1]
    k0, k1 = between(cells.affine[1], cells.affine[0] * (size - 1) + cells.affine[1], width)
    for c in range(small.shape[0]):
        for k in range(k0, k1 + 1):
            row[c, k] = small[c, v0, k] * (np.float32(1.0) - fv) + small[c, v1, k] * fv
        if width == 1:
            out[c, :] = row[c, 0]
        for k in range(k0, k1):
            first, last = max(0, start[k]), min(size, start[k + 1])
            if first < last:
                a, step = row[c, k], row[c, k + 1] - row[c, k]
                inner, target = cells.part[first:last], out[c, first:last]
                for i in range(target.size):
                    target[i] = a + step * inner[i]


@kernel(fastmath=SUMS, inner=True)
def columns_of(y: int, weight: Pixels, cells: Cells, size: int) -> tuple[int, int]:
    """Return the columns of a row that have any weight on the small grid; fill that row."""
    width, row = weight.shape[2], cells.row
    scale, shift = cells.affine[0], cells.affine[1]
    v0, v1, fv = rows_at(scale * y + cells.affine[2], weight.shape[1])
    # Of the small grid's columns, those that this piece lies between.
    k0, k1 = between(shift, scale * (size - 1) + shift, width)
    low, high = width, -1
    for k in range(k0, k1 + 1):
        total = np.float32(0.0)
        for c in range(3):
            row[c, k] = weight[c, v0, k] * (np.float32(1.0) - fv) + weight[c, v1, k] * fv
            total += row[c, k]
        if total > 0.0:
            low, high = min(low, k), k
    if high < 0:
        return 0, 0
    begin, end = 0, size
    if width > 1:
        begin = size if low > width - 1 else max(0, int(np.ceil((low - 1 - shift) / scale)))
        end = min(size, int(np.floor((high + 1 - shift) / scale)) + 1)
        if low == k0:
            begin = 0
        if high == k1:
            end = size
    return begin, end


@kernel(fastmath=SUMS, inner=True)
def inside_frame(
    begin: int, end: int, line: Line, width: int, height: int, margin: float
) -> tuple[int, int]:
    """Return those of a row's columns that lie in the frame, further than a margin from its edges.

    The edges of a turned frame cut rows at a slant.
    """
    x, y, step_x, step_y = line
    for start, slope, size in ((x, step_x, width), (y, step_y, height)):
        if abs(slope) < 1e-12:
            if not margin < start < size - 1 - margin:
                return 0, 0
            continue
        x0, x1 = (margin - start) / slope, (size - 1 - margin - start) / slope
        begin = max(begin, int(np.floor(min(x0, x1))) + 1)
        end = min(end, int(np.ceil(max(x0, x1))))
    return begin, end


@kernel(fastmath=SUMS, inner=True)
def below_ceiling(
    y: int, begin: int, end: int, predicted: Pixels, top: Pixels, cells: Cells, out: Pixels
) -> None:
    """Fill the weights (3, T) of a row from the small grid, fading where the ceiling is near."""
    height, width = predicted.shape[1], cells.row.shape[1]
    scale, shift = cells.affine[0], cells.affine[1]
    v0, v1, fv = rows_at(scale * y + cells.affine[2], height)
    k0, k1 = between(shift, scale * (out.shape[1] - 1) + shift, width)
    row, level = cells.row, cells.level
    for c in range(3):
        if width == 1:
            out[c, begin:end] = row[c, 0]
        else:
            for k in range(k0, k1 + 1):
                lower = predicted[c, v0, k] * (np.float32(1.0) - fv) + predicted[c, v1, k] * fv
                level[k] = (top[c] - lower) / FADE
            spread(begin, end, k0, k1, cells.start, cells.part, row[c], level, out[c])


@kernel(fastmath=SUMS, inner=True)
def fade(
    begin: int,
    end: int,
    line: Line,
    width: int,
    height: int,
    moon: Floats,
    inside: bool,
    out: Pixels,
) -> None:
    """Let the weights of a row fall to nothing at the frame's edges and at the Moon's limb."""
    x0, y0, sx, sy = line
    sign = np.float32(-1.0 if inside else 1.0)
    near, rim = np.float32(1.0 / EDGE_FADE_PX), np.float32(1.0 / moon[3])
    for i in range(begin, end):
        fx, fy = x0 + sx * i, y0 + sy * i
        edge = min(min(fx, width - 1 - fx), min(fy, height - 1 - fy)) - RADIUS - 0.5
        dx, dy = np.float32(fx - moon[0]), np.float32(fy - moon[1])
        away = sign * (np.sqrt(dx * dx + dy * dy) - np.float32(moon[2])) * rim
        part = smooth(np.float32(edge) * near) * smooth(away)
        out[0, i] *= part
        out[1, i] *= part
        out[2, i] *= part


@kernel(fastmath=SUMS, inner=True)
def whole_columns(begin: int, end: int, line: Line, width: int, height: int) -> tuple[int, int]:
    """Return those of a row's columns that no edge of the frame fades."""
    x0, y0, sx, sy = line
    whole_begin, whole_end = begin, end
    fading = MARGIN + EDGE_FADE_PX
    for slope, start, size in ((sx, x0, width), (sy, y0, height)):
        if abs(slope) < 1e-12:
            if not fading <= start <= size - 1 - fading:
                whole_begin = whole_end
            continue
        u0, u1 = (fading - start) / slope, (size - 1 - fading - start) / slope
        whole_begin = max(whole_begin, int(np.ceil(min(u0, u1))))
        whole_end = min(whole_end, int(np.floor(max(u0, u1))) + 1)
    if whole_end <= whole_begin:
        return end, end
    return whole_begin, whole_end


@kernel(fastmath=SUMS, inner=True)
def near_moon(begin: int, end: int, line: Line, moon: Floats, inside: bool) -> tuple[int, int]:
    """Return those of a row's columns that the Moon and its fading rim reach."""
    x0, y0, sx, sy = line
    # The row and the circle round the rim, in pixels along the row.
    speed2 = sx * sx + sy * sy
    middle = (sx * (moon[0] - x0) + sy * (moon[1] - y0)) / speed2
    miss2 = (x0 + sx * middle - moon[0]) ** 2 + (y0 + sy * middle - moon[1]) ** 2
    reach = moon[2] if inside else moon[2] + moon[3]
    if reach * reach > miss2:
        half = np.sqrt((reach * reach - miss2) / speed2) + 1.0
        low = max(begin, int(np.floor(middle - half)))
        high = min(end, int(np.ceil(middle + half)) + 1)
    else:
        low = high = begin
    return low, max(low, high)


@kernel(fastmath=SUMS, inner=True)
def block(
    begin: int, end: int, line: Line, first: int, blocked: Bits, rows: Flags, out: Pixels
) -> None:
    """Take the weight from the colours that are saturated at the nearest pixel of the frame.

    ``first`` is the frame's row that is the first of ``blocked``.
    """
    x0, y0, sx, sy = line
    upper = int(y0 + sy * begin + 0.5) - first
    lower = int(y0 + sy * (end - 1) + 0.5) - first
    if not rows[min(upper, lower) : max(upper, lower) + 1].any():
        return
    for i in range(begin, end):
        row_y = int(y0 + sy * i + 0.5) - first
        bits = blocked[row_y, int(x0 + sx * i + 0.5)]
        if bits and rows[row_y]:
            for c in range(3):
                if (bits >> c) & 1:
                    out[c, i] = np.float32(0.0)


@kernel(fastmath=SUMS, inner=True)
def weigh(
    y: int,
    b: int,
    a: Floats,
    frames: BatchSamples,
    views: Views,
    maps: Maps,
    cells: Cells,
    inside: bool,
    out: Pixels,
) -> tuple[int, int]:
    """Fill the weights (3, T) of a row of frame b; return the range of columns that have any.

    ``a`` takes the piece's columns and the result's rows to the frame.
    """
    height, width = frames.height, frames.raw.shape[3]
    moon = views.moon[b]
    line = (
        a[0, 1] * y + a[0, 2], a[1, 1] * y + a[1, 2], a[0, 0], a[1, 0],
    )  # fmt: skip
    begin, end = columns_of(y, maps.weight[b], cells, out.shape[1])
    begin, end = inside_frame(begin, end, line, width, height, MARGIN)
    if end <= begin:
        return 0, 0
    below_ceiling(y, begin, end, maps.predicted, views.top[b], cells, out)
    # Only beside the edges and the Moon do the weights have to be faded, pixel by pixel.
    first, last = whole_columns(begin, end, line, width, height)
    fade(begin, first, line, width, height, moon, inside, out)
    fade(last, end, line, width, height, moon, inside, out)
    low, high = near_moon(first, last, line, moon, inside)
    fade(low, high, line, width, height, moon, inside, out)
    if inside:
        for c in range(3):
            out[c, first : min(low, last)] = np.float32(0.0)
            out[c, high:last] = np.float32(0.0)
    block(begin, end, line, frames.first, frames.blocked[b], frames.blocked_rows[b], out)
    return begin, end
