"""Less noise in a single short exposure that is shown brightly, where its noise would show."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter

from limbward.radiance.scratch import Room, by_rows, let_go
from limbward.render.smooth import CORRELATION_PX, bands, depth_of, smoothed

Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]
Rows = Callable[[slice], Pixels]  # some rows of a picture: (3, n, W), which may be written to

TARGET = 0.012  # of the range of what is shown: noise that may stay
BLUR_PX = 4.0  # at which noise is measured: in a sensor's rows it falls more slowly
BLUR_REACH = 16  # scipy's own, of that blur
PALE = 0.5  # times the light; below such noise, of the mean of colours, these are kept
LAG = 16  # pixels between which it is independent then
DARKEST = 0.5  # share of the picture in which it is measured
BEYOND = 9  # pixels each way that are all black beyond the frame
LEAST = 400  # pixels there
AT_ONCE = 128  # rows smoothed at a time, with 64 on either side: 30 MB in a picture 3840 px wide


def quieted(
    light: Rows, height: int, tone: Callable[[Pixels], Pixels], room: Room = np.empty
) -> Iterator[tuple[slice, Pixels]]:
    """Yield a picture smoothed where its noise would show, some rows after the others.

    Parameters
    ----------
    light : callable
        Returns rows of the picture: linear, 0 beyond the frame. It is asked for all of them twice.
    height : int
        Of the picture.
    tone : callable
        How it is shown, from 0 to 1: of an array of linear values the encoded ones.
    room : callable
        Makes arrays of the size of a plane.

    Yields
    ------
    tuple of slice and ndarray of float32, shape (3, n, W)
        Rows, and what is in them.

    Notes
    -----
    Noise of a sensor that is read out is the same all over a frame. A tone that lifts the dark
    shows it there, and hardly where the corona is bright, which stays as sharp as it was.
    """
    soft, known = _softened(light, height, room)
    noise, least = _noise(soft, known)

    def shown(rows: slice, where: Mask | None = None) -> Pixels:
        """Return how strong the noise is in what is shown."""
        part = np.array(soft[rows] if where is None else soft[rows][where])
        return tone(part + np.float32(noise)) - tone(part)

    if not any(
        (shown(rows, known[rows] & (soft[rows] <= least)) > TARGET).any()
        for rows in by_rows(height, soft, known)
    ):
        for rows in by_rows(height, rows=AT_ONCE):
            yield rows, light(rows)
        return
    for rows, around, first in bands(height, AT_ONCE):
        value, depth = light(around), depth_of(shown(rows), TARGET)
        part = np.empty((3, *depth.shape), np.float32)
        for c in range(3):
            part[c] = smoothed(value[c], depth, first)
        del value
        # Where that is as strong as the light, its colour is noise, too.
        colour = 1.0 / (1.0 + (noise / (PALE * np.maximum(soft[rows], 1e-9))) ** 2)
        grey = part.mean(axis=0)
        part -= grey
        part *= colour.astype(np.float32)
        part += grey
        part *= known[rows]  # nothing shines beyond the frame's edge
        let_go(soft, known)
        yield rows, part


def _softened(light: Rows, height: int, room: Room) -> tuple[Pixels, Mask]:
    """Return the mean of a picture's colours, blurred, and where the frame is."""
    soft = known = None
    for rows in by_rows(height, rows=AT_ONCE):
        first = max(rows.start - BLUR_REACH, 0)
        grey = light(slice(first, min(rows.stop + BLUR_REACH, height))).mean(axis=0)
        if soft is None or known is None:
            shape = (height, grey.shape[1])
            soft, known = room(shape, np.float32), room(shape, np.bool_)
        own = slice(rows.start - first, rows.stop - first)
        # Noise that was cut off at black leaves single pixels at 0; the frame's end more.
        known[rows] = ~maximum_filter(minimum_filter(grey <= 0, BEYOND), BEYOND)[own]
        soft[rows] = gaussian_filter(grey, BLUR_PX)[own]
        let_go(soft, known)
    assert soft is not None
    assert known is not None
    return soft, known


def _noise(soft: Pixels, known: Mask) -> tuple[float, float]:
    """Return the noise of a picture before it was blurred, and the light up to which that counts.

    As white noise that such a blur would leave so much of; 0 where too little is dark. By
    differences across and down, the larger of both.
    """
    seen, count = [], 0
    for rows in by_rows(len(soft), soft, known):
        part = soft[rows][known[rows]]
        seen.append(part[-count % 7 :: 7])
        count += part.size
    if count < LEAST:
        return 0.0, -np.inf
    least = float(np.quantile(np.concatenate(seen), DARKEST))
    found = [0.0]
    for down, across in ((LAG, 0), (0, LAG)):
        steps = []
        for rows in by_rows(len(soft) - down, soft, known):
            later = slice(rows.start + down, rows.stop + down)
            a, b = soft[later][:, across:], soft[rows][:, : soft.shape[1] - across]
            both = known[later][:, across:] & known[rows][:, : soft.shape[1] - across]
            steps.append((a - b)[both & (a <= least) & (b <= least)])
        every = np.concatenate(steps)
        del steps
        if every.size >= LEAST:
            every -= np.median(every, overwrite_input=True)
            np.abs(every, out=every)
            found.append(1.4826 * float(np.median(every, overwrite_input=True)) / np.sqrt(2.0))
    return max(found) * float(np.hypot(CORRELATION_PX, BLUR_PX)) / CORRELATION_PX, least
