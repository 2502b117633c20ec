"""What one frame shows: the Sun behind the Moon, the Moon in front of the corona, or neither."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from limbward.geometry.disc import MeasuredDisc
from limbward.limb.covered import measure_totality
from limbward.limb.edges import EdgePoints, edge_points
from limbward.limb.filtered import may_be_filtered, measure_as_a_whole, measure_by_edges
from limbward.limb.measurement import (
    Floats,
    Image,
    LimbFrame,
    LimbMeasurement,
    Mask,
    Start,
    outline,
)
from limbward.picture.binning import block_mean

COARSE_SIDE = 640  # px of the image that limbs are first looked for in
LIT_SIGMA, LIT_PIXELS = 8.0, 5  # what stands out of the noise: more than a hot pixel and its blur
BRIGHT = 0.02  # of the brightest: the inner corona, not the sky
SMALL_PX, ENLARGED = 220, 4  # of a lit part: enlarged so often if no limb is found in it
ALL_AROUND = 0.6  # of the Moon's limb: a crescent's inner limb is half a circle at most
# Times the Moon's radius that a bright disc may have to pass for the Sun's: what edges agree on in
# an overexposed corona is two to three times as large, and its fit takes seconds.
LARGER = 1.6
CUT_SHARE = 0.25  # what is lit along a side, of the frame: if less, only its surroundings are used


def measure(
    image: Image,
    saturated: Mask,
    scale: float = 1.0,
    origin: tuple[float, float] = (0.0, 0.0),
    *,
    radius_ratio: float | None = None,
    flattening_sigma: float = 0.002,
    linear: bool = True,
) -> LimbMeasurement:
    """Find the limbs of Sun and Moon in a frame.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
        One colour, linear, black level subtracted.
    saturated : ndarray of bool, shape (h, w)
    scale : float
        Full raw pixels to a pixel of ``image`` (2 for the green plane of a Bayer mosaic).
    origin : tuple of float
        Full raw coordinates (x, y) of the centre of the first pixel of ``image``.
    radius_ratio : float, optional
        Moon's radius over the Sun's, from the ephemeris; ties the two circles of a partial frame.
    flattening_sigma : float
        How much refraction may flatten the discs; see `fit_circles`.
    linear : bool
        Whether the image is in proportion to light, as a sensor's is. Of a film or a JPEG, made
        linear by a curve, limbs that are clear of each other are measured by edges, which a wrong
        curve hardly moves.

    Returns
    -------
    LimbMeasurement
        Of kind ``none``, with the reason in ``note``, where no limb can be trusted.

    Notes
    -----
    Limbs are looked for in the logarithm of a small version of the frame, where an edge between
    1 and 10 counts as much as one between 1000 and 10 000, by a consensus of edge points whose
    gradients point to (Sun) or away from (Moon) a common centre. No focal length is needed. Edges
    along the radius and a geometric fit at full resolution follow.
    """
    noise = _noise(image)
    factor = max(1, int(np.ceil(max(image.shape) / COARSE_SIDE)))
    coarse = block_mean(image, factor, np.float32)
    background = float(np.quantile(coarse, 0.02))
    coarse_noise = max(noise / factor, 1e-6)
    lit = _lit_box(coarse - np.float32(background), coarse_noise)
    if lit is None:
        return LimbMeasurement("none", note="nothing brighter than the noise in this frame")
    cut = None if factor == 1 else _surroundings(lit, coarse.shape, factor)
    if cut is not None:
        rows, columns = cut
        x, y = origin[0] + scale * columns.start, origin[1] + scale * rows.start
        return measure(
            image[cut] - np.float32(background), saturated[cut], scale, (x, y),
            radius_ratio=radius_ratio, flattening_sigma=flattening_sigma, linear=linear,
        )  # fmt: skip
    points = edge_points(
        coarse - np.float32(background),
        15 * coarse_noise,
        most=1500,
    )
    frame = LimbFrame(image - np.float32(background), saturated, noise, factor, linear)
    found = _look(frame, points, radius_ratio, flattening_sigma)
    if found.kind == "none" and factor == 1:
        found = _look_closer(frame) or found
    return _to_full(found, scale, origin)


def _look(
    frame: LimbFrame, points: EdgePoints, ratio: float | None, flattening_sigma: float
) -> LimbMeasurement:
    """Return what a frame shows: quick looks first, the fit of a whole picture last."""
    side = max(frame.image.shape) // frame.factor
    disc = outline(points, bright_inside=True, side=side)
    filtered = None
    if disc is not None:
        filtered = measure_by_edges(frame, points, disc, ratio, flattening_sigma)
    if filtered is not None and filtered.sun is not None:
        return filtered
    covered = measure_totality(frame, points)
    # A crescent's inner limb passes for the Moon's in front of a corona, but not all around; that
    # of a ring does so all around, but ends at the Sun's limb, beyond which it is dark.
    if covered.moon is not None and covered.coverage > ALL_AROUND:
        sun = None if disc is None else frame.fine(disc)
        if sun is None or not _alike(sun, covered.moon) or not may_be_filtered(frame, sun):
            return covered
    whole = measure_as_a_whole(frame, disc, ratio, flattening_sigma)
    if whole is not None:
        return whole
    return covered if filtered is None or covered.moon is not None else filtered


def _alike(sun: Start, moon: MeasuredDisc) -> bool:
    """Return whether a bright disc is about as large as the Moon, as the Sun's is."""
    return sun[2] / LARGER < moon.radius < sun[2] * LARGER


def _look_closer(frame: LimbFrame) -> LimbMeasurement | None:
    """Return a Moon of a few pixels before the corona, from an enlarged picture; None if none."""
    # The corona is what is brightest in touch; hot pixels stand alone.
    level = max(
        LIT_SIGMA * frame.noise, BRIGHT * float(np.partition(frame.image, -8, axis=None)[-8])
    )
    labels, count = ndimage.label(frame.image > level)
    if count == 0:
        return None
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    lit = ndimage.find_objects(labels)[int(np.argmax(sizes)) - 1]
    rows, columns = (
        slice(max(0, s.start - 12), min(n, s.stop + 12))
        for s, n in zip(lit, frame.image.shape, strict=True)
    )
    part = frame.image[rows, columns]
    if max(part.shape) > SMALL_PX or min(part.shape) < 8:
        return None
    # Pixel k of the part becomes pixel 4 k: a cubic follows a blurred limb between the pixels.
    zoom = [(ENLARGED * (n - 1) + 1) / n for n in part.shape]
    image = ndimage.zoom(part, zoom, order=3)
    clipped = ndimage.zoom(frame.saturated[rows, columns].astype(np.uint8), zoom, order=0) > 0
    larger = LimbFrame(image, clipped, frame.noise, 1, frame.linear)
    found = measure_totality(larger, edge_points(image, 15 * frame.noise, most=1500))
    if found.moon is None:
        return None
    found = _to_full(found, 1.0 / ENLARGED, (float(columns.start), float(rows.start)))
    moon = found.moon
    # What the enlarging of noise and sampling leaves (simulated Moons of 4 px: 0.04 px).
    return replace(found, moon=None if moon is None else replace(moon, sigma=moon.sigma + 0.05))


def _lit_box(coarse: Image, noise: float) -> tuple[slice, slice] | None:
    """Return the part of a small version in which anything stands out of the noise."""
    labels, count = ndimage.label(coarse > LIT_SIGMA * noise, np.ones((3, 3)))
    if count == 0:
        return None
    sizes = np.bincount(labels.ravel())[1:]
    boxes = [
        box
        for box, size in zip(ndimage.find_objects(labels), sizes, strict=True)
        if size >= LIT_PIXELS
    ]
    if not boxes:
        return None
    return (
        slice(min(b[0].start for b in boxes), max(b[0].stop for b in boxes)),
        slice(min(b[1].start for b in boxes), max(b[1].stop for b in boxes)),
    )


def _surroundings(
    lit: tuple[slice, slice], shape: tuple[int, ...], factor: int
) -> tuple[slice, slice] | None:
    """Return the part of the image around a small lit part; None if that is not much smaller."""
    sizes = [s.stop - s.start for s in lit]
    if max(size / n for size, n in zip(sizes, shape, strict=True)) > CUT_SHARE:
        return None
    # A thin crescent is a part of a disc up to three times as large as it.
    pad = 2 * max(sizes) + 8
    rows, columns = (
        slice(max(0, s.start - pad) * factor, min(n, s.stop + pad) * factor)
        for s, n in zip(lit, shape, strict=True)
    )
    area = (rows.stop - rows.start) * (columns.stop - columns.start)
    return (rows, columns) if area < 0.5 * shape[0] * shape[1] * factor**2 else None


def _noise(image: Image) -> float:
    """Return the standard deviation of a pixel in the darker half, from neighbours' differences."""
    sample = image[::4]
    difference = np.abs(np.diff(sample[:, ::1], axis=1))[:, ::4]
    level = sample[:, :-1][:, ::4]
    dark = difference[level <= np.median(level)]
    return float(max(np.median(dark) * 1.4826 / np.sqrt(2.0), 0.3))


def _to_full(m: LimbMeasurement, scale: float, origin: tuple[float, float]) -> LimbMeasurement:
    """Return the measurement in full raw pixels."""

    def full(c: MeasuredDisc | None) -> MeasuredDisc | None:
        if c is None:
            return None
        return MeasuredDisc(
            scale * c.x + origin[0], scale * c.y + origin[1], scale * c.radius, scale * c.sigma
        )

    def points(limb: Floats) -> Floats:
        return limb * scale + np.array([*origin, 0.0])

    limb_width = None if m.limb_width is None else m.limb_width * scale
    return replace(
        m,
        sun=full(m.sun),
        moon=full(m.moon),
        limb_width=limb_width,
        sun_limb=points(m.sun_limb),
        moon_limb=points(m.moon_limb),
    )
