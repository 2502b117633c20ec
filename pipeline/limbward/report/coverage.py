"""Exposure coverage: which exposures are good at which distance from the Sun."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.report.material import Coverage, Floats, Reach
from limbward.report.wording import exposure_text

INNER_RADII = 1.05  # within, the Moon's edge is in the way for part of totality
RING_RADII = 0.05
OUTER_RADII = 12.0
# A ring counts as unsaturated if nearly all of it is: the brightest streamers may clip.
UNSATURATED = 0.95
MIN_SNR = 10.0  # of one pixel; averaged over a stack of frames it is enough for faint structure
MIN_SEEN = 0.3  # of a ring must lie within the frame
AT_MOST = 400_000  # pixels of a sample that are looked at
ENOUGH = 3  # frames that are good at a place, to average and to spot a passing flaw


@dataclass(frozen=True)
class Sample:
    """A reduced frame of totality.

    Attributes
    ----------
    exposure_s, iso : float
    plane : ndarray, shape (h, w)
        Mean signal of green over bins of pixels, ADU above black; NaN where any is saturated.
    sun_x, sun_y, sun_radius : float
        Pixels of the plane.
    """

    exposure_s: float
    iso: float
    plane: NDArray[np.float32]
    sun_x: float
    sun_y: float
    sun_radius: float


def measure_coverage(
    samples: Iterable[Sample], noise: Mapping[float, tuple[float, float]]
) -> Coverage | None:
    """Return where exposures of each length are neither saturated nor lost in noise.

    Parameters
    ----------
    samples : iterable of Sample
        Taken one by one, so that not all need to be in memory.
    noise : mapping of ISO to (gain, read noise)
        ADU an electron, and ADU, of single pixels.

    Returns
    -------
    Coverage or None
        None without samples.

    Notes
    -----
    A ring is good in a frame if 95 % of it are below saturation and the median signal S has
    S / sqrt(read² + gain S) of at least 10. Of several frames of one length and ISO, the one that
    lies in the middle speaks for all.
    """
    edges = np.arange(INNER_RADII, OUTER_RADII + RING_RADII / 2, RING_RADII)
    found: dict[tuple[float, float], list[NDArray[np.bool_]]] = {}
    seen = np.zeros(edges.size - 1, bool)
    for sample in samples:
        good, inside = _good_rings(sample, edges, noise.get(sample.iso))
        found.setdefault((sample.exposure_s, sample.iso), []).append(good)
        seen |= inside
    if not found or not seen.any():
        return None
    last = int(np.flatnonzero(seen)[-1]) + 1
    reaches = [
        Reach(exposure, iso, len(rings), np.mean(rings, axis=0)[:last] >= 0.5)
        for (exposure, iso), rings in sorted(found.items())
    ]
    return Coverage(edges[: last + 1], reaches)


def _good_rings(
    sample: Sample, edges: Floats, noise: tuple[float, float] | None
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    # Every second or third row and column of a large plane has pixels enough.
    step = max(1, math.ceil(math.sqrt(sample.plane.size / AT_MOST)))
    plane = sample.plane[::step, ::step]
    height, width = sample.plane.shape
    y, x = np.ogrid[:height:step, :width:step]
    rho = np.hypot(x - sample.sun_x, y - sample.sun_y) / sample.sun_radius
    # 16 bits: numpy sorts those by radix, ten times as fast.
    ring = (np.digitize(rho, edges).ravel() - 1).astype(np.int16)
    kept = (ring >= 0) & (ring < edges.size - 1)
    ring, value = ring[kept], plane.ravel()[kept]
    n = edges.size - 1
    pixels = np.bincount(ring, minlength=n)[:n]
    area = np.pi * (edges[1:] ** 2 - edges[:-1] ** 2) * (sample.sun_radius / step) ** 2
    inside = pixels >= MIN_SEEN * area
    clear = np.isfinite(value)
    cleared = np.bincount(ring[clear], minlength=n)[:n]
    unsaturated = cleared >= UNSATURATED * np.maximum(pixels, 1)
    order = np.argsort(ring[clear], kind="stable")
    bounds = np.concatenate([[0], np.cumsum(cleared)])
    sorted_values = value[clear][order]
    signal = np.array(
        [np.median(sorted_values[a:b]) if b > a else 0.0 for a, b in itertools.pairwise(bounds)]
    )
    gain, read = noise if noise is not None else (0.0, 0.0)
    error = np.sqrt(read**2 + gain * np.maximum(signal, 0.0))
    strong = signal >= MIN_SNR * error if noise is not None else signal > 0.0
    return inside & unsaturated & strong, inside


def frames_at(coverage: Coverage) -> NDArray[np.int64]:
    """Return how many frames are good in each ring."""
    total = np.zeros(coverage.edges.size - 1, np.int64)
    for reach in coverage.reaches:
        total += reach.frames * reach.good
    return total


def thin_places(coverage: Coverage) -> list[tuple[float, float, int]]:
    """Return where fewer than three frames are good: from, to (solar radii) and at most how many.

    Examples
    --------
    >>> import numpy as np
    >>> good = np.array([True, True, False])
    >>> thin_places(Coverage(np.array([1.0, 1.1, 1.2, 1.3]), [Reach(1.0, 100.0, 4, good)]))
    [(1.2, 1.3, 0)]
    """
    count = frames_at(coverage)
    return [
        (float(coverage.edges[a]), float(coverage.edges[b]), int(count[a:b].max()))
        for a, b in _runs(count < ENOUGH)
    ]


def reach_labels(coverage: Coverage) -> list[str]:
    """Return what each exposure is called, with the number of its frames; the ISO if it varies."""
    several = len({r.iso for r in coverage.reaches if r.iso > 0}) > 1
    return [
        f"{exposure_text(r.exposure_s)}{f', ISO {r.iso:.0f}' if several else ''} × {r.frames}"
        for r in coverage.reaches
    ]


def reach_spans(coverage: Coverage, reach: Reach) -> list[tuple[float, float]]:
    """Return from where to where an exposure is good, solar radii."""
    edges = coverage.edges
    return [(float(edges[a]), float(edges[b])) for a, b in _runs(reach.good)]


def _runs(flags: NDArray[np.bool_]) -> Sequence[tuple[int, int]]:
    """Return begin and end of the runs of True."""
    padded = np.concatenate([[False], flags, [False]]).astype(np.int8)
    steps = np.diff(padded)
    begins, ends = np.flatnonzero(steps == 1), np.flatnonzero(steps == -1)
    return [(int(a), int(b)) for a, b in zip(begins, ends, strict=True)]
