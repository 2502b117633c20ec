"""The kernel of the merge: the samples of a few frames added to the running sums.

Row by row of the result, each frame's samples are made linear, weighed and interpolated; the
frames' values are then compared with one another and with what the sums hold, so that a satellite,
a bird or a cosmic ray is left out, and added. Taking a few frames at a time halves the traffic to
the sums, which are larger than any cache.

Along a row of a frame that is shifted but hardly turned, the place between the pixels stays the
same for hundreds of pixels: there each tap is one multiply-add of two rows, eight pixels at once.
Turned and mirrored frames are taken pixel by pixel.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import prange
from numpy.typing import NDArray

from limbward.compiled import SUMS, kernel
from limbward.radiance import taps

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

EDGE_FADE_PX = 24.0  # over which a frame's weight falls to nothing at its edges
STEPS = taps.STEPS
RADIUS = taps.RADIUS
CHUNK = 48  # rows of the result to a piece of work: 8 % of the rows are made linear twice
RING = 16  # rows of a frame kept linear; a power of two above 2 * RADIUS + 1 and what a turn adds
TILE = 1024  # columns of a piece of work: its buffers stay in the cache of a core
SLACK = 16  # columns of a frame beyond those of a piece: taps, and what a turn adds in CHUNK rows
RUN = 1024  # pixels; without weight in all of them, they are skipped
ALIGNED = 1.5e-3  # slope of a row up to which it stays within RING rows over 6000 pixels
FADE = np.float32(0.01)  # in the logarithm of the signal: below the ceiling, weights fall to 0
# Of two frames, one with a sample right at the place and one whose samples lie around it, the
# second is the less noisy and the first the sharper. Weights go from the inverse of the power of
# the taps (0.25 to 1) to its cube, which the factor makes as large on the whole.
SHARPER = np.float32(16.0)
OUTLIER_FRAMES = 5  # that must cover a pixel before one of them is called wrong
OUTLIER_SIGMA = 6.0
SORTED = OUTLIER_FRAMES + 1  # values whose median is looked for: of a batch, and the mean before
# Which two rows to put in order, one after the other, to sort six (D. E. Knuth, *The Art of
# Computer Programming* 3, 5.3.4, from memory).
NETWORK = (
    (0, 5), (1, 3), (2, 4), (1, 2), (3, 4), (0, 3), (2, 5), (0, 1), (2, 3), (4, 5), (1, 2), (3, 4),
)  # fmt: skip
OUTLIER_PART = 0.05  # of the radiance: seeing and 0.1 pixel of registration at steep edges
# Frames whose samples lie right at an edge show it sharper than the others, and all of them differ
# there: so by how much they do counts too, the two that differ most left aside.
OUTLIER_SCATTER = 6.0
SIGMA2, PART2 = np.float32(OUTLIER_SIGMA**2), np.float32(OUTLIER_PART**2)
SCATTER2 = np.float32(OUTLIER_SCATTER**2)
SCATTER_FRAMES = 4  # of which two are left aside


def _smooth(t: Any) -> Any:
    u = min(max(t, np.float32(0.0)), np.float32(1.0))
    return u * u * (np.float32(3.0) - np.float32(2.0) * u)


smooth = kernel(inline="always")(_smooth)


def _between(first: float, last: float, size: int) -> Any:
    """Return the first and the last of the columns that places lie between."""
    k0 = min(max(int(np.floor(first)), 0), max(size - 2, 0))
    return k0, min(max(int(np.floor(last)) + 1, k0 + 1), size - 1)


between = kernel(_between)


def _rows_at(place: float, size: int) -> Any:
    """Return the two rows of the small grid around a place, and how far it is to the second."""
    v = min(max(place, 0.0), size - 1.0)
    v0 = min(int(v), max(size - 2, 0))
    return v0, min(v0 + 1, size - 1), np.float32(v - v0)


rows_at = kernel(_rows_at)


def _spread(
    begin: int, end: int, k0: int, k1: int, start: Any, part: Any, row: Any, level: Any, out: Any
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


spread = kernel(fastmath=SUMS)(_spread)


def _fade(
    begin: int,
    end: int,
    x0: float,
    y0: float,
    sx: float,
    sy: float,
    width: int,
    height: int,
    moon: Any,
    inside: bool,
    out: Any,
) -> None:
    """Let the weights of a row fall to nothing at the frame's edges and at the Moon's limb."""
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


fade = kernel(fastmath=SUMS)(_fade)


def _weigh(
    y: int,
    weight_map: Any,
    predicted: Any,
    top: Any,
    map_affine: Any,
    affine: Any,
    moon: Any,
    inside: bool,
    shape: Any,
    blocked: Any,
    blocked_rows: Any,
    cells: Any,
    part: Any,
    row: Any,
    level: Any,
    out: Any,
) -> Any:
    """Fill the weights (3, W) of a row; return the range of columns that have any."""
    height, width = shape
    map_width = weight_map.shape[2]
    out_width = out.shape[1]
    v0, v1, fv = rows_at(map_affine[0] * y + map_affine[2], weight_map.shape[1])
    scale, shift = map_affine[0], map_affine[1]
    # Of the small grid's columns, those that this piece lies between.
    k0, k1 = between(shift, scale * (out_width - 1) + shift, map_width)
    low, high = map_width, -1
    for k in range(k0, k1 + 1):
        total = np.float32(0.0)
        for c in range(3):
            row[c, k] = weight_map[c, v0, k] * (np.float32(1.0) - fv) + weight_map[c, v1, k] * fv
            total += row[c, k]
        if total > 0.0:
            low, high = min(low, k), k
    if high < 0:
        return 0, 0
    begin, end = 0, out_width
    if map_width > 1:
        begin = (
            out_width if low > map_width - 1 else max(0, int(np.ceil((low - 1 - shift) / scale)))
        )
        end = min(out_width, int(np.floor((high + 1 - shift) / scale)) + 1)
        if low == k0:
            begin = 0
        if high == k1:
            end = out_width
    # Where the row leaves the frame; the edges of a turned frame cut rows at a slant.
    margin = RADIUS + 0.5
    for axis, size in ((0, width), (1, height)):
        slope = affine[axis, 0]
        start = affine[axis, 1] * y + affine[axis, 2]
        if abs(slope) < 1e-12:
            if not margin < start < size - 1 - margin:
                return 0, 0
            continue
        x0, x1 = (margin - start) / slope, (size - 1 - margin - start) / slope
        begin = max(begin, int(np.floor(min(x0, x1))) + 1)
        end = min(end, int(np.ceil(max(x0, x1))))
    if end <= begin:
        return 0, 0
    for c in range(3):
        if map_width == 1:
            out[c, begin:end] = row[c, 0]
        else:
            for k in range(k0, k1 + 1):
                lower = predicted[c, v0, k] * (np.float32(1.0) - fv) + predicted[c, v1, k] * fv
                level[k] = (top[c] - lower) / FADE
            spread(begin, end, k0, k1, cells, part, row[c], level, out[c])
    x0, y0 = affine[0, 1] * y + affine[0, 2], affine[1, 1] * y + affine[1, 2]
    sx, sy = affine[0, 0], affine[1, 0]
    # Only beside the edges and the Moon do the weights have to be faded, pixel by pixel.
    whole_begin, whole_end = begin, end
    fading = margin + EDGE_FADE_PX
    for slope, start, size in ((sx, x0, width), (sy, y0, height)):
        if abs(slope) < 1e-12:
            if not fading <= start <= size - 1 - fading:
                whole_begin = whole_end
            continue
        u0, u1 = (fading - start) / slope, (size - 1 - fading - start) / slope
        whole_begin = max(whole_begin, int(np.ceil(min(u0, u1))))
        whole_end = min(whole_end, int(np.floor(max(u0, u1))) + 1)
    if whole_end <= whole_begin:
        whole_begin = whole_end = end
    fade(begin, whole_begin, x0, y0, sx, sy, width, height, moon, inside, out)
    fade(whole_end, end, x0, y0, sx, sy, width, height, moon, inside, out)
    # The row and the circle round the Moon's fading rim, in pixels along the row.
    speed2 = sx * sx + sy * sy
    middle = (sx * (moon[0] - x0) + sy * (moon[1] - y0)) / speed2
    miss2 = (x0 + sx * middle - moon[0]) ** 2 + (y0 + sy * middle - moon[1]) ** 2
    reach = moon[2] if inside else moon[2] + moon[3]
    if reach * reach > miss2:
        half = np.sqrt((reach * reach - miss2) / speed2) + 1.0
        low_x = max(whole_begin, int(np.floor(middle - half)))
        high_x = min(whole_end, int(np.ceil(middle + half)) + 1)
    else:
        low_x = high_x = whole_begin
    high_x = max(low_x, high_x)
    fade(low_x, high_x, x0, y0, sx, sy, width, height, moon, inside, out)
    if inside:
        for c in range(3):
            out[c, whole_begin : min(low_x, whole_end)] = np.float32(0.0)
            out[c, high_x:whole_end] = np.float32(0.0)
    upper, lower_y = int(y0 + sy * begin + 0.5), int(y0 + sy * (end - 1) + 0.5)
    if blocked_rows[min(upper, lower_y) : max(upper, lower_y) + 1].any():
        for i in range(begin, end):
            row_y = int(y0 + sy * i + 0.5)
            bits = blocked[row_y, int(x0 + sx * i + 0.5)]
            if bits and blocked_rows[row_y]:
                for c in range(3):
                    if (bits >> c) & 1:
                        out[c, i] = np.float32(0.0)
    return begin, end


weigh = kernel(fastmath=SUMS)(_weigh)


def _fetch(
    raw: Any, black: Any, dark: Any, flat: Any, y: int, base: int, linear: Any, out: Any
) -> None:
    """Make a piece of one row of a frame linear, from column ``base`` on, a multiple of tw.

    ``out`` is (P, tw, n), by the column's phase.
    """
    n_planes, _, width = raw.shape
    th, tw = black.shape[1], black.shape[2]
    n = min(linear.size, width - base)
    for p in range(n_planes):
        source = raw[p, y, base : base + n]
        if dark.size > 0:
            level = dark[p, y, base : base + n]
            for i in range(n):
                linear[i] = np.float32(source[i]) - level[i]
        else:
            for i in range(n):
                linear[i] = np.float32(source[i])
        if flat.size > 0 and dark.size > 0:
            factor = flat[p, y, base : base + n]
            for i in range(n):
                linear[i] *= factor[i]
        elif flat.size > 0:
            factor = flat[p, y, base : base + n]
            for i in range(n):
                linear[i] = (linear[i] - black[p, y % th, i % tw]) * factor[i]
        for q in range(tw):
            m = (n - q + tw - 1) // tw
            target = out[p, q]
            level_q = np.float32(0.0) if dark.size > 0 or flat.size > 0 else black[p, y % th, q]
            for j in range(m):
                target[j] = linear[q + tw * j] - level_q


fetch = kernel(fastmath=frozenset({"contract"}))(_fetch)


def _sample_run(
    x0: int,
    n: int,
    ix: int,
    iy: int,
    sub: int,
    ring: Any,
    base: int,
    tile: Any,
    first: Any,
    dy: Any,
    dx: Any,
    tap_weight: Any,
    tap_power: Any,
    plane: Any,
    buffer: Any,
    values: Any,
    power: Any,
) -> None:
    """Interpolate pixels ``x0`` to ``x0 + n`` of a row that share a place between the pixels."""
    th, tw = tile
    for c in range(3):
        p = plane[c]
        target, powers = values[c, x0 : x0 + n], power[c, x0 : x0 + n]
        for q in range(min(tw, n)):
            m = (n - q + tw - 1) // tw
            phase = (iy % th) * tw + (ix + q) % tw
            acc = buffer[q, :m]
            acc[:] = np.float32(0.0)
            # Three taps at a time, or the loads and stores of the sums would take half of the time.
            w0, w1 = np.float32(0.0), np.float32(0.0)
            r0 = r1 = ring[p, 0, 0, 0:m]
            held = 0
            for k in range(first[phase, c], first[phase, c + 1]):
                w2 = tap_weight[phase, sub, k]
                if w2 == np.float32(0.0):
                    continue
                column = ix - base + q + dx[phase, k]
                at = column // tw
                r2 = ring[p, (iy + dy[phase, k]) % RING, column % tw, at : at + m]
                if held == 2:
                    for j in range(m):
                        acc[j] += w0 * r0[j] + w1 * r1[j] + w2 * r2[j]
                    held = 0
                elif held == 1:
                    w1, r1, held = w2, r2, 2
                else:
                    w0, r0, held = w2, r2, 1
            if held == 2:
                for j in range(m):
                    acc[j] += w0 * r0[j] + w1 * r1[j]
            elif held == 1:
                for j in range(m):
                    acc[j] += w0 * r0[j]
        if tw == 2 and n > 1:
            half = n // 2
            even, odd = buffer[0, : n - half], buffer[1, :half]
            row = iy % th * tw
            p0, p1 = tap_power[row + ix % tw, sub, c], tap_power[row + (ix + 1) % tw, sub, c]
            for j in range(half):
                target[2 * j] = even[j]
                target[2 * j + 1] = odd[j]
                powers[2 * j] = p0
                powers[2 * j + 1] = p1
            if n > 2 * half:
                target[n - 1] = even[half]
                powers[n - 1] = p0
        else:
            for q in range(min(tw, n)):
                pw = tap_power[(iy % th) * tw + (ix + q) % tw, sub, c]
                for j in range((n - q + tw - 1) // tw):
                    target[q + tw * j] = buffer[q, j]
                    powers[q + tw * j] = pw


sample_run = kernel(fastmath=SUMS)(_sample_run)


def _sample_aligned(
    y: int,
    begin: int,
    end: int,
    affine: Any,
    raw: Any,
    black: Any,
    dark: Any,
    flat: Any,
    ring: Any,
    ring_row: Any,
    base: int,
    linear: Any,
    weights: Any,
    first: Any,
    dy: Any,
    dx: Any,
    tap_weight: Any,
    tap_power: Any,
    plane: Any,
    buffer: Any,
    values: Any,
    power: Any,
) -> None:
    """Interpolate a row of a frame that is hardly turned."""
    tile = (black.shape[1], black.shape[2])
    slope_x, slope_y = (affine[0, 0] - 1.0) * STEPS, affine[1, 0] * STEPS
    x = begin
    while x < end:
        fx = affine[0, 0] * x + affine[0, 1] * y + affine[0, 2]
        fy = affine[1, 0] * x + affine[1, 1] * y + affine[1, 2]
        ix, iy = int(fx + 0.5), int(fy + 0.5)
        tx, ty = (fx - ix + 0.5) * STEPS, (fy - iy + 0.5) * STEPS
        n = min(RUN, end - x)
        for t, slope in ((tx, slope_x), (ty, slope_y)):
            if slope > 1e-9:
                n = min(n, int((int(t) + 1 - t) / slope) + 1)
            elif slope < -1e-9:
                n = min(n, int((t - int(t)) / -slope) + 1)
        total = np.float32(0.0)
        for i in range(x, x + n):
            total += weights[0, i] + weights[1, i] + weights[2, i]
        if total > 0.0:
            for r in range(iy - RADIUS, iy + RADIUS + 1):
                if ring_row[r % RING] != r:
                    fetch(raw, black, dark, flat, r, base, linear, ring[:, r % RING])
                    ring_row[r % RING] = r
            sub = min(int(ty), STEPS - 1) * STEPS + min(int(tx), STEPS - 1)
            sample_run(
                x, n, ix, iy, sub, ring, base, tile, first, dy, dx,
                tap_weight, tap_power, plane, buffer, values, power,
            )  # fmt: skip
        else:
            values[:, x : x + n] = np.float32(0.0)
        x += n


sample_aligned = kernel(_sample_aligned)


def _sample_turned(
    y: int,
    begin: int,
    end: int,
    affine: Any,
    raw: Any,
    black: Any,
    dark: Any,
    flat: Any,
    weights: Any,
    first: Any,
    dy: Any,
    dx: Any,
    tap_weight: Any,
    tap_power: Any,
    plane: Any,
    values: Any,
    power: Any,
) -> None:
    """Interpolate a row of a frame however it stands."""
    th, tw = black.shape[1], black.shape[2]
    use_dark, use_flat = dark.size > 0, flat.size > 0
    for x in range(begin, end):
        if weights[0, x] + weights[1, x] + weights[2, x] <= 0.0:
            for c in range(3):
                values[c, x] = np.float32(0.0)
            continue
        fx = affine[0, 0] * x + affine[0, 1] * y + affine[0, 2]
        fy = affine[1, 0] * x + affine[1, 1] * y + affine[1, 2]
        ix, iy = int(fx + 0.5), int(fy + 0.5)
        sub = int((fy - iy + 0.5) * STEPS) * STEPS + int((fx - ix + 0.5) * STEPS)
        phase = (iy % th) * tw + ix % tw
        for c in range(3):
            p = plane[c]
            value = np.float32(0.0)
            for k in range(first[phase, c], first[phase, c + 1]):
                j, i = iy + dy[phase, k], ix + dx[phase, k]
                level = dark[p, j, i] if use_dark else black[p, j % th, i % tw]
                sample = np.float32(raw[p, j, i]) - level
                if use_flat:
                    sample *= flat[p, j, i]
                value += tap_weight[phase, sub, k] * sample
            values[c, x] = value
            power[c, x] = tap_power[phase, sub, c]


sample_turned = kernel(fastmath=SUMS)(_sample_turned)


def _refer(count: Any, light: Any, weight: Any, variance: Any, reference: Any, base: Any) -> None:
    """Fill what a row's values are compared with, and what they may differ by, squared."""
    for x in range(count.size):
        w = weight[x]
        enough = (count[x] >= OUTLIER_FRAMES) & (w > np.float32(0.0))
        inverse = np.float32(1.0) / (w if enough else np.float32(1.0))
        mean = light[x] * inverse
        reference[x] = mean
        limit = variance[x] * inverse * inverse * SIGMA2 + PART2 * mean * mean
        base[x] = limit if enough else np.float32(1e36)


refer = kernel(fastmath=SUMS)(_refer)


def _differ(
    values: Any, weights: Any, reference: Any, total: Any, worst: Any, second: Any, number: Any
) -> None:
    """Add to the rows of sums how a frame differs: squares, the two largest, and frames."""
    one, none = np.float32(1.0), np.float32(0.0)
    for x in range(values.size):
        off = values[x] - reference[x]
        square = off * off if weights[x] > none else none
        second[x] = max(second[x], min(worst[x], square))
        worst[x] = max(worst[x], square)
    for x in range(values.size):
        off = values[x] - reference[x]
        total[x] += off * off if weights[x] > none else none
        number[x] += one if weights[x] > none else none


differ = kernel(fastmath=SUMS)(_differ)


def _allow(total: Any, worst: Any, second: Any, number: Any, base: Any) -> None:
    """Add to what values may differ by the scatter of all but the two worst."""
    for x in range(base.size):
        left = max(total[x] - worst[x] - second[x], np.float32(0.0))
        others = number[x] - np.float32(2.0)
        some = np.float32(1.0) if others >= np.float32(SCATTER_FRAMES - 2) else np.float32(0.0)
        base[x] += some * SCATTER2 * left / max(others, np.float32(1.0))


allow = kernel(fastmath=SUMS)(_allow)


def _check(values: Any, errors: Any, weights: Any, reference: Any, base: Any, good: Any) -> None:
    """Set ``good`` to 0 where a row's values are too far from what they are compared with."""
    for x in range(values.size):
        off = values[x] - reference[x]
        wrong = (off * off > SIGMA2 * errors[x] + base[x]) & (weights[x] > np.float32(0.0))
        good[x] = np.float32(0.0) if wrong else good[x]


check = kernel(fastmath=SUMS)(_check)


def _swap(low: Any, high: Any) -> None:
    """Put the smaller of two rows' values into the first and the larger into the second."""
    for x in range(low.size):
        a, b = low[x], high[x]
        low[x] = min(a, b)
        high[x] = max(a, b)


swap = kernel(fastmath=frozenset({"contract", "nsz"}))(_swap)


def _middle(
    values: Any, weights: Any, c: int, first: int, light: Any, weight: Any, count: Any, ranks: Any,
    reference: Any, base: Any,
) -> None:  # fmt: skip
    """Compare with the median where fewer than five frames were merged before.

    It is that of the frames at hand, at most five, and of the mean before; where there are three of
    these or more, and with what was merged five frames, it becomes the reference. ``values`` and
    ``weights`` are (B, 3, W), of which columns from ``first`` on are looked at.
    """
    n_frames = values.shape[0]
    infinite, none, one = np.float32(np.inf), np.float32(0.0), np.float32(1.0)
    size = count.size
    ranks[:, :size] = infinite
    number, here = ranks[SORTED, :size], ranks[SORTED + 1, :size]
    here[:] = none
    for b in range(n_frames):
        target, value = ranks[b, :size], values[b, c, first : first + size]
        w = weights[b, c, first : first + size]
        for x in range(count.size):
            target[x] = value[x] if w[x] > none else infinite
            here[x] += one if w[x] > none else none
    target = ranks[SORTED - 1, :size]
    for x in range(count.size):
        known = weight[x] > none
        mean = light[x] / (weight[x] if known else one)
        target[x] = mean if known else infinite
        number[x] = here[x] + (one if known else none)
    for k in range(len(NETWORK)):
        swap(ranks[NETWORK[k][0], :size], ranks[NETWORK[k][1], :size])
    median, second = ranks[0, :size], ranks[1, :size]
    third, fourth = ranks[2, :size], ranks[3, :size]
    for x in range(count.size):
        n = number[x]
        low = third[x] if n > np.float32(4.0) else second[x]
        high = second[x] if n < np.float32(4.0) else third[x]
        high = fourth[x] if n > np.float32(5.0) else high
        median[x] = np.float32(0.5) * (low + high)
    for x in range(count.size):
        before, enough = np.float32(count[x]), np.float32(OUTLIER_FRAMES)
        use = (before < enough) & (number[x] > np.float32(2.0)) & (before + here[x] >= enough)
        here[x] = one if use else none
    for x in range(count.size):
        reference[x] = median[x] if here[x] > none else reference[x]
        base[x] = PART2 * median[x] * median[x] if here[x] > none else base[x]


middle = kernel(fastmath=frozenset({"contract", "nsz"}))(_middle)


def _judge(
    begin: int,
    end: int,
    values: Any,
    errors: Any,
    weights: Any,
    y: int,
    left: int,
    light: Any,
    weight: Any,
    variance: Any,
    count: Any,
    reference: Any,
    base: Any,
    sums: Any,
    ranks: Any,
    good: Any,
) -> None:
    """Set ``good`` (B, W) to 0 where a frame is an outlier, else to 1, along a row.

    The reference is the mean of what was merged before, if five frames are in it; else the median
    of the frames at hand and that mean, which one wrong value among five cannot move far. The row's
    first column is the column ``left`` of row ``y`` of the sums.
    """
    n_frames = values.shape[0]
    before = count[y, left + begin : left + end]
    reference, base = reference[begin:end], base[begin:end]
    total, worst = sums[0, begin:end], sums[1, begin:end]
    second, number = sums[2, begin:end], sums[3, begin:end]
    fewest = before[0]
    for x in range(before.size):
        fewest = min(fewest, before[x])
    for b in range(n_frames):
        good[b, begin:end] = np.float32(1.0)
    for c in range(3):
        light_row = light[c, y, left + begin : left + end]
        weight_row = weight[c, y, left + begin : left + end]
        refer(
            before, light_row, weight_row, variance[c, y, left + begin : left + end], reference,
            base,
        )  # fmt: skip
        if fewest < OUTLIER_FRAMES:
            middle(values, weights, c, begin, light_row, weight_row, before, ranks, reference, base)
        total[:] = worst[:] = second[:] = number[:] = np.float32(0.0)
        for b in range(n_frames):
            differ(
                values[b, c, begin:end], weights[b, c, begin:end], reference, total, worst, second,
                number,
            )  # fmt: skip
        allow(total, worst, second, number, base)
        for b in range(n_frames):
            check(
                values[b, c, begin:end], errors[b, c, begin:end], weights[b, c, begin:end],
                reference, base, good[b, begin:end],
            )  # fmt: skip


judge = kernel(fastmath=SUMS)(_judge)


def _finish(
    values: Any,
    errors: Any,
    weights: Any,
    power: Any,
    gain: Any,
    read2: Any,
    spread2: Any,
    offset: Any,
    inverse: Any,
    sharp: Any,
) -> None:
    """Turn signals in DN into radiances with the squares of their errors."""
    # In two loops, and below too: LLVM makes no vector code of one that has more than a few arrays.
    square = inverse * inverse
    for x in range(values.size):
        value = values[x]
        noise2 = gain * max(value, np.float32(0.0)) + read2 + spread2 * value * value
        errors[x] = noise2 * power[x] * square
        values[x] = (value - offset) * inverse
    for x in range(values.size):
        p, s = power[x], sharp[x]
        weights[x] *= (np.float32(1.0) - s) / p + s * SHARPER * p * p * p


finish = kernel(fastmath=SUMS)(_finish)


def _grow(y: int, begin: int, end: int, a: Any, flat: Any, errors: Any) -> None:
    """Raise the errors where the flat has raised the signal with its noise."""
    for x in range(begin, end):
        fx = a[0, 0] * x + a[0, 1] * y + a[0, 2]
        fy = a[1, 0] * x + a[1, 1] * y + a[1, 2]
        errors[x] *= flat[int(fy + 0.5), int(fx + 0.5)]


grow = kernel(_grow)


def _add(
    values: Any, errors: Any, weights: Any, good: Any, light: Any, weight: Any, variance: Any
) -> None:
    """Add a row of one colour of one frame to the sums."""
    for x in range(values.size):
        light[x] += weights[x] * good[x] * values[x]
    for x in range(values.size):
        w = weights[x] * good[x]
        weight[x] += w
        variance[x] += w * w * errors[x]


add = kernel(fastmath=SUMS)(_add)


def _tally(red: Any, green: Any, blue: Any, good: Any, count: Any) -> None:
    """Count a frame at the pixels to which it gave any colour."""
    for x in range(count.size):
        seen = (red[x] + green[x] + blue[x]) * good[x] > np.float32(0.0)
        count[x] += np.uint16(1) if seen else np.uint16(0)


tally = kernel(fastmath=SUMS)(_tally)


def _enlarge(
    y: int, small: Any, map_affine: Any, cells: Any, part: Any, row: Any, out: Any
) -> None:
    """Interpolate a row (3, W) of a map on the small grid."""
    width = small.shape[2]
    v0, v1, fv = rows_at(map_affine[0] * y + map_affine[2], small.shape[1])
    size = out.shape[1]
    k0, k1 = between(map_affine[1], map_affine[0] * (size - 1) + map_affine[1], width)
    for c in range(3):
        for k in range(k0, k1 + 1):
            row[c, k] = small[c, v0, k] * (np.float32(1.0) - fv) + small[c, v1, k] * fv
        if width == 1:
            out[c, :] = row[c, 0]
        for k in range(k0, k1):
            first, last = max(0, cells[k]), min(size, cells[k + 1])
            if first < last:
                a, step = row[c, k], row[c, k + 1] - row[c, k]
                inner, target = part[first:last], out[c, first:last]
                for i in range(target.size):
                    target[i] = a + step * inner[i]


enlarge = kernel(fastmath=SUMS)(_enlarge)


def _gather(
    raw: Any,
    black: Pixels,
    dark: Pixels,
    flat: Pixels,
    blocked: NDArray[np.uint8],
    blocked_rows: NDArray[np.bool_],
    affine: Floats,
    first: NDArray[np.int32],
    dy: NDArray[np.int32],
    dx: NDArray[np.int32],
    tap_weight: Pixels,
    tap_power: Pixels,
    plane: NDArray[np.int32],
    weight_map: Pixels,
    predicted: Pixels,
    sharp_map: Pixels,
    top: Pixels,
    map_affine: Floats,
    moon: Floats,
    inside: bool,
    inverse_exposure: Pixels,
    offset: Pixels,
    noise: Pixels,
    reject: bool,
    light: Pixels,
    weight: Pixels,
    variance: Pixels,
    count: NDArray[np.uint16],
) -> None:
    """Add B frames to the sums.

    ``raw`` (B, P, H, W) are samples in DN; ``blocked`` (B, H, W) has bits 0, 1, 2 set where R, G, B
    are left out, and is of any meaning only in rows that ``blocked_rows`` (B, H) names;
    ``affine`` (B, 2, 3) takes the result to the frames; ``weight_map`` is (B, 3, h, w),
    ``predicted`` (3, h, w) and ``top`` (B, 3) are the logarithms of the radiance and of that at a
    frame's ceiling; ``sharp_map`` (3, h, w) is 0 for the least noise and 1 for sharpness;
    ``map_affine`` (scale, x0, y0) takes pixels of the result to it. ``moon`` (B, 4) is
    (x, y, radius, fade): the disc is left out, or only it is used if ``inside``. ``noise`` (B, 3)
    is (gain, read squared, spread squared).
    """
    n_frames, n_planes, in_height, in_width = raw.shape
    tw = black.shape[2]
    out_height, out_width = light.shape[1], light.shape[2]
    map_width = weight_map.shape[3]
    use_flat = flat.size > 0
    # Which cell of the weight map each column lies in, and where in it.
    place = np.minimum(
        np.maximum(map_affine[0] * np.arange(out_width) + map_affine[1], 0.0), map_width - 1.0
    )
    cell = np.minimum(place.astype(np.int32), max(map_width - 2, 0))
    part = (place - cell).astype(np.float32)
    edges = np.searchsorted(cell, np.arange(map_width)).astype(np.int64)
    edges[-1] = out_width
    down, across = (out_height + CHUNK - 1) // CHUNK, (out_width + TILE - 1) // TILE
    for piece in prange(down * across):
        left = piece % across * TILE
        tile_width = min(TILE, out_width - left)
        right = left + tile_width
        start = edges - left
        upper = piece // across * CHUNK
        # Outside a frame's columns, what an earlier row has left is multiplied by 0.
        values = np.zeros((n_frames, 3, tile_width), np.float32)
        errors = np.zeros((n_frames, 3, tile_width), np.float32)
        weights = np.zeros((n_frames, 3, tile_width), np.float32)
        power = np.ones((3, tile_width), np.float32)
        good = np.ones((n_frames, tile_width), np.float32)
        sums = np.zeros((4, tile_width), np.float32)
        ranks = np.empty((SORTED + 2, tile_width), np.float32)  # and how many there are
        reference = np.empty(tile_width, np.float32)
        limit = np.empty(tile_width, np.float32)
        row = np.empty((3, map_width), np.float32)
        level = np.empty(map_width, np.float32)
        buffer = np.empty((tw, RUN), np.float32)
        ring_width = (tile_width + SLACK + tw - 1) // tw
        sharp = np.empty((3, tile_width), np.float32)
        linear = np.empty(ring_width * tw, np.float32)
        ring = np.empty((n_frames, n_planes, RING, tw, ring_width), np.float32)
        ring_row = np.full((n_frames, RING), -1, np.int64)
        begins, ends = np.zeros(n_frames, np.int64), np.zeros(n_frames, np.int64)
        # The affines from this piece's own pixels, and the first column it needs of each frame.
        local = affine.copy()
        local[:, :, 2] += affine[:, :, 0] * left
        base = np.zeros(n_frames, np.int64)
        for b in range(n_frames):
            corner = local[b, 0, 2] + local[b, 0, 1] * upper
            corner = min(corner, corner + local[b, 0, 1] * CHUNK)
            base[b] = max(0, int(np.floor(corner)) - 2 * RADIUS) // tw * tw
        map_local = map_affine.copy()
        map_local[1] += map_affine[0] * left
        for y in range(upper, min(out_height, upper + CHUNK)):
            low, high = tile_width, 0
            enlarge(y, sharp_map, map_local, start, part[left:right], row, sharp)
            for b in range(n_frames):
                a = local[b]
                weights[b, :, begins[b] : ends[b]] = np.float32(0.0)
                begin, end = weigh(
                    y, weight_map[b], predicted, top[b], map_local, a, moon[b], inside,
                    (in_height, in_width), blocked[b], blocked_rows[b],
                    start, part[left:right], row, level, weights[b],
                )  # fmt: skip
                begins[b], ends[b] = begin, end
                if end <= begin:
                    continue
                low, high = min(low, begin), max(high, end)
                if abs(a[0, 0] - 1.0) < ALIGNED and abs(a[1, 0]) < ALIGNED:
                    sample_aligned(
                        y, begin, end, a, raw[b], black, dark, flat, ring[b], ring_row[b],
                        base[b], linear, weights[b], first, dy, dx, tap_weight, tap_power, plane,
                        buffer, values[b], power,
                    )  # fmt: skip
                else:
                    sample_turned(
                        y, begin, end, a, raw[b], black, dark, flat, weights[b], first, dy, dx,
                        tap_weight, tap_power, plane, values[b], power,
                    )  # fmt: skip
                for c in range(3):
                    finish(
                        values[b, c, begin:end], errors[b, c, begin:end], weights[b, c, begin:end],
                        power[c, begin:end], noise[b, 0], noise[b, 1], noise[b, 2], offset[b, c],
                        inverse_exposure[b], sharp[c, begin:end],
                    )  # fmt: skip
                    if use_flat:
                        grow(y, begin, end, a, flat[plane[c]], errors[b, c])
            if high <= low:
                continue
            if reject:
                judge(
                    low, high, values, errors, weights, y, left, light, weight, variance, count,
                    reference, limit, sums, ranks, good,
                )  # fmt: skip
            for b in range(n_frames):
                begin, end = begins[b], ends[b]
                here = slice(left + begin, left + end)
                w, ok = weights[b, :, begin:end], good[b, begin:end]
                for c in range(3):
                    add(
                        values[b, c, begin:end], errors[b, c, begin:end], w[c], ok,
                        light[c, y, here], weight[c, y, here], variance[c, y, here],
                    )  # fmt: skip
                tally(w[0], w[1], w[2], ok, count[y, here])


gather = kernel(parallel=True, fastmath=SUMS)(_gather)
