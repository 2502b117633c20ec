"""What is measured in one frame, and the steps that both kinds of frame need."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.disc import MeasuredDisc
from limbward.limb.circle import Arc, algebraic_circle, consensus_circle, fit_circles
from limbward.limb.edges import EdgePoints, RadialEdges, clipped_near, radial_edges

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
Start = tuple[float, float, float]
Kind = Literal["partial", "contact", "totality", "none"]

SEED = 20260812  # the consensus draws pairs at random; the same frame gives the same result


def no_points() -> Floats:
    """Return no edge points."""
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
        `limbward.limb.refit`. None of a thin crescent, which is measured as a whole.
    uneven : float
        How much the blur's variance changes around the limb, relative: of a trailed frame, much.
    """

    kind: Kind
    sun: MeasuredDisc | None = None
    moon: MeasuredDisc | None = None
    limb_width: float | None = None
    limb_saturated: bool = False
    coverage: float = 0.0
    note: str = ""
    sun_limb: Floats = field(default_factory=no_points)
    moon_limb: Floats = field(default_factory=no_points)
    uneven: float = 0.0


@dataclass(frozen=True)
class LimbFrame:
    """A frame to find limbs in: ``factor`` pixels of it are one of the small version."""

    image: Image
    saturated: Mask
    noise: float
    factor: int
    linear: bool = True

    def fine(self, coarse: Start) -> Start:
        """Return a circle of the small version in pixels of the image."""
        f = self.factor
        return f * (coarse[0] + 0.5) - 0.5, f * (coarse[1] + 0.5) - 0.5, f * coarse[2]

    def clipped_at(self, x: Floats, y: Floats) -> bool:
        """Return whether more than half of some places are clipped or beside a clipped pixel."""
        return bool(x.size and clipped_near(self.saturated, x, y).mean() > 0.5)


def outline(points: EdgePoints, *, bright_inside: bool, side: int) -> Start | None:
    """Return the circle that most edges of the small version agree on."""
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


def limb_edges(frame: LimbFrame, start: Start, *, brighter_outside: bool) -> RadialEdges | None:
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
        circle = fit_circles([arc_of(edges)], [(x, y, r)]).circles[0]
        if np.hypot(circle.x - x, circle.y - y) > 3 * reach:
            return None
        x, y, r = circle.x, circle.y, circle.radius
    return edges


def arc_of(edges: RadialEdges) -> Arc:
    """Return edges as points to fit a circle to."""
    return Arc(edges.x, edges.y, edges.sigma)


def points_of(edges: RadialEdges) -> Floats:
    """Return x, y and the standard error of edges, shape (N, 3)."""
    return np.stack([edges.x, edges.y, edges.sigma], axis=1)


def coverage_of(edges: RadialEdges, circle: MeasuredDisc) -> float:
    """Return the fraction of the circumference within a degree of an edge."""
    angle = np.degrees(np.arctan2(edges.y - circle.y, edges.x - circle.x)) % 360.0
    near = np.hypot(edges.x - circle.x, edges.y - circle.y) - circle.radius
    seen = np.zeros(180, bool)
    seen[(angle[np.abs(near) < 2.5] / 2.0).astype(int) % 180] = True
    return float(seen.mean())


def ring(frame: LimbFrame, c: Start, low: float, high: float) -> tuple[Image, Mask]:
    """Return brightness and saturation on a ring from ``low`` to ``high`` radii, 180 angles."""
    theta = np.arange(180) * (2 * np.pi / 180)
    r = np.linspace(low, high, 7) * c[2]
    place = [c[1] + np.sin(theta)[:, None] * r, c[0] + np.cos(theta)[:, None] * r]
    value = ndimage.map_coordinates(frame.image, place, order=1, cval=np.nan)
    return value.astype(np.float32), clipped_near(frame.saturated, place[1], place[0], reach=0)


def limb_width_of(edges: RadialEdges) -> float | None:
    """Return the limb's blur (sigma), pixels of the image; None if too little is unsaturated."""
    width = edges.width[~edges.saturated]
    width = width[np.isfinite(width)]
    return float(np.median(width)) if width.size >= 12 else None


def start_of(edges: RadialEdges, fallback: Start) -> Start:
    """Return a circle through edges, or the fallback if they lie on a line."""
    try:
        return algebraic_circle(edges.x, edges.y)
    except ValueError:
        return fallback


def mostly_clipped(edges: RadialEdges) -> bool:
    """Return whether the bright side of most edges is clipped."""
    return bool(edges.saturated.mean() > 0.5)
