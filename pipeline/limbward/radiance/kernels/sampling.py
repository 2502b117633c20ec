"""A row of a frame interpolated from its samples.

Along a row of a frame that is shifted but hardly turned, the place between the pixels stays the
same for hundreds of pixels: there each tap is one multiply-add of two rows, eight pixels at once.
Turned and mirrored frames are taken pixel by pixel.
"""

from __future__ import annotations

import numpy as np

from limbward.compiled import SUMS, kernel
from limbward.radiance.kernels.inputs import BatchSamples, Floats, Pixels, Ring, Samples, Table
from limbward.radiance.taps import RADIUS, STEPS

RING = 16  # rows of a frame kept linear; a power of two above 2 * RADIUS + 1 and what a turn adds
RUN = 1024  # pixels; without weight in all of them, they are skipped
ALIGNED = 1.5e-3  # slope of a row up to which it stays within RING rows over 6000 pixels


@kernel(fastmath=frozenset({"contract"}), inner=True)
def fetch(raw: Samples, frames: BatchSamples, y: int, ring: Ring) -> None:
    """Make a piece of row y of a frame, with samples ``raw`` (P, rows, W), linear."""
    black, dark, flat = frames.black, frames.dark, frames.flat
    linear, base = ring.linear, ring.base
    n_planes, _, width = raw.shape
    th, tw = black.shape[1], black.shape[2]
    n = min(linear.size, width - base)
    here = y - frames.first
    for p in range(n_planes):
        source = raw[p, here, base : base + n]
        if dark.size > 0:
            level = dark[p, here, base : base + n]
            for i in range(n):
                linear[i] = np.float32(source[i]) - level[i]
        else:
            for i in range(n):
                linear[i] = np.float32(source[i])
        if flat.size > 0 and dark.size > 0:
            factor = flat[p, here, base : base + n]
            for i in range(n):
                linear[i] *= factor[i]
        elif flat.size > 0:
            for q in range(tw):
                level_q = black[p, y % th, q]
                for i in range(q, n, tw):
                    linear[i] -= level_q
            factor = flat[p, here, base : base + n]
            for i in range(n):
                linear[i] *= factor[i]
        for q in range(tw):
            m = (n - q + tw - 1) // tw
            target = ring.rows[p, y % RING, q]
            level_q = np.float32(0.0) if dark.size > 0 or flat.size > 0 else black[p, y % th, q]
            for j in range(m):
                target[j] = linear[q + tw * j] - level_q


@kernel(fastmath=SUMS, inner=True)
def sum_taps(
    ix: int, iy: int, q: int, c: int, phase: int, sub: int, ring: Ring, table: Table, out: Pixels
) -> None:
    """Sum the taps of colour c for every tw-th pixel of a run, the first of them at column ix."""
    rows, plane, m = ring.rows, table.plane[c], out.size
    tw = rows.shape[2]
    out[:] = np.float32(0.0)
    # Three taps at a time, or the loads and stores of the sums would take half of the time.
    w0, w1 = np.float32(0.0), np.float32(0.0)
    r0 = r1 = rows[plane, 0, 0, 0:m]
    held = 0
    for k in range(table.first[phase, c], table.first[phase, c + 1]):
        w2 = table.weight[phase, sub, k]
        if w2 == np.float32(0.0):
            continue
        column = ix - ring.base + q + table.dx[phase, k]
        at = column // tw
        r2 = rows[plane, (iy + table.dy[phase, k]) % RING, column % tw, at : at + m]
        if held == 2:
            for j in range(m):
                out[j] += w0 * r0[j] + w1 * r1[j] + w2 * r2[j]
            held = 0
        elif held == 1:
            w1, r1, held = w2, r2, 2
        else:
            w0, r0, held = w2, r2, 1
    if held == 2:
        for j in range(m):
            out[j] += w0 * r0[j] + w1 * r1[j]
    elif held == 1:
        for j in range(m):
            out[j] += w0 * r0[j]


@kernel(fastmath=SUMS, inner=True)
def sample_run(
    ix: int,
    iy: int,
    sub: int,
    th: int,
    ring: Ring,
    table: Table,
    run: tuple[int, int],
    values: Pixels,
    power: Pixels,
) -> None:
    """Interpolate a run of columns that share a place between the pixels, the first near (ix, iy).

    ``values`` and ``power`` (3, T) are filled.
    """
    tw, n, buffer = ring.rows.shape[2], run[1] - run[0], ring.run
    for c in range(3):
        target, powers = values[c, run[0] : run[1]], power[c, run[0] : run[1]]
        for q in range(min(tw, n)):
            phase = (iy % th) * tw + (ix + q) % tw
            m = (n - q + tw - 1) // tw
            sum_taps(ix, iy, q, c, phase, sub, ring, table, buffer[q, :m])
        if tw == 2 and n > 1:
            half = n // 2
            even, odd = buffer[0, : n - half], buffer[1, :half]
            row = iy % th * tw
            p0 = table.power[row + ix % tw, sub, c]
            p1 = table.power[row + (ix + 1) % tw, sub, c]
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
                pw = table.power[(iy % th) * tw + (ix + q) % tw, sub, c]
                for j in range((n - q + tw - 1) // tw):
                    target[q + tw * j] = buffer[q, j]
                    powers[q + tw * j] = pw


@kernel(inner=True)
def sample_aligned(
    y: int,
    columns: tuple[int, int],
    a: Floats,
    raw: Samples,
    frames: BatchSamples,
    table: Table,
    ring: Ring,
    weights: Pixels,
    values: Pixels,
    power: Pixels,
) -> None:
    """Interpolate a row of a frame that is hardly turned; fill values and power (3, T).

    ``a`` takes the piece's columns and the result's rows to the frame.
    """
    th = frames.black.shape[1]
    slope_x, slope_y = (a[0, 0] - 1.0) * STEPS, a[1, 0] * STEPS
    x, end = columns
    while x < end:
        fx = a[0, 0] * x + a[0, 1] * y + a[0, 2]
        fy = a[1, 0] * x + a[1, 1] * y + a[1, 2]
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
                if ring.which[r % RING] != r:
                    fetch(raw, frames, r, ring)
                    ring.which[r % RING] = r
            sub = min(int(ty), STEPS - 1) * STEPS + min(int(tx), STEPS - 1)
            sample_run(ix, iy, sub, th, ring, table, (x, x + n), values, power)
        else:
            values[:, x : x + n] = np.float32(0.0)
        x += n


@kernel(fastmath=SUMS, inner=True)
def sample_turned(
    y: int,
    columns: tuple[int, int],
    a: Floats,
    raw: Samples,
    frames: BatchSamples,
    table: Table,
    weights: Pixels,
    values: Pixels,
    power: Pixels,
) -> None:
    """Interpolate a row of a frame however it stands; otherwise like `sample_aligned`."""
    black, dark, flat = frames.black, frames.dark, frames.flat
    th, tw = black.shape[1], black.shape[2]
    use_dark, use_flat = dark.size > 0, flat.size > 0
    first, dy, dx = table.first, table.dy, table.dx
    for x in range(columns[0], columns[1]):
        if weights[0, x] + weights[1, x] + weights[2, x] <= 0.0:
            for c in range(3):
                values[c, x] = np.float32(0.0)
            continue
        fx = a[0, 0] * x + a[0, 1] * y + a[0, 2]
        fy = a[1, 0] * x + a[1, 1] * y + a[1, 2]
        ix, iy = int(fx + 0.5), int(fy + 0.5)
        sub = int((fy - iy + 0.5) * STEPS) * STEPS + int((fx - ix + 0.5) * STEPS)
        phase = (iy % th) * tw + ix % tw
        for c in range(3):
            p = table.plane[c]
            value = np.float32(0.0)
            for k in range(first[phase, c], first[phase, c + 1]):
                j, i = iy + dy[phase, k], ix + dx[phase, k]
                row = j - frames.first
                level = dark[p, row, i] if use_dark else black[p, j % th, i % tw]
                sample = np.float32(raw[p, row, i]) - level
                if use_flat:
                    sample *= flat[p, row, i]
                value += table.weight[phase, sub, k] * sample
            values[c, x] = value
            power[c, x] = table.power[phase, sub, c]
