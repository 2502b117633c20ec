"""What one frame shows: the Sun behind the Moon, the Moon in front of the corona, or neither."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.disc import MeasuredDisc
from limbward.limb.circle import Arc, algebraic_circle, consensus_circle, fit_circles
from limbward.limb.darkening import edge_inset
from limbward.limb.edges import EdgePoints, RadialEdges, clipped_near, edge_points, radial_edges
from limbward.limb.ramp import ramp_edges

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
Start = tuple[float, float, float]
Kind = Literal["partial", "contact", "totality", "none"]

COARSE_SIDE = 640  # px of the image that limbs are first looked for in
# Beyond the scatter of the edges: the Moon's relief and the corona's slope pull the centre by
# RELIEF_PX, an overexposed limb by up to RAMP_PX more (pixels of the measured image; against
# simulated truth).
RELIEF_PX, RAMP_PX = 0.02, 0.08
SEED = 20260812  # the consensus draws pairs at random; the same frame gives the same result


def _no_points() -> Floats:
    return np.zeros((0, 3))


@dataclass(frozen=True)
class LimbMeasurement:
    """Limbs found in a frame, in full raw pixels.

    Attributes
    ----------
    kind : {'partial', 'contact', 'totality', 'none'}
        By content alone. ``contact`` is an unfiltered frame with photosphere in sight.
    sun, moon : MeasuredDisc or None
        The Sun is measured in partial frames only; the Moon where its limb is seen.
    limb_width : float or None
        Blur of the limb (sigma of a Gaussian), pixels; None if the limb is saturated.
    limb_saturated : bool
        The bright side of more than half the measured limb is clipped.
    coverage : float
        Fraction of the circumference (Moon's in totality, Sun's in partial frames) that was seen.
    note : str
        Why nothing was measured, or what is doubtful.
    sun_limb, moon_limb : ndarray, shape (N, 3)
        Edge points used: x, y and the standard error along the radius. They let the circles be
        fitted again when the sizes of the discs at the frame's time are known; see
        `limbward.limb.refit`.
    """

    kind: Kind
    sun: MeasuredDisc | None = None
    moon: MeasuredDisc | None = None
    limb_width: float | None = None
    limb_saturated: bool = False
    coverage: float = 0.0
    note: str = ""
    sun_limb: Floats = field(default_factory=_no_points)
    moon_limb: Floats = field(default_factory=_no_points)


def measure(
    image: Image,
    saturated: Mask,
    scale: float = 1.0,
    origin: tuple[float, float] = (0.0, 0.0),
    *,
    radius_ratio: float | None = None,
    flattening_sigma: float = 0.002,
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
        How much refraction may squeeze the discs; see `fit_circles`.

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
    whole = image[: image.shape[0] // factor * factor, : image.shape[1] // factor * factor]
    height, width = (n // factor for n in whole.shape)
    coarse = whole.reshape(height, factor, width, factor).mean(axis=(1, 3), dtype=np.float32)
    background = float(np.quantile(coarse, 0.02))
    coarse_noise = max(noise / factor, 1e-6)
    if float(np.quantile(coarse, 0.9995)) - background < 12 * coarse_noise:
        return LimbMeasurement("none", note="nothing brighter than the noise in this frame")
    points = edge_points(
        coarse - np.float32(background),
        15 * coarse_noise,
        most=1500,
    )
    frame = _Frame(image - np.float32(background), saturated, noise, factor)
    partial = _measure_partial(frame, points, radius_ratio, flattening_sigma)
    found = partial or _measure_totality(frame, points)
    return _to_full(found, scale, origin)


@dataclass(frozen=True)
class _Frame:
    image: Image
    saturated: Mask
    noise: float
    factor: int

    def fine(self, coarse: Start) -> Start:
        """Return a circle of the small version in pixels of the image."""
        f = self.factor
        return f * (coarse[0] + 0.5) - 0.5, f * (coarse[1] + 0.5) - 0.5, f * coarse[2]


def _noise(image: Image) -> float:
    """Return the standard deviation of a pixel in the darker half, from neighbours' differences."""
    sample = image[::4]
    difference = np.abs(np.diff(sample[:, ::1], axis=1))[:, ::4]
    level = sample[:, :-1][:, ::4]
    dark = difference[level <= np.median(level)]
    return float(max(np.median(dark) * 1.4826 / np.sqrt(2.0), 0.3))


def _consensus(points: EdgePoints, *, bright_inside: bool, side: int) -> Start | None:
    sign = 1.0 if bright_inside else -1.0
    found = consensus_circle(
        points.x,
        points.y,
        sign * points.up_x,
        sign * points.up_y,
        tolerance=1.5,
        radius_range=(6.0, 3.0 * side),
        rng=np.random.default_rng(SEED),
    )
    return None if found is None else found[:3]


def _limb(frame: _Frame, start: Start, *, brighter_outside: bool) -> RadialEdges | None:
    """Return the edges of a limb, drawing the search in around a first fit; None if too few."""
    x, y, r = start
    edges = None
    for reach in (4.0 + 2.5 * frame.factor, 6.0):
        reach = min(reach, 0.4 * r)
        edges = radial_edges(
            frame.image,
            frame.saturated,
            x,
            y,
            r,
            brighter_outside=brighter_outside,
            noise=frame.noise,
            reach=reach,
        )
        if edges.angle.size < 12:
            return None
        circle = fit_circles([_arc(edges)], [(x, y, r)]).circles[0]
        if np.hypot(circle.x - x, circle.y - y) > 3 * reach:
            return None
        x, y, r = circle.x, circle.y, circle.radius
    return edges


def _sun_limb(frame: _Frame, start: Start) -> RadialEdges | None:
    """Return the edges of the Sun's limb, moved out to where the darkened disc ends."""
    edges = _limb(frame, start, brighter_outside=False)
    blur = None if edges is None else _limb_width(edges)
    if edges is None or blur is None:
        return edges
    inset = edge_inset(start[2], blur)
    x, y = edges.x + inset * np.cos(edges.angle), edges.y + inset * np.sin(edges.angle)
    return replace(edges, x=x, y=y)


def _arc(edges: RadialEdges) -> Arc:
    return Arc(edges.x, edges.y, edges.sigma)


def _points(edges: RadialEdges) -> Floats:
    return np.stack([edges.x, edges.y, edges.sigma], axis=1)


def _coverage(edges: RadialEdges, circle: MeasuredDisc) -> float:
    """Return the fraction of the circumference within a degree of an edge."""
    angle = np.degrees(np.arctan2(edges.y - circle.y, edges.x - circle.x)) % 360.0
    near = np.hypot(edges.x - circle.x, edges.y - circle.y) - circle.radius
    seen = np.zeros(180, bool)
    seen[(angle[np.abs(near) < 2.5] / 2.0).astype(int) % 180] = True
    return float(seen.mean())


def _ring(frame: _Frame, c: Start, low: float, high: float) -> tuple[Image, Mask]:
    """Return brightness and saturation on a ring from ``low`` to ``high`` radii, 180 angles."""
    theta = np.arange(180) * (2 * np.pi / 180)
    r = np.linspace(low, high, 7) * c[2]
    place = [c[1] + np.sin(theta)[:, None] * r, c[0] + np.cos(theta)[:, None] * r]
    value = ndimage.map_coordinates(frame.image, place, order=1, cval=np.nan)
    return value.astype(np.float32), clipped_near(frame.saturated, place[1], place[0], reach=0)


def _limb_width(edges: RadialEdges) -> float | None:
    """Return the limb's blur (sigma), pixels of the image; None if too little is unsaturated."""
    width = edges.width[~edges.saturated]
    width = width[np.isfinite(width)]
    return float(np.median(width)) if width.size >= 12 else None


def _measure_partial(
    frame: _Frame, points: EdgePoints, ratio: float | None, flattening_sigma: float
) -> LimbMeasurement | None:
    """Measure a filtered frame: a bright disc or crescent on black. None if it is no such frame."""
    side = max(frame.image.shape) // frame.factor
    rough = _consensus(points, bright_inside=True, side=side)
    if rough is None:
        return None
    sun_edges = _sun_limb(frame, frame.fine(rough))
    if sun_edges is None:
        return None
    sun = fit_circles([_arc(sun_edges)], [_start(sun_edges, frame.fine(rough))]).circles[0]
    if not _dark_outside(frame, sun):
        return None
    moon_edges = _moon_on_sun(frame, points, sun, ratio)
    if moon_edges is None:
        coverage = _coverage(sun_edges, sun)
        if coverage < 0.9:
            return LimbMeasurement(
                "partial", note="the Moon's limb could not be told from the Sun's"
            )
        return LimbMeasurement(
            "partial",
            sun,
            None,
            _limb_width(sun_edges),
            _clipped(sun_edges),
            coverage,
            "the whole Sun, no Moon in front",
            sun_limb=_points(sun_edges),
        )
    moon = fit_circles([_arc(moon_edges)], [_start(moon_edges, (sun.x, sun.y, sun.radius))])
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
        [_arc(sun_edges[keep_s]), _arc(moon_edges[keep_m])],
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
        _limb_width(sun_edges),
        _clipped(sun_edges),
        _coverage(sun_edges[keep_s], sun),
        sun_limb=_points(sun_edges[keep_s]),
        moon_limb=_points(moon_edges[keep_m]),
    )


def _start(edges: RadialEdges, fallback: Start) -> Start:
    try:
        return algebraic_circle(edges.x, edges.y)
    except ValueError:
        return fallback


def _clipped(edges: RadialEdges) -> bool:
    return bool(edges.saturated.mean() > 0.5)


def _dark_outside(frame: _Frame, sun: MeasuredDisc) -> bool:
    """Whether the sky around a bright disc is as dark as only a solar filter makes it."""
    c = (sun.x, sun.y, sun.radius)
    outside, _ = _ring(frame, c, 1.06, 1.25)
    inside, _ = _ring(frame, c, 0.80, 0.97)
    lit = np.nanquantile(inside, 0.9)
    return bool(lit > 20 * frame.noise and np.nanquantile(outside, 0.9) < 0.08 * lit)


def _moon_on_sun(
    frame: _Frame, points: EdgePoints, sun: MeasuredDisc, ratio: float | None
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
        edges = _limb(frame, start, brighter_outside=True)
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


def _measure_totality(frame: _Frame, points: EdgePoints) -> LimbMeasurement:
    """Measure the Moon in front of the corona, or say why not."""
    side = max(frame.image.shape) // frame.factor
    rough = _consensus(points, bright_inside=False, side=side)
    if rough is None:
        return LimbMeasurement("none", note="no limb found in this frame")
    edges = _limb(frame, frame.fine(rough), brighter_outside=True)
    if edges is None:
        return LimbMeasurement("none", note="no limb sharp enough to measure")
    fit = fit_circles([_arc(edges)], [_start(edges, frame.fine(rough))])
    if edges.saturated.mean() > 0.02:
        start = fit.circles[0]
        blur = _limb_width(edges) if edges.saturated.mean() < 0.7 else None
        ramp = ramp_edges(
            frame.image,
            frame.saturated,
            start.x,
            start.y,
            start.radius,
            noise=frame.noise,
            blur=blur,
        )
        if ramp is not None:
            edges = ramp
            fit = fit_circles([_arc(edges)], [_start(edges, frame.fine(rough))])
    systematic = RELIEF_PX + RAMP_PX * float(edges.saturated.mean())
    moon = replace(fit.circles[0], sigma=float(np.hypot(fit.circles[0].sigma, systematic)))
    coverage = _coverage(edges, moon)
    c = (moon.x, moon.y, moon.radius)
    outside, clipped = _ring(frame, c, 1.02, 1.12)
    inside, _ = _ring(frame, c, 0.80, 0.96)
    brighter = outside.mean(axis=1) > inside.mean(axis=1) + 3 * frame.noise
    seen = np.isfinite(outside).all(axis=1)
    if coverage < 0.2 or fit.inlier_fraction < 0.5 or fit.rms > 2.0 or not seen.any():
        return LimbMeasurement("none", note="no limb sharp enough to measure")
    if brighter[seen].mean() < 0.3:
        return LimbMeasurement("none", note="no dark disc with a bright surrounding found")
    outside, clipped = outside[seen], clipped[seen]
    share = float(clipped.mean())
    rest = float(np.median(outside[~clipped])) if share < 1 else np.inf
    full = float(np.max(outside[clipped])) if share > 0 else np.inf
    # Where the photosphere shows, a part of the ring is clipped and the rest is far from it.
    contact = 0.002 < share < 0.6 and rest < 0.12 * full
    return LimbMeasurement(
        "contact" if contact else "totality",
        None,
        moon,
        _limb_width(edges),
        _clipped(edges),
        coverage,
        moon_limb=_points(edges),
    )


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
