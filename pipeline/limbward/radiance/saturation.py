"""Where a frame's own samples say that it is saturated."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import in_threads, kernel
from limbward.radiance.taps import RADIUS

Pixels = NDArray[np.float32]

# By the ceiling a frame's weight has faded away where the radiance is as predicted. Only what is
# well above is left out for its own samples: a cut at the ceiling would take the bright ones of the
# noise.
ABOVE = 1.05
CLIPPED = 0.99  # of the range: converters do not all clip at the same number
# A value takes samples from this far around its nearest pixel: the corners of the square of taps.
STRICT_PX = RADIUS * np.sqrt(2.0)
CORE_PX = 1.0  # around its nearest pixel: most of a value's weight
KERNEL_REACH_PX = 1.2  # of the samples' weight, 99 % lies nearer to the place
CHUNK = 64  # rows to a piece of work: with the rows around, they stay in the cache of a core
RUN = 128  # samples looked at together
CLIPPED_BITS = 3  # to the left: bits 0 to 2 say that R, G, B are bent, bits 3 to 5 that they clip


def half_widths(reach_px: float) -> NDArray[np.int64]:
    """Return the half widths of the rows of a disc, from its top row to its bottom row."""
    rows = np.arange(-int(reach_px), int(reach_px) + 1)
    return np.sqrt(np.maximum(reach_px**2 - rows**2, 0.0)).astype(np.int64)


def _spread(source: Any, shift: int, half: int, first: int, last: int, out: Any) -> None:
    """Add to a row of ``out`` three bits of a row and of its neighbours up to ``half`` away.

    The row has bits only from column ``first`` to before ``last``.
    """
    width = out.size
    for step in range(-half, half + 1):
        for x in range(max(0, first - step), min(width, last - step)):
            out[x] |= (source[x + step] >> shift) & np.uint8(7)


spread = kernel(inner=True)(_spread)


def _bits(samples: Any, own: Any, bent: Any, clipped: Any, least: Any, out: Any) -> Any:
    """Mark a row's samples in ``out``; return from which column to before which there are any.

    ``own``, ``bent`` and ``clipped`` are those of the columns of the tile in turn, ``least`` the
    smallest of ``bent``. Only runs of `RUN` samples of which one is above that are looked into.
    """
    tw, width = own.size, samples.size
    low, high = width, 0
    for start in range(0, width, RUN):
        end = min(width, start + RUN)
        found = False
        for x in range(start, end):
            found |= not np.float32(samples[x]) < least  # what is no number is over too
        if not found:
            continue
        for x in range(start, end):
            q, value = x % tw, np.float32(samples[x])
            if not value < bent[q]:
                full = not value < clipped[q]
                out[x] |= own[q] | (own[q] << CLIPPED_BITS) if full else own[q]
        low, high = min(low, start), end
    return low, high


bits = kernel(inner=True)(_bits)


@kernel
def mark(
    first_piece: int,
    end_piece: int,
    data: Any,
    colours: NDArray[np.int64],
    bent: Pixels,
    clipped: Pixels,
    core: NDArray[np.int64],
    wide: NDArray[np.int64],
    out: NDArray[np.uint8],
    rows: NDArray[np.bool_],
) -> None:
    """Mark bands of `CHUNK` rows of a frame, as `saturated_places` says."""
    n_planes, height, width = data.shape
    th, tw = colours.shape[1], colours.shape[2]
    reach = wide.size // 2
    near = core.size // 2
    for piece in range(first_piece, end_piece):
        top, bottom = piece * CHUNK, min(height, (piece + 1) * CHUNK)
        first, last = max(0, top - reach), min(height, bottom + reach)
        over = np.zeros((last - first, width), np.uint8)
        begins, ends = np.full(last - first, width), np.zeros(last - first, np.int64)
        own = np.empty(tw, np.uint8)
        low, high = np.empty(tw, np.float32), np.empty(tw, np.float32)
        for y in range(first, last):
            k = y - first
            for p in range(n_planes):
                for q in range(tw):
                    c = colours[p, y % th, q]
                    own[q] = 7 if c < 0 else 1 << c  # without filters: all three
                    low[q], high[q] = bent[max(c, 0)], clipped[max(c, 0)]
                begin, end = bits(data[p, y], own, low, high, low.min(), over[k])
                begins[k], ends[k] = min(begins[k], begin), max(ends[k], end)
        for y in range(top, bottom):
            row = out[y]
            seen = False
            for n in range(wide.size):
                k = y + n - reach - first
                if 0 <= k < last - first and begins[k] < ends[k]:
                    if not seen:
                        row[:] = np.uint8(0)
                    spread(over[k], CLIPPED_BITS, wide[n], begins[k], ends[k], row)
                    seen = True
                    if abs(n - reach) <= near:
                        spread(over[k], 0, core[n - reach + near], begins[k], ends[k], row)
            rows[y] = seen


def saturated_places(
    data: NDArray[Any],
    pattern: NDArray[np.int8],
    black: float,
    white: float,
    ceiling: float | NDArray[np.floating[Any]],
    bloom_px: float,
    out: NDArray[np.uint8],
    rows: NDArray[np.bool_],
) -> None:
    """Mark the pixels of a frame near which no value is to be interpolated.

    Parameters
    ----------
    data : ndarray, shape (P, H, W)
        Raw samples, ADU.
    pattern : ndarray, shape (th, tw)
    black, white : float
        Ends of the range, ADU.
    ceiling : float or ndarray, shape (3,)
        Fraction of the range up to which the sensor is linear, in R, G, B.
    bloom_px : float
        Samples this near to a clipped one are not used either.
    out : ndarray of uint8, shape (H, W)
        Bits 0, 1, 2 are set where R, G, B are of no use; rows without any are not written, so that
        they take up no memory.
    rows : ndarray of bool, shape (H,)
        Filled: whether a row of ``out`` was written.

    Notes
    -----
    Of a value whose nearest pixel is not marked, no clipped sample is part, samples within the
    bloom have at most 1 % of the weight, and samples above the ceiling, but not clipped, are not in
    its core.
    """
    span = white - black
    part = np.broadcast_to(np.asarray(ceiling, np.float64), 3)
    bent = np.minimum(part * ABOVE, CLIPPED)
    if pattern.size:
        colours = np.asarray(pattern, np.int64)[None]
        if pattern.size == 1:  # without filters, the samples are all three colours
            colours = np.full((1, 1, 1), -1, np.int64)
            bent = np.full(3, bent.min())
    else:
        colours = np.arange(len(data), dtype=np.int64).reshape(-1, 1, 1)
    in_threads(
        mark,
        -(-data.shape[1] // CHUNK),
        data,
        colours,
        np.asarray(black + bent * span, np.float32),
        np.full(3, black + CLIPPED * span, np.float32),
        half_widths(CORE_PX),
        half_widths(max(STRICT_PX, KERNEL_REACH_PX + bloom_px)),
        out,
        rows,
    )
