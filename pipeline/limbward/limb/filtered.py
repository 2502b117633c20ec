"""A frame through a solar filter: a bright disc or crescent on black.

Wide crescents are measured by their limbs' edges, thin and small ones by `filtered_sun`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.optimize import brentq
from skimage.measure import find_contours

from limbward.geometry.disc import MeasuredDisc
from limbward.limb.circle import consensus_circle, fit_circles
from limbward.limb.darkening import edge_inset
from limbward.limb.edges import EdgePoints, RadialEdges
from limbward.limb.filtered_sun import FilteredSun, fit_filtered_sun
from limbward.limb.measurement import (
    SEED,
    Floats,
    LimbFrame,
    LimbMeasurement,
    Mask,
    Start,
    arc_of,
    coverage_of,
    limb_edges,
    limb_width_of,
    mostly_clipped,
    points_of,
    ring,
    start_of,
)
from limbward.limb.traced import traced_or
from limbward.picture.binning import block_mean

# Limbs nearer to each other than this run into each other's blur: their steepest places are up to
# 1 px off at 17 px and 0.1 px at 50 px (simulated discs of 170 px, blurred by 1.5 px). Near the
# cusps they always do, which moves the Sun by 0.1 px up to a crescent of 0.8 radii.
WIDE_PX, WIDE_BLURS, WIDE = 24.0, 12.0, 0.8
UNEVEN = 0.25  # scatter of the blur along the limb that tells of a trailed frame
# A fit of the whole picture is a filtered Sun if it explains this much; a corona leaves more.
EXPLAINED, MISFIT = 0.97, 4.0
NEARLY_WHOLE, WHOLE = 0.95, 0.998  # of the disc is lit: with the Moon or without it, or without
# Blur of a limb, of the radius and in pixels, beyond which a light is no disc: a vignetted sky.
SOFTEST, SOFTEST_PX = 0.15, 3.0
# What the fit of a picture is off beyond its scatter, in blurs (simulated crescents).
SYSTEMATIC_BLURS = 0.05
AROUND = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], bool)


def measure_by_edges(
    frame: LimbFrame,
    points: EdgePoints,
    disc: Start,
    ratio: float | None,
    flattening_sigma: float,
) -> LimbMeasurement | None:
    """Measure a wide crescent, or the whole Sun, by its edges. None if this is no filtered frame.

    Parameters
    ----------
    frame : LimbFrame
    points : EdgePoints
        Of the small version.
    disc : (x, y, radius)
        The bright disc that most of them agree on, pixels of the small version.
    ratio : float or None
        Moon's radius over the Sun's.
    flattening_sigma : float
        How much refraction may flatten the discs.

    Returns
    -------
    LimbMeasurement or None
        Without a Sun, and with a note, if it is a filtered frame that edges do not measure.
    """
    found = _by_edges(frame, points, disc, ratio, flattening_sigma)
    if found is None or found.sun is None or _is_wide(found, frame.linear):
        return found
    return LimbMeasurement("partial", note="the crescent is too thin or the bite too small")


def _is_wide(found: LimbMeasurement, linear: bool) -> bool:
    """Return whether edges tell where the limbs are."""
    sun, moon = found.sun, found.moon
    if sun is None or found.uneven > UNEVEN:
        return False
    if moon is None:
        return sun.radius > WIDE_PX
    thickest = sun.radius - moon.radius + float(np.hypot(sun.x - moon.x, sun.y - moon.y))
    least = max(WIDE_PX, WIDE_BLURS * (found.limb_width or 0.0))
    return thickest > (max(least, WIDE * sun.radius) if linear else least)


def _by_edges(
    frame: LimbFrame,
    points: EdgePoints,
    rough: Start,
    ratio: float | None,
    flattening_sigma: float,
) -> LimbMeasurement | None:
    """Measure the limbs where the picture is steepest."""
    sun_edges = _sun_limb(frame, frame.fine(rough))
    if sun_edges is None:
        return None
    sun = fit_circles([arc_of(sun_edges)], [start_of(sun_edges, frame.fine(rough))]).circles[0]
    if not _dark_outside(frame, sun):
        return None
    moon_edges = _moon_on_sun(frame, points, sun, ratio)
    if moon_edges is None:
        coverage = coverage_of(sun_edges, sun)
        if coverage < 0.9:
            return LimbMeasurement(
                "partial", note="the Moon's limb could not be told apart from the Sun's"
            )
        return LimbMeasurement(
            "partial",
            sun,
            None,
            limb_width_of(sun_edges),
            mostly_clipped(sun_edges),
            coverage,
            "no Moon could be measured in front of the Sun",
            sun_limb=points_of(sun_edges),
            uneven=_unevenness(sun_edges),
        )
    moon = fit_circles([arc_of(moon_edges)], [start_of(moon_edges, (sun.x, sun.y, sun.radius))])
    m = moon.circles[0]
    start_m = (m.x, m.y, m.radius)
    # Where the crescent is thinner than the blur (near the cusps above all) each limb's profile
    # runs into the other's, and the steepest place is no longer the limb.
    thickest = sun.radius - m.radius + np.hypot(sun.x - m.x, sun.y - m.y)
    clear = float(np.clip(0.5 * thickest, 2.0, 9.0))
    keep_s = np.hypot(sun_edges.x - m.x, sun_edges.y - m.y) > m.radius + clear
    keep_m = np.hypot(moon_edges.x - sun.x, moon_edges.y - sun.y) < sun.radius - clear
    if keep_s.sum() < 12 or keep_m.sum() < 12:
        return LimbMeasurement("partial", note="the crescent is too thin or the bite too small")
    fit = fit_circles(
        [arc_of(sun_edges[keep_s]), arc_of(moon_edges[keep_m])],
        [(sun.x, sun.y, sun.radius), start_m],
        radius_ratio=ratio,
        flattening_sigma=flattening_sigma,
    )
    sun, moon_circle = fit.circles
    if fit.rms > 1.5 or fit.inlier_fraction < 0.6:
        return LimbMeasurement("partial", note="the limbs do not fit two circles")
    return LimbMeasurement(
        "partial",
        sun,
        moon_circle,
        limb_width_of(sun_edges),
        mostly_clipped(sun_edges),
        coverage_of(sun_edges[keep_s], sun),
        sun_limb=points_of(sun_edges[keep_s]),
        moon_limb=points_of(moon_edges[keep_m]),
        uneven=_unevenness(sun_edges[keep_s]),
    )


def _unevenness(edges: RadialEdges) -> float:
    """Return how much the blur changes around the limb as a trail makes it, relative."""
    use = ~edges.saturated & np.isfinite(edges.width)
    if use.sum() < 24:
        return 0.0
    turn = 2 * edges.angle[use]
    design = np.stack([np.ones_like(turn), np.cos(turn), np.sin(turn)], axis=1)
    width = np.minimum(edges.width[use], 3 * np.median(edges.width[use]))
    mean, c, s = np.linalg.lstsq(design, width**2, rcond=None)[0]
    return float(np.hypot(c, s) / max(mean, 1e-6))


def measure_as_a_whole(
    frame: LimbFrame, disc: Start | None, ratio: float | None, flattening_sigma: float
) -> LimbMeasurement | None:
    """Measure a crescent of any width by a fit of its picture; None if no filtered Sun fits.

    Parameters
    ----------
    frame, ratio, flattening_sigma
        As for `measure_by_edges`.
    disc : (x, y, radius) or None
        The same; None if no edges agree on one.
    """
    best: FilteredSun | None = None
    for start in (_contour_start(frame), None if disc is None else frame.fine(disc)):
        if start is None or (best is not None and best.explained > 0.995):
            continue
        if not may_be_filtered(frame, start):
            continue
        found = _fit_from(frame, start, ratio, flattening_sigma)
        if found is not None and not _is_near(found, start):
            continue
        if found is not None and (best is None or found.explained > best.explained):
            best = found
    if best is None or best.explained < EXPLAINED or best.misfit > MISFIT:
        return None
    return _measurement(frame, best)


def _is_near(found: FilteredSun, start: Start) -> bool:
    """Whether a fit is of a disc with an edge, of the circle that it began with, and sure of it."""
    r = start[2]
    near = np.hypot(found.sun[0] - start[0], found.sun[1] - start[1]) < 0.5 * r
    sharp = found.blur[0] + found.blur[2] < 2.0 * max(SOFTEST * r, SOFTEST_PX) ** 2
    return bool(near and sharp and 0.67 * r < found.sun[2] < 1.5 * r and found.sun_sigma < 0.2 * r)


def may_be_filtered(frame: LimbFrame, sun: Start) -> bool:
    """Whether most of the sky around a circle is far darker than the brightest of what is in it.

    Scattered light is under a tenth of the disc's right outside it; a corona falls off from its
    own contours far more slowly.
    """
    near = 1.06 + 4.0 / sun[2]
    outside, _ = ring(frame, sun, near, near + 0.06)
    inside, _ = ring(frame, sun, 0.7, 1.0)
    if not np.isfinite(outside).any() or not np.isfinite(inside).any():
        return False
    lit = float(np.nanquantile(inside, 0.98))
    return bool(lit > 12 * frame.noise and np.nanquantile(outside, 0.8) < 0.15 * lit)


def _fit_from(
    frame: LimbFrame, start: Start, ratio: float | None, flattening_sigma: float
) -> FilteredSun | None:
    """Fit the picture from a circle near the Sun's limb, with the Moon where it is dark."""

    def fit(moon: Start | None) -> FilteredSun | None:
        return fit_filtered_sun(
            frame.image,
            frame.saturated,
            start,
            moon,
            noise=frame.noise,
            radius_ratio=ratio,
            flattening_sigma=flattening_sigma,
        )

    lit, away = _lit_share(frame, start)
    alone = fit(None) if lit > NEARLY_WHOLE else None
    if lit > WHOLE and alone is not None:
        return alone
    size = (ratio or 1.0) * start[2]
    apart = _separation(lit, size / start[2]) * start[2]
    thickest = start[2] - size + apart
    # The share that is lit tells a thin crescent's width only to a factor: blur widens it.
    factors = (1.0, 0.4) if thickest < 0.15 * start[2] else (1.0,)
    best = alone
    for factor in factors:
        d = apart - (1 - factor) * thickest
        found = fit((start[0] - d * away[0], start[1] - d * away[1], size))
        if found is not None and (best is None or found.misfit < best.misfit):
            best = found
    return best


def _contour_start(frame: LimbFrame) -> Start | None:
    """Return a circle through the outer contour of what is bright."""
    f = frame.factor
    small = block_mean(frame.image, f)
    # A hot pixel stands alone; light, blurred by the optics, does not.
    small = np.minimum(
        small, 3.0 * np.maximum(ndimage.maximum_filter(small, footprint=AROUND), 0.0)
    )
    top = float(np.partition(small, -8, axis=None)[-8])
    if top < 12 * frame.noise / f:
        return None
    contours = find_contours(small, 0.35 * top)
    longest = max((len(c) for c in contours), default=0)
    contours = [c for c in contours if len(c) >= max(8, 0.1 * longest)]
    if not contours:
        return None
    y, x = np.concatenate(contours).T
    gy, gx = np.gradient(small)
    row, column = np.rint(y).astype(int), np.rint(x).astype(int)
    ux, uy = gx[row, column], gy[row, column]
    size = np.maximum(np.hypot(ux, uy), 1e-9)
    found = consensus_circle(
        x, y, ux / size, uy / size,
        tolerance=0.7,
        radius_range=(2.0, 3.0 * max(small.shape)),
        rng=np.random.default_rng(SEED),
    )  # fmt: skip
    return None if found is None else frame.fine(found[:3])


def _lit_share(frame: LimbFrame, sun: Start) -> tuple[float, tuple[float, float]]:
    """Return the share of a disc that is lit, and the direction in which its light lies."""
    x, y, r = sun
    step = max(1, int(r / 40))
    rows = np.arange(max(0, int(y - r)), min(frame.image.shape[0], int(y + r) + 2), step)
    columns = np.arange(max(0, int(x - r)), min(frame.image.shape[1], int(x + r) + 2), step)
    part = frame.image[np.ix_(rows, columns)]
    dx, dy = columns[None, :] - x, rows[:, None] - y
    inside = np.hypot(dx, dy) < 0.97 * r
    if inside.sum() < 16:
        return 0.0, (1.0, 0.0)
    lit = inside & (part > 0.3 * np.partition(part[inside], -8)[-8])
    share = float(lit.sum() / inside.sum())
    ax, ay = (float((d * lit).sum()) for d in (dx, dy))
    size = max(float(np.hypot(ax, ay)), 1e-9)
    return share, (ax / size, ay / size)


def _separation(lit: float, ratio: float) -> float:
    """Return how far apart discs of radii 1 and ``ratio`` are if ``lit`` of the first is seen."""

    def excess(d: float) -> float:
        return 1.0 - _overlap(d, ratio) / np.pi - lit

    low, high = abs(ratio - 1.0) + 1e-6, ratio + 1.0 - 1e-6
    if excess(low) >= 0:
        return low
    if excess(high) <= 0:
        return high
    return float(brentq(excess, low, high))


def _overlap(d: float, ratio: float) -> float:
    """Return the area common to circles of radii 1 and ``ratio`` with centres ``d`` apart."""
    a = np.arccos(np.clip((d * d + 1 - ratio**2) / (2 * d), -1, 1))
    b = np.arccos(np.clip((d * d + ratio**2 - 1) / (2 * d * ratio), -1, 1))
    kite = (-d + 1 + ratio) * (d + 1 - ratio) * (d - 1 + ratio) * (d + 1 + ratio)
    return float(a + ratio**2 * b - 0.5 * np.sqrt(max(kite, 0.0)))


def _measurement(frame: LimbFrame, fit: FilteredSun) -> LimbMeasurement:
    """Return the fit of a picture as a measurement."""
    blur = float(np.sqrt(0.5 * (fit.blur[0] + fit.blur[2])))
    # Scatter of the fit, and what blurs that are not Gaussian leave.
    systematic = SYSTEMATIC_BLURS * blur
    sun = MeasuredDisc(*fit.sun, float(np.hypot(fit.sun_sigma, systematic)))
    if fit.moon is None:
        return LimbMeasurement(
            "partial", sun, None, blur, False, 1.0, "no Moon could be measured in front of the Sun"
        )
    moon = MeasuredDisc(*fit.moon, float(np.hypot(fit.moon_sigma, systematic)))
    clear = 2.0 * blur
    x, y = _limb_of(sun, fit)
    bare = np.hypot(x - moon.x, y - moon.y) > moon.radius + clear
    u, v = _limb_of(moon, fit)
    on_sun = np.hypot(u - sun.x, v - sun.y) < sun.radius - clear
    fitted = _limb_points(x, y, bare, sun.sigma), _limb_points(u, v, on_sun, moon.sigma)
    sun_limb, moon_limb = traced_or(fitted, frame.image, frame.saturated, fit, frame.noise)
    return LimbMeasurement(
        "partial",
        sun,
        moon,
        blur,
        frame.clipped_at(x[bare], y[bare]),
        float(bare.mean()),
        sun_limb=sun_limb,
        moon_limb=moon_limb,
    )


def _limb_of(disc: MeasuredDisc, fit: FilteredSun) -> tuple[Floats, Floats]:
    """Return places a degree apart on a limb as it was fitted, squeezed."""
    a = np.arange(360) * (np.pi / 180)
    r = disc.radius * (1 + fit.plus * np.cos(2 * a) + fit.cross * np.sin(2 * a))
    return disc.x + r * np.cos(a), disc.y + r * np.sin(a)


def _limb_points(x: Floats, y: Floats, seen: Mask, sigma: float) -> Floats:
    """Return the part of a fitted limb that is seen, as edge points that are as good as the fit."""
    count = int(seen.sum())
    each = sigma * np.sqrt(max(count, 2) / 2.0)
    return np.column_stack([x[seen], y[seen], np.full(count, each)])


def _sun_limb(frame: LimbFrame, start: Start) -> RadialEdges | None:
    """Return the edges of the Sun's limb, moved out to where the darkened disc ends."""
    edges = limb_edges(frame, start, brighter_outside=False)
    blur = None if edges is None else limb_width_of(edges)
    if edges is None or blur is None:
        return edges
    inset = edge_inset(start[2], blur)
    x, y = edges.x + inset * np.cos(edges.angle), edges.y + inset * np.sin(edges.angle)
    return replace(edges, x=x, y=y)


def _dark_outside(frame: LimbFrame, sun: MeasuredDisc) -> bool:
    """Whether the sky around a bright disc is as dark as only a solar filter makes it."""
    c = (sun.x, sun.y, sun.radius)
    outside, _ = ring(frame, c, 1.06, 1.25)
    inside, _ = ring(frame, c, 0.80, 0.97)
    lit = np.nanquantile(inside, 0.9)
    return bool(lit > 20 * frame.noise and np.nanquantile(outside, 0.9) < 0.08 * lit)


def _moon_on_sun(
    frame: LimbFrame, points: EdgePoints, sun: MeasuredDisc, ratio: float | None
) -> RadialEdges | None:
    """Return the edges of the Moon's limb on the Sun's disc; None if there are none."""
    f = frame.factor
    px, py = f * (points.x + 0.5) - 0.5, f * (points.y + 0.5) - 0.5
    near = np.hypot(px - sun.x, py - sun.y) < sun.radius - 1.0 * f
    outward = (points.up_x * (px - sun.x) + points.up_y * (py - sun.y)) > 0
    wanted = (0.85, 1.15) if ratio is None else (0.93 * ratio, 1.07 * ratio)
    for chosen in (near, near & outward):
        found = consensus_circle(
            px[chosen],
            py[chosen],
            -points.up_x[chosen],
            -points.up_y[chosen],
            tolerance=1.5 * f,
            radius_range=(0.6 * sun.radius, 1.6 * sun.radius),
            rng=np.random.default_rng(SEED),
        )
        if found is None:
            continue
        start = _tie(found[:3], px[chosen], py[chosen], found[3], wanted, sun.radius)
        edges = limb_edges(frame, start, brighter_outside=True)
        if edges is None:
            continue
        on_disc = np.hypot(edges.x - sun.x, edges.y - sun.y) < sun.radius - 2.0
        if on_disc.sum() >= 12:
            return edges[on_disc]
    return None


def _tie(
    found: Start,
    px: NDArray[np.float64],
    py: NDArray[np.float64],
    members: Mask,
    wanted: tuple[float, float],
    sun_radius: float,
) -> Start:
    """Return the circle, refitted with a plausible radius if its short arc gave another one."""
    low, high = wanted[0] * sun_radius, wanted[1] * sun_radius
    if low <= found[2] <= high:
        return found
    radius = 0.5 * (low + high)
    x, y = px[members], py[members]
    a, b = found[0], found[1]
    for _ in range(60):
        d = np.hypot(x - a, y - b)
        a += float(np.mean((x - a) * (1 - radius / d)))
        b += float(np.mean((y - b) * (1 - radius / d)))
    return a, b, radius
